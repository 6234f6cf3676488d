// Where nothing answers, the last page is shown under "No contact since", its verdict hidden; after half an hour
// only that there is no contact. Always asks first; keeps no form's answer and nothing but Now and its files.
"use strict";
const KEPT = "now-1", MORE = "more-1", PAGES = ["/hand", "/take-along"], ASK_MS = 8000, SHOWN_MS = 30 * 60 * 1000;

// nobody looks at what is fetched so: its form gets no cookie, for that would outdate the form on the screen
const UNASKED = { headers: { "X-Unasked": "1" } };

addEventListener("install", (event) => event.waitUntil(skipWaiting()));
addEventListener("activate", (event) => event.waitUntil((async () => {
  for (const name of await caches.keys()) if (name !== KEPT && name !== MORE) await caches.delete(name);
  await clients.claim();
  await keep(new Request("/", UNASKED));
  for (const path of PAGES) fetch(path, UNASKED).then((answer) => holdMore(path, answer)).catch(() => { /* the next one is kept */ }); // waits for none
})()));

addEventListener("fetch", (event) => {
  const asked = event.request, url = new URL(asked.url);
  if (asked.method !== "GET" || url.origin !== location.origin) return;
  if (asked.mode === "navigate" && url.pathname === "/") event.respondWith(now(asked));
  else if (asked.mode === "navigate" && PAGES.includes(url.pathname)) event.respondWith(more(asked, url.pathname));
  else if (url.pathname.startsWith("/static/") && url.searchParams.has("v")) event.respondWith(file(asked));
});

async function now(asked) {
  try {
    const answer = await fetched(asked);
    await hold(answer);
    return answer;
  } catch {
    return last();
  }
}
async function fetched(asked) {
  const stop = new AbortController();
  const late = setTimeout(() => stop.abort(), ASK_MS);
  try {
    return await fetch(asked, { signal: stop.signal });
  } finally {
    clearTimeout(late);
  }
}
async function keep(asked) {
  try { await hold(await fetch(asked)); } catch { /* the next one is kept */ }
}
async function hold(answer) {
  const kept = await caches.open(KEPT);
  if (!answer.ok) { if (answer.status === 403) await kept.delete("/"); return; }
  const html = await answer.clone().text();
  await kept.put("/", new Response(html, { headers: { "Content-Type": "text/html; charset=utf-8", "X-Kept-At": String(Date.now()) } }));
  const used = [...html.matchAll(/(?:href|src)="(\/static\/[^"]+)"/g)].map((m) => m[1].replaceAll("&amp;", "&"));
  for (const request of await kept.keys()) {
    const url = new URL(request.url);
    if (url.pathname !== "/" && !used.includes(url.pathname + url.search)) await kept.delete(request);
  }
  for (const path of used) if (!(await kept.match(path))) await kept.add(path);
}
// the pages for which one stands beside the engine: entries are kept by their script, a table is only looked up in
async function more(asked, path) {
  try {
    const answer = await fetched(asked);
    await holdMore(path, answer);
    return answer;
  } catch {
    const kept = await (await caches.open(MORE)).match(path);
    return kept || new Response(bare("No contact.", ""), { headers: { "Content-Type": "text/html; charset=utf-8" } });
  }
}
async function holdMore(path, answer) {
  const kept = await caches.open(MORE);
  if (!answer.ok) { if (answer.status === 403) await kept.delete(path); return; }
  const html = await answer.clone().text();
  const headers = { "Content-Type": "text/html; charset=utf-8", "Content-Security-Policy": answer.headers.get("Content-Security-Policy") };
  // what the board knew is not shown as if it held
  await kept.put(path, new Response(html.replace('class="block h-tells"', 'class="block h-tells is-cut"'), { headers }));
  const used = [...html.matchAll(/(?:href|src)="(\/static\/[^"]+)"/g)].map((m) => m[1].replaceAll("&amp;", "&"));
  for (const name of used) {
    if (await kept.match(name)) continue;
    for (const old of await kept.keys()) if (new URL(old.url).pathname === name.split("?")[0]) await kept.delete(old);
    await kept.add(name);
  }
}
async function file(asked) {
  const kept = await caches.match(asked);
  return kept || fetch(asked);
}
async function last() {
  const kept = await (await caches.open(KEPT)).match("/");
  const headers = { "Content-Type": "text/html; charset=utf-8", "Content-Security-Policy": "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self'; connect-src 'self'; manifest-src 'self'; form-action 'self'" };
  if (!kept) return new Response(bare("No contact.", ""), { headers });
  const html = await kept.text(), age = Date.now() - Number(kept.headers.get("X-Kept-At"));
  const since = (html.match(/<span class="cut">([^<]*)/) || [, "No contact."])[1];
  const link = (html.match(/<link rel="stylesheet"[^>]*>/) || [""])[0];
  if (!(age >= 0 && age < SHOWN_MS) || !html.includes('<div id="now" class="now')) return new Response(bare(since, link), { headers });
  const cut = html.replace('<div id="now" class="now', '<div id="now" class="now is-old is-cut').replace(/ data-age="[^"]*"/, ' data-age=""')
    .replace(/(<p id="live"[^>]*>)[^<]*/, `$1${since}`);
  return new Response(cut, { headers });
}
function bare(since, link) {
  return `<!doctype html><html lang="en-US"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1"><meta name="color-scheme" content="light dark"><title>No contact</title>${link}</head><body><main class="sheet"><section class="block tone-trouble"><h1 class="verdict">${since}</h1><p>What was known then is too old to go by: count the engine as cold.</p><p class="next"><strong>Next:</strong> have the measuring board, its power and its network looked at, or measure by hand.</p><p><a class="act" href="/">Look again</a></p></section></main></body></html>`;
}
