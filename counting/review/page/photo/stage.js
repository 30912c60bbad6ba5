/* A stage shows one photo with its marks and turns fingers, mouse and wheel into gestures. */

import { book, countOf, recordOf } from '../work/book.js';
import { make, photoSource, photos, say } from '../ground/data.js';
import { draw, drawMarks } from './rings.js';
import { t } from '../ground/texts.js';
import { makeView } from '../ground/view.js';
import { drawZone, zoneHandle, zoneMoved } from './zone.js';

const HOLD_MS = 520;
const TWICE_MS = 300;
const TWICE_PX = 24;
/* A fingertip covers about 9 mm, of which the touch point may lie 4 mm off (common practice);
   a CSS px is 1/96 inch at arm's length, about 0.16 mm on a phone. */
const FINGER = 26;
/* One ring is meant where the next one's middle lies more than twice as far and 10 px more, and no
   ring where all edges are 9 px away. Chosen by reasoning: a tap lies off by half a fingertip at
   most. Checked, not fitted, by a scripted person whose taps tremble by 2 mm: on 24 photos of rows
   0.3 taps a photo did something else than meant. */
const CLEAR_TIMES = 2.2;
const CLEAR_PX = 10;
const BESIDE_PX = 9;
const RETRY_MS = [1000, 2000, 4000, 8000];

/** Build a stage in `root`; `on` names what to do for tap, twice, hold, looped, dragged, zoned. */
export function makeStage(root, on) {
  let picture = make('img', { class: 'print', alt: '', draggable: 'false' });
  const svg = draw('svg', { class: 'wax', 'aria-hidden': 'true' });
  const cross = make('div', { class: 'crosshair', hidden: true });
  const state = make('p', { class: 'stage-state', hidden: true });
  const element = make('div', {
    class: 'stage', tabindex: '0', role: 'application', 'aria-label': t('photo'),
  }, picture, svg, cross, state);
  root.append(element);
  const stage = {
    element, svg, index: -1, view: makeView(1, 1), current: null, picked: null, tool: 'mark',
    pointer: null, ready: false, chosen: false, close: false,
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
    if (!stage.ready) {
      svg.replaceChildren(); // rings on no photo would be answered unseen
      return;
    }
    drawMarks(svg, stage.index, view, stage);
    drawZone(svg, stage);
    if (loop) {
      const path = `M${loop.map(([x, y]) => `${x.toFixed(1)} ${y.toFixed(1)}`).join('L')}`;
      svg.append(draw('path', { class: 'truss-shade', d: path }), draw('path', { class: 'truss-line', d: path }));
    }
    cross.hidden = !stage.pointer;
    if (stage.pointer) {
      const [x, y] = view.toStage(...stage.pointer);
      cross.style.transform = `translate(${x}px, ${y}px)`;
    }
    element.classList.toggle('looping', stage.tool === 'loop' || stage.tool === 'strike');
  };

  const tellState = (text) => {
    state.textContent = text;
    state.hidden = !text;
  };

  /** Show a photo. Its rings come with it: what cannot be seen cannot be judged. */
  stage.show = async (index) => {
    stage.index = index;
    stage.current = null;
    stage.picked = null;
    stage.pointer = null;
    stage.chosen = false;
    stage.ready = false;
    stage.tool = 'mark';
    const photo = photos[index];
    stage.view = makeView(photo.width, photo.height);
    stage.view.room = [element.clientWidth || 1, element.clientHeight || 1];
    stage.view.fit();
    picture.removeAttribute('src');
    stage.paintNow();
    stage.label();
    const slow = setTimeout(() => { if (stage.index === index && !stage.ready) tellState(t('loading')); }, 400);
    const whole = await decoded(index);
    clearTimeout(slow);
    if (!whole || stage.index !== index) return;
    picture.replaceWith(whole);
    picture = whole;
    stage.ready = true;
    tellState('');
    stage.paintNow();
    if (on.ready) on.ready(index);
  };

  /** The photo as an image, tried again until it is there; nothing once another one is shown. */
  async function decoded(index) {
    for (let turn = 0; stage.index === index; turn += 1) {
      try {
        const source = await photoSource(index, turn > 0);
        const whole = make('img', { class: 'print', alt: '', draggable: 'false', src: source });
        await whole.decode();
        return whole;
      } catch (error) {
        if (stage.index !== index) return null;
        tellState(t('photo missing', { n: turn + 1 }));
        if (!turn) say(t('photo missing', { n: 1 }));
        const pause = RETRY_MS[Math.min(turn, RETRY_MS.length - 1)];
        await new Promise((done) => { setTimeout(done, pause); });
      }
    }
    return null;
  }

  stage.label = () => {
    const words = { number: stage.index + 1, n: countOf(stage.index) };
    element.setAttribute('aria-label', `${t('stage label', words)} ${t(on.dragged ? 'stage keys' : 'pair keys')}`);
  };

  new ResizeObserver(() => {
    if (stage.index < 0) return;
    stage.view.resize(element.clientWidth, element.clientHeight);
    stage.paintNow();
  }).observe(element);

  /** The mark under a point of the stage, whether the point is on its edge, and whether a finger
      could as well have meant something else there. */
  stage.hit = (x, y, coarse) => {
    // generous only as far as a missed fruit close by can still be added
    const least = coarse ? 11 : 8;
    let best = null;
    const near = [];
    let smallest = Infinity;
    for (const mark of recordOf(stage.index).marks) {
      const [cx, cy] = stage.view.toStage(mark.x, mark.y);
      const rx = (mark.width / 2) * stage.view.scale;
      const ry = (mark.height / 2) * stage.view.scale;
      const away = Math.hypot(x - cx, y - cy);
      if (away < Math.max(FINGER, Math.min(rx, ry) + 8)) {
        near.push({ mark, away, beside: away - Math.min(rx, ry) });
        smallest = Math.min(smallest, rx, ry);
      }
      const grace = coarse ? 3 : 2;
      // a cross is met at its middle only: what it covered may hold other fruit
      const most = mark.state === 'removed' ? least * 1.3 : Infinity;
      const reach = [rx, ry].map((radius) => Math.min(Math.max(radius + grace, least), most));
      const far = Math.hypot((x - cx) / reach[0], (y - cy) / reach[1]);
      if (far > 1 || (best && best.far <= far)) continue;
      const from = Math.hypot((x - cx) / rx, (y - cy) / ry);
      const narrow = Math.min(rx, ry);
      const band = (coarse ? 13 : 7) / narrow;
      const edge = narrow >= (coarse ? 24 : 13) && Math.abs(from - 1) < band && mark.state !== 'removed';
      best = { mark, far, edge };
    }
    const own = best ? near.find(({ mark }) => mark === best.mark) : null;
    const others = near.filter((each) => each !== own);
    const clear = best
      ? others.every(({ away }) => away >= CLEAR_TIMES * (own ? own.away : 0) + CLEAR_PX)
      : others.every(({ beside }) => beside >= BESIDE_PX);
    const crowded = coarse && !clear;
    return { mark: null, edge: false, far: Infinity, ...best, crowded, smallest };
  };

  const fingers = new Map();
  let act = null;
  let lifted = false; // a long press has just ended: no click may follow on what opened beneath
  let before = { at: 0, point: [0, 0] };
  const at = (event) => {
    const box = element.getBoundingClientRect();
    return [event.clientX - box.left, event.clientY - box.top];
  };

  function begin(event) {
    if (event.button > 0 || !stage.ready) return;
    element.setPointerCapture(event.pointerId);
    const point = at(event);
    fingers.set(event.pointerId, point);
    stage.pointer = null;
    if (fingers.size === 2) {
      pinchBegins();
      return;
    }
    if (fingers.size > 2) return;
    const coarse = event.pointerType !== 'mouse';
    const hit = stage.hit(...point, coarse);
    act = { start: point, last: point, hit, coarse, kind: 'tap', border: zoneHandle(stage, point) };
    if (!on.hold || stage.tool !== 'mark') return; // a loop may begin slowly, and on a ring
    act.timer = setTimeout(() => {
      if (!act || act.kind !== 'tap' || !act.hit.mark) return;
      act.kind = 'held';
      on.hold(act.hit.mark, stage.view.toPhoto(...act.start));
    }, HOLD_MS);
  }

  function pinchBegins() {
    cancel();
    const [a, b] = [...fingers.values()];
    act = { kind: 'pinch', apart: Math.hypot(a[0] - b[0], a[1] - b[1]), middle: [(a[0] + b[0]) / 2, (a[1] + b[1]) / 2] };
  }

  function cancel() {
    if (act && act.timer) clearTimeout(act.timer);
    loop = null;
    if (act && act.before) book[stage.index] = act.before;
    act = null;
  }

  function move(event) {
    const point = at(event);
    if (!fingers.has(event.pointerId)) {
      if (event.pointerType === 'mouse' && stage.tool === 'mark' && stage.index >= 0) hover(point);
      return;
    }
    fingers.set(event.pointerId, point);
    if (!act) return;
    if (act.kind === 'pinch') {
      pinch();
      return;
    }
    const slop = act.coarse ? 8 : 4;
    if (act.kind === 'tap' && Math.hypot(point[0] - act.start[0], point[1] - act.start[1]) > slop) startDrag();
    if (act.kind === 'pan') stage.view.pan(point[0] - act.last[0], point[1] - act.last[1]);
    if (act.kind === 'loop') loop.push(point);
    if (act.kind === 'move' || act.kind === 'size') drag(point);
    if (act.kind === 'border') {
      act.zone = zoneMoved(stage, act.border, point);
      book[stage.index] = { ...act.before, ...act.zone };
    }
    act.last = point;
    stage.paint();
  }

  function hover(point) {
    const hit = stage.hit(...point, false);
    const held = stage.chosen && hit.mark && hit.mark.mark === stage.current;
    element.style.cursor = held ? (hit.edge ? 'nwse-resize' : 'move') : (hit.mark ? 'pointer' : 'crosshair');
  }

  /** A drag moves the photo. It moves a ring only where that ring was chosen before. */
  function startDrag() {
    clearTimeout(act.timer);
    const chosen = stage.chosen && act.hit.mark && act.hit.mark.mark === stage.current;
    if (stage.tool === 'loop' || stage.tool === 'strike') {
      act.kind = 'loop';
      loop = [act.start];
    } else if (act.border !== null && on.zoned) {
      act.kind = 'border';
      act.before = recordOf(stage.index);
    } else if (chosen && on.dragged) {
      act.kind = act.hit.edge ? 'size' : 'move';
      act.before = recordOf(stage.index);
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
    if (done.kind === 'tap') tap(done, event.timeStamp);
    if (done.before) book[stage.index] = done.before;
    if (done.fields) on.dragged(done.hit.mark, done.fields);
    if (done.zone) on.zoned(done.zone);
    if (done.kind === 'loop') {
      const drawn = loop.map((point) => stage.view.toPhoto(...point));
      loop = null;
      on.looped(drawn);
    }
    stage.paint();
  }

  /** `now` is when the finger lifted: a slow phone may come to it later, with the next tap. */
  function tap({ start, hit }, now) {
    const twice = now - before.at < TWICE_MS
      && Math.hypot(start[0] - before.point[0], start[1] - before.point[1]) < TWICE_PX;
    before = { at: twice ? 0 : now, point: start };
    if (twice && on.twice) {
      on.twice(start);
      return;
    }
    const [x, y] = stage.view.toPhoto(...start);
    const photo = photos[stage.index];
    const inside = x >= 0 && y >= 0 && x <= photo.width && y <= photo.height;
    on.tap(hit.mark, inside ? [x, y] : null, { ...hit, now });
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
    if (!hit.mark || !on.hold) return;
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
