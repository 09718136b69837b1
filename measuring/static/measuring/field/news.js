/*
 * What the office changed of the day since this phone last had it: visits gone, come or moved, and what a driver
 * goes by. What is read at openings is not news here: both phones show it at the opening.
 */

const clock = (iso, zone) => new Date(iso).toLocaleTimeString([], { hour: "numeric", minute: "2-digit", timeZone: zone ?? undefined }).toLowerCase();
const dayAfter = (day) => new Date(Date.parse(`${day}T00:00:00Z`) + 86400000).toISOString().slice(0, 10);
const named = (visit) => `${visit.job.customer}, ${visit.job.number}`;

/** What is told of a visit: its word, and how it stands in a day as the office gave it. */
const TOLD = [
  ["note", (visit) => visit.note],
  ["to get in", (visit) => visit.secret],
  ["address", (visit) => visit.job.address],
  ["access", (visit) => visit.job.access],
  ["site contact", (visit) => [visit.job.door_contact, visit.job.door_phone].filter(Boolean).join(" ")],
];

/** `[{ id, appointment, text }]` of what differs between two days; visits that only came nearer are none. */
export function newsOf(before, after, at = new Date().toISOString()) {
  const inBoth = ({ day }) => day >= after.today && day <= dayAfter(before.today);
  const [old, now] = [before, after].map((one) => new Map(one.visits.filter(inBoth).map((visit) => [visit.appointment, visit])));
  const when = (visit) => `${visit.day} ${clock(visit.starts_at, after.zone)}`;
  const found = [];
  const tell = (visit, text) => found.push({ id: `${visit.appointment} ${at} ${found.length}`, appointment: visit.appointment, text: `${named(visit)}: ${text}` });
  for (const [appointment, visit] of old) {
    if (!now.has(appointment) && !visit.closed_at) tell(visit, `the visit of ${when(visit)} is off your day. It was cancelled or moved to another crew: call the office before you drive.`);
  }
  for (const [appointment, visit] of now) {
    const was = old.get(appointment);
    if (!was) tell(visit, `new on your day, ${when(visit)}.`);
    else if (when(was) !== when(visit)) tell(visit, `moved from ${when(was)} to ${when(visit)}.`);
    if (was) for (const [word, of] of TOLD) if (of(was) !== of(visit)) tell(visit, `${word}: ${of(visit) || "nothing"} (was: ${of(was) || "nothing"}).`);
  }
  return found;
}
