"use strict";
(() => {
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
// A bracket: pairs meet by lot, the loser is out, an odd one waits for a round, but
// not twice running. The last two meet as often as asked for, always to the end:
// stopping early would spoil the figures. Whoever asks writes each trial's vote.
const bracket = function* (entrants, finalVotes) {
  let field = [...entrants], waited = null;
  for (let round = 1; ; round += 1) {
    if (field.length === 2) {
      for (let k = 0; k < finalVotes; k += 1) yield {round, final: true, pair: shuffled(field)};
      return;
    }
    const order = shuffled(field), last = order.length - 1, next = [];
    if (order[last] === waited) [order[0], order[last]] = [order[last], order[0]];
    for (let k = 0; k < last; k += 2) {
      const trial = {round, final: false, pair: order.slice(k, k + 2)};
      yield trial;
      next.push(trial.pair[trial.vote]);
    }
    waited = last % 2 ? null : order[last];
    field = waited === null ? next : [...next, waited];
  }
};
window.reampsChance = {below, atLeast, twoSided, shuffled, letters, pairsOf, bracket};
})();
