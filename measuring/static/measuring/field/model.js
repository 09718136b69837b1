/*
 * The visits as the person sees them: what the office last knew, and on top of it every deed
 * that still waits to be sent. Nothing here draws or stores.
 */
import { makeRules, parseLength, formatLength, floorDiv } from "../rules.js";

export const WIDTHS = ["widths.top", "widths.middle", "widths.bottom"];
export const HEIGHTS = ["heights.left", "heights.center", "heights.right"];
export const DIAGONALS = ["diagonals.rising", "diagonals.falling"];
export const COVERS = ["cover.left", "cover.right", "cover.top", "cover.bottom"];
export const CHOSEN = ["chosen.width", "chosen.height"];
const MAY_BE_ZERO = new Set(["depth", ...COVERS]);
const COPIED = ["product", "mount", "fixed_to", "substrate", "sill", "floor_type", "power", "access_note", "is_door", "units_wanted", "group"];

/** A copy of the day with these deeds done to it; what those not sent yet touched is marked `unsent`. */
export function project(day, deeds) {
  const now = structuredClone(day);
  for (const deed of deeds) {
    const act = ACTS[deed.kind];
    if (act) act(now, deed.body, deed);
  }
  return now;
}

const openings = (day) => day.visits.flatMap((visit) => visit.openings);
export const findOpening = (day, uid) => openings(day).find((one) => one.uid === uid);
const findVisit = (day, appointment) => day.visits.find((one) => one.appointment === appointment);

function freshOpening(uid, room, mark, unsent) {
  return {
    uid, id: null, room, mark, state: "to_measure", reason: "", group: "", facts: {}, readings: [], superseded: 0,
    obstructions: [], photos: [], conflicts: [], options: {}, units: [], unsent,
  };
}

/** Puts an opening behind the others of its room, so that the list stays in walking order. */
function put(visit, made, after = null) {
  const mates = visit.openings.filter((one) => one.room === made.room);
  const last = after ?? mates[mates.length - 1];
  const at = last ? visit.openings.indexOf(last) + 1 : visit.openings.length;
  visit.openings.splice(at, 0, made);
}

const ACTS = {
  "measuring.begin"(day, body, deed) {
    const visit = findVisit(day, body.appointment);
    if (visit) Object.assign(visit, { is_open: true, unsent: !deed.sent }, body.tape ? { tape: body.tape } : {});
  },
  "measuring.room"(day, body, deed) {
    const visit = findVisit(day, body.appointment);
    if (visit && !visit.rooms.some((one) => one.uid === body.room || (one.name === body.name && one.floor === body.floor))) {
      visit.rooms.push({ uid: body.room, name: body.name, floor: body.floor ?? "", defaults: {}, unsent: !deed.sent });
    }
  },
  "measuring.room_defaults"(day, body, deed) {
    for (const visit of day.visits) for (const room of visit.rooms) if (room.uid === body.room) room.defaults = body.defaults;
  },
  "measuring.opening"(day, body, deed) {
    const visit = findVisit(day, body.appointment);
    if (!visit || findOpening(day, body.opening)) return;
    const room = visit.rooms.find((one) => one.uid === body.room) ?? visit.rooms.find((one) => one.name === body.room_name);
    const made = freshOpening(body.opening, room?.uid ?? body.room, body.facts.mark, !deed.sent);
    made.facts = { mount: "inside", fixed_to: "jamb", substrate: "unknown", sill: "sill", ...(room?.defaults ?? {}), ...body.facts };
    put(visit, made);
  },
  "measuring.copy"(day, body, deed) {
    const visit = findVisit(day, body.appointment), like = findOpening(day, body.opening);
    if (!visit || !like || findOpening(day, body.copy)) return;
    const made = freshOpening(body.copy, like.room, body.mark, !deed.sent);
    for (const name of COPIED) if (name in like.facts) made.facts[name] = like.facts[name];
    made.options = { ...like.options };
    made.obstructions = like.obstructions.map((thing) => ({ ...thing }));
    put(visit, made);
  },
  "measuring.order"(day, body, deed) {
    for (const visit of day.visits) {
      const mine = visit.openings.filter((one) => one.room === body.room);
      if (!mine.length) continue;
      const rank = (one) => (body.openings.includes(one.uid) ? body.openings.indexOf(one.uid) : 1e6);
      const sorted = [...mine].sort((a, b) => rank(a) - rank(b));
      visit.openings = visit.openings.map((one) => (one.room === body.room ? sorted.shift() : one));
    }
  },
  "measuring.reading"(day, body, deed) {
    const one = findOpening(day, body.opening);
    if (!one || one.readings.some((r) => r.uid === deed.id)) return;
    const standing = one.readings.find((r) => r.place === body.place && r.turn === (body.turn ?? 1) && !r.conflict);
    const made = {
      uid: deed.id, place: body.place, turn: body.turn ?? 1, typed: body.typed, ticks: body.ticks,
      case: body.with_case ? body.case : null, tape: body.tape ?? null, grade: body.grade ?? "final",
      by: day.user.name, at: deed.done_at, confirmed: false, conflict: false, unsent: !deed.sent,
    };
    if (standing && standing.uid !== body.seen && standing.ticks !== made.ticks) {
      made.conflict = true;
      one.readings.push(made);
    } else {
      if (standing) one.superseded += 1;
      one.readings = one.readings.filter((r) => r !== standing);
      one.readings.push(made);
    }
    if (["to_measure", "not_reached"].includes(one.state)) Object.assign(one, { state: "under_way", reason: "" });
  },
  "measuring.same"(day, body, deed) {
    for (const one of openings(day)) for (const r of one.readings) if (r.uid === body.reading) Object.assign(r, { confirmed: true, unsent: !deed.sent });
  },
  "measuring.back"(day, body, deed) {
    for (const one of openings(day)) one.readings = one.readings.filter((r) => r.uid !== body.reading);
  },
  "measuring.keep"(day, body, deed) {
    for (const one of openings(day)) {
      const kept = one.readings.find((r) => r.uid === body.reading);
      if (!kept) continue;
      one.readings = one.readings.filter((r) => r === kept || r.place !== kept.place || r.turn !== kept.turn);
      kept.conflict = false;
      kept.unsent = !deed.sent;
    }
  },
  "measuring.facts"(day, body, deed) {
    const one = findOpening(day, body.opening);
    if (!one) return;
    Object.assign(one.facts, body.facts);
    if (body.facts.mark) one.mark = body.facts.mark;
    one.unsent = !deed.sent;
  },
  "measuring.settle"(day, body, deed) {
    for (const one of openings(day)) {
      const conflict = one.conflicts.find((c) => c.id === body.conflict);
      if (!conflict) continue;
      if (body.offered) one.facts[conflict.fact] = conflict.offered;
      one.conflicts = one.conflicts.filter((c) => c !== conflict);
      one.unsent = !deed.sent;
    }
  },
  "measuring.obstruction"(day, body, deed) {
    const one = findOpening(day, body.opening);
    if (one && !one.obstructions.some((thing) => thing.uid === deed.id)) one.obstructions.push({ ...body, uid: deed.id, from_top: body.from_top_ticks ?? null, unsent: !deed.sent });
  },
  "measuring.clear"(day, body, deed) {
    for (const one of openings(day)) one.obstructions = one.obstructions.filter((thing) => thing.uid !== body.obstruction);
  },
  "measuring.photo"(day, body, deed) {
    const one = findOpening(day, body.opening);
    if (one && !one.photos.some((photo) => photo.uid === deed.id)) one.photos.push({ uid: deed.id, url: `data:image/jpeg;base64,${body.data}`, caption: body.caption, unsent: !deed.sent });
  },
  "measuring.options"(day, body, deed) {
    const one = findOpening(day, body.opening);
    if (one) Object.assign(one, { options: { ...one.options, ...body.options }, unsent: !deed.sent });
  },
  "measuring.state"(day, body, deed) {
    const one = findOpening(day, body.opening);
    if (!one) return;
    if (body.to === "drop") for (const visit of day.visits) visit.openings = visit.openings.filter((other) => other !== one);
    else if (body.to === "again") Object.assign(one, { state: one.readings.length ? "under_way" : "to_measure", reason: "" });
    else Object.assign(one, { state: body.to, reason: body.reason });
    one.unsent = !deed.sent;
  },
  "measuring.close"(day, body, deed) {
    const visit = findVisit(day, body.appointment);
    if (visit) Object.assign(visit, { is_open: false, closed_at: deed.done_at, outcome: body.in_part ? "in part" : "all measured", unsent: !deed.sent });
  },
};

/** The mark after the last one of a room: A, B .. Z, AA; or a number one higher. */
export function nextMark(marks) {
  let mark = marks.length ? after(marks[marks.length - 1]) : "A";
  while (marks.includes(mark)) mark = after(mark);
  return mark;
}

function after(mark) {
  const number = /^(.*?)(\d+)$/.exec(mark);
  if (number) return number[1] + String(Number(number[2]) + 1).padStart(number[2].length, "0");
  if (!/^[A-Z]+$/.test(mark)) return `${mark} 2`;
  let place = 0;
  for (const letter of mark) place = place * 26 + letter.charCodeAt(0) - 64;
  let out = "";
  for (place += 1; place; place = Math.floor((place - 1) / 26)) out = String.fromCharCode(65 + ((place - 1) % 26)) + out;
  return out;
}

/** Rules over the day's own products, cord rules and unit. */
export class Measure {
  constructor(table, day) {
    this.rules = makeRules(table);
    this.unit = day.unit;
    this.products = new Map(day.products.map((row) => [row.key, row]));
    this.read = new Map();
    this.tapes = new Map(day.tapes.map((tape) => [tape.id, tape]));
    this.place = day.jurisdiction ? this.rules.readJurisdiction(day.jurisdiction) : null;
    this.places = Object.fromEntries(day.choices.places);
  }

  product(key) {
    const row = this.products.get(key);
    if (!row) return null;
    if (!this.read.has(key)) this.read.set(key, this.rules.readProduct(row));
    return this.read.get(key);
  }

  grid() {
    return this.rules.table.grid[this.unit];
  }

  /** Ticks of an entry at a place, down to the mark; throws with the problem in words. */
  entry(typed, place, caseTicks = 0) {
    const grid = this.grid(), most = this.rules.table.largest_reading;
    const read = parseLength(typed, this.unit);
    const ticks = floorDiv(read + caseTicks, grid) * grid;
    if (ticks < grid && !(MAY_BE_ZERO.has(place) && ticks >= 0)) throw new Error(`${typed} is too small; the least is ${this.named(grid)}`);
    if (read > most) throw new Error(`${typed} is too much; the most is ${this.named(most)}`);
    return ticks;
  }

  named(ticks) {
    return `${formatLength(ticks, this.unit)} ${this.unit}`;
  }

  current(one) {
    const now = new Map();
    for (const r of one.readings) if (!r.conflict) now.set(`${r.place}:${r.turn}`, r);
    return now;
  }

  /** Where to hold the tape, in order: first width, then height. */
  asked(one) {
    const product = this.products.get(one.facts.product), now = this.current(one), has = (place, turn = 1) => now.has(`${place}:${turn}`);
    if (!product) return [];
    if (one.facts.mount === "outside") {
      if (CHOSEN.some((place) => has(place))) return CHOSEN.map((place) => ({ place, turn: 1, needed: true }));
      const first = (set) => set.find((place) => has(place)) ?? set[0];
      return [first(WIDTHS), first(HEIGHTS), ...COVERS].map((place) => ({ place, turn: 1, needed: true }));
    }
    const rule = this.rules.ruleFor(product.family, "inside");
    const asks = [...WIDTHS, ...HEIGHTS]
      .filter((place) => rule.needs.includes(place) || rule.checks.includes(place))
      .map((place) => ({ place, turn: 1, needed: rule.needs.includes(place) }));
    const checked = rule.checks.some((place) => has(place));
    for (const place of rule.twice) {
      if (checked && !has(place, 2)) continue;
      const at = asks.findIndex((ask) => ask.place === place);
      const needed = !checked && HEIGHTS.some((other) => has(other));
      if (needed || has(place, 2)) asks.splice(at + 1, 0, { place, turn: 2, needed, why: "nothing else checks it" });
    }
    asks.push({ place: "depth", turn: 1, needed: true });
    const why = this.diagonalsWhy(one, rule, has);
    if (why || DIAGONALS.some((place) => has(place))) asks.push(...DIAGONALS.map((place) => ({ place, turn: 1, needed: false, why })));
    return asks;
  }

  diagonalsWhy(one, rule, has) {
    if (rule.needs.some((place) => !has(place))) return "";
    try {
      return this.rules.diagonalsWanted(this.rules.readOpening(this.document(one), this.unit));
    } catch {
      return "";
    }
  }

  /** The contract's object for the rules, readings as typed with the case beside them. */
  document(one) {
    const product = this.products.get(one.facts.product), now = this.current(one), unit = this.unit;
    const doc = { id: one.uid, family: product.family, mount: one.facts.mount };
    const cases = new Set([...now.values()].map((r) => r.case).filter(Boolean));
    const usedTapes = [...new Set([...now.values()].map((r) => r.tape).filter(Boolean))].map((id) => this.tapes.get(id)).filter(Boolean);
    if (!cases.size) for (const tape of usedTapes) if (!tape.is_laser) cases.add(tape.ticks);
    const lasers = new Set(usedTapes.filter((tape) => tape.is_laser).map((tape) => tape.ticks));
    const one_case = cases.size === 1 ? [...cases][0] : null;
    const cased = [];
    const taken = (r) => {
      if (r.case && one_case === null) return formatLength(r.ticks, unit);
      let typed;
      try { typed = parseLength(r.typed, unit); } catch { typed = null; }
      const total = typed === null ? null : typed + (r.case ?? 0);
      if (total === null || floorDiv(total, this.grid()) * this.grid() !== r.ticks) return formatLength(r.ticks - (r.case ?? 0), unit);
      return formatLength(typed, unit);
    };
    for (const place of [...WIDTHS, ...HEIGHTS, "depth"]) {
      const r = now.get(`${place}:1`);
      if (!r) continue;
      const [set, name] = place.split(".");
      if (name) (doc[set] ??= {})[name] = taken(r);
      else doc.depth = taken(r);
      if (r.case && one_case !== null) cased.push(place);
    }
    const diagonals = DIAGONALS.map((place) => now.get(`${place}:1`));
    if (diagonals.every(Boolean)) {
      doc.diagonals = diagonals.map(taken);
      DIAGONALS.forEach((place, n) => diagonals[n].case && one_case !== null && cased.push(place));
    }
    if (one_case !== null) doc.tape_case = { length: formatLength(one_case, unit), fields: cased };
    if (lasers.size === 1) doc.laser = formatLength([...lasers][0], unit);
    const again = {};
    for (const [key, r] of now) if (key.endsWith(":2")) again[r.place] = formatLength(r.ticks, unit);
    if (Object.keys(again).length) doc.again = again;
    if (one.facts.mount === "outside") this.outside(doc, now);
    if (one.obstructions.length) doc.obstructions = one.obstructions.map((thing) => ({ kind: thing.kind, projection: formatLength(thing.ticks, unit), at: thing.at }));
    if (one.facts.stops_on && Object.keys(one.facts.stops_on).length) doc.stops_on = one.facts.stops_on;
    return doc;
  }

  outside(doc, now) {
    const cover = {};
    for (const place of COVERS) if (now.has(`${place}:1`)) cover[place.slice(6)] = formatLength(now.get(`${place}:1`).ticks, this.unit);
    if (Object.keys(cover).length) doc.cover = cover;
    const chosen = CHOSEN.map((place) => now.get(`${place}:1`));
    if (chosen.every(Boolean)) doc.chosen = { width: formatLength(chosen[0].ticks, this.unit), height: formatLength(chosen[1].ticks, this.unit) };
  }

  /** Size, steps, findings, and what is missing, as the server will say it too. */
  evaluate(visit, one) {
    const out = { size: null, steps: [], findings: [], gaps: [], doubts: [] };
    const product = this.product(one.facts.product);
    if (!product) {
      out.gaps.push({ place: "product", text: "no product chosen" });
      return out;
    }
    const now = this.current(one);
    for (const ask of this.asked(one)) {
      if (ask.needed && !now.has(`${ask.place}:${ask.turn}`)) {
        out.gaps.push({ place: ask.place, turn: ask.turn, text: `${this.label(ask)}: not read` });
      }
    }
    for (const r of one.readings) if (r.conflict) out.gaps.push({ place: r.place, text: `${this.places[r.place]}: two readings stand side by side; settle them` });
    const unsized = out.gaps.some((gap) => gap.text.endsWith("not read") && gap.place !== "depth");
    if (unsized) return out;
    try {
      const opening = this.rules.readOpening(this.document(one), this.unit);
      out.size = this.rules.orderSize(opening);
      const context = { product, control: one.options.control ?? "", site: this.site(visit, one), place: this.place, alikes: this.alikes(visit, one) };
      if (context.control && !product.controls.some((control) => control.key === context.control)) context.control = "";
      out.findings = this.rules.allFindings(opening, { ...out.size, width: this.widestShare(one, out.size.width) }, context);
      out.steps = out.size.steps;
    } catch (error) {
      out.gaps.push({ place: error.field ?? "", text: error.message });
      return out;
    }
    const rank = { stop: 0, check: 1, note: 2 };
    out.findings.sort((a, b) => rank[a.severity] - rank[b.severity]);
    out.doubts = out.findings.filter((found) => found.code === "misread" && !now.get(`${found.field}:1`)?.confirmed);
    for (const found of out.doubts) out.gaps.push({ place: found.field, text: `${found.text} Read it again, or say it is the same.` });
    return out;
  }

  /** The widest of the units side by side: what the product's limits are held against. */
  widestShare(one, width) {
    const count = Number(one.facts.units_wanted ?? 1);
    if (count <= 1) return width;
    try {
      const split = String(one.facts.split ?? "").split("+").filter((part) => part.trim());
      if (split.length === count) return Math.max(...split.map((part) => parseLength(part.trim(), this.unit)));
    } catch { /* said by the office */ }
    const grid = this.grid(), base = floorDiv(floorDiv(width, count), grid) * grid;
    return width > base * count ? base + grid : base;
  }

  site(visit, one) {
    const { job } = visit, { facts } = one;
    const values = { children: job.children ? "live" : "none", substrate: facts.substrate ?? "unknown", way_in: job.way_in };
    if (job.year_built) values.built = job.year_built;
    if (facts.reach_height) values.reach_height = facts.reach_height;
    values.power = ["none", "outlet", "mains"].includes(facts.power) ? facts.power : "unknown";
    return this.rules.readSite(values, this.unit);
  }

  alikes(visit, one) {
    const found = [];
    for (const other of visit.openings) {
      if (other === one || other.room !== one.room || !other.readings.length || !this.products.get(other.facts.product)) continue;
      try { found.push(this.rules.readOpening(this.document(other), this.unit)); } catch { /* not enough read there yet */ }
    }
    return found.slice(0, 40);
  }

  label(ask) {
    return this.places[ask.place] + (ask.turn === 2 ? ", again" : "");
  }
}
