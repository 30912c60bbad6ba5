/* What was recorded on each plant: kept on the phone first, then sent; undone; as a table. */

import { makeOutbox } from './outbox.js';
import { makePhotoQueue } from './walk-photos.js';
import { keepRecord, openOwn, recordsOf, remember, remembered } from './walk-store.js';
import { data, language } from './walk-words.js';

export const walk = `${data.trial}|${data.tags_only ? 'tags' : data.survey}`;
const NAME = 'counting|walker';
const DEVICE = 'counting|device';
const UNITS = { mm: 'mm', percent: '%' };

export const walker = () => remembered(NAME);

function deviceOf() {
  let own = remembered(DEVICE);
  if (!own) {
    const random = crypto.getRandomValues(new Uint8Array(12));
    own = [...random].map((byte) => byte.toString(16).padStart(2, '0')).join('');
    remember(DEVICE, own);
  }
  return own;
}

/** The key of a value: its measure, and the truss where it is of one. */
export const keyOf = (name, truss) => (truss ? `${name}|${truss}` : name);
const partsOf = (key) => {
  const [name, truss = ''] = key.split('|');
  return { name, truss };
};

/** The measures of a plant: the main one by hand where it is asked for, then the others. */
export function measuresOf(plant) {
  const asked = data.measures.filter(({ name }) => name !== data.main);
  const main = { name: data.main, unit: 'count', kind: 'count', trusses: data.by_truss };
  const byHand = plant.hand || asked.length < data.measures.length;
  return byHand && !data.tags_only ? [main, ...asked] : asked;
}

/**
 * Make the book of this walk; `changed` is called when a record or the queue changes.
 */
export function makeBook(changed) {
  const records = new Map();
  const undo = [];
  let kept = true;

  const of = (code) =>
    structuredClone(
      records.get(code) || { walk, plant: code, values: {}, units: {}, missing: '', seen: [], note: '', photos: [] },
    );
  const outbox = data.base
    ? makeOutbox({
        box: `walk|${walk}`,
        address: `${data.base}answers`,
        format: 'counting walk',
        changed: () => changed(),
      })
    : null;
  const photos = makePhotoQueue({
    walk,
    device: deviceOf,
    judged: (photo, said) => {
      const record = of(photo.plant);
      record.photos.push({ at: photo.at, side: photo.side, ...said });
      keep(record);
    },
    changed: () => changed(),
  });

  /** Write a record down; what the page shows is on the phone's disk a moment later. */
  async function keep(record) {
    records.set(record.plant, record);
    changed();
    kept = await keepRecord(record);
    if (!kept) changed();
  }

  const noteOf = (record) => [...record.seen, record.note].filter(Boolean).join('; ');
  const valuesOf = (record) => Object.keys(record.values).filter((key) => record.values[key]);

  function told(record, key, over = false) {
    const { name, truss } = partsOf(key);
    const value = record.missing ? '' : record.values[key] || '';
    return {
      survey: data.survey,
      plant: record.plant,
      truss,
      measure: name,
      value,
      unit: value ? record.units[name] || '' : '',
      note: record.missing,
      by: walker(),
      at: new Date().toISOString(),
      over,
      language, // in which the desk says why it refuses one
    };
  }

  function post(record, keys) {
    for (const key of keys) outbox?.put(`${record.plant}|${key}`, told(record, key));
  }

  function postNote(record) {
    const note = { ...told(record, ''), note: noteOf(record), value: '', unit: '' };
    outbox?.put(`${record.plant}|note`, note);
  }

  /** Change a plant's record; `keys` are the values that the desk is told, '' the note. */
  function change(place, code, keys, act) {
    const before = of(code);
    undo.push({ place, before, keys });
    const record = of(code);
    act(record);
    keep(record);
    tell(record, keys);
  }

  function tell(record, keys) {
    if (keys.includes('')) postNote(record);
    post(record, keys.filter(Boolean));
  }

  /** Take the last change back; return the plant's place in the walk, null where there is none. */
  function takeBack() {
    const last = undo.pop();
    if (!last) return null;
    const record = { ...last.before, photos: of(last.before.plant).photos };
    keep(record);
    tell(record, last.keys);
    return last.place;
  }

  /** What the desk asks about: another walker's value on the same plant. */
  const asked = (code) =>
    (outbox?.stand().refused || []).filter(({ key, other }) => other && key.startsWith(`${code}|`));

  /** Settle what was asked: the own value stands in place of the other, or is given up. */
  async function settle(code, { number, key, document: mineTold }, mine) {
    const record = of(code);
    if (mine) {
      outbox.put(key, { ...mineTold, over: true, at: new Date().toISOString() });
      return;
    }
    delete record.values[key.slice(code.length + 1)];
    keep(record);
    await outbox.release([number]);
    changed();
  }

  /** Go on under another name: all that was recorded is told again in it. */
  function rename(name) {
    const before = walker();
    remember(NAME, name);
    if (!before || before === name) return;
    for (const record of records.values()) {
      const keys = record.missing ? [data.main] : valuesOf(record);
      tell(record, [...keys, ...(noteOf(record) ? [''] : [])]);
    }
  }

  /** A table as `counting tally` reads it. */
  function asTable() {
    const quoted = (text) => `"${String(text).replaceAll('"', '""')}"`;
    const rows = [['survey', 'plant', 'truss', 'measure', 'value', 'unit', 'by', 'note']];
    for (const { code } of data.plants) {
      const record = of(code);
      const note = [record.missing, noteOf(record)].filter(Boolean).join('; ');
      let keys = record.missing ? [data.main] : valuesOf(record);
      if (!keys.length && note) keys = [data.main];
      for (const key of keys) {
        const { survey, plant, truss, measure, value, unit, by } = told(record, key);
        rows.push([survey, plant, truss, measure, value, unit, by, note]);
      }
    }
    return `${rows.map((row) => row.map(quoted).join(',')).join('\n')}\n`;
  }

  return {
    of,
    photos,
    change,
    takeBack,
    asked,
    settle,
    rename,
    asTable,
    valuesOf,
    canUndo: () => undo.length > 0,
    began: () => records.size > 0,
    stand: () => ({
      kept,
      sends: Boolean(outbox),
      waiting: (outbox?.stand().waiting.length || 0) + photos.count(),
      refused: (outbox?.stand().refused || []).filter(({ other }) => !other),
      away: Boolean(outbox?.stand().trouble),
    }),
    keepPhoto: async (code, side, file) => {
      kept = (await photos.add(code, side, file)) && kept;
      changed();
    },
    async open() {
      await openOwn();
      for (const record of await recordsOf(walk)) {
        records.set(record.plant, { units: {}, seen: [], ...record });
      }
      await outbox?.open();
      await photos.open();
    },
  };
}

/** The unit that stands beside a number, '' where none does. */
export const unitOf = ({ unit }) => UNITS[unit] || '';
