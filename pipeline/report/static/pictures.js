"use strict";
(() => {
const page = window.reampsPage, data = page.data, captures = data.captures;
const {all, shown, signed, place} = page.tools;
const SVG = "http://www.w3.org/2000/svg";

// -- curves -----------------------------------------------------------------
const series = (kind, index) => {
  const own = captures[index].db;
  if (!own) return null;
  if (kind === "levels") return own.map((v) => v / 10);
  const zero = captures[page.held()].db;
  return own.map((v, k) => (v - zero[k]) / 10);
};
page.series = series;
// Fine spectra travel as steps in tenths of a dB.
const levelled = new Map();
const fine = (index) => {
  if (!captures[index].fine) return null;
  if (!levelled.has(index)) {
    let at = 0;
    levelled.set(index, captures[index].fine.map((step) => (at += step) / 10));
  }
  return levelled.get(index);
};
const curve = (kind, index) => {
  // What is drawn of a capture, at the frequencies of `hertz`.
  if (kind === "levels") return series(kind, index);
  const own = fine(index), zero = own && fine(page.held());
  return own && own.map((v, k) => v - zero[k]);
};
const hertz = {levels: data.bands.map(([hz]) => hz), differences: data.fine_hz};
const path = (kind, index) => {
  const values = curve(kind, index);
  if (!values) return "";
  const axes = data[kind];
  return "M" + values.map((v, k) => place(axes.x, hertz[kind][k]) + "," + place(axes.y, v)).join("L");
};
const lift = (kind) => {
  const plot = document.querySelector(`[data-plot=${kind}]`);
  if (!plot) return;
  const over = plot.querySelector(".over");
  over.replaceChildren();
  if (page.selected === null) return;
  const d = path(kind, page.selected);
  if (!d) return;
  for (let k = 0; k < 2; k += 1) {
    const line = document.createElementNS(SVG, "path");
    line.setAttribute("d", d);
    line.setAttribute("class", "s" + captures[page.selected].shade);
    over.append(line);
  }
};
const REACHES = [6, 12, 18, 24, 36, 48, 60];
const refit = () => {
  // The grid stays; its figures and the scale follow the largest difference.
  const plot = document.querySelector("[data-plot=differences]"), axis = data.differences && data.differences.y;
  if (!plot || !axis) return;
  let widest = 0;
  captures.forEach((capture, k) => { if (capture.db) for (const v of curve("differences", k)) widest = Math.max(widest, Math.abs(v)); });
  const reach = REACHES.find((r) => widest <= r) || REACHES.at(-1), factor = reach / axis[4];
  if (factor === 1) return;
  for (const label of all("text", plot))
    if (/^[+\u2212]\d+$/.test(label.textContent))
      label.textContent = signed(factor * +label.textContent.replace("\u2212", "-"), 0);
  [axis[1], axis[3], axis[4]] = [axis[1] / factor, -reach, reach];
};
const redraw = () => {
  refit();
  for (const line of all("[data-plot=differences] .curves path")) {
    line.setAttribute("d", path("differences", +line.dataset.i));
    line.classList.toggle("reference", +line.dataset.i === page.reference);
  }
  for (const line of all("[data-plot=levels] .curves path"))
    line.classList.toggle("reference", +line.dataset.i === page.reference);
  lift("differences");
};

// -- the selected one --------------------------------------------------------
const frameDistances = () => {
  const plot = document.querySelector("[data-plot=distances]");
  if (!plot) return;
  const over = plot.querySelector(".over");
  over.replaceChildren();
  const cell = +plot.dataset.cell;
  const at = data.distances.order.indexOf(page.selected);
  if (at < 0) return;
  const box = (x, y, w, h) => {
    if (w <= 0 || h <= 0) return;
    const line = document.createElementNS(SVG, "path");
    line.setAttribute("d", `M${x},${y}h${w}v${h}h${-w}z`);
    over.append(line);
  };
  box(-0.5, (at - 1) * cell - 0.5, at * cell, cell);
  box(at * cell - 0.5, at * cell - 0.5, cell, (data.distances.order.length - 1 - at) * cell);
};
page.listeners.push(() => { lift("levels"); lift("differences"); frameDistances(); });
page.onReference.push(redraw);

// -- hands --------------------------------------------------------------------
const nearest = (plot, event) => {
  const direct = event.target.closest("[data-i]");
  if (direct && plot.contains(direct)) return +direct.dataset.i;
  return null;
};
const spot = (plot, event) => {
  const matrix = plot.getScreenCTM();
  return matrix ? new DOMPoint(event.clientX, event.clientY).matrixTransform(matrix.inverse()) : null;
};
const cellAt = (plot, event) => {
  const at = spot(plot, event);
  if (!at) return null;
  const cell = +plot.dataset.cell;
  const x = Math.floor(at.x / cell), y = Math.floor(at.y / cell) + 1;
  const names = data.distances.order;
  return x >= 0 && y > x && y < names.length ? [x, y] : null;
};
const lineAt = (plot, event) => {
  // The curve nearest to the pointer in height, at the band nearest to it in width.
  const kind = plot.dataset.plot, at = spot(plot, event);
  if (!at || !data[kind]) return null;
  const away = (k) => Math.abs(place(data[kind].x, hertz[kind][k]) - at.x);
  const band = hertz[kind].reduce((best, _, k) => away(k) < away(best) ? k : best, 0);
  let best = null, gap = 14;
  for (const line of all(".curves path", plot)) {
    const index = +line.dataset.i;
    const high = Math.abs(place(data[kind].y, curve(kind, index)[band]) - at.y);
    if (high < gap) { gap = high; best = index; }
  }
  return best === null ? null : {index: best, band};
};
for (const plot of all("svg[data-plot]")) {
  const kind = plot.dataset.plot;
  const readout = plot.closest("figure").querySelector(".readout");
  const told = (event) => {
    if (kind === "distances") {
      const found = cellAt(plot, event);
      if (!found) return "";
      const [x, y] = found, names = data.distances.order;
      return `${captures[names[y]].id} and ${captures[names[x]].id}: ${shown(data.distances.db[y][x], 1)} dB apart`;
    }
    if (kind === "levels" || kind === "differences") {
      const found = lineAt(plot, event);
      if (!found) return "";
      const value = curve(kind, found.index)[found.band];
      return `${captures[found.index].id}: ${kind === "levels" ? `${shown(value, 1)} dB at ${data.bands[found.band][1]} Hz` :
        `${signed(value, 1)} dB around ${shown(hertz.differences[found.band], 0)} Hz`}`;
    }
    const index = nearest(plot, event);
    if (index === null) return "";
    const more = event.target.dataset.told;
    return captures[index].id + (more ? ": " + more : "");
  };
  plot.addEventListener("pointermove", (event) => { readout.textContent = told(event); });
  plot.addEventListener("click", (event) => {
    let index = null;
    if (kind === "distances") {
      const found = cellAt(plot, event);
      index = found ? data.distances.order[found[1]] : nearest(plot, event);
    } else if (kind === "levels" || kind === "differences") {
      const found = lineAt(plot, event);
      index = found ? found.index : null;
    } else index = nearest(plot, event);
    if (index !== null) { page.press(index); readout.textContent = told(event); }
  });
}
})();
