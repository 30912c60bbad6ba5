/* Whose work it is: the name, what was kept under it, what the server has of it. */

import { book, future, past } from './book.js';
import { drawHead, layout } from '../sheet/contact.js';
import { $, data, live, make, placeOf, trouble } from '../ground/data.js';
import { keep, kept, namesKept, putName } from './keep.js';
import { bringBack, countUnsaved } from './save.js';
import { postRest } from './send.js';
import { t } from '../ground/texts.js';

/** A name as it is compared: another spelling of it must not hide its work. */
const plain = (name) => name.normalize('NFKD').replace(/\p{M}/gu, '').toLowerCase().replace(/[^\p{L}\p{N}]+/gu, '');

/** Who counts? Asked once, before the first photo opens; names known here are one tap away. */
export async function askName(then = () => {}) {
  const known = await namesKept();
  const input = make('input', {
    type: 'text', id: 'name', maxlength: 60, autocomplete: 'nickname', autocapitalize: 'words',
    spellcheck: 'false', required: true, value: keep.reviewer || data.reviewer || '',
  });
  const fault = make('p', { class: 'fault', role: 'alert' });
  const take = async (name) => {
    fault.textContent = await takeName(name);
    if (fault.textContent) {
      input.focus();
      return;
    }
    $('who').close();
    then();
  };
  const done = () => {
    const name = input.value.normalize('NFC').replace(/[\u0000-\u001f\u007f]/g, ' ').trim();
    if (!name || name.includes('|')) {
      fault.textContent = t(name ? 'name bar' : 'name missing');
      input.focus();
      return;
    }
    const alike = [...known.keys()].find((each) => each !== name && plain(each) === plain(name) && plain(name));
    take(known.has(name) ? name : alike || name);
  };
  const buttons = [...known].filter(([name]) => name !== keep.reviewer).map(([name, n]) => make('button', {
    type: 'button', class: 'press', onclick: () => take(name),
  }, t('name known', { name, n })));
  const form = make('form', { method: 'dialog', onsubmit: (event) => { event.preventDefault(); done(); } },
    make('h2', { id: 'who-name', text: t('who') }),
    ...(buttons.length ? [make('div', { class: 'slip-row known' }, ...buttons)] : []),
    make('label', { for: 'name', text: t('name help') }),
    input, fault,
    make('div', { class: 'slip-row end' },
      make('button', { type: 'button', class: 'press', onclick: () => $('who').close() }, t('not now')),
      make('button', { type: 'submit', class: 'press strong' }, t('start'))));
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
