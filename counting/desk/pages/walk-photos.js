/* Photos on their way to the desk: kept on the phone until it has them, each sent whole, once. */

import { dropPhoto, keepPhoto, photosOf } from './walk-store.js';
import { data } from './walk-words.js';

const FIRST_PAUSE = 1500;
const LONGEST_PAUSE = 30000;

/** Make the queue; `judged` is told what the desk says of a photo, `changed` how many wait. */
export function makePhotoQueue({ walk, device, judged, changed }) {
  let waiting = [];
  let sending = false;
  let pause = FIRST_PAUSE;
  let timer = 0;

  const plan = (after) => {
    clearTimeout(timer);
    timer = setTimeout(send, after);
  };

  async function sendOne(photo) {
    const query = new URLSearchParams({
      device: device(),
      number: String(photo.number),
      plant: photo.plant,
      survey: data.survey,
      side: photo.side,
      name: photo.name,
      at: photo.at,
    });
    if (data.tags_only) query.set('tags', '1');
    const reply = await fetch(`${data.base}photo?${query}`, {
      method: 'POST',
      headers: { 'Content-Type': 'application/octet-stream' },
      body: photo.blob,
    });
    if (reply.status === 422) return { kind: 'damaged', plants: [], refused: await reply.text() };
    if (!reply.ok) throw new Error(String(reply.status));
    return reply.json();
  }

  async function send() {
    clearTimeout(timer);
    if (sending || !waiting.length || !data.base) return;
    sending = true;
    const photo = waiting[0];
    try {
      const told = await sendOne(photo);
      // the desk has it: only now may the phone forget it
      await dropPhoto(walk, photo.number);
      waiting = waiting.filter((each) => each.number !== photo.number);
      pause = FIRST_PAUSE;
      judged(photo, told);
    } catch (error) {
      pause = Math.min(pause * 2, LONGEST_PAUSE);
    }
    sending = false;
    changed();
    if (waiting.length) plan(pause === FIRST_PAUSE ? 0 : pause);
  }

  window.addEventListener('online', () => plan(0));
  document.addEventListener('visibilitychange', () => {
    if (!document.hidden) plan(0);
  });

  return {
    async open() {
      waiting = await photosOf(walk);
      changed();
      plan(0);
    },
    async add(plant, side, file) {
      const at = new Date().toISOString();
      const photo = { walk, plant, side, at, name: file.name || 'photo.jpg', blob: file };
      const number = await keepPhoto(photo);
      waiting.push({ ...photo, number: number || Date.now() });
      changed();
      plan(0);
      return number > 0;
    },
    count: () => waiting.length,
    of: (plant) => waiting.filter((each) => each.plant === plant).length,
  };
}
