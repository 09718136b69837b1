// Plays entries on the phone's model and says, of every opening, what the phone shows.
import { openingDrawing } from "/field/drawings.js";
import { Measure } from "/field/measure.js";
import { Work, marksIn, nextMark, project } from "/field/model.js";

const table = await (await fetch("/rules-table.json")).json();
const sorted = (rows) => rows.map((row) => JSON.stringify(row)).sort().map((row) => JSON.parse(row));
const nth = (list, n) => (list.length ? list[n % list.length] : null);

/** What is shown of each opening by uid, in codes; and of each visit by its appointment. */
function said(day) {
  const measure = new Measure(table, day), openings = {}, visits = {};
  for (const visit of day.visits) {
    for (const one of visit.openings) {
      const found = measure.evaluate(visit, one);
      openings[one.uid] = {
        state: one.state,
        lacking: measure.lacking(one),
        size: found.size ? [found.size.width, found.size.height] : null,
        shares: found.shares,
        is_for_office: Boolean(one.bay?.stale),
        gaps: sorted(found.gaps.map((gap) => [gap.code, gap.field, gap.turn])),
        findings: sorted(found.findings.map((one) => [one.code, one.field, one.severity])),
        texts: sorted([...found.gaps.map((gap) => measure.textOf(gap)), ...found.findings.map((one) => one.text)]),
        held: {
          mark: one.mark, room: one.room, reason: one.reason, facts: one.facts, options: one.options, units: one.units.length,
          readings: sorted(one.readings.map((r) => [r.spot, r.turn, r.ticks, r.case, r.typed, r.confirmed, r.conflict])),
          templates: (one.templates ?? []).length,
          things: sorted(one.obstructions.map((thing) => [thing.kind, thing.ticks, thing.projection, thing.at, thing.side, thing.from_top])),
          conflicts: sorted(one.conflicts.map((conflict) => [conflict.fact, conflict.standing, conflict.offered])),
          photos: one.photos.length, superseded: one.superseded,
        },
      };
    }
    const rooms = visit.rooms.map((room) => [room.name, room.floor, sorted(Object.entries(room.defaults))]);
    visits[visit.appointment] = {
      state: visit.closed_at ? "done" : visit.is_open ? "arrived" : visit.state, is_open: visit.is_open, is_closed: Boolean(visit.closed_at), outcome: visit.outcome, tape: visit.tape, rooms,
      openings: visit.openings.map((one) => one.uid),
      short: measure.expectedShort(visit),
      closes: [false, true].map((inPart) => { const end = measure.closeOut(visit, inPart); return [end.problem, end.problem ? "" : end.outcome]; }),
    };
  }
  return { openings, visits };
}

/** What a person looking at the phone would fill in; null where there is nothing to tap. */
const LOOK = {
  opening(look, { day }) { return nth(day.visits.flatMap((visit) => visit.openings), look)?.uid; },
  room(look, { day }) { return nth(day.visits.flatMap((visit) => visit.rooms), look)?.uid; },
  appointment(look, { day }) { return nth(day.visits, look)?.appointment; },
  reading(look, { readings }) { return nth(readings, look)?.uid; },
  conflict(look, { day }) { return nth(day.visits.flatMap((visit) => visit.openings).flatMap((one) => one.conflicts).filter((one) => one.id), look)?.id; },
  obstruction(look, { day }) { return nth(day.visits.flatMap((visit) => visit.openings).flatMap((one) => one.obstructions), look)?.uid; },
  template(look, { day }) { return nth(day.visits.flatMap((visit) => visit.openings).flatMap((one) => one.templates ?? []), look)?.uid; },
  tape(look, { day }) { return nth(day.tapes, look)?.id; },
};

/** The first opening that still holds a close-out up: for good, in part, for want of a reading, or of a word. */
const OPEN = {
  unsaid: (one) => !["not_reached", "cannot"].includes(one.state) && !one.facts.goes_on,
  any: (one, gaps) => one.state === "not_reached" || (one.state !== "cannot" && gaps().length > 0),
  to_do: (one, gaps) => !["not_reached", "cannot"].includes(one.state) && gaps().length > 0,
  unread: (one, gaps) => ["to_measure", "under_way"].includes(one.state) && gaps().some((gap) => gap.code.startsWith("unread")),
};

function filled(work, { id, kind, body, done_at, look }) {
  if (!look) return { id, kind, body, done_at };
  const day = work.day, made = { ...body }, openings = day.visits.flatMap((visit) => visit.openings);
  const wanted = look.readings ?? "any";
  const readings = openings.flatMap((one) => one.readings).filter((r) => wanted === "any" || (wanted === "rivals") === r.conflict);
  for (const [name, n] of Object.entries(look)) {
    if (!(name in LOOK)) continue;
    made[name] = LOOK[name](n, { day, readings });
    if (made[name] == null) return null;
  }
  if (made.template) made.opening = openings.find((one) => (one.templates ?? []).some((found) => found.uid === made.template)).uid;
  if (look.shaped) {
    made.opening = nth(openings.filter((one) => (one.facts.shape ?? "rectangle") !== "rectangle"), look.opening)?.uid;
    if (!made.opening) return null;
  }
  if ("open" in look) {
    const isWanted = OPEN[look.open];
    made.opening = openings[look.last ? "findLast" : "find"]((one) => isWanted(one, () => work.measure.evaluate(day.visits[0], one).gaps))?.uid;
    if (!made.opening) return null;
  }
  const rival = "rival" in look ? nth(readings.filter((r) => !r.conflict), look.rival) : null; // read by somebody who did not see it
  if (rival) made.opening = openings.find((one) => one.readings.includes(rival)).uid;
  else if ("rival" in look) return null;
  const one = openings.find((one) => one.uid === made.opening), visit = day.visits.find((visit) => visit.appointment === made.appointment);
  if (kind === "measuring.reading") {
    const now = work.measure.current(one), asks = work.measure.asked(one);
    const unread = asks.filter((ask) => !now.has(`${ask.spot}:${ask.turn}`));
    const ask = look.any ? null : nth(unread.length ? unread : asks, look.ask);
    made.spot = rival?.spot ?? ask?.spot ?? nth(Object.keys(table.labels), look.ask);
    made.turn = rival?.turn ?? ask?.turn ?? 1 + (look.ask % 2);
    made.typed = body.typed[made.spot.split(".")[0]] ?? body.typed.depth;
    if (made.spot === "chosen.height" || made.spot.startsWith("shape.")) made.typed = body.typed.heights;
    if (rival) made.seen = null;
    else if (!look.blind) made.seen = now.get(`${made.spot}:${made.turn}`)?.uid ?? null;
  }
  if ("doubt" in look) {
    const doubts = openings.flatMap((one) => work.measure.evaluate(day.visits[0], one).doubts.map((doubt) => work.measure.current(one).get(`${doubt.field}:1`)));
    made.reading = nth(doubts, look.doubt)?.uid;
    if (!made.reading) return null;
  }
  if (kind === "measuring.facts") made.seen = Object.fromEntries(Object.keys(made.facts).map((name) => [name, look.blind ? null : one.facts[name]]));
  if (kind === "measuring.opening" || kind === "measuring.copy") {
    const room = kind === "measuring.copy" ? one?.room : made.room;
    const mark = look.mark ?? nextMark(marksIn(day, room));
    if (kind === "measuring.copy") made.mark = mark;
    else {
      const known = visit.rooms.find((other) => other.uid === room);
      if (!known) return null;
      Object.assign(made, { room_name: known.name, floor: known.floor, facts: { mark, ...made.facts } });
    }
  }
  if (kind === "measuring.order") {
    const mine = openings.filter((other) => other.room === made.room).map((other) => other.uid);
    if (look.turn) mine.reverse();
    made.openings = [...mine.slice(look.from % (mine.length || 1)), ...mine.slice(0, look.from % (mine.length || 1))].slice(0, look.most);
  }
  return { id, kind, body: made, done_at };
}

/** The drawing of every opening as its page shows it, by uid. */
window.drawn = (text) => {
  const { day } = new Work(JSON.parse(text), table), measure = new Measure(table, day), out = {};
  for (const visit of day.visits) {
    for (const one of visit.openings) out[one.uid] = openingDrawing(measure.picture(visit, one, { name: one.mark })).outerHTML;
  }
  return JSON.stringify(out);
};

window.play = (text) => {
  const { day, fresh, most = fresh.length } = JSON.parse(text);
  const work = new Work(structuredClone(day), table), waiting = [];
  for (const one of fresh) {
    const entry = waiting.length < most ? filled(work, one) : null;
    if (!entry) continue;
    waiting.push(entry);
    work.do(entry);
  }
  return JSON.stringify({ fresh: waiting, after: said(project(day, waiting, table)) });
};
document.title = "ready";
