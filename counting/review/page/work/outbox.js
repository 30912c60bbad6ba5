/* The outbox: what waits for the desk, one thing at a time, each with a number.
   Kept in IndexedDB before it is called kept; taken out only when the desk acknowledges its number.
   What the desk refuses stays, with its reason, until it is replaced or taken out by hand. */

const PIECE_BYTES = 200000;
const PIECE_MOST = 20;
const FIRST_PAUSE = 1500;
const LONGEST_PAUSE = 30000;
const PATIENCE = 25000;

const promised = (asked) => new Promise((done, failed) => {
  asked.onsuccess = () => done(asked.result);
  asked.onerror = () => failed(asked.error);
});

/** A write counts when its transaction completes. */
const completed = (change) => new Promise((done, failed) => {
  change.oncomplete = () => done();
  change.onabort = () => failed(change.error || new Error('aborted'));
});

/** A number that no other device has. */
function newDevice() {
  const random = crypto.getRandomValues(new Uint8Array(12));
  return [...random].map((byte) => byte.toString(16).padStart(2, '0')).join('');
}

/**
 * Make an outbox.
 * `box`: its name in the browser's store. `address`: where to send. `format`: how a batch is
 * called. `changed`: called whenever its state changes; `acknowledged`: with what the desk has.
 */
export function makeOutbox({
  box, address, format, changed = () => {}, acknowledged = () => {},
}) {
  const state = {
    waiting: new Map(), // number to { number, key, document, reason }
    device: '', next: 1, stored: false, trouble: '', sent: 0, sending: false, writing: 0,
  };
  let base = null;
  let timer = 0;
  let pause = FIRST_PAUSE;
  let queue = Promise.resolve(); // writes keep their order

  /** Open the store; one that fails is asked for again at the next write. */
  async function store() {
    if (base) return base;
    const asked = indexedDB.open('counting outbox', 1);
    asked.onupgradeneeded = () => {
      asked.result.createObjectStore('waiting', { keyPath: ['box', 'number'] });
      asked.result.createObjectStore('own');
    };
    let late = 0;
    const opened = await Promise.race([promised(asked), new Promise((_, failed) => {
      asked.onblocked = () => failed(new Error('blocked by another tab'));
      late = setTimeout(() => failed(new Error('no answer')), 3000);
    })]);
    clearTimeout(late);
    opened.onversionchange = () => { opened.close(); base = null; };
    opened.onclose = () => { base = null; };
    base = opened;
    return base;
  }

  /** Run a change of the store; where the browser has dropped it, once more. */
  async function change(act) {
    for (let turn = 0; ; turn += 1) {
      try {
        const opened = await store();
        const transaction = opened.transaction(['waiting', 'own'], 'readwrite', { durability: 'strict' });
        const done = completed(transaction);
        act(transaction.objectStore('waiting'), transaction.objectStore('own'));
        await done;
        return true;
      } catch (error) {
        base = null;
        if (turn) return false;
      }
    }
  }

  const alike = (one, other) => one.key === other.key && one.number !== other.number;

  /** Take up what waits from before; returns whether the browser keeps it. */
  async function open() {
    let found = [];
    try {
      const opened = await store();
      const reading = opened.transaction(['waiting', 'own']);
      const device = promised(reading.objectStore('own').get('device'));
      const range = IDBKeyRange.bound([box], [box, []]);
      found = await promised(reading.objectStore('waiting').getAll(range));
      state.device = await device;
      state.stored = true;
    } catch (error) {
      state.stored = false;
    }
    if (!state.device) {
      state.device = newDevice();
      if (state.stored) {
        const made = state.device;
        // another tab may have been first: its number stands
        state.stored = await change((_, own) => {
          own.get('device').onsuccess = (event) => {
            if (event.target.result) state.device = event.target.result;
            else own.put(made, 'device');
          };
        });
      }
    }
    found.forEach((each) => state.waiting.set(each.number, each));
    changed();
    flush();
    return state.stored;
  }

  /** Put a document in; it takes the place of an earlier one with the same key. */
  function put(key, document) {
    state.writing += 1;
    queue = queue.then(() => write(key, document)).finally(() => {
      state.writing -= 1;
      changed();
    });
    return queue;
  }

  async function write(key, document) {
    let entry = null;
    const kept = await change((waiting, own) => {
      own.get('next').onsuccess = (event) => {
        const number = Math.max(event.target.result || 1, state.next);
        entry = { box, number, key, document, reason: '' };
        own.put(number + 1, 'next');
        waiting.put(entry);
        for (const other of state.waiting.values()) {
          if (alike(other, entry)) waiting.delete([box, other.number]);
        }
      };
    });
    if (!kept) entry = { box, number: state.next, key, document, reason: '' };
    state.stored = kept;
    state.next = entry.number + 1;
    for (const other of [...state.waiting.values()]) {
      if (alike(other, entry)) state.waiting.delete(other.number);
    }
    state.waiting.set(entry.number, entry);
    plan(300);
  }

  function plan(after) {
    clearTimeout(timer);
    timer = setTimeout(flush, after);
  }

  /** The next piece: a few documents in their order, not too large together. */
  function piece() {
    const chosen = [];
    let bytes = 0;
    const open_ = [...state.waiting.values()].filter((each) => !each.reason)
      .sort((a, b) => a.number - b.number);
    for (const each of open_) {
      const size = JSON.stringify(each.document).length;
      if (chosen.length && (chosen.length >= PIECE_MOST || bytes + size > PIECE_BYTES)) break;
      chosen.push(each);
      bytes += size;
    }
    return chosen;
  }

  /** Send what waits, piece by piece. */
  async function flush() {
    clearTimeout(timer);
    if (state.sending) return;
    const sending = piece();
    if (!sending.length) return;
    state.sending = true;
    changed();
    let told = null;
    try {
      told = await send(sending);
      state.trouble = told.trouble;
    } catch (error) {
      state.trouble = 'away';
    }
    if (told) await settle(told);
    state.sending = false;
    changed();
    if (!piece().length) return;
    pause = state.trouble ? Math.min(pause * 2, LONGEST_PAUSE) : FIRST_PAUSE;
    plan(state.trouble ? pause : 0);
  }

  async function send(sending) {
    const giving = new AbortController();
    const late = setTimeout(() => giving.abort(), PATIENCE);
    const body = JSON.stringify({
      format, version: 1, device: state.device, now: new Date().toISOString(),
      answers: sending.map(({ number, document }) => ({ number, document })),
    });
    try {
      const reply = await fetch(address, {
        method: 'POST',
        headers: { 'Content-Type': 'application/json' },
        body,
        cache: 'no-store',
        signal: giving.signal,
        keepalive: body.length < 60000, // browsers allow 64 kB to outlive the page
      });
      const text = await reply.text();
      const empty = { taken: [], refused: [], trouble: '' };
      if (reply.ok) return { ...empty, ...JSON.parse(text) };
      if (reply.status === 507 || reply.status === 503) {
        let told = {};
        try {
          told = JSON.parse(text);
        } catch (error) {
          // too many connections, say: no word about single answers
        }
        return { ...empty, ...told, trouble: reply.status === 507 ? 'full' : 'busy' };
      }
      if (reply.status === 401) return { ...empty, trouble: 'unpaired' };
      // the batch as a whole was not understood: it stays, and a person is told
      return { ...empty, trouble: `strange ${reply.status} ${text.slice(0, 200)}` };
    } finally {
      clearTimeout(late);
    }
  }

  /** What was acknowledged goes; what was refused stays and says why. */
  async function settle({ taken, refused }) {
    const reasons = new Map(refused.map((each) => [each.number, each]));
    const gone = taken.filter((number) => state.waiting.has(number));
    const marked = [...reasons].filter(([number]) => state.waiting.has(number))
      .map(([number, told]) => ({ ...state.waiting.get(number), ...told }));
    if (state.stored) {
      await change((waiting) => {
        gone.forEach((number) => waiting.delete([box, number]));
        // one that was replaced meanwhile is not brought back
        marked.forEach((each) => {
          if (state.waiting.has(each.number)) waiting.put(each);
        });
      });
    }
    const done = gone.map((number) => state.waiting.get(number)).filter(Boolean);
    gone.forEach((number) => state.waiting.delete(number));
    done.forEach((each) => acknowledged(each));
    marked.forEach((each) => {
      if (state.waiting.has(each.number)) state.waiting.set(each.number, each);
    });
    state.sent += gone.length;
  }

  /** Send refused ones again, after something was mended. */
  async function retry() {
    const again = [...state.waiting.values()].filter((each) => each.reason)
      .map((each) => ({ ...each, reason: '' }));
    again.forEach((each) => state.waiting.set(each.number, each));
    await change((waiting) => again.forEach((each) => waiting.put(each)));
    pause = FIRST_PAUSE;
    changed();
    await flush();
  }

  /** Take refused ones out, once they are safe elsewhere. */
  async function release(numbers) {
    await change((waiting) => numbers.forEach((number) => waiting.delete([box, number])));
    numbers.forEach((number) => state.waiting.delete(number));
    changed();
  }

  const soon = () => { pause = FIRST_PAUSE; plan(0); };
  window.addEventListener('online', soon);
  document.addEventListener('visibilitychange', () => { if (!document.hidden) soon(); });

  return {
    open,
    put,
    flush,
    retry,
    release,
    has: (key) => [...state.waiting.values()].some((each) => each.key === key),
    stand: () => {
      const all = [...state.waiting.values()].sort((a, b) => a.number - b.number);
      return {
        waiting: all.filter((each) => !each.reason),
        refused: all.filter((each) => each.reason),
        trouble: state.trouble,
        stored: state.stored,
        sent: state.sent,
        clear: !all.length && !state.writing,
      };
    },
  };
}
