/* Photos on their way to the desk: kept on the phone until it has them, each sent once, a large one
   in pieces, so that after a cut only the rest is sent. */

import { sha256 } from './walk-digest.js';
import { dropPhoto, keepPhoto, photosOf } from './walk-store.js';
import { data } from './walk-words.js';

const FIRST_PAUSE = 1500;
const LONGEST_PAUSE = 30000;
const PIECE = 262144;

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

  const post = (address, query, body) =>
    fetch(`${data.base}${address}?${query}`, {
      method: 'POST',
      headers: { 'Content-Type': 'application/octet-stream' },
      body,
    });

  /** Send what the desk lacks of a large photo; the photo is named by its digest from then on. */
  async function sendPieces(photo, query) {
    query.set('size', String(photo.blob.size));
    query.set('sha256', await sha256(photo.blob));
    const asked = await fetch(`${data.base}held.json?${query}`);
    if (!asked.ok) throw new Error(String(asked.status));
    const { whole, held } = await asked.json();
    if (whole) return;
    const has = new Set(held);
    for (let piece = 0; piece * PIECE < photo.blob.size; piece += 1) {
      if (has.has(piece)) continue;
      query.set('piece', String(piece));
      const from = piece * PIECE;
      const reply = await post('piece', query, photo.blob.slice(from, from + PIECE));
      if (!reply.ok) throw new Error(String(reply.status));
    }
    query.delete('piece');
  }

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
    const inPieces = photo.blob.size > PIECE && !photo.spoilt;
    if (inPieces) await sendPieces(photo, query);
    const reply = await post('photo', query, inPieces ? '' : photo.blob);
    if (reply.status === 422) return { kind: 'damaged', plants: [], refused: await reply.text() };
    if (reply.status === 409) photo.spoilt = !(await reply.json()).held.length;
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
