// Without signal: puts the page this phone kept into the empty one, then lets that page's own script run.
import { openField } from "../shared/devices/queue.js";
import { allKept, fetchPage, kept } from "./kept.js";

const SCRIPTS = { stop: "./stop.js", load: "./load.js", today: "./day.js" };
const shell = document.querySelector("[data-shell]");
const userId = Number(shell.dataset.user);

async function find() {
  const found = await kept(userId, location.pathname);
  if (found || location.pathname !== "/load/") return found;
  return (await allKept(userId)).find((one) => one.path.startsWith("/loads/")); // the office would lead there
}

/** What this phone keeps: the pages, the visits to measure, and what is not sent yet. */
async function list() {
  const made = document.createElement("ul"), field = await openField(userId), { day, waiting, parked } = field;
  field.onchange = () => { shell.querySelector("[data-storage]").textContent = field.storage; };
  const add = (href, text) => {
    const link = Object.assign(document.createElement("a"), { href, textContent: text }), item = document.createElement("li");
    item.append(link);
    made.append(item);
  };
  for (const one of await allKept(userId)) add(one.path, `${one.title.split(" · ")[0]}, as of ${new Date(one.keptAt).toLocaleString([], { dateStyle: "medium", timeStyle: "short" })}`);
  for (const visit of day?.visits ?? []) add(visit.url, `${visit.purpose} ${visit.job.number} ${visit.job.customer}, ${visit.day}`);
  const unsent = shell.querySelector("[data-unsent]");
  const count = waiting.length + parked.length;
  unsent.textContent = `Not sent yet: ${count}. It goes out when there is signal.`;
  unsent.hidden = !count;
  shell.querySelector("[data-list]").replaceChildren(made);
  shell.querySelector("[data-none]").hidden = made.childElementCount > 0;
}

const STARTS = ["/", "/sign-in/"]; // they hold nothing of their own: what is kept here needs no session

async function begin() {
  const found = STARTS.includes(location.pathname) ? null : await find();
  if (!found && shell.dataset.measures && location.pathname === "/today/" && !navigator.onLine) {
    location.replace("/measure/"); // a measurer's visits are kept otherwise
    return;
  }
  if (!found) {
    shell.querySelector("[data-missing]").hidden = STARTS.includes(location.pathname);
    await list();
    if (navigator.onLine && (await fetchPage(userId, location.pathname))) location.reload(); // slow, not gone
    return;
  }
  const said = document.getElementById("messages")?.innerHTML ?? "", sheet = document.getElementById("sheet");
  sheet.innerHTML = found.html;
  if (document.getElementById("messages")) document.getElementById("messages").innerHTML = said; // what is said now, not then
  document.title = found.title;
  document.body.dataset.kept = found.keptAt;
  const name = Object.keys(SCRIPTS).find((id) => document.getElementById(id));
  if (!name) return;
  sheet.inert = true; // a tap before the script is there would be a form sent plainly, which can't leave
  await import(SCRIPTS[name]).finally(() => { sheet.inert = false; });
}

begin();
