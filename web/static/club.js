// Keeps an open page of many aircraft true: asks which lines changed, and puts each where it belongs. Without it
// the page works by loading again.
"use strict";
(() => {
  const FIRST_MS = 5000, SLOWEST_MS = 60000, ASK_MS = 8000, CUT_S = 30;
  const club = document.getElementById("club"), cut = document.getElementById("cut"), live = document.getElementById("live");
  const told = document.getElementById("told"), asof = document.getElementById("asof");
  let wait = FIRST_MS, more = false, timer = 0, turn = 0, heardAt = moment();

  function moment() { return { mono: performance.now(), wall: Date.now() }; }
  function elapsed(from) { return Math.max(performance.now() - from.mono, Date.now() - from.wall, 0) / 1000; }
  function ageing() {
    const is = elapsed(heardAt) > CUT_S;
    if (cut.hidden === !is) return;
    cut.querySelector("span").textContent = asof.textContent;
    cut.hidden = !is;
    live.textContent = is ? cut.textContent : "";
  }

  async function look() {
    if (document.hidden) return;
    const mine = ++turn, started = moment(), stop = new AbortController();
    clearTimeout(timer);
    const late = setTimeout(() => stop.abort(), ASK_MS);
    try {
      const headers = { "If-None-Match": `"${club.dataset.tag}"` };
      const answer = await fetch(`/rows${location.search}`, { headers, cache: "no-store", signal: stop.signal });
      if (answer.status === 401 || answer.status === 403) { location.reload(); return; }
      if (answer.status !== 304 && !answer.ok) throw new Error(answer.status);
      const news = answer.status === 304 ? null : await answer.json();
      if (mine !== turn) return;
      if (news && news.again) { location.reload(); return; }
      if (news) { take(news); club.dataset.tag = answer.headers.get("ETag").replace(/^W\/|"/g, ""); }
      more = Boolean(news && news.more);
      wait = FIRST_MS;
      if (!more) {
        const at = new Date(answer.headers.get("Date") || Date.now());
        asof.textContent = `${at.toISOString().slice(11, 16)} UTC`;
        heardAt = started;
      }
    } catch {
      more = false;
      if (mine === turn) wait = Math.min(wait * 2, SLOWEST_MS);
    } finally {
      clearTimeout(late);
      if (mine === turn) { ageing(); again(); }
    }
  }
  function again() {
    clearTimeout(timer);
    if (!document.hidden) timer = setTimeout(look, more ? 0 : wait);
  }

  function take(news) {
    const focused = document.activeElement && document.activeElement.closest("li");
    for (const device of news.gone) document.getElementById(`b-${device}`)?.remove();
    for (const [device, heading, order, html] of news.rows) put(device, heading, order, html);
    if ("told" in news) {
      told.querySelector("span").textContent = news.told;
      told.hidden = !news.told;
      live.textContent = news.told;
    }
    let shown = 0;
    for (const section of club.querySelectorAll("section")) {
      const count = section.querySelector("ul").childElementCount;
      section.hidden = !count;
      section.querySelector("h2 span").textContent = count;
      shown += count;
    }
    document.getElementById("none").hidden = shown > 0;
    document.getElementById("count").textContent = `${shown} of ${news.total} aircraft`;
    if (focused && document.activeElement === document.body) document.querySelector(`#${focused.id} a`)?.focus({ preventScroll: true });
  }
  // a line goes before the first whose order is greater; halves, for there may be a thousand
  function put(device, heading, order, html) {
    const held = document.createElement("template");
    held.innerHTML = html;
    const fresh = held.content.firstElementChild, list = document.querySelector(`#k-${heading} ul`);
    const old = document.getElementById(fresh.id);
    if (old && old.parentElement === list && old.dataset.order === order) { old.replaceWith(fresh); return; }
    if (heading === "harm" && old?.parentElement !== list) live.textContent = fresh.textContent;
    old?.remove();
    const lines = list.children;
    let low = 0, high = lines.length;
    while (low < high) {
      const mid = (low + high) >> 1;
      if (lines[mid].dataset.order < order) low = mid + 1; else high = mid;
    }
    list.insertBefore(fresh, lines[low] || null);
  }

  document.addEventListener("visibilitychange", () => {
    if (document.hidden) { clearTimeout(timer); return; }
    ageing();
    wait = FIRST_MS;
    look();
  });
  addEventListener("pageshow", (event) => { if (event.persisted) { ageing(); look(); } });
  setInterval(ageing, 1000);
  again();
})();
