"use strict";
(() => {
const page = window.reampsPage, player = window.reampsPlayer;
const $ = (id) => document.getElementById(id);
const {below, atLeast, twoSided, shuffled, letters, pairsOf, bracket} = window.reampsChance;
// Fewer than six votes cannot fall below 0.05 on two sides: 2 / 2^5 is 0.0625.
const MOST = 8, BREAK_AFTER = 12, FEWEST = 6;
if (!$("blind")) return;

const make = (tag, words) => { const node = document.createElement(tag); node.textContent = words; return node; };
const name = (index) => page.data.captures[index].id;
const figure = (p) => p < 0.001 ? "below 0.001" : p.toFixed(3);
const field = (id, least, most) => Math.min(most, Math.max(least, Math.round(+$(id).value) || least));

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
  told();
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

// -- a test ---------------------------------------------------------------------
let test = null;
const QUESTIONS = {
  hear: {
    trouble: () => picks.length === 2 ? "" : "Choose exactly two captures.",
    count: () => field("blind-trials", 5, 50),
    * trials() { for (let k = this.count(); k > 0; k -= 1) yield {pair: shuffled(picks), hidden: below(2)}; },
  },
  prefer: {
    trouble: () => picks.length >= 2 ? "" : "Choose at least two captures.",
    count: () => field("blind-rounds", 1, 20) * picks.length * (picks.length - 1) / 2,
    * trials() {
      for (let k = field("blind-rounds", 1, 20); k > 0; k -= 1)
        for (const pair of shuffled(pairsOf(picks))) yield {pair: shuffled(pair)};
    },
  },
  bracket: {
    trouble: () => picks.length >= 2 ? "" : "Choose at least two captures.",
    // An odd number: a final has a winner.
    votes: () => field("blind-final", 1, 25) | 1,
    count() { return Math.max(0, picks.length - 2) + this.votes(); },
    trials() { return bracket(picks, this.votes()); },
  },
};
const asked = () => new FormData($("blind-form")).get("question");
const told = () => {
  const kind = QUESTIONS[asked()], votes = kind.count();
  $("blind-count").textContent = kind.trouble() ? "" : `That is ${votes} ${votes === 1 ? "vote" : "votes"}` +
    (votes > BREAK_AFTER ? `, with a break after ${BREAK_AFTER}.` : ".");
};
const listen = (k) => {
  const {trial} = test;
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
const part = ({round, final}) => final === undefined ? "" : final ? "Final. " : `Round ${round}. `;
const ask = () => {
  const {value: trial, done} = test.trials.next();
  if (done) { finish(); return; }
  const hear = test.question === "hear", at = test.voted.length;
  const [first, second] = trial.letters = letters(2);
  test.trial = trial;
  $("blind-ask").textContent = `${at + 1} of ${test.count}. ` + part(trial) +
    (hear ? `Which one is X: ${first} or ${second}?` : `Which do you like better: ${first} or ${second}?`) +
    (at > 0 && at % BREAK_AFTER === 0 ? " Time for a break: tired ears lose the highs first. Your votes are kept while this page stays open." : "");
  $("blind-heard").replaceChildren(button(first, "1", () => listen(0)), button(second, "2", () => listen(1)),
    ...(hear ? [button("X", "3", () => listen(2))] : []));
  $("blind-votes").replaceChildren(button(hear ? `X is ${first}` : `${first} is better`, "Q", () => vote(0)),
    button(hear ? `X is ${second}` : `${second} is better`, "W", () => vote(1)));
  $("blind-ask").focus();
  listen(0);
};
const vote = (k) => {
  test.trial.vote = k;
  test.voted.push(test.trial);
  ask();
};
const over = () => {
  document.body.classList.remove("blind");
  player.pin([]);
  player.pause();
  test = null;
  $("blind-trial").hidden = true;
  $("blind-form").hidden = false;
};
const chance = (won, of) => of < FEWEST ? "\u2013" : figure(twoSided(won, of));
const FEW = `Fewer than ${FEWEST} votes say nothing against chance.`;
const grid = (caption, heads, rows) => {
  const table = make("table", ""), head = table.createTHead().insertRow(), body = table.createTBody();
  table.className = "grid";
  table.append(make("caption", caption));
  for (const [k, words] of heads.entries()) {
    const cell = make("th", words);
    cell.scope = "col";
    if (!k) cell.className = "words";
    head.append(cell);
  }
  for (const [index, ...values] of rows) {
    const row = body.insertRow(), cell = make("th", ""), who = make("button", name(index));
    cell.scope = "row";
    who.type = "button";
    who.className = "who";
    who.dataset.i = index;
    cell.append(who);
    row.append(cell, ...values.map((value) => make("td", value)));
  }
  const room = make("div", "");
  room.className = "scroll";
  room.append(table);
  return room;
};
const tally = (trials) => {
  const found = new Map(test.entrants.map((index) => [index, {won: 0, of: 0}]));
  for (const trial of trials)
    trial.pair.forEach((index, k) => { found.get(index).of += 1; if (k === trial.vote) found.get(index).won += 1; });
  return found;
};
const results = {
  hear: (trials) => {
    const right = trials.filter((t) => t.vote === t.hidden).length, n = trials.length, p = atLeast(right, n);
    return [make("p", `${right} of ${n} right between ${name(test.entrants[0])} and ${name(test.entrants[1])}. ` +
      `Guessing does this well or better with p = ${figure(p)} (exact, one-sided). ` +
      (p <= 0.05 ? "You hear a difference." : "That could be guessing. It does not prove that they are the same."))];
  },
  prefer: (trials) => {
    const rows = [...tally(trials)].sort(([, a], [, b]) => b.won - a.won)
      .map(([index, {won, of}]) => [index, String(won), String(of), chance(won, of)]);
    return [grid("Every pair", ["Capture", "Liked better", "Of", "p"], rows),
      make("p", "p: how often coin tosses would be as far from half or farther (exact, two-sided); above 0.05 it could be chance. " +
        (rows.length > 2 ? `${rows.length} rows are ${rows.length} looks: to be strict, multiply by ${rows.length} (Bonferroni). ` : "") + FEW)];
  },
  bracket: (trials) => {
    const before = tally(trials.filter((t) => !t.final)), last = tally(trials.filter((t) => t.final));
    const lost = new Map(trials.filter((t) => !t.final).map((t) => [t.pair[1 - t.vote], t.round]));
    const two = test.entrants.filter((index) => !lost.has(index)).sort((a, b) => last.get(b).won - last.get(a).won);
    const out = [...lost.keys()].sort((a, b) => lost.get(b) - lost.get(a));
    const rows = [...two, ...out].map((index, k) => [index,
      k === 0 ? "winner" : k === 1 ? "final" : `round ${lost.get(index)}`,
      `${before.get(index).won} of ${before.get(index).of}`, k < 2 ? `${last.get(index).won} of ${last.get(index).of}` : "\u2013"]);
    const {won, of} = last.get(two[0]), p = twoSided(won, of), all = test.entrants.length;
    return [grid("Bracket", ["Capture", "Reached", "Before the final", "In the final"], rows),
      make("p", `In the final ${name(two[0])} was liked better ${won} of ${of} times` + (of < FEWEST ? `. ${FEW}` :
        `, p = ${figure(p)} (exact, two-sided)` + (p <= 0.05 ? "." : ": could be chance.")) +
        (all > 2 ? ` Who reaches the final proves little: somebody always does, and by tossing coins each of the ${all} would win one time in ${all}.` : ""))];
  },
};
const spoken = (trial) => {
  const [a, b] = trial.letters;
  return `${part(trial)}${a} was ${name(trial.pair[0])}, ${b} was ${name(trial.pair[1])}` + (trial.hidden === undefined ?
    `: you chose ${trial.letters[trial.vote]}.` : `, X was ${trial.letters[trial.hidden]}: you said ${trial.letters[trial.vote]}.`);
};
const finish = () => {
  const {voted, question} = test;
  const votes = document.createElement("details"), each = document.createElement("ol");
  each.append(...voted.map((trial) => make("li", spoken(trial))));
  votes.append(make("summary", "Every vote, with names"), each);
  $("blind-result").replaceChildren(make("h3", "What you said"), ...results[question](voted), votes);
  $("blind-result").hidden = false;
  over();
  $("blind-result").focus();
};
$("blind-form").addEventListener("submit", (event) => {
  event.preventDefault();
  const question = asked(), kind = QUESTIONS[question];
  $("blind-why").textContent = kind.trouble();
  if (kind.trouble()) return;
  // The list may change while a test runs: who began takes part.
  test = {question, trials: kind.trials(), count: kind.count(), entrants: [...picks], voted: []};
  document.body.classList.add("blind");
  player.pin(picks.map((index) => "c" + index));
  $("blind-result").hidden = true;
  $("blind-form").hidden = true;
  $("blind-trial").hidden = false;
  ask();
  player.play();
});
$("blind-form").addEventListener("input", told);
listPicks();
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
