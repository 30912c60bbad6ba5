/* The slip of one fruit: all that can be said about it. */

import { add, countOf, isStruck, recordOf } from '../work/book.js';
import { $, make, photos, say, together } from '../ground/data.js';
import { desk } from '../work/desk.js';
import { tell } from '../ground/hub.js';
import {
  changeCurrent, choose, elsewhereFields, refresh, sizeFields, stage, strikeAt, unsureFields,
} from './photo.js';
import { t } from '../ground/texts.js';

/** A long press or right click opens it. */
export function openCard(mark, place = null) {
  if ($('card').open) return;
  const { index } = desk;
  stage.current = mark.mark;
  stage.paint();
  const number = mark.mark;
  const read = () => recordOf(index).marks.find((each) => each.mark === number);
  const step = (fields) => () => {
    if (!read()) return;
    stage.current = number;
    changeCurrent(fields);
    fill();
  };
  const close = () => $('card').close();
  const truss = (by) => step((each) => {
    const value = (each.truss || 0) + by;
    return { truss: value >= 1 ? Math.min(value, 999) : null };
  });
  function fill() {
    const now = read();
    if (!now) return close();
    const row = (text, ...buttons) => make('div', { class: 'slip-row' }, make('span', { text }), ...buttons);
    const press = (text, onclick, label, pressed = null) => make('button', {
      type: 'button', class: 'press', onclick, 'aria-label': label || text,
      'aria-pressed': pressed === null ? null : String(pressed),
    }, text);
    const rows = [
      make('h2', { id: 'card-name', text: t('fruit n', { number: recordOf(index).marks.indexOf(now) + 1 }) }),
      make('div', { class: 'slip-row' },
        press(t('not sure'), step(unsureFields), '', now.state === 'unsure'),
        press(t('card elsewhere'), step(elsewhereFields), '', now.state === 'elsewhere'),
        press(t('too small to count'), step((each) => ({ small: !each.small })), '', now.small)),
      row(t('size'), press('−', step(sizeFields(1 / 1.12)), t('smaller ring')), press('+', step(sizeFields(1.12)), t('larger ring')),
        press(t('move ring'), () => {
          close();
          choose(number);
          say(t('move help'));
        })),
    ];
    if (photos[index].truss === null) {
      rows.push(row(now.truss === null ? t('no truss') : t('truss title', { number: now.truss }),
        press('−', truss(-1), t('lower truss')), press('+', truss(1), t('higher truss'))));
    }
    if (place) {
      rows.push(press(t('one more'), () => {
        add(index, ...place);
        say(t('added now', { n: countOf(index) }));
        close();
        refresh();
      }));
    }
    if (together(index).length > 1) {
      rows.push(press(t('same fruit'), () => {
        close();
        tell('pair wanted', index, number);
      }));
    }
    rows.push(make('div', { class: 'slip-row end' },
      press(t(isStruck(now) ? 'put back' : 'strike out'), () => {
        strikeAt(number);
        close();
        refresh();
      }),
      make('button', { type: 'button', class: 'press strong', onclick: close }, t('done'))));
    $('card').replaceChildren(...rows);
    return undefined;
  }
  fill();
  $('card').showModal();
}
