"use strict";
(() => {
const page = window.reampsPage, data = page.data, captures = data.captures;
const {$, all, make} = page.tools;
const PAGE_ROWS = 100;

// -- what is folded ----------------------------------------------------------
const table = $("table");
const opened = new Set();
const rowOf = (index) => table && table.querySelector(`tbody tr[data-i="${index}"]`);
const folded = (row) => row.dataset.head !== undefined && $("folding") && $("folding").checked &&
  !opened.has(row.dataset.head) && !$("find").value.trim();
const wanted = (row) => !row.dataset.lost && !folded(row);

page.listeners.push((index) => {
  const hiding = rowOf(index);
  if (hiding && folded(hiding)) { opened.add(hiding.dataset.head); arrange(); }
});

// -- one after the other ------------------------------------------------------
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
page.actions.j = () => step(1);
page.actions.k = () => step(-1);
$("before").addEventListener("click", () => page.actions.k());
$("after").addEventListener("click", () => page.actions.j());

// -- rows ------------------------------------------------------------------
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
    const figure = (shown) => shown === "\u2013" ? null : +shown.replace("\u2212", "-");
    const key = (row) => words ? row.cells[column].textContent : figure(row.cells[column].textContent);
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
    page.say(`Sorted by ${head.textContent}, ${way}`);
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
  const sentences = () => {
    // Told when they are looked at: a large night has a thousand of them.
    if (table.dataset.show === "words")
      for (const cell of all("td[data-sentence]", table)) cell.textContent = page.sentence(+cell.dataset.sentence);
  };
  const choose = () => { table.dataset.show = $("columns").value; sentences(); };
  page.onReference.push(sentences);
  $("columns").addEventListener("change", choose);
  choose();
}
if (table) arrange();
})();
