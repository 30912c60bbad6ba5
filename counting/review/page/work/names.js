/* Whose work it is: the name, what was kept under it, what the server has of it. */

import { book, future, past } from './book.js';
import { drawHead, layout } from '../sheet/contact.js';
import { $, data, live, make, photos, placeOf, trouble } from '../ground/data.js';
import { keep, kept, putName } from './keep.js';
import { answeredList, bringBack, countUnsaved, saving, send } from './save.js';

/** Who counts? Asked once, before the first photo opens. */
export function askName(then = () => {}) {
  const input = make('input', {
    type: 'text', id: 'name', maxlength: 60, autocomplete: 'nickname', autocapitalize: 'words',
    spellcheck: 'false', required: true, value: keep.reviewer || data.reviewer || '',
  });
  const fault = make('p', { class: 'fault', role: 'alert' });
  const done = async () => {
    const name = input.value.normalize('NFC').replace(/[\u0000-\u001f\u007f]/g, ' ').trim();
    if (!name || name.includes('|')) {
      fault.textContent = name ? 'Please leave out the sign |.' : 'Please give a name or initials.';
      input.focus();
      return;
    }
    await takeName(name);
    $('who').close();
    then();
  };
  const form = make('form', { method: 'dialog', onsubmit: (event) => { event.preventDefault(); done(); } },
    make('h2', { id: 'who-name', text: 'Who is counting?' }),
    make('label', { for: 'name', text: 'Your name or initials. They are kept with your counts, and so is the time that each photo took.' }),
    input, fault,
    make('div', { class: 'slip-row end' },
      make('button', { type: 'button', class: 'press', onclick: () => $('who').close() }, 'Not now'),
      make('button', { type: 'submit', class: 'press strong' }, 'Start')));
  $('who').replaceChildren(form);
  $('who').showModal();
  input.focus();
}

/** Take up a reviewer's own work under their name. */
export async function takeName(name) {
  keep.reviewer = name;
  putName(name);
  if (navigator.storage && navigator.storage.persist) navigator.storage.persist().catch(() => {});
  book.length = 0;
  past.length = 0;
  future.length = 0;
  for (const [photo, record] of await kept()) {
    const index = placeOf.get(photo);
    if (index !== undefined && Array.isArray(record.marks)) book[index] = record;
  }
  if (live) await askServer();
  countUnsaved();
  layout();
  drawHead();
}

async function askServer() {
  try {
    const reply = await fetch(`${live.base}mine?reviewer=${encodeURIComponent(keep.reviewer)}`, { cache: 'no-store' });
    if (!reply.ok) return;
    const stand = (await reply.json()).photos;
    const there = new Map(stand.map((each) => [each.photo, each.at]));
    bringBack(stand);
    answeredList().filter((index) => (there.get(photos[index].photo) || '') < book[index].at)
      .forEach((index) => saving.waiting.add(index));
    send();
  } catch (error) {
    trouble('The server cannot be reached. Your answers are kept in this browser and sent when it is back.');
  }
}
