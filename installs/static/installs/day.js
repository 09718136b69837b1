// Today without signal: kept on the phone with its stops; setting out and arriving wait in the phone's queue.
import { openField } from "../shared/devices/queue.js";
import { fetchPage, keep, pageOf, show, textOf } from "./kept.js";
import { anew, everySoOften, gone, hold, isOpen, markOf, say, tellNews, untaken } from "./sending.js";

const mark = document.getElementById("today");
const isLive = !document.body.dataset.kept;
const { onTheWay, arrived } = mark?.dataset ?? {};
const SAID = { "installs.on_the_way": onTheWay, "installs.arrived": arrived };
const opened = mark && openField(Number(mark.dataset.user));
let field;
let shown = mark && isLive ? textOf(document) : ""; // what the office said of the day last

/** The visit of a form, where it is one with a stop of its own; others are not ours to send. */
function stopOf(form) {
  const pk = /^\/visits\/(\d+)\//.exec(new URL(form.action).pathname)?.[1];
  return pk && document.querySelector(`a[href="/stops/${pk}/"]`) ? Number(pk) : null;
}

const isOurs = (entry) => entry.kind in SAID && document.querySelector(`a[href="/stops/${entry.body.appointment}/"]`);

/** The visits that a page of the day names, by their address; those done stand in a list of their own. */
const visitsOf = (page) => new Map([...page.querySelectorAll(".call h3 a")].map((link) => [link.getAttribute("href"), link.textContent.replace(/\s+/g, " ").trim()]));
const isDone = (page, name) => [...page.querySelectorAll(".done-list a")].some((link) => name.endsWith(link.textContent.trim()));

function tell() {
  const waiting = untaken(field, isOurs);
  const refused = field.refused.filter(isOurs);
  const last = waiting[waiting.length - 1];
  const no = refused[refused.length - 1];
  if (no) return say(`${visitsOf(document).get(`/stops/${no.body.appointment}/`)}, ${SAID[no.kind]}: the office did not take this. ${no.reply.problem}`, true);
  say(last ? `${SAID[last.kind]}, ${markOf(last)}${last.parked ? "." : "; it goes when there is signal."} ${field.trouble}` : field.trouble);
}

document.addEventListener("submit", async (event) => {
  const form = event.target;
  const visit = mark && stopOf(form);
  if (!visit) return;
  const tap = new URL(form.action).pathname.split("/").filter(Boolean).pop();
  const kind = { "on-the-way": "installs.on_the_way", arrived: "installs.arrived" }[tap];
  if (!kind && navigator.onLine && isLive) return; // the office answers at once
  event.preventDefault();
  event.stopPropagation();
  if (!(await isOpen(opened, form))) return;
  if (!kind) return anew(`/stops/${visit}/`); // done is said there, unit by unit
  form.hidden = true;
  const entry = await hold(() => field.add(kind, { appointment: visit })).catch(() => null);
  tell();
  if (entry && (await gone(field, entry))) return renew();
  if (kind === "installs.arrived") anew(`/stops/${visit}/`);
}, true);

/** The day as the office has it now, in place of the one shown. */
async function renew() {
  const page = await pageOf(location.pathname);
  if (!page) return;
  await put(page);
}

async function put(page) {
  shown = textOf(page);
  const isKept = show(Number(mark.dataset.user), page);
  tell();
  tellNews();
  await isKept;
}

/** Whether the office has the day otherwise by now: shown in its place, with the stops that came and went. */
async function look() {
  if (untaken(field, isOurs).length) return;
  const page = await pageOf(location.pathname);
  if (!page || untaken(field, isOurs).length || textOf(page) === shown) return;
  const [before, after] = [visitsOf(document), visitsOf(page)];
  await put(page);
  for (const [path, name] of before) {
    if (!after.has(path) && !isDone(page, name)) tellNews(path, `${name}: off your day. It was cancelled or moved to another crew: call the office before you drive.`);
  }
  for (const [path, name] of after) if (!before.has(path)) tellNews(path, `${name}: new on your day.`);
}

async function begin() {
  field = await opened;
  tell();
  const counts = () => [field.kept, field.parked].map((entries) => entries.filter(isOurs).length);
  let [unsent, parked] = counts();
  field.onchange = () => {
    tell();
    const now = counts();
    if (((unsent && !now[0]) || now[1] < parked) && navigator.onLine && !field.refused.some(isOurs)) renew();
    [unsent, parked] = now;
  };
  if (isLive && mark.dataset.today) {
    const userId = Number(mark.dataset.user);
    await keep(userId, location.pathname, document.getElementById("sheet"), document.title);
    for (const link of document.querySelectorAll('a[href^="/stops/"]')) fetchPage(userId, link.pathname);
  }
  field.sync();
  if (!isLive && navigator.onLine) renew(); // slow, not gone
  if (!isLive) window.addEventListener("online", () => renew());
  if (mark.dataset.today) everySoOften(look);
}

if (mark) begin();
