/*
 * The facts of an opening as the office keeps and shows them: the twin of measuring/adapters/facts.py, over
 * the table's one list. What is not fit throws with the problem in words.
 */

/** Every fact of an opening of which nothing was said yet. */
export function factsOf(table) {
  return Object.fromEntries(Object.entries(table.facts).map(([name, row]) => [name, structuredClone(row.blank ?? null)]));
}

/** Nothing said: null, an empty text, no, or an empty list. */
export const isNothing = (value) => !value || (typeof value === "object" && !Object.keys(value).length);

const wrong = (name, problem) => { throw new Error(`${name}: ${problem}`); };
const isEmpty = (value) => value === null || value === undefined || value === "";

/** What a covering of this mount is fixed to: an outside mount never to the jamb, but to the wall beside it. */
export const fixedFor = (table, { mount, fixed_to: to }) => (table.never_fixed_to[mount].includes(to) ? "wall" : to);

/** These facts as they will be kept; `about` has the measure, the day, and the opening where there is one. */
export function cleaned(sent, about) {
  const out = {};
  for (const [name, value] of Object.entries(sent)) {
    const row = about.measure.table.facts[name] ?? wrong(name, "no such fact of an opening");
    out[name] = KINDS[row.kind](value, name, row, about);
  }
  return out;
}

function text(value, name, row) {
  const kept = isEmpty(value) ? "" : String(value).trim();
  return [...kept].length <= row.most ? kept : wrong(name, `at most ${row.most} characters`);
}

function onGrid(value, { measure }, round, least) {
  const grid = measure.grid();
  return measure.named(round(measure.typed(String(value), least) / grid) * grid);
}

const KINDS = {
  text,
  mark: (value, name, row) => text(value, name, row) || wrong(name, "every opening has a mark"),
  room: (value) => value,
  group: (value) => (isEmpty(value) ? null : value),
  choice: (value, name, row, { day }) => (day.choices[name].some(([choice]) => choice === value) ? value : wrong(name, "not known")),
  truth: (value) => [true, "on", "yes", "true", "1"].includes(value),
  up: (value, name, row, about) => (isEmpty(value) ? null : onGrid(value, about, Math.ceil)),
  down: (value, name, row, about) => (isEmpty(value) ? null : onGrid(value, about, Math.floor)),
  between: (value, name, row, about) => (isEmpty(value) ? null : onGrid(value, about, Math.ceil, 0)),
  product(value, name, row, { measure, one }) {
    if (isEmpty(value)) return null;
    const product = measure.products.get(String(value)) ?? wrong(name, "not in the range");
    const isOffered = product.is_active !== false || one?.facts.product === product.key;
    return isOffered ? product.key : wrong(name, "not offered any more");
  },
  count(value, name, row) {
    const said = String(value).trim();
    const count = /^[+-]?\d+$/.test(said) ? Number(said) : wrong(name, "a whole number");
    return count >= 1 && count <= row.most ? count : wrong(name, `1 to ${row.most}`);
  },
  stops(value, name, row, about) {
    const out = {};
    for (const [side, stop] of Object.entries(value || {})) {
      if (!about.measure.rules.SIDES.includes(side)) wrong(name, "no such side");
      if (!stop.on) continue;
      if (!about.measure.table.stops.includes(stop.on)) wrong(name, "it stops on a sill, a floor or a neighbour");
      out[side] = { on: stop.on, limit: onGrid(stop.limit || "", about, Math.floor, 0) };
    }
    return out;
  },
  found(value, name) {
    if (Object.keys(value).length > 30) wrong(name, "at most 30");
    const said = Object.entries(value).filter(([, fact]) => !isEmpty(fact));
    return Object.fromEntries(said.map(([key, fact]) => [key.slice(0, 40), String(fact).slice(0, 200)]));
  },
  widths(value, name, row, about) {
    if (isNothing(value)) return "";
    const parts = typeof value === "string" ? value.split("+") : value;
    if (parts.length > row.most) wrong(name, "widths from the left");
    return parts.map((part) => onGrid(part, about, Math.floor)).join(" + ");
  },
};
