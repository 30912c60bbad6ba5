/* Answers on their way to the desk, where the page came from one: what waits, what was refused. */

import { answered, book, corrections, finished } from './book.js';
import { $, data, live, make, photos, placeOf, say, together, trouble } from '../ground/data.js';
import { download, fileName } from './files.js';
import { tell } from '../ground/hub.js';
import { keep, put } from './keep.js';
import { makeOutbox } from './outbox.js';
import { t } from '../ground/texts.js';

export const outbox = live ? makeOutbox({
  box: `review|${data.trial}`,
  address: `${live.base}save`,
  format: 'counting answers',
  changed: () => tell('head drawn'),
  acknowledged,
}) : null;

const slotOf = (index) => `${data.sheet}|${keep.reviewer}|${photos[index].photo}`;

/** What the desk has need not be sent again, also after the page is opened anew. */
function acknowledged({ document: sent }) {
  if (sent.sheet !== data.sheet || sent.reviewer !== keep.reviewer) return;
  for (const { photo, at } of sent.photos) {
    const index = placeOf.get(photo);
    if (index === undefined || !book[index] || book[index].at !== at) continue;
    book[index].sent = at;
    put(photo, book[index]);
  }
}

/** Put a photo's answer in, and those of its plant whose links hang on it. */
export function post(index) {
  if (!outbox || !keep.reviewer) return;
  together(index).filter(answered)
    .filter((each) => each === index || book[each].marks.some((mark) => mark.twin))
    .forEach((each) => outbox.put(slotOf(each), corrections([each])));
}

/** Put in what was answered and neither waits nor was acknowledged. */
export function postRest() {
  if (!outbox) return;
  photos.forEach((_, index) => {
    if (answered(index) && book[index].sent !== book[index].at && !outbox.has(slotOf(index))) {
      outbox.put(slotOf(index), corrections([index]));
    }
  });
  outbox.flush();
}

/** Say how it stands: "Saved" only when nothing waits. */
export function drawOutbox() {
  const stand = outbox.stand();
  const { waiting, refused } = stand;
  let words = finished() ? t('saved') : '';
  if (!stand.clear) words = waiting.length ? t('waiting', { n: waiting.length }) : t('sending');
  if (!waiting.length && refused.length) words = t('refused', { n: refused.length });
  for (const place of ['kicker', 'pace']) $(place).dataset.saved = words;
  const [kind] = stand.trouble.split(' ');
  const why = {
    '': '', away: 'trouble away', full: 'trouble full', busy: 'trouble busy', unpaired: 'trouble unpaired',
  }[kind] ?? 'trouble strange';
  const said = waiting.length && why
    ? t(why, { n: waiting.length, reply: stand.trouble.slice(kind.length + 1) }) : '';
  trouble(said, 'desk');
  trouble(refused.length ? `${t('refused', { n: refused.length })}: ${refused[0].reason}` : '',
    'refused', { [t('look')]: openRefused });
  trouble(stand.stored ? '' : t('not kept'), 'outbox');
}

/** The refused answers as corrections files, one for each reviewer and sheet. */
function refusedFiles(refused) {
  const files = new Map();
  for (const { document: one } of refused) {
    const name = fileName(one.sheet, one.reviewer, 'refused');
    if (!files.has(name)) files.set(name, { ...one, photos: [] });
    files.get(name).photos.push(...one.photos);
  }
  return files;
}

/** What the desk refused: why, and the ways out. */
function openRefused() {
  const close = () => $('menu').close();
  const fill = (filed = []) => {
    const { refused } = outbox.stand();
    if (!refused.length) {
      close();
      return;
    }
    const press = (words, onclick) => make('button', { type: 'button', class: 'press', onclick }, words);
    const lines = refused.slice(0, 12).map(({ document: one, reason }) => {
      const index = placeOf.get(one.photos[0].photo);
      const name = index === undefined ? one.photos[0].photo.slice(0, 12) : String(index + 1);
      return make('li', {}, make('b', { text: t('photo n', { number: name }) }), ` ${reason}`);
    });
    const rows = [
      make('h2', { id: 'menu-name', text: t('refused', { n: refused.length }) }),
      make('p', { text: t('refused help') }),
      make('ul', { class: 'refused' }, ...lines),
      press(t('send again'), async () => {
        await outbox.retry();
        fill();
      }),
      press(t('refused as file'), () => {
        refusedFiles(refused).forEach((one, name) => download(name, one));
        say(t('saved to file'));
        fill(refused.map(({ number }) => number));
      }),
    ];
    if (filed.length) {
      rows.push(press(t('refused off'), async () => {
        await outbox.release(filed);
        fill();
      }));
    }
    rows.push(make('div', { class: 'slip-row end' }, press(t('close'), close)));
    $('menu').replaceChildren(...rows);
  };
  fill();
  if (!$('menu').open) $('menu').showModal();
}
