// What the pages of the day share: the line that says what waits, taps held until they are kept, what is typed meanwhile.
import { KEPT_AT_THE_OFFICE } from "../shared/devices/queue.js";

const SENT_WITHIN_MS = 4000;
const NEWS_MS = 25000;
let underway = 0; // taps that are not on the disk yet

export const isUnderway = () => underway > 0;

/** Says it in the page's own line, with the way to what it asks for. */
export function say(text, isError = false, way = "") {
  const line = document.querySelector("[data-waiting]");
  line.hidden = !text;
  line.textContent = text;
  if (way) line.append(" ", Object.assign(document.createElement("a"), { className: "button", href: way, textContent: "Sign in" }));
  line.classList.toggle("error", isError);
  if (isError) line.scrollIntoView({ block: "center" }); // the tap it answers may be screens below
}

const changed = new Map(); // what the office changed, by what it is of, until it was seen

/** Says at the top of the page what the office changed; it stays until it was seen, whatever page comes in place of this. */
export function tellNews(of = "", text = "") {
  if (text) changed.set(of, text);
  document.querySelector("[data-news]")?.remove();
  if (!changed.size) return;
  const news = document.createElement("div"), button = document.createElement("button");
  news.className = "caution";
  news.dataset.news = "yes";
  news.setAttribute("role", "status");
  for (const line of changed.values()) news.append(Object.assign(document.createElement("p"), { textContent: line }));
  button.textContent = "Seen";
  button.addEventListener("click", () => { changed.clear(); news.remove(); });
  news.append(button);
  document.getElementById("sheet").prepend(news);
}

/** Calls back while the page is seen, with signal and no tap under way: time to look what the office changed. */
export function everySoOften(look) {
  setInterval(() => document.visibilityState === "visible" && navigator.onLine && !underway && !document.body.inert && look(), NEWS_MS);
}

/** Those of a page's taps that the office does not show yet, oldest first: not sent, or kept there and not taken. */
export function untaken(field, isOurs) {
  return [...field.parked, ...field.kept].filter(isOurs).sort((a, b) => a.place - b.place);
}

/** What is said of them together; empty for none. */
export function wordsFor(field, entries) {
  const parked = entries.filter((entry) => entry.parked).length, unsent = entries.length - parked;
  const words = [];
  if (unsent) words.push(`${unsent} not sent yet; it goes when there is signal.`);
  if (parked) words.push(`${KEPT_AT_THE_OFFICE}: ${parked}.`);
  return `${words.join(" ")} ${field.trouble}`.trim();
}

/** The same of one, at its place on the page. */
export const markOf = (entry) => (entry.parked ? KEPT_AT_THE_OFFICE.toLowerCase() : "not sent yet");

/** The last tick that a page of a load can take back, as the office has it: none or one. */
export function lastTick(page) {
  const form = page.querySelector('form[data-entry="undo"]'), before = JSON.parse(form?.dataset.before || "{}");
  return Object.keys(before).length ? [{ before, text: form.querySelector("[data-last]").textContent }] : [];
}

/** What these taps make of a load's counts, by its lines, and what can be taken back after them. */
export function loaded(taps, undo) {
  const counts = {}, left = [...undo];
  for (const { kind, body } of taps) {
    if (kind === "installs.load_checked") {
      left.push({ before: body.before, text: body.text });
      Object.assign(counts, body.counts);
    } else if (kind === "installs.load_undone" && left.length) Object.assign(counts, left.pop().before);
  }
  return { counts, left };
}

/** Does a tap's work; until it is done, no fresh page comes under it. */
export async function hold(work) {
  underway += 1;
  try {
    return await work();
  } finally {
    underway -= 1;
  }
}

/** Waits for the phone's queue, so that a tap just after the page came is kept too; without one the form goes plainly. */
export async function isOpen(opened, form) {
  try {
    await opened;
    return true;
  } catch {
    form.submit();
    return false;
  }
}

/** Whether the office answered an entry soon, taken or refused; false without signal. */
export async function gone(field, entry) {
  const until = Date.now() + SENT_WITHIN_MS;
  while (Date.now() < until) {
    if (!field.waiting.some((one) => one.id === entry.id)) return true;
    if (!navigator.onLine) return false;
    await new Promise((done) => setTimeout(done, 60));
  }
  return false;
}

/** Leave this page for a fresh one: never under a tap, and no tap lands on what is on its way out. */
export function anew(address = "") {
  if (underway) return; // that tap's own answer brings the fresh page
  if (document.body.inert && !address) return; // it is on its way
  document.body.inert = true;
  if (address) location.assign(address);
  else location.reload();
}

// -- what was typed while an answer was under way, over to the fresh page ---------------------------

const TYPED = `typed ${location.pathname}`;

/** Each field of the forms that are not sent, by a key that the fresh page has too. */
function* fields() {
  for (const form of document.querySelectorAll("form[data-entry]:not([data-sent])")) {
    for (const input of form.querySelectorAll("input:not([type=hidden], [type=file]), textarea, select, input[name=signature]")) {
      if (input.name) yield [`${form.dataset.entry} ${form.dataset.of ?? ""} ${input.name}${isTick(input) ? ` ${input.value}` : ""}`, input];
    }
  }
}

const isTick = (input) => input.type === "checkbox" || input.type === "radio";
const stands = (input) => (isTick(input) ? input.checked : input.value);

function begunWith(input) {
  if (isTick(input)) return input.defaultChecked;
  if (input.defaultValue !== undefined) return input.defaultValue;
  return ([...input.options].find((option) => option.defaultSelected) ?? input.options[0])?.value;
}

/** Before the fresh page: remember what stands in the forms. */
export function carry() {
  const all = [...fields()];
  const values = all.filter(([, input]) => stands(input) !== begunWith(input)).map(([key, input]) => [key, stands(input)]);
  const at = all.find(([, input]) => input === document.activeElement)?.[0] ?? "";
  sessionStorage.setItem(TYPED, JSON.stringify({ values, at }));
}

/** Puts back what was carried over. */
export function retype() {
  const { values = [], at = "" } = JSON.parse(sessionStorage.getItem(TYPED) ?? "{}");
  sessionStorage.removeItem(TYPED);
  const found = new Map(fields());
  for (const [key, value] of values) {
    const input = found.get(key);
    if (!input) continue;
    if (isTick(input)) input.checked = value;
    else input.value = value;
    input.closest("details")?.setAttribute("open", "");
  }
  found.get(at)?.focus();
}

window.addEventListener("pageshow", () => { document.body.inert = false; });
