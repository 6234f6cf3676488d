// Keys for gloves, and a round that outlives a lost network: what can't be sent stays on this phone, is shown as
// not counted, and is sent once when the board answers, in the order it was measured. Without it the form works.
"use strict";
(() => {
  if ("serviceWorker" in navigator) navigator.serviceWorker.register("/worker.js").catch(() => {});
  const form = document.getElementById("h-form");
  if (!form) return;
  const NAME = "by-hand", FIRST_MS = 5000, SLOWEST_MS = 60000, LOOK_MS = 30000, ASK_MS = 20000, MOST = 20;
  const at = (id) => document.getElementById(id);
  const value = at("hand-value"), below = at("h-below"), clock = at("h-clock"), live = at("h-live");
  // a page that the worker had kept says so itself
  let cut = document.querySelector("#h-tells.is-cut") !== null, heard = cut ? null : Date.now();
  const KEPT = at("h-cut").dataset.kept;
  let memory = [], busy = false, timer = 0, wait = FIRST_MS, entered = null, stale = false;

  // -- what is kept

  function kept() {
    try { return JSON.parse(localStorage.getItem(NAME)) || []; } catch { return memory; }
  }
  function keep(change) {
    memory = change(kept());
    memory.sort((a, b) => a.at - b.at);
    try { localStorage.setItem(NAME, JSON.stringify(memory)); } catch { /* as long as the page is open */ }
    show();
  }
  function put(entry) { keep((all) => [...all.filter((e) => e.id !== entry.id), entry]); }
  function drop(id) { keep((all) => all.filter((e) => e.id !== id)); }
  function fresh() {
    return [...crypto.getRandomValues(new Uint8Array(16))].map((b) => b.toString(16).padStart(2, "0")).join("");
  }

  // when it was measured by this phone's clock: only to put readings in order, the board works out the instant
  function measured(said, when, text) {
    const found = /^(\d{1,2}):(\d{2})/.exec(text);
    if (when !== "at" || !found) return said;
    const shown = fieldClock(said).split(":");
    const ago = (shown[0] * 60 + shown[1] * 1 - found[1] * 60 - found[2] * 1 + 2880) % 1440;
    return said - (ago > 1438 ? 0 : ago) * 60000;
  }
  function shownClock(ms) {
    const [hour, minute] = fieldClock(ms).split(":");
    return form.dataset.clock === "12" ? `${(hour * 1 + 11) % 12 + 1}:${minute} ${hour < 12 ? "am" : "pm"}` : `${hour}:${minute}`;
  }
  function fieldClock(ms) {
    const told = { hour: "2-digit", minute: "2-digit", hourCycle: "h23" };
    try {
      return new Intl.DateTimeFormat("en-GB", { ...told, timeZone: form.dataset.zone }).format(ms);
    } catch {
      return new Intl.DateTimeFormat("en-GB", told).format(ms);
    }
  }

  // -- keys

  document.body.classList.add("with-keys");
  at("h-keys").hidden = false;
  value.inputMode = "none";
  at("h-keys").addEventListener("click", (event) => {
    const key = event.target.closest("[data-key]");
    if (!key) return;
    const pressed = key.dataset.key;
    if (pressed === "minus") below.checked = !below.checked;
    else if (pressed === "back") value.value = value.value.slice(0, -1);
    else if (value.value.length < 6 && !(pressed === "." && /[.,]/.test(value.value))) value.value += pressed;
    typed();
    at("h-spoken").textContent = `${below.checked ? "minus " : ""}${value.value || "empty"}`;
  });
  function typed() {
    at("h-keys").querySelector("[data-key=minus]").setAttribute("aria-pressed", String(below.checked));
    refuse("value", "");
  }
  value.addEventListener("input", typed);
  below.addEventListener("change", typed);
  form.addEventListener("change", (event) => {
    if (event.target.name === "place") refuse("place", "");
    if (event.target === clock) at("h-at").checked = true;
    if (event.target.name === "clock" || event.target.name === "when") refuse("time", "");
  });
  function refuse(field, text) {
    const place = at(`bad-${field}`);
    if (!place) { live.textContent = text; return; }
    place.textContent = text;
    place.hidden = !text;
    const control = { value, time: clock }[field];
    if (!control) return;
    if (text) { control.setAttribute("aria-invalid", "true"); control.setAttribute("aria-describedby", place.id); control.focus(); }
    else { control.removeAttribute("aria-invalid"); control.removeAttribute("aria-describedby"); }
  }

  // -- entering

  form.addEventListener("submit", (event) => {
    event.preventDefault();
    const said = Date.now(), told = new FormData(form);
    const entry = {
      id: fresh(), said, place: told.get("place") || "", value: (told.get("value") || "").trim(), unit: told.get("unit"), method: told.get("method"),
      below_zero: below.checked ? "yes" : "", when: told.get("when"), clock: told.get("clock") || "", state: "kept",
    };
    entry.at = measured(said, entry.when, entry.clock);
    const button = event.submitter;
    if (button && button.name === "answer") { entry.answer = button.value; if (at("h-asked")) at("h-asked").remove(); }
    if (!entry.place) { refuse("place", form.dataset.noPlace); return; }
    if (!entry.answer && !/^[-+−–]?\d{1,4}([.,]\d{0,3})?$/.test(entry.value)) { refuse("value", form.dataset.noValue); return; }
    enter(entry);
  });
  function enter(entry) {
    hideQuestion();
    entered = entry.id;
    put(entry);
    live.textContent = `${nameOf(entry.place)} ${shownValue(entry)}: ${cut ? KEPT : "sending"}.`;
    value.value = ""; below.checked = false; typed();
    nextPlace(entry.place);
    send();
  }
  function back(entry) {
    value.value = (entry.answer || entry.value).replace(/^[-−–]/, "");
    below.checked = entry.answer ? entry.answer.startsWith("-") : entry.below_zero === "yes" || /^[-−–]/.test(entry.value);
    typed();
    choose(entry.place);
  }
  function choose(place) {
    const tile = form.querySelector(`[name=place][value="${CSS.escape(place)}"]`);
    if (tile) tile.checked = true;
  }
  function nextPlace(after) {
    const tiles = [...form.querySelectorAll(".h-tile")], from = tiles.findIndex((t) => t.firstElementChild.value === after);
    const order = [...tiles.slice(from + 1), ...tiles.slice(0, from)];
    const next = order.find((t) => !t.querySelector(".h-mark").textContent);
    if (next) next.firstElementChild.checked = true;
  }
  function nameOf(place) {
    const tile = form.querySelector(`[name=place][value="${CSS.escape(place)}"]`);
    return tile ? tile.parentElement.querySelector(".h-name").textContent : place;
  }
  function shownValue(entry) {
    const plain = (entry.answer || entry.value).replace(/^[-−–+]/, "");
    const minus = entry.answer ? entry.answer.startsWith("-") : entry.below_zero === "yes" || /^[-−–]/.test(entry.value);
    return `${minus ? "−" : ""}${plain} °${entry.unit}`;
  }
  function hideQuestion() { at("h-ask").hidden = true; at("h-ask").replaceChildren(); }
  function ask(entry) {
    const box = at("h-ask"), text = document.createElement("p"), later = document.createElement("p");
    text.textContent = entry.text;
    later.textContent = "Not counted until you answer. Or type it again.";
    later.className = "dim";
    box.replaceChildren(text, ...answers(entry), later);
    box.hidden = false;
    box.scrollIntoView({ block: "center" });
    box.querySelector("button").focus({ preventScroll: true });
  }
  function answers(entry) {
    return (entry.answers || []).map(([label, answer]) => {
      const button = document.createElement("button");
      button.type = "button";
      button.className = "act";
      button.textContent = label;
      button.addEventListener("click", () => {
        drop(entry.id);
        enter({ ...entry, id: fresh(), answer, state: "kept", text: "" });
      });
      return button;
    });
  }

  // -- sending

  async function fetched(path, more) {
    const stop = new AbortController(), late = setTimeout(() => stop.abort(), ASK_MS);
    try {
      return await fetch(path, { cache: "no-store", signal: stop.signal, ...more });
    } finally {
      clearTimeout(late);
    }
  }
  async function send() {
    if (busy) { stale = true; return; }
    busy = true;
    clearTimeout(timer);
    try {
      const round = kept().filter((e) => e.state === "kept").slice(0, MOST);
      if (round.length) await sendRound(round);
      await look();
      cut = false;
      wait = FIRST_MS;
      heard = Date.now();
    } catch {
      cut = true;
      wait = Math.min(wait * 2, SLOWEST_MS);
      const last = kept().find((e) => e.id === entered);
      if (last) live.textContent = `${nameOf(last.place)} ${shownValue(last)}: ${KEPT}.`;
    } finally {
      busy = false;
      show();
      const more = stale || (!cut && kept().some((e) => e.state === "kept"));
      stale = false;
      again(cut ? wait : more ? 500 : LOOK_MS);
    }
  }
  function again(ms) {
    clearTimeout(timer);
    if (!document.hidden) timer = setTimeout(send, ms);
  }
  async function sendRound(round) {
    let answer = await post(round);
    if (answer.status === 403 && await freshToken()) answer = await post(round);
    const told = await answer.json();
    if (told.refused) { live.textContent = told.refused; return; }
    for (const one of told.answers) settle(round.find((e) => e.id === one.id), one);
  }
  function post(round) {
    const body = new URLSearchParams({
      token: form.querySelector("[name=token]").value,
      entries: JSON.stringify(round.map((e) => ({ ...e, ago_s: Math.max(0, (Date.now() - e.said) / 1000) }))),
    });
    return fetched(form.dataset.round, { method: "POST", body });
  }
  async function freshToken() {
    const page = await fetched(location.pathname, {});
    const held = new DOMParser().parseFromString(await page.text(), "text/html").querySelector("#h-form [name=token]");
    if (held) form.querySelector("[name=token]").value = held.value;
    return Boolean(held);
  }
  function settle(entry, told) {
    if (!entry || told.state === "waits") return;
    const mine = entry.id === entered && !value.value; // not while the next one is being typed
    if (told.state === "counted") {
      drop(entry.id);
      live.textContent = told.text;
    } else if (told.state === "asked") {
      const asked = { ...entry, state: "asked", text: told.text, answers: told.answers };
      put(asked);
      if (mine) { live.textContent = ""; back(entry); ask(asked); }
    } else if (mine) {
      drop(entry.id);
      live.textContent = "";
      back(entry);
      refuse(told.field, told.text);
    } else {
      put({ ...entry, state: "refused", text: told.text });
    }
  }
  async function look() {
    const answer = await fetched(form.dataset.part, {});
    if (!answer.ok) throw new Error("no part");
    const place = at("h-part"), focused = place.contains(document.activeElement), html = await answer.text();
    if (focused) return; // nobody's button is pulled away
    place.innerHTML = html;
    const marks = new Map([...place.querySelectorAll("#h-marks li")].map((m) => [m.dataset.place, m.textContent]));
    for (const tile of form.querySelectorAll(".h-tile")) {
      const mark = tile.querySelector(".h-mark");
      mark.textContent = marks.get(tile.firstElementChild.value) || "";
      mark.classList.remove("h-here");
    }
  }

  // -- showing

  function show() {
    const all = kept(), list = at("h-kept-list");
    at("h-kept").hidden = !all.length;
    list.replaceChildren(...all.map(row));
    at("h-cut").hidden = !cut;
    at("h-since").textContent = cut && heard !== null ? ` since ${shownClock(heard)}` : "";
    const tells = at("h-tells");
    if (tells) tells.classList.toggle("is-cut", cut);
    for (const entry of all) {
      const tile = form.querySelector(`[name=place][value="${CSS.escape(entry.place)}"]`);
      if (!tile) continue;
      const mark = tile.parentElement.querySelector(".h-mark");
      mark.textContent = `${shownValue(entry)} ${{ kept: "kept", asked: "asked" }[entry.state] || "refused"}`;
      mark.classList.add("h-here");
    }
  }
  function row(entry) {
    const item = document.createElement("li"), text = document.createElement("span"), state = document.createElement("span");
    text.textContent = `${nameOf(entry.place)} ${shownValue(entry)}, ${entry.method}, ${shownClock(entry.at)}`;
    state.className = "h-state";
    state.textContent = entry.state === "kept" ? KEPT : `not counted: ${entry.text}`;
    text.append(state);
    const remove = document.createElement("button");
    remove.type = "button";
    remove.className = "act quiet";
    remove.textContent = "Remove";
    remove.setAttribute("aria-label", `Remove ${nameOf(entry.place)} ${shownValue(entry)}`);
    remove.addEventListener("click", () => {
      const mark = [...form.querySelectorAll(".h-tile")].find((t) => t.firstElementChild.value === entry.place);
      if (mark) mark.querySelector(".h-mark").textContent = "";
      if (entry.id === entered) hideQuestion();
      drop(entry.id);
    });
    item.append(text, ...(entry.state === "asked" ? answers(entry) : []), remove);
    return item;
  }
  function tick() { if (!at("h-at").checked && document.activeElement !== clock) clock.value = fieldClock(Date.now()); }

  document.addEventListener("visibilitychange", () => {
    if (document.hidden) { clearTimeout(timer); return; }
    wait = FIRST_MS;
    send();
  });
  addEventListener("online", () => { wait = FIRST_MS; send(); });
  addEventListener("storage", show);
  addEventListener("pageshow", (event) => { if (event.persisted) send(); });
  setInterval(tick, 10000);
  at("h-shut").hidden = isSecureContext; // else there is no worker that keeps it
  typed();
  show();
  send();
})();
