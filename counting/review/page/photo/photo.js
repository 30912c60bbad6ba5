/* One frame opened large: rings on the fruit, a tap adds or strikes out, Next goes on. */

import {
  add, answer, answered, change, countOf, finished, future, paceWords, past, recordOf, setMarks,
  strike, undo, unsureOf, withMark,
} from '../work/book.js';
import { contact, drawHead, focusFrame, layout } from '../sheet/contact.js';
import { $, doubtful, live, photoSource, photos, say, together } from '../ground/data.js';
import { desk, tick } from '../work/desk.js';
import { tell } from '../ground/hub.js';
import { keep } from '../work/keep.js';
import { closeLens, openLens, paintLens } from './lens.js';
import { markWords } from './rings.js';
import { makeStage } from './stage.js';
import { sentencesOf, t } from '../ground/texts.js';

export const stage = makeStage($('stage'), {
  tap: (mark, place, hit) => {
    if (hit.crowded && stage.tool === 'mark' && !stage.adding && place) {
      openLens(stage, place, hit, handlers);
    } else {
      tapped(mark, place);
    }
  },
  twice: (point) => twice(point),
  hold: (mark, place) => tell('card wanted', mark, place),
  dragged: (mark, fields) => {
    setMarks(desk.index, withMark(desk.index, mark.mark, { ...fields, hand: true }));
    refresh();
  },
  zoned: (fields) => {
    change([[desk.index, fields]]);
    refresh();
  },
  looped: (path) => tell('looped', path),
  ready: (index) => seen(index),
});

/** In the lens a tap is a tap. */
const handlers = {
  tap: (mark, place) => tapped(mark, place),
  twice: (point) => twice(point, true),
  hold: (mark, place) => tell('card wanted', mark, place),
};

let tapDepth = 0;

export function tapped(mark, place) {
  const { index } = desk;
  if (stage.tool === 'loop') {
    if (mark && mark.truss !== null) tell('card wanted', mark);
    return;
  }
  if (stage.tool === 'strike') return;
  tapDepth = past.length;
  stage.chosen = false;
  if (mark && !stage.adding) {
    strikeAt(mark.mark);
  } else if (place) {
    stage.current = null;
    add(index, ...place);
    say(t('added now', { n: countOf(index) }));
  }
  refresh();
}

/** Two taps at one place zoom there; what the first of them did is taken back. */
function twice(point, fromLens = false) {
  if (!fromLens && past.length > tapDepth) {
    undo();
    future.length = 0;
  }
  if (stage.view.zoomed()) stage.view.fit();
  else stage.view.zoom(2.6, ...point);
  closeLens();
  refresh();
}

/** The photo is on the screen: now it can be answered. */
function seen(index) {
  if (index !== desk.index) return;
  desk.since = Date.now();
  if (!document.hidden) recordOf(index).seen = true;
  refresh();
  ahead(index);
}

/** Fetch the next ten, so that a walk out of the network does not stop the work. */
const AHEAD = 10;
async function ahead(index) {
  const order = [];
  for (let at = nextOpen(index); at >= 0 && order.length < AHEAD; at = nextOpen(at)) {
    if (order.includes(at) || at === index) break;
    order.push(at);
  }
  for (const each of live ? order : order.slice(0, 1)) {
    try {
      await photoSource(each);
    } catch (error) {
      return; // shown and tried again when it is opened
    }
    if (desk.index !== index) return;
  }
}

export function strikeAt(number) {
  const done = strike(desk.index, number);
  const still = recordOf(desk.index).marks.some((mark) => mark.mark === number);
  if (!still) stage.current = null;
  if (done === 'removed' && still) tell('struck', number);
  say(t(done === 'removed' ? 'struck now' : 'back now', { n: countOf(desk.index) }));
}

/** Let the device's own "back" lead back here; some browsers forbid it for files. */
export function remember(how, state, index) {
  try {
    window.history[how](state, '', `#${index + 1}`);
    return true;
  } catch (error) {
    return false;
  }
}

/** Open a photo large. */
export function openPhoto(index, { history: write = true } = {}) {
  if (index < 0) return;
  if (!keep.reviewer) {
    tell('name wanted', () => openPhoto(index, { history: write }));
    return;
  }
  tick();
  closeLens();
  if ($('photo').hidden) {
    if (!desk.together) desk.scroll = window.scrollY;
    $('contact').hidden = true;
    $('photo').hidden = false;
    if (write) desk.pushed = remember('pushState', { photo: index }, index);
  } else if (write) {
    remember('replaceState', { photo: index }, index);
  }
  desk.index = index;
  desk.since = Date.now();
  stage.adding = false;
  tell('photo opened', index);
  stage.show(index);
  refresh();
  stage.element.focus({ preventScroll: true });
  say([t('photo opened', { number: index + 1, all: photos.length, n: countOf(index) }), ...sentencesOf(index)].join(' '));
}

/** Go back to the sheet. */
export function closePhoto({ history: write = true } = {}) {
  if ($('photo').hidden) return;
  tick();
  closeLens();
  const { index } = desk;
  desk.index = -1;
  stage.index = -1;
  $('photo').hidden = true;
  if (write && desk.pushed) window.history.back();
  if (desk.together) {
    tell('together wanted');
    return;
  }
  $('contact').hidden = false;
  layout();
  drawHead();
  window.scrollTo(0, desk.scroll);
  focusFrame(index);
}

/** The next photo still to answer in the order shown, -1 when none is left. */
export function nextOpen(index) {
  const order = [...photos.keys()];
  const after = [...order.slice(index + 1), ...order.slice(0, index)];
  const wanted = contact.filter === 'flagged' ? after.filter(doubtful) : after;
  const found = wanted.find((each) => !answered(each));
  return found === undefined ? -1 : found;
}

/** Answer and go on. A photo that was not on the screen is not counted. */
export function give(word) {
  if (word === 'counted' && !stage.ready) return;
  tick();
  const { index } = desk;
  answer(index, word);
  const following = desk.together ? -1 : nextOpen(index);
  if (following >= 0) {
    openPhoto(following);
    return;
  }
  const last = !desk.together;
  closePhoto();
  if (!last) return;
  say(t('all answered'));
  if (!live) tell('all answered');
}

/** Show what changed: marks, number, buttons. */
export function refresh() {
  const { index } = desk;
  if (index < 0) return;
  const record = recordOf(index);
  const unsure = unsureOf(index);
  $('count').textContent = String(countOf(index));
  $('counted').textContent = unsure ? t('fruit unsure', { n: unsure }) : t('fruit');
  $('number').textContent = `${index + 1}`;
  const pace = paceWords();
  $('pace').textContent = `${t('of all', { all: photos.length })}${pace ? `, ${pace}` : ''}`;
  $('label').textContent = photos[index].label;
  const { truss } = photos[index];
  const reasons = sentencesOf(index);
  if (truss !== null) reasons.push(t('one truss', { number: truss }));
  $('reason').textContent = reasons.join(' ');
  $('reason').hidden = !reasons.length;
  $('hint').hidden = finished() > 0 || stage.tool !== 'mark';
  $('cannot').setAttribute('aria-pressed', String(record.answer === 'cannot tell'));
  $('retake').setAttribute('aria-pressed', String(record.answer === 'retake'));
  $('next').classList.toggle('given', record.answer === 'counted');
  $('next').disabled = !stage.ready;
  $('undo').disabled = !past.length;
  $('redo').disabled = !future.length;
  $('loop').hidden = truss !== null;
  $('loop').setAttribute('aria-pressed', String(stage.tool === 'loop'));
  $('strike').setAttribute('aria-pressed', String(stage.tool === 'strike'));
  $('adding').setAttribute('aria-pressed', String(Boolean(stage.adding)));
  $('other').hidden = together(index).length < 2;
  $('previous').disabled = index === 0;
  tell('refreshed');
  stage.label();
  stage.paint();
  paintLens();
}

export function toggleAdding() {
  stage.adding = !stage.adding;
  if (stage.tool !== 'mark') stage.tool = 'mark';
  say(t(stage.adding ? 'adding on' : 'marking again'));
  refresh();
}

export function undoShown(step) {
  if (step === undo && past.length <= desk.floor) return;
  const index = step();
  if (index < 0) return;
  if (!$('photo').hidden && index !== desk.index) openPhoto(index);
  say(t(step === undo ? 'undone' : 'done again'));
  refresh();
}

/** Move the current mark on to the next one and bring it into sight. */
export function stepMark(by) {
  const { marks } = recordOf(desk.index);
  if (!marks.length) return;
  const order = [...marks].sort((a, b) => Math.round(a.y / 80) - Math.round(b.y / 80) || a.x - b.x);
  const at = order.findIndex((mark) => mark.mark === stage.current);
  const mark = order[(at + by + order.length + (at < 0 && by < 0 ? 1 : 0)) % order.length];
  choose(mark.mark);
  stage.pointer = null;
  stage.view.show(mark.x, mark.y);
  say(markWords(desk.index, mark));
  stage.paint();
}

/** Choose a ring: from now on a drag of it moves it, a drag of its edge changes its size. */
export function choose(number) {
  stage.current = number;
  stage.chosen = true;
  closeLens();
  stage.paint();
}

export const currentMark = () => recordOf(desk.index).marks.find((mark) => mark.mark === stage.current);

export function changeCurrent(fields, said) {
  const mark = currentMark();
  if (!mark) return;
  setMarks(desk.index, withMark(desk.index, mark.mark, { hand: true, ...fields(mark) }));
  say(said || markWords(desk.index, currentMark()));
  refresh();
}

export const unsureFields = (mark) => ({
  state: mark.state === 'unsure' ? (mark.candidate === null ? 'added' : 'proposed') : 'unsure',
});
export const elsewhereFields = (mark) => ({
  state: mark.state === 'elsewhere' ? (mark.candidate === null ? 'added' : 'proposed') : 'elsewhere',
});
export const sizeFields = (factor) => (mark) => {
  const photo = photos[desk.index];
  const most = Math.min(photo.width / mark.width, photo.height / mark.height);
  const by = Math.min(Math.max(factor, 4 / Math.min(mark.width, mark.height)), most);
  return { width: mark.width * by, height: mark.height * by };
};
