/* Saving: a corrections file to hand back, or each change sent to the server the page came from. */

import { answered, book, corrections, finished, fresh } from './book.js';
import { $, data, live, make, many, photos, placeOf, say, together, trouble } from '../ground/data.js';
import { tick } from './desk.js';
import { tell } from '../ground/hub.js';
import { keep, put } from './keep.js';

export const saving = { unsaved: new Set(), sent: '', waiting: new Set(), busy: false, timer: 0 };

export const answeredList = () => [...photos.keys()].filter(answered);

/** A name that any file system takes. */
function fileName() {
  const who = keep.reviewer.normalize('NFKD').replace(/[^A-Za-z0-9]+/g, '-').replace(/^-|-$/g, '').slice(0, 40);
  return `corrections_${data.sheet}_${who || 'reviewer'}.json`;
}

const fileText = () => `${JSON.stringify(corrections(answeredList()), null, 1)}\n`;

export function saveFile() {
  if (!keep.reviewer) {
    tell('name wanted', saveFile);
    return;
  }
  tick();
  const address = URL.createObjectURL(new Blob([fileText()], { type: 'application/json' }));
  const link = make('a', { href: address, download: fileName() });
  document.body.append(link);
  link.click();
  link.remove();
  setTimeout(() => URL.revokeObjectURL(address), 20000);
  marksSaved();
  say(`Saved ${many(finished(), 'photo')} as ${fileName()}`);
}

function marksSaved() {
  saving.unsaved.clear();
  try {
    if (keep.local) keep.local.setItem(`counting|${data.sheet}|saved|${keep.reviewer}`, String(Date.now()));
  } catch (error) {
    // only remembers what the button says
  }
  drawSave();
}

/** Which answers changed since the last saved file. */
export function countUnsaved() {
  let saved = 0;
  try {
    saved = Number((keep.local && keep.local.getItem(`counting|${data.sheet}|saved|${keep.reviewer}`)) || 0);
  } catch (error) {
    saved = 0;
  }
  saving.unsaved = new Set(answeredList().filter((index) => book[index].changed > saved));
}

/** Hand the file to another program of the phone, where it can. */
export const shareable = () => {
  try {
    const file = new File(['{}'], 'a.json', { type: 'application/json' });
    return Boolean(navigator.canShare && navigator.canShare({ files: [file] }));
  } catch (error) {
    return false;
  }
};

export async function shareFile() {
  const file = new File([fileText()], fileName(), { type: 'application/json' });
  try {
    await navigator.share({ files: [file], title: data.title });
    marksSaved();
  } catch (error) {
    if (error.name !== 'AbortError') saveFile();
  }
}

export function drawSave() {
  if (live) {
    $('save').hidden = true;
    const text = saving.waiting.size ? `${many(saving.waiting.size, 'photo')} waiting for the server` : saving.sent;
    $('kicker').dataset.saved = text;
    return;
  }
  const number = saving.unsaved.size;
  $('save').disabled = !finished();
  $('save').textContent = number ? `Save ${number}` : 'Save';
  $('save').classList.toggle('strong', number > 0 && finished() === photos.length);
}

/** A change happened: note it, and send it on if there is a server. */
export function noteChange(index) {
  if (!answered(index)) return;
  saving.unsaved.add(index);
  if (live) {
    together(index).filter(answered).forEach((each) => saving.waiting.add(each));
    clearTimeout(saving.timer);
    saving.timer = setTimeout(send, 150);
  }
  drawSave();
}

export async function send() {
  if (saving.busy || !saving.waiting.size || !keep.reviewer) return;
  saving.busy = true;
  const sending = [...saving.waiting];
  try {
    const reply = await fetch(`${live.base}save`, {
      method: 'POST',
      headers: { 'Content-Type': 'application/json' },
      body: JSON.stringify(corrections(sending)),
      cache: 'no-store',
      keepalive: sending.length < 20,
    });
    if (reply.ok) {
      sending.forEach((each) => saving.waiting.delete(each));
      sending.forEach((each) => saving.unsaved.delete(each));
      saving.sent = 'Saved';
      trouble('');
    } else {
      trouble(`The server did not take the answer: ${(await reply.text()).slice(0, 300)}`);
      sending.forEach((each) => saving.waiting.delete(each));
    }
  } catch (error) {
    trouble('The server cannot be reached. Your answers are kept in this browser and sent when it is back.');
    saving.timer = setTimeout(send, 4000);
  }
  saving.busy = false;
  drawSave();
  if (saving.waiting.size) saving.timer = setTimeout(send, 400);
}

/** Bring back answers: from a saved file or from the server; the newer of two stays. */
export function bringBack(list) {
  let brought = 0;
  for (const each of list) {
    const index = placeOf.get(each.photo);
    if (index === undefined || each.proposal !== photos[index].proposal) continue;
    if (answered(index) && book[index].at >= each.at) continue;
    const marks = each.answer !== 'counted' ? fresh(index).marks : each.marks.map((mark) => ({
      ...mark, state: mark.state === 'confirmed' && mark.candidate !== null ? 'proposed' : mark.state,
    }));
    book[index] = {
      answer: each.answer, at: each.at, seconds: each.seconds, clicks: each.clicks,
      changed: Date.parse(each.at), touched: true, marks,
    };
    put(each.photo, book[index]);
    brought += 1;
  }
  return brought;
}
