// The stop on a phone: every tap goes into the phone's own queue first, then to the office.
import { openField } from "../shared/devices/queue.js";
import { STATES, lastTap, listen, show as showStep, showBack, stateWith } from "../jobs/next-action.js";
import { ask, keep, keepDay, keepPhotos, kept, read, show, textOf } from "./kept.js";
import { anew, carry, everySoOften, gone, hold, isOpen, isUnderway, lastTick, loaded, markOf, retype, say, tellNews, untaken, wordsFor } from "./sending.js";

const PHOTO_EDGE = 1600;
const ASK_AGAIN_MS = 5000;

const userId = Number(document.getElementById("stop").dataset.user);
const isLive = !document.body.dataset.kept;
const opened = openField(userId);
let field;
let isDrawing = false; // a stroke of the signature is under the finger
let asked = 0; // how often the page was asked for anew: only the last answer shows every entry taken before it
let isStale = false; // it waits until the finger is off the page
let shown = isLive ? textOf(document) : ""; // what the office said of it last

const here = () => document.getElementById("stop");
const visit = () => Number(here().dataset.stop);

// -- what the office has not taken yet, shown on the page ---------------------------------------

function mine() {
  return untaken(field, (entry) => entry.kind.startsWith("installs.") && Number(entry.body.appointment) === visit());
}

function setOutcome(entry, unit, outcome, words) {
  const article = document.getElementById(`unit-${unit}`);
  if (!article) return;
  article.dataset.outcome = outcome;
  const state = document.querySelector(`[data-outcome-is="${outcome}"]`).content.cloneNode(true);
  const note = document.createElement("span");
  note.className = "waiting-mark";
  note.textContent = ` ${markOf(entry)}${words ? `: ${words}` : ""}`;
  article.querySelector(".outcome").replaceChildren(state, note);
  for (const buttons of article.querySelectorAll("[data-when]")) {
    buttons.hidden = (buttons.dataset.when === "to_do") !== (outcome === "to_do");
  }
}

const HOW = {
  "installs.installed": (body, entry) => setOutcome(entry, body.unit, "installed"),
  "installs.all_installed": (body, entry) => body.units.forEach((unit) => setOutcome(entry, unit, "installed")),
  "installs.not_installed": (body, entry) => setOutcome(entry, body.unit, "not_installed", body.note),
  "installs.undo": (body, entry) => setOutcome(entry, body.unit, "to_do"),
  "installs.sign": (body, entry) => {
    const place = document.querySelector("[data-unsigned]");
    if (place) place.textContent = `${body.name ? `Signed by ${body.name}` : `Left with ${body.left_with}`}, ${markOf(entry)}.`;
  },
};

function project() {
  const waiting = mine();
  for (const entry of waiting) HOW[entry.kind]?.(entry.body, entry);
  const left = document.querySelectorAll('.unit[data-outcome="to_do"]').length;
  const action = document.querySelector("[data-next-action]");
  if (action) {
    action.querySelector('form[data-entry="installs.all_installed"] button').textContent = `All ${left} installed`;
    const { state: was } = action.dataset, state = stateWith(was, visit(), waiting);
    showStep(action, { state, here: true, left: left > 0 });
    showBack(action, lastTap(visit(), field.taps), state);
    if (state !== was) document.querySelector("[data-state-said]").textContent = `${STATES[state]}, ${markOf(waiting.at(-1))}`;
  }
  const still = document.querySelector("[data-left]");
  if (still) still.textContent = left ? `${left} with no outcome yet` : "";
  const done = waiting.some((entry) => entry.kind === "installs.done") && stateWith("arrived", visit(), waiting) === "done";
  document.querySelector('form[data-entry="installs.done"]')?.toggleAttribute("hidden", done);
  const refused = field.refused.filter((one) => Number(one.body.appointment) === visit());
  if (refused.length) {
    const last = refused[refused.length - 1];
    say(`The office did not take this: ${last.reply.problem}`, true);
  } else if (waiting.length) {
    say(`${done ? "Stop finished. " : ""}${wordsFor(field, waiting)}`, false, field.signIn);
  } else {
    say(field.trouble, false, field.signIn);
  }
}

/** What the van left without, of this stop or for every one, while the office does not know yet that it left. */
async function sayLeftBehind() {
  const taps = untaken(field, ({ kind }) => kind.startsWith("installs.load_"));
  const left = taps.findLast(({ kind }) => kind === "installs.load_left"), load = left && await kept(userId, `/loads/${left.body.load}/`);
  if (!load) return;
  const page = new DOMParser().parseFromString(load.html, "text/html"), parts = [...page.querySelectorAll(".load-part")];
  const { counts } = loaded(taps, lastTick(page)), said = document.createElement("p"), word = document.createElement("strong");
  const lines = parts.filter((part) => (part.querySelector('a[href^="/stops/"]')?.getAttribute("href") ?? location.pathname) === location.pathname)
    .flatMap((part) => [...part.querySelectorAll("[data-line]")]);
  const missing = lines.map(({ dataset }) => [dataset.quantity - (counts[dataset.line] ?? dataset.checked), dataset.text]).filter(([count]) => count > 0);
  if (!missing.length) return;
  word.textContent = "Not on the truck: ";
  said.className = "caution";
  said.append(word, `${missing.map(([count, text]) => `${count} × ${text}`).join("; ")}. Left without, because: ${left.body.reason}. Not sent yet.`);
  here().prepend(said);
}

// -- actions -------------------------------------------------------------------------------------

async function photoOf(file) {
  const picture = await createImageBitmap(file);
  const scale = Math.min(1, PHOTO_EDGE / Math.max(picture.width, picture.height));
  const canvas = document.createElement("canvas");
  canvas.width = Math.round(picture.width * scale);
  canvas.height = Math.round(picture.height * scale);
  canvas.getContext("2d").drawImage(picture, 0, 0, canvas.width, canvas.height);
  return canvas.toDataURL("image/jpeg", 0.85).split(",")[1];
}

const text = (form, name) => (form.elements[name]?.value ?? "").trim();

const ticked = (form, name) => [...form.querySelectorAll(`[name="${name}"]:checked`)].map((box) => box.value);

async function bodyOf(form) {
  const kind = form.dataset.entry;
  const body = { appointment: visit() };
  if (form.dataset.of) body.unit = Number(form.dataset.of);
  if (kind === "installs.all_installed") {
    body.units = [...document.querySelectorAll('.unit[data-outcome="to_do"]')].map((one) => Number(one.dataset.unit));
  } else if (kind === "installs.not_installed") {
    Object.assign(body, { cause: text(form, "cause"), note: text(form, "note") });
  } else if (kind === "installs.hardware") {
    Object.assign(body, { material: text(form, "material"), change: Number(text(form, "change") || 0), note: text(form, "note"), unit: Number(text(form, "unit")) || null });
  } else if (kind === "installs.motor") {
    const words = ["channel", "remote", "hub"].map((name) => [name, text(form, name)]);
    Object.assign(body, Object.fromEntries(words), { limits: form.elements.limits.checked, charged: form.elements.charged.checked });
  } else if (kind === "installs.sign") {
    Object.assign(body, { name: text(form, "name"), strokes: JSON.parse(text(form, "signature") || "[]"), left_with: text(form, "left_with") });
  } else if (kind === "installs.done") {
    body.note = text(form, "note");
    if (form.elements.result) body.result = form.querySelector("[name=result]:checked")?.value ?? "";
    body.checked = ticked(form, "checked");
    const but = body.checked.map((check) => [check, ticked(form, `not-${check}`).map(Number)]).filter(([, units]) => units.length);
    if (but.length) body.excepted = Object.fromEntries(but);
  } else if (kind === "installs.photo") {
    const file = form.elements.photo.files[0];
    if (!file) return null;
    Object.assign(body, { data: await photoOf(file), unit: Number(text(form, "unit")) || null, caption: text(form, "caption") });
  }
  return body;
}

/** Why an entry need not even be queued; the office checks all the same. */
function wrong(kind, body) {
  if (kind === "installs.not_installed" && !body.cause) return "Choose why it did not go up.";
  if (kind === "installs.sign" && !body.name && !body.left_with) return "Say who signs, or with whom it was left.";
  if (kind === "installs.sign" && body.name && !body.strokes.length) return "Nothing was drawn: sign in the box, or say with whom it was left.";
  if (kind === "installs.done") {
    const left = document.querySelectorAll('.unit[data-outcome="to_do"]').length;
    if (left) return `${left} with no outcome yet: installed, or not and why?`;
    if (body.result === "") return "Say what came of it: fixed, parts to come, or can't be repaired.";
    if (body.result && !body.note) return "Say what was done.";
    if (document.querySelector("[data-children]") && !body.checked.includes("cords") && !body.note) {
      return "Children live or visit here: tick that cords are held, or say in the note which unit's is not.";
    }
  }
  return "";
}

document.addEventListener("submit", async (event) => {
  const form = event.target.closest("form[data-entry]");
  if (!form) return;
  event.preventDefault();
  if (!(await isOpen(opened, form))) return;
  const kind = form.dataset.entry;
  const button = form.querySelector("button:not([type=button])");
  if (button) button.disabled = true;
  try {
    const entry = await hold(() => put(kind, form));
    if (!entry) return;
    form.dataset.sent = entry.id; // what stands in it is not to be typed into the fresh page, unless it is refused
    if (await gone(field, entry)) return refresh(form);
    delete form.dataset.sent;
    form.closest("details")?.removeAttribute("open");
    if (kind !== "installs.done") form.reset();
  } finally {
    if (button) button.disabled = false;
    settle();
  }
  project();
}, true);

/** Onto the phone's disk; nothing comes back where the form is not right, and it says so. */
async function put(kind, form) {
  const body = await bodyOf(form).catch(() => null);
  const problem = body ? wrong(kind, body) : "That picture can't be read.";
  if (problem) return say(problem, true);
  return field.add(kind, body);
}

/** The office answered: the queue has asked for the page as it stands there, unless it was refused. */
function refresh(form) {
  if (!field.refused.some((one) => Number(one.body.appointment) === visit())) return;
  delete form.dataset.sent;
  project();
}

/** Shows the stop as the office has it now, with what was typed; whatever it took meanwhile asks again. */
async function fresh() {
  const mine = ++asked;
  const answer = await ask(location.pathname);
  const page = await read(answer);
  if (mine !== asked) return;
  if (page) return swap(page);
  if (answer && answer.status < 500) return anew(); // signed out, or the visit is no longer there
  setTimeout(() => mine === asked && fresh(), ASK_AGAIN_MS);
}

async function swap(page) {
  isStale = isDrawing || isUnderway();
  if (isStale) return;
  for (const { id } of field.refused) delete document.querySelector(`form[data-sent="${id}"]`)?.dataset.sent;
  carry();
  shown = textOf(page);
  const kept = show(userId, page);
  begun();
  tellNews();
  await kept;
}

/** Whether the office has this stop otherwise by now: shown in its place, and said. */
async function look() {
  if (isDrawing || mine().length) return;
  const before = asked, answer = await ask(location.pathname), page = await read(answer);
  if (before !== asked || isDrawing || isUnderway() || mine().length) return;
  const at = new Date().toLocaleTimeString([], { hour: "numeric", minute: "2-digit" });
  if (answer?.status === 404) return tellNews("gone", "This stop is off your day: it was cancelled or moved to another crew. Call the office.");
  if (!page || textOf(page) === shown) return;
  const wasKept = !shown;
  await swap(page);
  if (!wasKept) tellNews("stop", `The office changed this stop (seen ${at}).`);
}

/** The finger is off the page: what waited for that may come. */
function settle() {
  if (isStale && !isDrawing && !isUnderway()) fresh();
}

// -- the signature --------------------------------------------------------------------------------

function pad(form) {
  const canvas = form.querySelector("[data-canvas]");
  const kept = form.querySelector("input[name=signature]");
  const pen = canvas.getContext("2d");
  let strokes = JSON.parse(kept.value || "[]");
  let stroke = null;

  function at(event) {
    const box = canvas.getBoundingClientRect();
    const x = Math.round(((event.clientX - box.left) / box.width) * 1000);
    const y = Math.round(((event.clientY - box.top) / box.height) * 1000);
    return [Math.min(1000, Math.max(0, x)), Math.min(1000, Math.max(0, y))];
  }

  function draw() {
    pen.clearRect(0, 0, canvas.width, canvas.height);
    pen.strokeStyle = getComputedStyle(canvas).color;
    pen.lineWidth = 4;
    pen.lineCap = pen.lineJoin = "round";
    for (const points of strokes) {
      pen.beginPath();
      points.forEach(([x, y], place) => pen[place ? "lineTo" : "moveTo"]((x * canvas.width) / 1000, (y * canvas.height) / 1000));
      pen.stroke();
    }
  }

  draw();
  canvas.addEventListener("pointerdown", (event) => {
    canvas.setPointerCapture(event.pointerId);
    stroke = [at(event)];
    strokes.push(stroke);
    isDrawing = true;
    event.preventDefault();
  });
  canvas.addEventListener("pointermove", (event) => {
    if (!stroke) return;
    stroke.push(at(event));
    draw();
  });
  const lift = () => {
    stroke = null;
    isDrawing = false;
    kept.value = JSON.stringify(strokes);
    settle();
  };
  canvas.addEventListener("pointerup", lift);
  canvas.addEventListener("pointercancel", lift);
  form.addEventListener("reset", () => { strokes = []; kept.value = "[]"; draw(); });
  form.querySelector("[data-wipe]").addEventListener("click", () => { strokes = []; kept.value = "[]"; draw(); });
}

// -- the page ---------------------------------------------------------------------------------------

/** Once for each page shown. */
function begun() {
  retype();
  for (const form of document.querySelectorAll("form[data-pad]")) pad(form);
  project();
  sayLeftBehind();
}

async function begin() {
  field = await opened;
  begun();
  const counts = () => [mine().filter((entry) => !entry.parked).length, mine().filter((entry) => entry.parked).length];
  let [unsent, parked] = counts();
  field.onchange = () => {
    project();
    const now = counts();
    if ((now[0] < unsent || now[1] < parked) && navigator.onLine) fresh();
    [unsent, parked] = now;
  };
  field.sync();
  if (!isLive && navigator.onLine) fresh(); // slow, not gone
  if (!isLive) window.addEventListener("online", () => fresh());
  everySoOften(look);
  if (isLive) {
    await keep(userId, location.pathname, document.getElementById("sheet"), document.title);
    await keepPhotos(document.getElementById("sheet"));
    keepDay(userId, (here().dataset.day || "").split(" ").filter(Boolean));
  }
}

listen(opened, () => project());
begin();
