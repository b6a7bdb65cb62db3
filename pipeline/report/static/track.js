"use strict";
(() => {
const page = window.reampsPage, player = window.reampsPlayer, graph = window.reampsGraph;
const $ = (id) => document.getElementById(id);
const sound = page.data.track;
if (!sound) return;
const KEPT = "reamps-track-" + page.data.key;
const amplitude = (db) => 10 ** (db / 20);

// Runs with the captures on one clock, heard or not: its own gate opens and shuts.
let one = null, loading = null, wanted = false, open = false, busy = 0, folded = false;
const level = () => +$("track-level").value;
const settle = () => {
  const {context, playing} = player.clock();
  if (!one || !playing || wanted === open) return;
  const at = Math.max(context.currentTime + graph.FADE_S, busy, one.ready);
  (wanted ? graph.open : graph.shut)(one, at);
  open = wanted;
  busy = at + graph.FADE_S;
};
const load = () => {
  const {context, output} = player.clock();
  loading = loading || graph.fetchSound(context, "track").then((buffer) => {
    one = graph.voice(context, buffer, output);
    one.trim.gain.value = amplitude(level());
    if (player.clock().playing) player.join(one);
  });
  return loading;
};
player.with({
  busy: () => busy,
  sounds: () => one ? sound.channels : 0,
  halt: (at) => {
    if (open) { graph.shut(one, at); open = false; busy = at + graph.FADE_S; }
    if (one && one.source) { one.source.stop(at + graph.FADE_S); one.source = null; }
  },
  start: (context, origin, region) => {
    if (!one) return;
    graph.begin(context, one, origin.time, origin.frame, region);
    if (wanted) { graph.open(one, origin.time); open = true; busy = origin.time + graph.FADE_S; }
  },
});
const show = () => {
  $("track").setAttribute("aria-pressed", String(wanted));
  if ($("mono")) $("mono").setAttribute("aria-pressed", String(folded));
  page.hears("channels", folded ? "Folded to mono." : "");
  const db = level();
  $("track-told").textContent = `${db > 0 ? "+" : db < 0 ? "\u2212" : ""}${Math.abs(db).toFixed(1)} dB`;
};
const turn = async () => {
  if (player.clock().plain) { page.say("No listening files here: the backing track cannot play along."); return; }
  wanted = !wanted;
  show();
  page.say(wanted ? "Backing track on" : "Backing track off");
  try {
    await load();
    settle();
  } catch {
    loading = null;
    wanted = false;
    show();
    page.say("The backing track could not be loaded. Run the session again.");
  }
};
const mono = () => {
  folded = !folded;
  graph.fold(player.clock().output, folded);
  show();
  page.say(folded ? "Mono" : "Stereo");
};
try {
  const kept = parseFloat(localStorage.getItem(KEPT));
  if (Number.isFinite(kept)) $("track-level").value = kept;
} catch { /* private window */ }
$("track-level").addEventListener("input", () => {
  show();
  if (one) one.trim.gain.setTargetAtTime(amplitude(level()), player.clock().context.currentTime, 0.01);
  try { localStorage.setItem(KEPT, String(level())); } catch { /* private window */ }
});
page.actions.t = turn;
$("track").addEventListener("click", turn);
if ($("mono")) {
  page.actions.m = mono;
  $("mono").addEventListener("click", mono);
}
window.reampsTrack = {state: () => ({wanted, open, loaded: one !== null, folded})};
show();
})();
