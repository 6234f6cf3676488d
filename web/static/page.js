// Keeps an open page true: asks what is new, swaps the parts that changed, and ages what it shows even when
// nobody answers. Without it the page works by loading again.
"use strict";
(() => {
  const FIRST_MS = 5000, SLOWEST_MS = 60000, ASK_MS = 8000, PATIENCE_MS = 3000, CURVE_S = 300;
  let now = document.getElementById("now");
  const club = document.querySelector("main").dataset.club || ""; // on a club's page: where this aircraft's own begins
  const live = document.getElementById("live");
  const curve = document.getElementById("curve-part");
  let wait = FIRST_MS, timer = 0, patience = 0, turn = 0;
  let age = told(now), since = moment(), unheard = now.classList.contains("is-cut");
  let form = new URLSearchParams(location.search).get("curve") || "ahead", curveAt = moment(), inView = false;

  // the later of two clocks: one may stand still while the phone sleeps, the other may be set back
  function moment() { return { mono: performance.now(), wall: Date.now() }; }
  function elapsed(from) {
    return Math.max(performance.now() - from.mono, Date.now() - from.wall, 0) / 1000;
  }
  function told(part) {
    const text = part && part.dataset.age;
    return text === undefined || text === "" ? null : Number(text);
  }
  function say(text) { if (live.textContent !== text) live.textContent = text; }
  function write(place, text) { if (place && place.textContent !== text) place.textContent = text; }

  function ageing() {
    if (!now.dataset.print) return;
    const total = age === null ? Infinity : age + elapsed(since);
    const old = unheard || total > Number(now.dataset.staleAfter);
    if (now.classList.contains("is-old") !== old) now.classList.toggle("is-old", old);
    say(old ? now.dataset.silence : now.dataset.spoken);
    const text = spanned(total);
    for (const place of now.querySelectorAll("[data-age-text]")) write(place, text);
    for (const place of now.querySelectorAll("[data-zone-text]")) write(place, zoned());
  }
  function spanned(s) {
    if (s === Infinity) return "an unknown time ago";
    if (s < 10) return "just now";
    if (s < 90) return `${Math.floor(s / 10) * 10} s ago`;
    return s < 5400 ? `${Math.floor(s / 60)} min ago` : `${Math.floor(s / 3600)} h ago`;
  }
  // the field's clock is named where this phone's shows another hour, with what this phone's showed then
  function zoned() {
    const at = new Date(1000 * now.dataset.at);
    if (Number(now.dataset.ahead) === -at.getTimezoneOffset()) return "";
    const form = /m$/.test(now.querySelector("[data-at-text]").textContent) ? { hour: "numeric", hour12: true } : { hour: "2-digit", hourCycle: "h23" };
    return `at field, ${at.toLocaleTimeString("en-US", { minute: "2-digit", ...form }).toLowerCase()} here`;
  }

  async function get(path, headers) {
    const stop = new AbortController();
    const late = setTimeout(() => stop.abort(), ASK_MS);
    try {
      return await fetch(path, { headers, cache: "no-store", signal: stop.signal });
    } finally {
      clearTimeout(late);
    }
  }

  async function look() {
    if (document.hidden) return;
    const mine = ++turn; // an answer that a later asking has overtaken counts for nothing
    clearTimeout(timer);
    try {
      const tag = age === null ? "" : now.dataset.print, started = moment(), spoken = now.dataset.spoken;
      const answer = await get(`${club}/now`, tag ? { "If-None-Match": `"${tag}"` } : {});
      if (answer.status === 403) { location.reload(); return; } // this phone may no longer look
      if (answer.status !== 304 && !answer.ok) throw new Error(answer.status);
      const html = answer.status === 304 ? "" : await answer.text();
      if (mine !== turn) return;
      if (html) swap(html, started);
      heard();
      wait = FIRST_MS;
      const rate = Math.max(1, Number(now.dataset.rate) || 1);
      if (inView && (spoken !== now.dataset.spoken || elapsed(curveAt) > Math.max(15, CURVE_S / rate))) await draw();
    } catch {
      if (mine === turn) wait = Math.min(wait * 2, SLOWEST_MS);
    } finally {
      if (mine === turn) { ageing(); again(); }
    }
  }
  function again() {
    clearTimeout(timer);
    if (!document.hidden) timer = setTimeout(look, wait);
  }
  function heard() {
    clearTimeout(patience);
    unheard = false;
    now.classList.remove("is-asking", "is-cut");
  }
  async function draw() {
    const part = await get(`${club}/curve?curve=${encodeURIComponent(form)}`, {});
    if (!part.ok) return;
    put(curve, await part.text());
    curveAt = moment();
  }

  // back in front: what stood here may be hours old, so nothing is called by its name until somebody answers
  function back() {
    if (!now.dataset.print) { wait = FIRST_MS; look(); return; }
    clearTimeout(patience);
    now.classList.add("is-asking");
    patience = setTimeout(() => { unheard = true; now.classList.remove("is-asking"); ageing(); }, PATIENCE_MS);
    wait = FIRST_MS;
    look();
  }

  // parts that say the same stay in place, so nothing flickers and a pressed button isn't pulled away
  function swap(html, started) {
    const held = document.createElement("template");
    held.innerHTML = html;
    const fresh = held.content.getElementById("now");
    if (!fresh) return;
    if (Boolean(fresh.dataset.print) !== Boolean(now.dataset.print)) { location.reload(); return; }
    const focused = document.activeElement && document.activeElement.id;
    const open = [...now.querySelectorAll("details[open]")].map((d) => d.id || d.closest("section").id);
    for (const name of Object.keys(fresh.dataset)) now.dataset[name] = fresh.dataset[name];
    for (const [id, changes] of Object.entries(JSON.parse(now.dataset.changes))) {
      const part = document.getElementById(id), elements = [part, ...part.querySelectorAll("*")];
      for (const [i, name, value] of changes) {
        if (name) elements[i].setAttribute(name, value);
        else elements[i].textContent = value;
      }
    }
    const sent = new Map([...fresh.children].map((c) => [c.id, c]));
    const kept = new Map([...now.children].map((c) => [c.id, c]));
    const names = fresh.dataset.parts ? fresh.dataset.parts.split(" ") : [...kept.keys()];
    const parts = names
      .map((id) => (kept.get(id) && "own" in kept.get(id).dataset ? kept.get(id) : sent.get(id) || kept.get(id))).filter(Boolean);
    if (parts.some((c, i) => now.children[i] !== c) || now.children.length !== parts.length) {
      if (parts.length === now.children.length && parts.every((c, i) => c.id === now.children[i].id)) {
        parts.forEach((c, i) => { if (now.children[i] !== c) now.children[i].replaceWith(c); });
      } else now.replaceChildren(...parts);
    }
    age = told(fresh);
    since = started;
    for (const id of open) {
      const found = document.querySelector(`details#${id}, #${id} details`);
      if (found) found.open = true;
    }
    if (focused && document.activeElement === document.body) {
      const place = document.getElementById(focused);
      if (place) place.focus({ preventScroll: true });
    }
  }
  function put(place, html) {
    const open = place.querySelector("details[open]");
    const focused = place.contains(document.activeElement) && document.activeElement.dataset.form;
    place.innerHTML = html;
    const found = place.querySelector("details");
    if (open && found) found.open = true;
    if (focused) place.querySelector(`[data-form=${focused}]`)?.focus({ preventScroll: true });
  }

  document.addEventListener("visibilitychange", () => {
    if (document.hidden) { clearTimeout(timer); clearTimeout(patience); return; }
    ageing();
    back();
  });
  addEventListener("pageshow", (event) => { if (event.persisted) { ageing(); back(); } });
  // a form sent by a double tap goes once; the server remembers its number too
  document.addEventListener("submit", (event) => {
    if (event.target.dataset.sent) event.preventDefault();
    event.target.dataset.sent = "yes";
  });
  document.addEventListener("click", (event) => {
    const chosen = event.target.closest("a[data-form]");
    if (!chosen || event.ctrlKey || event.metaKey || event.shiftKey) return;
    event.preventDefault();
    form = chosen.dataset.form;
    draw().catch(() => { location.href = chosen.href; });
  });
  if (curve) new IntersectionObserver((seen) => { inView = seen[seen.length - 1].isIntersecting; }).observe(curve);
  // what a home screen needs is fetched once the page is there
  addEventListener("load", () => {
    const link = document.createElement("link");
    Object.assign(link, { rel: "manifest", href: "/manifest.webmanifest", crossOrigin: "use-credentials" });
    document.head.append(link);
  });
  if (navigator.serviceWorker && !club) navigator.serviceWorker.register("/worker.js").catch(() => {});
  setInterval(ageing, 1000);
  ageing();
  if (unheard) look(); else again();
})();
