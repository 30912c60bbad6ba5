/* One frame opened large: rings on the fruit, a tap adds or strikes out, Next goes on. */

import {
  add, answer, answered, countOf, finished, future, paceWords, past, recordOf, setMarks, strike,
  undo, unsureOf, withMark,
} from '../work/book.js';
import { contact, drawHead, focusFrame, layout } from '../sheet/contact.js';
import { $, live, many, photoSource, photos, say, sentencesOf, together } from '../ground/data.js';
import { desk, tick } from '../work/desk.js';
import { tell } from '../ground/hub.js';
import { keep } from '../work/keep.js';
import { markWords } from './rings.js';
import { makeStage } from './stage.js';

export const stage = makeStage($('stage'), {
  tap: (mark, place) => tapped(mark, place),
  hold: (mark, place) => tell('card wanted', mark, place),
  dragged: (mark, fields) => {
    setMarks(desk.index, withMark(desk.index, mark.mark, fields));
    stage.current = mark.mark;
  },
  looped: (path) => tell('looped', path),
});

export function tapped(mark, place) {
  const { index } = desk;
  if (stage.tool === 'loop') {
    if (mark && mark.truss !== null) tell('card wanted', mark);
    return;
  }
  if (mark) {
    strikeAt(mark.mark);
  } else if (place) {
    stage.current = null;
    add(index, ...place);
    say(`Fruit added, ${countOf(index)}`);
  }
  refresh();
}

export function strikeAt(number) {
  const done = strike(desk.index, number);
  stage.current = recordOf(desk.index).marks.some((mark) => mark.mark === number) ? stage.current : null;
  say(`${done === 'removed' ? 'Struck out' : 'Back again'}, ${many(countOf(desk.index), 'fruit', 'fruit')}`);
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
  if ($('photo').hidden) {
    desk.scroll = window.scrollY;
    $('contact').hidden = true;
    $('photo').hidden = false;
    if (write) desk.pushed = remember('pushState', { photo: index }, index);
  } else if (write) {
    remember('replaceState', { photo: index }, index);
  }
  desk.index = index;
  desk.since = Date.now();
  stage.show(index);
  refresh();
  stage.element.focus({ preventScroll: true });
  const sentences = sentencesOf(index);
  say([`Photo ${index + 1} of ${photos.length}. ${countOf(index)} fruit proposed.`, ...sentences].join(' '));
  const following = nextOpen(index);
  if (following >= 0) photoSource(following).then((source) => { new Image().src = source; }, () => {});
}

/** Go back to the sheet. */
export function closePhoto({ history: write = true } = {}) {
  if ($('photo').hidden) return;
  tick();
  const { index } = desk;
  desk.index = -1;
  $('photo').hidden = true;
  $('contact').hidden = false;
  if (write && desk.pushed) window.history.back();
  layout();
  drawHead();
  window.scrollTo(0, desk.scroll);
  focusFrame(index);
}

/** The next photo still to answer in the order shown, -1 when none is left. */
export function nextOpen(index) {
  const order = [...photos.keys()];
  const after = [...order.slice(index + 1), ...order.slice(0, index)];
  const wanted = contact.filter === 'flagged' ? after.filter((each) => photos[each].flags.length) : after;
  const found = wanted.find((each) => !answered(each));
  return found === undefined ? -1 : found;
}

/** Answer and go on. */
export function give(word) {
  tick();
  const { index } = desk;
  answer(index, word);
  const following = nextOpen(index);
  if (following >= 0) {
    openPhoto(following);
    return;
  }
  closePhoto();
  say('All photos are answered.');
  if (!live) tell('all answered');
}

/** Show what changed: marks, number, buttons. */
export function refresh() {
  const { index } = desk;
  if (index < 0) return;
  const record = recordOf(index);
  const counted = countOf(index);
  const unsure = unsureOf(index);
  $('count').textContent = String(counted);
  $('counted').textContent = unsure ? `fruit, ${unsure} not sure` : 'fruit';
  $('number').textContent = `${index + 1}`;
  const pace = paceWords();
  $('pace').textContent = `of ${photos.length}${pace ? `, ${pace}` : ''}`;
  $('label').textContent = photos[index].label;
  const truss = photos[index].truss;
  const reasons = sentencesOf(index);
  if (truss !== null) reasons.push(`Count truss ${truss} only.`);
  $('reason').textContent = reasons.join(' ');
  $('reason').hidden = !reasons.length;
  $('hint').hidden = finished() > 0 || stage.tool === 'loop';
  $('cannot').setAttribute('aria-pressed', String(record.answer === 'cannot tell'));
  $('retake').setAttribute('aria-pressed', String(record.answer === 'retake'));
  $('next').classList.toggle('given', record.answer === 'counted');
  $('undo').disabled = !past.length;
  $('redo').disabled = !future.length;
  $('loop').hidden = truss !== null;
  $('loop').setAttribute('aria-pressed', String(stage.tool === 'loop'));
  $('other').hidden = together(index).length < 2;
  $('previous').disabled = index === 0;
  tell('refreshed');
  stage.label();
  stage.paint();
}

export function undoShown(step) {
  if (step === undo && past.length <= desk.floor) return;
  const index = step();
  if (index < 0) return;
  if (!$('photo').hidden && index !== desk.index) openPhoto(index);
  say(step === undo ? 'Undone' : 'Done again');
  refresh();
}

/** Move the current mark on to the next one and bring it into sight. */
export function stepMark(by) {
  const { marks } = recordOf(desk.index);
  if (!marks.length) return;
  const order = [...marks].sort((a, b) => Math.round(a.y / 80) - Math.round(b.y / 80) || a.x - b.x);
  const at = order.findIndex((mark) => mark.mark === stage.current);
  const mark = order[(at + by + order.length + (at < 0 && by < 0 ? 1 : 0)) % order.length];
  stage.current = mark.mark;
  stage.pointer = null;
  stage.view.show(mark.x, mark.y);
  say(markWords(desk.index, mark));
  stage.paint();
}

export const currentMark = () => recordOf(desk.index).marks.find((mark) => mark.mark === stage.current);

export function changeCurrent(fields, said) {
  const mark = currentMark();
  if (!mark) return;
  setMarks(desk.index, withMark(desk.index, mark.mark, fields(mark)));
  say(said || markWords(desk.index, currentMark()));
  refresh();
}

export const unsureFields = (mark) => ({
  state: mark.state === 'unsure' ? (mark.candidate === null ? 'added' : 'proposed') : 'unsure',
});
export const sizeFields = (factor) => (mark) => {
  const photo = photos[desk.index];
  const most = Math.min(photo.width / mark.width, photo.height / mark.height);
  const by = Math.min(Math.max(factor, 4 / Math.min(mark.width, mark.height)), most);
  return { width: mark.width * by, height: mark.height * by };
};
