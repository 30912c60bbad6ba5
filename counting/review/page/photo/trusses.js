/* Trusses: draw a loop round the fruit of one; tap its ring to change the number. */

import { counts, recordOf, setMarks } from '../work/book.js';
import { $, make, many, photos, say } from '../ground/data.js';
import { desk } from '../work/desk.js';
import { refresh, stage } from './photo.js';
import { trussesOf } from './rings.js';

/** Whether a point lies inside a closed path (even-odd rule). */
function within(point, path) {
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
    .filter((mark) => mark.state !== 'removed' && within([mark.x, mark.y], path))
    .map((mark) => mark.mark));
  if (!caught.size) {
    say('No fruit inside the loop.');
    refresh();
    return;
  }
  const rest = marks.filter((mark) => !caught.has(mark.mark));
  const number = freeTruss(rest);
  setMarks(index, marks.map((mark) => (caught.has(mark.mark) ? { ...mark, truss: number } : mark)));
  say(`Truss ${number}, ${many(caught.size, 'fruit', 'fruit')}`);
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
  say(`Truss ${from} is now ${to}`);
  refresh();
}

function dissolve(number) {
  setMarks(desk.index, recordOf(desk.index).marks.map(
    (mark) => (mark.truss === number ? { ...mark, truss: null } : mark),
  ));
  say(`Truss ${number} let go`);
  refresh();
}

/** Trusses the finder proposes for marks that have none yet: mark number to truss. */
export function proposedTrusses(index) {
  const trussOf = new Map(photos[index].candidates.map((c) => [c.candidate, c.truss]));
  return new Map(recordOf(index).marks
    .filter((mark) => mark.truss === null && mark.state !== 'removed'
      && mark.candidate !== null && trussOf.get(mark.candidate) != null)
    .map((mark) => [mark.mark, trussOf.get(mark.candidate)]));
}

export function useProposed() {
  const { index } = desk;
  const proposed = proposedTrusses(index);
  setMarks(index, recordOf(index).marks.map(
    (mark) => (proposed.has(mark.mark) ? { ...mark, truss: proposed.get(mark.mark) } : mark),
  ));
  say(`${many(new Set(proposed.values()).size, 'truss', 'trusses')} taken over`);
  refresh();
}

export function toggleLoop() {
  stage.tool = stage.tool === 'loop' ? 'mark' : 'loop';
  say(stage.tool === 'loop' ? 'Draw a loop round the fruit of one truss.' : 'Marking fruit again.');
  refresh();
}

/** The line under the photo while trusses are drawn: what to do, numbers to change. */
export function drawOffer() {
  const { index } = desk;
  const open = stage.tool === 'loop' && photos[index].truss === null;
  $('offer').hidden = !open;
  if (!open) return;
  const parts = [];
  const trusses = trussesOf(recordOf(index));
  const proposed = proposedTrusses(index);
  if (proposed.size) {
    const number = new Set(proposed.values()).size;
    parts.push(make('button', { type: 'button', class: 'press strong', onclick: useProposed },
      `Use ${many(number, 'proposed truss', 'proposed trusses')}`));
  }
  if (!trusses.size) parts.push(make('span', { text: 'Draw a loop round the fruit of one truss.' }));
  for (const [number, marks] of trusses) {
    const press = (text, label, onclick) => make('button', {
      type: 'button', class: 'press square', 'aria-label': label, onclick,
    }, text);
    parts.push(make('span', { class: 'truss-chip' },
      press('−', `Lower the number of truss ${number}`, () => renumber(number, number - 1)),
      make('span', { class: 'truss-name' }, make('b', { text: `Truss ${number}` }),
        make('span', { text: many(marks.filter(counts).length, 'fruit', 'fruit') })),
      press('+', `Raise the number of truss ${number}`, () => renumber(number, number + 1)),
      press('×', `Let truss ${number} go`, () => dissolve(number))));
  }
  parts.push(make('button', { type: 'button', class: 'press', onclick: toggleLoop }, 'Done'));
  $('offer').replaceChildren(...parts);
}
