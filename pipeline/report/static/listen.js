"use strict";
(() => {
const page = window.reampsPage;
const data = page.data;
const $ = (id) => document.getElementById(id);
const rate = data.di.rate;
const total = Math.max(1, Math.round(data.di.seconds * rate));
const {FADE_S, CURVE_S, RISE, FALL, amplitude, bytesOf, carried, voice, begin, open, shut, exchange, wrapped} = window.reampsGates;
const LEAD_S = 0.02;
const AHEAD_S = 3;
const SHORTEST_LOOP = Math.round(0.5 * rate);
const BYTES_A_FRAME = 4;
const MEGABYTE = 1048576;
const LOUDER_DB = 0.5;
const MOST_TRIM_DB = 6;
// Decoded sound takes 11.5 MB a minute at 48 kHz; the longest unheard goes first.
let allowance = window.matchMedia("(pointer: coarse)").matches ? 96 * MEGABYTE :
  (navigator.deviceMemory || 4) >= 8 ? 384 * MEGABYTE : 192 * MEGABYTE;

// -- the sounds ---------------------------------------------------------------
const sounds = {...data.sounds};
data.captures.forEach((capture, index) => {
  if (capture.audio) sounds["c" + index] = capture;
});
// One sample a character; a shift keeps the characters that a script may not hold rare.
const unpacked = (context, payload) => {
  const {channels, data, rate} = payload;
  const buffer = context.createBuffer(channels, data.length / channels, rate);
  for (let channel = 0; channel < channels; channel += 1) {
    const out = buffer.getChannelData(channel);
    for (let k = 0, at = channel; k < out.length; k += 1, at += channels)
      out[k] = ((data.charCodeAt(at) - 0x6000) << 16 >> 16) / 32768;
  }
  return buffer;
};
const fetchSound = async (context, key) => {
  const sound = key === "track" ? data.track : sounds[key];
  const payload = await carried(sound.file, sound.listen);
  if (!payload || payload.rate !== context.sampleRate) throw new Error("another file");
  const buffer = payload.mime === "audio/L16" ? unpacked(context, payload) :
    await context.decodeAudioData(bytesOf(payload.data).buffer);
  if (buffer.length !== payload.frames) throw new Error("another length");
  return buffer;
};

// -- the graph ----------------------------------------------------------------
const band = (context) => {
  const make = (type, frequency) => {
    const node = context.createBiquadFilter();
    node.type = type;
    node.frequency.value = frequency;
    node.Q.value = -3.0103;
    return node;
  };
  const low = make("highpass", 300), high = make("lowpass", 6000);
  low.connect(high);
  return {input: low, output: high};
};
// To one channel: half of left and right each (Web Audio's rule for speakers).
const fold = (node, on) => {
  node.channelCount = on ? 1 : 2;
  node.channelCountMode = on ? "explicit" : "max";
};
window.reampsGraph = {voice, begin, open, shut, exchange, wrapped, band, fold, fetchSound, sounds, FADE_S};

// -- the player ---------------------------------------------------------------
let context = null, bus = null, wrap = null, volume = null, filter = null;
const voices = new Map();
const waiting = new Map();
let region = [0, total], origin = {time: 0, frame: 0};
let playing = false, resting = 0, current = null, before = null, heard = null;
// What plays along with the choice, on the same clock, and the room that it needs.
let along = {halt: () => {}, start: () => {}, busy: () => 0, sounds: () => 0};
const room = data.track ? data.track.room : 0;
let busyUntil = 0, faded = 0, plain = false, small = false, nudge = 0, wanted = 0;
let pinned = new Set();
const trims = (() => {
  try { return JSON.parse(localStorage.getItem("reamps-trims-" + data.key)) || {}; }
  catch { return {}; }
})();
// A trim is the whole of it: what the run has built into the file, and what was added here.
const builtIn = (key) => (sounds[key] && sounds[key].trim) || 0;
for (const key of Object.keys(sounds)) {
  if (builtIn(key) && !Number.isFinite(trims[sounds[key].id])) trims[sounds[key].id] = builtIn(key);
}
const trimOf = (key) => Number.isFinite(trims[sounds[key] && sounds[key].id]) ? trims[sounds[key].id] : 0;
const added = (key) => trimOf(key) - builtIn(key);

const position = () => {
  if (!playing) return resting;
  const passed = Math.round((context.currentTime - origin.time) * rate);
  return wrapped(origin.frame + Math.max(0, passed), region);
};
const build = () => {
  if (context) return;
  context = new AudioContext({sampleRate: rate});
  if (navigator.audioSession) navigator.audioSession.type = "playback";
  bus = context.createGain();
  wrap = context.createGain();
  volume = context.createGain();
  filter = band(context);
  volume.gain.value = amplitude(+$("volume").value + room);
  bus.connect(wrap);
  wrap.connect(volume).connect(context.destination);
  filter.output.connect(volume);
};
const evict = () => {
  const most = allowance / (BYTES_A_FRAME * total) - along.sounds();
  const spare = [...voices].filter(([key]) => key !== current && key !== heard && !pinned.has(key))
    .sort(([, a], [, b]) => a.used - b.used);
  while (voices.size > Math.max(2, most) && spare.length) {
    const [key, one] = spare.shift();
    if (one.source) one.source.stop();
    one.gate.disconnect();
    voices.delete(key);
  }
};
const ensure = (key) => {
  if (voices.has(key)) return Promise.resolve(voices.get(key));
  if (!waiting.has(key)) {
    waiting.set(key, fetchSound(context, key).then((buffer) => {
      const one = voice(context, buffer, bus);
      one.trim.gain.value = amplitude(added(key));
      one.used = performance.now();
      voices.set(key, one);
      if (playing) join(one);
      evict();
      return one;
    }).finally(() => waiting.delete(key)));
  }
  return waiting.get(key);
};
const join = (one) => {
  // On the clock of all others: a whole number of frames after the origin.
  const passed = Math.max(0, Math.ceil((context.currentTime + LEAD_S - origin.time) * rate));
  begin(context, one, origin.time + passed / rate, wrapped(origin.frame + passed, region), region);
};
const fadeWraps = () => {
  // Every turn of a loop fades out and in like a switch.
  if (!playing) return;
  const [from, to] = region, length = to - from;
  const first = to - origin.frame;
  const until = context.currentTime + AHEAD_S;
  let turn = Math.max(0, Math.ceil((faded - origin.time - first / rate) * rate / length));
  for (;; turn += 1) {
    const at = origin.time + (first + turn * length) / rate;
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
  if (!playing) return context.currentTime + LEAD_S;
  resting = position();
  const at = Math.max(context.currentTime + FADE_S, busyUntil, along.busy());
  along.halt(at);
  if (voices.has(heard)) shut(voices.get(heard), at);
  for (const one of voices.values()) if (one.source) { one.source.stop(at + FADE_S); one.source = null; }
  busyUntil = at + 2 * FADE_S;
  wrap.gain.cancelScheduledValues(at + FADE_S);
  wrap.gain.setValueAtTime(1, at + FADE_S);
  playing = false;
  heard = null;
  return busyUntil;
};
const start = (at) => {
  const frame = resting >= region[1] || resting < region[0] ? region[0] : resting;
  origin = {time: Math.ceil((at + LEAD_S) * rate) / rate, frame};
  faded = 0;
  playing = true;
  for (const one of voices.values()) begin(context, one, origin.time, frame, region);
  along.start(context, origin, region);
  if (voices.has(current)) { open(voices.get(current), origin.time); heard = current; }
  busyUntil = origin.time + 2 * FADE_S;
  fadeWraps();
};
const show = () => {
  const on = plain ? !$("voice").paused : playing;
  $("play").setAttribute("aria-pressed", String(on));
  $("play").firstElementChild.textContent = on ? "Pause" : "Play";
  $("dry").setAttribute("aria-pressed", String(current === "di"));
  if ($("blend")) $("blend").value = current && current !== "di" && current[0] !== "c" ? current : "";
  // What stands in the dock's name is what was selected, not always what sounds.
  const other = current && current[0] !== "c" && (current === "di" ? "the DI" : sounds[current].id);
  page.hears("what", other ? `You hear ${other}.` : "");
  page.hears("speaker", small ? "Through the small speaker." : "");
  const db = current ? trimOf(current) : 0;
  $("trim").textContent = `${db > 0 ? "+" : db < 0 ? "\u2212" : ""}${Math.abs(db).toFixed(1)} dB`;
};
const fallBack = (key) => {
  // Without listening files the plain player takes over: no instant switching.
  if (!plain) page.say("No listening files here: plain playing, switching is not instant.");
  plain = true;
  if (playing) { halt(); }
  const sound = sounds[key], player = $("voice");
  if (player.getAttribute("src") === sound.audio) return;
  const at = player.currentTime || resting / rate, on = !player.paused;
  player.src = sound.audio;
  player.currentTime = at;
  if (on) player.play().catch(() => page.say("This file could not be played."));
};
const prefetch = () => {
  if (plain || !playing) return;
  const near = page.neighbours ? page.neighbours() : [];
  for (const index of [...near, page.reference])
    if (sounds["c" + index]) ensure("c" + index).catch(() => {});
};
const choose = async (key) => {
  if (!sounds[key]) return;
  if (current !== key) before = current;
  current = key;
  show();
  if (!context) return;
  if (plain) { fallBack(key); return; }
  const mine = wanted += 1;
  try {
    const one = await ensure(key);
    one.used = performance.now();
    if (mine !== wanted || !playing || heard === key) return;
    const at = Math.max(context.currentTime + FADE_S, busyUntil, one.ready - FADE_S);
    busyUntil = exchange(voices.get(heard), one, at);
    heard = key;
    prefetch();
  } catch { fallBack(key); }
};
const play = async () => {
  build();
  await context.resume();
  if (!current) {
    const first = [page.reference, ...data.short, ...data.captures.keys()].find((k) => sounds["c" + k]);
    if (first === undefined) { page.say("There is no audio."); return; }
    page.select(first);
  }
  if (!plain) {
    try { await ensure(current); } catch { fallBack(current); }
  }
  if (plain) {
    fallBack(current);
    await $("voice").play().catch(() => page.say("This file could not be played."));
  } else if (!playing) start(Math.max(context.currentTime, busyUntil));
  show();
  prefetch();
};
const pause = () => {
  if (plain) $("voice").pause();
  else if (playing) halt();
  show();
};
const move = (frame, newRegion) => {
  const target = newRegion || region;
  const at = Math.min(Math.max(frame, target[0]), target[1] - 1);
  if (plain) { region = target; resting = at; $("voice").currentTime = at / rate; draw(); return; }
  const on = playing;
  const quiet = on ? halt() : 0;
  region = target;
  resting = at;
  if (on) start(quiet);
  draw();
};
const loop = (from, to) => {
  let [a, b] = [Math.min(from, to), Math.max(from, to)].map((v) => Math.min(total, Math.max(0, Math.round(v))));
  if (b - a < SHORTEST_LOOP) { b = Math.min(total, a + SHORTEST_LOOP); a = Math.max(0, b - SHORTEST_LOOP); }
  move(a, [a, b]);
  page.say(`Loop from ${(a / rate).toFixed(1)} to ${(b / rate).toFixed(1)} seconds`);
};
const setTrim = (key) => {
  if (voices.has(key)) voices.get(key).trim.gain.setTargetAtTime(
    amplitude(added(key) + (key === current ? nudge : 0)), context.currentTime, 0.005);
};
const trimBy = (step) => {
  if (!current) return;
  const db = Math.round(10 * Math.min(MOST_TRIM_DB, Math.max(-MOST_TRIM_DB, trimOf(current) + step))) / 10;
  const id = sounds[current].id;
  if (db || builtIn(current)) trims[id] = db; else delete trims[id];
  try { localStorage.setItem("reamps-trims-" + data.key, JSON.stringify(trims)); } catch { /* private window */ }
  setTrim(current);
  show();
  page.say(`Ear trim ${$("trim").textContent}`);
};
const just = (db) => {
  if (nudge === db || !current) return;
  nudge = db;
  $("just").setAttribute("aria-pressed", String(db !== 0));
  setTrim(current);
};
const setSmall = () => {
  build();
  small = !small;
  wrap.disconnect();
  wrap.connect(small ? filter.input : volume);
  $("small").setAttribute("aria-pressed", String(small));
  show();
};

// -- the strip ----------------------------------------------------------------
const wave = $("wave");
const shape = () => {
  const peaks = data.di.envelope, count = peaks.length;
  if (!count) return "M0,20H1000";
  const top = peaks.map((p, k) => `${(1000 * k / count).toFixed(1)},${(20 - 0.19 * p).toFixed(1)}`);
  const low = peaks.map((p, k) => `${(1000 * k / count).toFixed(1)},${(20 + 0.19 * p).toFixed(1)}`).reverse();
  return "M" + top.join("L") + "L" + low.join("L") + "z";
};
const draw = () => {
  const frame = plain ? Math.round($("voice").currentTime * rate) || 0 : position();
  const x = 1000 * frame / total, seconds = frame / rate;
  $("head").setAttribute("x1", x);
  $("head").setAttribute("x2", x);
  const whole = region[0] === 0 && region[1] === total;
  $("loop").setAttribute("x", 1000 * region[0] / total);
  $("loop").setAttribute("width", whole ? 0 : 1000 * (region[1] - region[0]) / total);
  const words = `${Math.floor(seconds / 60)}:${(seconds % 60).toFixed(1).padStart(4, "0")}`;
  $("clock").textContent = words;
  wave.setAttribute("aria-valuenow", seconds.toFixed(1));
  wave.setAttribute("aria-valuetext", words);
};
const calm = window.matchMedia("(prefers-reduced-motion: reduce)");
let drawn = 0;
const tick = (now) => {
  if ((playing || plain) && now - drawn > (calm.matches ? 250 : 30)) { drawn = now; draw(); }
  requestAnimationFrame(tick);
};
setInterval(fadeWraps, 500);
$("shape").setAttribute("d", shape());
draw();
requestAnimationFrame(tick);
const frameAt = (event) => {
  const box = wave.getBoundingClientRect();
  return total * Math.min(1, Math.max(0, (event.clientX - box.left) / box.width));
};
let grip = null;
wave.addEventListener("pointerdown", (event) => { grip = {x: event.clientX, frame: frameAt(event)}; wave.setPointerCapture(event.pointerId); });
wave.addEventListener("pointerup", (event) => {
  if (!grip) return;
  if (Math.abs(event.clientX - grip.x) > 6) loop(grip.frame, frameAt(event));
  else {
    const frame = Math.round(frameAt(event));
    move(frame, frame >= region[0] && frame < region[1] ? region : [0, total]);
  }
  grip = null;
});
wave.addEventListener("keydown", (event) => {
  const by = {ArrowLeft: -rate, ArrowDown: -rate, ArrowRight: rate, ArrowUp: rate, Home: -total, End: total}[event.key];
  if (by === undefined) return;
  event.preventDefault();
  move(position() + by);
});

// -- hands --------------------------------------------------------------------
page.listeners.push((index) => {
  if (index === null || !sounds["c" + index]) {
    if (index !== null && playing && !document.body.classList.contains("blind")) pause();
    current = null;
    show();
    return;
  }
  if ($("blend")) $("blend").value = "";
  choose("c" + index);
});
const dry = () => {
  if (current !== "di") { if (sounds.di) choose("di"); else page.say("There is no file of the DI."); }
  else if (before) choose(before);
};
const actions = {
  p: () => (plain ? !$("voice").paused : playing) ? pause() : play(),
  d: dry,
  b: () => { if (before) { const key = before; key[0] === "c" ? page.select(+key.slice(1)) : choose(key); } },
  s: setSmall,
  o: () => move(position(), [0, total]),
  "+": () => trimBy(0.1), "=": () => trimBy(0.1), "-": () => trimBy(-0.1),
  l: (event) => just(event && event.shiftKey ? -LOUDER_DB : LOUDER_DB),
  "[": () => loop(position(), region[1] > position() + SHORTEST_LOOP ? region[1] : total),
  "]": () => loop(region[0], position()),
};
data.short.slice(0, 9).forEach((index, k) => { actions[String(k + 1)] = () => page.select(index); });
Object.assign(page.actions, actions);
document.addEventListener("keyup", (event) => { if (event.key.toLowerCase() === "l") just(0); });
window.addEventListener("blur", () => just(0));
for (const [id, key] of [["play", "p"], ["dry", "d"], ["back", "b"], ["small", "s"], ["whole", "o"], ["louder", "+"], ["softer", "-"]])
  $(id).addEventListener("click", () => actions[key]());
$("just").addEventListener("pointerdown", () => just(LOUDER_DB));
for (const name of ["pointerup", "pointerleave", "pointercancel"]) $("just").addEventListener(name, () => just(0));
$("volume").addEventListener("input", () => {
  $("volume-told").textContent = `${$("volume").value.replace("-", "\u2212")} dB`;
  if (volume) volume.gain.setTargetAtTime(amplitude(+$("volume").value + room), context.currentTime, 0.01);
});
$("fold").addEventListener("click", () => {
  const rest = $("dock-rest");
  rest.hidden = !rest.hidden;
  $("fold").setAttribute("aria-expanded", String(!rest.hidden));
});
$("keep").addEventListener("click", () => {
  const link = document.createElement("a");
  link.href = URL.createObjectURL(new Blob([JSON.stringify(trims, null, 1)], {type: "application/json"}));
  link.download = "trims.json";
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 10000);
});
for (const [key, sound] of Object.entries(data.sounds)) {
  if (key === "di" || !$("blend")) continue;
  const option = document.createElement("option");
  option.value = key;
  option.textContent = sound.id;
  $("blend").append(option);
}
if ($("blend")) $("blend").addEventListener("change", () => {
  if ($("blend").value) choose($("blend").value);
  else if (page.selected !== null) choose("c" + page.selected);
});
$("voice").addEventListener("play", show);
$("voice").addEventListener("pause", show);
page.sounding = () => plain ? !$("voice").paused : playing;
window.reampsPlayer = {
  choose, play, pause, loop, move, trims, sounds, voices,
  join,
  clock: () => { build(); return {context, playing, plain, output: wrap}; },
  with: (companion) => { along = companion; },
  allow: (bytes) => { allowance = bytes; },
  pin: (keys) => { pinned = new Set(keys); },
  state: () => ({playing, current, heard, position: position(), region, plain, held: voices.size, frames: total}),
  tap: () => { build(); const meter = context.createAnalyser(); volume.connect(meter); return meter; },
};
show();
})();
