/* Rings much smaller than the photo's large ones: mostly fruit far behind. */

import { recordOf } from '../work/book.js';

const SMALL = 0.4;
const LARGE_SHARE = 0.8;
const FEWEST = 3;

const sideOf = (mark) => Math.sqrt(mark.width * mark.height);

/**
 * The numbers of the marks that are much smaller, where the sizes fall into two kinds.
 * Under 0.4 of the large ones were 54 % of the wrong rings and 7 % of the right ones on 24 photos
 * of rows. "Large" is the size that a fifth of the rings reach.
 */
export function smallOnes(index) {
  const marks = recordOf(index).marks.filter((mark) => mark.candidate !== null);
  if (marks.length < 2 * FEWEST) return new Set();
  const sides = marks.map(sideOf).sort((a, b) => a - b);
  const large = sides[Math.floor((sides.length - 1) * LARGE_SHARE)];
  const small = marks.filter((mark) => sideOf(mark) < SMALL * large);
  if (small.length < FEWEST || marks.length - small.length < FEWEST) return new Set();
  return new Set(small.map((mark) => mark.mark));
}
