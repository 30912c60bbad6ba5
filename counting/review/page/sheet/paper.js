/* The tally sheet on paper. */

import { countOf, recordOf } from '../work/book.js';
import { $, data, flagsOf, gridSource, make, photos } from '../ground/data.js';
import { keep } from '../work/keep.js';
import { flagWord, t } from '../ground/texts.js';

/** Fill the paper that is printed: a tally sheet of all photos, with the counts so far. */
export function fillPaper() {
  const head = make('header', {},
    make('h1', { text: data.title }),
    make('p', { text: t('paper head', {
        sheet: data.sheet, part: data.part ? `, ${data.part}` : '', n: photos.length, name: keep.reviewer || '______________',
      }) }));
  const list = make('div', { class: 'paper-frames' }, ...photos.map((photo, index) => {
    const { answer: word } = recordOf(index);
    const value = word === 'counted' ? String(countOf(index)) : word;
    return make('figure', {},
      make('img', { src: gridSource(index), alt: '' }),
      make('figcaption', {},
        make('b', { text: String(index + 1) }),
        make('span', { class: 'paper-flag', text: photo.label || (flagsOf(index).map(flagWord)[0] || '') }),
        make('span', { class: 'paper-count', text: value || '' })));
  }));
  $('paper').replaceChildren(head, list);
}

export async function printSheet() {
  fillPaper();
  await Promise.all([...$('paper').querySelectorAll('img')].map((image) => image.decode().catch(() => {})));
  window.print();
}
