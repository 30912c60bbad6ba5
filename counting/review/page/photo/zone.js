/* The zone: the part of a photo that is its plant's, between two borders that can be moved. */

import { recordOf } from '../work/book.js';
import { photos } from '../ground/data.js';
import { draw } from './rings.js';

const HANDLE = 26;

/** The two borders as they stand, each [x, y, x, y]; null where the photo has none. */
export const zoneOf = (index) => recordOf(index).zone || photos[index].zone || null;

/** Where a border lies at a height of the photo. */
function borderAt([x1, y1, x2, y2], y) {
  return y2 === y1 ? x1 : x1 + ((x2 - x1) * (y - y1)) / (y2 - y1);
}

/** Whether a place lies between the borders. */
function inside(zone, x, y) {
  return x >= borderAt(zone[0], y) && x <= borderAt(zone[1], y);
}

/** Where a border's handle stands on the stage: at half the height that is in sight. */
function handleOf(stage, border) {
  const { view } = stage;
  const [, top] = view.toPhoto(0, 0);
  const [, bottom] = view.toPhoto(0, view.room[1]);
  const { height } = photos[stage.index];
  const y = (Math.max(0, top) + Math.min(height, bottom)) / 2;
  return view.toStage(borderAt(border, y), y);
}

/** Which border's handle is under a point: 0, 1 or null. */
export function zoneHandle(stage, [x, y]) {
  const zone = zoneOf(stage.index);
  if (!zone) return null;
  const far = zone.map((border) => {
    const [hx, hy] = handleOf(stage, border);
    return Math.hypot(x - hx, y - hy);
  });
  const nearest = far[0] <= far[1] ? 0 : 1;
  return far[nearest] <= HANDLE ? nearest : null;
}

/** What changes when a border is moved to go through a point of the stage. */
export function zoneMoved(stage, which, point) {
  const [x, y] = stage.view.toPhoto(...point);
  return zoneShifted(stage.index, which, x - borderAt(zoneOf(stage.index)[which], y));
}

/** The same by a distance in px of the photo; rings that no hand has touched follow. */
export function zoneShifted(index, which, by) {
  const { width } = photos[index];
  const zone = zoneOf(index).map((border, place) => (place === which
    ? [border[0] + by, border[1], border[2] + by, border[3]] : [...border]));
  const middle = (border) => (border[0] + border[2]) / 2;
  if (middle(zone[0]) > middle(zone[1]) || middle(zone[which]) < -width || middle(zone[which]) > 2 * width) {
    return { zone: zoneOf(index) };
  }
  const known = new Map(photos[index].candidates.map((each) => [each.candidate, each.whose]));
  const marks = recordOf(index).marks.map((mark) => {
    const whose = known.get(mark.candidate);
    if (mark.hand || whose === 'behind' || whose === 'fallen') return mark;
    if (mark.state !== 'proposed' && mark.state !== 'elsewhere') return mark;
    return { ...mark, state: inside(zone, mark.x, mark.y) ? 'proposed' : 'elsewhere' };
  });
  return { zone, marks };
}

/** Dim what is not the plant's, draw the borders and their handles. */
export function drawZone(svg, stage) {
  const zone = zoneOf(stage.index);
  if (!zone) return;
  const { view } = stage;
  const { width, height } = photos[stage.index];
  const at = (x, y) => view.toStage(x, y).map((value) => value.toFixed(1)).join(' ');
  const layer = draw('g', { class: 'zone' });
  zone.forEach((border, place) => {
    const [top, bottom] = [borderAt(border, 0), borderAt(border, height)];
    const edge = place ? width : 0;
    layer.append(draw('path', { class: 'outside', d: `M${at(edge, 0)}L${at(top, 0)}L${at(bottom, height)}L${at(edge, height)}Z` }));
  });
  zone.forEach((border, place) => {
    const [top, bottom] = [borderAt(border, 0), borderAt(border, height)];
    const line = `M${at(top, 0)}L${at(bottom, height)}`;
    const [x, y] = handleOf(stage, border);
    layer.append(
      draw('path', { class: 'border-shade', d: line }),
      draw('path', { class: 'border', d: line }),
      draw('circle', { class: 'handle', cx: x.toFixed(1), cy: y.toFixed(1), r: 15, 'data-border': place }),
      draw('path', { class: 'grip', d: `M${x - 3} ${y - 5}V${y + 5}M${x + 3} ${y - 5}V${y + 5}` }),
    );
  });
  svg.prepend(layer);
}
