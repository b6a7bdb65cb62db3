"use strict";
(() => {
const page = window.reampsPage, data = page.data, captures = data.captures;
const {all, make, shown} = page.tools;

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
  measured.append(make("h4", "Measured"), page.grid(["Measure", "Value"], rows));
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
openTarget();
})();
