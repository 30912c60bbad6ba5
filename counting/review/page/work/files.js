/* Files that a person takes along: their names, and the browser's way of handing them over. */

import { make } from '../ground/data.js';

/** A name that any file system takes. */
export function fileName(sheet, reviewer, more = '') {
  const who = reviewer.normalize('NFKD').replace(/[^A-Za-z0-9]+/g, '-').replace(/^-|-$/g, '').slice(0, 40);
  return `corrections_${sheet}_${who || 'reviewer'}${more ? `_${more}` : ''}.json`;
}

export const fileText = (document_) => `${JSON.stringify(document_, null, 1)}\n`;

/** Let the browser save a document. */
export function download(name, document_) {
  const address = URL.createObjectURL(new Blob([fileText(document_)], { type: 'application/json' }));
  const link = make('a', { href: address, download: name });
  document.body.append(link);
  link.click();
  link.remove();
  setTimeout(() => URL.revokeObjectURL(address), 20000);
}
