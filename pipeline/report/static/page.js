"use strict";
(() => {
const data = JSON.parse(document.getElementById("data").textContent);
const $ = (id) => document.getElementById(id);
const all = (query, root = document) => [...root.querySelectorAll(query)];
const captures = data.captures;
const page = {selected: null, reference: data.reference, listeners: [], onReference: []};
window.reampsPage = page;
page.data = data;
page.sounding = () => false;
page.say = (words) => say(words);

const say = (words) => { $("said").textContent = words; };
const make = (tag, words, cls) => {
  const node = document.createElement(tag);
  if (words !== undefined) node.textContent = words;
  if (cls) node.className = cls;
  return node;
};
const shown = (value, digits) => value === null || value === undefined ? "\u2013" :
  value.toFixed(digits).replace(/^-(?=0(\.0*)?$)/, "").replace("-", "\u2212");
const signed = (value, digits) => {
  const text = shown(value, digits);
  return value > 0 && !/^0(\.0*)?$/.test(text) ? "+" + text : text;
};
const place = ([offset, slope, log, low, high], value) => {
  const held = Math.min(high, Math.max(low, value));
  return Math.round((offset + slope * (log ? Math.log10(held) : held)) * 10) / 10;
};
const hertz = (hz) => hz < 1000 ? `${shown(hz, 0)} Hz` : `${shown(hz / 1000, 1).replace(/\.0$/, "")} kHz`;
page.tools = {$, all, make, shown, signed, place};

// The capture that the others are held to: the chosen one, or else the first with curves.
page.held = () => captures[page.reference] && captures[page.reference].db ? page.reference :
  captures.findIndex((capture) => capture.db);

// -- one sentence ------------------------------------------------------------
page.metric = (key) => data.metrics.findIndex(([name]) => name === key);
const BANDS = [["body_db", "at 80 to 200 Hz (body)"], ["mud_db", "at 200 to 400 Hz (mud)"],
  ["presence_db", "at 2.5 to 5 kHz (presence)"], ["fizz_db", "at 5.5 to 10 kHz (fizz)"]];
const apart = (a, b) => {
  if (!data.distances) return null;
  const [x, y] = [data.distances.order.indexOf(a), data.distances.order.indexOf(b)];
  return x < 0 || y < 0 || x === y ? null : data.distances.db[Math.max(x, y)][Math.min(x, y)];
};
page.sentence = (index) => {
  // Differences of stored figures; smaller than the night's floor, they are not told.
  const zero = page.held(), own = captures[index].m;
  if (zero < 0 || zero === index || !captures[index].db) return index === zero ? "The reference." : "";
  const base = captures[zero].m, found = [];
  const gap = (key) => {
    const k = page.metric(key);
    return own[k] === null || base[k] === null ? null : own[k] - base[k];
  };
  const floor = (key, least) => Math.max(least, data.floor.m[page.metric(key)] || 0);
  const tell = (key, least, words) => {
    const change = gap(key);
    if (change !== null && Math.abs(change) >= floor(key, least))
      found.push([Math.abs(change) / floor(key, least), words(change)]);
  };
  for (const [key, where] of BANDS)
    tell(key, 0.5, (d) => `${shown(Math.abs(d), 1)} dB ${d > 0 ? "more" : "less"} ${where}`);
  tell("noise_dbfs", 1, (d) => `noise ${shown(Math.abs(d), 0)} dB ${d > 0 ? "higher" : "lower"}`);
  tell("hum_db", 1, (d) => `hum ${shown(Math.abs(d), 0)} dB ${d > 0 ? "higher" : "lower"}`);
  const burnt = (figures) => shown(100 * (1 - figures[page.metric("linear_share")]), 0);
  tell("linear_share", 0.03, () => `saturation ${burnt(own)} % instead of ${burnt(base)} %`);
  tell("brightness_hz", 40, (d) => `${d > 0 ? "brighter" : "darker"}: its centre ${shown(Math.abs(d), 0)} Hz ${d > 0 ? "higher" : "lower"}`);
  const distance = apart(index, zero);
  if (data.floor.db !== null && distance !== null && distance <= data.floor.db)
    return `Against ${captures[zero].id}: not distinguishable tonight; their spectra are ${shown(distance, 2)} dB apart` +
      `${data.span ? ` from ${hertz(data.span[0])} to ${hertz(data.span[1])}` : ""}, and the night's floor is ${shown(data.floor.db, 2)} dB.`;
  const least = Math.max(...BANDS.map(([key]) => floor(key, 0.5)));
  if (!found.length) return `Against ${captures[zero].id}: within ${shown(least, 1)} dB at 80 to 400 Hz, 2.5 to 5 kHz and 5.5 to 10 kHz.`;
  found.sort(([a], [b]) => b - a);
  return `Against ${captures[zero].id}: ${found.slice(0, 3).map(([, words]) => words).join(", ")}.`;
};
const tellAll = () => {
  for (const box of all("[data-sentence]:not(td)")) box.textContent = page.sentence(+box.dataset.sentence);
  if (page.selected !== null) $("dock-told").textContent = page.sentence(page.selected);
};

// -- what sounds, where it is not just what was selected -------------------------
const hearing = {};
page.hears = (key, sentence) => {
  hearing[key] = sentence;
  const told = Object.values(hearing).filter(Boolean).join(" ");
  if ($("dock-heard").textContent !== told) $("dock-heard").textContent = told;
};

// -- selection --------------------------------------------------------------
page.select = (index, {quiet = false} = {}) => {
  if (!captures[index]) return;
  page.selected = index;
  const capture = captures[index];
  for (const node of all(".on")) node.classList.remove("on");
  for (const node of all(`tr[data-i="${index}"],circle[data-i="${index}"],text[data-i="${index}"],details[data-i="${index}"]`))
    node.classList.add("on");
  $("dock").hidden = false;
  $("dock-told").textContent = page.sentence(index);
  $("dock-name").textContent = capture.id;
  $("dock-place").textContent = capture.place;
  $("dock").querySelector(".dot").className = "dot s" + capture.shade;
  $("dock-more").setAttribute("href", "#c" + index);
  if (!quiet) say("Selected " + capture.id);
  for (const heard of page.listeners) heard(index);
};
page.setReference = (index) => {
  if (!captures[index] || !captures[index].db) return;
  page.reference = index;
  if ($("reference")) $("reference").value = String(index);
  for (const node of all(".reference-name")) node.textContent = captures[index].id;
  tellAll();
  for (const follow of page.onReference) follow();
  say("Compared with " + captures[index].id);
};

page.press = (index) => {
  // Pressed, a capture is selected and heard; names stay hidden while a blind test runs.
  if (document.body.classList.contains("blind")) return;
  page.select(index);
  if ($("follow").checked && captures[index] && captures[index].audio) window.reampsPlayer.play();
};
document.addEventListener("click", (event) => {
  const button = event.target.closest("button.who");
  const row = event.target.closest("a,button,input,select") ? null : event.target.closest("tbody tr[data-i]");
  if (button && button.dataset.i) page.press(+button.dataset.i);
  else if (row && getSelection().isCollapsed) page.press(+row.dataset.i);
});

// -- dock ---------------------------------------------------------------------
if ($("reference")) {
  captures.forEach((capture, index) => {
    if (!capture.db) return;
    const option = make("option", capture.id);
    option.value = index;
    $("reference").append(option);
  });
  if (captures.some((c) => c.db)) $("reference").value = String(page.held());
  $("reference").addEventListener("change", () => page.setReference(+$("reference").value));
}
try { $("follow").checked = localStorage.getItem("reamps-follow") !== "no"; } catch { /* private window */ }
$("follow").addEventListener("change", () => {
  try { localStorage.setItem("reamps-follow", $("follow").checked ? "yes" : "no"); } catch { /* private window */ }
});
page.actions = {
  r: () => page.selected !== null && page.setReference(page.selected),
};
$("hold").addEventListener("click", () => page.actions.r());
document.addEventListener("keydown", (event) => {
  if (event.ctrlKey || event.metaKey || event.altKey) return;
  if (event.target.closest("input,select,textarea")) return;
  const action = page.actions[event.key.toLowerCase()];
  if (action) { event.preventDefault(); action(event); }
});
for (const node of all("[data-script]")) if (node.id !== "dock") node.hidden = false;
tellAll();
if (captures.some((capture) => capture.audio)) $("dock").hidden = false;
})();
