/*
 * What was done without signal: kept in the phone's own database, sent in order, each once.
 *
 *   const field = await openField(userId);
 *   await field.add("measuring.reading", { opening, place, typed, seen });   // its id and place come back
 *   field.onchange = () => draw(field.day, field.waiting, field.parked, field.refused);
 *
 * Any room may use it: a kind of entry is a name, its body plain JSON. The server keeps the reply
 * of each entry, so what was sent and not heard of is simply sent again. What a fault at the office
 * keeps from being taken is `parked`: kept there, shown here, asked for until it is taken or refused.
 */

const SEND_AT_ONCE = 25;
const SEND_BYTES = 3000000;
const ASK_AT_ONCE = 200;
const RETRY_MS = 15000;
const PATIENCE_MS = 20000; // a request that nobody answers is given up, so that the next one is tried
const BYTES_A_MS = 20; // a slow line still gets its photos through
const MOST_TAPS = 200;
const MOST_NOTE = 100000; // characters: more than a signature, less than a photo
const NEWS_MS = 25000;
const PARKED = 202;
export const KEPT_AT_THE_OFFICE = "Kept at the office, not taken yet";

function wrap(request) {
  return new Promise((resolve, reject) => {
    request.onsuccess = () => resolve(request.result);
    request.onerror = () => reject(request.error);
  });
}

function openDatabase(name) {
  const request = indexedDB.open(name, 1);
  request.onupgradeneeded = () => {
    const db = request.result;
    db.createObjectStore("meta");
    db.createObjectStore("deeds", { keyPath: "place" });
    db.createObjectStore("refused", { keyPath: "id" });
  };
  return wrap(request);
}

export function newId() {
  if (crypto.randomUUID) return crypto.randomUUID();
  const bytes = crypto.getRandomValues(new Uint8Array(16)); // without TLS there is no randomUUID
  bytes[6] = (bytes[6] & 0x0f) | 0x40;
  bytes[8] = (bytes[8] & 0x3f) | 0x80;
  const hex = [...bytes].map((byte) => byte.toString(16).padStart(2, "0")).join("");
  return [hex.slice(0, 8), hex.slice(8, 12), hex.slice(12, 16), hex.slice(16, 20), hex.slice(20)].join("-");
}

const isUnsent = (entry) => !entry.sent && !entry.parked;

// A page that is left takes along what it has not written to the database yet. What is tapped is noted where a
// write is done before the next line, until the database has it; the next page of this person takes notes over.
const noteBefore = (userId) => `jambwise ${userId} `;
let noted = 0;

/** The name of its note; none where the phone keeps no notes, or where it is too long for one. */
function note(userId, entry) {
  const text = JSON.stringify(entry);
  if (text.length > MOST_NOTE) return "";
  noted += 1;
  const name = `${noteBefore(userId)}${Date.now()}-${String(noted).padStart(4, "0")}`;
  try {
    localStorage.setItem(name, text);
  } catch {
    return "";
  }
  return name;
}

function notesOf(userId) {
  try {
    return Object.keys(localStorage).filter((name) => name.startsWith(noteBefore(userId))).sort();
  } catch {
    return [];
  }
}

class Field {
  constructor(db, userId) {
    this.db = db;
    this.userId = userId;
    this.day = null;
    this.stored = [];
    this.unstored = [];
    this.refused = [];
    this.writing = Promise.resolve();
    this.trouble = "";
    this.news = [];
    this.storage = ""; // how full what this phone keeps is, and whether it may be cleared
    this.signIn = ""; // where to sign in again, once the office does not know this phone any more
    this.taps = []; // what was tapped on this phone at visits lately, sent or not
    this.compare = null; // (before, after) => [{ id, text }]: a page that sets it looks for news while it is seen
    this.onchange = () => {};
    this.channel = "BroadcastChannel" in window ? new BroadcastChannel(`jambwise-${userId}`) : null;
    if (this.channel) this.channel.onmessage = () => this.load();
    window.addEventListener("online", () => this.sync());
    document.addEventListener("visibilitychange", () => document.visibilityState === "visible" && this.sync());
    setInterval(() => (this.waiting.length || this.parked.length) && this.sync(), RETRY_MS);
    setInterval(() => this.compare && document.visibilityState === "visible" && navigator.onLine && this.sync(), NEWS_MS);
  }

  /**
   * What was done since the day was fetched, oldest first. Those the office took are marked `sent`
   * and stay until a day that holds them is here; the last ones may still be on their way to the disk.
   */
  get entries() {
    const known = new Set(this.stored.map((entry) => entry.id));
    return [...this.stored, ...this.unstored.filter((entry) => !known.has(entry.id))];
  }

  /** What is not sent yet. */
  get waiting() {
    return this.entries.filter(isUnsent);
  }

  /** Those of them that are on the disk: the page may be closed, they are there when it opens again. */
  get kept() {
    return this.stored.filter(isUnsent);
  }

  /** What the office keeps and has not taken yet: nothing to send, nothing lost. */
  get parked() {
    return this.stored.filter((entry) => entry.parked);
  }

  /** Read again what this phone keeps, and tell. */
  async load() {
    const tx = this.db.transaction(["meta", "deeds", "refused"]);
    const [day, news, taps, waiting, refused] = await Promise.all([
      wrap(tx.objectStore("meta").get("day")),
      wrap(tx.objectStore("meta").get("news")),
      wrap(tx.objectStore("meta").get("taps")),
      wrap(tx.objectStore("deeds").getAll()),
      wrap(tx.objectStore("refused").getAll()),
    ]);
    this.day = day ?? null;
    this.news = news ?? [];
    this.stored = waiting;
    this.refused = refused;
    this.taps = (taps ?? []).filter(({ id }) => !refused.some((one) => one.id === id));
    this.onchange();
  }

  /**
   * Put an entry at the end of the queue. It counts at once, so that the next key goes to the next
   * field; it is on the disk when this comes back, and whoever looks is told if the disk refuses.
   */
  async add(kind, body, id = newId()) {
    const entry = { id, kind, body, done_at: new Date().toISOString() };
    const name = note(this.userId, entry), hold = (event) => event.preventDefault();
    if (!name) window.addEventListener("beforeunload", hold); // a photo: the browser asks before it leaves
    this.unstored.push(entry);
    this.onchange();
    this.writing = this.writing.catch(() => {}).then(() => this.store(entry));
    try {
      await this.writing.finally(() => name ? localStorage.removeItem(name) : window.removeEventListener("beforeunload", hold));
    } catch (error) {
      this.trouble = `This phone could not keep the last entry (${error.message}). Write it down.`;
      this.onchange();
      this.unstored = this.unstored.filter((one) => one !== entry);
      throw error;
    }
    await this.load();
    this.unstored = this.unstored.filter((one) => one !== entry);
    this.channel?.postMessage("changed");
    this.sync();
    return entry;
  }

  /** What a page before this one was left with: into the queue, in the order of the taps. */
  async takeNotes() {
    for (const name of notesOf(this.userId)) {
      const text = localStorage.getItem(name); // gone where its own page has just written it
      if (text) await this.store(JSON.parse(text));
      localStorage.removeItem(name);
    }
  }

  /** Writes an entry to the disk, once: the page it was tapped on and the next one may both try. */
  async store(entry) {
    const tx = this.db.transaction(["meta", "deeds"], "readwrite", { durability: "strict" });
    const meta = tx.objectStore("meta"), ids = (await wrap(meta.get("stored"))) ?? [];
    if (ids.includes(entry.id)) return;
    meta.put([...ids, entry.id].slice(-MOST_TAPS), "stored");
    const place = ((await wrap(meta.get("place"))) ?? 0) + 1;
    meta.put(place, "place");
    const { id, kind, done_at, body: { appointment } } = entry;
    if (appointment) meta.put([...((await wrap(meta.get("taps"))) ?? []), { id, kind, done_at, body: { appointment } }].slice(-MOST_TAPS), "taps");
    tx.objectStore("deeds").put({ ...entry, place });
    await new Promise((resolve, reject) => {
      tx.oncomplete = resolve;
      tx.onerror = tx.onabort = () => reject(tx.error);
    });
  }

  /** The person has seen why an entry was refused. */
  async dismiss(id) {
    const tx = this.db.transaction("refused", "readwrite");
    await wrap(tx.objectStore("refused").delete(id));
    await this.load();
  }

  /** The person has seen what changed. */
  async seen(id) {
    await this.setMeta("news", this.news.filter((one) => one.id !== id));
    await this.load();
  }

  /** Send what waits and fetch the day anew; one tab at a time. */
  async sync() {
    const work = () => this.exchange();
    try {
      if (navigator.locks) await navigator.locks.request(`jambwise-${this.userId}`, { ifAvailable: true }, (lock) => lock && work());
      else await work();
    } catch (error) {
      const why = error.name === "TimeoutError" ? "the office does not answer; it is tried again" : error.message;
      this.trouble = navigator.onLine ? `Not sent: ${why}` : "";
      this.onchange();
    }
  }

  async exchange() {
    const token = await this.token();
    if (!token) return;
    let sent = 0;
    for (;;) {
      const parcel = await this.parcel();
      if (!parcel.length) break;
      if (!(await this.send(token, parcel))) return;
      sent += parcel.length;
      await this.load();
    }
    if (!(await this.ask(token))) return;
    const isOther = await this.fetchDay(token), hadTrouble = this.trouble !== "";
    this.trouble = "";
    if (sent || isOther) this.channel?.postMessage("changed");
    if (sent || isOther || hadTrouble) await this.load();
  }

  async unsent() {
    const stored = await wrap(this.db.transaction("deeds").objectStore("deeds").getAll());
    return stored.filter(isUnsent);
  }

  async parcel() {
    const parcel = [];
    let bytes = 0;
    for (const entry of await this.unsent()) {
      bytes += JSON.stringify(entry.body).length + 300;
      if (parcel.length && (parcel.length >= SEND_AT_ONCE || bytes > SEND_BYTES)) break;
      parcel.push(entry);
    }
    return parcel;
  }

  /** Send one parcel; true when it went through and more may follow. */
  async send(token, parcel) {
    const base = (await this.meta("base")) ?? 0;
    const answer = await this.post(token, { entries: parcel.map(({ id, kind, body, done_at, place }) => ({ id, kind, body, done_at, place: place - base })) });
    if (!answer) return false;
    const { replies } = answer;
    const early = replies.findIndex((reply) => reply.status === 409 && "expected" in reply.reply);
    const inOrder = early === -1;
    await this.hear(parcel, inOrder ? replies : replies.slice(0, early));
    if (!inOrder) {
      const { expected } = replies[replies.length - 1].reply;
      const stuck = parcel[replies.length - 1];
      if (stuck.place - base === expected) throw new Error("the office counts this phone's entries otherwise");
      await this.setMeta("base", stuck.place - expected);
    }
    return true;
  }

  /** Ask what became of what the office keeps; false when this phone is signed out there. */
  async ask(token) {
    const parked = (await wrap(this.db.transaction("deeds").objectStore("deeds").getAll())).filter((entry) => entry.parked);
    for (let at = 0; at < parked.length; at += ASK_AT_ONCE) {
      const some = parked.slice(at, at + ASK_AT_ONCE);
      const answer = await this.post(token, { entries: [], asks: some.map((entry) => entry.id) });
      if (!answer) return false;
      await this.hear(some, answer.asked);
    }
    return true;
  }

  async post(token, body) {
    const text = JSON.stringify(body);
    const answer = await fetch("/api/field/entries/", {
      method: "POST",
      headers: { "Content-Type": "application/json", Authorization: `Device ${token}` },
      credentials: "omit",
      body: text,
      signal: AbortSignal.timeout(PATIENCE_MS + text.length / BYTES_A_MS),
    });
    if (answer.status === 401) return this.forget();
    if (!answer.ok) throw new Error(`the office answered ${answer.status}; it is tried again`);
    return answer.json();
  }

  /** Note what the office answered to each entry. */
  async hear(entries, replies) {
    const tx = this.db.transaction(["deeds", "refused"], "readwrite", { durability: "strict" });
    for (const reply of replies) {
      const entry = entries.find((one) => one.id === reply.id);
      if (!entry) continue;
      const { parked, ...taken } = entry;
      if (reply.status === PARKED) tx.objectStore("deeds").put({ ...taken, parked: true });
      else if (reply.status < 400) tx.objectStore("deeds").put({ ...taken, sent: true });
      else {
        tx.objectStore("deeds").delete(entry.place);
        const { data, ...body } = entry.body; // a photo's bytes are not shown again
        tx.objectStore("refused").put({ id: entry.id, kind: entry.kind, body, done_at: entry.done_at, reply: reply.reply });
      }
    }
    await new Promise((resolve, reject) => {
      tx.oncomplete = resolve;
      tx.onerror = tx.onabort = () => reject(tx.error);
    });
  }

  /** The day as the office has it now; true where it is another than the one that is here. */
  async fetchDay(token) {
    const stored = await wrap(this.db.transaction("deeds").objectStore("deeds").getAll());
    const inDay = stored.filter((entry) => entry.sent).map((entry) => entry.place);
    const headers = { Authorization: `Device ${token}` }, tag = await this.meta("day tag");
    if (tag && this.day) headers["If-None-Match"] = tag;
    const answer = await fetch("/api/field/day/", { headers, credentials: "omit", signal: AbortSignal.timeout(PATIENCE_MS) });
    if (answer.status === 401) return this.forget();
    const isSame = answer.status === 304;
    if (!answer.ok && !isSame) throw new Error(`the office answered ${answer.status}`);
    if (isSame && !inDay.length) return false;
    const day = isSame ? null : await answer.json();
    if (day && day.user.id !== this.userId) return false; // somebody else's token: nothing of theirs is shown here
    const fresh = day && this.day ? this.compare?.(this.day, day) ?? [] : [];
    const tx = this.db.transaction(["meta", "deeds"], "readwrite"), meta = tx.objectStore("meta");
    if (day) {
      meta.put(day, "day");
      meta.put(answer.headers.get("ETag") ?? "", "day tag");
    }
    if (fresh.length) meta.put([...this.news, ...fresh], "news");
    for (const place of inDay) tx.objectStore("deeds").delete(place);
    await new Promise((resolve, reject) => {
      tx.oncomplete = resolve;
      tx.onerror = tx.onabort = () => reject(tx.error);
    });
    return true;
  }

  /** This phone's own token: registered once while the person is signed in here. */
  async token() {
    const kept = await this.meta("token");
    if (kept) return kept;
    const csrf = JSON.parse(document.body.getAttribute("hx-headers") ?? "{}")["X-CSRFToken"];
    if (!csrf) return null;
    const answer = await fetch("/api/field/devices/", {
      method: "POST",
      headers: { "Content-Type": "application/json", "X-CSRFToken": csrf },
      signal: AbortSignal.timeout(PATIENCE_MS),
      body: JSON.stringify({ name: navigator.userAgentData?.platform || navigator.platform || "phone" }),
    });
    if (!answer.ok) {
      this.signedOut();
      return null;
    }
    this.signIn = "";
    const { token } = await answer.json();
    const waiting = await this.unsent();
    const next = waiting.length ? waiting[0].place : ((await this.meta("place")) ?? 0) + 1;
    await this.setMeta("base", next - 1); // a new device counts from 1
    await this.setMeta("token", token);
    return token;
  }

  async forget() {
    const tx = this.db.transaction("meta", "readwrite");
    await wrap(tx.objectStore("meta").delete("token"));
    this.signedOut();
    return false;
  }

  signedOut() {
    this.trouble = "This phone was signed out at the office. Sign in again: everything is kept, and is sent then.";
    this.signIn = `/sign-in/?next=${encodeURIComponent(location.pathname)}`;
    this.onchange();
  }

  meta(key) {
    return wrap(this.db.transaction("meta").objectStore("meta").get(key));
  }

  setMeta(key, value) {
    return wrap(this.db.transaction("meta", "readwrite").objectStore("meta").put(value, key));
  }
}

/** How much of what this phone may keep is used, and whether it may clear it; empty where it does not tell. */
async function storageWords() {
  const { storage } = navigator;
  if (!storage?.estimate) return "";
  const isKept = (await storage.persisted?.()) || (await storage.persist?.()) || false;
  const { usage, quota } = await storage.estimate(), share = Math.ceil((usage / quota) * 100);
  const kept = isKept ? "The phone keeps it until you clear it." : "The phone may clear it when it runs short: add this page to its home screen, and send what waits.";
  return `Kept on this phone: ${(usage / 1e6).toFixed(1)} MB, ${share}% of its room. ${kept}`;
}

/** This person's field on this phone; registers the service worker that serves pages without signal. */
export async function openField(userId) {
  if ("serviceWorker" in navigator) {
    navigator.serviceWorker.register("/sw.js", { scope: "/" }).catch(() => {}); // no TLS: works with signal only
  }
  const field = new Field(await openDatabase(`jambwise-${userId}`), userId);
  await field.takeNotes().catch(() => { field.trouble = "This phone could not keep the last entry. Free room on it, and open this page again."; });
  await field.load();
  storageWords().then((words) => { field.storage = words; field.onchange(); }).catch(() => {});
  return field;
}
