/* Likely photos, four to nine on one screen: one press confirms those that truly stood there.
   A tap opens a photo for the usual work. */

import {
  confirmTogether, countOf, finished, future, past, undo,
} from '../work/book.js';
import { drawHead, layout } from './contact.js';
import {
  $, live, make, photoSource, photos, say,
} from '../ground/data.js';
import { desk } from '../work/desk.js';
import { tell } from '../ground/hub.js';
import { allowed, looked, rule, waiting } from '../work/likely.js';
import { draw, drawMarks } from '../photo/rings.js';
import { closePhoto, remember } from '../photo/photo.js';
import { t } from '../ground/texts.js';
import { makeView } from '../ground/view.js';

const MOST = 9;
const FEWEST = 4;
const WIDE_PX = 300; // more than four only where each photo is about as wide as on a phone
const GAP = 6;
const EDGE = 20; // the line with number and count under a photo
const PAUSE_S = 30; // of each photo at most: who went away was not looking

const screen = {
  tiles: [], since: 0, spent: 0, run: 0, pushed: false, columns: 1, looked: new Set(),
};

const open = () => !$('together').hidden;

/** How many photos, in how many columns: as many as stay large. */
function arranged(left) {
  const room = [$('tiles').clientWidth, $('tiles').clientHeight];
  const shapes = upNext().slice(0, MOST).map((index) => photos[index].width / photos[index].height);
  const ratio = shapes.sort((a, b) => a - b)[Math.floor(shapes.length / 2)] || 4 / 3;
  const fit = (many) => {
    let best = { wide: 0 };
    for (let columns = 1; columns <= many; columns += 1) {
      const rows = Math.ceil(many / columns);
      const across = (room[0] - GAP * (columns + 1)) / columns;
      const wide = Math.min(across, ((room[1] - GAP * (rows + 1)) / rows - EDGE) * ratio);
      const size = [Math.floor(wide), Math.floor(wide / ratio) + EDGE];
      if (wide > best.wide) best = { wide, many, columns, size };
    }
    return best;
  };
  for (let many = Math.min(MOST, left); many > FEWEST; many -= 1) {
    const found = fit(many);
    if (Math.max(found.wide, found.wide / ratio) >= WIDE_PX) return found;
  }
  return fit(Math.min(FEWEST, left));
}

/** The photo with its rings; it counts as seen once it is decoded and wholly on the screen. */
function makeTile(index, [wide, high]) {
  const view = makeView(photos[index].width, photos[index].height);
  const frame = make('span', { class: 'tile-window' });
  const tile = {
    index, view, ready: false, seen: false, frame,
  };
  const unseen = (text) => make('span', { class: 'unseen', text });
  tile.button = make('button', {
    type: 'button', class: 'tile', 'data-index': index, onclick: () => openTile(index),
  }, frame, make('span', { class: 'tile-edge' }, unseen(`${t('photo')} `), make('b', { text: String(index + 1) }), ' ',
    make('span', { text: t('n fruit', { n: countOf(index) }) }), unseen(`, ${t('state proposed')}`)));
  tile.button.style.width = `${wide}px`;
  tile.button.style.height = `${high}px`;
  return tile;
}

/** Whether a photo stands wholly on the screen now. */
function whole({ frame }) {
  const own = frame.getBoundingClientRect();
  const room = $('tiles').getBoundingClientRect();
  return own.height > 0 && own.left >= Math.max(room.left, 0) - 1 && own.top >= Math.max(room.top, 0) - 1
    && own.right <= Math.min(room.right, window.innerWidth) + 1
    && own.bottom <= Math.min(room.bottom, window.innerHeight) + 1;
}

/** Note which photos stand on the screen now; the press opens once all have. */
function mark() {
  if (!open() || document.hidden) return;
  for (const tile of screen.tiles) tile.seen = tile.seen || (tile.ready && whole(tile));
  const all = screen.tiles.length > 0 && screen.tiles.every(({ seen }) => seen);
  if (all && !screen.since) screen.since = Date.now();
  $('confirm').disabled = !all;
}

/** Fetch, decode and show one photo after another: each keeps its place until it is there. */
async function fill(tile, run) {
  const picture = make('img', { class: 'print', alt: '', draggable: 'false' });
  for (let turn = 0; run === screen.run; turn += 1) {
    try {
      picture.src = await photoSource(tile.index, turn > 0);
      await picture.decode();
      break;
    } catch (error) {
      await new Promise((done) => { setTimeout(done, Math.min(8000, 1000 * 2 ** turn)); });
    }
  }
  if (run !== screen.run) return;
  const { view, frame } = tile;
  view.room = [frame.clientWidth || 1, frame.clientHeight || 1];
  view.fit();
  picture.style.transform = `translate(${view.x}px, ${view.y}px) scale(${(view.scale * view.width) / 1000})`;
  picture.style.width = '1000px';
  picture.style.height = `${(1000 * view.height) / view.width}px`;
  const wax = draw('svg', { class: 'wax', 'aria-hidden': 'true' });
  frame.replaceChildren(picture, wax);
  drawMarks(wax, tile.index, view);
  // shown with its rings, not only decoded
  requestAnimationFrame(() => requestAnimationFrame(() => {
    tile.ready = run === screen.run;
    mark();
  }));
}

function spend() {
  if (screen.since) screen.spent += (Date.now() - screen.since) / 1000;
  screen.since = 0;
}

/** The next photos. Where looking has shown that too many are wrong, only those that were looked at
    on this screen already: that work is not thrown away, and no new photo comes. */
const upNext = () => waiting().filter((index) => allowed() || screen.looked.has(index));

/** Draw the next photos, or go back where there is none. */
function drawTiles() {
  const list = upNext();
  if (!list.length) {
    const closed = waiting().length > 0;
    closeTogether();
    say(t(closed ? 'together closed' : finished() === photos.length ? 'all answered' : 'together done'));
    if (finished() === photos.length && !live) tell('all answered');
    return;
  }
  screen.run += 1;
  screen.spent = 0;
  screen.since = 0;
  const plan = arranged(list.length);
  screen.columns = plan.columns;
  screen.tiles = list.slice(0, plan.many).map((index) => makeTile(index, plan.size));
  $('tiles').style.setProperty('--columns', plan.columns);
  $('tiles').replaceChildren(...screen.tiles.map(({ button }) => button));
  $('confirm').disabled = true;
  $('confirm').textContent = t('confirm together', { n: screen.tiles.length });
  $('together-left').textContent = t('likely left', { n: list.length });
  const told = looked();
  $('together-why').textContent = allowed()
    ? t('together why', { n: told.photos, right: told.right }) : t('together last');
  $('together-undo').disabled = !past.length;
  const { run } = screen;
  (async () => {
    for (const tile of screen.tiles) if (run === screen.run) await fill(tile, run);
  })();
}

/** Open the screen, or come back to it from a photo. */
export function openTogether({ history: write = true } = {}) {
  if (open()) return;
  if (!desk.together) {
    desk.together = true;
    desk.scroll = window.scrollY;
    if (write) screen.pushed = remember('pushState', { together: true }, waiting()[0] ?? 0);
  }
  $('contact').hidden = true;
  $('photo').hidden = true;
  $('together').hidden = false;
  drawTiles();
  if (!open()) return;
  $('tiles').focus({ preventScroll: true });
  say(t('together opened', { n: screen.tiles.length }));
}

/** Offer the way in on a likely photo too, for whoever goes from Next to Next: while a photo is
    open the offer neither comes nor goes, so that nothing moves under a finger. */
export function offerSeveral(index) {
  const list = waiting();
  const way = !desk.together && allowed() && list.length > 1 && list.includes(index);
  $('several').hidden = !way;
  $('several').textContent = t('likely together', { n: list.length });
}

/** From a photo to the screen of several; the device's own way back then leads to the sheet. */
function leavePhoto() {
  const { index } = desk;
  screen.pushed = desk.pushed;
  desk.together = true;
  remember('replaceState', { together: true }, index);
  closePhoto({ history: false });
}

/** Back to the sheet. */
export function closeTogether({ history: write = true } = {}) {
  if (!desk.together) return;
  desk.together = false;
  screen.looked.clear();
  leave();
  $('contact').hidden = false;
  if (write && screen.pushed) window.history.back();
  screen.pushed = false;
  layout();
  drawHead();
  window.scrollTo(0, desk.scroll);
  (allowed() && waiting().length ? $('likely') : $('begin')).focus({ preventScroll: true });
}

/** Hide the screen, its photos let go. */
export function leave() {
  screen.run += 1;
  screen.tiles = [];
  $('tiles').replaceChildren();
  $('together').hidden = true;
}

function openTile(index) {
  screen.tiles.filter(({ seen }) => seen).forEach((tile) => screen.looked.add(tile.index));
  leave();
  tell('photo wanted', index);
}

/** Confirm what stands on the screen, all of it or nothing. */
export function confirmShown() {
  if (!open() || $('confirm').disabled || !screen.tiles.every(({ seen }) => seen)) return;
  spend();
  const many = screen.tiles.length;
  screen.looked.clear();
  confirmTogether(screen.tiles.map(({ index }) => index), Math.min(screen.spent / many, PAUSE_S));
  $('tiles').focus({ preventScroll: true });
  drawTiles();
  if (open()) say(t('confirmed together', { n: many }));
}

/** Take the last press back, or do it again; another step is shown on its photo. */
export function undoTogether(step = undo) {
  const list = step === undo ? past : future;
  const last = list[list.length - 1];
  if (!last) return;
  const index = step();
  say(t(step === undo ? 'undone' : 'done again'));
  if (last.some(({ after }) => after.looked)) drawTiles();
  else openTile(index);
}

/** Arrow keys go from photo to photo, Enter confirms where no button has the focus, Esc leaves. */
export function togetherKey(event) {
  const onButton = event.target.tagName === 'BUTTON';
  const at = screen.tiles.findIndex(({ button }) => button === document.activeElement);
  const ahead = document.documentElement.dir === 'rtl' ? -1 : 1;
  const steps = {
    ArrowRight: ahead, ArrowLeft: -ahead, ArrowDown: screen.columns, ArrowUp: -screen.columns,
  };
  if (event.key === 'Escape') closeTogether();
  else if (event.key in steps) {
    const next = at < 0 ? 0 : Math.min(Math.max(at + steps[event.key], 0), screen.tiles.length - 1);
    screen.tiles[next].button.focus();
  } else if (event.key === 'Enter' && !onButton && !event.repeat) confirmShown();
  else return false;
  return true;
}

/** The line on the sheet: the way in, or what is still to be seen before it opens. */
export function drawWayIn() {
  const list = waiting();
  const told = looked();
  const way = allowed() && list.length > 1;
  const missed = !allowed() && list.length > rule.fewest;
  // what looking has shown to be wrong is not called likely right
  if (told.photos >= rule.fewest && !allowed()) $('doubt').hidden = true;
  $('likely').hidden = !way;
  $('likely').textContent = t('likely together', { n: list.length });
  $('likely-why').hidden = !way && !missed;
  const early = told.photos ? 'together not yet' : 'together none yet';
  const key = way ? 'together why' : told.photos < rule.fewest ? early : 'together not';
  $('likely-why').textContent = t(key, { n: told.photos, right: told.right, fewest: rule.fewest, share: Math.round(rule.share * 10) });
}

/** Wire the screen's buttons. */
export function wireTogether() {
  $('likely').addEventListener('click', () => tell('together wanted'));
  $('several').addEventListener('click', leavePhoto);
  $('together-back').addEventListener('click', () => closeTogether());
  $('together-undo').addEventListener('click', () => undoTogether());
  // the second press of a double click would confirm photos that nobody has seen
  $('confirm').addEventListener('click', (event) => { if (event.detail < 2) confirmShown(); });
  $('tiles').addEventListener('scroll', mark, { passive: true });
  document.addEventListener('visibilitychange', () => {
    if (document.hidden) spend();
    else mark();
  });
  window.addEventListener('resize', () => { if (open()) drawTiles(); });
}
