"use strict";
// Sounds run together on one clock; a switch is a change of gain at one position.
const reampsSound = (() => {
const data = JSON.parse(document.getElementById("data").textContent);
const rate = data.rate, total = data.frames;
const FADE_S = 0.005, LEAD_S = 0.02, AHEAD_S = 3;
// Curves that touch must not overlap by a rounding of the clock.
const CURVE_S = FADE_S - 1e-9;
const SHORTEST_LOOP = Math.min(total, Math.round(0.5 * rate));
// 5 ms raised cosine, out and then in, never both at once (ITU-R BS.1534-3).
const RISE = Float32Array.from({length: 65}, (_, k) => 0.5 - 0.5 * Math.cos(Math.PI * k / 64));
const FALL = Float32Array.from(RISE).reverse();
const amplitude = (db) => 10 ** (db / 20);

const inbox = new Map();
window.reamps_audio = (payload) => { inbox.set(payload.id, payload.data); };
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
const textOf = async ({key, link}) => {
  if (!link) return document.getElementById("sound-" + key).textContent;
  if (!inbox.has(key)) await script(link);
  const text = inbox.get(key);
  inbox.delete(key);
  if (!text) throw new Error("another file");
  return text;
};
const fetchSound = async (context, option) => {
  const buffer = await context.decodeAudioData(bytesOf(await textOf(option)).buffer);
  if (buffer.length !== total || buffer.sampleRate !== rate) throw new Error("another length");
  // Decoded, it needs its text no more.
  if (!option.link && context instanceof AudioContext) document.getElementById("sound-" + option.key).textContent = "";
  return buffer;
};

const voice = (context, buffer, output) => {
  const gate = context.createGain();
  gate.gain.setValueAtTime(0, 0);
  gate.connect(output);
  return {buffer, gate, source: null, ready: 0};
};
const begin = (context, one, when, frame, [from, to]) => {
  const source = context.createBufferSource();
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

let context = null, wrap = null, volume = null;
const voices = new Map(), waiting = new Map();
let region = [0, total], origin = {time: 0, frame: 0};
let playing = false, resting = 0, heard = null, busyUntil = 0, faded = 0, loud = -12;
const position = () => playing
  ? wrapped(origin.frame + Math.max(0, Math.round((context.currentTime - origin.time) * rate)), region) : resting;
const build = () => {
  if (context) return;
  if (navigator.audioSession) navigator.audioSession.type = "playback";
  context = new AudioContext({sampleRate: rate});
  wrap = context.createGain();
  volume = context.createGain();
  volume.gain.value = amplitude(loud);
  wrap.connect(volume).connect(context.destination);
};
const join = (one) => {
  // On the clock of all others: a whole number of frames after the origin.
  const passed = Math.max(0, Math.ceil((context.currentTime + LEAD_S - origin.time) * rate));
  begin(context, one, origin.time + passed / rate, wrapped(origin.frame + passed, region), region);
};
const ensure = (option) => {
  if (voices.has(option.key)) return Promise.resolve(voices.get(option.key));
  if (!waiting.has(option.key)) waiting.set(option.key, fetchSound(context, option).then((buffer) => {
    const one = voice(context, buffer, wrap);
    voices.set(option.key, one);
    if (playing) join(one);
    return one;
  }).finally(() => waiting.delete(option.key)));
  return waiting.get(option.key);
};
const fadeWraps = () => {
  // Every turn of a loop fades out and in like a switch.
  if (!playing) return;
  const [from, to] = region, length = to - from, first = to - origin.frame;
  const until = context.currentTime + AHEAD_S;
  let round = Math.max(0, Math.ceil((faded - origin.time - first / rate) * rate / length));
  for (;; round += 1) {
    const at = origin.time + (first + round * length) / rate;
    if (at > until) break;
    if (at - FADE_S > context.currentTime) {
      wrap.gain.setValueCurveAtTime(FALL, at - FADE_S, CURVE_S);
      wrap.gain.setValueCurveAtTime(RISE, at, CURVE_S);
    }
    faded = at + 2 * FADE_S;
  }
};
const halt = () => {
  // Returns the moment from which nothing sounds.
  if (!playing) return Math.max(context.currentTime, busyUntil);
  resting = position();
  const at = Math.max(context.currentTime + FADE_S, busyUntil);
  if (voices.has(heard)) shut(voices.get(heard), at);
  for (const one of voices.values()) if (one.source) { one.source.stop(at + FADE_S); one.source = null; }
  busyUntil = at + 2 * FADE_S;
  wrap.gain.cancelScheduledValues(at + FADE_S);
  wrap.gain.setValueAtTime(1, at + FADE_S);
  playing = false;
  return busyUntil;
};
const start = (at) => {
  const frame = resting >= region[1] || resting < region[0] ? region[0] : resting;
  origin = {time: Math.ceil((at + LEAD_S) * rate) / rate, frame};
  faded = 0;
  playing = true;
  for (const one of voices.values()) begin(context, one, origin.time, frame, region);
  if (voices.has(heard)) open(voices.get(heard), origin.time);
  busyUntil = origin.time + 2 * FADE_S;
  fadeWraps();
};
let wanted = null;
const hear = async (option) => {
  wanted = option.key;
  build();
  if (context.state !== "running") await context.resume();
  const one = await ensure(option);
  if (wanted !== option.key) return;
  if (!playing) { heard = option.key; start(halt()); return; }
  if (heard === option.key) return;
  const at = Math.max(context.currentTime + LEAD_S, busyUntil, one.ready);
  busyUntil = exchange(voices.get(heard), one, at);
  heard = option.key;
};
const pause = () => { wanted = null; if (context) halt(); };
const move = (frame, target = region) => {
  const at = Math.min(total - 1, Math.max(0, Math.round(frame)));
  const on = playing, quiet = on ? halt() : 0;
  region = target;
  resting = at;
  if (on) start(quiet);
};
const loop = (from, to) => {
  let [a, b] = [Math.min(from, to), Math.max(from, to)].map((v) => Math.min(total, Math.max(0, Math.round(v))));
  if (b - a < SHORTEST_LOOP) { b = Math.min(total, a + SHORTEST_LOOP); a = b - SHORTEST_LOOP; }
  move(a, [a, b]);
  return [a / rate, b / rate];
};
setInterval(fadeWraps, 500);
return {
  data, rate, total, hear, pause, move, loop, position,
  whole: () => move(position(), [0, total]),
  volume: (db) => { loud = db; if (volume) volume.gain.setTargetAtTime(amplitude(db), context.currentTime, 0.01); },
  state: () => ({playing, heard, position: position(), region, held: voices.size}),
  graph: {fetchSound, voice, begin, open, exchange, wrapped, FADE_S},
  tap: () => { build(); const meter = context.createAnalyser(); volume.connect(meter); return meter; },
};
})();
