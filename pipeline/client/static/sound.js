"use strict";
const reampsSound = (() => {
const data = JSON.parse(document.getElementById("data").textContent);
const rate = data.rate, total = data.frames;
const LEAD_S = 0.02, AHEAD_S = 3;
const SHORTEST_LOOP = Math.min(total, Math.round(0.5 * rate));
const {FADE_S, CURVE_S, RISE, FALL, amplitude, voice, begin, open, shut, exchange, wrapped} = window.reampsGates;

const textOf = async ({key, link}) => {
  if (!link) return document.getElementById("sound-" + key).textContent;
  const payload = await window.reampsGates.carried(key, link);
  if (!payload) throw new Error("another file");
  return payload.data;
};
const fetchSound = async (context, option) => {
  const buffer = await context.decodeAudioData(window.reampsGates.bytesOf(await textOf(option)).buffer);
  if (buffer.length !== total || buffer.sampleRate !== rate) throw new Error("another length");
  // Decoded, it needs its text no more.
  if (!option.link && context instanceof AudioContext) document.getElementById("sound-" + option.key).textContent = "";
  return buffer;
};

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
