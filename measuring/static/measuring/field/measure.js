/*
 * What an opening's readings come to, on the phone: the twin of measuring/rules/visit.py and
 * measuring/adapters/evaluation.py. Every figure, list and word is the table's; tests/agreement plays both.
 */
import { makeRules, parseLength, formatLength, floorDiv } from "../rules.js";

const key = (spot, turn = 1) => `${spot}:${turn}`;
const SEVERITIES = ["stop", "check", "note"];
const shapeOf = (one) => one.facts.shape ?? "rectangle"; // a day of an earlier release says nothing of shapes

/** What an opening keeps of its bay; only a rectangle hangs between corners. */
const bayOf = (one) => (shapeOf(one) === "rectangle" ? one.bay : null);

/** The rules over the day's own products, cord rules and unit. */
export class Measure {
  constructor(table, day) {
    this.rules = makeRules(table);
    this.table = table;
    this.day = day;
    this.unit = day.unit;
    this.products = new Map(day.products.map((row) => [row.key, row]));
    this.read = new Map();
    const theirs = day.visits.flatMap((visit) => visit.tapes);
    this.tapes = new Map([...theirs, ...day.tapes].map((tape) => [tape.id, tape]));
    this.place = day.jurisdiction ? this.rules.readJurisdiction(day.jurisdiction) : null;
    this.covers = table.cover.sides.map((side) => `cover.${side}`);
    this.chosen = ["chosen.width", "chosen.height"];
  }

  product(of) {
    const row = this.products.get(of);
    if (!row) return null;
    if (!this.read.has(of)) this.read.set(of, this.rules.readProduct(row));
    return this.read.get(of);
  }

  /** How an opening that is no rectangle is drawn: its sketch for a usual width; null for a rectangle. */
  figureOf(one, product) {
    const shape = shapeOf(one), { shapes } = this.rules;
    if (!shapes.isFigure(shape)) return null;
    const read = Object.fromEntries([...this.current(one).values()].filter((r) => r.turn === 1).map((r) => [r.spot, r.ticks]));
    return { sketch: (usual) => shapes.sketch(shape, read, usual), seen: this.table.seen_from, isShaped: (product.fit.shapes ?? []).includes(shape) };
  }

  /** What an opening's drawing shows; `more` of who looks at it: its name, the spot at the cursor. */
  picture(visit, one, more, seen = this.evaluate(visit, one)) {
    const product = this.products.get(one.facts.product), now = this.current(one);
    return {
      unit: this.unit, sill: shapeOf(one) === "rectangle" ? one.facts.sill : "none", isOutside: one.facts.mount === "outside",
      shape: this.figureOf(one, product),
      readings: Object.fromEntries([...now].filter(([at]) => at.endsWith(":1")).map(([, r]) => [r.spot, r.ticks])),
      asked: this.asked(one).map((ask) => ask.spot), doubted: seen.doubts.map((found) => found.field),
      covering: seen.size && !one.bay?.stale ? [seen.size.width, seen.size.height] : null,
      shares: seen.shares, between: this.sideBySide(one).between, things: one.obstructions, ...more,
    };
  }

  grid() {
    return this.table.grid[this.unit];
  }

  named(ticks) {
    return `${formatLength(ticks, this.unit)} ${this.unit}`;
  }

  /** Ticks of a length somebody typed, as typed; throws with the problem in words. */
  typed(text, least = this.grid()) {
    const ticks = parseLength(text, this.unit), most = this.table.largest_reading;
    if (ticks < least) throw new Error(`${text} is too small; the least is ${this.named(least)}`);
    if (ticks > most) throw new Error(`${text} is too much; the most is ${this.named(most)}`);
    return ticks;
  }

  /** Ticks of a reading at a spot, the tape's case added, down to the mark. */
  entry(text, spot, caseTicks = 0) {
    const grid = this.grid(), mayBeZero = caseTicks > 0 || this.table.may_be_zero.includes(spot);
    return floorDiv(this.typed(text, mayBeZero ? 0 : grid) + caseTicks, grid) * grid;
  }

  /** The readings that count, by spot and turn. */
  current(one) {
    return new Map(one.readings.filter((r) => !r.conflict).map((r) => [key(r.spot, r.turn), r]));
  }

  label(spot, turn = 1) {
    return this.table.labels[spot] + (turn === 2 ? this.table.again : "");
  }

  /** A gap in the table's words. */
  textOf(gap) {
    const spot = gap.field in this.table.labels ? this.label(gap.field, gap.turn) : gap.field;
    return this.table.gaps[gap.code].text.replace(/\{(\w+)\}/g, (_, name) => ({ spot, ...gap.words })[name]);
  }

  // -- what is asked, and what is missing ---------------------------------------------------

  /** Where to hold the tape, in order: first width, then height. */
  asked(one) {
    const product = this.products.get(one.facts.product), now = this.current(one);
    if (!product) return [];
    if (one.facts.mount === "outside") return this.askedOutside(one, now);
    const { rules, table } = this, rule = rules.ruleFor(product.family, "inside"), shape = shapeOf(one);
    if (shape !== "rectangle") return [...rules.shapes.reads(shape), "depth"].map((spot) => ({ spot, turn: 1, needed: true, why: "" }));
    const has = (spot, turn) => now.has(key(spot, turn));
    const asks = [...rules.WIDTHS, ...rules.HEIGHTS]
      .filter((spot) => rule.needs.includes(spot) || rule.checks.includes(spot))
      .map((spot) => ({ spot, turn: 1, needed: rule.needs.includes(spot), why: "" }));
    const others = rule.checks.some((spot) => has(spot));
    for (const spot of rule.twice) {
      if (others && !has(spot, 2)) continue;
      const needed = !others && rules.HEIGHTS.some((height) => has(height));
      asks.splice(asks.findIndex((ask) => ask.spot === spot) + 1, 0, { spot, turn: 2, needed, why: table.ask_why.alone });
    }
    asks.push({ spot: "depth", turn: 1, needed: true, why: "" });
    const why = rule.needs.every((spot) => has(spot)) ? rules.diagonalsWanted(this.asRules(one, now)) : "";
    if (why || rules.DIAGONALS.some((spot) => has(spot))) {
      asks.push(...rules.DIAGONALS.map((spot) => ({ spot, turn: 1, needed: false, why })));
    }
    return bayOf(one) ? [...asks, this.wall(false)] : asks;
  }

  askedOutside(one, now) {
    const ask = (spot, needed = true, why = "") => ({ spot, turn: 1, needed, why });
    const wall = bayOf(one) ? [this.wall(false)] : [];
    if (this.chosen.some((spot) => now.has(key(spot)))) return [...this.chosen.map((spot) => ask(spot)), ...wall];
    const first = (set) => set.find((spot) => now.has(key(spot))) ?? set[0];
    const covers = this.covers.filter((spot) => spot !== "cover.bottom" || one.facts.sill !== "floor");
    if (bayOf(one)) return [this.wall(true), ...[first(this.rules.HEIGHTS), ...covers.slice(2)].map((spot) => ask(spot)), ask(first(this.rules.WIDTHS), false)];
    const { shapes } = this.rules, shape = shapeOf(one), needed = shapes.boxSpots(shape);
    const opening = shapes.isFigure(shape)
      ? shapes.reads(shape).map((spot) => ask(spot, needed.includes(spot)))
      : [first(this.rules.WIDTHS), first(this.rules.HEIGHTS)].map((spot) => ask(spot));
    const asks = [...opening, ...covers.map((spot) => ask(spot))];
    return now.size ? asks : [...asks, ...this.chosen.map((spot) => ask(spot, false, this.table.ask_why.chosen))];
  }

  /** The wall that an opening of a bay is on. */
  wall(needed) {
    return { spot: this.table.bays.wall, turn: 1, needed, why: "" };
  }

  /** What is not read, and what a bay's set-backs wait for. */
  unread(one, now) {
    const beside = this.table.size_needs_not, waits = one.facts.mount === "outside" && bayOf(one)?.waits;
    const isChosen = this.chosen.some((spot) => now.has(key(spot)));
    const bay = waits && !isChosen ? [{ code: "bay", field: "group", turn: 1, words: { why: waits } }] : [];
    const gaps = this.asked(one).filter((ask) => ask.needed && !now.has(key(ask.spot, ask.turn))).map((ask) => ({
      code: ask.turn === 2 ? "unread_again" : beside.includes(ask.spot) ? "unread_beside" : "unread",
      field: ask.spot, turn: ask.turn, words: { why: ask.why },
    }));
    return [...gaps, ...bay];
  }

  /** Its wall of a bay with the set-backs that the office worked out; null before the wall is read. */
  betweenCorners(one, now) {
    const bay = bayOf(one), wall = now.get(key(this.table.bays.wall));
    if (!wall || !bay || bay.waits) return null;
    const backs = ["left", "right"].filter((side) => side in bay).map((side) => [side, bay[side]]);
    return { wall: wall.ticks, backs: Object.fromEntries(backs), meets: bay.meets ?? "" };
  }

  // -- the opening as the rules take it ----------------------------------------------------------

  asRules(one, now = this.current(one)) {
    const { rules, unit } = this, isOutside = one.facts.mount === "outside";
    const [own, laser] = this.tools([...now.values()]);
    const at = (spot, turn) => now.get(key(spot, turn));
    const taken = {}, again = {}, cased = new Set(), cover = {}, byLaser = new Set();
    for (const spot of rules.spotsOf(shapeOf(one))) {
      const first = at(spot), second = at(spot, 2);
      if (first) {
        taken[spot] = this.taken(first, own);
        if (own !== null && first.case) cased.add(spot);
        if (this.tapes.get(first.tape)?.is_laser) byLaser.add(spot);
      }
      if (second) again[spot] = second.ticks;
    }
    for (const side of rules.SIDES) if (at(`cover.${side}`)) cover[side] = at(`cover.${side}`).ticks;
    const chosen = this.chosen.map((spot) => at(spot)?.ticks);
    return rules.openingOf({
      id: one.uid, family: this.products.get(one.facts.product).family, mount: one.facts.mount, unit,
      shape: shapeOf(one), taken, again, cased, case: own, laser, byLaser,
      cover: isOutside && Object.keys(cover).length ? cover : null,
      chosen: isOutside && !chosen.includes(undefined) ? chosen : null,
      obstructions: [...this.inTheWay(one)],
      floor: this.floor(one.facts), toCome: one.facts.to_come ?? "", bay: this.betweenCorners(one, now),
      stopsOn: Object.fromEntries(Object.entries(one.facts.stops_on ?? {}).map(([side, stop]) => [side, { on: stop.on, limit: parseLength(stop.limit, unit) }])),
    });
  }

  /** What stands in the way, a door's handle and, outside, the sill that is not stopped on among it. */
  * inTheWay({ facts, obstructions }) {
    for (const thing of obstructions) yield { kind: thing.kind, projection: thing.ticks, at: thing.at };
    const standing = (kind, length) => ({ kind, projection: parseLength(length, this.unit), at: "path" });
    if (facts.is_door && facts.handle_projection) yield standing("handle", facts.handle_projection);
    const isOver = facts.mount === "outside" && facts.stops_on?.bottom?.on !== "sill";
    if (isOver && facts.sill_projection) yield standing("sill", facts.sill_projection);
  }

  /** The kind of floor it ends on; empty where it ends on none. */
  floor({ sill, floor_type: kind }) {
    if (sill !== "floor") return "";
    return Object.hasOwn(this.table.floors, kind ?? "") ? kind : "unknown";
  }

  /** The tape's case that was added, or could have been forgotten; the laser's own length likewise. */
  tools(readings) {
    const used = new Set(readings.map((r) => this.tapes.get(r.tape)).filter(Boolean));
    const lengths = (isLaser) => [...used].filter((tape) => tape.is_laser === isLaser).map((tape) => tape.ticks);
    let cases = new Set(readings.map((r) => r.case).filter(Boolean));
    if (!cases.size) cases = new Set(lengths(false));
    const lasers = new Set(lengths(true));
    return [cases, lasers].map((found) => (found.size === 1 ? [...found][0] : null));
  }

  /** The reading as it was typed, where that still leads to its value. */
  taken(r, own) {
    if (r.case && own === null) return r.ticks;
    let typed = r.ticks;
    try { typed = parseLength(r.typed, this.unit); } catch { /* its value stands */ }
    const total = typed + (r.case ?? 0);
    return floorDiv(total, this.grid()) * this.grid() === r.ticks ? typed : r.ticks - (r.case ?? 0);
  }

  // -- size, findings, gaps --------------------------------------------------------------------------

  /** `{ size, steps, findings, gaps, doubts }` of an opening as it stands, as the office says it too. */
  evaluate(visit, one) {
    const now = this.current(one), product = this.product(one.facts.product);
    const out = { size: null, shares: [], steps: [], findings: [], doubts: [] };
    out.gaps = product ? this.unread(one, now) : [{ code: "product", field: "product", turn: 1, words: {} }];
    for (const r of one.readings) if (r.conflict) out.gaps.push({ code: "rivals", field: r.spot, turn: r.turn, words: {} });
    if (out.gaps.some((gap) => this.table.gaps[gap.code].holds_size)) return out;
    const opening = this.asRules(one, now);
    out.size = this.rules.orderSize(opening);
    out.steps = out.size.steps;
    const side = this.sideBySide(one), widths = this.rules.shares(side, opening, out.size.width).map(({ ticks }) => ticks);
    out.shares = widths;
    const context = { product, control: one.options.control, site: this.site(visit, one), place: this.place, alikes: this.alikes(visit, one) };
    const of = (width) => this.rules.allFindings(opening, { ...out.size, width }, context);
    const found = [...this.rules.sideFindings(side, opening, out.size.width, product), ...of(Math.max(...widths))];
    if (Math.min(...widths) < Math.max(...widths)) found.push(...of(Math.min(...widths)).filter((other) => !found.some((one) => one.code === other.code)));
    found.sort((a, b) => SEVERITIES.indexOf(a.severity) - SEVERITIES.indexOf(b.severity));
    const told = found.map((one) => (one.code in this.table.confirms && now.get(key(one.field))?.confirmed ? this.confirmed(one) : one));
    const { questioned, traced } = this.table, isTraced = one.templates?.length > 0;
    out.findings = told.map((one) => (isTraced && one.code in traced ? this.traced(one, traced[one.code]) : one));
    out.doubts = out.findings.filter((one) => one.code in questioned && !one.confirmed);
    out.gaps.push(...out.doubts.map((one) => ({ code: questioned[one.code], field: one.field, turn: 1, words: { finding: one.text } })));
    return out;
  }

  /** A doubt that was answered by reading again the same: a note, or what it becomes. */
  confirmed(found) {
    const becomes = this.table.confirms[found.code];
    const changed = becomes ? { code: becomes, todo: this.table.messages[becomes].todo } : { severity: "note" };
    return { ...found, ...changed, confirmed: true };
  }

  /** What a template answers, once one of the opening is made. */
  traced(found, code) {
    const { severity, todo } = this.table.messages[code];
    return { ...found, code, severity, todo };
  }

  /** How units share the opening; on one head the workroom keeps what is between. */
  sideBySide({ facts, one_head: isOnOneHead }) {
    const lengths = (text) => String(text ?? "").split("+").map((part) => part.trim()).filter(Boolean).map((part) => parseLength(part, this.unit));
    const gap = facts.unit_gap ? parseLength(facts.unit_gap, this.unit) : facts.lapping ? 0 : this.table.unit_gap[this.unit];
    return {
      count: facts.units_wanted ?? 1, split: lengths(facts.split), mullions: lengths(facts.mullions),
      between: isOnOneHead ? 0 : facts.lapping ? -gap : gap,
    };
  }

  site(visit, one) {
    const { job } = visit, { facts } = one;
    const values = { children: job.children ? "live" : "none", substrate: facts.substrate, way_in: job.way_in };
    if (job.year_built) values.built = job.year_built;
    if (facts.reach_height) values.reach_height = facts.reach_height;
    values.door = facts.is_door ? this.table.door_swings[facts.door_swing] ?? "" : "";
    values.power = this.table.powers.includes(facts.power) ? facts.power : "unknown";
    return this.rules.readSite(values, this.unit);
  }

  /** The other openings of the job, the room's first: evidence about this one's readings. */
  alikes(visit, one) {
    const rooms = new Map(visit.rooms.map((room) => [room.uid, room])), name = (uid) => rooms.get(uid)?.name ?? "";
    const found = new Map(), add = (uid, room, said) => found.set(uid, { uid, isNear: room === name(one.room), ...said });
    for (const room of visit.rooms) {
      for (const [uid, said] of Object.entries(room.beside ?? {})) add(uid, room.name, { alike: said });
    }
    for (const other of new Set(this.day.visits.flatMap((visit) => visit.openings))) {
      if (!rooms.has(other.room)) continue;
      found.delete(other.uid);
      const passed = other.uid === one.uid || this.table.states.passed_over.includes(other.state);
      const now = passed ? null : this.current(other);
      if (now?.size && this.products.has(other.facts.product)) add(other.uid, name(other.room), this.asRules(other, now));
    }
    const byUid = (a, b) => (a.uid < b.uid ? -1 : 1);
    return [...found.values()].sort((a, b) => b.isNear - a.isNear || byUid(a, b)).slice(0, this.table.misreads.most_alike);
  }

  /** Labels of the options that the opening's unit needs and nobody chose. */
  lacking(one) {
    const product = this.products.get(one.facts.product);
    if (!product || !one.units.length || this.table.states.passed_over.includes(one.state)) return [];
    return product.choices[one.facts.mount].filter((option) => option.needed && !one.options[option.key]).map((option) => option.label);
  }

  // -- what was expected ---------------------------------------------------------------------------------

  /** What was expected and nobody has seen, of the visit's job; empty where there is nothing to say. */
  expectedShort(visit) {
    const { expected: words } = this.table, { openings_expected: expected, rooms_expected: told } = visit.job;
    const uids = new Set(this.day.visits.filter((one) => one.job.id === visit.job.id).flatMap((one) => one.openings).map((one) => one.uid));
    const rooms = new Map(visit.rooms.map((room) => [room.uid, new Set(Object.keys(room.taken ?? {}).filter((uid) => !uids.has(uid)))]));
    for (const one of this.day.visits.flatMap((other) => other.openings)) rooms.get(one.room)?.add(one.uid);
    const here = visit.rooms.flatMap((room) => Array(rooms.get(room.uid).size).fill(room.name));
    const split = words.between.reduce((text, mark) => text.replaceAll(mark, ","), told).split(",").map((room) => room.trim()).filter(Boolean);
    const empty = split.filter((room) => !here.some((name) => isSameRoom(room, name)));
    const fill = (text, values) => text.replace(/\{(\w+)\}/g, (_, name) => values[name]);
    return [
      here.length < expected && fill(words.count, { expected, here: here.length }),
      empty.length > 0 && fill(empty.length > 1 ? words.rooms : words.room, { rooms: empty.join(", ") }),
    ].filter(Boolean).join("; ");
  }

  /** What can't be made or mounted so, until somebody says why it goes on. */
  isWasted = (one, finding) => this.table.wasted.includes(finding.code) && !one.facts.goes_on;

  // -- the close-out -----------------------------------------------------------------------------------

  /** Gaps, which block, and findings to be checked, in walking order: `{ one, gap, finding, severity }`. */
  ends(visit) {
    const found = [];
    for (const one of visit.openings) {
      if (this.table.states.left_out.includes(one.state)) continue;
      const seen = this.evaluate(visit, one), asked = seen.gaps.map((gap) => gap.field);
      for (const gap of seen.gaps) found.push({ one, gap, severity: "stop" });
      for (const finding of seen.findings) {
        if (this.isWasted(one, finding)) {
          found.push({ one, gap: { code: "cannot_fit", field: finding.field, turn: 1, words: { finding: finding.text, todo: finding.todo } }, severity: "stop" });
          continue;
        }
        const isAsked = finding.code in this.table.questioned && asked.includes(finding.field);
        if (finding.severity !== "note" && !isAsked) found.push({ one, finding, severity: finding.severity });
      }
    }
    return found;
  }

  /** What closing the visit now would come to: `{ problem, outcome, ends, blocking, short }`; no problem: it closes. */
  closeOut(visit, inPart) {
    const short = this.expectedShort(visit), ends = this.ends(visit), is = (...states) => visit.openings.filter((one) => states.includes(one.state));
    const untouched = inPart ? is("to_measure") : [], left = is("not_reached");
    const blocking = ends.filter((end) => end.gap && !untouched.includes(end.one));
    let problem = "", outcome = "whole";
    if (blocking.length) problem = "gap";
    else if (left.length && !inPart) problem = "left";
    else if (!visit.openings.length) problem = "no_openings";
    if (left.length || untouched.length || (inPart && short)) outcome = is(...this.table.states.begun).length ? "part" : "none";
    return { problem, outcome, ends, blocking, short };
  }
}

/** Whether all words of one are the other's: "the kitchen" and "Kitchen", "bedroom" and "Bedroom 2". */
function isSameRoom(told, name) {
  const [one, other] = [told, name].map((text) => text.toLowerCase().split(/\s+/).filter(Boolean));
  return one.every((word) => other.includes(word)) || other.every((word) => one.includes(word));
}
