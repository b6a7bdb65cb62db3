"use strict";
(() => {
const sound = reampsSound, data = sound.data, rate = sound.rate, total = sound.total;
const $ = (id) => document.getElementById(id);
const options = data.options;
const cards = new Map([...document.querySelectorAll(".option")].map((node) => [node.dataset.key, node]));
const byKey = new Map(options.map((one) => [one.key, one]));
const NTH = ["1st", "2nd", "3rd", "4th", "5th"];
const LONGEST = 2000;
const STORE = "reamps-answer-" + data.shortlist;
let order = [], comments = [], blind = false, chosenBlind = false, current = data.first, letters = new Map();
const say = (text) => { $("said").textContent = ""; $("said").textContent = text; };
// Said and shown: where it was pressed, for those who look.
const tell = (id, text) => { $(id).textContent = text; say(text); };
const clock = (seconds) => `${Math.floor(seconds / 60)}:${String(Math.floor(seconds % 60)).padStart(2, "0")}`;
const label = (key) => blind ? "Sound " + letters.get(key) : byKey.get(key).name;
// Half of a surrogate pair cannot be written down.
const whole = (text, most) => new TextDecoder().decode(new TextEncoder().encode(text.trim().slice(0, most)));

// -- what is kept in this browser ----------------------------------------------
const keep = () => {
  try { localStorage.setItem(STORE, JSON.stringify({order, comments, by: $("by").value, chosenBlind})); }
  catch { /* private window */ }
};
const restore = () => {
  try {
    const found = JSON.parse(localStorage.getItem(STORE));
    order = found.order.filter((key, k, all) => byKey.has(key) && all.indexOf(key) === k);
    comments = found.comments.filter((one) => byKey.has(one.option) && typeof one.text === "string" && Number.isInteger(one.at_ms));
    $("by").value = String(found.by).slice(0, 80);
    chosenBlind = found.chosenBlind === true;
  } catch { /* nothing kept */ }
};

// -- the sounds ----------------------------------------------------------------
const show = () => {
  const {playing} = sound.state();
  for (const [key, card] of cards) {
    const name = label(key), on = playing && key === current, place = order.indexOf(key);
    card.classList.toggle("on", key === current);
    card.querySelector("h3").textContent = name;
    const hear = card.querySelector(".hear"), choose = card.querySelector(".choose");
    hear.setAttribute("aria-pressed", String(on));
    hear.setAttribute("aria-label", on ? `Playing ${name}` : `Listen to ${name}`);
    hear.firstElementChild.textContent = on ? "Playing" : "Listen";
    choose.setAttribute("aria-pressed", String(place >= 0));
    choose.firstElementChild.textContent = place < 0 ? "Choose" : `${NTH[place]} choice`;
    choose.setAttribute("aria-label", place < 0 ? `Choose ${name}` : `${NTH[place]} choice: ${name}. Take it back`);
    const told = card.querySelector(".place");
    told.hidden = place < 0;
    told.textContent = place < 0 ? "" : place ? `${NTH[place]} choice` : "Favourite";
  }
  $("play").textContent = playing ? "Pause" : "Play";
  $("play").setAttribute("aria-pressed", String(playing));
  $("now").textContent = label(current);
  $("about").textContent = `about ${label(current)}`;
  $("summary").textContent = order.length ? order.map((key, k) => `${k + 1}. ${label(key)}`).join("  ")
    : comments.length ? "Only comments so far." : "Nothing chosen yet.";
  $("text").hidden = $("text-label").hidden = true;
};
// An answer that changed is not the one that was saved.
const changed = () => { $("sent").textContent = ""; keep(); };
const hear = async (key) => {
  current = key;
  show();
  try {
    await sound.hear(byKey.get(key));
    say(`Playing ${label(key)}`);
  } catch {
    say("This sound could not be played.");
    $("now").textContent = "This browser cannot play it. Ask for 16-bit PCM, or try another browser.";
    return;
  }
  show();
};
const choose = (key) => {
  order = order.includes(key) ? order.filter((one) => one !== key) : [...order, key];
  chosenBlind = blind;
  changed();
  show();
  say(order.includes(key) ? `${label(key)} is your ${NTH[order.indexOf(key)]} choice` : `${label(key)} taken back`);
};
const random = (below) => { const one = new Uint32Array(1); crypto.getRandomValues(one); return one[0] % below; };
const setBlind = () => {
  blind = !blind;
  const keys = options.map((one) => one.key);
  if (blind) for (let k = keys.length - 1; k > 0; k -= 1) { const j = random(k + 1); [keys[k], keys[j]] = [keys[j], keys[k]]; }
  letters = new Map(keys.map((key, k) => [key, "ABCDE"[k]]));
  if (blind) { order = []; current = keys[0]; sound.pause(); changed(); }
  $("options").append(...keys.map((key) => cards.get(key)));
  document.body.classList.toggle("blind", blind);
  $("blind").setAttribute("aria-pressed", String(blind));
  $("blind").textContent = blind ? "Show the names" : "Hide the names";
  $("blind-told").textContent = blind ? "Choose first; the names come back when you press."
    : "Mixes the order and clears choices, so that only your ears choose.";
  show();
  list();
  say(blind ? "Names hidden, order mixed, choices cleared" : "Names shown");
};

// -- comments ------------------------------------------------------------------
const list = () => {
  $("comments").replaceChildren(...comments.map((one, k) => {
    const item = document.createElement("li"), at = document.createElement("button");
    const text = document.createElement("span"), gone = document.createElement("button");
    at.type = gone.type = "button";
    at.textContent = clock(one.at_ms / 1000);
    at.setAttribute("aria-label", `Hear ${label(one.option)} at ${at.textContent}`);
    at.addEventListener("click", () => { sound.move(one.at_ms * rate / 1000); hear(one.option); });
    text.textContent = `${label(one.option)}: ${one.text}`;
    gone.textContent = "Remove";
    gone.setAttribute("aria-label", `Remove the comment at ${at.textContent}`);
    gone.addEventListener("click", () => { comments.splice(k, 1); $("noted").textContent = ""; changed(); list(); show(); $("comment").focus(); });
    item.append(at, text, gone);
    return item;
  }));
};
const add = () => {
  const text = whole($("comment").value, LONGEST);
  if (!text) { tell("noted", "Write something first."); $("comment").focus(); return; }
  if (comments.length >= 200) { tell("noted", "200 comments are the most."); return; }
  comments.push({option: current, at_ms: Math.round(1000 * sound.position() / rate), text});
  comments.sort((a, b) => a.at_ms - b.at_ms);
  $("comment").value = "";
  changed();
  list();
  show();
  tell("noted", "Added. It is sent with your answer.");
};

// -- the answer ----------------------------------------------------------------
const answer = () => {
  const made = {
    format: 1, shortlist: data.shortlist, by: whole($("by").value, 80),
    saved: new Date().toISOString().slice(0, 19) + "Z", blind: chosenBlind && order.length > 0,
    order, comments: comments.map(({option, at_ms, text}) => ({option, at_ms, text: whole(text, LONGEST)})),
  };
  const remarks = made.comments.map((one) => [one.option, one.at_ms, one.text]);
  made.seal = reampsSeal(JSON.stringify([1, made.shortlist, made.by, made.saved, made.blind, made.order, remarks]), data.key);
  return made;
};
const ready = () => {
  if (order.length || comments.length) return true;
  tell("sent", "Choose a sound or write a comment first.");
  return false;
};
const packed = (made) => {
  let raw = "";
  for (const byte of new TextEncoder().encode(JSON.stringify(made))) raw += String.fromCharCode(byte);
  const text = btoa(raw).replaceAll("+", "-").replaceAll("/", "_").replace(/=+$/, "");
  return `[reamps-picks:\n${text.match(/.{1,60}/g).join("\n")}]`;
};
const message = () => {
  const made = answer(), names = (key) => byKey.get(key).name;
  return [
    data.title, made.by ? `From ${made.by}` : false, ...made.order.map((key, k) => `${k + 1}. ${names(key)}`),
    ...made.comments.map((one) => `${clock(one.at_ms / 1000)} ${names(one.option)}: ${one.text}`),
    "", "Please leave the code below as it is:", packed(made),
  ].filter((line) => line !== false && line !== undefined).join("\n");
};
const save = () => {
  if (!ready()) return;
  const link = document.createElement("a");
  link.href = URL.createObjectURL(new Blob([JSON.stringify(answer(), null, 1) + "\n"], {type: "application/json"}));
  link.download = `picks-${data.shortlist.slice(0, 6)}.json`;
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 60000);
  tell("sent", `Saved as ${link.download}. Now send that file back.`);
};
const copy = async () => {
  if (!ready()) return;
  const box = $("text");
  box.value = message();
  box.hidden = $("text-label").hidden = false;
  box.focus();
  box.select();
  try { await navigator.clipboard.writeText(box.value); tell("sent", "Copied. Paste it into a message."); }
  catch { tell("sent", document.execCommand("copy") ? "Copied. Paste it into a message." : "Copy the selected text."); }
};

// -- the strip -----------------------------------------------------------------
const wave = $("wave"), peaks = data.peaks;
const edge = (sign) => peaks.map((p, k) => `${(1000 * (k + 0.5) / peaks.length).toFixed(1)},${(20 + sign * (0.3 + 0.187 * p)).toFixed(1)}`);
$("shape").setAttribute("d", "M" + [...edge(-1), ...edge(1).reverse()].join("L") + "z");
const draw = () => {
  const frame = sound.position(), x = 1000 * frame / total, {region: [from, to]} = sound.state();
  $("head").setAttribute("x1", x);
  $("head").setAttribute("x2", x);
  $("loop").setAttribute("x", 1000 * from / total);
  $("loop").setAttribute("width", to - from === total ? 0 : 1000 * (to - from) / total);
  const words = clock(frame / rate);
  if ($("clock").textContent !== words) {
    $("clock").textContent = words;
    $("add").textContent = `Add at ${words}`;
    wave.setAttribute("aria-valuenow", (frame / rate).toFixed(1));
    wave.setAttribute("aria-valuetext", words);
  }
};
const calm = window.matchMedia("(prefers-reduced-motion: reduce)");
let drawn = 0;
const tick = (now) => {
  if (now - drawn > (calm.matches ? 250 : 40)) { drawn = now; draw(); }
  requestAnimationFrame(tick);
};
const frameAt = (event) => {
  const box = wave.getBoundingClientRect();
  return total * Math.min(1, Math.max(0, (event.clientX - box.left) / box.width));
};
const looped = (from, to) => {
  const [a, b] = sound.loop(from, to);
  draw();
  say(`Loop from ${clock(a)} to ${clock(b)}`);
};
let grip = null;
wave.addEventListener("pointerdown", (event) => { grip = {x: event.clientX, frame: frameAt(event)}; wave.setPointerCapture(event.pointerId); });
wave.addEventListener("pointercancel", () => { grip = null; });
wave.addEventListener("pointerup", (event) => {
  if (!grip) return;
  if (Math.abs(event.clientX - grip.x) > 10) looped(grip.frame, frameAt(event));
  else {
    const frame = frameAt(event), {region} = sound.state();
    sound.move(frame, frame >= region[0] && frame < region[1] ? region : [0, total]);
    draw();
  }
  grip = null;
});
wave.addEventListener("keydown", (event) => {
  const by = {ArrowLeft: -rate, ArrowDown: -rate, ArrowRight: rate, ArrowUp: rate, Home: -total, End: total}[event.key];
  if (by === undefined) return;
  event.preventDefault();
  sound.move(sound.position() + by);
  draw();
});

// -- hands ---------------------------------------------------------------------
for (const [key, card] of cards) {
  card.querySelector(".hear").addEventListener("click", () => hear(key));
  card.querySelector(".choose").addEventListener("click", () => choose(key));
}
const toggle = () => { if (sound.state().playing) { sound.pause(); show(); } else hear(current); };
$("play").addEventListener("click", toggle);
$("blind").addEventListener("click", setBlind);
$("add").addEventListener("click", add);
$("save").addEventListener("click", save);
$("copy").addEventListener("click", copy);
$("by").addEventListener("input", () => { changed(); $("text").hidden = $("text-label").hidden = true; });
$("from").addEventListener("click", () => looped(sound.position(), sound.state().region[1] > sound.position() + rate / 2 ? sound.state().region[1] : total));
$("to").addEventListener("click", () => looped(sound.state().region[0], sound.position()));
$("whole").addEventListener("click", () => { sound.whole(); draw(); say("All of it"); });
$("volume").addEventListener("input", () => {
  $("volume-told").textContent = `${$("volume").value.replace("-", "\u2212")} dB`;
  sound.volume(+$("volume").value);
});
$("more").addEventListener("click", () => {
  $("rest").hidden = !$("rest").hidden;
  $("more").setAttribute("aria-expanded", String(!$("rest").hidden));
});
document.addEventListener("keydown", (event) => {
  if (event.ctrlKey || event.metaKey || event.altKey || event.target.closest("input, textarea")) return;
  if (event.key.toLowerCase() === "p") toggle();
  const card = [...document.querySelectorAll(".option")][+event.key - 1];
  if (card) hear(card.dataset.key);
});
for (const node of document.querySelectorAll("[data-script]")) node.hidden = false;
restore();
show();
list();
draw();
requestAnimationFrame(tick);
window.reampsClient = {answer, message, hear, choose, seal: reampsSeal, sound};
})();
