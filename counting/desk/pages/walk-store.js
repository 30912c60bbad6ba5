/* What the walk keeps on the phone: a record for each plant, photos until the desk has them. */

const promised = (asked) =>
  new Promise((done, failed) => {
    asked.onsuccess = () => done(asked.result);
    asked.onerror = () => failed(asked.error);
  });

const completed = (transaction) =>
  new Promise((done, failed) => {
    transaction.oncomplete = () => done();
    transaction.onabort = () => failed(transaction.error || new Error('aborted'));
  });

let base = null;

async function opened() {
  if (base) return base;
  const asked = indexedDB.open('counting walk', 1);
  asked.onupgradeneeded = () => {
    asked.result.createObjectStore('records', { keyPath: ['walk', 'plant'] });
    asked.result.createObjectStore('photos', { keyPath: ['walk', 'number'] });
    asked.result.createObjectStore('own');
  };
  base = await promised(asked);
  base.onversionchange = () => {
    base.close();
    base = null;
  };
  base.onclose = () => {
    base = null;
  };
  return base;
}

/** Run a change; where the browser has dropped the store, once more. */
async function change(stores, act) {
  for (let turn = 0; ; turn += 1) {
    try {
      const transaction = (await opened()).transaction(stores, 'readwrite', {
        durability: 'strict',
      });
      const done = completed(transaction);
      act(...stores.map((name) => transaction.objectStore(name)));
      await done;
      return true;
    } catch (error) {
      base = null;
      if (turn) return false;
    }
  }
}

const own = new Map();

/** Read what this phone remembers of itself: name, device, place in the walk, side of the row. */
export async function openOwn() {
  try {
    const store = (await opened()).transaction('own').objectStore('own');
    const [keys, values] = await Promise.all([promised(store.getAllKeys()), promised(store.getAll())]);
    keys.forEach((key, at) => own.set(key, values[at]));
  } catch (error) {
    // a browser that keeps nothing remembers nothing; the page says so at the first value
  }
}

export const remembered = (key) => own.get(key) ?? '';

/** Remember a value; unlike the browser's small storage it survives a kill. */
export function remember(key, value) {
  own.set(key, value);
  return change(['own'], (store) => store.put(value, key));
}

const all = async (name, walk) => {
  try {
    const store = (await opened()).transaction(name).objectStore(name);
    return await promised(store.getAll(IDBKeyRange.bound([walk], [walk, []])));
  } catch (error) {
    return [];
  }
};

/** Return whether the record is on the phone's disk. */
export const keepRecord = (record) => change(['records'], (records) => records.put(record));

export const recordsOf = (walk) => all('records', walk);

export const photosOf = (walk) => all('photos', walk);

/** Keep a photo under the next number; return the number, 0 where the browser keeps nothing. */
export async function keepPhoto(photo) {
  let number = 0;
  const done = await change(['photos', 'own'], (photos, kept) => {
    kept.get('next').onsuccess = (event) => {
      number = event.target.result || 1;
      kept.put(number + 1, 'next');
      photos.put({ ...photo, number });
    };
  });
  return done ? number : 0;
}

export const dropPhoto = (walk, number) =>
  change(['photos'], (photos) => photos.delete([walk, number]));
