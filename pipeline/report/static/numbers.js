"use strict";
(() => {
const page = window.reampsPage, data = page.data, captures = data.captures;
const {all, make, shown, signed} = page.tools;

// -- numbers of the pictures -------------------------------------------------
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
    const cell = make("th", name, "words");
    cell.scope = "row";
    row.append(cell, ...values.map((value) => make("td", value)));
  }
  return node;
};
const tables = {
  levels: () => page.grid(["Capture", ...data.bands.map(([, name]) => name + " Hz")],
    captures.flatMap((c, k) => c.db ? [[c.id, ...page.series("levels", k).map((v) => shown(v, 1))]] : [])),
  differences: () => page.grid(["Capture", ...data.bands.map(([, name]) => name + " Hz")],
    captures.flatMap((c, k) => c.db ? [[c.id, ...page.series("differences", k).map((v) => signed(v, 1))]] : [])),
  tones: () => page.grid(["Capture", "Brightness, Hz", "Saturation, %"],
    captures.map((c) => [c.id, shown(c.m[page.metric("brightness_hz")], 0),
      c.m[page.metric("linear_share")] === null ? "\u2013" : shown(100 * (1 - c.m[page.metric("linear_share")]), 0)])),
  distances: () => page.grid(["dB", ...data.distances.order.map((k) => captures[k].id)],
    data.distances.order.map((k, y) => [captures[k].id, ...data.distances.order.map((_, x) =>
      x === y ? "\u2013" : shown(data.distances.db[Math.max(x, y)][Math.min(x, y)], 1))])),
};
const fill = (box) => {
  if (box.closest("details").open) box.replaceChildren(tables[box.dataset.numbers]());
};
for (const box of all("[data-numbers]"))
  box.closest("details").addEventListener("toggle", () => fill(box));
page.onReference.push(() => { for (const box of all("[data-numbers=differences]")) fill(box); });
})();
