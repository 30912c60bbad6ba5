/* The slip of one fruit: all that can be said about it. */

import { add, countOf, recordOf } from '../work/book.js';
import { $, make, photos, say, together } from '../ground/data.js';
import { desk } from '../work/desk.js';
import { tell } from '../ground/hub.js';
import { changeCurrent, refresh, sizeFields, stage, strikeAt, unsureFields } from './photo.js';

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
      make('h2', { id: 'card-name', text: `Fruit ${recordOf(index).marks.indexOf(now) + 1}` }),
      make('div', { class: 'slip-row' },
        press('Not sure', step(unsureFields), '', now.state === 'unsure'),
        press('Too small to count', step((each) => ({ small: !each.small })), '', now.small)),
      row('Size', press('−', step(sizeFields(1 / 1.12)), 'Smaller ring'), press('+', step(sizeFields(1.12)), 'Larger ring')),
    ];
    if (photos[index].truss === null) {
      rows.push(row(now.truss === null ? 'No truss' : `Truss ${now.truss}`,
        press('−', truss(-1), 'Lower truss number'), press('+', truss(1), 'Higher truss number')));
    }
    if (place) {
      rows.push(press('One more fruit here', () => {
        add(index, ...place);
        say(`Fruit added, ${countOf(index)}`);
        close();
        refresh();
      }));
    }
    if (together(index).length > 1) {
      rows.push(press('Same fruit in another photo', () => {
        close();
        tell('pair wanted', index, number);
      }));
    }
    rows.push(make('div', { class: 'slip-row end' },
      press(now.state === 'removed' ? 'Put back' : 'Strike out', () => {
        strikeAt(number);
        close();
      }),
      make('button', { type: 'button', class: 'press strong', onclick: close }, 'Done')));
    $('card').replaceChildren(...rows);
    return undefined;
  }
  fill();
  $('card').showModal();
}
