/* Saving: a corrections file to hand back, or each change sent to the server the page came from. */

import { answered, book, corrections, finished, fresh } from './book.js';
import { $, data, live, many, photos, placeOf, say } from '../ground/data.js';
import { tick } from './desk.js';
import { download, fileName, fileText } from './files.js';
import { tell } from '../ground/hub.js';
import { keep, put } from './keep.js';
import { drawOutbox, post } from './send.js';

export const saving = { unsaved: new Set() };

const answeredList = () => [...photos.keys()].filter(answered);

export function saveFile() {
  if (!keep.reviewer) {
    tell('name wanted', saveFile);
    return;
  }
  tick();
  const name = fileName(data.sheet, keep.reviewer);
  download(name, corrections(answeredList()));
  marksSaved();
  say(`Saved ${many(finished(), 'photo')} as ${name}`);
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
  const text = fileText(corrections(answeredList()));
  const file = new File([text], fileName(data.sheet, keep.reviewer), { type: 'application/json' });
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
    drawOutbox();
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
  post(index);
  drawSave();
}

/** Bring back answers: from a saved file or from the server; the newer of two stays. */
export function bringBack(list, sent = false) {
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
      sent: sent ? each.at : '',
    };
    put(each.photo, book[index]);
    brought += 1;
  }
  return brought;
}
