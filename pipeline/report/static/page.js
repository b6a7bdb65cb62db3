"use strict";
(() => {
const data = JSON.parse(document.getElementById("data").textContent);
const $ = (id) => document.getElementById(id);
const all = (query, root = document) => [...root.querySelectorAll(query)];
const captures = data.captures;
const SVG = "http://www.w3.org/2000/svg";
const PAGE_ROWS = 100;
const page = {selected: null, reference: data.reference, listeners: []};
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

// -- curves -----------------------------------------------------------------
const held = () => captures[page.reference] && captures[page.reference].db ? page.reference :
  captures.findIndex((capture) => capture.db);
const series = (kind, index) => {
  const own = captures[index].db;
  if (!own) return null;
  if (kind === "levels") return own.map((v) => v / 10);
  const zero = captures[held()].db;
  return own.map((v, k) => (v - zero[k]) / 10);
};
const path = (kind, index) => {
  const values = series(kind, index);
  if (!values) return "";
  const axes = data[kind];
  return "M" + values.map((v, k) =>
    place(axes.x, data.bands[k][0]) + "," + place(axes.y, v)).join("L");
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
const redraw = () => {
  for (const line of all("[data-plot=differences] .curves path")) {
    line.setAttribute("d", path("differences", +line.dataset.i));
    line.classList.toggle("reference", +line.dataset.i === page.reference);
  }
  for (const line of all("[data-plot=levels] .curves path"))
    line.classList.toggle("reference", +line.dataset.i === page.reference);
  lift("differences");
};

// -- one sentence ------------------------------------------------------------
const metric = (key) => data.metrics.findIndex(([name]) => name === key);
const BANDS = [["body_db", "at 80 to 200 Hz (body)"], ["mud_db", "at 200 to 400 Hz (mud)"],
  ["presence_db", "at 2.5 to 5 kHz (presence)"], ["fizz_db", "at 5.5 to 10 kHz (fizz)"]];
const apart = (a, b) => {
  if (!data.distances) return null;
  const [x, y] = [data.distances.order.indexOf(a), data.distances.order.indexOf(b)];
  return x < 0 || y < 0 || x === y ? null : data.distances.db[Math.max(x, y)][Math.min(x, y)];
};
page.sentence = (index) => {
  // Differences of stored figures; smaller than the night's floor, they are not told.
  const zero = held(), own = captures[index].m;
  if (zero < 0 || zero === index || !captures[index].db) return index === zero ? "The reference." : "";
  const base = captures[zero].m, found = [];
  const gap = (key) => {
    const k = metric(key);
    return own[k] === null || base[k] === null ? null : own[k] - base[k];
  };
  const floor = (key, least) => Math.max(least, data.floor.m[metric(key)] || 0);
  const tell = (key, least, words) => {
    const change = gap(key);
    if (change !== null && Math.abs(change) >= floor(key, least))
      found.push([Math.abs(change) / floor(key, least), words(change)]);
  };
  for (const [key, where] of BANDS)
    tell(key, 0.5, (d) => `${shown(Math.abs(d), 1)} dB ${d > 0 ? "more" : "less"} ${where}`);
  tell("noise_dbfs", 1, (d) => `noise ${shown(Math.abs(d), 0)} dB ${d > 0 ? "higher" : "lower"}`);
  tell("hum_db", 1, (d) => `hum ${shown(Math.abs(d), 0)} dB ${d > 0 ? "higher" : "lower"}`);
  const burnt = (figures) => shown(100 * (1 - figures[metric("linear_share")]), 0);
  tell("linear_share", 0.03, () => `saturation ${burnt(own)} % instead of ${burnt(base)} %`);
  tell("brightness_hz", 40, (d) => `${d > 0 ? "brighter" : "darker"}: its centre ${shown(Math.abs(d), 0)} Hz ${d > 0 ? "higher" : "lower"}`);
  const distance = apart(index, zero);
  if (data.floor.db !== null && distance !== null && distance <= data.floor.db)
    return `Against ${captures[zero].id}: not distinguishable tonight.`;
  if (!found.length) return `Against ${captures[zero].id}: no difference worth a word.`;
  found.sort(([a], [b]) => b - a);
  return `Against ${captures[zero].id}: ${found.slice(0, 3).map(([, words]) => words).join(", ")}.`;
};
const tellAll = () => {
  for (const box of all("[data-sentence]")) box.textContent = page.sentence(+box.dataset.sentence);
  if (page.selected !== null) $("dock-told").textContent = page.sentence(page.selected);
};

// -- what is folded ----------------------------------------------------------
const table = $("table");
const opened = new Set();
const rowOf = (index) => table && table.querySelector(`tbody tr[data-i="${index}"]`);
const folded = (row) => row.dataset.head !== undefined && $("folding") && $("folding").checked &&
  !opened.has(row.dataset.head) && !$("find").value.trim();
const wanted = (row) => !row.dataset.lost && !folded(row);

// -- selection --------------------------------------------------------------
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
page.select = (index, {quiet = false} = {}) => {
  if (!captures[index]) return;
  page.selected = index;
  const capture = captures[index];
  for (const node of all(".on")) node.classList.remove("on");
  const hiding = rowOf(index);
  if (hiding && folded(hiding)) { opened.add(hiding.dataset.head); arrange(); }
  for (const node of all(`tr[data-i="${index}"],circle[data-i="${index}"],text[data-i="${index}"],details[data-i="${index}"]`))
    node.classList.add("on");
  lift("levels");
  lift("differences");
  frameDistances();
  $("dock").hidden = false;
  $("dock-told").textContent = page.sentence(index);
  $("dock-name").textContent = capture.id;
  $("dock-place").textContent = capture.place;
  $("dock").querySelector(".dot").className = "dot s" + capture.shade;
  $("dock-more").setAttribute("href", "#c" + index);
  if (!quiet) say("Selected " + capture.id);
  for (const heard of page.listeners) heard(index);
};
const order = () => {
  // While something plays, captures without a file are stepped over.
  const rows = all("#table tbody tr").filter(wanted).map((row) => +row.dataset.i);
  return page.sounding() ? rows.filter((index) => captures[index].audio) : rows;
};
page.neighbours = () => {
  const list = order(), at = list.indexOf(page.selected);
  return at < 0 ? [] : [list[(at + 1) % list.length], list[(at - 1 + list.length) % list.length]];
};
const step = (by) => {
  const list = order();
  if (!list.length) return;
  const row = rowOf(page.selected);
  const at = list.indexOf(row && folded(row) ? +row.dataset.head : page.selected);
  page.select(list[at < 0 ? 0 : (at + by + list.length) % list.length]);
};
page.setReference = (index) => {
  if (!captures[index] || !captures[index].db) return;
  page.reference = index;
  if ($("reference")) $("reference").value = String(index);
  for (const node of all(".reference-name")) node.textContent = captures[index].id;
  redraw();
  tellAll();
  for (const box of all("[data-numbers=differences]")) fill(box);
  say("Compared with " + captures[index].id);
};

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
  let band = 0;
  data.bands.forEach(([hz], k) => {
    if (Math.abs(place(data[kind].x, hz) - at.x) < Math.abs(place(data[kind].x, data.bands[band][0]) - at.x)) band = k;
  });
  let best = null, gap = 14;
  for (const line of all(".curves path", plot)) {
    const index = +line.dataset.i;
    const away = Math.abs(place(data[kind].y, series(kind, index)[band]) - at.y);
    if (away < gap) { gap = away; best = index; }
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
      const value = series(kind, found.index)[found.band];
      return `${captures[found.index].id}: ${kind === "levels" ? shown(value, 1) : signed(value, 1)} dB at ${data.bands[found.band][1]} Hz`;
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
    if (index !== null) { page.select(index); readout.textContent = told(event); }
  });
}
document.addEventListener("click", (event) => {
  const button = event.target.closest("button.who");
  if (button) page.select(+button.dataset.i);
});

// -- table ------------------------------------------------------------------
let shownPage = 0;
const arrange = () => {
  const rows = all("tbody tr", table).filter(wanted);
  for (const button of all(".twins", table)) {
    button.hidden = !$("folding") || !$("folding").checked;
    button.setAttribute("aria-expanded", String(opened.has(button.dataset.twins)));
  }
  const pages = Math.max(1, Math.ceil(rows.length / PAGE_ROWS));
  shownPage = Math.min(shownPage, pages - 1);
  for (const row of all("tbody tr", table)) row.hidden = true;
  for (const row of rows.slice(shownPage * PAGE_ROWS, (shownPage + 1) * PAGE_ROWS)) row.hidden = false;
  const box = $("paging");
  box.replaceChildren();
  if (pages === 1) { box.textContent = rows.length === captures.length ? "" : `${rows.length} of ${captures.length} shown`; return; }
  const turn = (words, by) => {
    const button = make("button", words);
    button.type = "button";
    button.disabled = shownPage + by < 0 || shownPage + by >= pages;
    button.addEventListener("click", () => { shownPage += by; arrange(); });
    return button;
  };
  box.append(turn("Earlier rows", -1),
    make("span", `${shownPage * PAGE_ROWS + 1} to ${Math.min(rows.length, (shownPage + 1) * PAGE_ROWS)} of ${rows.length}`),
    turn("Later rows", 1));
};
if (table) {
  const heads = all("thead th", table);
  heads.forEach((head, column) => head.querySelector("button").addEventListener("click", () => {
    const words = head.classList.contains("words");
    const now = head.getAttribute("aria-sort");
    const way = now === "none" ? (words ? "ascending" : "descending") : now === "ascending" ? "descending" : "ascending";
    for (const other of heads) other.setAttribute("aria-sort", "none");
    head.setAttribute("aria-sort", way);
    const sign = way === "ascending" ? 1 : -1;
    const key = (row) => words ? row.cells[column].textContent : row.cells[column].dataset.v === undefined ? null : +row.cells[column].dataset.v;
    const body = table.tBodies[0];
    const rows = [...body.rows].map((row) => [key(row), row]);
    rows.sort(([a], [b]) => {
      if (a === null || b === null) return (a === null) - (b === null);
      return sign * (words ? a.localeCompare(b, undefined, {numeric: true}) : a - b);
    });
    const under = $("folding") && $("folding").checked;
    const twins = rows.map(([, row]) => row).filter((row) => under && row.dataset.head !== undefined);
    const tops = rows.map(([, row]) => row).filter((row) => !twins.includes(row));
    body.append(...tops.flatMap((row) => [row, ...twins.filter((twin) => twin.dataset.head === row.dataset.i)]));
    shownPage = 0;
    arrange();
    say(`Sorted by ${head.textContent}, ${way}`);
  }));
  $("find").addEventListener("input", () => {
    const sought = $("find").value.trim().toLowerCase();
    for (const row of all("tbody tr", table)) {
      if (!sought || row.textContent.toLowerCase().includes(sought)) delete row.dataset.lost;
      else row.dataset.lost = "1";
    }
    shownPage = 0;
    arrange();
  });
  for (const button of all(".twins", table)) button.addEventListener("click", () => {
    const key = button.dataset.twins;
    if (!opened.delete(key)) opened.add(key);
    arrange();
  });
  if ($("folding")) $("folding").addEventListener("change", arrange);
  const choose = () => { table.dataset.show = $("columns").value; };
  $("columns").addEventListener("change", choose);
  choose();
}

// -- numbers of the pictures -------------------------------------------------
const grid = (heads, rows) => {
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
  levels: () => grid(["Capture", ...data.bands.map(([, name]) => name + " Hz")],
    captures.flatMap((c, k) => c.db ? [[c.id, ...series("levels", k).map((v) => shown(v, 1))]] : [])),
  differences: () => grid(["Capture", ...data.bands.map(([, name]) => name + " Hz")],
    captures.flatMap((c, k) => c.db ? [[c.id, ...series("differences", k).map((v) => signed(v, 1))]] : [])),
  tones: () => grid(["Capture", "Brightness, Hz", "Saturation, %"],
    captures.map((c) => [c.id, shown(c.m[metric("brightness_hz")], 0),
      c.m[metric("linear_share")] === null ? "\u2013" : shown(100 * (1 - c.m[metric("linear_share")]), 0)])),
  distances: () => grid(["dB", ...data.distances.order.map((k) => captures[k].id)],
    data.distances.order.map((k, y) => [captures[k].id, ...data.distances.order.map((_, x) =>
      x === y ? "\u2013" : shown(data.distances.db[Math.max(x, y)][Math.min(x, y)], 1))])),
};
const fill = (box) => {
  if (box.closest("details").open) box.replaceChildren(tables[box.dataset.numbers]());
};
for (const box of all("[data-numbers]"))
  box.closest("details").addEventListener("toggle", () => fill(box));

// -- each capture ------------------------------------------------------------
for (const link of all("a[data-player]")) {
  link.closest("details").addEventListener("toggle", () => {
    if (link.previousElementSibling) return;
    const sound = make("audio");
    sound.controls = true;
    sound.preload = "none";
    sound.src = link.getAttribute("href");
    link.before(sound);
  });
}
const fact = ([label, value, hidden]) => {
  const row = make("div", undefined, hidden ? "private" : "");
  const head = make("dt", label);
  if (hidden) head.append(" ", make("span", "private", "tag"));
  row.append(head, make("dd", value));
  return row;
};
const unfold = (box) => {
  // A large night sends its sheets packed; they are laid out when they are opened.
  const index = +box.closest("details").dataset.i;
  const recall = make("div"), measured = make("div");
  for (const number of data.sheets.of[index]) {
    const [heading, facts] = data.sheets.sheets[number];
    const list = make("dl", undefined, "facts");
    list.append(...facts.map(fact));
    recall.append(make("h4", heading), list);
  }
  const rows = captures[index].m.map((value, k) => {
    const [, label, unit, digits] = data.metrics[k];
    return [label, shown(value, digits) + (unit && value !== null ? "\u00a0" + unit : "")];
  });
  measured.append(make("h4", "Measured"), grid(["Measure", "Value"], rows));
  box.replaceChildren(recall, measured);
};
for (const box of all("[data-sheets]"))
  box.closest("details").addEventListener("toggle", () => box.firstChild || unfold(box));
const openTarget = () => {
  const target = /^#c\d+$/.test(location.hash) && document.querySelector(location.hash);
  if (!target) return;
  target.open = true;
  target.querySelector("summary").focus({preventScroll: true});
  target.scrollIntoView();
  page.select(+target.dataset.i, {quiet: true});
};
window.addEventListener("hashchange", openTarget);
let unfolded = [];
window.addEventListener("beforeprint", () => {
  // Up to forty sheets print in full; a larger night would be a book.
  unfolded = captures.length <= 40 ? all("details:not([open]):not(.numbers)") : [];
  for (const node of unfolded) node.open = true;
});
window.addEventListener("afterprint", () => { for (const node of unfolded) node.open = false; });

// -- dock ---------------------------------------------------------------------
if ($("reference")) {
  captures.forEach((capture, index) => {
    if (!capture.db) return;
    const option = make("option", capture.id);
    option.value = index;
    $("reference").append(option);
  });
  if (captures.some((c) => c.db)) $("reference").value = String(held());
  $("reference").addEventListener("change", () => page.setReference(+$("reference").value));
}
page.actions = {
  j: () => step(1),
  k: () => step(-1),
  r: () => page.selected !== null && page.setReference(page.selected),
};
$("before").addEventListener("click", () => page.actions.k());
$("after").addEventListener("click", () => page.actions.j());
$("hold").addEventListener("click", () => page.actions.r());
document.addEventListener("keydown", (event) => {
  if (event.ctrlKey || event.metaKey || event.altKey) return;
  if (event.target.closest("input,select,textarea")) return;
  const action = page.actions[event.key.toLowerCase()];
  if (action) { event.preventDefault(); action(event); }
});
for (const node of all("[data-script]")) if (node.id !== "dock") node.hidden = false;
if (table) arrange();
tellAll();
if (captures.some((capture) => capture.audio)) $("dock").hidden = false;
openTarget();
})();
