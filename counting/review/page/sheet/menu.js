/* The slip behind the dots: saving, printing, language, the sheet's particulars. */

import { finished } from '../work/book.js';
import { drawHead, layout } from './contact.js';
import { $, data, live, make, photos, say, trouble } from '../ground/data.js';
import { isLeft, turnHand } from '../ground/hand.js';
import { openHelp } from './help.js';
import { keep } from '../work/keep.js';
import { askName, takeName } from '../work/names.js';
import { printSheet } from './paper.js';
import { bringBack, countUnsaved, saveFile, shareFile, shareable } from '../work/save.js';
import { language, languages, speak, t } from '../ground/texts.js';

/** Open it. */
export function openMenu() {
  const close = () => $('menu').close();
  const done = finished();
  const press = (text, act, strong = false) => make('button', {
    type: 'button', class: strong ? 'press strong' : 'press', disabled: act === saveFile && !done, onclick: () => { close(); act(); },
  }, text);
  const all = done === photos.length;
  const file = make('input', {
    type: 'file', accept: '.json,.txt,application/json,text/plain', class: 'unseen', id: 'saved', tabindex: '-1', 'aria-label': t('saved file'),
  });
  file.addEventListener('change', () => {
    if (file.files.length) openSaved(file.files[0]);
    close();
  });
  const rows = [make('h2', { id: 'menu-name', text: t(all ? 'all answered' : 'this sheet') })];
  if (!live) {
    rows.push(make('p', { text: t(all ? 'hand back' : 'kept here') }),
      press(t('save n', { n: done }), saveFile, true));
    if (shareable()) rows.push(press(t('send file'), shareFile));
    rows.push(make('button', { type: 'button', class: 'press', onclick: () => file.click() }, t('open saved')), file);
  } else {
    if (done) rows.push(press(t('save n', { n: done }), saveFile));
    if (live.pairs) rows.push(press(t('hand over'), openHandOver));
  }
  rows.push(press(t('print'), printSheet), press(t('how it works'), openHelp),
    press(t('change name'), () => askName()),
    press(t(isLeft() ? 'right-handed' : 'left-handed'), turnHand),
    ...languages.filter((each) => each !== language)
      .map((each) => press(data.texts[each]['this language'], () => speak(each))),
    make('p', { class: 'fine', text: t(data.blind ? 'sheet blind' : 'sheet open', { sheet: data.sheet, seed: data.seed }) }),
    make('div', { class: 'slip-row end' }, make('button', { type: 'button', class: 'press', onclick: close }, t('close'))));
  $('menu').replaceChildren(...rows);
  $('menu').showModal();
}

async function openSaved(file) {
  let document_ = null;
  try {
    document_ = JSON.parse(await file.text());
  } catch (error) {
    document_ = null;
  }
  if (!document_ || document_.format !== 'counting corrections' || !Array.isArray(document_.photos)) {
    trouble(t('no corrections', { file: file.name }));
    return;
  }
  if (document_.sheet !== data.sheet) {
    trouble(t('other sheet', { file: file.name }));
    return;
  }
  if (!keep.reviewer) await takeName(document_.reviewer);
  const brought = bringBack(document_.photos);
  trouble('');
  say(t('brought back', { n: brought }));
  countUnsaved();
  layout();
  drawHead();
}

/** The way to a second device of the same person, open for a while and once. */
async function openHandOver() {
  const close = () => $('menu').close();
  const rows = [make('h2', { id: 'menu-name', text: t('hand over') })];
  try {
    const reply = await fetch(`${live.base}hand-over`, {
      method: 'POST', headers: { 'Content-Type': 'application/json' }, body: '{}', cache: 'no-store',
    });
    const { address, code } = await reply.json();
    rows.push(make('p', { text: t('hand over help') }),
      make('img', { class: 'code', src: code, alt: address }), make('p', { class: 'fine', text: address }));
  } catch (error) {
    rows.push(make('p', { text: t('desk away') }));
  }
  rows.push(make('div', { class: 'slip-row end' }, make('button', { type: 'button', class: 'press', onclick: close }, t('close'))));
  $('menu').replaceChildren(...rows);
  $('menu').showModal();
}
