// Today without signal: kept on the phone with its stops; setting out and arriving wait in the phone's queue.
import { openField } from "../shared/devices/queue.js";
import { fetchPage, keep, pageOf, show } from "./kept.js";
import { anew, hold, isOpen, markOf, say, untaken } from "./sending.js";

const mark = document.getElementById("today");
const isLive = !document.body.dataset.kept;
const { onTheWay, arrived } = mark?.dataset ?? {};
const SAID = { "installs.on_the_way": onTheWay, "installs.arrived": arrived };
const opened = mark && openField(Number(mark.dataset.user));
let field;

/** The visit of a form, where it is one with a stop of its own; others are not ours to send. */
function stopOf(form) {
  const pk = /^\/visits\/(\d+)\//.exec(new URL(form.action).pathname)?.[1];
  return pk && document.querySelector(`a[href="/stops/${pk}/"]`) ? Number(pk) : null;
}

const isOurs = (entry) => entry.kind in SAID && document.querySelector(`a[href="/stops/${entry.body.appointment}/"]`);

function tell() {
  const waiting = untaken(field, isOurs);
  const refused = field.refused.filter(isOurs);
  const last = waiting[waiting.length - 1];
  if (refused.length) return say(`The office did not take this: ${refused[refused.length - 1].reply.problem}`, true);
  say(last ? `${SAID[last.kind]}, ${markOf(last)}${last.parked ? "." : "; it goes when there is signal."} ${field.trouble}` : field.trouble);
}

document.addEventListener("submit", async (event) => {
  const form = event.target;
  const visit = mark && stopOf(form);
  if (!visit) return;
  const tap = new URL(form.action).pathname.split("/").filter(Boolean).pop();
  if (navigator.onLine && isLive) return; // the office answers at once
  event.preventDefault();
  event.stopPropagation();
  if (!(await isOpen(opened, form))) return;
  const kind = { "on-the-way": "installs.on_the_way", arrived: "installs.arrived" }[tap];
  if (kind) await hold(() => field.add(kind, { appointment: visit })).catch(() => {});
  if (kind !== "installs.on_the_way") anew(`/stops/${visit}/`); // done is said there, unit by unit
  else form.hidden = true;
  tell();
}, true);

/** The day as the office has it now, in place of the one shown. */
async function renew() {
  const page = await pageOf(location.pathname);
  if (!page) return;
  const isKept = show(Number(mark.dataset.user), page);
  tell();
  await isKept;
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
}

if (mark) begin();
