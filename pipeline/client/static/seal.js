"use strict";
// SHA-256 (FIPS 180-4) and HMAC (RFC 2104): a page from disk has no other on some phones.
const reampsSeal = (() => {
const primes = [];
for (let n = 2; primes.length < 64; n += 1) if (primes.every((p) => n % p)) primes.push(n);
const part = (value) => Math.floor((value - Math.floor(value)) * 2 ** 32) | 0;
const ROUND = primes.map((p) => part(Math.cbrt(p)));
const START = primes.slice(0, 8).map((p) => part(Math.sqrt(p)));
const turn = (x, n) => (x >>> n) | (x << (32 - n));
const sha256 = (bytes) => {
  const blocks = (bytes.length + 72) >> 6;
  const padded = new Uint8Array(64 * blocks);
  padded.set(bytes);
  padded[bytes.length] = 128;
  const view = new DataView(padded.buffer);
  view.setUint32(padded.length - 8, Math.floor(bytes.length / 2 ** 29));
  view.setUint32(padded.length - 4, (bytes.length << 3) >>> 0);
  const state = Int32Array.from(START), w = new Int32Array(64);
  for (let at = 0; at < padded.length; at += 64) {
    for (let k = 0; k < 16; k += 1) w[k] = view.getInt32(at + 4 * k);
    for (let k = 16; k < 64; k += 1) {
      const a = w[k - 15], b = w[k - 2];
      w[k] = w[k - 16] + w[k - 7] + (turn(a, 7) ^ turn(a, 18) ^ (a >>> 3)) + (turn(b, 17) ^ turn(b, 19) ^ (b >>> 10));
    }
    let [a, b, c, d, e, f, g, h] = state;
    for (let k = 0; k < 64; k += 1) {
      const one = (h + (turn(e, 6) ^ turn(e, 11) ^ turn(e, 25)) + ((e & f) ^ (~e & g)) + ROUND[k] + w[k]) | 0;
      const two = ((turn(a, 2) ^ turn(a, 13) ^ turn(a, 22)) + ((a & b) ^ (a & c) ^ (b & c))) | 0;
      [h, g, f, e, d, c, b, a] = [g, f, e, (d + one) | 0, c, b, a, (one + two) | 0];
    }
    [a, b, c, d, e, f, g, h].forEach((value, k) => { state[k] += value; });
  }
  const out = new Uint8Array(32), written = new DataView(out.buffer);
  state.forEach((value, k) => written.setInt32(4 * k, value));
  return out;
};
const joined = (a, b) => { const out = new Uint8Array(a.length + b.length); out.set(a); out.set(b, a.length); return out; };
return (text, key) => {
  const block = new Uint8Array(64);
  key.match(/../g).forEach((pair, k) => { block[k] = parseInt(pair, 16); });
  const inner = sha256(joined(block.map((x) => x ^ 0x36), new TextEncoder().encode(text)));
  const outer = sha256(joined(block.map((x) => x ^ 0x5c), inner));
  return [...outer].map((x) => x.toString(16).padStart(2, "0")).join("");
};
})();
