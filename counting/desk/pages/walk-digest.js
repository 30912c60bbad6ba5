/* SHA-256 of a photo: browsers keep their own for encrypted addresses, and a field has none.
   By FIPS 180-4 (NIST 2015), 5.1.1, 5.3.3 and 6.2.2. */

const fraction = (root) => ((root - Math.floor(root)) * 2 ** 32) | 0;

function* primes() {
  for (let number = 2; ; number += 1) {
    let whole = true;
    for (let by = 2; by * by <= number && whole; by += 1) whole = number % by !== 0;
    if (whole) yield number;
  }
}

const first = (many) => {
  const found = [];
  for (const prime of primes()) {
    if (found.length === many) break;
    found.push(prime);
  }
  return found;
};

const K = Int32Array.from(first(64), (prime) => fraction(Math.cbrt(prime)));
const START = Int32Array.from(first(8), (prime) => fraction(Math.sqrt(prime)));
const turned = (word, by) => (word >>> by) | (word << (32 - by));

function block(state, w, view, at) {
  for (let t = 0; t < 16; t += 1) w[t] = view.getInt32(at + 4 * t);
  for (let t = 16; t < 64; t += 1) {
    const [early, late] = [w[t - 15], w[t - 2]];
    const low = turned(early, 7) ^ turned(early, 18) ^ (early >>> 3);
    const high = turned(late, 17) ^ turned(late, 19) ^ (late >>> 10);
    w[t] = (w[t - 16] + low + w[t - 7] + high) | 0;
  }
  let [a, b, c, d, e, f, g, h] = state;
  for (let t = 0; t < 64; t += 1) {
    const one = (h + (turned(e, 6) ^ turned(e, 11) ^ turned(e, 25)) + ((e & f) ^ (~e & g)) + K[t] + w[t]) | 0;
    const two = ((turned(a, 2) ^ turned(a, 13) ^ turned(a, 22)) + ((a & b) ^ (a & c) ^ (b & c))) | 0;
    h = g;
    g = f;
    f = e;
    e = (d + one) | 0;
    d = c;
    c = b;
    b = a;
    a = (one + two) | 0;
  }
  [a, b, c, d, e, f, g, h].forEach((word, place) => {
    state[place] = (state[place] + word) | 0;
  });
}

/** Return the digest of bytes, worked out here. */
export function digestOf(bytes) {
  const state = Int32Array.from(START);
  const w = new Int32Array(64);
  const whole = bytes.length - (bytes.length % 64);
  const view = new DataView(bytes.buffer, bytes.byteOffset, bytes.byteLength);
  for (let at = 0; at < whole; at += 64) block(state, w, view, at);
  const rest = bytes.length - whole;
  const tail = new Uint8Array(rest < 56 ? 64 : 128);
  tail.set(bytes.subarray(whole));
  tail[rest] = 0x80;
  const end = new DataView(tail.buffer);
  end.setUint32(tail.length - 8, Math.floor(bytes.length / 2 ** 29));
  end.setUint32(tail.length - 4, (bytes.length << 3) >>> 0);
  for (let at = 0; at < tail.length; at += 64) block(state, w, end, at);
  return Uint8Array.from({ length: 32 }, (_, at) => state[at >> 2] >>> (24 - 8 * (at & 3)));
}

/** Return the SHA-256 of a blob in hexadecimal. */
export async function sha256(blob) {
  const bytes = new Uint8Array(await blob.arrayBuffer());
  const digest = globalThis.crypto?.subtle
    ? new Uint8Array(await crypto.subtle.digest('SHA-256', bytes))
    : digestOf(bytes);
  return [...digest].map((byte) => byte.toString(16).padStart(2, '0')).join('');
}
