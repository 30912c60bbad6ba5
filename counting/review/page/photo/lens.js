/* The lens: a tap among crowded rings opens it there; in it each tap counts, outside it closes. */

import { $, make } from '../ground/data.js';
import { desk } from '../work/desk.js';
import { makeStage } from './stage.js';
import { t } from '../ground/texts.js';

const RING = 60;
const MOST = 7;
const GUARD_MS = 320;

const lens = { stage: null, root: null, opened: 0, on: null };

export const lensOpen = () => Boolean(lens.root && !lens.root.hidden);

function build(on) {
  lens.on = on;
  const place = make('div', { class: 'lens-glass' });
  lens.root = make('div', {
    class: 'lens', role: 'dialog', 'aria-label': t('lens'), hidden: true,
  }, place);
  $('stage').append(lens.root);
  // what is outside the glass closes it, and counts for nothing else
  let began = false;
  lens.root.addEventListener('pointerdown', (event) => { began = !lens.stage.element.contains(event.target); });
  lens.root.addEventListener('pointerup', (event) => {
    const box = place.getBoundingClientRect();
    const outside = event.clientX < box.left || event.clientX > box.right
      || event.clientY < box.top || event.clientY > box.bottom;
    // a drag that began in the glass and ends outside is still the glass's own
    if (outside && began && event.timeStamp - lens.opened > GUARD_MS) closeLens();
  });
  lens.stage = makeStage(place, {
    tap: (mark, at, { now }) => {
      if (now - lens.opened < GUARD_MS) {
        closeLens();
        on.twice(lens.from);
      } else {
        on.tap(mark, at);
      }
    },
    hold: on.hold,
    ready: () => settle(),
  });
  lens.stage.close = true;
}

/** Open it over a place of the main stage, so large that a finger tells the rings apart. */
export function openLens(main, [px, py], { smallest, now }, on) {
  if (!lens.root) build(on);
  lens.from = main.view.toStage(px, py);
  lens.scale = Math.min(Math.max(main.view.scale * 2.2, (main.view.scale * RING) / (2 * Math.max(smallest, 1))), main.view.scale * MOST);
  lens.place = [px, py];
  lens.opened = now;
  lens.root.hidden = false;
  // the glass stands where the finger was, as far as there is room
  const room = [main.element.clientWidth, main.element.clientHeight];
  const glass = lens.root.firstChild;
  const size = Math.min(330, room[0] - 16, room[1] - 16);
  glass.style.width = `${size}px`;
  glass.style.height = `${size}px`;
  const corner = lens.from.map((value, axis) => Math.min(Math.max(value - size / 2, 8), room[axis] - size - 8));
  glass.style.left = `${corner[0]}px`;
  glass.style.top = `${corner[1]}px`;
  if (lens.stage.index !== desk.index || !lens.stage.ready) lens.stage.show(desk.index);
  else settle();
}

function settle() {
  const { view, element } = lens.stage;
  view.room = [element.clientWidth || 1, element.clientHeight || 1];
  view.most = lens.scale;
  view.scale = lens.scale;
  const [px, py] = lens.place;
  view.x = view.room[0] / 2 - px * view.scale;
  view.y = view.room[1] / 2 - py * view.scale;
  view.pan(0, 0);
  lens.stage.paintNow();
}

export function paintLens() {
  if (lensOpen()) lens.stage.paint();
}

export function closeLens() {
  if (lensOpen()) lens.root.hidden = true;
}
