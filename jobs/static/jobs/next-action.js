/*
 * What comes next at a visit, the same on every field page: its table is read by jobs/rules/next_action.py too. A tap
 * goes into the phone's queue and the next action changes at once, whether there is signal or not.
 */
const TABLE = await (await fetch(new URL("./next-action.json", import.meta.url))).json();
const REST_MS = 500; // what a second tap of the same finger would hit is another action by then

export const { words: WORDS, states: STATES } = TABLE;
let restsUntil = 0;

/** The step that comes next, of a visit's `state`, whether its own page is open (`here`), and whether work is `left`. */
export function stepOf(facts) {
  const holds = (wanted, fact) => (Array.isArray(wanted) ? wanted.includes(fact) : wanted === fact);
  return TABLE.steps.find((row) => ["state", "here", "left"].every((name) => !(name in row) || holds(row[name], Boolean(facts[name]) && facts[name]))).step;
}

/** The state that a visit in `state` is in once an entry of this kind is taken; it never goes back. */
export function stateAfter(state, kind) {
  const to = TABLE.leads_to[kind.split(".")[1]];
  return to && TABLE.order.indexOf(to) > TABLE.order.indexOf(state) ? to : state;
}

const isBack = ({ kind }) => kind.endsWith(".taken_back");
const isTap = ({ kind }) => TABLE.can_go_back.includes(kind.split(".")[1]);

/** The taps among these entries that a visit's state stands on and that can be taken back, oldest first: `[before, after, entry]`. */
function tapsThatStand(state, visit, entries) {
  const taps = [];
  let now = state;
  for (const entry of entries.filter(({ body }) => body.appointment === visit)) {
    const after = stateAfter(now, entry.kind);
    if (isBack(entry)) now = taps.pop()?.[0] ?? TABLE.goes_back[now] ?? now;
    else if (!isTap(entry)) taps.length = 0; // something is recorded: what came before stays
    else if (after !== now) taps.push([now, after, entry]);
    if (!isBack(entry)) now = after;
  }
  return { taps, now };
}

/** The same after all of these that are of this visit. */
export const stateWith = (state, visit, entries) => tapsThatStand(state, visit, entries).now;

/** The last of this phone's taps at a visit that can be taken back, and until when; null where there is none, or it is too late. */
export function lastTap(visit, entries) {
  const { taps } = tapsThatStand("planned", visit, entries), [, state, entry] = taps.at(-1) ?? [];
  if (!entry) return null;
  const until = new Date(new Date(entry.done_at).getTime() + TABLE.back_min * 60000);
  return until > new Date() ? { state, at: new Date(entry.done_at), until } : null;
}

const clock = (at) => at.toLocaleTimeString([], { hour: "numeric", minute: "2-digit" }).toLowerCase();

/** Says which tap can be taken back and until when, beside the next action of a visit in this state; `last` as `lastTap` has it. */
export function showBack(root, last, state) {
  const form = root.querySelector("[data-back]");
  if (form && !last && state !== root.dataset.state) form.hidden = true;
  if (!form || last?.state !== state) return;
  const said = STATES[last.state];
  form.hidden = false;
  form.querySelector("[data-back-said]").textContent = `${said[0].toUpperCase()}${said.slice(1)} ${clock(last.at)}; until ${clock(last.until)}`;
}

/** Shows the way of the step that comes next, on a page that holds those of several. */
export function show(root, facts) {
  const step = stepOf(facts);
  for (const way of root.querySelectorAll("[data-step]")) {
    way.hidden = ![way.dataset.step, way.dataset.also].includes(step);
    way.querySelector("button, .button").classList.toggle("action", way.dataset.step === step);
  }
  rest(root);
}

/** No tap lands on an action that has only just come. */
function rest(root) {
  const left = restsUntil - Date.now();
  root.inert = left > 0;
  if (left > 0) setTimeout(() => { root.inert = Date.now() < restsUntil; }, left);
}

/** The same element as the pages of the office have it, `last` the tap that can be taken back; a way is `{ step, also, word, href, entry, more, id, directions, map }`. */
export function drawn(visit, facts, ways, room, last) {
  const make = (name, attributes, ...children) => {
    const made = document.createElement(name);
    for (const [key, value] of Object.entries(attributes)) if (value !== undefined && value !== null) made.setAttribute(key, value);
    made.append(...children);
    return made;
  };
  const control = ({ word, href, entry, more, id }) => (entry
    ? make("form", { method: "post", "data-tap": entry, "data-visit": visit, "data-more": more && JSON.stringify(more) }, make("button", { id }, word))
    : make("a", { class: "button", href, id }, word));
  const root = make("div", { class: "next-action", "data-next-action": visit }, ...ways.map((way) => make("div", { "data-step": way.step, "data-also": way.also },
    control(way), ...[[way.directions, "Directions"], [way.map, "Map"]].filter(([href]) => href).map(([href, word]) => make("a", { class: "button", href }, word)))));
  const back = make("form", { class: "take-back", method: "post", "data-tap": `${room}.taken_back`, "data-visit": visit, "data-back": "", hidden: "" }, make("button", { class: "small" }, "Take back"), " ", make("span", { "data-back-said": "" }));
  root.append(back);
  show(root, facts);
  showBack(root, last, facts.state);
  return root;
}

/** The taps on the way to a visit, as entries of a room: `measuring` or `installs`. */
export const tapsOf = (room) => [
  { step: "leave", word: WORDS.leave, entry: `${room}.${TABLE.taps.leave}` },
  { step: "arrive", word: WORDS.arrive, entry: `${room}.${TABLE.taps.arrive}`, also: "leave" },
];

/** Keeps every tap in the queue of this phone; `tapped` hears of it once it is there, of none where the disk refused. Without a queue the form goes plainly. */
export function listen(opened, tapped) {
  document.addEventListener("submit", async (event) => {
    const form = event.target.closest("form[data-tap]");
    if (!form) return;
    event.preventDefault();
    event.stopPropagation();
    if (Date.now() < restsUntil) return;
    restsUntil = Date.now() + REST_MS;
    const field = await opened.catch(() => null);
    if (!field) return void (form.hasAttribute("action") && form.submit());
    const body = { appointment: Number(form.dataset.visit), ...JSON.parse(form.dataset.more ?? "{}") };
    tapped(await field.add(form.dataset.tap, body).catch(() => null));
  }, true);
}
