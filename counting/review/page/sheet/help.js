/* Help: what the shapes mean, what fingers do, what keys do. */

import { $, make } from '../ground/data.js';
import { KEYS } from './keys.js';
import { draw, drawMark } from '../photo/rings.js';
import { t } from '../ground/texts.js';

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
    make('h2', { id: 'help-name', text: t('how it works') }),
    make('p', { text: t('help intro') }),
    make('ul', { class: 'shapes' },
      shape_('proposed', t('shape proposed')),
      shape_('confirmed', t('shape confirmed')),
      shape_('added', t('shape added')),
      shape_('removed', t('shape removed')),
      shape_('elsewhere', t('shape elsewhere')),
      shape_('unsure', t('shape unsure'))),
    make('h3', { text: t('by hand') }),
    make('dl', { class: 'keys' },
      line(t('tap'), t('help tap')),
      line(t('crowded tap'), t('help lens')),
      line(t('double tap'), t('help double')),
      line(t('long press'), t('help press')),
      line(t('add inside'), t('help add inside')),
      line(t('loop'), t('help loop')),
      line(t('drag'), t('help drag')),
      line(t('two fingers'), t('help fingers')),
      line(t('trusses'), t('draw truss')),
      line(t('cannot tell'), t('help cannot')),
      line(t('retake'), t('help retake')),
      line(t('same plant'), t('help same'))),
    make('h3', { text: t('by keyboard') }),
    make('dl', { class: 'keys' }, ...KEYS.map(([key, text]) => line(key, t(text)))),
    make('div', { class: 'slip-row end' }, make('button', {
      type: 'button', class: 'press strong', onclick: () => $('help').close(),
    }, t('close'))),
  );
  $('help').showModal();
  $('help').scrollTop = 0;
}
