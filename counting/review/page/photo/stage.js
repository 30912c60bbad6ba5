/* A stage shows one photo with its marks and turns fingers, mouse and wheel into gestures. */

import { book, countOf, recordOf } from '../work/book.js';
import { gridSource, make, many, photoSource, photos, say } from '../ground/data.js';
import { draw, drawMarks } from './rings.js';
import { makeView } from '../ground/view.js';

const HOLD_MS = 520;

/** Build a stage in `root`; `on` names what to do for tap, hold, looped, moved. */
export function makeStage(root, on) {
  let picture = make('img', { class: 'print', alt: '', draggable: 'false' });
  const svg = draw('svg', { class: 'wax', 'aria-hidden': 'true' });
  const cross = make('div', { class: 'crosshair', hidden: true });
  const element = make('div', {
    class: 'stage', tabindex: '0', role: 'application', 'aria-label': 'Photo',
  }, picture, svg, cross);
  root.append(element);
  const stage = {
    element, svg, index: -1, view: makeView(1, 1), current: null, picked: null, tool: 'mark',
    pointer: null, draft: null,
  };
  let planned = 0;
  let loop = null;

  stage.paint = () => {
    if (planned) return;
    planned = requestAnimationFrame(() => {
      planned = 0;
      stage.paintNow();
    });
  };
  stage.paintNow = () => {
    if (stage.index < 0) return;
    const { view } = stage;
    const photo = photos[stage.index];
    picture.style.transform = `translate(${view.x}px, ${view.y}px) scale(${(view.scale * photo.width) / 1000})`;
    picture.style.width = '1000px';
    picture.style.height = `${(1000 * photo.height) / photo.width}px`;
    drawMarks(svg, stage.index, view, stage);
    if (loop) {
      const path = `M${loop.map(([x, y]) => `${x.toFixed(1)} ${y.toFixed(1)}`).join('L')}`;
      svg.append(draw('path', { class: 'truss-shade', d: path }), draw('path', { class: 'truss-line', d: path }));
    }
    cross.hidden = !stage.pointer;
    if (stage.pointer) {
      const [x, y] = view.toStage(...stage.pointer);
      cross.style.transform = `translate(${x}px, ${y}px)`;
    }
    element.classList.toggle('looping', stage.tool === 'loop');
  };

  /** Show a photo; the marks come at once, the print as soon as it is decoded. */
  stage.show = async (index) => {
    stage.index = index;
    stage.current = null;
    stage.picked = null;
    stage.pointer = null;
    stage.tool = 'mark';
    const photo = photos[index];
    stage.view = makeView(photo.width, photo.height);
    stage.view.room = [element.clientWidth || 1, element.clientHeight || 1];
    stage.view.fit();
    swap(gridSource(index));
    stage.paintNow();
    stage.label();
    let source = '';
    try {
      source = await photoSource(index);
    } catch (error) {
      element.classList.add('missing');
      say('The photo could not be read; the file is not whole.');
      return;
    }
    element.classList.remove('missing');
    if (stage.index !== index) return;
    const whole = make('img', { class: 'print', alt: '', draggable: 'false', src: source });
    await whole.decode().catch(() => {});
    if (stage.index !== index) return;
    picture.replaceWith(whole);
    picture = whole;
    stage.paintNow();
  };

  /** Show another picture at once; a fresh element lets the browser drop the old one's pixels. */
  function swap(source) {
    const next = make('img', { class: 'print', alt: '', draggable: 'false', src: source });
    picture.replaceWith(next);
    picture = next;
  }

  stage.label = () => {
    const number = stage.index + 1;
    element.setAttribute('aria-label', `Photo ${number}, ${many(countOf(stage.index), 'fruit', 'fruit')}. `
      + (on.dragged ? 'Arrow keys move the pointer, Space adds or strikes out, M goes from ring to ring.'
        : 'M goes from fruit to fruit, Space picks one.'));
  };

  new ResizeObserver(() => {
    if (stage.index < 0) return;
    stage.view.resize(element.clientWidth, element.clientHeight);
    stage.paintNow();
  }).observe(element);

  /** The mark under a point of the stage, and whether the point is on its edge. */
  stage.hit = (x, y, coarse) => {
    // generous only as far as a missed fruit close by can still be added
    const least = coarse ? 11 : 8;
    let best = null;
    for (const mark of recordOf(stage.index).marks) {
      const [cx, cy] = stage.view.toStage(mark.x, mark.y);
      const rx = (mark.width / 2) * stage.view.scale;
      const ry = (mark.height / 2) * stage.view.scale;
      const grace = coarse ? 3 : 2;
      // a cross is met at its middle only: what it covered may hold other fruit
      const most = mark.state === 'removed' ? least * 1.3 : Infinity;
      const reach = [rx, ry].map((radius) => Math.min(Math.max(radius + grace, least), most));
      const far = Math.hypot((x - cx) / reach[0], (y - cy) / reach[1]);
      if (far > 1 || (best && best.far <= far)) continue;
      const away = Math.hypot((x - cx) / rx, (y - cy) / ry);
      const smallest = Math.min(rx, ry);
      const band = (coarse ? 13 : 7) / smallest;
      const edge = smallest >= (coarse ? 24 : 13) && Math.abs(away - 1) < band && mark.state !== 'removed';
      best = { mark, far, edge };
    }
    return best;
  };

  const fingers = new Map();
  let act = null;
  let lifted = false; // a long press has just ended: no click may follow on what opened beneath
  const at = (event) => {
    const box = element.getBoundingClientRect();
    return [event.clientX - box.left, event.clientY - box.top];
  };

  function begin(event) {
    if (event.button > 0) return;
    element.setPointerCapture(event.pointerId);
    const point = at(event);
    fingers.set(event.pointerId, point);
    stage.pointer = null;
    if (fingers.size === 2) return pinchBegins();
    if (fingers.size > 2) return undefined;
    const coarse = event.pointerType !== 'mouse';
    const hit = stage.hit(...point, coarse);
    act = { start: point, last: point, hit, coarse, kind: 'tap' };
    if (on.hold) {
      act.timer = setTimeout(() => {
        if (!act || act.kind !== 'tap' || !act.hit) return;
        act.kind = 'held';
        on.hold(act.hit.mark, stage.view.toPhoto(...act.start));
      }, HOLD_MS);
    }
    return undefined;
  }

  function pinchBegins() {
    cancel();
    const [a, b] = [...fingers.values()];
    act = { kind: 'pinch', apart: Math.hypot(a[0] - b[0], a[1] - b[1]), middle: [(a[0] + b[0]) / 2, (a[1] + b[1]) / 2] };
  }

  function cancel() {
    if (act && act.timer) clearTimeout(act.timer);
    loop = null;
    stage.draft = null;
    if (act && act.restore) act.restore();
    act = null;
  }

  function move(event) {
    const point = at(event);
    if (!fingers.has(event.pointerId)) {
      if (event.pointerType === 'mouse' && stage.tool === 'mark' && stage.index >= 0) {
        const hit = on.dragged ? stage.hit(...point, false) : null;
        element.style.cursor = hit ? (hit.edge ? 'nwse-resize' : 'pointer') : 'crosshair';
      }
      return;
    }
    fingers.set(event.pointerId, point);
    if (!act) return;
    if (act.kind === 'pinch') return pinch();
    const slop = act.coarse ? 8 : 4;
    if (act.kind === 'tap' && Math.hypot(point[0] - act.start[0], point[1] - act.start[1]) > slop) startDrag();
    if (act.kind === 'pan') stage.view.pan(point[0] - act.last[0], point[1] - act.last[1]);
    if (act.kind === 'loop') loop.push(point);
    if (act.kind === 'move' || act.kind === 'size') drag(point);
    act.last = point;
    stage.paint();
    return undefined;
  }

  function startDrag() {
    clearTimeout(act.timer);
    if (stage.tool === 'loop') {
      act.kind = 'loop';
      loop = [act.start];
    } else if (act.hit && on.dragged) {
      act.kind = act.hit.edge ? 'size' : 'move';
      act.before = recordOf(stage.index);
      act.restore = () => { book[stage.index] = act ? act.before : book[stage.index]; };
    } else {
      act.kind = 'pan';
    }
  }

  /** Show the mark where the finger has it; the step is written when the finger lifts. */
  function drag(point) {
    const { mark } = act.hit;
    const photo = photos[stage.index];
    const held = (value, most) => Math.min(Math.max(value, 0), most);
    let fields;
    if (act.kind === 'move') {
      fields = {
        x: held(mark.x + (point[0] - act.start[0]) / stage.view.scale, photo.width),
        y: held(mark.y + (point[1] - act.start[1]) / stage.view.scale, photo.height),
      };
    } else {
      const [cx, cy] = stage.view.toStage(mark.x, mark.y);
      const away = Math.hypot(point[0] - cx, point[1] - cy)
        / Math.max(1, Math.hypot(act.start[0] - cx, act.start[1] - cy));
      const most = Math.min(photo.width / mark.width, photo.height / mark.height);
      const factor = Math.min(Math.max(away, 4 / Math.min(mark.width, mark.height)), most);
      fields = { width: mark.width * factor, height: mark.height * factor };
    }
    act.fields = fields;
    book[stage.index] = {
      ...act.before,
      marks: act.before.marks.map((each) => (each.mark === mark.mark ? { ...each, ...fields } : each)),
    };
  }

  function pinch() {
    const [a, b] = [...fingers.values()];
    const apart = Math.hypot(a[0] - b[0], a[1] - b[1]);
    const middle = [(a[0] + b[0]) / 2, (a[1] + b[1]) / 2];
    stage.view.pan(middle[0] - act.middle[0], middle[1] - act.middle[1]);
    stage.view.zoom(apart / Math.max(1, act.apart), ...middle);
    act.apart = apart;
    act.middle = middle;
    stage.paint();
  }

  function end(event) {
    if (!fingers.delete(event.pointerId) || !act) return;
    const done = act;
    if (done.timer) clearTimeout(done.timer);
    if (done.kind === 'pinch') {
      if (fingers.size === 0) act = null;
      return;
    }
    act = null;
    lifted = done.kind === 'held';
    if (done.kind === 'tap') tap(done);
    if (done.kind === 'move' || done.kind === 'size') {
      book[stage.index] = done.before;
      if (done.fields) on.dragged(done.hit.mark, done.fields);
    }
    if (done.kind === 'loop') {
      const drawn = loop.map((point) => stage.view.toPhoto(...point));
      loop = null;
      on.looped(drawn);
    }
    stage.paint();
  }

  function tap({ start, hit }) {
    const [x, y] = stage.view.toPhoto(...start);
    const photo = photos[stage.index];
    const inside = x >= 0 && y >= 0 && x <= photo.width && y <= photo.height;
    on.tap(hit ? hit.mark : null, inside ? [x, y] : null, start);
  }

  element.addEventListener('pointerdown', begin);
  element.addEventListener('pointermove', move);
  element.addEventListener('pointerup', end);
  element.addEventListener('touchend', (event) => {
    if (lifted && event.cancelable) event.preventDefault();
    lifted = false;
  }, { passive: false });
  element.addEventListener('pointercancel', (event) => {
    fingers.delete(event.pointerId);
    cancel();
    stage.paint();
  });
  element.addEventListener('contextmenu', (event) => {
    event.preventDefault();
    const hit = stage.hit(...at(event), false);
    if (!hit || !on.hold) return;
    if (act) {
      clearTimeout(act.timer);
      act.kind = 'held';
    }
    on.hold(hit.mark, stage.view.toPhoto(...at(event)));
  });
  element.addEventListener('wheel', (event) => {
    event.preventDefault();
    const step = event.deltaMode === 1 ? event.deltaY * 30 : event.deltaY;
    stage.view.zoom(Math.exp(-Math.max(-240, Math.min(240, step)) * 0.0022), ...at(event));
    stage.paint();
  }, { passive: false });
  return stage;
}
