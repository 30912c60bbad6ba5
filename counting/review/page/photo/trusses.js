/* Trusses: draw a loop round the fruit of one; tap its ring to change the number. */

import { counts, isStruck, recordOf, setMarks } from '../work/book.js';
import { make, photos, say } from '../ground/data.js';
import { desk } from '../work/desk.js';
import { refresh, stage } from './photo.js';
import { trussesOf } from './rings.js';
import { t } from '../ground/texts.js';

/** Whether a point lies inside a closed path (even-odd rule). */
export function within(point, path) {
  let inside = false;
  for (let i = 0, j = path.length - 1; i < path.length; j = i, i += 1) {
    const [xi, yi] = path[i];
    const [xj, yj] = path[j];
    if ((yi > point[1]) !== (yj > point[1])
      && point[0] < ((xj - xi) * (point[1] - yi)) / (yj - yi) + xi) inside = !inside;
  }
  return inside;
}

/** The lowest number no truss has yet. */
function freeTruss(marks) {
  const used = new Set(marks.map((mark) => mark.truss));
  let number = 1;
  while (used.has(number)) number += 1;
  return number;
}

/** A loop was drawn: the marks in it are one truss. */
export function looped(path) {
  const { index } = desk;
  const { marks } = recordOf(index);
  const caught = new Set(marks
    .filter((mark) => !isStruck(mark) && within([mark.x, mark.y], path))
    .map((mark) => mark.mark));
  if (!caught.size) {
    say(t('loop empty'));
    refresh();
    return;
  }
  const rest = marks.filter((mark) => !caught.has(mark.mark));
  const number = freeTruss(rest);
  setMarks(index, marks.map((mark) => (caught.has(mark.mark) ? { ...mark, truss: number } : mark)));
  say(t('truss made', { number, n: caught.size }));
  refresh();
}

/** Give a whole truss another number; if that is taken, the two change places. */
function renumber(from, to) {
  const { index } = desk;
  if (to < 1 || to > 999 || from === to) return;
  setMarks(index, recordOf(index).marks.map((mark) => {
    if (mark.truss === from) return { ...mark, truss: to };
    if (mark.truss === to) return { ...mark, truss: from };
    return mark;
  }));
  say(t('truss renumbered', { from, to }));
  refresh();
}

function dissolve(number) {
  setMarks(desk.index, recordOf(desk.index).marks.map(
    (mark) => (mark.truss === number ? { ...mark, truss: null } : mark),
  ));
  say(t('truss gone', { number }));
  refresh();
}

/** Trusses the finder proposes for marks that have none yet: mark number to truss. */
export function proposedTrusses(index) {
  const trussOf = new Map(photos[index].candidates.map((c) => [c.candidate, c.truss]));
  return new Map(recordOf(index).marks
    .filter((mark) => mark.truss === null && !isStruck(mark)
      && mark.candidate !== null && trussOf.get(mark.candidate) != null)
    .map((mark) => [mark.mark, trussOf.get(mark.candidate)]));
}

export function useProposed() {
  const { index } = desk;
  const proposed = proposedTrusses(index);
  setMarks(index, recordOf(index).marks.map(
    (mark) => (proposed.has(mark.mark) ? { ...mark, truss: proposed.get(mark.mark) } : mark),
  ));
  say(t('trusses taken', { n: new Set(proposed.values()).size }));
  refresh();
}

export function toggleLoop() {
  stage.tool = stage.tool === 'loop' ? 'mark' : 'loop';
  say(t(stage.tool === 'loop' ? 'draw truss' : 'marking again'));
  refresh();
}

/** What can be done while trusses are drawn: those proposed, numbers to change. */
export function trussOffer(index) {
  const parts = [];
  const trusses = trussesOf(recordOf(index));
  const proposed = proposedTrusses(index);
  if (proposed.size) {
    const number = new Set(proposed.values()).size;
    parts.push(make('button', { type: 'button', class: 'press strong', onclick: useProposed },
      t('use trusses', { n: number })));
  }
  if (!trusses.size) parts.push(make('span', { text: t('draw truss') }));
  for (const [number, marks] of trusses) {
    const press = (text, label, onclick) => make('button', {
      type: 'button', class: 'press square', 'aria-label': label, onclick,
    }, text);
    parts.push(make('span', { class: 'truss-chip' },
      press('−', t('truss lower', { number }), () => renumber(number, number - 1)),
      make('span', { class: 'truss-name' }, make('b', { text: t('truss title', { number }) }),
        make('span', { text: t('n fruit', { n: marks.filter(counts).length }) })),
      press('+', t('truss raise', { number }), () => renumber(number, number + 1)),
      press('×', t('truss release', { number }), () => dissolve(number))));
  }
  parts.push(make('button', { type: 'button', class: 'press', onclick: toggleLoop }, t('done')));
  return parts;
}
