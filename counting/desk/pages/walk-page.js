/* The walk: one plant at a time, photo and tallies by one thumb, kept on the phone at once. */

import { makeOutbox } from './outbox.js';
import { makePhotoQueue } from './walk-photos.js';
import { keepRecord, recordsOf } from './walk-store.js';
import { data, language, speakOther, t } from './walk-words.js';

const $ = (id) => document.querySelector(`#${id}`);
const walk = `${data.trial}|${data.tags_only ? 'tags' : data.survey}`;
const REASONS = ['dead', 'broken', 'not found'];
const NAME = 'counting|walker';
const AT = `counting|walk|${walk}`;

const make = (tag, attributes = {}, ...children) => {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (name.startsWith('on')) element.addEventListener(name.slice(2), value);
    else if (value !== false && value !== null) element.setAttribute(name, value);
  }
  element.append(...children);
  return element;
};

const remembered = (key) => {
  try {
    return localStorage.getItem(key) || '';
  } catch (error) {
    return '';
  }
};
const remember = (key, value) => {
  try {
    localStorage.setItem(key, value);
  } catch (error) {
    // only a convenience
  }
};

const records = new Map();
const undo = [];
let place = Math.min(Number(remembered(AT)) || 0, data.plants.length - 1);
let side = '';
let kept = true;

const plantHere = () => data.plants[place];
const recordOf = (code) =>
  records.get(code) || { walk, plant: code, values: {}, missing: '', note: '', photos: [] };

const outbox = data.base
  ? makeOutbox({
      box: `walk|${walk}`,
      address: `${data.base}answers`,
      format: 'counting walk',
      changed: () => drawQueue(),
    })
  : null;
const photos = makePhotoQueue({
  walk,
  device: () => deviceOf(),
  judged: (photo, told) => {
    const record = structuredClone(recordOf(photo.plant));
    record.photos.push({ at: photo.at, side: photo.side, ...told });
    keep(record);
  },
  changed: () => drawQueue(),
});

function deviceOf() {
  let own = remembered('counting|device');
  if (!own) {
    const random = crypto.getRandomValues(new Uint8Array(12));
    own = [...random].map((byte) => byte.toString(16).padStart(2, '0')).join('');
    remember('counting|device', own);
  }
  return own;
}

/** Write a record down; what the page shows is on the phone's disk a moment later. */
async function keep(record) {
  records.set(record.plant, record);
  draw();
  kept = await keepRecord(record);
  drawQueue();
}

/** The measures of a plant: the main one by hand where the lot fell on it, then the others. */
const measuresOf = (plant) => [
  ...(plant.hand ? [{ name: data.main, unit: 'count', kind: 'count' }] : []),
  ...data.measures,
];

function post(record, names) {
  if (!outbox) return;
  for (const name of names) {
    outbox.put(`${record.plant}|${name}`, {
      survey: data.survey,
      plant: record.plant,
      measure: name,
      value: record.missing || record.values[name] || '',
      note: record.note,
      by: remembered(NAME),
      at: new Date().toISOString(),
    });
  }
}

function change(names, act) {
  const before = structuredClone(recordOf(plantHere().code));
  undo.push({ place, before, names });
  const record = structuredClone(before);
  act(record);
  keep(record);
  post(record, names);
}

const recorded = (record, plant) =>
  measuresOf(plant)
    .map(({ name }) => name)
    .filter((name) => record.values[name] || record.missing);

/** What is still open of a plant: a photo that will do, or what the lot asks for. */
function openOf(plant) {
  const record = recordOf(plant.code);
  if (record.missing) return '';
  const good = record.photos.some(({ kind }) => kind === 'good' || kind === 'far');
  if (data.base && !good && !photos.of(plant.code)) {
    return record.photos.length ? 'again' : 'open';
  }
  return measuresOf(plant).some(({ name }) => !record.values[name]) ? 'open' : '';
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

function drawCounter({ name, kind }, record) {
  const label = t(name);
  const value = record.values[name] || '';
  const set = (text) =>
    change([name], (next) => {
      next.values[name] = text;
    });
  const step = (by) => set(String(Math.max(0, (Number(value) || 0) + by)));
  const field = make('input', {
    type: 'text',
    inputmode: 'decimal',
    'aria-label': label,
    value,
    onchange: (event) => set(event.target.value.trim()),
  });
  const typed = kind === 'count' ? '' : ' typed';
  const line = make('div', { class: `counter${typed}` }, make('span', {}, label));
  if (kind !== 'count') line.append(field);
  else {
    line.append(
      make(
        'button',
        { type: 'button', 'aria-label': t('less', { measure: label }), onclick: () => step(-1) },
        '−',
      ),
      field,
      make(
        'button',
        { type: 'button', 'aria-label': t('more', { measure: label }), onclick: () => step(1) },
        '+',
      ),
    );
  }
  return line;
}

function drawJudged(record) {
  const last = record.photos.at(-1);
  const waits = photos.of(plantHere().code);
  const line = $('judged');
  line.className = 'judged';
  if (waits) line.textContent = data.base && navigator.onLine ? t('looking') : t('judged later');
  else if (!last) line.textContent = '';
  else {
    line.classList.add(last.kind === 'good' ? 'good' : 'mind');
    line.textContent = t(`judged ${last.kind}`, {
      plant: plantHere().code,
      plants: last.plants.join(', '),
      px: last.px_per_mm ? last.px_per_mm.toFixed(1) : '?',
    });
  }
}

function draw() {
  const plant = plantHere();
  const record = recordOf(plant.code);
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
  drawJudged(record);
  $('counters').replaceChildren(
    ...(record.missing ? [] : measuresOf(plant).map((each) => drawCounter(each, record))),
  );
  $('reasons').replaceChildren(
    ...REASONS.map((reason) =>
      make(
        'button',
        {
          type: 'button',
          class: 'chip',
          'aria-pressed': String(record.missing === reason),
          onclick: () =>
            change([data.main, ...recorded(record, plant)], (next) => {
              next.missing = next.missing === reason ? '' : reason;
            }),
        },
        t(reason),
      ),
    ),
  );
  if (document.activeElement !== $('note')) $('note').value = record.note;
  $('undo').disabled = !undo.length;
  $('back').disabled = place === 0;
  $('next').textContent = place === data.plants.length - 1 ? t('done') : t('next');
  drawStrip();
}

function drawQueue() {
  const stand = outbox?.stand();
  const waiting = (stand?.waiting.length || 0) + photos.count();
  const refused = stand?.refused || [];
  const queue = $('queue');
  queue.classList.toggle('mind', Boolean(refused.length) || !kept);
  if (!kept) queue.textContent = t('not kept');
  else if (refused.length)
    queue.textContent = `${t('refused', { n: refused.length })}: ${refused[0].reason}`;
  else if (waiting)
    queue.textContent = `${t('waiting', { n: waiting })}. ${stand?.trouble ? t('away') : ''}`;
  else queue.textContent = data.base && records.size ? t('saved') : t('kept');
  drawJudged(recordOf(plantHere().code));
}

function go(to) {
  place = Math.max(0, Math.min(data.plants.length - 1, to));
  remember(AT, String(place));
  $('end').hidden = true;
  $('plant').hidden = false;
  draw();
  window.scrollTo(0, 0);
}

function end() {
  const open = data.plants.filter((plant) => openOf(plant) === 'open').map(({ code }) => code);
  const again = data.plants.filter((plant) => openOf(plant) === 'again').map(({ code }) => code);
  const lines = [];
  if (open.length) lines.push(t('gaps', { plants: open.join(', ') }));
  if (again.length) lines.push(t('again', { plants: again.join(', ') }));
  if (!lines.length) lines.push(t('no gaps'));
  $('end-lines').replaceChildren(...lines.map((line) => make('p', {}, line)));
  $('plant').hidden = true;
  $('end').hidden = false;
}

/** A table as `counting tally` reads it. */
function asTable() {
  const quoted = (text) => `"${String(text).replaceAll('"', '""')}"`;
  const rows = [['survey', 'plant', 'measure', 'value', 'by', 'note']];
  for (const plant of data.plants) {
    const record = records.get(plant.code);
    if (!record) continue;
    const names = record.missing ? [data.main] : recorded(record, plant);
    for (const name of names) {
      const value = record.missing || record.values[name];
      rows.push([data.survey, plant.code, name, value, remembered(NAME), record.note]);
    }
  }
  return `${rows.map((row) => row.map(quoted).join(',')).join('\n')}\n`;
}

async function toFile() {
  const name = `walk-${data.survey}.csv`;
  const file = new File([asTable()], name, { type: 'text/csv' });
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
    if (file)
      photos.add(plantHere().code, side, file).then((safe) => {
        kept = kept && safe;
        draw();
      });
  });
  $('note').addEventListener('change', (event) => {
    const names = recorded(recordOf(plantHere().code), plantHere());
    change(names, (next) => {
      next.note = event.target.value.trim();
    });
  });
  $('back').addEventListener('click', () => go(place - 1));
  $('next').addEventListener('click', () =>
    place === data.plants.length - 1 ? end() : go(place + 1),
  );
  $('again').addEventListener('click', () => go(0));
  $('undo').addEventListener('click', () => {
    const last = undo.pop();
    if (!last) return;
    place = last.place;
    const photosNow = recordOf(last.before.plant).photos;
    const back = { ...last.before, photos: photosNow };
    keep(back);
    post(back, last.names);
  });
  for (const each of document.querySelectorAll('.to-file')) each.addEventListener('click', toFile);
  $('language').addEventListener('click', speakOther);
  $('side').addEventListener('change', (event) => {
    side = event.target.value.trim();
    remember(`${AT}|side`, side);
  });
}

async function start() {
  document.documentElement.lang = language;
  for (const element of document.querySelectorAll('[data-text]')) {
    element.textContent = t(element.dataset.text);
  }
  for (const element of document.querySelectorAll('[data-label]')) {
    element.setAttribute('aria-label', t(element.dataset.label));
  }
  $('hand-help').textContent = t('hand help', { mm: data.smallest_mm });
  $('camera').hidden = !data.base;
  for (const id of ['side-line', 'missing-line', 'note-line']) $(id).hidden = data.tags_only;
  for (const record of await recordsOf(walk)) records.set(record.plant, record);
  side = remembered(`${AT}|side`);
  $('side').value = side;
  listen();
  await outbox?.open();
  await photos.open();
  $('name').value = remembered(NAME);
  $('who').addEventListener('submit', (event) => {
    event.preventDefault();
    remember(NAME, $('name').value.trim());
    $('who').hidden = true;
    $('walk').hidden = false;
    draw();
    drawQueue();
  });
  if (remembered(NAME) && records.size) $('who').requestSubmit();
  document.documentElement.dataset.ready = 'yes';
}

start();
