// Pages of the day kept on this phone, so that they open without signal: the page as the office last showed it.

const PATIENCE_MS = 20000;

function wrap(request) {
  return new Promise((resolve, reject) => {
    request.onsuccess = () => resolve(request.result);
    request.onerror = () => reject(request.error);
  });
}

async function open(userId) {
  const request = indexedDB.open(`jambwise-stops-${userId}`, 1);
  request.onupgradeneeded = () => request.result.createObjectStore("pages", { keyPath: "path" });
  return wrap(request);
}

export async function keep(userId, path, sheet, title, keptAt = new Date().toISOString()) {
  const html = sheet.innerHTML, db = await open(userId);
  const tx = db.transaction("pages", "readwrite");
  tx.objectStore("pages").put({ path, title, html, keptAt });
  await new Promise((resolve, reject) => {
    tx.oncomplete = resolve;
    tx.onerror = tx.onabort = () => reject(tx.error);
  });
  db.close();
}

export async function kept(userId, path) {
  const db = await open(userId);
  const found = await wrap(db.transaction("pages").objectStore("pages").get(path));
  db.close();
  return found ?? null;
}

export async function allKept(userId) {
  const db = await open(userId);
  const found = await wrap(db.transaction("pages").objectStore("pages").getAll());
  db.close();
  return found;
}

/** What the office answers to an address now; null where nothing comes. */
export const ask = (path) => fetch(path, { credentials: "same-origin", signal: AbortSignal.timeout(PATIENCE_MS) }).catch(() => null);

/** The page in an answer of the office; null where it is none, or another address's. */
export async function read(answer) {
  if (!answer?.ok || answer.redirected) return null;
  const text = await answer.text().catch(() => null);
  return text === null ? null : new DOMParser().parseFromString(text, "text/html");
}

/** Photos of a page, fetched so that the service worker keeps them: of a page that was not looked at, too. */
export async function keepPhotos(sheet) {
  for (const { src } of sheet.querySelectorAll('img[src^="/"]')) await fetch(src, { credentials: "same-origin" }).catch(() => null);
}

export const pageOf = async (path) => read(await ask(path));

/** What a page of the day says, however it is laid out. */
export const textOf = (page) => page.getElementById("sheet").textContent.replace(/\s+/g, " ").trim();

/** Shows a page of this address in place of the one on the screen, and keeps it. */
export async function show(userId, page, askedAt) {
  const sheet = page.getElementById("sheet");
  document.getElementById("sheet").innerHTML = sheet.innerHTML;
  document.title = page.title;
  await keep(userId, location.pathname, sheet, page.title, askedAt);
}

/** Fetches a page and keeps it; false where the office does not answer with one. */
export async function fetchPage(userId, path) {
  const page = await pageOf(path);
  const sheet = page?.getElementById("sheet");
  if (sheet) {
    await keep(userId, path, sheet, page.title);
    await keepPhotos(sheet);
  }
  return Boolean(sheet);
}

/** Fetches the other pages of the day that are named on this one and keeps each; those of other days go. */
export async function keepDay(userId, paths) {
  if (!navigator.onLine) return;
  for (const path of paths) if (path !== location.pathname) await fetchPage(userId, path);
  const db = await open(userId);
  const tx = db.transaction("pages", "readwrite");
  const store = tx.objectStore("pages");
  for (const key of await wrap(store.getAllKeys())) if (!paths.includes(key)) store.delete(key);
  db.close();
}
