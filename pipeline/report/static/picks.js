"use strict";
(() => {
const page = window.reampsPage, player = window.reampsPlayer;
const hear = (key, seconds) => {
  // A capture lights up everywhere; a blend has no place in the pictures.
  if (key[0] === "c") page.select(+key.slice(1)); else player.choose(key);
  if (seconds !== null) {
    const frame = Math.round(seconds * page.data.di.rate), {region: [from, to], frames} = player.state();
    player.move(frame, frame >= from && frame < to ? [from, to] : [0, frames]);
  }
  player.play();
};
document.addEventListener("click", (event) => {
  const button = event.target.closest("[data-hear]");
  if (!button || document.body.classList.contains("blind")) return;
  hear(button.dataset.hear, button.dataset.at === undefined ? null : +button.dataset.at);
});
})();
