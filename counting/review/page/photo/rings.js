/* Draw marks in wax: each state has a shape of its own, the colour only helps.
   proposed: broken ring · confirmed: closed ring, ends crossing · added: ring with a plus
   removed: cross, no ring · elsewhere (not this plant's): thin grey ring, struck through
   unsure: dotted ring with a question mark · much smaller than the others: fine ring */

import { isStruck, recordOf, shownState } from '../work/book.js';
import { photos, placeOf, together } from '../ground/data.js';
import { smallOnes } from './sizes.js';
import { t } from '../ground/texts.js';

const SVG = 'http://www.w3.org/2000/svg';

export function draw(tag, attributes = {}, text = '') {
  const element = document.createElementNS(SVG, tag);
  for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
  if (text) element.textContent = text;
  return element;
}

/** A ring drawn by hand: it wavers and its ends overlap. */
function waxRing(rx, ry, seed) {
  const points = [];
  const start = -1.9 + (seed % 5) * 0.16;
  const steps = 40;
  for (let step = 0; step <= steps; step += 1) {
    const angle = start + (step / steps) * 6.75;
    const waver = 1 + 0.035 * Math.sin(angle * 2 + seed) + 0.05 * (step / steps - 0.5);
    points.push(`${(Math.cos(angle) * rx * waver).toFixed(1)} ${(Math.sin(angle) * ry * waver).toFixed(1)}`);
  }
  return `M${points.join('L')}`;
}

const ellipse = (rx, ry) => `M${-rx} 0A${rx} ${ry} 0 1 1 ${rx} 0A${rx} ${ry} 0 1 1 ${-rx} 0Z`;

/** Two strokes, not quite straight. */
export function waxCross(rx, ry) {
  const [a, b] = [Math.max(rx * 0.8, 7), Math.max(ry * 0.8, 7)];
  return `M${-a} ${-b * 0.92}Q${a * 0.1} ${-b * 0.06} ${a} ${b}M${a * 0.96} ${-b}Q${b * 0.08} ${a * 0.05} ${-a} ${b * 0.94}`;
}

function plus(x, y, size) {
  return `M${x - size} ${y}H${x + size}M${x} ${y - size}V${y + size}`;
}

/** Words for a mark, for a screen reader. */
export function markWords(index, mark) {
  const record = recordOf(index);
  const place = record.marks.indexOf(mark) + 1;
  const parts = [t(`state ${shownState(record, mark)}`)];
  if (mark.small) parts.push(t('too small'));
  if (mark.truss !== null) parts.push(t('truss n', { number: mark.truss }));
  if (twinLetters(index).has(mark.mark)) parts.push(t('also elsewhere'));
  return t('mark words', { number: place, all: record.marks.length, what: parts.join(', ') });
}

/** Letters for fruit that are linked across photos of one plant: mark number to letter. */
export function twinLetters(index) {
  const letters = new Map();
  const known = new Map();
  for (const each of together(index)) {
    for (const mark of recordOf(each).marks) {
      if (!mark.twin) continue;
      const own = `${photos[each].photo}:${mark.mark}`;
      const letter = known.get(mark.twin) || known.get(own)
        || String.fromCharCode(97 + (new Set(known.values()).size % 26));
      known.set(mark.twin, letter);
      known.set(own, letter);
    }
  }
  for (const [name, letter] of known) {
    const [photo, number] = name.split(':');
    if (placeOf.get(photo) === index) letters.set(Number(number), letter);
  }
  return letters;
}

/** Draw all marks of a photo into an SVG of the stage's size. */
export function drawMarks(svg, index, view, { current = null, picked = null } = {}) {
  const record = recordOf(index);
  const letters = twinLetters(index);
  const layer = draw('g');
  drawTrusses(layer, record, view);
  const fine = smallOnes(index);
  for (const mark of record.marks) {
    const [x, y] = view.toStage(mark.x, mark.y);
    // the ring lies just outside the fruit, so that it hides nothing
    const rx = Math.max((mark.width / 2) * view.scale + 1.5, 5);
    const ry = Math.max((mark.height / 2) * view.scale + 1.5, 5);
    if (x < -rx - 30 || y < -ry - 30 || x > view.room[0] + rx + 30 || y > view.room[1] + ry + 30) continue;
    layer.append(drawMark(mark, shownState(record, mark), {
      x, y, rx, ry, current: mark.mark === current, picked: mark.mark === picked,
      letter: letters.get(mark.mark) || '', fine: fine.has(mark.mark),
    }));
  }
  svg.replaceChildren(layer);
}

export function drawMark(mark, state, {
  x, y, rx, ry, current, picked, letter, fine,
}) {
  const group = draw('g', {
    class: `mark ${state}${Math.min(rx, ry) < 13 ? ' tiny' : ''}${mark.small ? ' small' : ''}${fine ? ' fine' : ''}${current ? ' current' : ''}${picked ? ' picked' : ''}`,
    transform: `translate(${x.toFixed(1)} ${y.toFixed(1)})`,
    'data-mark': mark.mark,
    'data-state': state,
  });
  const path = {
    proposed: ellipse(rx, ry),
    unsure: ellipse(rx, ry),
    confirmed: waxRing(rx, ry, mark.mark),
    added: waxRing(rx, ry, mark.mark) + plus(rx * 0.78 + 5, -ry * 0.78 - 5, 5),
    removed: waxCross(rx, ry),
    elsewhere: `${ellipse(rx, ry)}M${-rx * 0.7} ${ry * 0.7}L${rx * 0.7} ${-ry * 0.7}`,
  }[state];
  if (current || picked) {
    group.append(draw('rect', {
      class: 'around', x: -rx - 7, y: -ry - 7, width: 2 * rx + 14, height: 2 * ry + 14, rx: 3,
    }));
  }
  group.append(draw('path', { class: 'shade', d: path }), draw('path', { class: 'line', d: path }));
  if (state === 'unsure') group.append(...word('?', 0, 0, Math.min(22, Math.max(12, ry * 1.1))));
  if (mark.small && !isStruck(mark)) group.append(...word(t('small'), 0, ry + 10, 11));
  if (letter) group.append(...word(letter, -rx * 0.75 - 7, -ry * 0.75 - 6, 18));
  return group;
}

/** A letter with a dark edge, so that it reads on leaf and fruit. */
function word(text, x, y, size) {
  const at = { x: x.toFixed(1), y: y.toFixed(1), 'font-size': size, class: 'letter' };
  return [draw('text', at, text)];
}

/** The loop round each truss with its number on a tab. */
function drawTrusses(layer, record, view) {
  for (const [number, marks] of trussesOf(record)) {
    const points = marks.flatMap((mark) => {
      const reach = [(mark.width / 2) * view.scale + 8, (mark.height / 2) * view.scale + 8];
      const [x, y] = view.toStage(mark.x, mark.y);
      return Array.from({ length: 12 }, (_, step) => [
        x + Math.cos((step * Math.PI) / 6) * reach[0],
        y + Math.sin((step * Math.PI) / 6) * reach[1],
      ]);
    });
    const edge = hull(points);
    const path = `M${edge.map(([x, y]) => `${x.toFixed(1)} ${y.toFixed(1)}`).join('L')}Z`;
    const top = edge.reduce((best, point) => (point[1] < best[1] ? point : best));
    layer.append(
      draw('path', { class: 'truss-shade', d: path }),
      draw('path', { class: 'truss-line', d: path }),
      draw('rect', { class: 'truss-tab', x: top[0] - 12, y: top[1] - 22, width: 24, height: 20, rx: 3 }),
      draw('text', { class: 'truss-number', x: top[0], y: top[1] - 12 }, String(number)),
    );
  }
}

/** Marks by truss number; nothing where the whole photo is one truss or none is numbered. */
export function trussesOf(record) {
  const grouped = new Map();
  for (const mark of record.marks) {
    if (mark.truss === null || isStruck(mark)) continue;
    if (!grouped.has(mark.truss)) grouped.set(mark.truss, []);
    grouped.get(mark.truss).push(mark);
  }
  return new Map([...grouped].sort((a, b) => a[0] - b[0]));
}

/** Convex hull (Andrew's monotone chain, Information Processing Letters 9:216, 1979). */
function hull(points) {
  const sorted = [...points].sort((a, b) => a[0] - b[0] || a[1] - b[1]);
  const turn = (o, a, b) => (a[0] - o[0]) * (b[1] - o[1]) - (a[1] - o[1]) * (b[0] - o[0]);
  const half = (list) => {
    const chain = [];
    for (const point of list) {
      while (chain.length > 1 && turn(chain[chain.length - 2], chain[chain.length - 1], point) <= 0) chain.pop();
      chain.push(point);
    }
    return chain.slice(0, -1);
  };
  return [...half(sorted), ...half(sorted.reverse())];
}
