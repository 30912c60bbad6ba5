/* The reviewer's book: for each photo an answer and its marks; every change can be undone. */

import { data, photos, placeOf, together } from '../ground/data.js';
import { tell } from '../ground/hub.js';
import { keep, put } from './keep.js';
import { t } from '../ground/texts.js';

export const book = [];
export const past = [];
export const future = [];
const FOREIGN = new Set(['neighbour', 'behind', 'fallen']);
const STRUCK = new Set(['removed', 'elsewhere']);

/** What a struck ring is taken for: "removed" (no fruit) or "elsewhere" (not this plant's). */
export const striking = { as: 'removed' };
export const isStruck = (mark) => STRUCK.has(mark.state);

/** The record of a photo nobody has touched: what was proposed. */
export function fresh(index) {
  const photo = photos[index];
  const marks = photo.candidates
    .filter((candidate) => candidate.shown)
    .map((candidate, mark) => ({
      mark,
      candidate: candidate.candidate,
      x: candidate.x,
      y: candidate.y,
      width: candidate.width,
      height: candidate.height,
      state: FOREIGN.has(candidate.whose) ? 'elsewhere' : 'proposed',
      truss: photo.truss,
      twin: '',
      small: candidate.small,
    }));
  return {
    answer: '', at: '', seconds: 0, clicks: 0, changed: 0, touched: false, seen: false, looked: '', marks,
  };
}

export const recordOf = (index) => book[index] || (book[index] = fresh(index));

/** How a mark shows: what was proposed counts as confirmed once the photo is answered. */
export const shownState = (record, mark) => (
  mark.state === 'proposed' && record.answer === 'counted' ? 'confirmed' : mark.state
);

export const counts = (mark) => !isStruck(mark) && mark.state !== 'unsure' && !mark.small;
export const countOf = (index) => recordOf(index).marks.filter(counts).length;
export const unsureOf = (index) => recordOf(index).marks.filter((mark) => mark.state === 'unsure').length;
export const answered = (index) => Boolean(book[index] && book[index].answer);
export const nextMark = (record) => record.marks.reduce((most, mark) => Math.max(most, mark.mark + 1), 0);

/** A time later than the one before, whatever the device's clock does. */
function later(before) {
  const now = Date.now();
  return new Date(before ? Math.max(now, Date.parse(before) + 1) : now).toISOString();
}

function place(index, record) {
  book[index] = record;
  put(photos[index].photo, record);
  tell('changed', index);
}

/** Change one or more photos as one step that can be undone; `changes` maps index to new fields. */
export function change(changes) {
  const step = [];
  for (const [index, fields] of changes) {
    const before = recordOf(index);
    // whoever changes a photo has opened it; a press for several says otherwise in its fields
    const after = {
      ...before, looked: '', ...fields, touched: true, changed: Date.now(),
    };
    if (after.answer) after.at = later(before.at);
    step.push({ index, before, after });
  }
  past.push(step);
  future.length = 0;
  step.forEach(({ index, after }) => place(index, after));
}

/** Take the last step back, or do it again; returns the photo it was about, -1 for none. */
function again(from, to, side) {
  const step = from.pop();
  if (!step) return -1;
  to.push(step);
  for (const entry of step) {
    const wanted = entry[side];
    const now = recordOf(entry.index);
    place(entry.index, {
      ...wanted,
      seconds: now.seconds,
      clicks: now.clicks,
      seen: now.seen,
      at: wanted.answer ? later(now.at || wanted.at) : '',
      changed: Date.now(),
    });
  }
  return step[step.length - 1].index;
}
export const undo = () => again(past, future, 'before');
export const redo = () => again(future, past, 'after');

export const setMarks = (index, marks) => change([[index, { marks }]]);
export const withMark = (index, number, fields) => recordOf(index).marks.map(
  (mark) => (mark.mark === number ? { ...mark, ...fields } : mark),
);

/** Links of other photos to a mark that is going. */
export function unlinked(index, number) {
  const name = `${photos[index].photo}:${number}`;
  return together(index)
    .filter((other) => other !== index && recordOf(other).marks.some((m) => m.twin === name))
    .map((other) => [other, {
      marks: recordOf(other).marks.map((m) => (m.twin === name ? { ...m, twin: '' } : m)),
    }]);
}

/** A mark as it was before it was struck. */
const unstruck = (mark) => ({ ...mark, hand: true, state: mark.candidate === null ? 'added' : 'proposed' });

/** Strike several marks at once; those added by hand just go. Returns how many. */
export function strikeMany(index, numbers, as = striking.as) {
  const { marks } = recordOf(index);
  const chosen = marks.filter((mark) => numbers.has(mark.mark) && mark.state !== as);
  if (!chosen.length) return 0;
  const links = new Map();
  for (const { mark } of chosen) {
    for (const [other, fields] of unlinked(index, mark)) links.set(other, fields);
  }
  const kept = marks.filter((mark) => !(numbers.has(mark.mark) && mark.state === 'added'))
    .map((mark) => (numbers.has(mark.mark) ? {
      ...mark, state: as, twin: '', hand: true,
    } : mark));
  change([[index, { marks: kept }], ...links]);
  return chosen.length;
}

/** Strike a mark out, or take it back; a fruit added by hand just goes. */
export function strike(index, number) {
  const record = recordOf(index);
  const mark = record.marks.find((each) => each.mark === number);
  if (!mark) return '';
  if (isStruck(mark)) {
    setMarks(index, withMark(index, number, unstruck(mark)));
    return 'restored';
  }
  const marks = mark.state === 'added'
    ? record.marks.filter((each) => each.mark !== number)
    : withMark(index, number, { state: striking.as, twin: '', hand: true });
  change([[index, { marks }], ...unlinked(index, number)]);
  return 'removed';
}

/** Add a fruit at a place; one that was nearly proposed there gives its size. */
export function add(index, x, y) {
  const photo = photos[index];
  const record = recordOf(index);
  const used = new Set(record.marks.map((mark) => mark.candidate));
  const near = photo.candidates
    .filter((c) => !used.has(c.candidate)
      && Math.abs(x - c.x) < c.width / 3 && Math.abs(y - c.y) < c.height / 3)
    .sort((a, b) => b.confidence - a.confidence)[0];
  const side = Math.min(usualSide(index), roomFor(index, x, y));
  const mark = {
    mark: nextMark(record),
    candidate: near ? near.candidate : null,
    hand: true,
    x: near ? near.x : x,
    y: near ? near.y : y,
    width: near ? near.width : side,
    height: near ? near.height : side,
    state: 'added',
    truss: photo.truss,
    twin: '',
    small: false,
  };
  setMarks(index, [...record.marks, mark]);
  return mark.mark;
}

/** How large a ring may be that leaves the middles of its neighbours free to be tapped. */
function roomFor(index, x, y) {
  const far = recordOf(index).marks
    .filter((mark) => !isStruck(mark))
    .map((mark) => Math.hypot(mark.x - x, mark.y - y));
  const { width, height } = photos[index];
  return Math.max(Math.min(...far, width) * 1.6, Math.max(width, height) / 80);
}

/** The median side of the marks here, else a twentieth of the photo. */
function usualSide(index) {
  const sides = recordOf(index).marks.map((mark) => (mark.width + mark.height) / 2);
  sides.sort((a, b) => a - b);
  const { width, height } = photos[index];
  return sides.length ? sides[Math.floor(sides.length / 2)] : Math.max(width, height) / 20;
}

/** Answer a photo. */
export const answer = (index, word) => change([[index, { answer: word }]]);

/** Count several photos that stood on the screen together, as one step; `seconds` for each. */
export const confirmTogether = (indices, seconds) => change(indices.map((index) => [index, {
  answer: 'counted', looked: 'together', seen: true, seconds: recordOf(index).seconds + seconds,
}]));

export const finished = () => photos.reduce((sum, _, index) => sum + (answered(index) ? 1 : 0), 0);

/** Minutes left at the reviewer's own pace: the median of the last twenty photos. */
function minutesLeft() {
  const recent = book.filter((record) => record && record.answer && record.seconds > 0)
    .sort((a, b) => (a.at < b.at ? 1 : -1)).slice(0, 20)
    .map((record) => record.seconds).sort((a, b) => a - b);
  if (recent.length < 3) return null;
  return (recent[Math.floor(recent.length / 2)] * (photos.length - finished())) / 60;
}

export function paceWords() {
  const left = photos.length - finished();
  if (!left) return t('all done');
  const minutes = minutesLeft();
  if (minutes === null) return '';
  return minutes < 1 ? t('a minute left') : t('minutes left', { n: Math.round(minutes) });
}

/** One photo as the corrections file has it. */
function exported(index) {
  const record = recordOf(index);
  const photo = photos[index];
  const counted = record.answer === 'counted';
  const round = (value) => Math.round(value * 10) / 10;
  const marks = !counted ? [] : record.marks.map((mark) => ({
    mark: mark.mark,
    candidate: mark.candidate,
    truss: mark.truss,
    small: mark.small,
    x: round(mark.x),
    y: round(mark.y),
    width: round(mark.width),
    height: round(mark.height),
    state: mark.state === 'proposed' ? 'confirmed' : mark.state,
    twin: twinHolds(mark) ? mark.twin : '',
  }));
  const zone = record.zone || photo.zone || null;
  return {
    photo: photo.photo,
    proposal: photo.proposal,
    at: record.at,
    answer: record.answer,
    count: counted ? record.marks.filter(counts).length : 0,
    seconds: round(record.seconds),
    clicks: record.clicks,
    marks,
    seen: Boolean(record.seen),
    ...(zone ? { zone: zone.map((border) => border.map(round)) } : {}),
    ...(record.looked ? { looked: record.looked } : {}),
  };
}

/** Whether the fruit a mark is linked to is itself counted. */
function twinHolds(mark) {
  if (!mark.twin) return false;
  const [photo, number] = mark.twin.split(':');
  const other = placeOf.get(photo);
  if (other === undefined || recordOf(other).answer !== 'counted') return false;
  return recordOf(other).marks.some((each) => each.mark === Number(number) && counts(each));
}

/** The corrections file for some photos. */
export const corrections = (indices) => ({
  format: 'counting corrections',
  version: 1,
  trial: data.trial,
  sheet: data.sheet,
  reviewer: keep.reviewer,
  saved_at: new Date().toISOString(),
  photos: indices.map(exported),
});
