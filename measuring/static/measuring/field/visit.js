/* The visit on a phone: rooms and openings as they are walked, a keypad, a drawing that grows. */
import { formatLength, inchParts } from "../rules.js";
import { KEPT_AT_THE_OFFICE, openField, newId } from "../../shared/devices/queue.js";
import { STATES, WORDS, drawn, lastTap, listen, tapsOf } from "../../jobs/next-action.js";
import { Measure } from "./measure.js";
import { findOpening, freeMark, marksIn, nextMark, nextPosition, positionsIn, project, withNewNames } from "./model.js";
import { newsOf } from "./news.js";
import { openingDrawing, tapeDrawing } from "./drawings.js";

const root = document.getElementById("field");
const FRACTIONS = ["0", "1/8", "1/4", "3/8", "1/2", "5/8", "3/4", "7/8"];
const KINDS = ["crank", "handle", "lock", "trim", "sensor", "pipe"];
const PHOTO_EDGE = 1600;

let field, measure, table, day;
const boxes = new Map(); // the lengths of the page that the keypad fills in, by their inputs' ids
let parked = new Set(); // visits, rooms, openings and what is at them, that an entry kept at the office is about
const ui = { entry: "", whole: "", withCase: false, keyboard: false, said: "", error: "", last: null, problems: {}, ordering: false, rough: false };
/** At the beginning of an opening: the cursor is where the order has it, and nothing is typed. */
const afresh = () => Object.assign(ui, { entry: "", whole: "", error: "", said: "", last: null, problems: {}, here: undefined, from: null, passed: new Set(), box: null, bay: new Set() });
afresh();

// -- small things ----------------------------------------------------------------------

function h(name, attributes = {}, ...children) {
  const made = document.createElement(name);
  for (const [key, value] of Object.entries(attributes)) {
    if (value === null || value === undefined || value === false) continue;
    if (key.startsWith("on")) made.addEventListener(key.slice(2), value);
    else if (key === "value") made.value = value;
    else made.setAttribute(key, value === true ? "" : value);
  }
  made.append(...children.flat(3).filter((child) => child !== null && child !== undefined && child !== false && child !== ""));
  return made;
}

/** A length with its fraction stacked; its text stays `35 3/8`. */
function len(ticks, unit = day.unit) {
  if (unit !== "in") return h("span", { class: "len" }, formatLength(ticks, unit));
  const [whole, numerator, denominator] = inchParts(ticks);
  if (!numerator) return h("span", { class: "len" }, String(whole));
  const fraction = h("span", { class: "frac" }, h("sup", {}, String(numerator)), h("i", {}, "/"), h("sub", {}, String(denominator)));
  return h("span", { class: "len" }, whole ? `${whole} ` : "", fraction);
}

const state = (word, mark) => h("span", { class: `state ${mark}` }, word);
/** What the office does not have yet, or has and did not take, at the thing itself. */
const unsent = (thing) => thing.unsent && h("span", { class: "unsent" }, isParked(thing) ? KEPT_AT_THE_OFFICE.toLowerCase() : "not sent yet");
const isParked = (thing) => parked.has(thing.uid ?? thing.appointment);
const wordFor = (list, code) => day.choices[list].find(([key]) => key === code)?.[1] ?? code;
const stateOf = (one) => state(wordFor("state", one.state), table.opening_marks[one.state]);
/** On the way there, not begun, under way, or closed with what came of it. */
const visitState = (visit) => {
  const [word, mark] = table.visit_states[visit.closed_at ? "closed" : visit.is_open ? "under_way" : "not_begun"];
  if (!visit.closed_at && !visit.is_open && visit.state in STATES) return state(STATES[visit.state], "half");
  return state(visit.closed_at ? `${word}, ${wordFor("outcome", visit.outcome)}` : word, mark);
};
const clock = (iso) => new Date(iso).toLocaleTimeString([], { hour: "numeric", minute: "2-digit", timeZone: day.zone ?? undefined }).toLowerCase();
const go = (hash) => { location.hash = hash; };
const roomOf = (visit, one) => visit.rooms.find((room) => room.uid === one.room);
const nameOf = (visit, one) => `${roomOf(visit, one)?.name ?? ""} ${one.mark}`;

function appointmentHere() {
  const match = /^\/measure\/(\d+)\//.exec(location.pathname);
  return match ? Number(match[1]) : null;
}

function visitHere() {
  return day.visits.find((visit) => visit.appointment === appointmentHere()) ?? null;
}

const enter = (kind, body, id) => field.add(`measuring.${kind}`, body, id);

// -- drawing all of it --------------------------------------------------------------------

function draw() {
  if (!field.day) {
    root.replaceChildren(h("p", { class: "empty" }, "The day's visits are not on this phone yet. Load this page once with signal."), strip());
    return;
  }
  day = project(field.day, field.entries, table);
  measure = new Measure(table, day);
  parked = new Set(field.parked.flatMap(({ id, body }) => [id, body.copy ?? body.opening ?? body.appointment, body.reading, body.room]));
  const focused = document.activeElement?.id, { selectionStart: from, selectionEnd: to } = document.activeElement ?? {};
  const scrolled = window.scrollY;
  const visit = appointmentHere() === null ? null : visitHere();
  const opened = drawnAt === location.href ? [...root.querySelectorAll("details[open] > summary")].map((one) => one.textContent) : [];
  const typed = halfTyped(focused);
  boxes.clear();
  root.replaceChildren(strip(visit), ...page(visit).filter(Boolean));
  root.append(...[boxPad()].filter(Boolean));
  for (const [id, value] of typed) {
    const box = document.getElementById(id);
    if (box && box.value !== value) box.value = value;
  }
  for (const one of root.querySelectorAll("details > summary")) if (opened.includes(one.textContent)) one.parentElement.open = true;
  const back = document.getElementById(focused);
  back?.focus({ preventScroll: true });
  if (from != null && back?.selectionStart != null) back.setSelectionRange(from, to); // what is typed next goes where it would have gone
  window.scrollTo(0, scrolled);
  showChipHere();
}

/** The places lie in one line that scrolls; the one at the cursor stays in sight. */
function showChipHere() {
  const chip = root.querySelector(".chip.here"), line = chip?.parentElement;
  if (line) line.scrollLeft = chip.offsetLeft - (line.clientWidth - chip.offsetWidth) / 2;
}

let finger = false, drawsLater = false, lifting;

/** Draws what the office or the queue changed; not under a finger, where the key exchanged would lose the tap. */
function drawWhenLifted() {
  if (finger) drawsLater = true;
  else draw();
}

function lifted() {
  finger = false;
  if (drawsLater) setTimeout(draw);
  drawsLater = false;
}

window.addEventListener("pointerdown", () => { clearTimeout(lifting); finger = true; }, true);
window.addEventListener("click", lifted, true); // before the key's own: what a tap changes is drawn at once
for (const end of ["pointerup", "pointercancel"]) {
  window.addEventListener(end, () => { clearTimeout(lifting); lifting = setTimeout(lifted, 400); }, true); // a press without a tap
}

/** What somebody is in the middle of typing: drawing anew must not take it away. */
function halfTyped(focused) {
  if (drawnAt !== location.href) {
    drawnAt = location.href;
    return [];
  }
  const boxes = [...root.querySelectorAll("input:not([type=file]):not([type=checkbox]), textarea")];
  return boxes.filter((box) => box.id && box.id !== "entry" && (box.id === focused || box.dataset.keep)).map((box) => [box.id, box.value]);
}

let drawnAt = "";

function page(visit) {
  if (appointmentHere() === null) return dayPage();
  if (!visit) return [h("p", { class: "empty" }, "This visit is not among today's and tomorrow's of your crew. With signal its page shows it.")];
  const [what, uid, part] = location.hash.slice(1).split("/");
  const one = what === "o" ? findOpening({ visits: [visit] }, uid) : null;
  if (one && part === "facts") return factsPage(visit, one);
  if (one && part === "more") return morePage(visit, one);
  if (one) return openingPage(visit, one);
  if (what === "close") return closePage(visit);
  if (what === "bay") return bayPage(visit);
  if (what === "room") setTimeout(() => document.getElementById("room-name")?.focus());
  return visitPage(visit);
}

/** What is not sent, what the office changed, and what it refused: always in sight. */
function strip(visit = null) {
  const waiting = field.waiting.length;
  const unkept = waiting - field.kept.length;
  const keeping = unkept ? ` ${unkept} being kept on this phone.` : "";
  return h("div", { class: "sending", role: "status", "aria-live": "polite" },
    waiting
      ? h("p", { class: "unsent-line", id: "unsent" }, `${waiting} not sent yet.${keeping} ${navigator.onLine ? "Sending." : "They go out when the signal returns."}`)
      : h("p", { class: "sent-line", id: "unsent" }, field.day ? "All sent." : ""),
    field.parked.length > 0 && h("p", { class: "unsent-line", id: "parked" }, `${KEPT_AT_THE_OFFICE}: ${field.parked.length}. The office tries again by itself.`),
    !window.isSecureContext && h("p", { class: "message" }, "This address has no HTTPS: the page works with signal only, and the camera may be refused. Ask whoever runs your site."),
    field.trouble && h("p", { class: "message error" }, field.trouble, " ", field.signIn && h("a", { class: "button", href: field.signIn }, "Sign in")),
    field.news.map((one) => h("div", { class: "caution", "data-news": one.appointment },
      h("p", {}, h("strong", {}, "Changed at the office: "), one.text), h("button", { onclick: () => field.seen(one.id) }, "Seen"))),
    field.day && field.refused.map((one) => refusal(one, visit)));
}

/** The visit and the opening that an entry is about, as far as the day still has them. */
function placeOf({ body }) {
  const all = day.visits.flatMap((visit) => visit.openings), has = (list, uid) => uid && list.some((thing) => thing.uid === uid);
  const uid = body.copy ?? body.opening;
  const one = all.find((other) => (uid ? other.uid === uid : has(other.readings, body.reading) || has(other.obstructions, body.obstruction)));
  const visit = day.visits.find((other) => (body.appointment ? other.appointment === body.appointment : one && other.openings.includes(one)));
  return { visit, one };
}

/** Why something was refused, at the visit and opening it is of; elsewhere the way there. */
function refusal(entry, here) {
  const { visit, one } = placeOf(entry), { spot } = withNewNames(entry.body);
  const [what, uid] = location.hash.slice(1).split("/"), opened = what === "o" ? uid : null;
  const where = visit ? [visit.job.customer, one && nameOf(visit, one)].filter(Boolean).join(", ") : "a visit that is not on your day any more";
  const isHere = visit ? visit === here && (one?.uid ?? null) === opened : !here;
  if (!isHere && (!visit || here)) {
    const isOfVisit = visit && visit === here && one && !opened;
    return isOfVisit && h("p", { class: "unsent-line" }, h("a", { href: `#o/${one.uid}` }, `The office did not take an entry of ${nameOf(visit, one)}`));
  }
  if (!isHere) return h("p", { class: "unsent-line" }, h("a", { href: `${visit.url}${one ? `#o/${one.uid}` : ""}` }, `The office did not take an entry: ${where}`));
  const said = [entry.kind.split(".")[1].replaceAll("_", " "), spot && table.labels[spot], entry.body.typed].filter(Boolean).join(", ");
  return h("div", { class: "caution refused" },
    h("p", {}, h("strong", {}, `${where}: the office did not take this. `), `${said}. ${entry.reply.problem ?? ""}`),
    h("button", { onclick: () => field.dismiss(entry.id) }, "Seen"));
}

function titleLine(back, title, ...more) {
  return h("div", { class: "field-title" }, back && h("a", { class: "button back", href: back[0], "aria-label": back[1] }, "←"), h("div", {}, h("h1", {}, title), ...more));
}

// -- the day ------------------------------------------------------------------------------

function dayPage() {
  if (!day.visits.length) return [h("h1", {}, "Visits"), h("p", { class: "empty" }, "No visits to measure today or tomorrow.")];
  return [h("h1", {}, "Visits"), h("ol", { class: "stops" }, day.visits.map((visit) => h("li", {},
    h("p", { class: "when" }, h("span", { class: "huge" }, clock(visit.starts_at)), ` ${visit.purpose}${visit.day !== day.today ? ", tomorrow" : ""}`),
    h("p", {}, h("a", { href: visit.url }, h("strong", {}, visit.job.customer)), h("br"), visit.job.address),
    h("p", {}, visitState(visit), " ", unsent(visit))))), field.storage && h("p", { class: "help" }, field.storage), dayAction()];
}

/** The next visit of today, and what comes next at it. */
function dayAction() {
  const open = day.visits.filter((visit) => !visit.closed_at && visit.day === day.today), isUnderWay = (visit) => visit.is_open || visit.state in STATES;
  const next = open.find(isUnderWay) ?? open[0];
  return next && bottom(drawn(next.appointment, factsAt(next), [...tapsOf("measuring"), { step: "open", word: `${WORDS.open}: ${next.job.customer}`, href: next.url }], "measuring", lastTap(next.appointment, field.taps)));
}

/** What decides the next action at a visit: where it stands, as the office will have it. */
const factsAt = (visit) => ({ state: visit.closed_at ? "done" : visit.is_open ? "arrived" : visit.state });

/** What comes next at a visit whose page is open. */
function visitAction(visit) {
  const [open] = measure.ends(visit).filter((end) => end.gap), isToDo = !visit.is_open || !visit.openings.length || open !== undefined;
  const begin = { step: "work", word: "Begin to measure", entry: "measuring.begin", more: { tape: tapeOf(visit)?.id ?? null }, id: "begin" };
  const work = open ? { step: "work", word: `Measure ${nameOf(visit, open.one)}`, href: `#o/${open.one.uid}` } : { step: "work", word: "Add a room", href: "#room" };
  const close = { step: "close", also: visit.openings.length ? "work" : "", word: "Close out", href: "#close", id: "close-out" };
  const ways = [...tapsOf("measuring"), visit.is_open ? work : begin, ...(visit.is_open ? [close] : []), onward(visit)];
  return bottom(drawn(visit.appointment, { ...factsAt(visit), here: true, left: isToDo }, ways, "measuring", lastTap(visit.appointment, field.taps)));
}

// -- one visit ------------------------------------------------------------------------------

function visitPage(visit) {
  const { job } = visit;
  const door = job.door_contact && [`${job.door_contact} `, job.door_phone && h("a", { class: "button", href: `tel:${job.door_phone}` }, `Call ${job.door_phone}`)];
  const facts = [["opens", door], [job.access, visit.secret], ["parking", job.parking], ["pets", job.pets], ["expected", job.expected]];
  const short = (visit.is_open || visit.closed_at) && measure.expectedShort(visit);
  const out = [
    titleLine(["/measure/", "visits"], job.customer, h("p", { class: "where" }, `${job.number} · ${visit.purpose} · ${clock(visit.starts_at)}`),
      h("p", {}, visitState(visit), " ", unsent(visit))),
    h("p", { class: "row" }, job.address, " ", h("a", { class: "button", href: wayTo(job) }, "Directions"), job.map_link && [" ", h("a", { class: "button", href: job.map_link }, "Map")]),
    h("dl", { class: "facts tight" }, facts.filter(([, value]) => value).map(([word, value]) => h("div", {}, h("dt", {}, word), h("dd", {}, value)))),
    short && h("p", { class: "caution" }, `${short}.`),
    job.children && h("p", { class: "caution" }, "Children live or visit here: no cords within reach."),
    job.paint_caution && h("p", { class: "caution" }, job.paint_caution),
    visit.note && h("p", { class: "caution" }, visit.note),
  ];
  if (visit.closed_at) return [...out, ...roomList(visit, true), visitAction(visit)];
  if (!visit.is_open) return [...out, visitAction(visit), couldNot(visit)];
  out.push(...roomList(visit, false), newRoom(visit));
  if (visit.openings.length > 1) out.push(h("p", {}, h("a", { class: "button", id: "to-bay", href: "#bay" }, "Bay or corner")));
  out.push(tapeChoice(visit));
  if (!visit.openings.some((one) => table.states.unfinished.includes(one.state))) out.push(couldNot(visit));
  return [...out, visitAction(visit)];
}

const couldNot = ({ appointment }) => because("Couldn't measure", "Nothing can be measured today", [["Close the visit", (reason) => enter("not_measured", { appointment, reason })]], table.not_measured);
const bottom = (...children) => h("div", { class: "main-action" }, ...children);

function roomList(visit, isClosed) {
  return visit.rooms.map((room) => {
    const mine = visit.openings.filter((one) => one.room === room.uid);
    if (!mine.length && isClosed) return null;
    return h("section", { class: "room", "aria-label": room.name },
      h("h2", {}, room.name, room.floor ? ` · ${room.floor}` : ""),
      h("ol", { class: "openings" }, mine.map((one, at) => openingLine(visit, one, mine, at))),
      !isClosed && h("div", { class: "row" },
        h("button", { class: "add-opening", onclick: () => addOpening(visit, room) }, mine.length ? "Add, same as the last" : "Add an opening"),
        mine.length > 1 && h("button", { class: "quiet", onclick: () => { ui.ordering = ui.ordering === room.uid ? false : room.uid; draw(); } }, ui.ordering === room.uid ? "Done" : "Order")));
  }).filter(Boolean);
}

function openingLine(visit, one, mine, at) {
  const seen = measure.evaluate(visit, one), product = measure.products.get(one.facts.product);
  const move = (way) => {
    const uids = mine.map((other) => other.uid);
    uids.splice(at + way, 0, uids.splice(at, 1)[0]);
    enter("order", { room: one.room, openings: uids });
  };
  return h("li", {},
    h("a", { class: "opening-line", href: `#o/${one.uid}` },
      h("span", { class: "opening-mark" }, one.mark),
      h("span", { class: "opening-what" }, product ? `${product.name}, ${one.facts.mount}` : "no product yet"),
      h("span", { class: "opening-size" }, seen.size ? [len(seen.size.width), " × ", len(seen.size.height)] : ""),
      h("span", { class: "opening-state" }, stateOf(one), seen.doubts.length ? h("span", { class: "severity check" }, "read again") : "", one.reason ? ` ${one.reason} ` : " ", unsent(one) || unsent(one.readings.find((r) => r.unsent) ?? {}))),
    ui.ordering === one.room && h("span", { class: "row" },
      h("button", { disabled: at === 0, "aria-label": `${one.mark} earlier`, onclick: () => move(-1) }, "↑"),
      h("button", { disabled: at === mine.length - 1, "aria-label": `${one.mark} later`, onclick: () => move(1) }, "↓")));
}

async function addOpening(visit, room) {
  const mine = visit.openings.filter((one) => one.room === room.uid), last = mine[mine.length - 1];
  const mark = nextMark(marksIn(day, room.uid)), opening = newId();
  if (last) await enter("copy", { appointment: visit.appointment, opening: last.uid, copy: opening, mark });
  else await enter("opening", { appointment: visit.appointment, room: room.uid, room_name: room.name, floor: room.floor, opening, facts: { mark } });
  startOpening(opening);
}

function startOpening(uid) {
  afresh();
  const one = findOpening(day, uid);
  go(one && !measure.products.get(one.facts.product) ? `o/${uid}/facts` : `o/${uid}`);
}

/** Openings of a bay, left to right as they are walked, and the corners between them; walls are readings of each. */
function bayPage(visit) {
  const chosen = visit.openings.filter((one) => ui.bay.has(one.uid)), many = chosen.length > 1;
  const pick = (one) => h("div", { class: "field tick" },
    h("input", { id: `bay-${one.uid}`, type: "checkbox", checked: ui.bay.has(one.uid), onchange: (event) => { if (event.target.checked) ui.bay.add(one.uid); else ui.bay.delete(one.uid); draw(); } }),
    h("label", { for: `bay-${one.uid}` }, nameOf(visit, one), one.group ? ` (${one.group})` : ""));
  const box = (id, label) => h("div", { class: "field" }, h("label", { for: id }, label), h("input", { id, maxlength: 40, autocomplete: "off", inputmode: "decimal", "data-keep": "yes" }));
  const corner = (one, at) => h("fieldset", { class: "choices" }, h("legend", {}, `corner between ${one.mark} and ${chosen[at + 1].mark}`),
    box(`angle-${at}`, "angle, degrees"),
    h("details", {}, h("summary", {}, "Or from three lengths"), box(`left-${at}`, "along the left wall"), box(`right-${at}`, "along the right wall"), box(`across-${at}`, "across between the marks")),
    h("div", { class: "field" }, h("label", { for: `past-${at}` }, "at this corner"), h("select", { id: `past-${at}` }, [["", "both stop"], ["left", `${one.mark} runs past`], ["right", `${chosen[at + 1].mark} runs past`]].map(([value, word]) => h("option", { value }, word)))));
  const value = (id) => document.getElementById(id).value.trim();
  const save = async () => {
    const corners = chosen.slice(1).map((_, at) => ({ angle: value(`angle-${at}`), legs: ["left", "right", "across"].map((name) => value(`${name}-${at}`)), runs_past: value(`past-${at}`) }));
    const isOpen = corners.some(({ angle, legs }) => !(Number(angle.replace("°", "")) >= 20) && !legs.every(Boolean));
    ui.problems = isOpen ? { bay: "each corner has an angle, or three lengths" } : {};
    if (isOpen) return draw();
    const uids = chosen.map((one) => one.uid);
    ui.bay.clear();
    await enter("bay", { appointment: visit.appointment, kind: uids.length > 2 ? "bay" : "corner", openings: uids, corners });
    return go("");
  };
  return [
    titleLine(["#", "all openings"], "Bay or corner"),
    h("p", {}, "Choose its openings, left to right. Then read each wall, corner to corner, among the opening's readings. The office works the sizes out."),
    h("div", {}, visit.openings.map(pick), many && chosen.slice(0, -1).map(corner)),
    ui.problems.bay && h("ul", { class: "errorlist" }, h("li", {}, ui.problems.bay)),
    many && bottom(h("button", { class: "action", id: "save-bay", onclick: save }, "Save the bay")),
  ].filter(Boolean);
}

function newRoom(visit) {
  const name = h("input", { id: "room-name", "data-keep": "yes", maxlength: 60, autocomplete: "off", placeholder: "Kitchen" });
  const floor = h("input", { id: "room-floor", "data-keep": "yes", maxlength: 20, autocomplete: "off" });
  const add = async (event) => {
    event.preventDefault();
    if (!name.value.trim()) return;
    const room = newId(), opening = newId(), said = { name: name.value.trim(), floor: floor.value.trim() };
    name.value = floor.value = "";
    await enter("room", { appointment: visit.appointment, room, ...said });
    await enter("opening", { appointment: visit.appointment, room, room_name: said.name, floor: said.floor, opening, facts: { mark: "A" } });
    startOpening(opening);
  };
  return h("section", { "aria-label": "Another room" }, h("h2", {}, "Another room"),
    h("form", { class: "narrow", onsubmit: add },
      h("div", { class: "field needed" }, h("label", { for: "room-name" }, "room"), name),
      h("div", { class: "field" }, h("label", { for: "room-floor" }, "Floor"), floor),
      h("button", { id: "add-room" }, "Add the room")));
}

const tapeOf = (visit) => day.tapes.find((tape) => tape.id === visit.tape) ?? day.tapes[0] ?? null;

function tapeChoice(visit) {
  if (!day.tapes.length) return h("p", { class: "help" }, h("a", { href: "/tapes/" }, "Enter your tape"), " with the length printed on its case (with signal).");
  const now = tapeOf(visit);
  return h("section", { "aria-label": "Tape" }, h("h2", {}, "Tape"),
    h("select", { id: "tape", "aria-label": "tape", onchange: (event) => enter("begin", { appointment: visit.appointment, tape: Number(event.target.value) }) },
      day.tapes.map((tape) => h("option", { value: tape.id, selected: tape.id === now?.id }, `${tape.label}, case ${tape.case} ${day.unit}`))));
}

// -- one opening: the keypad ------------------------------------------------------------------

const keyOf = ({ spot, turn }) => `${spot}:${turn}`;

/** Where the tape is held: it stays until somebody reads, skips or taps, whatever the office or another phone sends. */
function placeHere(visit, one) {
  if (ui.here === undefined) ui.here = nextPlace(visit, one);
  return measure.asked(one).find((ask) => keyOf(ask) === ui.here) ?? null;
}

/** A reading in doubt, else what is not read further on in the order; it never leads back. */
function nextPlace(visit, one) {
  const asks = measure.asked(one), now = measure.current(one), isPassed = (key) => ui.passed.has(key);
  const doubted = measure.evaluate(visit, one).doubts.map((found) => `${found.field}:1`).find((key) => !isPassed(key));
  const ahead = asks.slice(asks.findIndex((ask) => keyOf(ask) === ui.from) + 1).map(keyOf);
  return doubted ?? ahead.find((key) => !now.has(key) && !isPassed(key)) ?? null;
}

/** From a place that was read, confirmed or skipped on to the next; it is found once that counts. */
const onFrom = (key) => Object.assign(ui, { entry: "", whole: "", error: "", withCase: false, from: key, here: undefined });

function goTo(key) {
  Object.assign(ui, { entry: "", whole: "", error: "", here: key });
  draw();
}

function openingPage(visit, one) {
  const seen = measure.evaluate(visit, one), asks = measure.asked(one), now = measure.current(one);
  const mates = visit.openings, at = mates.indexOf(one);
  const product = measure.products.get(one.facts.product);
  const head = titleLine([`#`, "all openings"], nameOf(visit, one),
    h("p", { class: "where" }, h("a", { href: `#o/${one.uid}/facts` }, product ? `${product.name}, ${one.facts.mount}` : "choose product and mount"), " · ", h("a", { href: `#o/${one.uid}/more` }, "in the way, photos, options"), " ", unsent(one)));
  if (!product) return [head, h("p", { class: "empty" }, "Choose the product and mount first: they say where to hold the tape."), bottom(h("a", { class: "button action", href: `#o/${one.uid}/facts` }, "Choose"))];
  const stopped = table.states.left_out.includes(one.state), here = stopped ? null : placeHere(visit, one);
  const isHere = (found) => found.field === here?.spot;
  const tapped = (event) => event.target.closest("[data-spot]")?.dataset.spot;
  return [
    head,
    stopped && h("p", { class: "caution" }, stateOf(one), ` ${one.reason} `, h("button", { onclick: () => enter("state", { opening: one.uid, to: "again" }) }, "Take it up again")),
    ...rivals(one),
    cannotFit(one, seen.findings.filter((found) => measure.isWasted(one, found))),
    ...seen.doubts.filter((found) => !isHere(found)).map((found) => doubt(one, found)),
    h("div", { class: "drawn", onclick: (event) => { const spot = tapped(event); if (spot && !stopped) goTo(`${spot}:1`); } }, openingDrawing(measure.picture(visit, one, { name: nameOf(visit, one), here: here?.spot }, seen))),
    sizeLine(one, seen),
    !one.bay?.stale && sizeBlock(seen),
    h("div", { class: "row neighbours" },
      at > 0 ? h("a", { class: "button", href: `#o/${mates[at - 1].uid}` }, "← Before") : h("span"),
      h("button", { onclick: () => copyOpening(visit, one) }, "Copy"),
      at < mates.length - 1 ? h("a", { class: "button", href: `#o/${mates[at + 1].uid}` }, "Next →") : h("a", { class: "button", href: "#" }, "All →")),
    stopped ? null : h("section", { class: `entry${ui.keyboard ? " typing" : ""}`, "aria-label": here ? measure.label(here.spot, here.turn) : "places" },
      h("div", { class: "entry-said" },
        ...seen.doubts.filter(isHere).map((found) => doubt(one, found, true)),
        here ? echo(visit, one, here, seen.doubts.some(isHere)) : ui.last && justRead(),
        h("div", { class: "chips", role: "group", "aria-label": "places" }, asks.map((ask) => chip(ask, now, here, seen))),
        here ? entryLine(visit, one, here) : whatIsLeft(visit, one, seen)),
      here && keypad(visit, one, here)),
  ].filter(Boolean);
}

/** What can't be made or mounted so: three answers, one of them a reason to go on. */
function cannotFit(one, wasted) {
  if (!wasted.length) return null;
  const set = (facts) => enter("facts", { opening: one.uid, facts });
  return h("div", { class: "caution", id: "cannot-fit" },
    wasted.map((found) => h("p", {}, h("span", { class: `severity ${found.severity}` }, found.severity), ` ${found.text} ${found.todo}`)),
    h("div", { class: "row" },
      h("a", { class: "button", href: `#o/${one.uid}/facts` }, "Other product"),
      one.facts.mount === "inside" && one.facts.shape !== "skylight" && h("button", { onclick: () => set({ mount: "outside" }) }, "Outside mount")),
    because("Go on", "Go on anyway", [["Go on", (reason) => set({ goes_on: reason })]]));
}

/** No place is at the cursor: what was passed over, or everything is read and the visit goes on. */
function whatIsLeft(visit, one, seen) {
  const [gap] = seen.gaps.filter((gap) => gap.field in table.labels);
  if (!gap && seen.gaps.length) return h("p", { class: "done-here" }, "Something is open above.");
  if (!gap) return [h("p", { class: "done-here" }, "Everything asked is read."), goesOn(visit, one)];
  return h("button", { class: "action wide", id: "to-gap", onclick: () => goTo(keyOf({ spot: gap.field, turn: gap.turn })) }, `Not read: ${measure.label(gap.field, gap.turn)}`);
}

/** Where the visit goes on: the next opening that something is missing of, else its end. */
function goesOn(visit, one) {
  const at = visit.openings.indexOf(one), open = measure.ends(visit).filter((end) => end.gap).map((end) => end.one);
  const next = open.find((other) => visit.openings.indexOf(other) > at) ?? open.find((other) => other !== one);
  const [href, word] = next ? [`#o/${next.uid}`, `Next: ${nameOf(visit, next)}`] : ["#close", "Close out"];
  return h("a", { class: "button action wide", id: "go-on", href }, word);
}

/** On to the day's next visit that is not closed, and the way there; to the day itself where there is none. */
function onward(visit) {
  const next = day.visits.find((other) => other !== visit && !other.closed_at && other.starts_at >= visit.starts_at);
  if (!next) return { step: "next", word: "Today", href: "/today/" };
  return { step: "next", word: `Next: ${next.job.customer}, ${clock(next.starts_at)}`, href: next.url, directions: wayTo(next.job), map: next.job.map_link };
}

/** What a phone's own map opens. */
const wayTo = (job) => job.directions ?? `geo:0,0?q=${encodeURIComponent(job.address.split(" · ")[0])}`;

async function copyOpening(visit, one) {
  const copy = newId(), mark = freeMark(one.mark, marksIn(day, one.room));
  await enter("copy", { appointment: visit.appointment, opening: one.uid, copy, mark });
  startOpening(copy);
}

const rivalAt = (key) => [key.split(":")[0], Number(key.split(":")[1])];

function rivals(one) {
  const spots = [...new Set(one.readings.filter((r) => r.conflict).map((r) => `${r.spot}:${r.turn}`))];
  const out = spots.map((key) => h("div", { class: "caution rivals" },
    h("p", {}, h("strong", {}, `${measure.label(...rivalAt(key))}: read twice, not the same.`), " Nothing is lost; say which one stands."),
    h("div", { class: "row" }, one.readings.filter((r) => `${r.spot}:${r.turn}` === key).map((r) => h("button", { onclick: () => enter("keep", { reading: r.uid }) }, len(r.ticks), ` · ${r.by} ${clock(r.at)}`)))));
  for (const conflict of one.conflicts) {
    out.push(h("div", { class: "caution rivals" }, h("p", {}, h("strong", {}, `${conflict.fact.replaceAll("_", " ")}: two phones said different things.`)),
      conflict.id !== null && h("div", { class: "row" },
        h("button", { onclick: () => enter("settle", { conflict: conflict.id, offered: false }) }, `${String(conflict.standing ?? "nothing")} (stands)`),
        h("button", { onclick: () => enter("settle", { conflict: conflict.id, offered: true }) }, `${String(conflict.offered ?? "nothing")} · ${conflict.by} ${clock(conflict.at)}`))));
  }
  return out;
}

/** A reading in doubt; where the cursor is at it, the keypad under it reads it again. */
function doubt(one, found, isHere = false) {
  const r = found.code in table.confirms && measure.current(one).get(`${found.field}:1`), key = `${found.field}:1`;
  return h("div", { class: "caution doubt", role: "alert" },
    h("p", { tabindex: isHere ? "0" : null }, h("span", { class: "severity check" }, "check"), h("strong", {}, ` Read again: ${measure.label(found.field)}. `), found.text),
    (r || !isHere) && h("div", { class: "row" },
      r && h("button", { class: "same", onclick: () => { onFrom(key); enter("same", { reading: r.uid }); } }, "The same: ", len(r.ticks)),
      !isHere && h("button", { class: "again", onclick: () => goTo(key) }, "Read it again")));
}

function sizeLine(one, seen) {
  const waits = seen.gaps.find((gap) => gap.code === "bay");
  if (one.bay?.stale && one.facts.mount === "outside") return h("p", { class: "live-size pencil" }, table.bays.at_office);
  if (!seen.size) return h("p", { class: "live-size pencil" }, waits ? `${measure.textOf(waits)}.` : seen.gaps.length ? `${seen.gaps.filter((gap) => table.gaps[gap.code].holds_size).length} to read for the size` : "");
  const count = seen.shares.length, { lapping } = one.facts;
  return h("p", { class: "live-size" }, h("span", { class: "huge", id: "order-size" }, h("span", { class: "size" }, len(seen.size.width), " × ", len(seen.size.height))), h("br"), `${day.unit}, ${seen.size.basis}`,
    count > 1 && h("span", { id: "unit-sizes" }, h("br"), `${count} units, from the left: `, seen.shares.flatMap((ticks, at) => [at ? " · " : "", h("strong", {}, len(ticks))]),
      lapping && ` · ${day.choices.lapping.find(([key]) => key === lapping)[1]}`));
}

function sizeBlock(seen) {
  if (!seen.size) return null;
  return h("div", { class: "size-block" },
    h("details", {}, h("summary", {}, "How it was reached"), h("ol", { class: "steps" }, seen.steps.map((step) => h("li", {}, h("span", { class: "step-what" }, step.what), " ", h("span", { class: "step-value" }, step.value), " ", h("span", { class: "step-why" }, step.why))))),
    findingsList(seen.findings.filter((found) => !seen.doubts.includes(found))));
}

function findingsList(found) {
  const loud = found.filter((one) => one.severity !== "note"), quiet = found.filter((one) => one.severity === "note");
  const item = (one) => h("li", {}, h("span", { class: `severity ${one.severity}` }, one.severity), ` ${one.text} `, one.todo && h("span", { class: "todo" }, one.todo));
  return [
    loud.length ? h("ul", { class: "findings" }, loud.map(item)) : null,
    quiet.length ? h("details", {}, h("summary", {}, `${quiet.length} note${quiet.length > 1 ? "s" : ""}`), h("ul", { class: "findings" }, quiet.map(item))) : null,
  ];
}

function chip(ask, now, here, seen) {
  const key = `${ask.spot}:${ask.turn}`, r = now.get(key), isHere = here && key === `${here.spot}:${here.turn}`;
  const doubted = seen.doubts.some((found) => found.field === ask.spot && ask.turn === 1);
  return h("button", {
    class: `chip${isHere ? " here" : ""}${doubted ? " doubted" : ""}${r ? " read" : ""}`, "data-spot": key, "aria-pressed": String(Boolean(isHere)),
    onclick: () => goTo(key),
  }, h("small", {}, measure.label(ask.spot, ask.turn).replace("width, ", "w ").replace("height, ", "h ").replace("diagonal, ", "").replace(", corner to corner", "")), r ? len(r.ticks) : ask.needed ? "…" : "optional", r?.unsent ? h("span", { class: "aural" }, "not sent yet") : "");
}

/** What was read last, to be tapped where it was wrong. */
function justRead() {
  const { label, ticks, key } = ui.last;
  return h("button", { class: "just-read", onclick: () => goTo(key) }, h("span", {}, "just read: ", h("strong", {}, label), " ", len(ticks)), tapeDrawing(ticks, day.unit));
}

/** The entry as it stands on the keypad, or what was typed or spoken. */
function entryText() {
  return ui.keyboard ? ui.entry : ui.whole;
}

/** The tape at what is being entered, else what was read last, or what the opening before had here. */
function echo(visit, one, here, isDoubted) {
  const tape = tapeOf(visit), typed = entryText(), withCase = ui.withCase && tape;
  const last = lastLike(visit, one, here), out = [];
  let ticks = null;
  try { ticks = typed ? measure.entry(typed, here.spot, withCase ? tape.ticks : 0) : null; } catch { /* said when it is kept */ }
  if (ticks !== null) out.push(tapeDrawing(ticks, day.unit), withCase && h("p", { class: "help" }, `${typed} + case ${tape.case} = ${formatLength(ticks, day.unit)}`));
  else if (last && !typed) out.push(h("button", { class: "toggle wide", onclick: () => keepReading(visit, one, here, formatLength(last.ticks, day.unit)) }, "same as the last: ", len(last.ticks)));
  else if (ui.last && !typed && !isDoubted) out.push(justRead());
  return h("div", { id: "preview", class: "tape-piece" }, out);
}

/** The value at the cursor: its place, what is wrong with it, and what can be done beside reading. */
function entryLine(visit, one, here) {
  const tape = tapeOf(visit), typed = entryText(), standing = measure.current(one).get(keyOf(here));
  const toggle = (id, word, isOn, act, name = null) => h("button", { class: "toggle", id, "aria-label": name, "aria-pressed": String(isOn), onclick: act }, word);
  const clear = () => {
    if (!typed && standing) return enter("back", { reading: standing.uid });
    Object.assign(ui, { entry: "", whole: "", error: "" });
    return draw();
  };
  return [
    h("div", { class: "entry-line" },
      h("label", { class: "entry-spot", for: "entry" }, measure.label(here.spot, here.turn), here.why ? h("small", {}, ` ${here.why}`) : ""),
      h("input", {
        id: "entry", class: `length${ui.error ? " wrong-entry" : ""}`, value: typed, inputmode: ui.keyboard ? "text" : "none", autocomplete: "off", maxlength: 40,
        enterkeyhint: "next", "aria-invalid": ui.error ? "true" : null, "aria-describedby": "entry-error", placeholder: standing ? formatLength(standing.ticks, day.unit) : "",
        oninput: (event) => { ui.keyboard = true; ui.entry = event.target.value; ui.error = ""; preview(one, here, visit); },
        onkeydown: (event) => { if (event.key === "Enter") { event.preventDefault(); keepReading(visit, one, here, event.target.value); } },
      }),
      h("span", { class: "entry-unit" }, day.unit)),
    h("p", { id: "entry-error", class: "wrong-line", role: "alert" }, ui.error),
    h("div", { class: "toggles" },
      h("button", { class: "toggle", id: "skip-place", onclick: () => { ui.passed.add(keyOf(here)); onFrom(keyOf(here)); draw(); } }, "skip"),
      h("button", { class: "toggle", id: "clear-place", disabled: !typed && !standing, "aria-label": typed ? "clear what is entered" : "take this reading back", onclick: clear }, "clear"),
      tape && toggle("with-case", `+ case ${tape.case}`, ui.withCase, () => { ui.withCase = !ui.withCase; draw(); }, `with case +${tape.case}`),
      toggle("keyboard", "type", ui.keyboard, () => { Object.assign(ui, { keyboard: !ui.keyboard, entry: ui.whole }); draw(); document.getElementById("entry").focus(); }, "type or say it"),
      toggle("rough", "rough", ui.rough, () => { ui.rough = !ui.rough; draw(); })),
  ];
}

function keypad(visit, one, here) {
  const keep = (text) => keepReading(visit, one, here, text);
  return ui.keyboard ? h("button", { class: "action wide", id: "keep", onclick: () => keep(ui.entry) }, "Keep") : pad(keep);
}

/** Figures and the fractions that end an entry. */
function pad(keep) {
  const press = (figure) => { if (ui.whole.length < 5) ui.whole += figure; ui.error = ""; draw(); };
  return h("div", { class: `pad ${day.unit}` },
    h("div", { class: "figures" }, ["1", "2", "3", "4", "5", "6", "7", "8", "9", "⌫", "0"].map((figure) => h("button", {
      "aria-label": figure === "⌫" ? "take the last figure back" : figure, "data-key": figure,
      onclick: () => { if (figure === "⌫") { ui.whole = ui.whole.slice(0, -1); ui.error = ""; draw(); } else press(figure); },
    }, figure)), day.unit === "mm" ? h("button", { class: "action", "data-key": "keep", onclick: () => keep(ui.whole) }, "✓") : h("span")),
    day.unit === "in" && h("div", { class: "eighths" }, FRACTIONS.map((fraction) => h("button", { "data-key": fraction === "0" ? "even" : fraction, "aria-label": fraction === "0" ? "even inches, keep" : `and ${fraction}, keep`, onclick: () => keep(withFraction(fraction)) },
      fraction === "0" ? "even" : h("span", { class: "frac" }, h("sup", {}, fraction[0]), h("i", {}, "/"), h("sub", {}, fraction[2]))))));
}

/** The keypad's whole inches and the eighths that end an entry. */
function withFraction(fraction) {
  if (fraction === "0") return ui.whole || "0";
  return ui.whole ? `${ui.whole} ${fraction}` : fraction;
}

/** The input of a length among others: chosen, it has the keypad at the foot of the page. */
function lengthInput(id, label, keep, attributes) {
  boxes.set(id, { label, keep });
  const choose = () => {
    if (ui.keyboard || ui.box === id) return;
    Object.assign(ui, { box: id, whole: "" });
    draw();
    document.getElementById(id).scrollIntoView();
  };
  return h("input", { id, class: "length", autocomplete: "off", maxlength: 40, inputmode: ui.keyboard ? "text" : "none", onfocus: choose, ...attributes });
}

/** The keypad of the length that is chosen on a page of several. */
function boxPad() {
  const box = ui.keyboard ? null : boxes.get(ui.box), id = ui.box;
  if (!box || !document.getElementById(id)) return null;
  const leave = () => { ui.box = null; document.getElementById(id)?.blur(); };
  const keep = (text) => { document.getElementById(id).value = text; leave(); box.keep(text); };
  return h("section", { class: "entry", "aria-label": box.label },
    h("div", { class: "entry-said" },
      h("div", { class: "entry-line" }, h("span", { class: "entry-spot" }, box.label), h("output", { class: "length", for: id }, ui.whole || "…"), h("span", { class: "entry-unit" }, day.unit)),
      h("div", { class: "toggles" },
        h("button", { class: "toggle", onclick: () => { leave(); draw(); } }, "close"),
        h("button", { class: "toggle", "aria-label": "type or say it", onclick: () => { Object.assign(ui, { keyboard: true, box: null }); draw(); document.getElementById(id).focus(); } }, "type"))),
    pad(keep));
}

/** The depth (or a cover) of the opening before: rarely different along one wall. */
function lastLike(visit, one, here) {
  if (here.spot !== "depth" && !here.spot.startsWith("cover.")) return null;
  const before = visit.openings.slice(0, visit.openings.indexOf(one)).reverse().find((other) => other.room === one.room);
  return before?.readings.find((r) => r.spot === here.spot && r.turn === here.turn && !r.conflict) ?? null;
}

/** Redraws only the tape while somebody types, so that the keyboard stays. */
function preview(one, here, visit) {
  const place = document.getElementById("preview"), tape = tapeOf(visit);
  try {
    const ticks = measure.entry(ui.entry, here.spot, ui.withCase && tape ? tape.ticks : 0);
    place.replaceChildren(tapeDrawing(ticks, day.unit));
  } catch {
    place.replaceChildren();
  }
}

async function keepReading(visit, one, here, typed) {
  const tape = tapeOf(visit), withCase = ui.withCase && Boolean(tape);
  let ticks;
  try {
    ticks = measure.entry(typed.trim(), here.spot, withCase ? tape.ticks : 0);
  } catch (error) {
    ui.error = error.problem ?? error.message;
    draw();
    return;
  }
  const now = measure.current(one), stands = now.get(keyOf(here));
  const doubted = measure.evaluate(visit, one).doubts.find((found) => found.field === here.spot)?.code;
  const turn = doubted === "again_differs" && stands?.ticks === ticks ? 3 - here.turn : here.turn; // of two that differ this one came back: the other goes
  const standing = now.get(`${here.spot}:${turn}`);
  onFrom(keyOf(here));
  ui.last = { label: measure.label(here.spot, here.turn), ticks, key: keyOf(here) };
  navigator.vibrate?.(15);
  if (doubted in table.confirms && standing?.ticks === ticks && turn === 1) {
    await enter("same", { reading: standing.uid });
    return;
  }
  await enter("reading", {
    opening: one.uid, spot: here.spot, turn, typed: typed.trim(), with_case: withCase, tape: tape?.id ?? null,
    grade: ui.rough ? "rough" : "final", seen: standing?.uid ?? null, ticks, case: withCase ? tape.ticks : null,
  });
}

// -- product, mount, wall -----------------------------------------------------------------------

function factsPage(visit, one) {
  const { facts } = one, before = { ...facts };
  const set = (name, value) => enter("facts", { opening: one.uid, facts: { [name]: value }, seen: { [name]: before[name] ?? null } });
  const select = (name, label, choices) => h("div", { class: "field" }, h("label", { for: `f-${name}` }, label),
    h("select", { id: `f-${name}`, onchange: (event) => set(name, event.target.value) }, choices.map(([value, word]) => h("option", { value, selected: value === (facts[name] ?? "") }, word))));
  const lengthBox = (name, label, help) => h("div", { class: `field${ui.problems[name] ? " wrong" : ""}` }, h("label", { for: `f-${name}` }, label),
    lengthInput(`f-${name}`, label, (typed) => setLength(one, set, name, typed), { value: ui.problems[name]?.typed ?? (facts[name] ?? "").replace(/ (in|mm)$/, ""), onchange: (event) => setLength(one, set, name, event.target.value) }),
    h("p", { class: "help" }, help), ui.problems[name] && h("ul", { class: "errorlist" }, h("li", {}, ui.problems[name].text)));
  const box = (name, label, longest) => h("div", { class: "field" }, h("label", { for: `f-${name}` }, label), h("input", { id: `f-${name}`, maxlength: longest, autocomplete: "off", value: facts[name] ?? "", onchange: (event) => set(name, event.target.value) }));
  const old = (name, label, choices) => h("div", { class: "field" }, h("label", { for: `f-${name}` }, label),
    h("select", { id: `f-${name}`, onchange: (event) => set("site_facts", { [name]: event.target.value }) }, choices.map(([value, word]) => h("option", { value, selected: value === (facts.site_facts?.[name] ?? "") }, word))));
  const floors = (now) => [["", "not asked"], ...Object.entries(table.floors).filter(([kind]) => kind !== "unknown").map(([kind, { name }]) => [kind, name]), ...(now && !(now in table.floors) ? [[now, now]] : [])];
  const family = (row) => row.family[0].toUpperCase() + row.family.slice(1);
  return [
    titleLine([`#o/${one.uid}`, "back to the opening"], nameOf(visit, one), unsent(one)),
    h("fieldset", { class: "choices" }, h("legend", {}, "mount"), h("div", { class: "row" }, day.choices.mount.map(([value, word]) => h("button", { class: "toggle", "data-mount": value, "aria-pressed": String(facts.mount === value), onclick: () => set("mount", value) }, word)))),
    h("div", { class: "field needed" }, h("label", { for: "f-product" }, "product"),
      h("select", { id: "f-product", onchange: (event) => set("product", event.target.value) },
        [["", "not chosen"], ...day.products.filter((row) => row.is_active || row.key === facts.product).map((row) => [row.key, `${family(row)}: ${row.name}`])].map(([value, word]) => h("option", { value, selected: value === (facts.product ?? "") }, word)))),
    select("shape", "shape, as seen from the room", day.choices.shape ?? []),
    select("fixed_to", "fixed to", day.choices.fixed_to.filter(([value]) => !table.never_fixed_to[facts.mount].includes(value))),
    select("substrate", "made of", day.choices.substrate),
    select("sill", "ends on", day.choices.sill),
    facts.sill === "floor" && select("floor_type", "floor", floors(facts.floor_type)),
    box("units_wanted", "units side by side", 2),
    ...(Number(facts.units_wanted) > 1 ? [
      box("mullions", "mullion centers, from the left", 120), box("split", "or the units' widths", 120),
      lengthBox("unit_gap", "between units", `empty: ${formatLength(table.unit_gap[day.unit], day.unit)}`), select("lapping", "how they meet", day.choices.lapping ?? []),
    ] : []),
    lengthBox("reach_height", "floor to the top", "for the ladder"),
    facts.mount === "outside" && lengthBox("sill_projection", "sill stands out", "rounded up"),
    select("to_come", "still to come here", day.choices.to_come ?? [["", "nothing"]]),
    select("power", "power", [["", "not asked"], ["none", "none near"], ["outlet", "outlet near"], ["mains", "mains at the head"]]),
    h("div", { class: "field tick" }, h("input", { id: "f-door", type: "checkbox", checked: facts.is_door === true, onchange: (event) => set("is_door", event.target.checked) }), h("label", { for: "f-door" }, "it is a door")),
    facts.is_door && lengthBox("handle_projection", "handle stands out", "rounded up"),
    facts.is_door && select("door_swing", "swing", [["", "not asked"], ["in, left", "in, left"], ["in, right", "in, right"], ["out", "out"], ["slides", "slides"]]),
    old("take_down", "old covering", [["", "not asked"], ["no", "none there"], ["we", "we take it down"], ["customer", "the customer does"]]),
    facts.site_facts?.take_down === "we" && old("disposal", "what becomes of it", [["", "not asked"], ["leave", "left with the customer"], ["away", "we take it away"]]),
    box("access_note", "access", 160), box("note", "note", 400),
    roomDefaults(visit, one),
    bottom(h("a", { class: "button action", id: "to-readings", href: `#o/${one.uid}` }, "Read the tape")),
  ];
}

function setLength(one, set, name, typed) {
  if (typed.trim()) {
    try {
      measure.entry(typed, name);
    } catch (error) {
      ui.problems[name] = { typed, text: error.problem ?? error.message };
      draw();
      return;
    }
  }
  delete ui.problems[name];
  set(name, typed.trim());
}

function roomDefaults(visit, one) {
  const room = roomOf(visit, one);
  const same = Object.fromEntries(Object.keys(table.facts).filter((name) => table.facts[name].room).map((name) => [name, one.facts[name]]).filter(([, value]) => value));
  return room && h("p", {}, h("button", { onclick: () => enter("room_defaults", { room: room.uid, defaults: same }) }, `New openings of ${room.name} like this one`));
}

// -- in the way, photos, options, can't ------------------------------------------------------------

function morePage(visit, one) {
  return [
    titleLine([`#o/${one.uid}`, "back to the opening"], nameOf(visit, one), unsent(one)),
    obstructions(one), photos(one), templates(visit, one), options(one), notMeasured(one),
  ];
}

function obstructions(one) {
  const kind = h("input", { id: "thing-kind", "data-keep": "yes", maxlength: 30, list: "thing-kinds", autocomplete: "off" });
  const projection = lengthInput("thing-projection", "stands out", () => draw(), { "data-keep": "yes" });
  const side = h("select", { id: "thing-side" }, [["", "all across"], ...["left", "right", "top", "bottom"].map((word) => [word, word])].map(([value, word]) => h("option", { value }, word)));
  const at = h("select", { id: "thing-at" }, [["path", "where cloth, slats or vanes hang"], ["head", "at the head"]].map(([value, word]) => h("option", { value }, word)));
  const add = async (event) => {
    event.preventDefault();
    ui.problems = {};
    try {
      if (!kind.value.trim()) throw Object.assign(new Error("say what it is: crank, handle, trim"), { name: "kind" });
      const grid = measure.grid(), ticks = Math.ceil(measure.typed(projection.value) / grid) * grid;
      const body = { opening: one.uid, kind: kind.value.trim(), projection: projection.value.trim(), ticks, side: side.value, at: at.value };
      kind.value = projection.value = "";
      await enter("obstruction", body);
    } catch (error) {
      ui.problems.thing = error.problem ?? error.message;
      draw();
    }
  };
  return h("section", { "aria-label": "Obstructions" }, h("h2", {}, "Obstructions"),
    h("ul", { class: "things" }, one.obstructions.map((thing) => h("li", {}, `${thing.kind}, stands out `, len(thing.ticks), thing.side ? `, ${thing.side}` : "", " ", unsent(thing), " ", h("button", { class: "quiet", onclick: () => enter("clear", { obstruction: thing.uid }) }, "not there")))),
    h("form", { class: "narrow", onsubmit: add },
      h("datalist", { id: "thing-kinds" }, KINDS.map((word) => h("option", { value: word }))),
      h("div", { class: `field needed${ui.problems.thing ? " wrong" : ""}` }, h("label", { for: "thing-kind" }, "what"), kind),
      h("div", { class: `field needed${ui.problems.thing ? " wrong" : ""}` }, h("label", { for: "thing-projection" }, "stands out, rounded up"), projection, ui.problems.thing && h("ul", { class: "errorlist" }, h("li", {}, ui.problems.thing))),
      h("div", { class: "field" }, h("label", { for: "thing-side" }, "side"), side),
      h("div", { class: "field" }, h("label", { for: "thing-at" }, "where"), at),
      h("button", {}, "Add")));
}

function photos(one) {
  const caption = h("input", { id: "photo-caption", "data-keep": "yes", maxlength: 160, autocomplete: "off" });
  const take = async (event) => {
    const [file] = event.target.files;
    if (!file) return;
    try {
      const data = await smaller(file);
      delete ui.problems.photo;
      const said = caption.value.trim();
      caption.value = "";
      await enter("photo", { opening: one.uid, data, caption: said });
    } catch {
      ui.problems.photo = "this file is no picture this phone can read";
      draw();
    }
  };
  return h("section", { "aria-label": "Photos" }, h("h2", {}, "Photos"),
    h("div", { class: "photos" }, one.photos.map((photo) => h("figure", {}, h("img", { src: photo.url, alt: photo.caption || "photo of the opening" }), h("figcaption", {}, photo.caption, " ", unsent(photo))))),
    h("div", { class: "field" }, h("label", { for: "photo-caption" }, "caption"), caption),
    h("div", { class: `field${ui.problems.photo ? " wrong" : ""}` }, h("label", { for: "photo" }, "photo"), h("input", { id: "photo", type: "file", accept: "image/*", capture: "environment", onchange: take }),
      ui.problems.photo && h("ul", { class: "errorlist" }, h("li", {}, ui.problems.photo))));
}

/** Its outline on paper: the number to write on it, and TOP and ROOM SIDE, before it is one. */
function templates(visit, one) {
  if ((one.facts.shape ?? "rectangle") === "rectangle") return null;
  const position = nextPosition(positionsIn(day, visit.job)), number = `${visit.job.number}-T${position}`, made = one.templates ?? [];
  const sizes = h("select", { id: "template-size" }, [["opening", "opening size"], ["finished", "finished size"]].map(([value, word]) => h("option", { value }, word)));
  const marked = h("input", { id: "template-marked", type: "checkbox" });
  const make = async () => {
    ui.problems = marked.checked ? {} : { template: "write TOP and ROOM SIDE on it, then tick it" };
    if (ui.problems.template) return draw();
    return enter("template", { opening: one.uid, size_is: sizes.value, is_marked: true, position });
  };
  const discard = (template) => enter("no_template", { opening: one.uid, template: template.uid, reason: "discarded at the opening" });
  return h("section", { "aria-label": "Templates" }, h("h2", {}, "Templates"),
    h("ul", { class: "things" }, made.map((template) => h("li", {}, h("strong", {}, template.number), ` ${template.size_is} size, ${template.where} `, unsent(template), " ", h("button", { class: "quiet", onclick: () => discard(template) }, "discard")))),
    h("p", {}, "Trace the opening on paper at the front edge of the jamb. Write on it: ", h("strong", { id: "template-number" }, number), ", TOP, ROOM SIDE."),
    h("div", { class: "field" }, h("label", { for: "template-size" }, "what was traced"), sizes),
    h("div", { class: `field tick${ui.problems.template ? " wrong" : ""}` }, marked, h("label", { for: "template-marked" }, `${number}, TOP and ROOM SIDE stand on it`), ui.problems.template && h("ul", { class: "errorlist" }, h("li", {}, ui.problems.template))),
    h("button", { id: "make-template", onclick: make }, "Template made"));
}

/** The photo at 1600 px, drawn anew: what it knew of place and time stays behind. */
async function smaller(file) {
  const picture = await createImageBitmap(file, { imageOrientation: "from-image" });
  const share = Math.min(1, PHOTO_EDGE / Math.max(picture.width, picture.height));
  const canvas = document.createElement("canvas");
  canvas.width = Math.round(picture.width * share);
  canvas.height = Math.round(picture.height * share);
  canvas.getContext("2d").drawImage(picture, 0, 0, canvas.width, canvas.height);
  const blob = await new Promise((resolve) => canvas.toBlob(resolve, "image/jpeg", 0.82));
  const bytes = new Uint8Array(await blob.arrayBuffer());
  let text = "";
  for (let at = 0; at < bytes.length; at += 8192) text += String.fromCharCode(...bytes.subarray(at, at + 8192));
  return btoa(text);
}

function options(one) {
  const product = measure.products.get(one.facts.product);
  if (!product) return null;
  const set = (key, value) => enter("options", { opening: one.uid, options: { [key]: value } });
  const held = (key) => one.options[key] ?? "";
  const offered = ({ key, choices }) => {
    const isGone = held(key) && !choices.some(([value]) => value === held(key));
    return [["", "not chosen"], ...(isGone ? [[held(key), `${held(key)} (not offered any more)`]] : []), ...choices];
  };
  return h("section", { "aria-label": "Options" }, h("h2", {}, "Options"),
    product.choices[one.facts.mount].map((choice) => h("div", { class: "field needed" }, h("label", { for: `o-${choice.key}` }, choice.label),
      choice.choices.length
        ? h("select", { id: `o-${choice.key}`, onchange: (event) => set(choice.key, event.target.value) }, offered(choice).map(([value, word]) => h("option", { value, selected: value === held(choice.key) }, word)))
        : h("input", { id: `o-${choice.key}`, maxlength: 120, autocomplete: "off", value: held(choice.key), onchange: (event) => set(choice.key, event.target.value) }))),
    h("p", { class: "help" }, "What is not chosen holds up the release, not the visit."));
}

function notMeasured(one) {
  const to = (what) => async (reason) => { await enter("state", { opening: one.uid, to: what, reason }); go(""); };
  return because("Not measured", "It can't be covered, couldn't be reached, or is not wanted", [["Can't be covered", to("cannot")], ["Couldn't reach", to("not_reached")], ["Drop it", to("drop"), true]]);
}

/** A reason, and what it is the reason of: `[word, act, needs none]` a button. */
function because(title, summary, acts, words = []) {
  const reason = h("input", { id: "reason", "data-keep": "yes", maxlength: 240, list: "reasons", autocomplete: "off" });
  const tap = (act, isFree) => async () => {
    const said = reason.value.trim();
    ui.problems = said || isFree ? {} : { reason: "say why, in a few words" };
    if (ui.problems.reason) return draw();
    reason.value = "";
    return act(said);
  };
  return h("section", { "aria-label": title }, h("h2", {}, title),
    h("details", { class: "hurts", open: Boolean(ui.problems.reason) }, h("summary", {}, summary),
      h("div", { class: `field needed${ui.problems.reason ? " wrong" : ""}` }, h("label", { for: "reason" }, "because"), reason, h("datalist", { id: "reasons" }, words.map((value) => h("option", { value }))), ui.problems.reason && h("ul", { class: "errorlist" }, h("li", {}, ui.problems.reason))),
      h("div", { class: "row" }, acts.map(([word, act, isFree]) => h("button", { onclick: tap(act, isFree) }, word)))));
}

/** Lines of one text together, with all the openings it is said of. */
function alike(rows) {
  const found = new Map();
  for (const [one, text, severity] of rows) {
    const key = `${severity} ${text}`;
    if (!found.has(key)) found.set(key, [[], text, severity]);
    found.get(key)[0].push(one);
  }
  return [...found.values()];
}

// -- the close-out -----------------------------------------------------------------------------------

function closePage(visit) {
  if (visit.closed_at) return closedPage(visit);
  const left = visit.openings.some((one) => one.state === "not_reached"), isInPart = left || ui.inPart === true;
  const { problem, ends, blocking, short } = measure.closeOut(visit, isInPart);
  const stops = blocking.map((end) => [end.one, measure.textOf(end.gap), "stop"]);
  const checking = ends.filter((end) => end.finding).map((end) => [end.one, end.finding.text, end.severity]);
  const inPart = h("input", { id: "in-part", type: "checkbox", checked: isInPart, onchange: (event) => { ui.inPart = event.target.checked; draw(); } });
  const note = h("textarea", { id: "close-note", rows: 3, maxlength: 4000 });
  note.value = ui.note ?? "";
  note.addEventListener("input", () => { ui.note = note.value; });
  const list = (rows) => h("ul", { class: "findings" }, alike(rows).map(([mine, text, severity]) => h("li", {}, h("span", { class: `severity ${severity}` }, severity), " ", mine.map((one, at) => [at ? ", " : "", h("a", { href: `#o/${one.uid}` }, nameOf(visit, one))]), `: ${text}`)));
  return [
    titleLine(["#", "all openings"], "Close out"),
    stops.length ? h("section", { "aria-label": "Missing" }, h("h2", {}, `Missing: ${stops.length}`), list(stops)) : null,
    short && h("section", { "aria-label": "Expected" }, h("h2", {}, `Expected: ${visit.job.expected ?? ""}`),
      h("p", { class: "caution" }, `${short}. Add what is missing, close in part, or say why in the note: the office sees it.`)),
    checking.length ? h("section", { "aria-label": "To be checked" }, h("h2", {}, `To be checked: ${checking.length}`), list(checking)) : null,
    toChoose(visit),
    !stops.length && !checking.length && !short ? h("p", { class: "message" }, "Nothing is missing and nothing is in doubt.") : null,
    h("section", { "aria-label": "Openings" }, h("h2", {}, "Openings"), h("ul", { class: "things" }, visit.openings.map((one) => {
      const seen = measure.evaluate(visit, one);
      return h("li", {}, h("strong", {}, nameOf(visit, one)), " ", seen.size ? h("span", { class: "size" }, len(seen.size.width), " × ", len(seen.size.height)) : stateOf(one), one.reason ? ` ${one.reason}` : "");
    }))),
    h("div", { class: "field tick" }, inPart, h("label", { for: "in-part" }, "close in part: the rest waits for another visit")),
    h("div", { class: "field" }, h("label", { for: "close-note" }, "Note"), note),
    bottom(h("button", {
      class: "action", id: "done", disabled: problem !== "",
      onclick: async () => { await enter("close", { appointment: visit.appointment, in_part: isInPart, note: note.value.trim() }); go("close"); },
    }, stops.length ? `${stops.length} missing` : "Close out the visit")),
  ].filter(Boolean);
}

/** What stays to do once the visit is closed, for whoever stands there still and whoever comes next. */
function closedPage(visit) {
  const left = visit.openings.filter((one) => table.states.to_do.includes(one.state)), short = measure.expectedShort(visit);
  return [
    titleLine(["#", "all openings"], "Closed out", h("p", {}, visitState(visit), " ", unsent(visit))),
    left.length > 0 && h("section", { "aria-label": "Left" }, h("h2", {}, `Left for another visit: ${left.length}`),
      h("ul", { class: "things" }, left.map((one) => h("li", {}, h("strong", {}, nameOf(visit, one)), " ", stateOf(one), one.reason ? ` ${one.reason}` : "")))),
    short && h("p", { class: "caution" }, `${short}.`),
    toChoose(visit),
    !left.length && !short && h("p", {}, "Nothing is left to measure here."),
    h("p", {}, "The office sees the sizes as soon as everything is sent."),
    visitAction(visit),
  ].filter(Boolean);
}

/** Options that the workroom needs and nobody chose: asked here, not when the unit is to be released. */
function toChoose(visit) {
  const rows = visit.openings.map((one) => [one, measure.lacking(one)]).filter(([, names]) => names.length);
  return rows.length > 0 && h("section", { "aria-label": "Options to choose" }, h("h2", {}, `Options to choose: ${rows.length}`),
    h("ul", { class: "things" }, rows.map(([one, names]) => h("li", {}, h("a", { href: `#o/${one.uid}/more` }, nameOf(visit, one)), `: ${names.join(", ")}`))));
}

// -- begin --------------------------------------------------------------------------------------------

async function begin() {
  field = await opened;
  table = await (await fetch(new URL("../rules-table.json", import.meta.url))).json();
  field.onchange = drawWhenLifted;
  field.compare = newsOf;
  window.addEventListener("hashchange", () => { afresh(); draw(); window.scrollTo(0, 0); });
  window.addEventListener("offline", drawWhenLifted);
  window.addEventListener("online", drawWhenLifted);
  draw();
  await field.sync();
}

const opened = openField(Number(root.dataset.user));
listen(opened, () => {});
begin();
