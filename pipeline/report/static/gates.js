"use strict";
// Sounds run together on one clock; a switch is a change of gain at one position.
window.reampsGates = (() => {
const FADE_S = 0.005;
// Curves that touch must not overlap by a rounding of the clock.
const CURVE_S = FADE_S - 1e-9;
// 5 ms raised cosine, out and then in, never both at once (ITU-R BS.1534-3).
const RISE = Float32Array.from({length: 65}, (_, k) => 0.5 - 0.5 * Math.cos(Math.PI * k / 64));
const FALL = Float32Array.from(RISE).reverse();
const amplitude = (db) => 10 ** (db / 20);

// What a page on disk may load: scripts that hand over what they carry.
const inbox = new Map();
window.reamps_audio = (payload) => { inbox.set(payload.id, payload); };
const bytesOf = (text) => {
  if (Uint8Array.fromBase64) return Uint8Array.fromBase64(text);
  const raw = atob(text), out = new Uint8Array(raw.length);
  for (let k = 0; k < raw.length; k += 1) out[k] = raw.charCodeAt(k);
  return out;
};
const script = (link) => new Promise((done, fail) => {
  const node = document.createElement("script");
  node.src = link;
  node.onload = () => { node.remove(); done(); };
  node.onerror = () => { node.remove(); fail(new Error("not found")); };
  document.head.append(node);
});
const carried = async (key, link) => {
  if (!inbox.has(key)) await script(link);
  const payload = inbox.get(key);
  inbox.delete(key);
  return payload;
};

const voice = (context, buffer, output) => {
  const gate = context.createGain(), trim = context.createGain();
  gate.gain.setValueAtTime(0, 0);
  gate.connect(trim).connect(output);
  return {buffer, gate, trim, source: null, ready: 0};
};
const begin = (context, one, when, frame, [from, to]) => {
  const source = context.createBufferSource(), rate = one.buffer.sampleRate;
  source.buffer = one.buffer;
  source.loop = true;
  source.loopStart = from / rate;
  source.loopEnd = to / rate;
  source.connect(one.gate);
  source.start(when, frame / rate);
  one.source = source;
  one.ready = when;
};
const open = (one, at) => one.gate.gain.setValueCurveAtTime(RISE, at, CURVE_S);
const shut = (one, at) => one.gate.gain.setValueCurveAtTime(FALL, at, CURVE_S);
const exchange = (from, to, at) => {
  if (from) shut(from, at);
  if (to) open(to, at + FADE_S);
  return at + 2 * FADE_S;
};
const wrapped = (frame, [from, to]) => frame < to ? frame : from + (frame - from) % (to - from);
return {FADE_S, CURVE_S, RISE, FALL, amplitude, bytesOf, carried, voice, begin, open, shut, exchange, wrapped};
})();
