/* Two photos of one plant side by side: "this fruit is the same as that one". */

import { change, counts, past, recordOf, unlinked, withMark } from '../work/book.js';
import { $, make, photos, say, together } from '../ground/data.js';
import { desk, tick } from '../work/desk.js';
import { refresh, remember, stage } from './photo.js';
import { twinLetters } from './rings.js';
import { makeStage } from './stage.js';
import { t } from '../ground/texts.js';

export const pair = { stages: [], picked: null, open: false, pushed: false };

export function openPair(index, number = null) {
  tick();
  const others = together(index).filter((each) => each !== index);
  if (!others.length) return;
  $('pair').hidden = false;
  $('photo').hidden = true;
  pair.open = true;
  pair.picked = null;
  desk.floor = past.length;
  $('pair-said').textContent = t('pair help');
  if (!pair.stages.length) {
    pair.stages = [0, 1].map((side) => makeStage($('pair-stages'), {
      tap: (mark) => pick(side, mark),
    }));
  }
  pair.pushed = remember('pushState', { pair: index }, index);
  pair.stages[0].show(index);
  showOther(others[0]);
  if (number !== null) pick(0, recordOf(index).marks.find((mark) => mark.mark === number));
  pair.stages[0].element.focus({ preventScroll: true });
}

function showOther(index) {
  pair.stages[1].show(index);
  drop();
  const mine = pair.stages[0].index;
  const others = together(mine).filter((each) => each !== mine);
  $('pair-others').hidden = others.length < 2;
  $('pair-others').replaceChildren(...others.map((each) => make('button', {
    type: 'button', class: 'press', 'aria-pressed': String(each === index), onclick: () => showOther(each),
  }, t('photo number', { number: each + 1 }))));
  paintPair();
}

export function closePair({ history: write = true } = {}) {
  if (!pair.open) return;
  pair.open = false;
  desk.floor = -1;
  $('pair').hidden = true;
  $('photo').hidden = false;
  if (write && pair.pushed) window.history.back();
  tick();
  refresh();
  stage.element.focus({ preventScroll: true });
}

function drop() {
  pair.picked = null;
  pair.stages.forEach((each) => { each.picked = null; });
}

/** Two taps, one in each photo, link two fruit; a tap on a linked fruit parts it. */
export function pick(side, mark) {
  if (!mark || !counts(mark)) {
    drop();
  } else if (!pair.picked || pair.picked.side === side) {
    const linked = partnerOf(pair.stages[side].index, mark.mark);
    drop();
    if (linked) {
      part(pair.stages[side].index, mark.mark);
    } else {
      pair.picked = { side, mark: mark.mark };
      pair.stages[side].picked = mark.mark;
      sayPair(t('pair second'));
    }
  } else {
    link([pair.stages[pair.picked.side].index, pair.picked.mark], [pair.stages[side].index, mark.mark]);
    drop();
  }
  paintPair();
}

/** Link a fruit of a later photo to that of an earlier one; each has one partner per photo. */
function link(one, other) {
  const [first, second] = one[0] < other[0] ? [one, other] : [other, one];
  const name = `${photos[first[0]].photo}:${first[1]}`;
  const marks = recordOf(second[0]).marks.map((mark) => {
    if (mark.mark === second[1]) return { ...mark, twin: name };
    return mark.twin === name ? { ...mark, twin: '' } : mark;
  });
  change([[second[0], { marks }]]);
  sayPair(t('pair linked'));
}

function partnerOf(index, number) {
  return twinLetters(index).has(number);
}

/** The pairs that the fruit's places round the tag propose between the two photos, while both are
    counted and neither is linked; the mark of the earlier photo first. */
function likely() {
  const [one, other] = pair.stages.map((each) => each.index).sort((a, b) => a - b);
  const told = [[one, other], [other, one]].flatMap(([from, to]) => (photos[from].likely || [])
    .filter(([, photo]) => photo === photos[to].photo)
    .map(([here, , there]) => (from === one ? [here, there] : [there, here])));
  const free = (index, candidate) => recordOf(index).marks.find((mark) => (
    mark.candidate === candidate && counts(mark) && !partnerOf(index, mark.mark)));
  return told.map(([here, there]) => [free(one, here), free(other, there)])
    .filter(([here, there]) => here && there);
}

/** Link all likely pairs in one step; a tap on a linked fruit parts it again. */
export function linkLikely() {
  const pairs = likely();
  const [one, other] = pair.stages.map((each) => each.index).sort((a, b) => a - b);
  const twins = new Map(pairs.map(([here, there]) => [there.mark, `${photos[one].photo}:${here.mark}`]));
  change([[other, {
    marks: recordOf(other).marks.map((mark) => (
      twins.has(mark.mark) ? { ...mark, twin: twins.get(mark.mark) } : mark)),
  }]]);
  drop();
  sayPair(t('pair likely linked', { n: pairs.length }));
  paintPair();
}

/** Take away the links from and to a fruit. */
function part(index, number) {
  const own = [[index, { marks: withMark(index, number, { twin: '' }) }]];
  change([...own, ...unlinked(index, number)]);
  sayPair(t('pair parted'));
}

function sayPair(text) {
  $('pair-said').textContent = text;
  say(text);
}

export function paintPair() {
  pair.stages.forEach((each) => each.paint());
  const n = likely().length;
  $('pair-likely').hidden = !n;
  $('pair-likely').textContent = t('pair likely', { n });
  $('pair-undo').disabled = past.length <= desk.floor;
}
