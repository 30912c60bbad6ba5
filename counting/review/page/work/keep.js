/* Keep each change in the browser at once, twice: localStorage at the very moment, IndexedDB forced
   to the disk. What is newer wins on opening. */

import { data } from '../ground/data.js';

export const keep = {
  reviewer: '',
  local: null,
  base: null,
  trouble: () => {},
};
export const keyOf = (photo) => `counting|${data.sheet}|${keep.reviewer}|${photo}`;

/** Find out which stores this browser grants; returns whether at least one does. */
export async function openKeep() {
  try {
    const probe = `counting|probe|${Math.random()}`;
    localStorage.setItem(probe, '1');
    localStorage.removeItem(probe);
    keep.local = localStorage;
  } catch (error) {
    keep.local = null;
  }
  try {
    keep.base = await new Promise((done, failed) => {
      const asked = indexedDB.open('counting', 1);
      asked.onupgradeneeded = () => asked.result.createObjectStore('answers');
      asked.onsuccess = () => done(asked.result);
      asked.onerror = () => failed(asked.error);
      asked.onblocked = () => failed(new Error('blocked'));
      setTimeout(() => failed(new Error('no answer')), 3000);
    });
  } catch (error) {
    keep.base = null;
  }
  return Boolean(keep.local || keep.base);
}

/** Keep one photo's record; says so at once if neither store takes it. */
export function put(photo, record) {
  const text = JSON.stringify(record);
  let stored = false;
  if (keep.local) {
    try {
      keep.local.setItem(keyOf(photo), text);
      stored = true;
    } catch (error) {
      // full: the other store has more room
    }
  }
  if (!keep.base) {
    if (!stored) keep.trouble();
    return;
  }
  try {
    const change = keep.base.transaction('answers', 'readwrite', { durability: 'strict' });
    change.objectStore('answers').put(text, keyOf(photo));
    change.onabort = () => { if (!stored) keep.trouble(); };
  } catch (error) {
    if (!stored) keep.trouble();
  }
}

/** Return what was kept for this sheet and reviewer: photo to record. */
export async function kept() {
  const start = keyOf('');
  const found = new Map();
  const take = (key, text) => {
    try {
      const record = JSON.parse(text);
      const photo = key.slice(start.length);
      const other = found.get(photo);
      if (!other || record.changed > other.changed) found.set(photo, record);
    } catch (error) {
      // a torn write: the other store has it
    }
  };
  if (keep.local) {
    for (const key of Object.keys(keep.local)) {
      if (key.startsWith(start)) take(key, keep.local.getItem(key));
    }
  }
  if (keep.base) {
    await new Promise((done) => {
      const range = IDBKeyRange.bound(start, `${start}\uffff`);
      const walk = keep.base.transaction('answers').objectStore('answers').openCursor(range);
      walk.onsuccess = () => {
        const cursor = walk.result;
        if (!cursor) return done();
        take(cursor.key, cursor.value);
        return cursor.continue();
      };
      walk.onerror = () => done();
    });
  }
  return found;
}

/** Who has work on this sheet in this browser: name to number of photos. */
export async function namesKept() {
  const start = `counting|${data.sheet}|`;
  const found = new Map();
  const take = (key) => {
    const [name, photo] = key.slice(start.length).split('|');
    if (!/^[0-9a-f]{64}$/.test(photo || '')) return;
    if (!found.has(name)) found.set(name, new Set());
    found.get(name).add(photo);
  };
  if (keep.local) Object.keys(keep.local).filter((key) => key.startsWith(start)).forEach(take);
  if (keep.base) {
    await new Promise((done) => {
      const asked = keep.base.transaction('answers').objectStore('answers')
        .getAllKeys(IDBKeyRange.bound(start, `${start}\uffff`));
      asked.onsuccess = () => { asked.result.forEach(take); done(); };
      asked.onerror = () => done();
    });
  }
  return new Map([...found].map(([name, photos_]) => [name, photos_.size]));
}

/** The reviewer's name last given for this sheet; where it was lost, that of the only work here. */
export async function keptName() {
  const key = `counting|${data.sheet}|name`;
  let name = '';
  try {
    name = (keep.local && keep.local.getItem(key)) || '';
  } catch (error) {
    name = '';
  }
  if (!name && keep.base) {
    name = await new Promise((done) => {
      const asked = keep.base.transaction('answers').objectStore('answers').get(key);
      asked.onsuccess = () => done(asked.result || '');
      asked.onerror = () => done('');
    });
  }
  if (name) return name;
  const names = [...await namesKept()];
  return names.length === 1 ? names[0][0] : '';
}

/** Keep the name with the work: a browser that dies a moment later knows it still. */
export function putName(name) {
  const key = `counting|${data.sheet}|name`;
  try {
    if (keep.local) keep.local.setItem(key, name);
  } catch (error) {
    // the other store has it
  }
  try {
    if (keep.base) keep.base.transaction('answers', 'readwrite', { durability: 'strict' }).objectStore('answers').put(name, key);
  } catch (error) {
    // only a convenience
  }
}
