// Today without signal: kept on the phone with its visits; leaving and arriving wait in the phone's queue.
import { openField } from "../shared/devices/queue.js";
import { STATES, lastTap, listen, show as showStep, showBack, stateAfter, stateWith } from "../jobs/next-action.js";
import { fetchPage, keep, pageOf, show, textOf } from "./kept.js";
import { everySoOften, gone, markOf, say, tellNews, untaken } from "./sending.js";

const mark = document.getElementById("today");
const isLive = !document.body.dataset.kept;
const opened = mark && openField(Number(mark.dataset.user));
let field;
let shown = mark && isLive ? textOf(document) : ""; // what the office said of the day last
let shownAt = document.body.dataset.kept ?? new Date().toISOString(); // and when

const calls = () => [...document.querySelectorAll(".call")];
let visits = new Map(); // the names of those that are not done, by their keys
const isOurs = (entry) => visits.has(entry.body.appointment) && stateAfter("", entry.kind) !== "";

/** The visits that a page of the day names, by their address; those done stand in a list of their own. */
const visitsOf = (page) => new Map([...page.querySelectorAll(".call h3 a")].map((link) => [link.getAttribute("href"), link.textContent.replace(/\s+/g, " ").trim()]));
const isDone = (page, name) => [...page.querySelectorAll(".done-list a")].some((link) => name.endsWith(link.textContent.trim()));
const nameVisits = () => { visits = new Map(calls().map((call) => [Number(call.dataset.visit), call.querySelector("h3").textContent.replace(/\s+/g, " ").trim()])); };
const saidOf = ({ kind }) => STATES[stateAfter("", kind)];

function tell() {
  const waiting = untaken(field, isOurs);
  const refused = field.refused.filter(isOurs);
  const last = waiting[waiting.length - 1];
  const no = refused[refused.length - 1];
  if (no) return say(`${visits.get(no.body.appointment)}, ${saidOf(no)}: the office did not take this. ${no.reply.problem}`, true);
  say(last ? `${saidOf(last)}, ${markOf(last)}${last.parked ? "." : "; it goes when there is signal."} ${field.trouble}` : field.trouble, false, field.signIn);
  const storage = document.querySelector("[data-storage]");
  if (storage) storage.textContent = field.storage;
}

/** What was tapped on this phone that this page does not have yet: not taken, or since the office drew it. */
function since() {
  const known = new Set(field.waiting.concat(field.parked).map(({ id }) => id));
  return field.taps.filter(({ id, done_at }) => known.has(id) || done_at > shownAt).concat(field.waiting.filter((entry) => !field.taps.some(({ id }) => id === entry.id)));
}

/** The day as it is with what was tapped: which visit is next, what comes next there, and what is done. */
function project() {
  if (!mark.dataset.today || !document.querySelector("[data-rest]")) return;
  const taps = since(), states = new Map(), kept = new Set(field.kept.map(({ id }) => id));
  for (const call of calls()) {
    const action = document.querySelector(`[data-next-action="${call.dataset.visit}"]`);
    const was = action.dataset.state, now = stateWith(was, Number(call.dataset.visit), taps);
    states.set(call, now);
    showStep(action, { state: now });
    showBack(action, lastTap(Number(call.dataset.visit), field.taps), now);
    if (now === was) continue;
    const isUnkept = field.waiting.some(({ id, body }) => body.appointment === Number(call.dataset.visit) && !kept.has(id));
    call.querySelector("[data-state-said]").textContent = `${STATES[now]}, ${isUnkept ? "being kept on this phone" : "as tapped here"}`;
    call.querySelector("[data-asked]")?.remove();
  }
  const isUnderWay = (call) => ["on_the_way", "arrived"].includes(states.get(call));
  const open = calls().filter((call) => states.get(call) !== "done").sort((a, b) => isUnderWay(b) - isUnderWay(a));
  const [next] = open;
  if (next !== (document.querySelector("[data-next] > .call") ?? undefined)) place(open, calls().filter((call) => !open.includes(call)));
  for (const action of document.querySelectorAll("[data-next-action]")) action.hidden = action.dataset.nextAction !== next?.dataset.visit;
}

function place(open, done) {
  const [next, ...rest] = open, later = document.querySelector("[data-rest]"), over = document.querySelector("[data-done]");
  for (const call of open) call.classList.toggle("next", call === next);
  document.querySelector("[data-next]").replaceChildren(...[next].filter(Boolean));
  next?.querySelector("details")?.setAttribute("open", "");
  later.append(...rest);
  later.hidden = !rest.length;
  for (const call of done) {
    const line = document.createElement("li"), link = call.querySelector("h3 a");
    line.append(link, " done here, not shown by the office yet");
    over.querySelector("ul").append(line);
    call.remove();
  }
  over.hidden = !over.querySelector("li");
  document.querySelector("[data-all-done]").hidden = Boolean(next);
}

async function tapped(entry) {
  if (entry && (await gone(field, entry))) renew();
}

/** The day as the office has it now, in place of the one shown. */
async function renew() {
  const asked = new Date().toISOString(), page = await pageOf(location.pathname);
  if (page) await put(page, asked);
}

async function put(page, asked) {
  shown = textOf(page);
  shownAt = asked;
  const isKept = show(Number(mark.dataset.user), page, asked);
  nameVisits();
  project();
  tell();
  tellNews();
  await isKept;
}

/** Whether the office has the day otherwise by now: shown in its place, with the stops that came and went. */
async function look() {
  if (untaken(field, isOurs).length) return;
  const asked = new Date().toISOString(), page = await pageOf(location.pathname);
  if (!page || untaken(field, isOurs).length || textOf(page) === shown) return;
  const [before, after] = [visitsOf(document), visitsOf(page)];
  await put(page, asked);
  for (const [path, name] of before) {
    if (!after.has(path) && !isDone(page, name)) tellNews(path, `${name}: off your day. It was cancelled or moved to another crew: call the office before you drive.`);
  }
  for (const [path, name] of after) if (!before.has(path)) tellNews(path, `${name}: new on your day.`);
}

async function begin() {
  field = await opened;
  const userId = Number(mark.dataset.user);
  nameVisits();
  if (isLive && mark.dataset.today) keep(userId, location.pathname, document.getElementById("sheet"), document.title, shownAt);
  project();
  tell();
  const counts = () => [field.kept, field.parked].map((entries) => entries.filter(isOurs).length);
  let [unsent, parked] = counts();
  field.onchange = () => {
    project();
    tell();
    const now = counts();
    if (((unsent && !now[0]) || now[1] < parked) && navigator.onLine && !field.refused.some(isOurs)) renew();
    [unsent, parked] = now;
  };
  if (isLive && mark.dataset.today) {
    for (const link of document.querySelectorAll('a[href^="/stops/"]')) fetchPage(userId, link.pathname);
  }
  field.sync();
  if (!isLive && navigator.onLine) renew(); // slow, not gone
  if (!isLive) window.addEventListener("online", () => renew());
  if (mark.dataset.today) everySoOften(look);
}

if (mark) {
  begin();
  listen(opened, tapped);
}
