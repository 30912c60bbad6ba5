/* The contact sheet: strips of small numbered frames, of which only those near the screen exist. */

import { answered, book, countOf, finished, paceWords, recordOf, unsureOf } from '../work/book.js';
import {
  $, data, doubtful, flagsOf, gridSource, live, make, photos, say, worstMany, worstShare,
} from '../ground/data.js';
import { tell } from '../ground/hub.js';
import { keep } from '../work/keep.js';
import { draw, waxCross } from '../photo/rings.js';
import { flagWord, t } from '../ground/texts.js';

const FILTERS = [
  ['all', 'all', () => true],
  ['todo', 'to do', (index) => !answered(index)],
  ['flagged', 'doubtful', doubtful],
  ['open', 'not counted', (index) => ['cannot tell', 'retake'].includes(recordOf(index).answer) || unsureOf(index) > 0],
];
export const contact = {
  filter: 'all', shown: [], columns: 1, side: 100, high: 100, rows: new Map(), focus: 0,
};
const GAP = 8;
const EDGE = 26;
const HOLES = 11;

/** The frames' shape: that of most photos. */
const shape = (() => {
  const ratios = photos.map((photo) => photo.width / photo.height).sort((a, b) => a - b);
  const middle = ratios[Math.floor(ratios.length / 2)] || 4 / 3;
  return Math.min(1.5, Math.max(0.75, middle));
})();

function drawFilters() {
  const buttons = FILTERS.map(([name, text, fits]) => {
    const number = photos.filter((_, index) => fits(index)).length;
    return make('button', {
      type: 'button',
      class: 'chip',
      'aria-pressed': String(contact.filter === name),
      onclick: () => showOnly(name),
    }, `${t(text)} `, make('b', { text: String(number) }));
  });
  $('filters').replaceChildren(...buttons);
}

function showOnly(name) {
  contact.filter = name;
  layout();
  window.scrollTo(0, 0);
  say(t('n photos', { n: contact.shown.length }));
}

/** Decide which photos show and how many stand in a strip. */
export function layout() {
  const [, , fits] = FILTERS.find(([name]) => name === contact.filter);
  contact.shown = photos.map((_, index) => index).filter(fits);
  const room = $('rows').clientWidth;
  const wanted = room < 500 ? 112 : 158;
  contact.columns = Math.max(2, Math.floor((room - GAP) / (wanted + GAP)));
  contact.side = Math.floor((room - GAP) / contact.columns) - GAP;
  contact.high = Math.round(contact.side / shape) + EDGE + 2 * HOLES + 14;
  const strips = Math.ceil(contact.shown.length / contact.columns);
  $('rows').style.height = `${Math.max(strips * contact.high, 60)}px`;
  contact.rows.forEach((row) => row.remove());
  contact.rows.clear();
  const none = $('none');
  if (none) none.remove();
  if (!contact.shown.length) {
    $('rows').append(make('p', { id: 'none', class: 'none', text: t('no photo') }));
  }
  drawFilters();
  drawRows();
  $('doubt').hidden = photos.length < 6 || worstShare < 0.5;
  $('doubt').textContent = t('doubt', { n: worstMany, rest: photos.length - worstMany });
}

/** Make the strips near the screen, drop those far away. */
function drawRows() {
  if ($('contact').hidden) return;
  const top = -$('rows').getBoundingClientRect().top;
  const ahead = window.innerHeight * 1.5;
  const strips = Math.ceil(contact.shown.length / contact.columns);
  const first = Math.max(0, Math.floor((top - ahead) / contact.high));
  const last = Math.min(strips - 1, Math.ceil((top + window.innerHeight + ahead) / contact.high));
  for (const [number, row] of contact.rows) {
    if (number < first || number > last) {
      row.remove();
      contact.rows.delete(number);
    }
  }
  let before = null;
  for (let number = first; number <= last; number += 1) {
    let row = contact.rows.get(number);
    if (!row) {
      row = makeRow(number);
      contact.rows.set(number, row);
      if (before) before.after(row);
      else $('rows').prepend(row);
    }
    before = row;
  }
}

function makeRow(number) {
  const row = make('div', { class: 'strip' });
  row.style.transform = `translateY(${number * contact.high}px)`;
  row.style.height = `${contact.high - 14}px`;
  const start = number * contact.columns;
  contact.shown.slice(start, start + contact.columns).forEach((index, offset) => {
    const alike = (other) => other !== undefined && photos[other].set === photos[index].set;
    const frame = makeFrame(index);
    frame.classList.toggle('after', alike(contact.shown[start + offset - 1]));
    frame.classList.toggle('before', alike(contact.shown[start + offset + 1]));
    row.append(frame);
  });
  return row;
}

function makeFrame(index) {
  const image = make('img', { alt: '', src: gridSource(index), decoding: 'sync', draggable: 'false' });
  const button = make('button', {
    type: 'button', class: 'frame', 'data-index': index, onclick: () => tell('photo wanted', index),
  }, make('span', { class: 'window' }, image, frameWax(index)), frameEdge(index));
  button.style.width = `${contact.side}px`;
  button.firstChild.style.height = `${Math.round(contact.side / shape)}px`;
  return button;
}

/** The pencil on a frame: a small tick = counted, cross = retake, question mark = cannot tell. */
function frameWax(index) {
  const word = book[index] ? book[index].answer : '';
  const svg = draw('svg', { class: `pencil ${word.replace(' ', '-')}`, viewBox: '-50 -38 100 76', 'aria-hidden': 'true' });
  if (word === 'counted') svg.append(draw('path', { d: 'M-44 -24L-39 -18L-29 -31' }));
  if (word === 'retake') svg.append(draw('path', { d: waxCross(38, 30) }));
  if (word === 'cannot tell') svg.append(draw('path', { d: 'M-11 -12C-10 -26 12 -26 11 -10 10 0 0 0 0 10M0 20.500V21' }));
  return svg;
}

/** The words under a frame; what the eye sees by other means is told to a screen reader. */
function frameEdge(index) {
  const record = book[index];
  const { label } = photos[index];
  const unseen = (text) => make('span', { class: 'unseen', text });
  const edge = make('span', { class: 'edge' },
    unseen(`${t('photo')} `), make('b', { text: String(index + 1) }), ' ');
  if (label) edge.append(unseen(`${label}, `));
  if (record && record.answer) {
    const counted = record.answer === 'counted';
    edge.append(make('span', { class: 'done', text: counted ? `${countOf(index)}` : t(record.answer) }));
    if (counted) edge.append(unseen(` ${t('fruit counted')}`));
    return edge;
  }
  const [reason] = flagsOf(index);
  const told = doubtful(index) ? flagWord(reason || 'uncertain count') : '';
  if (told) edge.append(make('span', { class: 'flag' }, told, unseen(',')));
  else if (record && record.touched) edge.append(make('span', { class: 'begun' }, t('begun'), unseen(',')));
  edge.append(unseen(` ${t('still to do', { n: countOf(index) })}`));
  return edge;
}

/** Renew one frame after a change. */
export function renew(index) {
  const old = $('rows').querySelector(`[data-index="${index}"]`);
  if (!old) return;
  const frame = makeFrame(index);
  ['before', 'after'].forEach((word) => frame.classList.toggle(word, old.classList.contains(word)));
  old.replaceWith(frame);
}

/** What stands above the strips. */
export function drawHead() {
  const done = finished();
  const pace = paceWords();
  $('progress').textContent = `${t('done of', { done, n: photos.length })}${pace ? `, ${pace}` : ''}`;
  $('meter').style.transform = `scaleX(${photos.length ? done / photos.length : 0})`;
  const kicker = [t('contact sheet')];
  if (data.part) kicker.push(data.part);
  if (keep.reviewer) kicker.push(keep.reviewer);
  $('kicker').textContent = kicker.join(' · ');
  $('begin').textContent = t(done === 0 ? 'start' : 'go on');
  $('begin').hidden = done === photos.length;
  $('home').hidden = !live?.home;
  if (live?.home) $('home').href = live.home;
  tell('head drawn');
}

/** Move from frame to frame with the arrow keys. */
export function walkFrames(event) {
  const frame = event.target.closest('.frame');
  const steps = {
    ArrowRight: 1, ArrowLeft: -1, ArrowDown: contact.columns, ArrowUp: -contact.columns,
  };
  if (!frame || !(event.key in steps)) return;
  event.preventDefault();
  const at = contact.shown.indexOf(Number(frame.dataset.index)) + steps[event.key];
  focusFrame(contact.shown[Math.min(Math.max(at, 0), contact.shown.length - 1)]);
}

export function focusFrame(index) {
  const at = contact.shown.indexOf(index);
  if (at < 0) return;
  const top = $('rows').getBoundingClientRect().top + Math.floor(at / contact.columns) * contact.high;
  if (top < 60 || top + contact.high > window.innerHeight) {
    window.scrollBy(0, top - window.innerHeight / 3);
  }
  drawRows();
  const frame = $('rows').querySelector(`[data-index="${index}"]`);
  if (frame) frame.focus({ preventScroll: true });
}

let rowsPlanned = false;
export function planRows() {
  if (rowsPlanned) return;
  rowsPlanned = true;
  requestAnimationFrame(() => {
    rowsPlanned = false;
    drawRows();
  });
}
