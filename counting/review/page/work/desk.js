/* Which photo lies open, since when, and down to which step its changes may be undone. */

import { recordOf } from './book.js';

// `floor`: steps made before another screen opened are not undone there, since their photo does not show
// `together`: photos were opened from the screen of several, which they lead back to
export const desk = {
  index: -1, since: 0, scroll: 0, pushed: false, floor: -1, together: false,
};

/** Count the time spent looking; a pause counts for half a minute at most. */
export function tick() {
  if (desk.index < 0) return;
  const now = Date.now();
  const record = recordOf(desk.index);
  record.seconds += Math.min(now - desk.since, 30000) / 1000;
  desk.since = now;
}
