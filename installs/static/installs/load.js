// The load on a phone: every tap goes into the phone's own queue first, then to the office.
import { openField } from "../shared/devices/queue.js";
import { keep, keepDay, pageOf } from "./kept.js";
import { CAN_SCAN, scanner } from "./scan.js";
import { anew, gone, hold, isOpen, isUnderway, lastTick, loaded, say, untaken, wordsFor } from "./sending.js";

const NAMED = 6;

const mark = document.getElementById("load");
const userId = Number(mark.dataset.user);
const loadId = Number(mark.dataset.load);
const isLive = !document.body.dataset.kept;
const opened = openField(userId);
let field;
let ticks = []; // what may be taken back: {before, text}, the last one last

const lines = () => [...document.querySelectorAll("[data-line]")];
const missing = (line) => Number(line.dataset.quantity) - Number(line.dataset.checked);
const mine = () => untaken(field, (entry) => entry.kind.startsWith("installs.load_") && Number(entry.body.load) === loadId);

// -- the page ----------------------------------------------------------------------------------

function drawLine(line) {
  const isOn = !missing(line);
  line.classList.toggle("on", isOn);
  line.querySelector("button.line")?.setAttribute("aria-pressed", String(isOn));
  line.querySelector(".box").textContent = isOn ? "✓" : "";
  const part = line.querySelector("[data-on]");
  if (!part) return;
  part.hidden = isOn || line.dataset.checked === "0";
  part.firstElementChild.textContent = line.dataset.checked;
}

function drawSections() {
  for (const section of document.querySelectorAll(".load-part")) {
    const left = [...section.querySelectorAll("[data-line]")].filter(missing).length;
    const toGo = section.querySelector("[data-to-go]");
    toGo.hidden = !left;
    toGo.firstElementChild.textContent = left;
    section.querySelector("[data-all-on]").hidden = Boolean(left);
    const bundles = section.querySelector(".bundles");
    if (bundles) bundles.hidden = !left;
  }
}

function drawLeaving() {
  const gaps = lines().filter(missing);
  const count = document.querySelector("[data-missing]");
  if (count) count.textContent = gaps.length;
  const place = document.querySelector("[data-gaps]");
  if (!place) return;
  place.hidden = !gaps.length;
  const named = gaps.slice(0, NAMED).map((line) => `${missing(line)} × ${line.dataset.text}`).join("; ");
  place.querySelector("[data-what]").textContent = named + (gaps.length > NAMED ? "; and more" : "");
  const button = place.closest("form").querySelector("button");
  button.querySelector("[data-when-missing]").hidden = !gaps.length;
  button.querySelector("[data-when-whole]").hidden = Boolean(gaps.length);
  button.classList.toggle("action", !gaps.length);
}

function drawUndo() {
  const form = document.querySelector('form[data-entry="undo"]');
  if (!form) return;
  const last = ticks[ticks.length - 1];
  form.hidden = !last;
  if (last) form.querySelector("[data-last]").textContent = last.text;
}

function set(counts) {
  for (const [key, count] of Object.entries(counts)) {
    const line = document.getElementById(`line-${key}`);
    if (!line) continue;
    line.dataset.checked = Math.min(Number(count), Number(line.dataset.quantity));
    drawLine(line);
  }
}

function draw() {
  drawSections();
  drawLeaving();
  drawUndo();
}

/** What the office does not know yet, in words; a refusal stands until the page is loaded anew. */
function tell() {
  const refused = field.refused.filter((one) => one.kind.startsWith("installs.load_") && Number(one.body.load) === loadId);
  const waiting = mine();
  if (refused.length) return say(`The office did not take this: ${refused[refused.length - 1].reply.problem}`, true);
  if (!waiting.length) return say(field.trouble);
  const become = ["left", "back"].filter((state) => waiting.some((entry) => entry.kind === `installs.load_${state}`));
  say([...become.map((state) => `${mark.dataset[state]}.`), wordsFor(field, waiting)].join(" "));
}

// -- taps ----------------------------------------------------------------------------------------

const countsOf = (several, count) => Object.fromEntries(several.map((line) => [line.dataset.line, count ?? Number(line.dataset.quantity)]));

const add = (kind, body) => hold(() => field.add(kind, { load: loadId, ...body }));

async function tick(counts) {
  const changed = Object.entries(counts).filter(([key, count]) => Number(document.getElementById(`line-${key}`).dataset.checked) !== count);
  if (!changed.length) return;
  const before = Object.fromEntries(changed.map(([key]) => [key, Number(document.getElementById(`line-${key}`).dataset.checked)]));
  const first = document.getElementById(`line-${changed[0][0]}`).dataset.text;
  const text = changed.length > 1 ? `${changed.length} lines, ${first} and on` : first;
  await add("installs.load_checked", { counts: Object.fromEntries(changed), before, text });
  ticks.push({ before, text });
  set(Object.fromEntries(changed));
  draw();
  tell();
}

async function undo() {
  const last = ticks[ticks.length - 1];
  if (!last) return;
  await add("installs.load_undone", { lines: Object.keys(last.before).map(Number) });
  ticks.pop();
  set(last.before);
  draw();
  tell();
}

/** A code as it is typed, or the address in a label's QR. */
const tidy = (typed) => typed.trim().replace(/\/+$/, "").split("/").pop().toUpperCase().replace(/[\s-]/g, "");

async function code(typed, isBundle) {
  const wanted = tidy(typed);
  if (!wanted) return;
  const there = lines().filter((line) => line.dataset.code === wanted);
  const open = there.filter(missing);
  const input = document.getElementById("code");
  if (!there.length) return say(`${wanted} is not on this truck's list: read the label again.`, true);
  input.value = "";
  if (!open.length) return say(`${wanted} is on the truck already, all ${there.length} of it.`, true);
  await tick(countsOf(isBundle ? open : open.slice(0, 1)));
}

async function leave(form) {
  const reason = form.elements.reason.value.trim();
  if (lines().some(missing) && !reason) return say("Not everything is on the truck. Say why it leaves without.", true);
  await away(form, await add("installs.load_left", { reason }));
}

/** The page after an entry that changes all of it: fresh from the office, or locked until there is signal. */
async function away(form, entry) {
  tell();
  if (await gone(field, entry)) {
    if (field.refused.some((one) => one.id === entry.id)) return tell();
    return anew(entry.kind === "installs.load_left" ? mark.dataset.after : "");
  }
  form.closest("section, li").inert = true;
}

const whole = (text, otherwise) => (/^\d+$/.test(text.trim()) ? Number(text) : otherwise);

const ENTRIES = {
  line: async (form) => {
    const line = form.closest("[data-line]");
    const most = Number(line.dataset.quantity);
    if (!form.elements.count) return tick(countsOf([line], missing(line) ? most : 0));
    const count = whole(form.elements.count.value, -1);
    if (count < 0 || count > most) return say(`${line.dataset.text}: 0 to ${most}.`, true);
    return tick(countsOf([line], count));
  },
  code: (form, submitter) => code(form.elements.code.value, submitter?.name === "bundle"),
  room: (form) => {
    const there = [...form.closest(".load-part").querySelectorAll("[data-line]")];
    const room = form.elements.room?.value;
    return tick(countsOf(there.filter((line) => line.dataset.code && (!room || line.dataset.room === room))));
  },
  section: (form) => tick(countsOf([...form.closest(".load-part").querySelectorAll("[data-line]")])),
  undo,
  leave,
  back: async (form) => away(form, await add("installs.load_back", {})),
  "put-back": async (form) => {
    const line = form.closest("[data-line]");
    const most = Number(line.dataset.checked);
    const count = form.elements.count ? whole(form.elements.count.value, -1) : most;
    if (count < 0 || count > most) return say(`${line.dataset.text}: 0 to ${most}.`, true);
    return away(form, await add("installs.load_put_back", { line: Number(line.dataset.line), count }));
  },
};

document.addEventListener("submit", async (event) => {
  const form = event.target.closest("form[data-entry]");
  if (!form) return;
  event.preventDefault();
  event.stopPropagation();
  if (!(await isOpen(opened, form))) return;
  const button = event.submitter;
  if (button) button.disabled = true;
  try {
    await ENTRIES[form.dataset.entry](form, event.submitter);
  } catch {
    tell(); // the disk refused; the queue says so
  } finally {
    if (button) button.disabled = false;
  }
}, true);

// -- with signal ---------------------------------------------------------------------------------

/** Takes over what the office says now; where its list is another one, it offers to show it. */
async function compare() {
  const page = await pageOf(location.pathname);
  if (!page || mine().length || isUnderway()) return;
  const theirs = [...page.querySelectorAll("[data-line]")];
  const isSame = page.getElementById("load")?.dataset.state.replace("checked", "open") === mark.dataset.state.replace("checked", "open")
    && theirs.map((line) => `${line.id} ${line.dataset.quantity}`).join() === lines().map((line) => `${line.id} ${line.dataset.quantity}`).join();
  if (!isSame) {
    const link = document.createElement("a");
    link.href = location.pathname;
    link.textContent = "Show it as it is now";
    say("The list changed at the office. ");
    return document.querySelector("[data-waiting]").append(link);
  }
  set(Object.fromEntries(theirs.map((line) => [line.dataset.line, Number(line.dataset.checked)])));
  ticks = lastTick(page);
  draw();
  await keep(userId, location.pathname, page.getElementById("sheet"), page.title);
}

/** What was tapped and not sent when the page was left. */
function resume() {
  const { counts, left } = loaded(mine(), lastTick(document));
  set(counts);
  ticks = left;
}

function offerCamera() {
  const button = document.querySelector("[data-camera]");
  if (!button) return;
  const help = document.querySelector("[data-no-camera]");
  if (CAN_SCAN) {
    button.hidden = false;
    const video = document.querySelector("[data-viewfinder]");
    scanner({ button, video, found: (text) => code(text, false), say });
  } else {
    help.hidden = false;
    help.textContent = window.isSecureContext
      ? "This browser cannot read labels with the camera: type the code on the label."
      : "The camera needs the site over HTTPS: type the code on the label.";
  }
}

async function begin() {
  offerCamera();
  field = await opened;
  if (isLive) {
    await keep(userId, location.pathname, document.getElementById("sheet"), document.title);
    keepDay(userId, mark.dataset.day.split(" ").filter(Boolean));
  }
  resume();
  draw();
  tell();
  let waited = mine().length;
  field.onchange = () => {
    const now = mine().length;
    if (waited && !now && navigator.onLine) compare().catch(() => {});
    waited = now;
    if (!isUnderway()) tell();
  };
  field.sync();
  if (!isLive && navigator.onLine) compare().catch(() => {}); // slow, not gone
  if (!isLive) window.addEventListener("online", () => compare().catch(() => {}));
}

begin();
