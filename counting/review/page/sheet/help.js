/* Help: what the shapes mean, what fingers do, what keys do. */

import { $, make } from '../ground/data.js';
import { KEYS } from './keys.js';
import { draw, drawMark } from '../photo/rings.js';

/** Open it. */
export function openHelp() {
  const example = (state, small = false) => {
    const svg = draw('svg', { viewBox: '-24 -24 48 48', class: 'wax sample', 'aria-hidden': 'true' });
    const mark = { mark: 2, small, state };
    svg.append(drawMark(mark, state, { x: 0, y: 0, rx: 13, ry: 13, letter: '' }));
    return svg;
  };
  const shape_ = (state, text) => make('li', {}, example(state), make('span', { text }));
  const line = (key, text) => make('div', { class: 'key-row' }, make('dt', {}, make('kbd', { text: key })), make('dd', { text }));
  $('help').replaceChildren(
    make('h2', { id: 'help-name', text: 'How it works' }),
    make('p', { text: 'Each ring is a fruit. Tap where a fruit has no ring; tap a ring that is not a fruit. If all is right, press Next.' }),
    make('ul', { class: 'shapes' },
      shape_('proposed', 'proposed: broken ring'),
      shape_('confirmed', 'confirmed: closed ring'),
      shape_('added', 'added: ring with a plus'),
      shape_('removed', 'struck out: cross'),
      shape_('unsure', 'not sure: dotted, ?')),
    make('h3', { text: 'By hand' }),
    make('dl', { class: 'keys' },
      line('tap', 'add a fruit, strike one out, put it back'),
      line('long press', 'one more fruit inside a ring, not sure, too small, size, truss'),
      line('drag a ring', 'move it; at its edge: change its size'),
      line('two fingers', 'zoom and move the photo (mouse: wheel)'),
      line('Trusses', 'draw a loop round the fruit of one truss'),
      line('Cannot tell', 'the fruit on this photo cannot be counted; no number is kept'),
      line('Retake', 'the photo is to be taken again: blurred, cut off, the wrong plant'),
      line('Same plant', 'two photos side by side: tap a fruit here and the same fruit there, it is counted once')),
    make('h3', { text: 'By keyboard' }),
    make('dl', { class: 'keys' }, ...KEYS.map(([key, text]) => line(key, text))),
    make('div', { class: 'slip-row end' }, make('button', {
      type: 'button', class: 'press strong', onclick: () => $('help').close(),
    }, 'Close')),
  );
  $('help').showModal();
  $('help').scrollTop = 0;
}
