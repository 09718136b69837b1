/*
 * The visits as the person sees them: what the office last knew, and on top of it every entry
 * that still waits to be sent, done as the office will do it. What the office will refuse does
 * nothing here either. Nothing here draws or stores.
 */
import { Measure } from "./measure.js";
import { cleaned, factsOf, fixedFor, isNothing } from "./facts.js";

/** What the office would refuse. */
export class Refusal extends Error {}

const refuse = (problem) => { throw new Refusal(problem); };
const demand = (found, problem = "it is not there") => found || refuse(problem);

/** A reading as a phone may still hold it from an earlier release, under today's names; what is stored is never rewritten. */
export const withNewNames = ({ place, ...reading }) => ({ spot: place, ...reading });

/** A copy of the day with these entries done to it; what those not sent yet touched is marked `unsent`. */
export function project(day, entries, table) {
  const work = new Work(structuredClone(day), table);
  for (const entry of entries) work.do(entry);
  return work.day;
}

export const findOpening = (day, uid) => day.visits.flatMap((visit) => visit.openings).find((one) => one.uid === uid);

/** The marks of a room's openings, those that are not of the day's visits first. */
export function marksIn(day, uid, but = null) {
  const room = day.visits.flatMap((visit) => visit.rooms).find((one) => one.uid === uid);
  const here = new Map(day.visits.flatMap((visit) => visit.openings).filter((one) => one.room === uid).map((one) => [one.uid, one]));
  const taken = Object.entries(room?.taken ?? {}).filter(([other]) => !here.has(other)).map(([, mark]) => mark);
  return [...taken, ...[...here.values()].filter((one) => one !== but).map((one) => one.mark)];
}

export class Work {
  constructor(day, table) {
    this.day = day;
    this.table = table;
    for (const one of this.openings()) one.readings = one.readings.map(withNewNames);
    this.join();
    this.measure = new Measure(table, day);
  }

  /** An opening or room that two visits of the day share is one thing. */
  join() {
    const known = new Map();
    const once = (thing) => known.get(thing.uid) ?? (known.set(thing.uid, thing), thing);
    for (const visit of this.day.visits) {
      visit.rooms = visit.rooms.map(once);
      visit.openings = visit.openings.map(once);
    }
  }

  do(entry) {
    this.isUnsent = !entry.sent;
    try {
      ACTS[entry.kind]?.(this, entry.body, entry);
    } catch (error) {
      if (!(error instanceof Refusal)) throw error;
    }
  }

  visit(appointment) {
    return demand(this.day.visits.find((one) => one.appointment === appointment));
  }

  /** A visit that was begun. */
  begun(appointment) {
    const visit = this.visit(appointment);
    return demand(visit.is_open || visit.closed_at ? visit : null);
  }

  /** A tap on the way to a visit: it never goes back. */
  tap(appointment, before, state) {
    const visit = this.visit(appointment);
    if (!before.includes(visit.state)) return;
    const goesBack = { ...visit.goes_back, [state]: visit.state };
    Object.assign(visit, { state, goes_back: goesBack, unsent: this.isUnsent });
  }

  /** What a visit is for once it is begun: the openings it names, else those still to be measured. */
  covered(visit) {
    return visit.named || visit.is_open ? visit.openings : visit.openings.filter((one) => this.table.states.to_do.includes(one.state));
  }

  openings() {
    return [...new Set(this.day.visits.flatMap((visit) => visit.openings))];
  }

  opening(uid) {
    return demand(findOpening(this.day, uid));
  }

  /** The opening that holds a reading, an obstruction or a conflict, and that thing. */
  part(list, wanted) {
    for (const one of this.openings()) for (const thing of one[list] ?? []) if (wanted(thing)) return [one, thing];
    return refuse("it is not there");
  }

  visitsAt(one) {
    return this.day.visits.filter((visit) => visit.openings.includes(one));
  }

  room(visit, uid, name, floor) {
    const found = visit.rooms.find((one) => one.uid === uid) ?? visit.rooms.find((one) => one.name === name && one.floor === floor);
    if (found) return found;
    demand(name && [...name].length <= 60 && [...floor].length <= 20, "a room has a name");
    const made = { uid, name, floor, defaults: {}, beside: {}, taken: {}, unsent: this.isUnsent };
    for (const one of this.day.visits) if (one.job.id === visit.job.id) one.rooms.push(made);
    return made;
  }

  /** The marks nobody else may have: of the room's openings, those of other visits first. */
  marks(uid, but = null) {
    return marksIn(this.day, uid, but);
  }

  /** A new opening behind the others of its room, the rooms in the order they are walked. */
  put(visit, room, uid, facts) {
    demand(!findOpening(this.day, uid), "it is there already");
    const made = {
      uid, id: null, room: room.uid, mark: facts.mark, state: "to_measure", reason: "", group: "",
      facts: { ...facts, room: room.uid, fixed_to: fixedFor(this.table, facts) },
      bay: null, readings: [], superseded: 0, obstructions: [], photos: [], templates: [], conflicts: [], options: {}, units: [], at_it: [], unsent: this.isUnsent,
    };
    for (const other of this.day.visits) {
      const isOfAll = other.job.id === visit.job.id && !other.named && !other.is_open && !other.closed_at;
      if (other !== visit && !isOfAll) continue;
      other.openings.push(made);
      this.walk(other);
    }
    this.resize(made);
    return made;
  }

  walk(visit) {
    const at = new Map(visit.rooms.map((room, order) => [room.uid, order]));
    visit.openings.sort((a, b) => at.get(a.room) - at.get(b.room));
  }

  /** A length somebody typed, as the office reads it. */
  length(typed, least) {
    try {
      return this.measure.typed(typed, least);
    } catch (error) {
      return refuse(error.message);
    }
  }

  cleaned(facts, one = null) {
    try {
      return cleaned(facts, { measure: this.measure, day: this.day, one });
    } catch (error) {
      return refuse(error.message);
    }
  }

  // -- what follows from a change -------------------------------------------------------------

  /** Units and state anew, after something was read, taken back or changed at an opening. */
  resize(one) {
    if (!this.table.states.covered.includes(one.state)) return;
    this.follow(one);
    const { measurable } = this.table.states;
    if (!measurable.includes(one.state)) return;
    if (this.isComplete(one)) one.state = one.state !== "measured" && this.isAtIt(one) ? "read" : "measured";
    else one.state = one.readings.length ? "under_way" : "to_measure";
  }

  /** A unit of a bay stands off its wall otherwise: set-backs are worked out anew, at the office. */
  unsettle(one) {
    if (!one.bay) return;
    for (const other of this.openings()) if (other.bay && other.facts.group === one.facts.group) other.bay.stale = true;
  }

  isComplete(one) {
    const found = this.measure.evaluate(this.visitsAt(one)[0], one);
    return Boolean(found.size) && !found.gaps.length;
  }

  /** Whether a visit that is not closed yet is at this opening. */
  isAtIt(one) {
    const here = new Set(this.day.visits.map((visit) => visit.appointment));
    return this.visitsAt(one).some((visit) => visit.is_open) || one.at_it.some((appointment) => !here.has(appointment));
  }

  /** As many units as are wanted; those not released follow the opening's product. */
  follow(one) {
    const { facts } = one, product = this.measure.products.get(facts.product);
    one.units = one.units.filter((unit, at) => unit.released || (product && at < facts.units_wanted));
    if (product) {
      const fresh = startingOptions(product, facts.mount), [first] = one.units;
      if (!first) one.options = fresh;
      else if (!first.released && first.product !== product.key) one.options = { ...fresh, ...validOptions(this, product, one.options) };
      for (const unit of one.units) if (!unit.released) unit.product = product.key;
      while (one.units.length < facts.units_wanted) one.units.push({ released: false, product: product.key });
    }
    if (!one.units.length) one.options = {};
  }

  change(one, sent, seen = null) {
    const clean = this.cleaned(sent, one);
    if (clean.site_facts) clean.site_facts = { ...one.facts.site_facts, ...clean.site_facts };
    const changing = {}, kept = [];
    for (const [name, value] of Object.entries(clean)) {
      const standing = one.facts[name];
      if (isSame(standing, value)) continue;
      const isFree = !seen || !(name in seen) || isSame(seen[name], standing) || (isNothing(seen[name]) && isNothing(standing));
      if (isFree) changing[name] = value;
      else kept.push({ id: null, fact: name, standing, offered: value, by: this.day.user.name, at: new Date().toISOString() });
    }
    const isOrdered = Object.keys(changing).some((name) => this.table.facts[name].ordered);
    demand(!(isOrdered && one.units.some((unit) => unit.released)), "it was ordered");
    if ("mark" in changing) demand(!this.marks(one.room, one).includes(changing.mark), "that mark is taken");
    one.conflicts.push(...kept);
    one.unsent = this.isUnsent;
    if (!Object.keys(changing).length) return;
    if (["product", "mount", "shape"].some((name) => name in changing) && !("goes_on" in changing)) one.facts.goes_on = ""; // said of another
    if (["product", "mount", "group", "shape"].some((name) => name in changing)) this.unsettle(one);
    Object.assign(one.facts, changing);
    one.facts.fixed_to = fixedFor(this.table, one.facts);
    if ("mark" in changing) one.mark = changing.mark;
    this.resize(one);
  }
}

const isSame = (a, b) => JSON.stringify(a ?? null) === JSON.stringify(b ?? null);
const choicesOf = (product, mount) => product.choices[mount] ?? [];

/** What is chosen by itself: where a needed option has one choice only. */
function startingOptions(product, mount) {
  const single = choicesOf(product, mount).filter((one) => one.needed && one.choices.length === 1);
  return Object.fromEntries(single.map((one) => [one.key, one.choices[0][0]]));
}

/** Every option there is for a product, whatever the mount. */
function optionsOf(work, product) {
  const all = [...choicesOf(product, "inside"), ...choicesOf(product, "outside"), ...work.day.choices.ours];
  return new Map(all.reverse().map((one) => [one.key, one]));
}

/** Those of the options that this product has too. */
function validOptions(work, product, options) {
  const known = optionsOf(work, product);
  return Object.fromEntries(Object.entries(options).filter(([key, value]) => !isGone(known.get(key), value)));
}

/** Whether a value that somebody chose is on no list any more. */
const isGone = (option, value) => !option || (option.choices.length > 0 && !option.choices.some(([choice]) => choice === value));

/** The choice a text means: by its key, else by key or name whatever the case and spelling. */
function choiceMeant(table, choices, text) {
  const plain = (word) => table.spellings.reduce((out, [one, other]) => out.replaceAll(one, other), word.replace(/[\s_-]+/g, " ").trim().toLowerCase());
  const same = plain(text), found = choices.find(([key]) => key === text) ?? choices.find((pair) => pair.some((word) => plain(word) === same));
  return found?.[0];
}

/** An option as it is kept; an empty text takes it back. */
function cleanOption(work, option, text) {
  if (text && option.choices.length) return demand(choiceMeant(work.table, option.choices, text), "no such choice");
  demand([...text].length <= 120, "too long");
  return text && option.is_length ? work.measure.named(work.length(text, 0)) : text;
}

const ACTS = {
  "measuring.on_the_way"(work, body) {
    work.tap(body.appointment, ["planned", "promised"], "on_the_way");
  },
  "measuring.arrived"(work, body) {
    work.tap(body.appointment, ["planned", "promised", "on_the_way"], "arrived");
  },
  "measuring.taken_back"(work, body) {
    const visit = work.visit(body.appointment);
    if (visit.closed_at) return void Object.assign(visit, { is_open: true, closed_at: null, outcome: "", unsent: work.isUnsent });
    demand(!visit.is_open && visit.goes_back?.[visit.state], "there is no tap to take back");
    Object.assign(visit, { state: visit.goes_back[visit.state], unsent: work.isUnsent });
  },
  "measuring.begin"(work, body) {
    const visit = work.visit(body.appointment);
    if (!visit.is_open && !visit.closed_at) {
      const openings = work.covered(visit), rest = visit.openings.filter((one) => !openings.includes(one));
      for (const room of visit.rooms) for (const one of rest) if (one.room === room.uid) room.taken = { ...room.taken, [one.uid]: one.mark };
      Object.assign(visit, { openings, is_open: true, named: true, tape: body.tape ?? null });
    }
    if (visit.is_open && body.tape) visit.tape = body.tape;
    visit.unsent = work.isUnsent;
  },
  "measuring.room"(work, body) {
    work.room(work.begun(body.appointment), body.room, body.name.trim(), (body.floor ?? "").trim());
  },
  "measuring.room_defaults"(work, body) {
    const room = demand(work.day.visits.flatMap((visit) => visit.rooms).find((one) => one.uid === body.room));
    const known = Object.entries(body.defaults).filter(([name]) => work.table.facts[name]?.room);
    room.defaults = work.cleaned(Object.fromEntries(known));
  },
  "measuring.opening"(work, body) {
    const visit = work.begun(body.appointment), sent = { ...body.facts };
    const room = work.room(visit, body.room, body.room_name.trim(), (body.floor ?? "").trim());
    const marks = work.marks(room.uid);
    if (!sent.mark || marks.includes(sent.mark)) sent.mark = nextMark(marks);
    const kept = Object.entries(room.defaults).filter(([name, value]) => !(name in sent) && isClean(work, name, value));
    work.put(visit, room, body.opening, { ...factsOf(work.table), ...work.cleaned({ ...Object.fromEntries(kept), ...sent }) });
  },
  "measuring.copy"(work, body) {
    const visit = work.begun(body.appointment), like = work.opening(body.opening);
    const room = demand(visit.rooms.find((one) => one.uid === like.room)), marks = work.marks(room.uid);
    const facts = factsOf(work.table);
    for (const [name, row] of Object.entries(work.table.facts)) if (row.copied) facts[name] = like.facts[name];
    if (work.measure.products.get(facts.product)?.is_active === false) facts.product = null;
    facts.mark = body.mark && !marks.includes(body.mark) ? body.mark : freeMark(like.mark, marks);
    const own = work.day.choices.ours.filter((one) => one.is_own).map((one) => one.key), hadUnit = like.units.length > 0;
    const options = Object.fromEntries(Object.entries(like.options).filter(([key]) => !own.includes(key)));
    const made = work.put(visit, room, body.copy, structuredClone(facts));
    made.group = like.bay ? "" : like.group; // a wall more would be another bay
    if (like.bay) made.facts.group = null;
    made.obstructions = like.obstructions.map((thing) => ({ ...thing, uid: copiedUid(body.copy, thing.uid) }));
    if (hadUnit && made.units.length) made.options = options;
    work.resize(made);
  },
  "measuring.order"(work, body) {
    for (const visit of work.day.visits) {
      const rank = (one) => (body.openings.includes(one.uid) ? body.openings.indexOf(one.uid) : body.openings.length);
      const mine = visit.openings.filter((one) => one.room === body.room).sort((a, b) => rank(a) - rank(b));
      visit.openings = visit.openings.map((one) => (one.room === body.room ? mine.shift() : one));
    }
  },
  "measuring.reading"(work, sent, entry) {
    const body = withNewNames(sent), { measure, table } = work, one = work.opening(body.opening), turn = body.turn ?? 1, typed = body.typed.trim();
    demand(body.spot in table.labels && [1, 2].includes(turn), "no such place");
    demand(!table.states.passed_over.includes(one.state), "take it up again first");
    const own = body.with_case ? demand(measure.tapes.get(body.tape)?.ticks ?? body.case, "choose the tape first") : null;
    const ticks = readAt(work, typed, body.spot, own);
    const standing = one.readings.find((r) => r.spot === body.spot && r.turn === turn && !r.conflict);
    const made = {
      uid: entry.id, spot: body.spot, turn, typed: typed.slice(0, 40), ticks, case: own, tape: body.tape ?? null, grade: body.grade ?? "final",
      by: work.day.user.name, at: entry.done_at, confirmed: false, unsent: work.isUnsent,
    };
    made.conflict = Boolean(standing) && "seen" in body && standing.uid !== body.seen && standing.ticks !== ticks;
    if (standing && !made.conflict) {
      one.superseded += 1;
      one.readings.splice(one.readings.indexOf(standing), 1);
    }
    one.readings.push(made);
    if (body.spot === "depth") work.unsettle(one);
    if (["to_measure", "not_reached"].includes(one.state)) Object.assign(one, { state: "under_way", reason: "" });
    work.resize(one);
  },
  "measuring.same"(work, body) {
    const [one, reading] = work.part("readings", (r) => r.uid === body.reading);
    demand(!reading.conflict, "it was superseded");
    Object.assign(reading, { confirmed: true, unsent: work.isUnsent });
    work.resize(one);
  },
  "measuring.back"(work, body) {
    const [one, reading] = work.part("readings", (r) => r.uid === body.reading);
    one.readings = one.readings.filter((r) => r !== reading);
    one.superseded += 1;
    const left = one.readings.filter((r) => r.spot === reading.spot && r.turn === reading.turn);
    if (left.length === 1) left[0].conflict = false;
    one.unsent = work.isUnsent;
    work.resize(one);
  },
  "measuring.keep"(work, body) {
    const [one, kept] = work.part("readings", (r) => r.uid === body.reading);
    const rivals = one.readings.filter((r) => r !== kept && r.spot === kept.spot && r.turn === kept.turn);
    demand(rivals.length, "there is no other reading of this place");
    one.readings = one.readings.filter((r) => !rivals.includes(r));
    one.superseded += rivals.length;
    Object.assign(kept, { conflict: false, unsent: work.isUnsent });
    work.resize(one);
  },
  "measuring.facts"(work, body) {
    work.change(work.opening(body.opening), body.facts, body.seen);
  },
  "measuring.settle"(work, body) {
    const [one, conflict] = work.part("conflicts", (c) => c.id !== null && c.id === body.conflict);
    if (body.offered) work.change(one, { [conflict.fact]: conflict.offered });
    one.conflicts = one.conflicts.filter((c) => c !== conflict);
    one.unsent = work.isUnsent;
  },
  "measuring.obstruction"(work, body, entry) {
    const one = work.opening(body.opening), grid = work.measure.grid(), kind = body.kind.trim();
    demand(kind && [...kind].length <= 30, "say what it is");
    const ticks = Math.ceil(work.length(body.projection) / grid) * grid;
    const fromTop = body.from_top ? Math.floor(work.length(body.from_top) / grid) * grid : null;
    one.obstructions.push({ uid: entry.id, kind, projection: work.measure.named(ticks), ticks, at: body.at ?? "path", side: body.side ?? "", from_top: fromTop, unsent: work.isUnsent });
    work.resize(one);
  },
  "measuring.clear"(work, body) {
    const [one, thing] = work.part("obstructions", (thing) => thing.uid === body.obstruction);
    one.obstructions = one.obstructions.filter((other) => other !== thing);
    work.resize(one);
  },
  "measuring.photo"(work, body, entry) {
    const one = work.opening(body.opening);
    one.photos.push({ uid: entry.id, url: `data:image/jpeg;base64,${body.data}`, caption: body.caption, unsent: work.isUnsent });
  },
  "measuring.template"(work, body, entry) {
    const one = work.opening(body.opening), visit = work.visitsAt(one)[0];
    demand((one.facts.shape ?? "rectangle") !== "rectangle", "a rectangle needs no template");
    demand(body.is_marked && ["opening", "finished"].includes(body.size_is ?? "opening"), "write TOP and ROOM SIDE on it");
    const taken = positionsIn(work.day, visit.job), position = body.position && !taken.includes(body.position) ? body.position : nextPosition(taken);
    one.templates = [...(one.templates ?? []), { uid: entry.id, number: `${visit.job.number}-T${position}`, position, size_is: body.size_is ?? "opening", state: "made", where: "made", unsent: work.isUnsent }];
    work.resize(one);
  },
  "measuring.no_template"(work, body) {
    const [one, template] = work.part("templates", (found) => found.uid === body.template);
    demand(body.reason.trim(), "say why");
    one.templates = one.templates.filter((other) => other !== template);
    one.unsent = work.isUnsent;
    work.resize(one);
  },
  "measuring.bay"(work, body) {
    const visit = work.begun(body.appointment), openings = body.openings.map((uid) => work.opening(uid));
    demand(openings.length > 1 && body.corners.length === openings.length - 1, "one corner fewer than openings");
    for (const one of openings) {
      work.unsettle(one);
      one.group = body.kind ?? "bay";
      one.facts.group = one.facts.group && one.bay ? one.facts.group : `of ${visit.appointment}`;
      one.bay = { ...one.bay, stale: true };
      one.unsent = work.isUnsent;
    }
    for (const one of openings) work.resize(one);
  },
  "measuring.options"(work, body) {
    const one = work.opening(body.opening), product = work.measure.products.get(one.facts.product);
    const [first] = one.units;
    if (!product || !first || first.released) return;
    const chosen = { ...one.options }, known = optionsOf(work, product);
    for (const [key, value] of Object.entries(body.options)) {
      const text = (value ?? "").trim(), option = known.get(key);
      if (text && text === one.options[key] && isGone(option, text)) continue;
      demand(option || (!text && key in one.options), "no such option");
      const kept = option ? cleanOption(work, option, text) : "";
      if (kept) chosen[key] = kept;
      else delete chosen[key];
    }
    Object.assign(one, { options: chosen, unsent: work.isUnsent });
    work.unsettle(one);
    work.resize(one);
  },
  "measuring.state"(work, body) {
    const one = work.opening(body.opening), reason = (body.reason ?? "").trim(), { states } = work.table;
    if (body.to !== "not_reached") work.unsettle(one);
    if (body.to === "again") {
      if (!states.set_aside.includes(one.state)) return;
      Object.assign(one, { state: one.readings.length ? "under_way" : "to_measure", reason: "", unsent: work.isUnsent });
      work.resize(one);
      return;
    }
    const to = demand({ cannot: "cannot", not_reached: "not_reached", drop: "dropped" }[body.to], "no such state");
    if (to !== "dropped") demand(reason && [...reason].length <= 240, "say why, in a few words");
    if (to !== "not_reached") {
      demand(!one.units.some((unit) => unit.released), "a unit of it is released");
      Object.assign(one, { units: [], options: {} });
    }
    Object.assign(one, { state: to, reason, unsent: work.isUnsent });
    if (to !== "dropped") return;
    for (const visit of work.day.visits) {
      visit.openings = visit.openings.filter((other) => other !== one);
      for (const room of visit.rooms) delete room.taken?.[one.uid];
    }
  },
  "measuring.close"(work, body, entry) {
    const visit = work.begun(body.appointment);
    if (visit.closed_at) return;
    const end = work.measure.closeOut(visit, Boolean(body.in_part));
    demand(!end.problem, end.problem);
    Object.assign(visit, { is_open: false, closed_at: entry.done_at, outcome: end.outcome, unsent: work.isUnsent });
    for (const one of visit.openings) if (work.table.states.begun.includes(one.state)) work.resize(one);
  },
  "measuring.not_measured"(work, body, entry) {
    const visit = work.visit(body.appointment), openings = work.covered(visit), reason = body.reason.trim();
    demand(reason && !visit.closed_at && !openings.some((one) => work.table.states.unfinished.includes(one.state)));
    for (const one of openings) if (one.state === "to_measure") Object.assign(one, { state: "not_reached", reason, unsent: work.isUnsent });
    Object.assign(visit, { openings, is_open: false, named: true, closed_at: entry.done_at, outcome: "none", unsent: work.isUnsent });
  },
};

/** Ticks of a reading: as typed within what an opening can be, the case added, down to the mark. */
function readAt(work, typed, spot, own) {
  try {
    return work.measure.entry(typed, spot, own ?? 0);
  } catch (error) {
    return refuse(error.message);
  }
}

/** What a thing is named that a copy takes along, at the office too. */
const copiedUid = (copy, thing) => copy.replace(/\w/g, (figure, at) => (parseInt(figure, 16) ^ parseInt(thing[at], 16)).toString(16));

function isClean(work, name, value) {
  try {
    return Boolean(work.cleaned({ [name]: value }));
  } catch {
    return false;
  }
}

// -- numbers of templates -------------------------------------------------------------------

/** Those that the job's templates have, the ones at openings of other visits among them. */
export function positionsIn(day, job) {
  const mine = day.visits.filter((visit) => visit.job.id === job.id).flatMap((visit) => visit.openings);
  return [...(job.templates ?? []), ...new Set(mine.flatMap((one) => one.templates ?? []).map((template) => template.position))];
}

/** The number after the highest. */
export const nextPosition = (taken) => Math.max(0, ...taken) + 1;

// -- marks ----------------------------------------------------------------------------------

/** The mark after the last one of a room: A, B .. Z, AA; or a number one higher. */
export function nextMark(marks) {
  return marks.length ? freeMark(marks[marks.length - 1], marks) : "A";
}

/** The first mark after this one that nobody has. */
export function freeMark(mark, marks) {
  let free = after(mark);
  while (marks.includes(free)) free = after(free);
  return free;
}

function after(mark) {
  const number = /^(.*?)(\d+)$/.exec(mark);
  if (number) return number[1] + String(BigInt(number[2]) + 1n).padStart(number[2].length, "0");
  if (!/^[A-Z]+$/.test(mark)) return `${mark} 2`.slice(0, 20);
  let place = 0;
  for (const letter of mark) place = place * 26 + letter.charCodeAt(0) - 64;
  let out = "";
  for (place += 1; place; place = Math.floor((place - 1) / 26)) out = String.fromCharCode(65 + ((place - 1) % 26)) + out;
  return out;
}
