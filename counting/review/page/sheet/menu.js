/* The slip behind the dots: saving, printing, the sheet's particulars. */

import { finished } from '../work/book.js';
import { drawHead, layout } from './contact.js';
import { $, data, live, make, many, photos, say, trouble } from '../ground/data.js';
import { openHelp } from './help.js';
import { keep } from '../work/keep.js';
import { askName, takeName } from '../work/names.js';
import { printSheet } from './paper.js';
import { bringBack, countUnsaved, saveFile, shareFile, shareable } from '../work/save.js';
import { language, languages, speak, t } from '../ground/texts.js';

async function openSaved(file) {
  let document_ = null;
  try {
    document_ = JSON.parse(await file.text());
  } catch (error) {
    document_ = null;
  }
  if (!document_ || document_.format !== 'counting corrections' || !Array.isArray(document_.photos)) {
    trouble(`${file.name} is not a corrections file.`);
    return;
  }
  if (document_.sheet !== data.sheet) {
    trouble(`${file.name} was saved from another contact sheet.`);
    return;
  }
  if (!keep.reviewer) await takeName(document_.reviewer);
  const brought = bringBack(document_.photos);
  trouble('');
  say(`${many(brought, 'answer')} brought back`);
  countUnsaved();
  layout();
  drawHead();
}

/** Open it. */
export function openMenu() {
  const close = () => $('menu').close();
  const press = (text, act, strong = false) => make('button', {
    type: 'button', class: strong ? 'press strong' : 'press', onclick: () => { close(); act(); },
  }, text);
  const done = finished();
  const all = done === photos.length;
  const file = make('input', { type: 'file', accept: '.json,application/json', class: 'unseen', id: 'saved', tabindex: '-1', 'aria-label': 'Saved corrections file' });
  file.addEventListener('change', () => {
    if (file.files.length) openSaved(file.files[0]);
    close();
  });
  const rows = [make('h2', { id: 'menu-name', text: all ? 'All photos are answered' : 'This sheet' })];
  if (!live) {
    rows.push(make('p', {
      text: all ? 'Save the file and hand it back to whoever gave you this sheet.'
        : 'Your work is kept in this browser as you go. Save the file to hand it back.',
    }));
    rows.push(press(`Save ${many(done, 'photo')} as a file`, saveFile, true));
    if (shareable()) rows.push(press('Send the file', shareFile));
    rows.push(make('button', { type: 'button', class: 'press', onclick: () => file.click() }, 'Open saved work'), file);
  }
  if (live) {
    if (done) rows.push(press(`Save ${many(done, 'photo')} as a file`, saveFile));
    if (live.pairs) rows.push(press(t('hand over'), openHandOver));
  }
  rows.push(press('Print as a tally sheet', printSheet), press('How it works', openHelp),
    press('Change the name', () => askName()),
    ...languages.filter((each) => each !== language)
      .map((each) => press(data.texts[each]['this language'], () => speak(each))),
    make('p', { class: 'fine', text: `Sheet ${data.sheet} · order ${data.seed} · ${data.blind ? 'blind: plant and group are not shown' : 'plant and group are shown'}` }),
    make('div', { class: 'slip-row end' }, make('button', { type: 'button', class: 'press', onclick: close }, 'Close')));
  $('menu').replaceChildren(...rows);
  $('menu').showModal();
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
