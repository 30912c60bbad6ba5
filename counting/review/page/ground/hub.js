/* Words passed to parts that come later in the order: they listen, nobody has to import them. */

const listeners = new Map();

/** Have `act` called whenever `word` is told. */
export function listen(word, act) {
  if (!listeners.has(word)) listeners.set(word, []);
  listeners.get(word).push(act);
}

/** Tell all that listen. */
export function tell(word, ...what) {
  (listeners.get(word) || []).forEach((act) => act(...what));
}
