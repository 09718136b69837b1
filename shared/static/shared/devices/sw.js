/*
 * Serves the field pages without signal. The view that serves this file puts VERSION, FILES and
 * PAGES before it: the scripts' own version, what they need, and the pages that work offline
 * (a pattern of their address and the empty page that stands in for them).
 */
/* global VERSION, FILES, PAGES */
const CACHE = `field-${VERSION}`;
const PHOTOS = "field-photos";
const PICTURE = /^\/((install-)?photos\/\d+|visits\/\d+\/service\/photo)\/$/; // of the measurer, of the stop, of what is wrong
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
  return (await firstKept(pages)) ?? Response.error();
}

const standInsOf = (path) => PAGES.filter((one) => new RegExp(one.pattern).test(path));

async function firstKept(pages) {
  const cache = await caches.open(CACHE);
  for (const page of pages) {
    const known = await cache.match(page.shell);
    if (known) return known;
  }
  return null;
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

/** Any other page: as the office has it, however long that takes; without signal the empty page says what is kept. */
async function pageOfTheOffice(request) {
  try {
    return await fetch(request);
  } catch { /* no signal */ }
  return (await firstKept(standInsOf("/"))) ?? Response.error();
}

/** A form that is sent plainly: where it can't leave, back to its page, which says that nothing was sent. */
async function sentOrBack(request) {
  try {
    return await fetch(request);
  } catch { /* no signal */ }
  const back = new URL(request.referrer || "/", self.location.origin);
  back.hash = "not-sent";
  return Response.redirect(back, 303);
}

self.addEventListener("fetch", (event) => {
  const { request } = event;
  const url = new URL(request.url);
  if (url.origin !== self.location.origin) return;
  if (request.mode === "navigate" && request.method === "POST") {
    event.respondWith(sentOrBack(request));
  } else if (request.method !== "GET") {
    return;
  } else if (request.mode === "navigate") {
    const pages = standInsOf(url.pathname);
    event.respondWith(pages.length ? pageOrShell(request, pages) : pageOfTheOffice(request));
  } else if (FILES.some((file) => new URL(file, self.location.origin).pathname === url.pathname)) {
    event.respondWith(fileOnce(request));
  } else if (PICTURE.test(url.pathname)) {
    event.respondWith(photo(request));
  }
});
