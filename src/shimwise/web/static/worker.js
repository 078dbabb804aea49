// Keeps our own static files and the last prep pages, so that a prep can be opened again while the server is away.
// Always asks the server first; never touches the interface, live lines, pairing or anything that is sent.
"use strict";

const FILES = "shimwise-files-11";
const PAGES = "shimwise-pages-3";
const MOST_PAGES = 8;
const KEPT_AT = "x-shimwise-kept-at";
const PATIENCE_MS = 6000;
const OWN_FILES = [
  "pages.css", "ids.js", "pages.js", "pad.js", "choose.js", "folds.js", "moves.js", "check.js", "stay.js", "live.js", "kept.js", "waiting.js",
  "away.js", "mark.svg", "picture.css", "feed.js", "feed_draw.js", "picture.js", "grey_png.js", "sweep_camera.js",
  "vendor/htmx.min.js", "vendor/b612-latin-400-normal.woff2", "vendor/b612-latin-700-normal.woff2",
].map((name) => `/static/${name}`);
const PREP_PAGE = /^\/preps\/[0-9a-f]{32}$/;

// All that a page needs is kept at once: the first reload may come while the server is away.
self.addEventListener("install", (event) => {
  event.waitUntil((async () => {
    await (await caches.open(FILES)).addAll(OWN_FILES);
    await self.skipWaiting();
  })());
});

self.addEventListener("activate", (event) => {
  event.waitUntil((async () => {
    for (const name of await caches.keys()) {
      if (name.startsWith("shimwise-") && name !== FILES && name !== PAGES) await caches.delete(name);
    }
    await self.clients.claim();
    await keepOpenPreps();
  })());
});

self.addEventListener("fetch", (event) => {
  const request = event.request;
  const url = new URL(request.url);
  if (request.method !== "GET" || url.origin !== self.location.origin) return;
  if (url.pathname.startsWith("/static/")) event.respondWith(file(request));
  else if (request.mode === "navigate") event.respondWith(page(event, url));
});

async function file(request) {
  const cache = await caches.open(FILES);
  try {
    const answer = await withPatience(request);
    if (answer.ok && answer.type === "basic") await cache.put(request, answer.clone()).catch(noRoom);
    return answer;
  } catch (error) {
    const kept = await cache.match(request, { ignoreVary: true });
    if (kept) return kept;
    throw error;
  }
}

async function page(event, url) {
  const isPrep = PREP_PAGE.test(url.pathname);
  const cache = await caches.open(PAGES);
  try {
    const answer = await withPatience(event.request);
    if (answer.type === "opaqueredirect" && isPrep || url.pathname.startsWith("/pair")) await forgetPages();
    else if (isPrep && answer.ok && !url.search) event.waitUntil(keepPage(cache, url.pathname, answer.clone()).catch(noRoom));
    else if (isPrep && answer.status >= 502) return (await keptPage(cache, url.pathname)) || answer;
    return answer;
  } catch {
    const kept = isPrep && await keptPage(cache, url.pathname);
    return kept || awayPage(cache, url);
  }
}

// What cannot be kept is shown all the same, and what was kept before stays.
const noRoom = () => undefined;

// A server that hangs is away too: what is kept is shown before the person gives up.
async function withPatience(request, options = {}) {
  const stop = new AbortController();
  const timer = setTimeout(() => stop.abort(), PATIENCE_MS);
  try {
    return await fetch(request, { ...options, signal: stop.signal });
  } finally {
    clearTimeout(timer);
  }
}

// The page is read to its end before it takes the place of the one kept before: at no moment is none kept.
async function keepPage(cache, path, answer, text) {
  const headers = new Headers(answer.headers);
  for (const name of ["content-encoding", "content-length"]) headers.delete(name);
  headers.set(KEPT_AT, String(Date.now()));
  await cache.put(path, new Response(text ?? await answer.blob(), { headers }));
  await forgetOldest(cache);
}

// A page sends what it shows by now, so that what is kept holds the readings saved since it was opened; one that was
// on its way while this began to work is not kept yet, and is asked for.
self.addEventListener("message", (event) => {
  const { path, text } = event.data || {};
  if (!PREP_PAGE.test(path)) return;
  event.waitUntil((async () => {
    const cache = await caches.open(PAGES);
    const before = await cache.match(path, { ignoreVary: true });
    if (!before) await askForPage(cache, path);
    else if (typeof text === "string") await keepPage(cache, path, before, text).catch(noRoom);
  })());
});

// A kept page carries the time at which it was kept, so that it can say how old it is.
async function keptPage(cache, path) {
  const kept = await cache.match(path, { ignoreVary: true });
  if (!kept) return undefined;
  const text = await kept.text();
  return new Response(text.replace("<html ", `<html data-kept-at="${Number(kept.headers.get(KEPT_AT))}" `), { headers: kept.headers });
}

async function forgetOldest(cache) {
  const kept = [];
  for (const request of await cache.keys()) {
    const answer = await cache.match(request, { ignoreVary: true });
    kept.push({ request, at: answer ? Number(answer.headers.get(KEPT_AT)) : 0 });
  }
  kept.sort((one, other) => other.at - one.at);
  for (const { request } of kept.slice(MOST_PAGES)) await cache.delete(request);
}

// A prep that was opened before this worked is kept too.
async function keepOpenPreps() {
  const cache = await caches.open(PAGES);
  for (const client of await self.clients.matchAll({ type: "window" })) {
    const path = new URL(client.url).pathname;
    if (PREP_PAGE.test(path)) await askForPage(cache, path);
  }
}

async function askForPage(cache, path) {
  const answer = await withPatience(path, { redirect: "manual" }).catch(() => null);
  if (answer && answer.ok) await keepPage(cache, path, answer).catch(noRoom);
}

// A device that is no longer paired shows nothing of what it once saw.
const forgetPages = () => caches.delete(PAGES);

const SAFE = { "&": "&amp;", "<": "&lt;", ">": "&gt;", '"': "&quot;" };
const safe = (text) => text.replace(/[&<>"]/g, (sign) => SAFE[sign]);

// The theme and the titles are those of the pages that are kept.
async function keptPages(cache) {
  const kept = [];
  for (const request of await cache.keys()) {
    const text = await (await cache.match(request, { ignoreVary: true })).text();
    kept.unshift({
      path: new URL(request.url).pathname,
      title: (/<title>(.*?)(?: · Shimwise)?<\/title>/s.exec(text) || [])[1],
      theme: (/data-theme="(light|dark)"/.exec(text) || [])[1],
    });
  }
  return kept;
}

async function awayPage(cache, url) {
  const kept = await keptPages(cache);
  const theme = kept.length && kept[0].theme || "dark";
  const links = kept.map(({ path, title }) => `<li><a class="btn" href="${path}">${title || "A prep"}, as it was last seen</a></li>`);
  const body = `<!doctype html><html lang="en" data-theme="${theme}"><head><meta charset="utf-8"><title>Away · Shimwise</title>
<meta name="viewport" content="width=device-width, initial-scale=1"><meta name="color-scheme" content="${theme}">
<link rel="stylesheet" href="/static/pages.css"><script src="/static/away.js" defer></script><script src="/static/ids.js" defer></script><script src="/static/waiting.js" defer></script></head>
<body><main id="main" class="door"><h1>The server does not answer.</h1>
<p>Check the network, and that Shimwise runs. What you typed is kept on this device and sent when the server answers again.</p>
<p class="quiet" role="status" data-away>This page tries again by itself.</p>
<div class="acts"><a class="btn btn-main" href="${safe(url.pathname + url.search)}" data-try-again>Try again</a></div>
<h2 data-waiting-head hidden>Waiting to be sent</h2><ul data-waiting-list hidden></ul>
${links.length ? `<h2>Kept on this device</h2><ul>${links.join("")}</ul>` : ""}</main></body></html>`;
  return new Response(body, {
    status: 503,
    headers: {
      "Content-Type": "text/html; charset=utf-8",
      "Content-Security-Policy": "default-src 'self'; base-uri 'none'; frame-ancestors 'none'",
    },
  });
}
