// Keeps our own static files and the last prep pages, so that a prep can be opened again while the server is away.
// Always asks the server first; never touches the interface, live lines, pairing or anything that is sent.
"use strict";

const FILES = "shimwise-files-1";
const PAGES = "shimwise-pages-1";
const MOST_PAGES = 8;
const PATIENCE_MS = 6000;
const PREP_PAGE = /^\/preps\/[0-9a-f]{32}$/;

self.addEventListener("install", () => self.skipWaiting());

self.addEventListener("activate", (event) => {
  event.waitUntil((async () => {
    for (const name of await caches.keys()) {
      if (name.startsWith("shimwise-") && name !== FILES && name !== PAGES) await caches.delete(name);
    }
    await self.clients.claim();
  })());
});

self.addEventListener("fetch", (event) => {
  const request = event.request;
  const url = new URL(request.url);
  if (request.method !== "GET" || url.origin !== self.location.origin) return;
  if (url.pathname.startsWith("/static/")) event.respondWith(file(request));
  else if (request.mode === "navigate") event.respondWith(page(request, url));
});

async function file(request) {
  const cache = await caches.open(FILES);
  try {
    const answer = await withPatience(request);
    if (answer.ok && answer.type === "basic") await cache.put(request, answer.clone());
    return answer;
  } catch (error) {
    const kept = await cache.match(request, { ignoreVary: true });
    if (kept) return kept;
    throw error;
  }
}

async function page(request, url) {
  const isPrep = PREP_PAGE.test(url.pathname);
  const cache = await caches.open(PAGES);
  try {
    const answer = await withPatience(request);
    if (answer.type === "opaqueredirect" && isPrep || url.pathname.startsWith("/pair")) await forgetPages();
    else if (isPrep && answer.ok && !url.search) await keepPage(cache, url.pathname, answer.clone());
    else if (isPrep && answer.status >= 502) return (await cache.match(url.pathname, { ignoreVary: true })) || answer;
    return answer;
  } catch {
    const kept = isPrep && await cache.match(url.pathname, { ignoreVary: true });
    return kept || awayPage(cache);
  }
}

// A server that hangs is away too: what is kept is shown before the person gives up.
async function withPatience(request) {
  const stop = new AbortController();
  const timer = setTimeout(() => stop.abort(), PATIENCE_MS);
  try {
    return await fetch(request, { signal: stop.signal });
  } finally {
    clearTimeout(timer);
  }
}

async function keepPage(cache, path, answer) {
  await cache.delete(path);
  await cache.put(path, answer);
  const kept = await cache.keys();
  for (const old of kept.slice(0, Math.max(0, kept.length - MOST_PAGES))) await cache.delete(old);
}

// A device that is no longer paired shows nothing of what it once saw.
const forgetPages = () => caches.delete(PAGES);

async function awayPage(cache) {
  const links = (await cache.keys()).map((kept) => {
    const path = new URL(kept.url).pathname;
    return `<li><a class="btn" href="${path}">Open the prep ${path.slice(7, 13)} as it was last seen</a></li>`;
  });
  const body = `<!doctype html><html lang="en" data-theme="dark"><head><meta charset="utf-8"><title>Away · Shimwise</title>
<meta name="viewport" content="width=device-width, initial-scale=1"><link rel="stylesheet" href="/static/pages.css"></head>
<body><main id="main" class="door"><h1>The server does not answer</h1>
<p>Check the network, and that Shimwise runs. What you typed waits on this device.</p><ul>${links.reverse().join("")}</ul></main></body></html>`;
  return new Response(body, {
    status: 503,
    headers: {
      "Content-Type": "text/html; charset=utf-8",
      "Content-Security-Policy": "default-src 'self'; script-src 'none'; base-uri 'none'; frame-ancestors 'none'",
    },
  });
}
