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

/** The same after all of these that are of this visit. */
export const stateWith = (state, visit, entries) => entries.filter((entry) => entry.body.appointment === visit).reduce((now, entry) => stateAfter(now, entry.kind), state);

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

/** The same element as the pages of the office have it; a way is `{ step, also, word, href, entry, more, id, directions }`. */
export function drawn(visit, facts, ways) {
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
    control(way), ...(way.directions ? [make("a", { class: "button", href: way.directions }, "Directions")] : []))));
  show(root, facts);
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
