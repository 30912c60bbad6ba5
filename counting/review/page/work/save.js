/* Saving: a corrections file to hand back, by download or by another program of the phone. */

import { answered, book, corrections, finished, fresh } from './book.js';
import { $, data, live, make, photos, placeOf, say } from '../ground/data.js';
import { tick } from './desk.js';
import { download, fileName, fileText } from './files.js';
import { tell } from '../ground/hub.js';
import { keep, put } from './keep.js';
import { drawOutbox, post } from './send.js';
import { t } from '../ground/texts.js';

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
  say(t('saved as', { n: finished(), file: name }));
  openHandBack(name);
}

/** After saving: which file, where it lies, to whom it goes, and the ways to bring it there. */
function openHandBack(name, fault = '') {
  const close = () => $('menu').close();
  const press = (words, onclick) => make('button', { type: 'button', class: 'press', onclick }, words);
  const rows = [
    make('h2', { id: 'menu-name', text: t(fault ? 'not sent' : 'file saved') }),
    make('p', { class: 'file-name', text: name }),
    make('p', { text: fault || t('file where', { n: finished() }) }),
    make('p', { text: t('file to whom', { title: data.title }) }),
  ];
  if (shareable()) rows.push(press(t('send file'), shareFile));
  rows.push(press(t('save again'), saveFile),
    make('div', { class: 'slip-row end' }, make('button', { type: 'button', class: 'press strong', onclick: close }, t('done'))));
  $('menu').replaceChildren(...rows);
  if (!$('menu').open) $('menu').showModal();
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

// phones pass text files on where they refuse others; the content is the same
const asText = (name, text) => new File([text], name.replace(/\.json$/, '.txt'), { type: 'text/plain' });

/** Whether the phone can hand the file to another program. */
export const shareable = () => {
  try {
    return Boolean(navigator.canShare && navigator.canShare({ files: [asText('a.json', '{}')] }));
  } catch (error) {
    return false;
  }
};

export async function shareFile() {
  const name = fileName(data.sheet, keep.reviewer);
  const file = asText(name, fileText(corrections(answeredList())));
  try {
    await navigator.share({ files: [file], title: data.title });
    marksSaved();
    say(t('sent'));
  } catch (error) {
    // called off or refused: nothing went out, and nothing counts as saved
    openHandBack(name, t(error.name === 'AbortError' ? 'send called off' : 'send refused'));
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
  $('save').textContent = number ? t('save count', { n: number }) : t('save');
  $('save').classList.toggle('strong', number > 0 && finished() === photos.length);
}

/** A change happened: note it, and send it on if there is a desk. */
export function noteChange(index) {
  if (!answered(index)) return;
  saving.unsaved.add(index);
  post(index);
  drawSave();
}

/** Bring back answers: from a saved file or from the desk; the newer of two stays. */
export function bringBack(list, sent = false) {
  let brought = 0;
  for (const each of list) {
    const index = placeOf.get(each.photo);
    if (index === undefined || each.proposal !== photos[index].proposal) continue;
    if (answered(index) && book[index].at >= each.at) continue;
    const marks = each.answer !== 'counted' ? fresh(index).marks : each.marks.map((mark) => ({
      ...mark, hand: true, state: mark.state === 'confirmed' && mark.candidate !== null ? 'proposed' : mark.state,
    }));
    book[index] = {
      answer: each.answer,
      at: each.at,
      seconds: each.seconds,
      clicks: each.clicks,
      changed: Date.parse(each.at),
      touched: true,
      seen: Boolean(each.seen),
      looked: each.looked || '',
      marks,
      sent: sent ? each.at : '',
    };
    if (each.zone) book[index].zone = each.zone;
    put(each.photo, book[index]);
    brought += 1;
  }
  return brought;
}
