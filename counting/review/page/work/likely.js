/* Likely photos, several at a time: offered only where looking at them one by one has shown that
   they are right. The rule's numbers come with the sheet. */

import { answered, book, fresh } from './book.js';
import { data, photos } from '../ground/data.js';

export const rule = data.together || { fewest: Infinity, share: 1 };

/** Whether a record's marks are as they were proposed; a ring that was only moved is. */
function untouched(index, record) {
  const before = fresh(index).marks;
  return record.marks.length === before.length && before.every(({ mark, state, small }) => {
    const now = record.marks.find((each) => each.mark === mark);
    return now && now.state === state && now.small === small;
  });
}

/** What is known of a likely photo: right, wrong, or nothing as long as nobody opened it alone. */
function known(index) {
  const record = book[index];
  if (record && record.answer && !record.looked) {
    return record.answer === 'counted' && untouched(index, record);
  }
  return photos[index].right;
}

/** How many likely photos were looked at one by one, and how many of them were right. */
export function looked() {
  const told = { ...(data.looked || { photos: 0, right: 0 }) };
  photos.forEach((photo, index) => {
    const right = photo.sure ? known(index) : undefined;
    if (right === undefined) return;
    told.photos += 1;
    told.right += right ? 1 : 0;
  });
  return told;
}

/** Likely photos that wait untouched. */
export const waiting = () => [...photos.keys()].filter((index) => photos[index].sure && !answered(index)
  && !(book[index] && book[index].touched && !untouched(index, book[index])));

/** Whether several may be confirmed at a time. */
export function allowed() {
  const told = looked();
  return told.photos >= rule.fewest && told.right >= rule.share * told.photos;
}
