/*
 * The visits as the person sees them: what the office last knew, and on top of it every deed
 * that still waits to be sent. Nothing here draws or stores.
 */
/** A copy of the day with these deeds done to it; what those not sent yet touched is marked `unsent`. */
export function project(day, deeds, table) {
  const now = structuredClone(day);
  for (const deed of deeds) {
    const act = ACTS[deed.kind];
    if (act) act(now, deed.body, deed, table);
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
  "measuring.copy"(day, body, deed, table) {
    const visit = findVisit(day, body.appointment), like = findOpening(day, body.opening);
    if (!visit || !like || findOpening(day, body.copy)) return;
    const made = freshOpening(body.copy, like.room, body.mark, !deed.sent);
    const copied = Object.keys(table.facts).filter((name) => table.facts[name].copied);
    for (const name of copied) if (name in like.facts) made.facts[name] = like.facts[name];
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
