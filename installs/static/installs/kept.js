// Pages of the day kept on this phone, so that they open without signal: the page as the office last showed it.

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

export async function keep(userId, path, sheet, title) {
  const db = await open(userId);
  const tx = db.transaction("pages", "readwrite");
  tx.objectStore("pages").put({ path, title, html: sheet.innerHTML, keptAt: new Date().toISOString() });
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

/** A page as the office has it now; null where it does not answer with one. */
export async function pageOf(path) {
  const answer = await fetch(path, { credentials: "same-origin" }).catch(() => null);
  if (!answer || !answer.ok || answer.redirected) return null;
  return new DOMParser().parseFromString(await answer.text(), "text/html");
}

/** Fetches a page and keeps it; false where the office does not answer with one. */
export async function fetchPage(userId, path) {
  const page = await pageOf(path);
  const sheet = page?.getElementById("sheet");
  if (sheet) await keep(userId, path, sheet, page.title);
  return Boolean(sheet);
}

/** Fetches the pages of the day that are named on the page and keeps each; those of other days go. */
export async function keepDay(userId, paths) {
  if (!navigator.onLine) return;
  for (const path of paths) await fetchPage(userId, path);
  const db = await open(userId);
  const tx = db.transaction("pages", "readwrite");
  const store = tx.objectStore("pages");
  for (const key of await wrap(store.getAllKeys())) if (!paths.includes(key)) store.delete(key);
  db.close();
}
