/*
 * Serves the field pages without signal. The view that serves this file puts VERSION, FILES and
 * PAGES before it: the scripts' own version, what they need, and the pages that work offline
 * (a pattern of their address and the empty page that stands in for them).
 */
/* global VERSION, FILES, PAGES */
const CACHE = `field-${VERSION}`;
const PHOTOS = "field-photos";
const PATIENCE_MS = 4000;

self.addEventListener("install", (event) => {
  event.waitUntil(
    (async () => {
      const cache = await caches.open(CACHE);
      await Promise.all(FILES.map(async (url) => {
        const answer = await fetch(url, { cache: "reload" });
        if (answer.ok) await cache.put(url, answer);
      }));
      await Promise.all(PAGES.map((page) => keepShell(cache, page.shell)));
      await self.skipWaiting();
    })(),
  );
});

self.addEventListener("activate", (event) => {
  event.waitUntil(
    (async () => {
      const names = await caches.keys();
      await Promise.all(names.filter((name) => name.startsWith("field-") && name !== CACHE && name !== PHOTOS).map((name) => caches.delete(name)));
      await self.clients.claim();
    })(),
  );
});

async function keepShell(cache, url) {
  const answer = await fetch(url, { credentials: "same-origin", redirect: "follow" });
  if (answer.ok && !answer.redirected) await cache.put(url, answer);
}

function inTime(request) {
  return Promise.race([
    fetch(request),
    new Promise((_, reject) => setTimeout(() => reject(new Error("no answer in time")), PATIENCE_MS)),
  ]);
}

async function pageOrShell(request, pages) {
  const cache = await caches.open(CACHE);
  try {
    const answer = await inTime(request);
    if (answer.status < 500) {
      if (answer.ok && !answer.redirected) for (const page of pages) keepShell(cache, page.shell).catch(() => {});
      return answer;
    }
  } catch { /* no signal */ }
  for (const page of pages) {
    const known = await cache.match(page.shell);
    if (known) return known;
  }
  return Response.error();
}

async function fileOnce(request) {
  const cache = await caches.open(CACHE);
  const known = await cache.match(request, { ignoreVary: true });
  if (known) return known;
  const answer = await fetch(request);
  if (answer.ok) cache.put(request, answer.clone());
  return answer;
}

async function photo(request) {
  const cache = await caches.open(PHOTOS);
  try {
    const answer = await inTime(request);
    if (answer.ok && !answer.redirected) cache.put(request, answer.clone());
    return answer;
  } catch {
    return (await cache.match(request)) ?? Response.error();
  }
}

self.addEventListener("fetch", (event) => {
  const { request } = event;
  const url = new URL(request.url);
  if (request.method !== "GET" || url.origin !== self.location.origin) return;
  if (request.mode === "navigate") {
    const pages = PAGES.filter((one) => new RegExp(one.pattern).test(url.pathname));
    if (pages.length) event.respondWith(pageOrShell(request, pages));
  } else if (FILES.some((file) => new URL(file, self.location.origin).pathname === url.pathname)) {
    event.respondWith(fileOnce(request));
  } else if (/^\/photos\/\d+\/$/.test(url.pathname)) {
    event.respondWith(photo(request));
  }
});
