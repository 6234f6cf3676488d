// The chart of heat-ups at hand: values at a cursor, zoom by touch, mouse and keys. While a finger moves,
// the drawn lines are stretched; when it rests, the board draws them anew with proper axes. Without this
// file the links and forms of the page do the same.
"use strict";
(() => {
  const ASK_MS = 8000, LIVE_MS = 30000, LEAST_S = 300, REST_MS = 250, MOVED_PX = 6;
  const root = document.documentElement;
  root.classList.add("has-script");

  // -- the list: how many are chosen
  const choose = document.getElementById("k-choose");
  if (choose) {
    const button = choose.querySelector("[data-count]"), label = button.textContent;
    const count = () => {
      const n = choose.querySelectorAll("input[name=h]:checked").length;
      button.textContent = n ? `${label} (${n})` : label;
    };
    choose.addEventListener("change", count);
    addEventListener("pageshow", count);
    count();
  }

  async function get(url) {
    const stop = new AbortController();
    const late = setTimeout(() => stop.abort(), ASK_MS);
    try {
      const answer = await fetch(url, { cache: "no-store", signal: stop.signal });
      if (!answer.ok) throw new Error(String(answer.status));
      return await answer.text();
    } finally {
      clearTimeout(late);
    }
  }

  // -- a preview that is being worked out
  const previews = document.getElementById("k-preview-host");
  if (previews) {
    let wait = 2000;
    const look = async () => {
      if (previews.querySelector("[data-state=working]") === null) return;
      if (!document.hidden) {
        try {
          previews.innerHTML = await get(`${location.pathname}?part=preview`);
        } catch { /* asked again below */ }
        wait = Math.min(wait * 1.5, 30000);
      }
      setTimeout(look, wait);
    };
    setTimeout(look, wait);
  }

  // -- the figure
  const host = document.getElementById("k-host");
  if (!host) return;
  const status = document.getElementById("k-said");
  let figure, svg, numbers, slider, shown, asked = 0, resting = 0;
  const fingers = new Map();
  let begun = null, sliding = false;

  function take() {
    figure = host.querySelector("figure");
    if (!figure) return;
    svg = figure.querySelector("svg.k-chart");
    numbers = JSON.parse(figure.dataset.numbers);
    slider = figure.querySelector("#k-at");
    shown = { from: numbers.from, to: numbers.to };
    point(Number(slider.value) * 60);
  }

  // -- values at the cursor
  function point(s) {
    const when = told(s), said = [];
    figure.querySelector("#k-when").textContent = when;
    figure.querySelectorAll(".k-values li").forEach((row, i) => {
      const value = value_at(numbers.lines[i], s);
      row.querySelector("[data-value]").textContent = value;
      said.push(`${row.querySelector(".k-name").textContent} ${value}`);
    });
    slider.setAttribute("aria-valuetext", `${when}: ${said.join(", ")}`);
    const x = left() + (s - numbers.from) / (numbers.to - numbers.from) * (right() - left());
    const line = svg.querySelector(".k-cursor"), d = line.getAttribute("d");
    line.setAttribute("d", d.replace(/(^M|L)[\d.-]+/g, `$1${x.toFixed(1)}`));
  }
  function value_at(line, s) {
    let low = 0, high = line.s.length;
    while (low < high) {
      const mid = (low + high) >> 1;
      if (line.s[mid] < s) low = mid + 1; else high = mid;
    }
    const near = low > 0 && (low === line.s.length || s - line.s[low - 1] <= line.s[low] - s) ? low - 1 : low;
    const v = near < line.s.length && Math.abs(line.s[near] - s) <= line.near ? line.v[near] : null;
    return v === null ? "no value" : `${v < 0 ? "−" : ""}${Math.floor(Math.abs(v) / 10)}.${Math.abs(v) % 10} °${numbers.unit}`;
  }
  function told(s) {
    const minutes = Math.round(Math.abs(s) / 60), h = Math.floor(minutes / 60), m = minutes % 60;
    const span = h ? (m ? `${h} h ${m} min` : `${h} h`) : `${m} min`;
    const after = minutes ? `${span} ${s > 0 ? "after" : "before"} ${numbers.zero}` : `at ${numbers.zero}`;
    const part = numbers.clock.filter((c) => c[0] <= s + 1).pop() || numbers.clock[0];
    if (!part) return after;
    const clock = (((Math.floor(s / 60) + part[1]) % 1440) + 1440) % 1440;
    return `${String(Math.floor(clock / 60)).padStart(2, "0")}:${String(clock % 60).padStart(2, "0")}, ${after}`;
  }
  function set(s) {
    slider.value = Math.round(s / 60);
    point(Number(slider.value) * 60);
  }

  // -- from pixels to seconds
  function left() { return Number(svg.dataset.left); }
  function right() { return Number(svg.dataset.right); }
  function seconds(clientX, view) {
    const box = svg.getBoundingClientRect();
    const x = (clientX - box.left) / box.width * Number(svg.dataset.width);
    return view.from + (x - left()) / (right() - left()) * (view.to - view.from);
  }

  // -- zoom: `shown` is what the finger has made of it, `numbers` what is drawn
  function within(from, to) {
    const span = Math.min(Math.max(to - from, LEAST_S), numbers.most - numbers.least);
    const start = Math.min(Math.max(from, numbers.least), numbers.most - span);
    return { from: start, to: start + span };
  }
  function stretch(view) {
    shown = view;
    const span = numbers.to - numbers.from, scale = span / (view.to - view.from);
    const away = (view.from - numbers.from) / span * (right() - left());
    const move = left() * (1 - scale) - away * scale;
    svg.querySelector(".k-move").setAttribute("transform", `matrix(${scale} 0 0 1 ${move} 0)`);
    svg.classList.add("is-moving");
  }
  function address(view, at) {
    const args = new URLSearchParams(figure.dataset.kept);
    const all = view.from <= numbers.least + 1 && view.to >= numbers.most - 1;
    if (!all) {
      args.set("from", (view.from / 60).toFixed(2));
      args.set("to", (view.to / 60).toFixed(2));
    }
    if (at !== undefined) args.set("at", String(Math.round(at / 60)));
    return `${figure.dataset.base}?${args}`;
  }
  function rest() {
    const same = Math.abs(shown.from - numbers.from) < 1 && Math.abs(shown.to - numbers.to) < 1;
    if (same) { svg.classList.remove("is-moving"); svg.querySelector(".k-move").removeAttribute("transform"); return; }
    draw(address(shown, Number(slider.value) * 60));
  }
  async function draw(url) {
    const mine = ++asked;
    try {
      const html = await get(`${url}${url.includes("?") ? "&" : "?"}part=figure`);
      if (mine !== asked || fingers.size) return;
      const focused = document.activeElement && host.contains(document.activeElement) && document.activeElement.id;
      const open = host.querySelector("details") && host.querySelector("details").open;
      host.innerHTML = html;
      take();
      if (open && host.querySelector("details")) host.querySelector("details").open = true;
      const back = focused && document.getElementById(focused);
      if (back) (back.hasAttribute("aria-disabled") ? slider : back).focus({ preventScroll: true });
      history.replaceState(null, "", url);
      status.textContent = "";
    } catch {
      if (mine !== asked) return;
      svg.classList.remove("is-moving");
      svg.querySelector(".k-move").removeAttribute("transform");
      shown = { from: numbers.from, to: numbers.to };
      status.textContent = "The board did not answer; the chart is as it was. Try again.";
    }
  }
  function closer(factor, s) {
    const share = (s - shown.from) / (shown.to - shown.from), span = (shown.to - shown.from) / factor;
    stretch(within(s - share * span, s + (1 - share) * span));
    clearTimeout(resting);
    resting = setTimeout(rest, REST_MS);
  }
  function zoomed() { return shown.from > numbers.least + 1 || shown.to < numbers.most - 1; }

  // -- fingers and mouse
  function begin() {
    const xs = [...fingers.values()];
    begun = { view: shown, xs, at: xs.map((x) => seconds(x, shown)), moved: false };
  }
  host.addEventListener("pointerdown", (event) => {
    if (!figure || !event.target.closest(".k-touch") || event.button > 0) return;
    fingers.set(event.pointerId, event.clientX);
    svg.setPointerCapture(event.pointerId);
    begin();
  });
  host.addEventListener("pointermove", (event) => {
    if (!figure || !event.target.closest(".k-touch")) return;
    if (!fingers.has(event.pointerId)) {
      if (event.pointerType === "mouse") set(Math.min(Math.max(seconds(event.clientX, shown), shown.from), shown.to));
      return;
    }
    fingers.set(event.pointerId, event.clientX);
    const xs = [...fingers.values()];
    if (!begun.moved && Math.max(...xs.map((x, i) => Math.abs(x - begun.xs[i]))) < MOVED_PX) return;
    begun.moved = true;
    if (xs.length > 1) pinch(xs);
    else if (zoomed()) pan(xs[0]);
    else set(Math.min(Math.max(seconds(xs[0], shown), shown.from), shown.to));
  });
  function pan(x) {
    const by = begun.at[0] - seconds(x, begun.view);
    stretch(within(begun.view.from + by, begun.view.to + by));
  }
  function pinch(xs) {
    const [a, b] = xs.map((x) => seconds(x, begun.view)), [s, t] = begun.at;
    if (Math.abs(b - a) < 1) return;
    const factor = (t - s) / (b - a);
    const from = s + (begun.view.from - a) * factor;
    stretch(within(from, from + (begun.view.to - begun.view.from) * factor));
  }
  function lift(event) {
    if (!fingers.delete(event.pointerId)) return;
    if (fingers.size) { begin(); begun.moved = true; return; }
    if (begun.moved) rest();
    else if (event.type === "pointerup") set(Math.min(Math.max(seconds(event.clientX, shown), shown.from), shown.to));
  }
  host.addEventListener("pointerup", lift);
  host.addEventListener("pointercancel", lift);
  host.addEventListener("dblclick", (event) => {
    if (figure && event.target.closest(".k-touch")) closer(2, seconds(event.clientX, shown));
  });
  host.addEventListener("wheel", (event) => {
    if (!figure || !event.target.closest(".k-touch") || !(event.ctrlKey || event.metaKey)) return;
    event.preventDefault();
    closer(Math.exp(-event.deltaY / 300), seconds(event.clientX, shown));
  }, { passive: false });

  // -- slider, keys, buttons
  host.addEventListener("pointerdown", (event) => { sliding = event.target === slider; });
  addEventListener("pointerup", () => { sliding = false; });
  addEventListener("pointercancel", () => { sliding = false; });
  host.addEventListener("input", (event) => {
    if (event.target === slider) point(Number(slider.value) * 60);
  });
  host.addEventListener("keydown", (event) => {
    if (!figure || event.ctrlKey || event.metaKey || event.altKey || !event.target.closest("figure")) return;
    const key = event.shiftKey && event.key.startsWith("Arrow") ? `Shift${event.key}` : event.key;
    const word = { "+": "closer", "=": "closer", "-": "wider", "0": "all", ShiftArrowLeft: "earlier", ShiftArrowRight: "later" }[key];
    if (!word) return;
    event.preventDefault();
    const link = document.getElementById(`k-${word}`);
    if (link.href) go(link, word);
  });
  host.addEventListener("click", (event) => {
    const link = event.target.closest("a[data-zoom]");
    if (!link || event.ctrlKey || event.metaKey || event.shiftKey) return;
    event.preventDefault();
    go(link, link.id.slice(2));
  });
  // the same as the link leads to, but about the cursor as it stands now
  function go(link, word) {
    const s = Number(slider.value) * 60, span = shown.to - shown.from;
    if (word === "all") shown = { from: numbers.least, to: numbers.most };
    else if (word === "closer" || word === "wider") {
      const factor = word === "closer" ? 0.5 : 2, share = (s - shown.from) / span;
      shown = within(s - share * span * factor, s + (1 - share) * span * factor);
    } else {
      const by = word === "earlier" ? -span / 2 : span / 2;
      shown = within(shown.from + by, shown.to + by);
    }
    const at = Math.min(Math.max(s, shown.from), shown.to);
    draw(address(shown, at));
  }
  host.addEventListener("submit", (event) => event.preventDefault());

  setInterval(() => {
    const busy = document.hidden || fingers.size || sliding;
    if (figure && "live" in figure.dataset && !busy) draw(address(shown, Number(slider.value) * 60));
  }, LIVE_MS);
  take();
})();
