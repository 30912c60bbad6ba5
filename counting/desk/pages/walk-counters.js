/* The counters of a plant: large plus and minus, truss by truss where asked, lengths with a unit. */

import { make } from './make.js';
import { keyOf, measuresOf, unitOf } from './walk-book.js';
import { remember, remembered } from './walk-store.js';
import { t } from './walk-words.js';

const LENGTHS = ['cm', 'mm', 'm'];
const UNIT = 'counting|length';

const button = (label, sign, onclick) =>
  make('button', { type: 'button', 'aria-label': label, onclick }, sign);

function stepper(label, value, set) {
  const step = (by) => set(String(Math.max(0, (Number(value) || 0) + by)));
  return make(
    'div',
    { class: 'counter' },
    make('span', {}, label),
    button(t('less', { measure: label }), '−', () => step(-1)),
    make('input', {
      type: 'text',
      inputmode: 'numeric',
      'aria-label': label,
      value,
      onchange: (event) => set(event.target.value.trim()),
    }),
    button(t('more', { measure: label }), '+', () => step(1)),
  );
}

function length(name, label, value, unit, set) {
  const choice = make(
    'select',
    {
      'aria-label': t('unit of', { measure: label }),
      onchange: (event) => {
        remember(UNIT, event.target.value);
        set(value, event.target.value);
      },
    },
    ...LENGTHS.map((each) => make('option', { selected: each === unit ? '' : false }, each)),
  );
  return make('div', { class: 'counter typed' }, make('span', {}, label), number(label, value, (text) => set(text, unit)), choice);
}

const number = (label, value, set) =>
  make('input', {
    type: 'text',
    inputmode: 'decimal',
    'aria-label': label,
    value,
    onchange: (event) => set(event.target.value.trim().replace(',', '.')),
  });

/** How many trusses show: those with a value, and one more to go on with. */
function trussesOf(record, name, more) {
  const filled = Object.keys(record.values)
    .filter((key) => key.startsWith(`${name}|`) && record.values[key])
    .map((key) => Number(key.split('|')[1]));
  return Math.max(1, more, ...filled);
}

/**
 * Draw the counters of a plant.
 * `change(keys, act)` changes its record; `more` says how many trusses to show at least;
 * `addTruss` shows one more.
 */
export function drawCounters(plant, record, { change, more, addTruss }) {
  const lines = [];
  for (const measure of measuresOf(plant)) {
    const { name, kind, unit } = measure;
    const label = t(name);
    const set = (key) => (text, its = '') =>
      change([key], (next) => {
        next.values[key] = text;
        if (its) next.units[name] = its;
      });
    if (measure.trusses) {
      const shown = trussesOf(record, name, more);
      lines.push(make('p', { class: 'head' }, label));
      for (let truss = 1; truss <= shown; truss += 1) {
        const key = keyOf(name, truss);
        const said = t('truss', { n: truss, measure: label });
        lines.push(stepper(said, record.values[key] || '', set(key)));
      }
      lines.push(
        make(
          'p',
          { class: 'truss-line' },
          make('button', { type: 'button', class: 'press', onclick: () => addTruss(shown + 1) }, t('next truss')),
        ),
      );
    } else if (kind === 'count') {
      lines.push(stepper(label, record.values[name] || '', set(name)));
    } else if (kind === 'length') {
      const its = record.units[name] || remembered(UNIT) || LENGTHS[0];
      lines.push(length(name, label, record.values[name] || '', its, set(name)));
    } else {
      const beside = make('span', { class: 'quiet' }, unitOf({ unit }));
      const field = number(label, record.values[name] || '', set(name));
      lines.push(make('div', { class: 'counter typed' }, make('span', {}, label), field, beside));
    }
  }
  return lines;
}
