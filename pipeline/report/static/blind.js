"use strict";
(() => {
const page = window.reampsPage, player = window.reampsPlayer;
const $ = (id) => document.getElementById(id);
const MOST = 8, BREAK_AFTER = 12;

// -- chance: exact binomial at one half ---------------------------------------
const ways = (n, k) => {
  let found = 1;
  for (let j = 1; j <= k; j += 1) found = found * (n - k + j) / j;
  return found;
};
const atLeast = (k, n) => {
  let sum = 0;
  for (let j = Math.max(0, k); j <= n; j += 1) sum += ways(n, j);
  return Math.min(1, sum / 2 ** n);
};
const twoSided = (k, n) => Math.min(1, 2 * atLeast(Math.max(k, n - k), n));
const below = (count) => {
  // Unbiased: values beyond the last whole multiple are drawn again.
  const limit = Math.floor(0x100000000 / count) * count, draw = new Uint32Array(1);
  do crypto.getRandomValues(draw); while (draw[0] >= limit);
  return draw[0] % count;
};
const shuffled = (items) => {
  const list = [...items];
  for (let k = list.length - 1; k > 0; k -= 1) {
    const j = below(k + 1);
    [list[k], list[j]] = [list[j], list[k]];
  }
  return list;
};
const letters = (count) => shuffled("ABCDEFGHJKLMNPRSTUVYZ").slice(0, count);
const pairsOf = (list) => list.flatMap((a, k) => list.slice(k + 1).map((b) => [a, b]));
window.reampsChance = {atLeast, twoSided, shuffled, letters, pairsOf};
if (!$("blind")) return;

const make = (tag, words) => { const node = document.createElement(tag); node.textContent = words; return node; };
const name = (index) => page.data.captures[index].id;
const figure = (p) => p < 0.001 ? "below 0.001" : p.toFixed(3);

// -- who takes part -------------------------------------------------------------
const picks = [];
const twins = () => page.data.groups.filter((group) => group.filter((i) => picks.includes(i)).length > 1);
const listPicks = () => {
  const rows = picks.map((index) => {
    const label = document.createElement("label"), box = document.createElement("input");
    box.type = "checkbox";
    box.checked = true;
    box.addEventListener("change", () => { picks.splice(picks.indexOf(index), 1); listPicks(); });
    label.append(box, " ", name(index));
    return label;
  });
  $("blind-picks").replaceChildren(...rows);
  $("blind-why").textContent = twins().length ? "Some of these cannot be told apart tonight: expect chance." : "";
};
const add = (index) => {
  if (picks.length < MOST && !picks.includes(index) && player.sounds["c" + index]) picks.push(index);
};
page.data.short.forEach(add);
page.data.captures.forEach((capture, index) => {
  if (!capture.audio) return;
  const option = make("option", capture.id);
  option.value = index;
  $("blind-add").append(option);
});
$("blind-add").addEventListener("change", () => {
  if ($("blind-add").value !== "") add(+$("blind-add").value);
  $("blind-add").value = "";
  listPicks();
});
listPicks();

// -- a test ---------------------------------------------------------------------
let test = null;
const plan = (question) => {
  if (question === "hear") {
    const count = Math.min(50, Math.max(5, +$("blind-trials").value || 16));
    return Array.from({length: count}, () => ({pair: shuffled(picks), hidden: below(2)}));
  }
  const rounds = Math.min(20, Math.max(1, +$("blind-rounds").value || 1));
  return Array.from({length: rounds}, () => shuffled(pairsOf(picks)).map((pair) => ({pair: shuffled(pair)}))).flat();
};
const listen = (k) => {
  const trial = test.trials[test.at];
  const index = k === 2 ? trial.pair[trial.hidden] : trial.pair[k];
  player.choose("c" + index);
  [...$("blind-heard").children].forEach((button, j) => button.setAttribute("aria-pressed", String(j === k)));
};
const button = (words, key, act) => {
  const node = make("button", words + " ");
  node.type = "button";
  node.append(make("kbd", key));
  node.addEventListener("click", act);
  return node;
};
const ask = () => {
  const trial = test.trials[test.at], [first, second] = letters(2);
  const hear = test.question === "hear";
  trial.letters = [first, second];
  $("blind-ask").textContent = `${test.at + 1} of ${test.trials.length}. ` +
    (hear ? `Which one is X: ${first} or ${second}?` : `Which do you like better: ${first} or ${second}?`) +
    (test.at > 0 && test.at % BREAK_AFTER === 0 ? " Time for a break: tired ears lose the highs first. Your votes are kept while this page stays open." : "");
  $("blind-heard").replaceChildren(button(first, "1", () => listen(0)), button(second, "2", () => listen(1)),
    ...(hear ? [button("X", "3", () => listen(2))] : []));
  $("blind-votes").replaceChildren(button(hear ? `X is ${first}` : `${first} is better`, "Q", () => vote(0)),
    button(hear ? `X is ${second}` : `${second} is better`, "W", () => vote(1)));
  $("blind-ask").focus();
  listen(0);
};
const vote = (k) => {
  test.trials[test.at].vote = k;
  test.at += 1;
  if (test.at < test.trials.length) ask(); else finish();
};
const over = () => {
  document.body.classList.remove("blind");
  player.pin([]);
  player.pause();
  test = null;
  $("blind-trial").hidden = true;
  $("blind-form").hidden = false;
};
const toldHearing = (trials) => {
  const right = trials.filter((t) => t.vote === t.hidden).length, n = trials.length;
  const p = atLeast(right, n);
  return [`${right} of ${n} right between ${name(trials[0].pair[0])} and ${name(trials[0].pair[1])}. ` +
    `Guessing does this well or better with p = ${figure(p)} (exact, one-sided). ` +
    (p <= 0.05 ? "You hear a difference." : "That could be guessing. It does not prove that they are the same.")];
};
const toldLiking = (trials) => {
  const wins = new Map(picks.map((index) => [index, {won: 0, of: 0}]));
  for (const t of trials) {
    t.pair.forEach((index, k) => { wins.get(index).of += 1; if (k === t.vote) wins.get(index).won += 1; });
  }
  return [...wins].sort(([, a], [, b]) => b.won - a.won).map(([index, {won, of}]) => {
    const p = twoSided(won, of);
    return `${name(index)}: liked better ${won} of ${of} times, p = ${figure(p)} (exact, two-sided)` +
      (p <= 0.05 ? "." : ": could be chance.");
  });
};
const finish = () => {
  const {trials, question} = test;
  const lines = question === "hear" ? toldHearing(trials) : toldLiking(trials);
  const list = document.createElement("ul");
  list.append(...lines.map((line) => make("li", line)));
  const votes = document.createElement("details");
  const each = document.createElement("ol");
  each.append(...trials.map((t) => make("li", `${t.letters[0]} was ${name(t.pair[0])}, ${t.letters[1]} was ${name(t.pair[1])}` +
    (question === "hear" ? `, X was ${t.letters[t.hidden]}: you said ${t.letters[t.vote]}.` : `: you chose ${t.letters[t.vote]}.`))));
  votes.append(make("summary", "Every vote, with names"), each);
  $("blind-result").replaceChildren(make("h3", "What you said"), list, votes);
  $("blind-result").hidden = false;
  over();
  $("blind-result").focus();
};
$("blind-form").addEventListener("submit", (event) => {
  event.preventDefault();
  const question = new FormData($("blind-form")).get("question");
  const fits = question === "hear" ? picks.length === 2 : picks.length >= 2;
  if (!fits) {
    $("blind-why").textContent = question === "hear" ? "Choose exactly two captures." : "Choose at least two captures.";
    return;
  }
  $("blind-why").textContent = "";
  test = {question, trials: plan(question), at: 0};
  document.body.classList.add("blind");
  player.pin(picks.map((index) => "c" + index));
  $("blind-result").hidden = true;
  $("blind-form").hidden = true;
  $("blind-trial").hidden = false;
  ask();
  player.play();
});
$("blind-stop").addEventListener("click", over);
const keep = {...page.actions};
const mine = {"1": () => listen(0), "2": () => listen(1), "3": () => test.question === "hear" && listen(2),
  q: () => vote(0), w: () => vote(1), p: keep.p, s: keep.s, o: keep.o, t: keep.t, m: keep.m, "[": keep["["], "]": keep["]"]};
for (const key of new Set([...Object.keys(keep), ...Object.keys(mine)])) {
  page.actions[key] = (event) => {
    if (!test) { if (keep[key]) keep[key](event); }
    else if (mine[key]) mine[key](event);
  };
}
})();
