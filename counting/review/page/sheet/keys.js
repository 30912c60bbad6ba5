/* The keyboard does everything; "?" shows how. */

import { add, change, counts, nextMark, recordOf, redo, undo } from '../work/book.js';
import { walkFrames } from './contact.js';
import { $, live, photos, say } from '../ground/data.js';
import { desk } from '../work/desk.js';
import { tell } from '../ground/hub.js';
import { closeLens, lensOpen } from '../photo/lens.js';
import { toggleStrike } from '../photo/offer.js';
import { closePair, openPair, paintPair, pair, pick } from '../photo/pair.js';
import {
  changeCurrent, closePhoto, currentMark, elsewhereFields, give, openPhoto, refresh, sizeFields,
  stage, stepMark, strikeAt, tapped, undoShown, unsureFields,
} from '../photo/photo.js';
import { markWords } from '../photo/rings.js';
import { saveFile } from '../work/save.js';
import { togetherKey, undoTogether } from './together.js';
import { proposedTrusses, toggleLoop, useProposed } from '../photo/trusses.js';
import { zoneOf, zoneShifted } from '../photo/zone.js';

export const KEYS = [
  ['Enter', 'key next', () => give('counted')],
  ['Space', 'key space', () => spaceAct()],
  ['D', 'key add', () => {
    if (stage.pointer) add(desk.index, ...stage.pointer);
    refresh();
  }],
  ['Arrows', 'key arrows', null],
  ['M', 'key mark', (event) => stepMark(event.shiftKey ? -1 : 1)],
  ['X', 'key strike', () => { if (currentMark()) { strikeAt(stage.current); refresh(); } }],
  ['U', 'key unsure', () => changeCurrent(unsureFields)],
  ['O', 'key elsewhere', () => changeCurrent(elsewhereFields)],
  ['S', 'key small', () => changeCurrent((mark) => ({ small: !mark.small }))],
  ['[ ]', 'key size', null],
  ['1 … 9', 'key truss', null],
  ['J', 'key loop', () => toggleStrike()],
  ['L', 'key trusses', () => { if (photos[desk.index].truss === null) toggleLoop(); }],
  ['A', 'key use trusses', () => { if (photos[desk.index].truss === null && proposedTrusses(desk.index).size) useProposed(); }],
  ['C', 'key cannot', () => give('cannot tell')],
  ['R', 'key retake', () => give('retake')],
  ['P', 'key previous', () => openPhoto(desk.index - 1)],
  ['N', 'key following', () => { if (desk.index + 1 < photos.length) openPhoto(desk.index + 1); }],
  ['B', 'key pair', () => openPair(desk.index, stage.current)],
  ['+ −', 'key zoom', null],
  ['F', 'key whole', () => { stage.view.fit(); stage.paint(); }],
  ['E', 'key card', () => { if (currentMark()) tell('card wanted', currentMark()); }],
  ['{ }', 'key left border', (event) => moveBorder(event, 0)],
  ['( )', 'key right border', (event) => moveBorder(event, 1)],
  ['Ctrl Z', 'key undo', null],
  ['Ctrl S', 'key save', null],
  ['Esc', 'key back', null],
  ['?', 'key help', null],
];
const STEP = 12;

/** Add at the pointer, or strike out what is there; without a pointer the current mark. */
function spaceAct() {
  if (stage.pointer) {
    const hit = stage.hit(...stage.view.toStage(...stage.pointer), false);
    tapped(hit.mark, stage.pointer);
    if (!hit.mark) stage.current = nextMark(recordOf(desk.index)) - 1;
  } else if (currentMark()) {
    strikeAt(stage.current);
  } else {
    movePointer(0, 0);
  }
  refresh();
}

function movePointer(dx, dy) {
  const photo = photos[desk.index];
  const by = STEP / stage.view.scale;
  const [x, y] = stage.pointer || stage.view.toPhoto(stage.view.room[0] / 2, stage.view.room[1] / 2);
  stage.pointer = [
    Math.min(Math.max(x + dx * by, 0), photo.width),
    Math.min(Math.max(y + dy * by, 0), photo.height),
  ];
  stage.current = null;
  stage.view.show(...stage.pointer);
  stage.paint();
}

function arrow(event) {
  const [dx, dy] = {
    ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1],
  }[event.key];
  if (!event.shiftKey) {
    movePointer(dx, dy);
    return;
  }
  const photo = photos[desk.index];
  const by = 4 / stage.view.scale;
  changeCurrent((mark) => ({
    x: Math.min(Math.max(mark.x + dx * by, 0), photo.width),
    y: Math.min(Math.max(mark.y + dy * by, 0), photo.height),
  }));
}

/** The borders of the plant's part: { and } move the left one, ( and ) the right one. */
function moveBorder(event, which) {
  const { index } = desk;
  if (!zoneOf(index)) return;
  const by = (/[{(]/.test(event.key) ? -1 : 1) * (photos[index].width / 100);
  change([[index, zoneShifted(index, which, by)]]);
  refresh();
}

/** Out of what is open on top of the photo, else back to the sheet. */
function escape() {
  if (lensOpen()) closeLens();
  else if (stage.chosen) {
    stage.chosen = false;
    stage.current = null;
    stage.paint();
  } else closePhoto();
}

function photoKey(event) {
  const { key } = event;
  recordOf(desk.index).clicks += 1;
  if (key.startsWith('Arrow')) arrow(event);
  else if (key === 'Escape') escape();
  else if (key === '+' || key === '=' || key === '-') {
    const [x, y] = stage.pointer ? stage.view.toStage(...stage.pointer) : stage.view.room.map((side) => side / 2);
    stage.view.zoom(key === '-' ? 1 / 1.4 : 1.4, x, y);
    stage.paint();
  } else if (key === '[' || key === ']') changeCurrent(sizeFields(key === '[' ? 1 / 1.1 : 1.1));
  else if (/^[0-9]$/.test(key)) {
    if (photos[desk.index].truss !== null) return false;
    changeCurrent(() => ({ truss: key === '0' ? null : Number(key) }));
  } else {
    const name = key === ' ' ? 'space' : key.toLowerCase();
    const found = KEYS.find(([text, , act]) => act
      && (text.toLowerCase() === name || (/^[{}()]$/.test(name) && text.includes(name))));
    if (!found) return false;
    found[2](event);
  }
  return true;
}

/** Pair screen: M walks through the fruit of the photo with the focus, Space picks. */
function pairKey(event) {
  if (event.key === 'Escape') {
    closePair();
    return true;
  }
  const side = pair.stages.findIndex((each) => each.element === document.activeElement);
  if (side < 0) return false;
  const each = pair.stages[side];
  const marks = recordOf(each.index).marks.filter(counts);
  if (event.key.toLowerCase() === 'm' && marks.length) {
    const at = marks.findIndex((mark) => mark.mark === each.current);
    const mark = marks[(at + (event.shiftKey ? marks.length - 1 : 1)) % marks.length] || marks[0];
    each.current = mark.mark;
    each.view.show(mark.x, mark.y);
    say(markWords(each.index, mark));
    each.paint();
    return true;
  }
  if (event.key === ' ' && each.current !== null) {
    pick(side, marks.find((mark) => mark.mark === each.current));
    return true;
  }
  return false;
}

export function pressed(event) {
  const typing = /^(INPUT|TEXTAREA|SELECT)$/.test(event.target.tagName);
  if (document.querySelector('dialog[open]')) return;
  // on many keyboards { and } are typed with AltGr, which some systems tell as Ctrl and Alt
  const written = /^[{}()]$/.test(event.key);
  const command = (event.ctrlKey || event.metaKey) && !(written && event.altKey);
  const key = event.key.toLowerCase();
  if (command && key === 'z') {
    event.preventDefault();
    undoHere(event.shiftKey ? redo : undo);
  } else if (command && key === 'y') {
    event.preventDefault();
    undoHere(redo);
  } else if (command && key === 's') {
    event.preventDefault();
    if (!live) saveFile();
  } else if (command || (event.altKey && !written) || typing) {
    // the browser's own
  } else if (event.key === '?') {
    tell('help wanted');
  } else if (!$('pair').hidden) {
    if (pairKey(event)) event.preventDefault();
  } else if (!$('together').hidden) {
    if (togetherKey(event)) event.preventDefault();
  } else if (!$('photo').hidden) {
    const onButton = event.target.tagName === 'BUTTON' && (event.key === 'Enter' || event.key === ' ');
    // a key held down must not answer one photo after another
    if (event.repeat && !/^(Arrow.*|[-+=[\]mM{}()])$/.test(event.key)) event.preventDefault();
    else if (!onButton && photoKey(event)) event.preventDefault();
  } else {
    walkFrames(event);
  }
}

function undoHere(step) {
  if (!$('together').hidden) {
    undoTogether(step);
    return;
  }
  undoShown(step);
  if (!$('pair').hidden) paintPair();
}
