// Keeps an open page true: fetches the status, swaps the parts that changed, and ages what it shows
// even when nobody answers. Without it the page works by loading again.
"use strict";
(() => {
  const FIRST_MS = 5000, SLOWEST_MS = 60000, ASK_MS = 8000;
  let now = document.getElementById("now");
  const live = document.getElementById("live");
  let tag = "", wait = FIRST_MS, timer = 0, curveAt = moment(), busy = false;
  let age = told(now), since = moment();

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

  function ageing() {
    if (!now.dataset.print) return;
    const total = age === null ? Infinity : age + elapsed(since);
    const old = total > Number(now.dataset.staleAfter);
    if (now.classList.contains("is-old") !== old) now.classList.toggle("is-old", old);
    say(old ? now.dataset.silence : now.dataset.spoken);
    const place = now.querySelector("[data-age-text]");
    if (place) {
      const told = total < 20 ? "" : total < 90 ? `, ${Math.floor(total / 10) * 10} s ago` : `, ${Math.floor(total / 60)} min ago`;
      if (place.textContent !== told) place.textContent = told;
    }
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
    if (busy || document.hidden) return;
    busy = true;
    let turned = false;
    try {
      const answer = await get("/api/status", tag ? { "If-None-Match": tag } : {});
      wait = FIRST_MS;
      if (answer.status === 403) { location.reload(); return; } // this phone may no longer look
      if (answer.status !== 304 && (answer.ok || answer.status === 503)) {
        const started = moment();
        const part = await get("/now", {});
        if (part.ok) {
          const spoken = now.dataset.spoken;
          swap(await part.text(), started);
          tag = answer.headers.get("ETag") || "";
          turned = spoken !== now.dataset.spoken;
        }
      }
      const rate = Math.max(1, Number(now.dataset.rate) || 1);
      if (turned || elapsed(curveAt) > Math.max(10, 60 / rate)) {
        const part = await get("/curve", {});
        if (part.ok) {
          put(document.getElementById("curve-part"), await part.text());
          curveAt = moment();
        }
      }
    } catch {
      wait = Math.min(wait * 2, SLOWEST_MS);
    } finally {
      busy = false;
      ageing();
      again();
    }
  }
  function again() {
    clearTimeout(timer);
    if (!document.hidden) timer = setTimeout(look, wait);
  }

  // parts that say the same stay in place, so nothing flickers and a pressed button isn't pulled away
  function swap(html, started) {
    const held = document.createElement("template");
    held.innerHTML = html;
    const fresh = held.content.getElementById("now");
    if (!fresh) return;
    if (fresh.dataset.print && !now.dataset.print) { location.reload(); return; }
    const focused = document.activeElement && document.activeElement.id;
    const open = [...now.querySelectorAll("details[open]")].map((d) => d.closest("section").id);
    if (!fresh.dataset.print) {
      now.replaceWith(fresh);
      now = fresh;
    } else {
      for (const name of Object.keys(fresh.dataset)) now.dataset[name] = fresh.dataset[name];
      const kept = new Map([...now.children].map((c) => [c.id, c]));
      const parts = [...fresh.children].map((c) => {
        const old = kept.get(c.id);
        return old && same(old, c) ? old : c;
      });
      if (parts.some((c, i) => now.children[i] !== c) || now.children.length !== parts.length) now.replaceChildren(...parts);
    }
    age = told(fresh);
    since = started;
    for (const id of open) {
      const found = document.querySelector(`#${id} details`);
      if (found) found.open = true;
    }
    if (focused && document.activeElement === document.body) {
      const back = document.getElementById(focused);
      if (back) back.focus({ preventScroll: true });
    }
  }
  function same(a, b) { return bare(a) === bare(b); }
  function bare(part) {
    const copy = part.cloneNode(true);
    for (const d of copy.querySelectorAll("details")) d.removeAttribute("open");
    for (const s of copy.querySelectorAll("[data-age-text]")) s.textContent = "";
    for (const i of copy.querySelectorAll("input[type=hidden]")) i.removeAttribute("value");
    return copy.outerHTML;
  }
  function put(place, html) {
    const open = place.querySelector("details[open]");
    place.innerHTML = html;
    const found = place.querySelector("details");
    if (open && found) found.open = true;
  }

  document.addEventListener("visibilitychange", () => {
    if (document.hidden) { clearTimeout(timer); return; }
    ageing();
    wait = FIRST_MS;
    look();
  });
  // a form sent by a double tap goes once; the server remembers its number too
  document.addEventListener("submit", (event) => {
    if (event.target.dataset.sent) event.preventDefault();
    event.target.dataset.sent = "yes";
  });
  addEventListener("pageshow", (event) => { if (event.persisted) { ageing(); look(); } });
  setInterval(ageing, 1000);
  ageing();
  again();
})();
