"use strict";
(() => {
const page = window.reampsPage, data = page.data, captures = data.captures;
const {all, make, shown, signed} = page.tools;

// -- numbers of the pictures -------------------------------------------------
const who = (index) => {
  const button = make("button", undefined, "who");
  button.type = "button";
  button.dataset.i = index;
  button.append(make("span", undefined, "dot s" + captures[index].shade), captures[index].id);
  button.firstChild.setAttribute("aria-hidden", "true");
  return button;
};
// Rows begin with a heading, or with the number of a capture.
page.grid = (heads, rows) => {
  const node = make("table", undefined, "grid");
  const top = node.createTHead().insertRow();
  heads.forEach((words, k) => {
    const cell = make("th", words, k ? "" : "words");
    cell.scope = "col";
    top.append(cell);
  });
  const body = node.createTBody();
  for (const [name, ...values] of rows) {
    const row = body.insertRow();
    const known = Number.isInteger(name), cell = make("th", known ? undefined : name, "words");
    cell.scope = "row";
    if (known) {
      cell.append(who(name));
      row.dataset.i = name;
      row.classList.toggle("on", name === page.selected);
    }
    row.append(cell, ...values.map((value) => make("td", value)));
  }
  return node;
};
// What is drawn, read back from the picture: no figure travels twice.
const drawn = (line, axes) => {
  const [start, steps] = line.getAttribute("d").slice(1).split("l");
  let at = [0, 0];
  const points = steps === undefined ? start.split("L").filter(Boolean).map((pair) => pair.split(",").map(Number)) :
    [start, ...steps.split(" ")].map((pair) => { at = pair.split(",").map((v, k) => at[k] + +v); return at; });
  return points.map((point) => point.map((v, k) => {
    const [offset, slope, log] = k ? axes.y : axes.x, value = (v - offset) / slope;
    return log ? 10 ** value : value;
  }));
};
const band = (hz) => data.bands.reduce((best, one) =>
  Math.abs(Math.log(one[0] / hz)) < Math.abs(Math.log(best[0] / hz)) ? one : best)[1];
const sums = (box) => {
  const lines = all("path", box.closest(".pair").querySelector(".sums")).reverse();
  const words = all(".told-sums tbody th", box.closest(".pair")).map((cell) => cell.textContent);
  const series = lines.map((line) => drawn(line, data.sums)), low = data.sums.y[3];
  return page.grid(["dB against no cancelling", ...series[0].map(([hz]) => band(hz) + " Hz")],
    series.map((points, k) => [words[k], ...points.map(([, db]) => db < low + 0.05 ? `${shown(low, 0)} or less` : signed(db, 1))]));
};
const tracks = () => {
  const lines = all("[data-plot=tracks] .curves path");
  const series = lines.map((line) => new Map(drawn(line, data.tracks).map(([s, ms]) => [s.toFixed(1), ms])));
  const times = [...new Set(series.flatMap((points) => [...points.keys()]))].sort((a, b) => a - b);
  return page.grid(["Later than its average, ms", ...times.map((s) => s + " s")], lines.map((line, k) =>
    [+line.dataset.i, ...times.map((s) => series[k].has(s) ? signed(series[k].get(s), 3) : "\u2013")]));
};
const front = () => page.grid(
  ["Capture", "Speaker", "From the cap's centre, mm", "Right of it, mm", "Above it, mm", "From the grille, mm", "Off axis, \u00b0"],
  captures.flatMap((c, k) => c.spot ? [[k, c.spot[0] ?? "\u2013", ...c.spot.slice(1).map((v) => shown(v, 0))]] : []));
const indistinct = (db) => shown(db, 2) + (data.floor.db !== null && db <= data.floor.db ? ", not distinguishable" : "");
const map = () => page.grid(["Capture", "Most alike", "dB", "Second", "dB", "Third", "dB"],
  captures.flatMap((_, k) => data.alike && data.alike[k].length ? [[k, ...data.alike[k].flatMap(([at, db]) => [captures[at].id, indistinct(db)])]] : []));
const tables = {
  sums, tracks, front, map,
  levels: () => page.grid(["Capture", ...data.bands.map(([, name]) => name + " Hz")],
    captures.flatMap((c, k) => c.db ? [[k, ...page.series("levels", k).map((v) => shown(v, 1))]] : [])),
  differences: () => page.grid(["Capture", ...data.bands.map(([, name]) => name + " Hz")],
    captures.flatMap((c, k) => c.db ? [[k, ...page.series("differences", k).map((v) => signed(v, 1))]] : [])),
  tones: () => page.grid(["Capture", "Brightness, Hz", "Saturation, %"],
    captures.map((c, k) => [k, shown(c.m[page.metric("brightness_hz")], 0),
      c.m[page.metric("linear_share")] === null ? "\u2013" : shown(100 * (1 - c.m[page.metric("linear_share")]), 0)])),
  distances: () => page.grid(["dB", ...data.distances.order.map((k) => captures[k].id)],
    data.distances.order.map((k, y) => [k, ...data.distances.order.map((_, x) =>
      x === y ? "\u2013" : shown(data.distances.db[Math.max(x, y)][Math.min(x, y)], 1))])),
};
const fill = (box) => {
  if (box.closest("details").open) box.replaceChildren(tables[box.dataset.numbers](box));
};
for (const box of all("[data-numbers]"))
  box.closest("details").addEventListener("toggle", () => fill(box));
page.onReference.push(() => { for (const box of all("[data-numbers=differences]")) fill(box); });
})();
