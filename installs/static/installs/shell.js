// Without signal: puts the page this phone kept into the empty one, then lets that page's own script run.
import { allKept, fetchPage, kept } from "./kept.js";

const SCRIPTS = { stop: "./stop.js", load: "./load.js", today: "./day.js" };
const shell = document.querySelector("[data-shell]");
const userId = Number(shell.dataset.user);

async function find() {
  const found = await kept(userId, location.pathname);
  if (found || location.pathname !== "/load/") return found;
  return (await allKept(userId)).find((one) => one.path.startsWith("/loads/")); // the office would lead there
}

function list(pages) {
  const made = document.createElement("ul");
  for (const one of pages) {
    const item = document.createElement("li");
    const link = document.createElement("a");
    link.href = one.path;
    link.textContent = one.title.split(" · ")[0];
    item.append(link);
    made.append(item);
  }
  shell.querySelector("[data-list]").replaceChildren(made);
}

async function begin() {
  if (["/", "/sign-in/"].includes(location.pathname)) {
    location.replace("/today/"); // where the office would lead; what is kept here needs no session
    return;
  }
  const found = await find();
  if (!found && shell.dataset.measures && location.pathname === "/today/" && !navigator.onLine) {
    location.replace("/measure/"); // a measurer's visits are kept otherwise
    return;
  }
  if (!found) {
    list(await allKept(userId));
    if (navigator.onLine && (await fetchPage(userId, location.pathname))) location.reload(); // slow, not gone
    return;
  }
  document.getElementById("sheet").innerHTML = found.html;
  document.title = found.title;
  document.body.dataset.kept = found.keptAt;
  const name = Object.keys(SCRIPTS).find((id) => document.getElementById(id));
  if (name) import(SCRIPTS[name]);
}

begin();
