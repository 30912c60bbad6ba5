/* The walk: one plant at a time, photo and tallies by one thumb, kept on the phone at once. */

import { make } from './make.js';
import { makeBook, measuresOf, walk, walker } from './walk-book.js';
import { drawCounters } from './walk-counters.js';
import { remember, remembered } from './walk-store.js';
import { data, fillTexts, speakOther, t } from './walk-words.js';

const $ = (id) => document.querySelector(`#${id}`);
const REASONS = ['dead', 'broken', 'not found'];
const SIDES = ['path', 'wall'];
const SEEN = ['picked', 'diseased'];
const AT = `counting|walk|${walk}`;

const book = makeBook(() => redraw());
let place = 0;
let side = '';
let trusses = 0;
let walking = false;

const plantHere = () => data.plants[place];
const change = (keys, act) => book.change(place, plantHere().code, keys, act);

/** Whether all that is asked of a plant is recorded. */
function counted(plant, record) {
  return measuresOf(plant).every(({ name, trusses: byTruss }) =>
    byTruss
      ? book.valuesOf(record).some((key) => key.startsWith(`${name}|`))
      : record.values[name],
  );
}

/** What is still open of a plant: a photo that will do, or what is counted on it. */
function openOf(plant) {
  const record = book.of(plant.code);
  if (record.missing) return '';
  const good = record.photos.some(({ kind }) => kind === 'good' || kind === 'far');
  if (data.base && !good && !book.photos.of(plant.code)) {
    return record.photos.length ? 'again' : 'open';
  }
  return counted(plant, record) ? '' : 'open';
}

function drawStrip() {
  $('strip').replaceChildren(
    ...data.plants.map((plant, at) =>
      make('button', {
        type: 'button',
        class: `knot ${openOf(plant) || 'done'}`,
        'aria-label': plant.code,
        'aria-current': at === place ? 'true' : false,
        onclick: () => go(at),
      }),
    ),
  );
  $('strip').children[place].scrollIntoView({ block: 'nearest', inline: 'center' });
}

function drawJudged(record) {
  const last = record.photos.at(-1);
  const line = $('judged');
  line.className = 'judged';
  if (book.photos.of(plantHere().code)) {
    line.textContent = data.base && navigator.onLine ? t('looking') : t('judged later');
  } else if (!last) line.textContent = '';
  else {
    line.classList.add(last.kind === 'good' ? 'good' : 'mind');
    line.textContent = t(`judged ${last.kind}`, {
      plant: plantHere().code,
      plants: last.plants.join(', '),
      px: last.px_per_mm ? last.px_per_mm.toFixed(1) : '?',
    });
  }
}

/** What another walker recorded on this plant: a person says which of the two stands. */
function drawAsked(code) {
  $('asked').replaceChildren(
    ...book.asked(code).map((each) => {
      const { measure, truss, value } = each.document;
      const name = truss ? t('truss', { n: truss, measure: t(measure) }) : t(measure);
      const button = (words, mine) =>
        make('button', { type: 'button', class: 'press', onclick: () => book.settle(code, each, mine) }, words);
      return make(
        'p',
        { class: 'mind' },
        t('asked', { by: each.other.by, measure: name, value: each.other.value }),
        ' ',
        button(t('asked theirs', { value: each.other.value }), false),
        ' ',
        button(t('asked mine', { value }), true),
      );
    }),
  );
}

const chip = (word, pressed, onclick) =>
  make('button', { type: 'button', class: 'chip', 'aria-pressed': String(pressed), onclick }, t(word));

function drawChips(record) {
  $('reasons').replaceChildren(
    ...REASONS.map((reason) =>
      chip(reason, record.missing === reason, () =>
        change([data.main, ...book.valuesOf(record).filter((key) => key !== data.main)], (next) => {
          next.missing = next.missing === reason ? '' : reason;
        }),
      ),
    ),
  );
  $('seen').replaceChildren(
    ...SEEN.map((word) =>
      chip(word, record.seen.includes(word), () =>
        change([''], (next) => {
          next.seen = next.seen.includes(word)
            ? next.seen.filter((each) => each !== word)
            : [...next.seen, word];
        }),
      ),
    ),
  );
}

function draw() {
  const plant = plantHere();
  const record = book.of(plant.code);
  const before = data.plants[place - 1];
  const after = data.plants[place + 1];
  $('where').textContent = t('row place', { row: plant.row, place: plant.place });
  $('code').textContent = plant.code;
  $('beside').textContent = [
    before ? t('after', { plant: before.code }) : t('first'),
    after ? t('before', { plant: after.code }) : '',
  ]
    .filter(Boolean)
    .join(', ');
  $('far').textContent = t('plant n of m', { n: place + 1, m: data.plants.length });
  $('hand').hidden = !plant.hand;
  $('take-word').textContent = record.photos.length ? t('photo again') : t('photo');
  drawAsked(plant.code);
  drawChips(record);
  const focus = document.activeElement?.getAttribute?.('aria-label');
  $('counters').replaceChildren(
    ...(record.missing
      ? []
      : drawCounters(plant, record, {
          change,
          more: trusses,
          addTruss: (number) => {
            trusses = number;
            draw();
          },
        })),
  );
  if (focus) $('counters').querySelector(`[aria-label="${CSS.escape(focus)}"]`)?.focus();
  if (document.activeElement !== $('note')) $('note').value = record.note;
  $('undo').disabled = !book.canUndo();
  $('back').disabled = place === 0;
  $('next').textContent = t(place === data.plants.length - 1 ? 'finish' : 'next');
  $('name-here').textContent = t('name here', { name: walker() });
  drawStrip();
}

function drawQueue() {
  const { kept, sends, waiting, refused, away } = book.stand();
  const queue = $('queue');
  queue.classList.toggle('mind', Boolean(refused.length) || !kept);
  if (!kept) queue.textContent = t('not kept');
  else if (refused.length) {
    queue.textContent = `${t('refused', { n: refused.length })}: ${refused[0].reason}`;
  } else if (waiting) {
    queue.textContent = `${t('waiting', { n: waiting })}. ${away ? t('away') : ''}`;
  } else queue.textContent = sends && book.began() ? t('saved') : t('kept');
  drawJudged(book.of(plantHere().code));
}

let drawn = '';
/** Draw what changed; the queue changes often, the plant seldom. */
function redraw() {
  if (!walking) return;
  const now = JSON.stringify([place, trusses, book.of(plantHere().code), book.asked(plantHere().code)]);
  if (now !== drawn) draw();
  drawn = now;
  drawQueue();
}

function go(to) {
  place = Math.max(0, Math.min(data.plants.length - 1, to));
  trusses = 0;
  remember(AT, place);
  $('end').hidden = true;
  $('plant').hidden = false;
  redraw();
  window.scrollTo(0, 0);
}

function end() {
  const places = (kind) => [...data.plants.keys()].filter((at) => openOf(data.plants[at]) === kind);
  const line = (words, found) =>
    make(
      'p',
      {},
      words,
      ' ',
      ...found.map((at) =>
        make('button', { type: 'button', class: 'chip', onclick: () => go(at) }, data.plants[at].code),
      ),
    );
  const open = places('open');
  const again = places('again');
  const lines = [];
  if (open.length) lines.push(line(t('gaps'), open));
  if (again.length) lines.push(line(t('again'), again));
  if (!lines.length) lines.push(make('p', {}, t('no gaps')));
  $('end-word').textContent = t(open.length || again.length ? 'end' : 'done');
  $('end-lines').replaceChildren(...lines);
  $('plant').hidden = true;
  $('end').hidden = false;
}

async function toFile() {
  const name = `walk-${data.survey}.csv`;
  const file = new File([book.asTable()], name, { type: 'text/csv' });
  if (navigator.canShare?.({ files: [file] })) {
    try {
      await navigator.share({ files: [file] });
      return;
    } catch (error) {
      // not shared: the download is the second way
    }
  }
  const address = URL.createObjectURL(file);
  make('a', { href: address, download: name }).click();
  setTimeout(() => URL.revokeObjectURL(address), 10000);
}

function listen() {
  $('take').addEventListener('change', (event) => {
    const [file] = event.target.files;
    event.target.value = '';
    if (file) book.keepPhoto(plantHere().code, side, file).then(redraw);
  });
  $('note').addEventListener('change', (event) => {
    change([''], (next) => {
      next.note = event.target.value.trim();
    });
  });
  $('back').addEventListener('click', () => go(place - 1));
  $('next').addEventListener('click', () =>
    place === data.plants.length - 1 ? end() : go(place + 1),
  );
  $('again').addEventListener('click', () => go(0));
  $('undo').addEventListener('click', () => {
    const to = book.takeBack();
    if (to !== null) go(to);
  });
  for (const each of document.querySelectorAll('.to-file')) each.addEventListener('click', toFile);
  $('language').addEventListener('click', speakOther);
  $('name-here').addEventListener('click', () => show(false));
  $('side').addEventListener('change', (event) => {
    side = event.target.value.trim();
    remember(`${AT}|side`, side);
  });
  $('who').addEventListener('submit', (event) => {
    event.preventDefault();
    book.rename($('name').value.trim());
    show(true);
  });
}

/** Show the walk, or ask for the name. */
function show(walks) {
  walking = walks;
  $('who').hidden = walks;
  $('walk').hidden = !walks;
  drawn = '';
  redraw();
}

async function start() {
  fillTexts();
  $('hand-help').textContent = t('hand help', { mm: data.smallest_mm });
  $('camera').hidden = !data.base;
  for (const id of ['side-line', 'missing-line', 'seen-line', 'note-line']) {
    $(id).hidden = data.tags_only;
  }
  // the word that is kept is one for all languages: two words would be two sides
  const sides = t('sides').split(', ');
  const options = SIDES.map((value, at) => make('option', { value, label: sides[at] }));
  $('sides').replaceChildren(...options);
  listen();
  await book.open();
  place = Math.min(Number(remembered(AT)) || 0, data.plants.length - 1);
  side = remembered(`${AT}|side`);
  $('side').value = side;
  $('name').value = walker();
  if (walker() && book.began()) show(true);
  document.documentElement.dataset.ready = 'yes';
}

start();
