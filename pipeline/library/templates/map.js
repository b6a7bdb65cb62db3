"use strict";
(() => {
  const data = JSON.parse(document.getElementById("data").textContent);
  const at = (id) => document.getElementById(id);
  const ROW = 44, REACH = 14;
  const facetNames = Object.keys(data.facets);
  const chosen = Object.fromEntries(facetNames.map((name) => [name, new Set()]));
  const series = [
    ["rig 1", "Rig, first direction", "", 1, data.spots[0]],
    ["rig 2", "Rig, second direction", "", 1, data.spots[1]],
    ...data.metrics,
  ];
  const brightness = data.metrics.find((m) => m[0] === "brightness_hz")[4];
  const texts = data.id.map((id, k) =>
    [id, session(k), ...facetNames.map((name) => facet(name, k))].join(" ").toLowerCase());
  let shown = [], picked = -1, hovered = -1, points = [], queued = false;

  function session(k) { return data.session[0][data.session[1][k]] || ""; }
  function facet(name, k) { return data.facets[name][0][data.facets[name][1][k]] || ""; }
  function make(tag, text, parent) {
    const made = document.createElement(tag);
    if (text !== undefined) made.textContent = text;
    if (parent) parent.append(made);
    return made;
  }
  function figure(m, k) {
    const value = m[4][k];
    return value === null ? "–" : value.toFixed(m[3]).replace("-", "−") + (m[2] ? " " + m[2] : "");
  }
  function titled(name) { return name[0].toUpperCase() + name.slice(1); }
  function where(k) {
    const distance = data.distance[k];
    return [facet("mic", k), facet("position", k), distance === null ? "" : distance + " mm"]
      .filter(Boolean).join(", ");
  }

  // ---- facets
  const counters = {};
  function makeFacets() {
    for (const name of facetNames) {
      const [values] = data.facets[name];
      if (!values.length) continue;
      const box = make("fieldset", undefined, at("facets"));
      make("legend", titled(name), box);
      counters[name] = values.map((value, index) => {
        const label = make("label", undefined, box);
        const tick = make("input", undefined, label);
        tick.type = "checkbox";
        tick.addEventListener("change", () => {
          if (tick.checked) chosen[name].add(index); else chosen[name].delete(index);
          filter();
        });
        label.append(value);
        return make("span", "", label);
      });
    }
  }
  function passes(k, words, except) {
    for (const name of facetNames) {
      const wanted = chosen[name];
      if (name !== except && wanted.size && !wanted.has(data.facets[name][1][k])) return false;
    }
    return words.every((word) => texts[k].includes(word));
  }
  function filter() {
    const words = at("words").value.toLowerCase().split(/\s+/).filter(Boolean);
    shown = [];
    const counts = Object.fromEntries(Object.keys(counters).map((n) => [n, new Map()]));
    for (let k = 0; k < data.count; k++) {
      if (passes(k, words, null)) shown.push(k);
      for (const name in counts) {
        if (!passes(k, words, name)) continue;
        const value = data.facets[name][1][k];
        counts[name].set(value, (counts[name].get(value) || 0) + 1);
      }
    }
    for (const name in counts)
      counters[name].forEach((span, index) => { span.textContent = counts[name].get(index) || 0; });
    const all = `${data.count} tone${data.count === 1 ? "" : "s"}`;
    at("count").textContent = shown.length === data.count
      ? all : `${shown.length} of ${all}`;
    at("tall").style.height = shown.length * ROW + "px";
    redraw();
  }

  // ---- list: only the rows that can be seen exist
  function drawRows() {
    const list = at("list"), rows = at("rows");
    const first = Math.max(0, Math.floor(list.scrollTop / ROW) - 5);
    const last = Math.min(shown.length, first + Math.ceil(list.clientHeight / ROW) + 10);
    rows.replaceChildren();
    rows.style.transform = `translateY(${first * ROW}px)`;
    for (let n = first; n < last; n++) {
      const k = shown[n];
      const row = make("div", undefined, rows);
      row.className = "row";
      row.id = "row" + k;
      row.setAttribute("role", "option");
      row.setAttribute("aria-selected", String(k === picked));
      row.setAttribute("aria-posinset", String(n + 1));
      row.setAttribute("aria-setsize", String(shown.length));
      row.append(`${data.number[k]}  ${data.id[k]}`);
      make("small", `${session(k)} · ${where(k)}`, row);
      row.addEventListener("click", () => pick(k, true));
    }
    at("list").setAttribute("aria-activedescendant", picked < 0 ? "" : "row" + picked);
  }

  // ---- map
  function spread(values) {
    let low = Infinity, high = -Infinity;
    for (const v of values) if (v !== null) { if (v < low) low = v; if (v > high) high = v; }
    return low < high ? [low, high] : [low - 1, low + 1];
  }
  const ranks = (() => {
    const order = [...brightness.keys()].filter((k) => brightness[k] !== null)
      .sort((a, b) => brightness[a] - brightness[b]);
    const found = new Float32Array(data.count).fill(-1);
    order.forEach((k, n) => { found[k] = n / Math.max(1, order.length - 1); });
    return found;
  })();
  const RAMP = [[43, 63, 107], [106, 111, 135], [181, 139, 74], [224, 178, 60]];
  function shade(rank) {
    if (rank < 0) return "#888";
    const place = rank * (RAMP.length - 1), n = Math.min(RAMP.length - 2, Math.floor(place));
    return "rgb(" + RAMP[n].map((c, i) => Math.round(c + (RAMP[n + 1][i] - c) * (place - n))) + ")";
  }
  const shades = Array.from(ranks, shade);
  function scaled(values, key) {
    const log = key.endsWith("_hz");
    const f = log ? Math.log2 : (v) => v;
    const [low, high] = spread(values.map((v) => (v === null ? null : f(v))));
    return (v) => (v === null ? null : (f(v) - low) / (high - low));
  }
  function drawMap() {
    const canvas = at("map"), ratio = window.devicePixelRatio || 1;
    const width = canvas.clientWidth, height = canvas.clientHeight;
    canvas.width = width * ratio;
    canvas.height = height * ratio;
    const pen = canvas.getContext("2d");
    pen.scale(ratio, ratio);
    const across = series[at("across").value], upwards = series[at("upwards").value];
    const toX = scaled(across[4], across[0]), toY = scaled(upwards[4], upwards[0]);
    points = [];
    for (const k of shown) {
      const x = toX(across[4][k]), y = toY(upwards[4][k]);
      if (x === null || y === null) continue;
      points.push([k, 14 + x * (width - 28), height - 30 - y * (height - 44)]);
    }
    edges(pen, [across, upwards], [width, height]);
    const radius = points.length > 2000 ? 2.5 : points.length > 300 ? 4 : 6;
    for (const [k, x, y] of points) {
      pen.fillStyle = shades[k];
      pen.beginPath();
      pen.arc(x, y, radius, 0, 7);
      pen.fill();
    }
    for (const [k, x, y] of points) {
      if (k !== picked && k !== hovered) continue;
      pen.strokeStyle = getComputedStyle(document.body).color;
      pen.lineWidth = k === picked ? 3 : 1.5;
      pen.beginPath();
      pen.arc(x, y, radius + 4, 0, 7);
      pen.stroke();
    }
  }
  // What the axes reach from and to: the map of two metrics is a graph.
  function edges(pen, axes, [width, height]) {
    pen.fillStyle = getComputedStyle(document.body).color;
    pen.font = "12px system-ui, sans-serif";
    axes.forEach((axis, way) => {
      if (!axis[0].includes("_")) return;
      const [low, high] = spread(axis[4]).map((v) =>
        v.toFixed(axis[3]).replace("-", "−") + (axis[2] ? " " + axis[2] : ""));
      pen.textAlign = "left";
      if (way) { pen.fillText(high, 4, 13); pen.fillText(low, 4, height - 20); return; }
      pen.fillText(low, 4, height - 5);
      pen.textAlign = "right";
      pen.fillText(high, width - 4, height - 5);
    });
  }
  function nearest(event) {
    const box = at("map").getBoundingClientRect();
    const px = event.clientX - box.left, py = event.clientY - box.top;
    let best = -1, least = REACH * REACH;
    for (const [k, x, y] of points) {
      const far = (x - px) ** 2 + (y - py) ** 2;
      if (far < least) { least = far; best = k; }
    }
    return best;
  }
  function redraw() {
    if (queued) return;
    queued = true;
    requestAnimationFrame(() => { queued = false; drawMap(); drawRows(); });
  }

  // ---- one capture
  const known = data.lufs.filter((v) => v !== null);
  const common = known.length ? known.reduce((a, b) => Math.min(a, b)) : 0;
  let playingDi = -1;
  function pick(k, play) {
    picked = k;
    at("one").hidden = at("deck").hidden = false;
    at("name").textContent = `${data.number[k]}  ${data.id[k]} · ${session(k)} · ${where(k)}`;
    const figures = at("figures");
    figures.replaceChildren();
    for (const name of facetNames) if (facet(name, k)) pair(titled(name), facet(name, k));
    for (const m of data.metrics) pair(m[1], figure(m, k));
    function pair(term, value) {
      const line = make("div", undefined, figures);
      make("dt", term, line);
      make("dd", value, line);
    }
    listen(k, play);
    redraw();
  }
  function listen(k, play) {
    const player = at("player");
    if (!data.audio[k]) {
      player.removeAttribute("src");
      at("note").textContent = "Its audio lies nowhere any more.";
      return;
    }
    // Another capture of the same DI goes on where the last one was.
    const time = playingDi === data.di[k] ? player.currentTime : 0;
    playingDi = data.di[k];
    player.src = data.audio[k];
    player.volume = data.lufs[k] === null ? 1 : Math.min(1, 10 ** ((common - data.lufs[k]) / 20));
    at("note").textContent = `Played at ${common.toFixed(1).replace("-", "−")} LUFS, the level of the quietest.`;
    player.addEventListener("loadedmetadata", () => {
      player.currentTime = Math.min(time, player.duration || 0);
    }, { once: true });
    if (play) player.play().catch(() => { at("note").textContent = "It cannot be played here."; });
  }

  // ---- start
  makeFacets();
  if (window.matchMedia("(max-width: 62rem)").matches) at("choose").open = false;
  for (const select of ["across", "upwards"])
    series.forEach((s, n) => { make("option", s[2] ? `${s[1]}, ${s[2]}` : s[1], at(select)).value = n; });
  const placed = data.spots[0].some((v) => v !== null);
  at("across").value = placed ? 0 : 2;
  at("upwards").value = placed ? 1 : 3;
  for (const id of ["across", "upwards"]) at(id).addEventListener("change", redraw);
  at("words").addEventListener("input", filter);
  at("clear").addEventListener("click", () => {
    at("words").value = "";
    for (const name of facetNames) chosen[name].clear();
    for (const tick of document.querySelectorAll("#facets input")) tick.checked = false;
    filter();
  });
  at("list").addEventListener("scroll", () => requestAnimationFrame(drawRows), { passive: true });
  at("list").addEventListener("keydown", (event) => {
    const step = { ArrowDown: 1, ArrowUp: -1, PageDown: 10, PageUp: -10 }[event.key];
    if (event.key === "Enter" && picked >= 0) { pick(picked, true); return; }
    if (!step || !shown.length) return;
    event.preventDefault();
    const place = Math.min(shown.length - 1, Math.max(0, shown.indexOf(picked) + step));
    const list = at("list");
    if (place * ROW < list.scrollTop) list.scrollTop = place * ROW;
    if ((place + 1) * ROW > list.scrollTop + list.clientHeight)
      list.scrollTop = (place + 1) * ROW - list.clientHeight;
    pick(shown[place], false);
  });
  at("map").addEventListener("pointermove", (event) => {
    const found = nearest(event);
    if (found === hovered) return;
    hovered = found;
    at("hover").textContent = found < 0 ? " " : `${data.id[found]} · ${session(found)} · ${where(found)}`;
    redraw();
  });
  at("map").addEventListener("click", (event) => {
    const found = nearest(event);
    if (found >= 0) pick(found, true);
  });
  new ResizeObserver(redraw).observe(at("map"));
  filter();
  requestAnimationFrame(() => requestAnimationFrame(() => {
    document.documentElement.dataset.ready = String(Math.round(performance.now()));
  }));
})();
