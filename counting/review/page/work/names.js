/* Whose work it is: the name, what was kept under it, what the server has of it. */

import { book, future, past } from './book.js';
import { drawHead, layout } from '../sheet/contact.js';
import { $, data, live, make, placeOf, trouble } from '../ground/data.js';
import { keep, kept, putName } from './keep.js';
import { bringBack, countUnsaved } from './save.js';
import { postRest } from './send.js';
import { t } from '../ground/texts.js';

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
    fault.textContent = await takeName(name);
    if (fault.textContent) {
      input.focus();
      return;
    }
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

/** Take up a reviewer's own work under their name; returns why not, if the desk says so. */
export async function takeName(name) {
  const standing = live ? await askDesk(name) : { photos: [] };
  if (standing.refusal) return standing.refusal;
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
  bringBack(standing.photos, true);
  postRest();
  countUnsaved();
  layout();
  drawHead();
  return '';
}

/** Ask what the desk has of a reviewer; away, it is as if it had nothing. */
async function askDesk(name) {
  try {
    const reply = await fetch(`${live.base}mine?reviewer=${encodeURIComponent(name)}`, { cache: 'no-store' });
    if (reply.status === 409 || reply.status === 401) return { photos: [], refusal: await reply.text() };
    if (reply.ok) return await reply.json();
  } catch (error) {
    trouble(t('desk away'), 'asked');
    return { photos: [] };
  }
  return { photos: [] };
}
