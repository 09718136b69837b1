/*
 * The measuring rules on the page: the twin of measuring/rules/*.py.
 *
 * Both read rules-table.json and decide in whole ticks (8128 to the inch, 320 to the millimetre),
 * so the phone in a basement and the server say the same; tests/browser/test_rules_agree.py holds
 * one against the other. Every product of two lengths stays below 2^53.
 *
 *   import { makeRules } from "./rules.js";
 *   const rules = makeRules(await (await fetch(tableUrl)).json());
 *   rules.orderSize(rules.openingOf(values));
 */
import { makeShapes } from "./shapes.js";

export const TICKS_PER_INCH = 8128;
export const TICKS_PER_MM = 320;
const LARGEST_TICKS = 2 ** 40;

/** Text that is no length; `nearest` holds the ticks of the marks beside it, where there are any. */
export class LengthError extends Error {
  constructor(problem, nearest = []) {
    super(problem);
    this.problem = problem;
    this.nearest = nearest;
  }
}

/** A field that can't be used: the field, the problem, and what would be allowed. */
export class RuleError extends Error {
  constructor(field, problem, bound = "") {
    super(`${field}: ${problem}`);
    this.field = field;
    this.problem = problem;
    this.bound = bound;
  }
}

// -- whole numbers -----------------------------------------------------------------

/** a / b rounded towards minus infinity, exact below 2^53; b > 0. */
export function floorDiv(a, b) {
  let q = Math.floor(a / b);
  let r = a - q * b;
  while (r < 0) { q -= 1; r += b; }
  while (r >= b) { q += 1; r -= b; }
  return q;
}

const ceilDiv = (a, b) => -floorDiv(-a, b);
const mod = (a, b) => a - floorDiv(a, b) * b;
const nearestOn = (ticks, grid) => floorDiv(2 * ticks + grid, 2 * grid) * grid;
const gcd = (a, b) => (b ? gcd(b, a % b) : a);

function isqrt(x) {
  let root = Math.floor(Math.sqrt(x));
  while (root * root > x) root -= 1;
  while ((root + 1) * (root + 1) <= x) root += 1;
  return root;
}

// -- printing ----------------------------------------------------------------------

/** Whole inches, numerator, denominator of a length of zero or more. */
export function inchParts(ticks) {
  const rest = ticks % TICKS_PER_INCH;
  const common = gcd(TICKS_PER_INCH, rest);
  return [(ticks - rest) / TICKS_PER_INCH, rest / common, TICKS_PER_INCH / common];
}

function inchText(ticks) {
  const sign = ticks < 0 ? "-" : "";
  const [whole, numerator, denominator] = inchParts(Math.abs(ticks));
  if (!numerator) return `${sign}${whole}`;
  return whole ? `${sign}${whole} ${numerator}/${denominator}` : `${sign}${numerator}/${denominator}`;
}

function mmText(ticks) {
  const size = Math.abs(ticks);
  const rest = size % TICKS_PER_MM;
  const whole = `${ticks < 0 ? "-" : ""}${(size - rest) / TICKS_PER_MM}`;
  if (!rest) return whole;
  return `${whole}.${String(rest * 3125).padStart(6, "0").replace(/0+$/, "")}`; // 1/320 = 0.003125
}

/** Exact text that parses back: `35 3/8`, `904`; plain ticks where the unit is "1". */
export function formatLength(ticks, unit) {
  if (unit === "1") return String(ticks);
  return unit === "in" ? inchText(ticks) : mmText(ticks);
}

const named = (ticks, unit) => (unit === "1" ? String(ticks) : `${formatLength(ticks, unit)} ${unit}`);

// -- parsing -----------------------------------------------------------------------

const SPACE = "[\\t-\\r \\x1c-\\x1f\\x85\\xa0\\u1680\\u2000-\\u200a\\u2028\\u2029\\u202f\\u205f\\u3000]";
const EDGES = new RegExp(`^${SPACE}+|${SPACE}+$`, "g");
const SPACES = new RegExp(`${SPACE}+`, "g");
const MARKS = { "″": '"', "”": '"', "“": '"', "′": "'", "’": "'", "‘": "'", "⁄": "/", "−": "-", "–": "-" };
const UNIT = "(\"|''|in(?:\\.|ch|ches)?|mm|cm|m)?";
const DECIMAL = new RegExp(`^(\\d+)?([.,]\\d+)? *${UNIT}$`, "i");
const FRACTION = new RegExp(`^(?:(\\d+)[ -]+)?(\\d+) *\\/ *(\\d+) *${UNIT}$`, "i");
const FEET = /^(\d+) *(?:'|ft\.?|feet|foot)(?!')[ -]*(.*)$/i;
const AND = /(?<=[0-9]) and (?=[0-9]+ ?\/)/gi;
const ONES = ["one", "two", "three", "four", "five", "six", "seven", "eight", "nine"];
const TEENS = ["ten", "eleven", "twelve", "thirteen", "fourteen", "fifteen", "sixteen", "seventeen", "eighteen", "nineteen"];
const TENS = ["twenty", "thirty", "forty", "fifty", "sixty", "seventy", "eighty", "ninety"];
const VALUES = Object.fromEntries([["zero", 0], ...[...ONES, ...TEENS].map((word, at) => [word, at + 1]), ...TENS.map((word, at) => [word, (at + 2) * 10])]);
const SAID = [ // parts of an inch, one of a part that nobody counted, units
  [/ ?\bthirty[ -]seconds?\b/g, " ÷32"], [/ ?\bsixty[ -]fourths?\b/g, " ÷64"], [/ ?\bsixteenths?\b/g, " ÷16"], [/ ?\beighths?\b/g, " ÷8"],
  [/ ?\bquarters?\b/g, " ÷4"], [/ ?\b(?:half|halves)\b/g, " ÷2"], [/(?:^|(?<=\d)|\b(?:and|an?|one)) ÷/g, " 1/"],
  [/\bmillimet(?:er|re)s?\b/g, "mm"], [/\bcentimet(?:er|re)s?\b/g, "cm"], [/\bmet(?:er|re)s?\b/g, "m"],
];
const SMALL = `(?:(?:${TENS.join("|")})(?:[ -](?:${ONES.join("|")})(?![a-z]))?|${[...TEENS, ...ONES].join("|")}|zero)`;
const SAID_NUMBER = new RegExp(`\\b(${SMALL})(?: (hundred)(?: (${SMALL}))?)?\\b`, "g");
const SAID_POINT = / point((?: \d)+)\b/g;
const DENOMINATORS = [2, 4, 8, 16, 32, 64];

/** Ticks of a length as people type it; a unit in the text wins over `unit`. Throws LengthError. */
export function parseLength(text, unit = "in") {
  if (typeof text !== "string") throw new LengthError("a length is text such as 35 3/8");
  const shown = text.replace(EDGES, "");
  if (!shown) throw new LengthError("nothing entered");
  if ([...shown].length > 40) throw new LengthError("too long for a length");
  if (unit === "1") return parsePlain(shown);
  const cleaned = plainText(shown);
  if (cleaned.startsWith("-")) throw new LengthError(`${shown} is negative; a length is zero or more`);
  const ticks = parseFeet(cleaned, shown, unit);
  if (ticks > LARGEST_TICKS) throw new LengthError(`${shown} is beyond any length`);
  return Number(ticks);
}

function parsePlain(text) {
  if (!/^[0-9]+$/.test(text)) throw new LengthError(`${text} is not a whole number`);
  if (text.length > 18 || Number(text) > LARGEST_TICKS) throw new LengthError(`${text} is beyond any length`);
  return Number(text);
}

function plainText(text) {
  let out = "";
  for (const char of text) {
    const folded = char.normalize("NFKC");
    out += folded.includes("⁄") && folded !== char ? ` ${folded}` : char;
  }
  const cleaned = [...out].map((char) => MARKS[char] ?? char).join("").replace(SPACES, " ").replace(/^ | $/g, "");
  // eslint-disable-next-line no-control-regex
  if (!/^[\x00-\x7f]*$/.test(cleaned)) throw new LengthError(`${text} is not a length`);
  return inFigures(cleaned.toLowerCase()).replace(AND, " ");
}

/** A length as it is spoken, in figures; what has no words for numbers stays. */
function inFigures(said) {
  const value = (words) => (words ? words.split(/[ -]/).reduce((sum, word) => sum + VALUES[word], 0) : 0);
  if (Object.hasOwn(VALUES, said)) return said; // one word alone is as likely what else was said
  let text = SAID.reduce((out, [pattern, figures]) => out.replace(pattern, figures), said);
  text = text.replace(SAID_NUMBER, (_, one, hundred, rest) => String(hundred ? value(one) * 100 + value(rest) : value(one)));
  text = text.replace(SAID_POINT, (_, figures) => `.${figures.replaceAll(" ", "")}`);
  return text.replaceAll(" ÷", "/").replace(/ +/g, " ").trim();
}

function parseFeet(cleaned, shown, unit) {
  const match = FEET.exec(cleaned);
  if (!match) return parseOne(cleaned, shown, unit);
  const feet = BigInt(match[1]) * BigInt(12 * TICKS_PER_INCH);
  const rest = match[2].trim();
  if (!rest) return feet;
  const word = (DECIMAL.exec(rest)?.[3] ?? FRACTION.exec(rest)?.[4] ?? "in").toLowerCase();
  if (!(DECIMAL.test(rest) || FRACTION.test(rest)) || ["mm", "cm", "m"].includes(word)) {
    throw new LengthError(`${shown} is not a length`);
  }
  const inches = parseOne(rest, shown, "in");
  if (inches >= BigInt(12 * TICKS_PER_INCH)) {
    throw new LengthError(`${shown}: inches after feet must be under 12`);
  }
  return feet + inches;
}

function parseOne(cleaned, shown, unit) {
  const fraction = FRACTION.exec(cleaned);
  if (fraction) return parseFraction(fraction, shown, unit);
  const match = DECIMAL.exec(cleaned);
  if (!match || (match[1] === undefined && match[2] === undefined)) {
    throw new LengthError(`${shown} is not a length; type it like 35 3/8 or 904 mm`);
  }
  const word = (match[3] ?? unit).toLowerCase(), isMetric = ["mm", "cm", "m"].includes(word);
  if (match[2]?.startsWith(",") && (!isMetric || match[2].length === 4)) { // 1,200 may be thousands
    throw new LengthError(`${shown} is ambiguous with a comma; use a point for decimals`);
  }
  const decimals = (match[2] ?? "").slice(1);
  const digits = BigInt((match[1] ?? "0") + decimals);
  const scale = 10n ** BigInt(decimals.length);
  const perUnit = { mm: 10n, cm: 100n, m: 1000n * 10n }[word];
  if (perUnit) return onGrid(digits * perUnit, scale, 32n, shown, "a tenth of a millimetre", "mm");
  return onGrid(digits * 64n, scale, 127n, shown + (match[3] ? "" : " in"), "a 64th of an inch", "in");
}

function parseFraction(match, shown, unit) {
  const word = (match[4] ?? unit).toLowerCase();
  if (["mm", "cm", "m"].includes(word)) throw new LengthError(`${shown}: millimetres have no fractions`);
  const whole = BigInt(match[1] ?? 0), numerator = BigInt(match[2]), denominator = BigInt(match[3]);
  if (!DENOMINATORS.includes(Number(denominator))) {
    if (!denominator) throw new LengthError(`${shown}: a fraction cannot be over 0`);
    const over = (whole * denominator + numerator) * 64n;
    return onGrid(over, denominator, 127n, shown, "on a tape (halves to 64ths)", "in", true);
  }
  if (numerator >= denominator) {
    const part = `${numerator}/${denominator}`;
    throw new LengthError(
      `${shown} is ambiguous: ${part} is an inch or more; leave a space before a fraction`,
    );
  }
  return whole * BigInt(TICKS_PER_INCH) + (numerator * BigInt(TICKS_PER_INCH)) / denominator;
}

/** numerator / denominator steps of `grid` ticks; refuses what lies between two marks, naming both. */
function onGrid(numerator, denominator, grid, shown, gridName, unit, refuse = false) {
  const isWhole = numerator % denominator === 0n;
  if (isWhole && !refuse) return (numerator / denominator) * grid;
  const below = Number((numerator / denominator) * grid);
  const above = below + Number(grid);
  if (isWhole) {
    throw new LengthError(`${shown} is not ${gridName}; did you mean ${formatLength(below, unit)}?`, [below]);
  }
  const both = `${formatLength(below, unit)} and ${formatLength(above, unit)}`;
  throw new LengthError(`${shown} is not ${gridName}; the nearest are ${both}`, [below, above]);
}

// -- the rules ---------------------------------------------------------------------

/** All rules over one table (the parsed rules-table.json). */
export function makeRules(table) {
  const spots = (set) => table.spots[set].map((spot) => `${set}.${spot}`);
  const WIDTHS = spots("widths"), HEIGHTS = spots("heights"), DIAGONALS = spots("diagonals");
  const SPOTS = [...WIDTHS, ...HEIGHTS, "depth", ...DIAGONALS, ...table.shape_spots];
  const shapes = makeShapes(table);
  const FIELDS = [...WIDTHS, ...HEIGHTS, ...DIAGONALS];
  const SIDES = table.cover.sides, ENDS = ["left", "right"], WALL = table.bays.wall;
  const MOUNTS = ["inside", "outside"];

  const shown = formatLength;
  const fill = (text, words) => text.replace(/\{(\w+)\}/g, (_, key) => String(words[key]));
  const about = (ticks, unit) => named(nearestOn(ticks, table.about_grid[unit]), unit);
  const short = (spot) => spot.slice(spot.indexOf(".") + 1);
  const readOf = (opening, set) =>
    set.filter((spot) => spot in opening.readings).map((spot) => [spot, opening.readings[spot]]);
  const least = (pairs) => pairs.reduce((best, pair) => (pair[1] < best[1] ? pair : best));
  const most = (pairs) => pairs.reduce((best, pair) => (pair[1] > best[1] ? pair : best));

  /** The row of the table for a family and mount: needs, checks, twice, width, height, cloth, limits; inside, a shape's own. */
  function ruleFor(family, mount, shape = "rectangle") {
    const limits = table.families[family], rule = { family, mount, ...limits[mount], limits };
    if (mount !== "inside" || shape === "rectangle") return rule;
    const needs = shapes.boxSpots(shape), checks = shapes.reads(shape).filter((spot) => !needs.includes(spot));
    return { ...rule, needs, checks, twice: [], width: "narrowest", height: "shortest", cloth: null };
  }

  const ruleOf = (opening) => ruleFor(opening.family, opening.mount, opening.shape);

  /** Where an opening of this shape can be read, in the order of all spots. */
  function spotsOf(shape) {
    if (shapes.isFigure(shape)) return SPOTS.filter((spot) => spot === "depth" || shapes.reads(shape).includes(spot));
    return SPOTS.filter((spot) => !table.shape_spots.includes(spot));
  }

  /** Sets of spots of which one at least must be read before there is a size, each with its name. */
  const groupsRead = (shape) => (shapes.isFigure(shape) ? shapes.boxSpots(shape).map((spot) => [spot, [spot]]) : [["widths", WIDTHS], ["heights", HEIGHTS]]);

  function finding(code, field, words = {}) {
    const row = table.messages[code];
    return { code, severity: row.severity, field, text: fill(row.text, words), todo: fill(row.todo, words) };
  }

  // -- an opening ------------------------------------------------------------------

  /** Ticks of one entry, within what an opening can be; throws RuleError naming the field. */
  function readTicks(text, unit, field, largest = table.largest_reading) {
    let ticks;
    try {
      ticks = parseLength(text, unit);
    } catch (error) {
      if (!(error instanceof LengthError)) throw error;
      throw new RuleError(field, error.problem, "such as 35 3/8 or 904 mm");
    }
    if (ticks > largest) {
      throw new RuleError(field, `${text} is longer than any opening`, `at most ${shown(largest, unit)}`);
    }
    return ticks;
  }

  /** An opening from ticks that were checked when they were entered; what is not given is not there. */
  function openingOf(values) {
    return countReadings({
      case: null, cased: new Set(), laser: null, byLaser: new Set(), cover: null, clothExtra: null, chosen: null,
      again: {}, obstructions: [], stopsOn: {}, floor: "", toCome: "", room: "", shape: "rectangle", bay: null, ...values,
    });
  }

  /** Sets `readings`: the case added where it lacked, then down to the grid. */
  function countReadings(opening) {
    const grid = table.grid[opening.unit];
    opening.readings = {};
    for (const [spot, ticks] of Object.entries(opening.taken)) {
      const whole = opening.cased.has(spot) ? ticks + (opening.case ?? 0) : ticks;
      opening.readings[spot] = floorDiv(whole, grid) * grid;
    }
    opening.twice = {}; // both readings of a spot as they count, of which the lower counts for an inside width
    for (const [spot, ticks] of Object.entries(opening.again)) {
      if (!(spot in opening.readings)) continue;
      const both = opening.twice[spot] = [opening.readings[spot], floorDiv(ticks, grid) * grid];
      if (opening.mount === "inside" && WIDTHS.includes(spot)) opening.readings[spot] = Math.min(...both);
    }
    return opening;
  }

  // -- order sizes -----------------------------------------------------------------

  /** { width, height, basis, cutHeight, steps } in ticks; every step as the contract has it. */
  function orderSize(opening) {
    if (opening.chosen) return chosenSize(opening);
    const steps = readingSteps(opening);
    return opening.mount === "inside" ? insideSize(opening, steps) : outsideSize(opening, steps);
  }

  const step = (what, from, ticks, unit, why) => ({ what, from, value: shown(ticks, unit), why });

  function readingSteps(opening) {
    const steps = [], unit = opening.unit;
    for (const [spot, counts] of Object.entries(opening.readings)) {
      const read = opening.taken[spot], [ticks] = opening.twice[spot] ?? [counts];
      if (ticks === read) continue;
      if (!opening.cased.has(spot)) {
        steps.push(step(spot, [spot], ticks, unit, fill(table.steps.down, { read: shown(read, unit) })));
        continue;
      }
      const own = opening.case ?? 0;
      const why = table.steps[ticks === read + own ? "cased" : "cased_down"];
      const words = { read: shown(read, unit), case: shown(own, unit) };
      steps.push(step(spot, [spot, "tape_case.length"], ticks, unit, fill(why, words)));
    }
    for (const spot of Object.keys(opening.readings)) {
      const [first, second] = opening.twice[spot] ?? [];
      if (first === second) continue;
      const why = table.steps[opening.mount === "inside" && WIDTHS.includes(spot) ? "again_lower" : "again_first"];
      steps.push(step(spot, [spot, `again.${spot}`], opening.readings[spot], unit, fill(why, { first: shown(first, unit), second: shown(second, unit) })));
    }
    return steps;
  }

  function pick(opening, set, which) {
    const read = readOf(opening, set);
    if (which === "top") return read[0];
    return which === "narrowest" || which === "shortest" ? least(read) : most(read);
  }

  function insideSize(opening, steps) {
    const { family, unit } = opening, rule = ruleOf(opening);
    if (shapes.isFigure(opening.shape)) {
      const { width, height } = ofTheBox(opening, steps, "order width", "order height");
      return { width, height, basis: "opening size", cutHeight: height, steps };
    }
    const [widthAt, width] = pick(opening, WIDTHS, rule.width);
    const [, height] = pick(opening, HEIGHTS, rule.height);
    const from = rule.width === "top" ? [widthAt] : WIDTHS;
    steps.push(step("order width", [...from], width, unit, fill(table.steps[`order_${rule.width}`], { family })));
    steps.push(step("order height", [...HEIGHTS], height, unit, fill(table.steps[`order_${rule.height}`], { family })));
    let cutHeight = height;
    if (rule.cloth) {
      const [cutAt, cut] = pick(opening, HEIGHTS, rule.cloth);
      cutHeight = cut;
      if (cut !== height) steps.push(step("cloth height", [cutAt], cut, unit, table.steps.cloth_longest));
    }
    return { width, height, basis: "opening size", cutHeight, steps };
  }

  /** Width and height of a shape that is no rectangle: of the least rectangle round it. */
  function ofTheBox(opening, steps, across, down) {
    const { shape, unit, readings } = opening, found = shapes.box(shape, readings), words = { shape: table.shapes[shape].name };
    const hasLegs = shape === "arch", rise = readings[shapes.RISE];
    if (hasLegs) Object.assign(words, { leg: shown(found.height - rise, unit), rise: shown(rise, unit) });
    steps.push(step(across, found.widthOf, found.width, unit, fill(table.steps.shape_width, words)));
    steps.push(step(down, found.heightOf, found.height, unit, fill(table.steps[hasLegs ? "shape_legs" : "shape_height"], words)));
    return found;
  }

  /** Steps of width and height, and the terms of the width: of the opening, or of what corners leave of a wall. */
  function widestAndLongest(opening, steps) {
    if (shapes.isFigure(opening.shape)) {
      const { width, height } = ofTheBox(opening, steps, "widest width", "longest height");
      return { across: [["widest width", width]], height };
    }
    const { family, unit, bay } = opening, rule = ruleOf(opening), across = [];
    if (bay) across.push(...betweenCorners(bay, steps, unit));
    else across.push(["widest width", widestWidth(opening, rule, steps)]);
    const [heightAt, height] = pick(opening, HEIGHTS, rule.height);
    steps.push(step("longest height", [heightAt], height, unit, fill(table.steps.longest, { family })));
    return { across, height };
  }

  function outsideSize(opening, steps) {
    const { family, unit, bay } = opening, { limits } = ruleOf(opening), cover = opening.cover ?? {};
    const { across, height } = widestAndLongest(opening, steps);
    const covered = SIDES.filter((side) => side in cover && !isEnded(opening, side));
    for (const side of covered) steps.push(step(`cover ${side}`, [`cover.${side}`], cover[side], unit, fill(table.steps.cover, { side })));
    const over = Math.min(overFloor(opening), height - table.grid[unit]);
    if (over) {
      steps.push(step("over the floor", ["floor"], over, unit, fill(table.steps.over_floor, { floor: table.floors[opening.floor].name })));
    }
    const extra = bay ? 0 : opening.clothExtra ?? limits.cloth_extra;
    if (extra) {
      const why = table.steps[opening.clothExtra === null ? "cloth_extra" : "cloth_extra_given"];
      steps.push(step("cloth extra", ["cloth_extra"], extra, unit, fill(why, { family })));
    }
    const covers = (sides) => covered.filter((side) => sides.includes(side)).map((side) => [`cover ${side}`, cover[side]]);
    across.push(...covers(["left", "right"]), ...(extra ? [["cloth extra", extra]] : []));
    const down = [["longest height", height], ...covers(["top", "bottom"]), ...(over ? [["over the floor", -over]] : [])];
    const sum = (terms) => terms.reduce((total, term) => total + term[1], 0);
    const signed = ([, ticks]) => (ticks < 0 ? " − " : " + ") + shown(Math.abs(ticks), unit);
    const width = bay ? Math.max(sum(across), table.grid[unit]) : sum(across);
    const written = (what, terms, ticks) => step(what, terms.map((term) => term[0]), ticks, unit, terms.map(signed).join("").slice(3));
    steps.push(written("order width", across, width), written("order height", down, sum(down)));
    return { width, height: sum(down), basis: "finished size", cutHeight: sum(down), steps };
  }

  function widestWidth(opening, rule, steps) {
    const { family, unit } = opening, [at, width] = pick(opening, WIDTHS, rule.width);
    steps.push(step("widest width", [at], width, unit, fill(table.steps.widest, { family })));
    return width;
  }

  /** The wall, corner to corner, and what its unit stops short of each corner: steps, and the terms of the width. */
  function betweenCorners(bay, steps, unit) {
    steps.push(step("wall", [WALL], bay.wall, unit, table.steps.wall));
    for (const [side, { ticks, why }] of Object.entries(bay.backs)) {
      steps.push(step(`set-back ${side}`, [WALL], ticks, unit, fill(table.steps.set_back, { side, why })));
    }
    return [["wall", bay.wall], ...Object.entries(bay.backs).map(([side, { ticks }]) => [`set-back ${side}`, -ticks])];
  }

  const roomOf = (bay) => Object.values(bay.backs).reduce((left, { ticks }) => left - ticks, bay.wall);

  /** Whether a side is ended by the floor or a corner: nothing is covered beyond it. */
  const isEnded = ({ bay, floor }, side) => (side === "bottom" && floor) || (bay && ENDS.includes(side));

  /** Ticks that are kept over the floor it ends on; 0 where it ends on none. */
  const overFloor = (opening) => (opening.floor ? table.floors[opening.floor].over : 0);

  function chosenSize(opening) {
    const [width, height] = opening.chosen, unit = opening.unit;
    const steps = [
      step("order width", ["chosen.width"], width, unit, table.steps.chosen),
      step("order height", ["chosen.height"], height, unit, table.steps.chosen),
    ];
    return { width, height, basis: "finished size", cutHeight: height, steps };
  }

  // -- several units in one opening: the twin of measuring/rules/side_by_side.py ------------------

  const joints = ({ count, between }) => between * (count - 1);

  /** Order widths in ticks from the left, with why; `side`: count, between (below 0: a lap), split, mullions. */
  function shares(side, opening, width) {
    const { unit } = opening, { count, between } = side, grid = table.grid[unit], words = table.steps;
    if (count === 1) return [{ ticks: width, why: "" }];
    const isFit = !misfit(side, opening, width), gap = named(Math.abs(between), unit);
    if (side.split.length && isFit) return side.split.map((ticks) => ({ ticks, why: words.share_given }));
    if (side.mullions.length && isFit) {
      const why = fill(words[between < 0 ? "share_mullions_lap" : "share_mullions"], { between: gap });
      return onMullions(side, opening, width).map((ticks) => ({ ticks, why }));
    }
    const room = width - joints(side), base = floorDiv(floorDiv(room, count), grid) * grid, rest = room - base * count;
    const found = Array.from({ length: count }, (_, at) => (at < floorDiv(rest, grid) ? base + grid : base));
    found[0] += mod(rest, grid);
    const why = fill(words[between > 0 ? "share_gaps" : between < 0 ? "share_laps" : "share"], { whole: named(width, unit), count, joints: count - 1, between: gap });
    return found.map((ticks) => ({ ticks: Math.max(ticks, grid), why }));
  }

  function onMullions({ mullions, between }, opening, width) {
    const fine = table.about_grid[opening.unit], begins = leftOfOpening(opening), half = floorDiv(floorDiv(between, 2), fine) * fine;
    let at = 0;
    const found = mullions.map((mullion) => {
      const wide = mullion + begins - half - at;
      at = mullion + begins - half + between;
      return wide;
    });
    return [...found, width - at];
  }

  /** Ticks that the covering begins left of the opening, or of its bay's wall; below 0 right of it. */
  function leftOfOpening({ mount, chosen, bay, cover, clothExtra, family, unit }) {
    if (mount === "inside" || chosen) return 0;
    if (bay) return bay.backs.left ? -bay.backs.left.ticks : 0;
    const fine = table.about_grid[unit], extra = clothExtra ?? table.families[family].cloth_extra;
    return (cover?.left ?? 0) + floorDiv(floorDiv(extra, 2), fine) * fine;
  }

  /** What is wrong with the widths or mullions given: a finding's code and words. */
  function misfit(side, opening, width) {
    const { unit } = opening, { count, split, mullions } = side;
    if (split.length) {
      if (split.length !== count) return ["split_count", { given: split.length, count }];
      const room = width - joints(side), given = split.reduce((sum, ticks) => sum + ticks, 0);
      return given === room ? null : ["split", { given: named(given, unit), room: named(Math.max(room, 0), unit) }];
    }
    if (!mullions.length) return null;
    if (mullions.length !== count - 1) return ["mullion_count", { given: mullions.length, count, need: count - 1 }];
    return Math.min(...onMullions(side, opening, width)) < table.grid[unit] ? ["mullion_out", {}] : null;
  }

  /** Widths or mullions that do not fit, and the light between two cloths. */
  function sideFindings(side, opening, width, product) {
    const found = [], { unit } = opening, { count, between } = side;
    if (count === 1) return found;
    const wrong = misfit(side, opening, width);
    if (wrong) found.push(finding(wrong[0], wrong[0].startsWith("mullion") ? "mullions" : "split", wrong[1]));
    if (width - joints(side) < count * table.grid[unit]) found.push(finding("side_full", "units_wanted", { count, x: named(width, unit) }));
    const sides = Object.values(product.gaps).sort((a, b) => a - b);
    if (between >= 0 && sides.length && table.families[product.family].shows_light_gap) {
      const light = (ticks) => named(2 * ticks + between, unit);
      found.push(finding("joint_light", "units_wanted", { what: product.name, least: light(sides[0]), most: light(sides[sides.length - 1]) }));
    }
    return found;
  }

  // -- findings of the readings ------------------------------------------------------

  /** Slips first, then shape, covers and what should be read beside. */
  function openingFindings(opening, size, alikes = []) {
    return shapes.isFigure(opening.shape) ? shapeFindings(opening, size) : [...misreads(opening, alikes), ...shapeFindings(opening, size)];
  }

  function shapeFindings(opening, size) {
    const found = [];
    if (opening.floor === "unknown") found.push(finding("floor_unasked", "floor_type", { over: named(overFloor(opening), opening.unit) }));
    if (opening.toCome) found.push(finding("not_final", "to_come", { what: opening.toCome }));
    found.push(...secondReadings(opening), ...cornerFindings(opening, size));
    if (opening.mount === "outside") return [...found, ...covers(opening, size)];
    found.push(...shape(opening));
    if (!("depth" in opening.readings)) found.push(finding("depth_unread", "depth"));
    return [...found, ...laserWidth(opening)];
  }

  /** An inside width that a laser alone has read. */
  function laserWidth(opening) {
    const read = table.laser_asks.filter((spot) => spot in opening.taken), [first] = read;
    return first && read.every((spot) => opening.byLaser.has(spot)) ? [finding("laser_width", first, { spot: table.labels[first] })] : [];
  }

  /** Why both diagonals should be read; empty where they need not. */
  function diagonalsWanted(opening) {
    if (opening.mount !== "inside" || opening.shape !== "rectangle" || DIAGONALS[0] in opening.taken) return "";
    const unit = opening.unit, over = table.families[opening.family].diagonals_over;
    const widths = readOf(opening, WIDTHS);
    if (over !== null && most(widths)[1] > over) return `${opening.family} over ${named(over, unit)} wide`;
    for (const [word, set] of [["widths", WIDTHS], ["heights", HEIGHTS]]) {
      const read = readOf(opening, set);
      const apart = most(read)[1] - least(read)[1];
      if (apart >= table.diagonals_apart) return `the ${word} are ${named(apart, unit)} apart`;
    }
    return "";
  }

  /** A reading with its tape's case and not rounded: sizes go down to the grid, shapes don't. */
  function asRead(opening, spot) {
    const ticks = opening.taken[spot];
    return ticks !== undefined && opening.cased.has(spot) ? ticks + (opening.case ?? 0) : ticks;
  }

  /** Lean over the height in ticks from the diagonals as they were read; null where they are not both read. */
  function leanTicks(opening) {
    const [rising, falling] = DIAGONALS.map((spot) => asRead(opening, spot));
    const widths = WIDTHS.map((spot) => asRead(opening, spot)).filter((ticks) => ticks !== undefined);
    if (rising === undefined || falling === undefined || !widths.length) return null;
    const total = widths.reduce((sum, width) => sum + width, 0);
    return floorDiv((rising * rising - falling * falling) * widths.length, 4 * total);
  }

  /** What an opening that is no rectangle is, or where its readings don't agree. */
  function figureFindings({ shape, unit, taken, ...opening }) {
    const read = Object.fromEntries(Object.keys(taken).map((spot) => [spot, asRead({ taken, ...opening }, spot)]));
    const upper = (text) => text[0].toUpperCase() + text.slice(1), each = (lengths, said) => Object.fromEntries(Object.entries(lengths).map(said));
    const found = shapes.doubts(shape, read).map((doubt) => {
      const words = each(doubt.lengths, ([name, ticks]) => [name, (["would_be", "ellipse"].includes(name) ? about : named)(ticks, unit)]);
      const why = fill(table.shape_texts[doubt.why], { spot: table.labels[doubt.field], ...words });
      return finding(doubt.needsTemplate ? "shape_template" : "shape_again", doubt.field, { why: upper(why) });
    });
    const known = shapes.known(shape, read);
    if (!known) return found;
    const what = fill(table.shape_texts[known.text], { ...each(known.lengths, ([name, ticks]) => [name, about(ticks, unit)]), ...known.words });
    return [...found, finding("shape_is", "shape", { what: upper(what) })];
  }

  function shape(opening) {
    if (shapes.isFigure(opening.shape)) return figureFindings(opening);
    const found = [], { readings, unit, family } = opening, limits = table.families[family];
    const [top, middle, bottom] = WIDTHS.map((spot) => readings[spot]);
    const read = readOf(opening, WIDTHS);
    if (read.length > 1) {
      const widest = most(read), narrowest = least(read), apart = widest[1] - narrowest[1];
      if (apart > limits.taper) {
        const words = { x: named(apart, unit), narrow: short(narrowest[0]), wide: short(widest[0]) };
        found.push(finding("taper", narrowest[0], words));
      }
      if (limits.narrows !== null && ruleOf(opening).width === "top" && top !== undefined) {
        const closes = top - narrowest[1];
        if (closes > table.diagonals_apart) found.push(finding("narrows", narrowest[0], { x: named(closes, unit) }));
      }
    }
    if (top !== undefined && middle !== undefined && bottom !== undefined) {
      const twice = 2 * middle - top - bottom;
      if (Math.abs(twice) > 2 * limits.bow) {
        const words = { x: about(floorDiv(Math.abs(twice), 2), unit), which: twice > 0 ? "wider" : "narrower" };
        found.push(finding("bow", WIDTHS[1], words));
      }
    }
    found.push(...heights(opening));
    const lean = leanTicks(opening);
    if (lean !== null && Math.abs(lean) > limits.lean) {
      found.push(finding("lean", "diagonals", { x: about(Math.abs(lean), unit) }));
    }
    const why = diagonalsWanted(opening);
    if (why) found.push(finding("diagonals_wanted", "diagonals", { why }));
    return found;
  }

  function heights(opening) {
    const found = [], { readings, unit, family } = opening, limits = table.families[family];
    const read = readOf(opening, HEIGHTS);
    if (read.length < 2) return found;
    const shortest = least(read), apart = most(read)[1] - shortest[1];
    if (apart > limits.heights) found.push(finding("heights", shortest[0], { x: named(apart, unit) }));
    const level = limits.head_level, left = readings[HEIGHTS[0]], right = readings[HEIGHTS[2]];
    if (level === null || left === undefined || right === undefined) return found;
    const width = most(readOf(opening, WIDTHS))[1], off = Math.abs(left - right);
    if (off * level.run > level.rise * width && off > table.again_apart) {
      const words = { x: named(off, unit), rise: named(level.rise, "in"), run: named(level.run, "in") };
      found.push(finding("head_level", HEIGHTS[2], words));
    }
    return found;
  }

  function secondReadings(opening) {
    const found = [], { readings, unit, again } = opening, rule = ruleOf(opening);
    for (const spot of rule.twice) {
      const alone = !rule.checks.some((other) => other in readings);
      if (alone && !(spot in again)) found.push(finding("read_twice", spot));
    }
    for (const [spot, [first, second]] of Object.entries(opening.twice)) {
      const apart = Math.abs(first - second);
      if (apart > table.grid[unit]) {
        const words = { first: named(first, unit), second: named(second, unit), x: named(apart, unit), counts: named(readings[spot], unit) };
        found.push(finding("again_differs", spot, words));
      }
    }
    return found;
  }

  /** What a bay or corner leaves of its wall: less than the unit, or than the opening behind it. */
  function cornerFindings(opening, size) {
    const { bay, unit, mount } = opening, found = [];
    if (!bay) return found;
    const room = roomOf(bay), words = { wall: named(bay.wall, unit), room: room > 0 ? named(room, unit) : table.depth_texts.nothing };
    if (bay.meets) found.push(finding("bay_meets", WALL, { other: bay.meets }));
    if (room < table.grid[unit]) found.push(finding("bay_full", WALL, words));
    else if (size.width > room) found.push(finding("bay_over", WALL, { ...words, x: named(size.width - room, unit) }));
    else if (mount === "outside") {
      const read = readOf(opening, WIDTHS), widest = read.length ? most(read)[1] : 0;
      if (widest > size.width) found.push(finding("bay_short", "widths", { x: named(widest - size.width, unit) }));
    }
    return found;
  }

  function covers(opening, size) {
    if (opening.chosen) return chosenFindings(opening, size);
    const found = [], unit = opening.unit, leastCover = table.cover.least, cover = opening.cover ?? {};
    const any = SIDES.some((side) => cover[side]), limits = table.families[opening.family];
    if (!any) found.push(finding("cover_unread", "cover", { least: named(leastCover, unit) }));
    for (const side of SIDES) {
      if (isEnded(opening, side)) continue;
      const past = cover[side] ?? 0, stop = opening.stopsOn[side];
      if (stop && past > stop.limit) {
        const words = { x: named(past, unit), side, limit: named(stop.limit, unit), on: stop.on };
        found.push(finding("cover_past", `cover.${side}`, words));
      } else if (!stop && past < leastCover && any) {
        const words = { x: named(past, unit), side, least: named(leastCover, unit) };
        found.push(finding("cover_short", `cover.${side}`, words));
      }
    }
    const need = limits.head_height + table.cover.above_head, above = cover.top ?? 0;
    if (leastCover <= above && above < need) {
      found.push(finding("cover_head", "cover.top", { x: named(above, unit), need: named(need, unit) }));
    }
    if (limits.ask_cloth_extra && opening.clothExtra === null && !opening.bay) found.push(finding("ask_cloth_extra", "cloth_extra"));
    return found;
  }

  function chosenFindings(opening, size) {
    const found = [], unit = opening.unit, leastCover = table.cover.least;
    if (opening.cover || opening.clothExtra !== null) found.push(finding("cover_unused", "chosen"));
    for (const [way, set, chosen] of [["width", WIDTHS, size.width], ["height", HEIGHTS, size.height]]) {
      const read = readOf(opening, set);
      const need = read.length ? most(read)[1] + 2 * leastCover : 0;
      if (chosen < need) {
        const words = { way, x: named(chosen, unit), least: named(leastCover, unit), need: named(need, unit) };
        found.push(finding("chosen_small", `chosen.${way}`, words));
      }
    }
    return found;
  }

  // -- slips ---------------------------------------------------------------------------

  const doubt = table.misreads, STEP = doubt.step, HOUSE = doubt.house, SLIPS = doubt.slips;
  const LIKELIEST = Math.max(...Object.values(SLIPS).flatMap((row) => Object.values(row)));
  const LIKELIEST_SET = Math.max(...Object.values(SLIPS).map((row) => row.set));
  const SETS = [["widths", [0, 1, 2]], ["heights", [3, 4, 5]], ["diagonals", [6, 7]]];
  const setOf = (spot) => (spot < 3 ? "widths" : spot < 6 ? "heights" : "diagonals");
  const summed = (steps, total = 0) => steps.map((step) => (total += step));
  const penaltyAt = (row, off) => row[Math.min(off, row.length - 1)];
  /** What an opening's own shape costs in a straight house and in a crooked one. */
  const shapesOf = (unit) => {
    const rows = doubt.shapes[doubt.shape_of[unit]];
    return ["straight", "crooked"].map((kind) => {
      const { taper, bow, lean } = rows[kind];
      return { taper: summed(taper), bow: summed(bow), lean: summed(lean), square: summed(rows.square), near: doubt.alike[kind] };
    });
  };
  const SHAPES = Object.fromEntries(Object.keys(doubt.shape_of).map((unit) => [unit, shapesOf(unit)]));
  const within = (most, value) => Math.max(-most, Math.min(most, value));

  /** Findings "misread", likeliest first; `alikes` are other openings of the job. Changes no reading. */
  function misreads(opening, alikes = []) {
    let readings = FIELDS.map((spot) => opening.readings[spot] ?? null);
    const job = alikes.map((other) => alikeOf(other, opening.room));
    const others = lookAlikes(readings, evidentSizes(job));
    const crooked = within(HOUSE.most, job.reduce((sum, one) => sum + one.crooked, 0));
    const tools = {
      unit: opening.unit,
      grid: table.grid[opening.unit],
      case: opening.case,
      cased: opening.cased,
      laser: opening.laser,
    };
    const found = [], doubted = new Set();
    for (let round = 0; round < doubt.most; round += 1) {
      const guesses = likeliest(readings, tools, others, crooked), spots = guesses.flatMap((guess) => guess.spots);
      if (!guesses.length || spots.some((spot) => doubted.has(spot))) break;
      for (const guess of guesses) found.push(...said(guess, readings, tools.unit, others.length > 0));
      spots.forEach((spot) => doubted.add(spot));
      readings = undo(readings, guesses[0]);
    }
    return found;
  }

  function undo(readings, guess) {
    const changed = [...readings];
    guess.spots.forEach((spot, n) => { changed[spot] = guess.wouldBe[n]; });
    return changed;
  }

  /** Whether it blames one other reading than the best guesses, which blame one each. */
  const isRival = (guess, best) => guess.spots.length === 1 && best[0]?.spots.length === 1 && best.every((one) => one.spots[0] !== guess.spots[0]);

  /** The slip that explains the readings best, in either kind of house, and where it may be as likely; none where the opening itself does better. */
  function likeliest(readings, tools, others, crooked) {
    const [straight, bent] = SHAPES[tools.unit];
    const kinds = [[straight, 0], [bent, HOUSE.prior + crooked]].map(([shape, prior]) => ({
      shape,
      prior,
      across: sidePenalty(shape, ...readings.slice(0, 3)),
      down: sidePenalty(shape, ...readings.slice(3, 6)),
      agreement: diagonalsPenalty(shape, readings, tools.grid) + unlike(shape.near, readings, others),
    }));
    const bases = kinds.map((one) => one.across + one.down + one.agreement + one.prior);
    let best = [], score = Math.max(...bases) + doubt.threshold[tools.unit][hasDiagonals(readings) ? "one" : "bare"];
    for (const { shape, prior, across, down, agreement } of kinds) {
      score -= prior;
      const weigh = (tried) => {
        for (const guess of tried) {
          if (guess.rarity < score) continue;
          const changed = undo(readings, guess);
          let own = guess.rarity + sidePenalty(shape, ...changed.slice(0, 3)) + sidePenalty(shape, ...changed.slice(3, 6));
          if (own < score) continue; // no penalty is above zero, so the rest can't help
          own += diagonalsPenalty(shape, changed, tools.grid) + unlike(shape.near, changed, others);
          if (own > score) { best = [guess]; score = own; }
          else if (own === score && isRival(guess, best)) best.push(guess);
        }
      };
      if (score <= LIKELIEST) {
        const kept = { widths: down, heights: across, diagonals: across + down };
        for (const [name, spots] of [...SETS].sort(([a], [b]) => kept[b] - kept[a])) {
          if (LIKELIEST + kept[name] >= score) weigh(inOne(readings, spots, tools));
        }
        if (agreement < LIKELIEST_SET) weigh(inSets(readings, tools, others.length > 0));
        weigh(crosswise(readings, others.length > 0));
      }
      score += prior;
    }
    return best;
  }

  function sidePenalty(shape, first, middle, last) {
    if (first === null || last === null) {
      const end = first === null ? last : first;
      if (end === null || middle === null) return 0;
      return penaltyAt(shape.taper, floorDiv(Math.abs(end - middle) * 2, STEP));
    }
    const total = penaltyAt(shape.taper, floorDiv(Math.abs(last - first), STEP));
    if (middle === null) return total;
    return total + penaltyAt(shape.bow, floorDiv(Math.abs(2 * middle - first - last), 2 * STEP));
  }

  function diagonalsPenalty(shape, readings, grid) {
    const six = sixOf(readings, grid);
    if (!six) return 0;
    const [top, bottom, , , rising, falling] = six;
    const off = floorDiv(Math.abs(excess(six)), 2 * (rising + falling));
    const lean = floorDiv(Math.abs(rising * rising - falling * falling), 2 * (top + bottom));
    return penaltyAt(shape.square, floorDiv(off, STEP)) + penaltyAt(shape.lean, floorDiv(lean, STEP));
  }

  function sixOf(readings, grid) {
    const half = floorDiv(grid, 2);
    const six = [endOf(readings, 0), endOf(readings, 2), endOf(readings, 3), endOf(readings, 5), readings[6], readings[7]];
    return six.includes(null) ? null : six.map((ticks) => ticks + half);
  }

  const excess = ([top, bottom, left, right, rising, falling]) =>
    rising * rising + falling * falling - (top * top + bottom * bottom + left * left + right * right);

  function endOf(readings, spot) {
    if (readings[spot] !== null) return readings[spot];
    const first = spot < 3 ? 0 : 3;
    for (const other of [first + 1, first, first + 2]) if (readings[other] !== null) return readings[other];
    return null;
  }

  /** What another opening of the job has to say: its size, how crooked it is, and if it is in the room. */
  function alikeOf(other, room) {
    const isNear = other.isNear ?? other.room === room;
    if (other.alike) return { ...other.alike, isNear }; // it is not in the day: the office worked it out
    const readings = FIELDS.map((spot) => other.readings[spot] ?? null);
    return { size: sizesOf(other), crooked: crookedness(readings, other.unit), isNear };
  }

  function crookedness(readings, unit) {
    const [straight, bent] = SHAPES[unit].map(
      (shape) =>
        sidePenalty(shape, ...readings.slice(0, 3)) +
        sidePenalty(shape, ...readings.slice(3, 6)) +
        diagonalsPenalty(shape, readings, table.grid[unit]),
    );
    return within(HOUSE.each, bent - straight);
  }

  /** Sizes of the room, and those of the rest of the job that come back there. */
  function evidentSizes(job) {
    const near = doubt.alike.near, sizes = job.map((one) => one.size).filter((size) => size);
    const isBack = ([width, height]) =>
      sizes.filter((size) => Math.abs(size[0] - width) <= near && Math.abs(size[1] - height) <= near).length > 1;
    return job.filter((one) => one.isNear || (one.size && isBack(one.size))).map((one) => one.size);
  }

  function sizesOf(opening) {
    const readings = FIELDS.map((spot) => opening.readings[spot] ?? null);
    const width = median(readings, 0), height = median(readings, 3);
    return width === null || height === null ? null : [width, height];
  }

  function median(readings, first) {
    const read = readings.slice(first, first + 3).filter((ticks) => ticks !== null).sort((a, b) => a - b);
    return read.length ? read[floorDiv(read.length, 2)] : null;
  }

  function lookAlikes(readings, sizes) {
    const width = median(readings, 0), height = median(readings, 3), near = doubt.alike.near;
    if (width === null || height === null) return [];
    const close = (a, b) => Math.abs(a - b) <= near;
    return sizes.filter(
      (size) =>
        size &&
        (close(size[0], width) || close(size[1], height) || (close(size[0], height) && close(size[1], width))),
    );
  }

  function unlike(near, readings, others) {
    let total = 0;
    if (!others.length) return total;
    for (const axis of [0, 1]) {
      const own = median(readings, 3 * axis), values = others.map((size) => size[axis]);
      if (own === null || values.some((value) => Math.abs(value - own) <= near)) continue;
      const agree = values.length > 1 && Math.max(...values) - Math.min(...values) <= near;
      total += doubt.alike[agree ? "more" : "one"];
    }
    return total;
  }

  function* inOne(readings, spots, tools) {
    const isSquare = hasDiagonals(readings), how = isSquare ? "one" : "bare";
    for (const spot of spots) {
      const ticks = readings[spot];
      if (ticks === null || !(isSquare || hasCompany(readings, spot))) continue;
      for (const [slip, wouldBe] of undone(ticks, FIELDS[spot], tools)) {
        if (wouldBe > 0) yield { slip, spots: [spot], wouldBe: [wouldBe], rarity: SLIPS[slip][how] };
      }
      for (const wouldBe of fitting(readings, spot, tools.grid)) {
        if (wouldBe <= 0) continue;
        const slip = slipNamed(wouldBe, readings, spot);
        yield { slip, spots: [spot], wouldBe: [wouldBe], rarity: SLIPS[slip][how] };
      }
    }
  }

  const hasDiagonals = (readings) => readings[6] !== null && readings[7] !== null;
  const hasCompany = (readings, spot) =>
    SETS.find(([name]) => name === setOf(spot))[1].filter((other) => readings[other] !== null).length > 1;

  function* undone(ticks, field, tools) {
    const steps = doubt.steps[tools.unit], grid = tools.grid;
    for (const slip of ["inch", "foot", "half"]) {
      yield [slip, ticks + steps[slip]];
      yield [slip, ticks - steps[slip]];
    }
    yield ["first_inch", ticks - steps.first_inch];
    for (const other of digitsSwapped(ticks, tools.unit)) yield ["digits", other];
    const part = mod(ticks, steps.whole);
    if (part && 2 * part !== steps.whole) {
      yield ["side", ticks - part + floorDiv(steps.whole - part, grid) * grid];
    }
    yield* forgotten(ticks, field, tools);
    yield ["cm", floorDiv(floorDiv(ticks * 50, 127), grid) * grid];
    yield ["cm", floorDiv(floorDiv(ticks * 127, 50), grid) * grid];
  }

  function* forgotten(ticks, field, tools) {
    if (tools.case !== null) {
      yield ["case_twice", ticks - tools.case];
      if (!tools.cased.has(field)) yield ["case_forgotten", ticks + tools.case];
    }
    if (tools.laser !== null) {
      yield ["laser_forgotten", ticks + tools.laser];
      yield ["laser_twice", ticks - tools.laser];
    }
    if (tools.case === null && tools.laser === null) {
      for (const own of doubt.usual_cases[tools.unit]) {
        yield ["usual_case", ticks + own];
        yield ["usual_case", ticks - own];
      }
    }
  }

  function* digitsSwapped(ticks, unit) {
    const per = doubt.per_whole[unit], whole = floorDiv(ticks, per), rest = ticks - whole * per;
    for (let low = 1; low * 10 <= whole; low *= 10) {
      const right = floorDiv(whole, low) % 10, left = floorDiv(whole, low * 10) % 10;
      if (right !== left) yield (whole + (right - left) * low * 9) * per + rest;
    }
  }

  function* fitting(readings, spot, grid) {
    if (spot < 6) {
      const first = spot < 3 ? 0 : 3;
      const read = [first, first + 1, first + 2]
        .filter((n) => n !== spot && readings[n] !== null)
        .map((n) => readings[n]);
      if (read.length) yield nearestOn(floorDiv(read.reduce((a, b) => a + b, 0), read.length), grid);
    }
    const implied = impliedBy(readings, spot, grid);
    if (implied !== null) yield nearestOn(implied, grid);
  }

  function impliedBy(readings, spot, grid) {
    const six = sixOf(readings, grid), own = readings[spot];
    if (!six || own === null || spot === 1 || spot === 4) return null;
    const half = floorDiv(grid, 2), off = excess(six);
    const squared = (own + half) ** 2 + (spot > 5 ? -off : off);
    return squared > 0 ? isqrt(squared) - half : null;
  }

  function slipNamed(wouldBe, readings, spot) {
    if (spot > 5) return "unknown";
    const own = readings[spot], near = doubt.alike.near;
    for (const n of spot < 3 ? [3, 4, 5] : [0, 1, 2]) {
      const ticks = readings[n];
      if (ticks !== null && Math.abs(ticks - own) <= near && near < Math.abs(wouldBe - own)) return "swapped";
    }
    return "unknown";
  }

  function* inSets(readings, tools, hasAlikes) {
    const every = new Map();
    for (const [name, spots] of SETS) {
      const read = spots.filter((spot) => readings[spot] !== null);
      if (!read.length || (name === "diagonals" && read.length < 2)) continue;
      for (const guess of inSet(readings, read, tools)) {
        yield guess;
        if (!every.has(guess.slip)) every.set(guess.slip, []);
        every.get(guess.slip).push(guess);
      }
      const wouldBe = shifted(readings, name, read, tools.grid);
      if (wouldBe) yield { slip: "unknown", spots: read, wouldBe, rarity: SLIPS.unknown.set };
    }
    if (hasAlikes) yield* everywhere(every);
  }

  function* inSet(readings, spots, tools) {
    const columns = spots.map((spot) => {
      const ways = new Map();
      for (const [slip, wouldBe] of undone(readings[spot], FIELDS[spot], tools)) {
        if (!ways.has(slip)) ways.set(slip, []);
        ways.get(slip).push(wouldBe);
      }
      return ways;
    });
    for (const slip of columns[0].keys()) {
      if (!columns.every((ways) => ways.has(slip))) continue;
      const turns = Math.min(...columns.map((ways) => ways.get(slip).length));
      for (let turn = 0; turn < turns; turn += 1) {
        const wouldBe = columns.map((ways) => ways.get(slip)[turn]);
        if (Math.min(...wouldBe) > 0) yield { slip, spots, wouldBe, rarity: SLIPS[slip].set };
      }
    }
  }

  function shifted(readings, name, spots, grid) {
    const six = sixOf(readings, grid);
    if (!six) return null;
    const [top, bottom, left, right, rising, falling] = six, off = excess(six);
    const moved = nearestOn(
      name === "diagonals"
        ? floorDiv(-off, 2 * (rising + falling))
        : floorDiv(off, 2 * (name === "widths" ? top + bottom : left + right)),
      grid,
    );
    const wouldBe = spots.map((spot) => readings[spot] + moved);
    return moved && Math.min(...wouldBe) > 0 ? wouldBe : null;
  }

  function* everywhere(every) {
    for (const slip of ["cm", "case_forgotten", "case_twice", "laser_forgotten", "laser_twice", "first_inch"]) {
      const sets = new Map();
      for (const guess of every.get(slip) ?? []) {
        const name = setOf(guess.spots[0]);
        if (!sets.has(name)) sets.set(name, []);
        sets.get(name).push(guess);
      }
      if (sets.size < 2) continue;
      const ways = [...sets.values()], turns = Math.min(...ways.map((way) => way.length));
      for (let turn = 0; turn < turns; turn += 1) {
        const spots = ways.flatMap((way) => way[turn].spots), wouldBe = ways.flatMap((way) => way[turn].wouldBe);
        yield { slip, spots, wouldBe, rarity: SLIPS[slip].set };
      }
    }
  }

  function* crosswise(readings, hasAlikes) {
    for (const width of [0, 1, 2]) {
      for (const height of [3, 4, 5]) {
        const across = readings[width], down = readings[height];
        if (across !== null && down !== null && across !== down) {
          yield { slip: "swapped", spots: [width, height], wouldBe: [down, across], rarity: SLIPS.swapped.one };
        }
      }
    }
    if (hasAlikes && !readings.slice(0, 6).includes(null)) {
      const wouldBe = [...readings.slice(3, 6), ...readings.slice(0, 3)];
      yield { slip: "swapped", spots: [0, 1, 2, 3, 4, 5], wouldBe, rarity: SLIPS.swapped.set };
    }
  }

  function said(guess, readings, unit, hasAlikes) {
    const words = { slip: doubt.words[unit][guess.slip] };
    const sets = SETS.map(([name]) => name).filter((name) => guess.spots.some((spot) => setOf(spot) === name));
    let code = guess.spots.length <= sets.length ? "misread" : "misread_set";
    if (code === "misread_set") {
      words.set = sets.join(" and ");
      words.evidence = hasAlikes ? "the other openings or the diagonals" : "the diagonals";
      if (sets.includes("diagonals")) words.evidence = "the sides";
    } else if (guess.slip === "unknown") {
      code = "misread_unknown";
    }
    return guess.spots.map((spot, n) => {
      const wouldBe = guess.wouldBe[n];
      const { severity, text, todo } = finding(code, FIELDS[spot], {
        ...words,
        read: named(readings[spot], unit),
        would_be: named(wouldBe, unit),
      });
      return {
        code: "misread", severity, field: FIELDS[spot], slip: guess.slip, would_be: shown(wouldBe, unit), text, todo,
      };
    });
  }

  // -- products and sites ----------------------------------------------------------------

  const at = (object, key, unit, fallback = null) =>
    object?.[key] === undefined || object[key] === null ? fallback : parseLength(object[key], unit);

  /** A control from the range: { key, name, cord, free_end, loop, loop_share, device, power }. */
  function readControl(entry, unit) {
    return {
      key: entry.key,
      name: entry.name,
      cord: entry.cord ?? "none",
      freeEnd: at(entry, "free_end", unit),
      loop: at(entry, "loop", unit),
      loopShare: entry.loop_share ?? null,
      device: entry.device ?? false,
      power: entry.power ?? "",
    };
  }

  /** A row of the range, { key, name, family, fit }, with lengths as ticks. */
  function readProduct(row) {
    const fit = row.fit, unit = fit.unit ?? "in";
    const sides = ["idle", "control", "motor"];
    return {
      key: row.key,
      name: row.name,
      family: row.family,
      mounts: fit.mounts ?? MOUNTS,
      minDepth: at(fit, "min_depth", unit),
      flushDepth: at(fit, "flush_depth", unit),
      headHeight: at(fit, "head_height", unit),
      clearanceWidth: at(fit.clearance, "width", unit, 0),
      clearanceHeight: at(fit.clearance, "height", unit, 0),
      gaps: fit.gap ? Object.fromEntries(sides.map((side) => [side, at(fit.gap, side, unit, 0)])) : null,
      narrowing: at(fit, "narrowing", unit),
      swingDepth: at(fit, "swing_depth", unit),
      handClearance: at(fit, "hand_clearance", unit, 0),
      leastWidth: at(fit.width, "least", unit, 0),
      mostWidth: at(fit.width, "most", unit),
      leastHeight: at(fit.height, "least", unit, 0),
      mostHeight: at(fit.height, "most", unit),
      tubes: (fit.tubes ?? []).map((tube) => ({ name: tube.name, most: parseLength(tube.most, unit) })),
      coupledMost: at(fit, "coupled_most", unit),
      supportSpan: at(fit, "support_span", unit),
      supportEnd: at(fit, "support_end", unit, 0),
      gramsPerM2: fit.weight?.grams_per_m2 ?? 0,
      gramsPerM: fit.weight?.grams_per_m ?? 0,
      packageExtra: at(fit, "package_extra", unit, 0),
      packedByHeight: fit.packed_by_height ?? false,
      soldAs: fit.sold_as ?? "custom",
      controls: (fit.controls ?? []).map((entry) => readControl(entry, unit)),
      confirmed: fit.confirmed ?? false,
      shapes: fit.shapes ?? [],
    };
  }

  /** What a family usually needs, where no product is chosen. */
  function usualFit(family) {
    const row = table.families[family];
    return {
      key: "", name: `the usual ${family}`, family, mounts: MOUNTS,
      minDepth: row.depth_least, flushDepth: row.depth_flush, headHeight: row.head_height,
      clearanceWidth: 0, clearanceHeight: 0,
      gaps: { idle: row.gap_idle, control: row.gap_control, motor: row.gap_motor },
      narrowing: null, swingDepth: null, handClearance: row.hand_clearance,
      leastWidth: 0, mostWidth: null, leastHeight: 0, mostHeight: null, tubes: [], coupledMost: null,
      supportSpan: null, supportEnd: 0, gramsPerM2: 0, gramsPerM: 0, packageExtra: 0, packedByHeight: false,
      soldAs: "custom", controls: [], confirmed: false, shapes: [],
    };
  }

  /** The control chosen; every control there is where nobody chose one of them. */
  function possibleControls(product, key) {
    const chosen = product.controls.filter((control) => control.key === key);
    return chosen.length ? chosen : product.controls;
  }

  function limit(product, code, field, words) {
    const found = finding(code, field, words);
    if (product.confirmed || found.severity !== "stop") return found;
    return { ...found, severity: "check", text: found.text + table.unconfirmed };
  }

  function finishedSize(size, product) {
    if (size.basis !== "opening size") return [size.width, size.height];
    return [size.width - product.clearanceWidth, size.height - product.clearanceHeight];
  }

  function grams(width, height, product) {
    const across = floorDiv(width, TICKS_PER_MM), down = floorDiv(height, TICKS_PER_MM);
    return floorDiv(across * down * product.gramsPerM2, 1000000) + floorDiv(across * product.gramsPerM, 1000);
  }

  const weightText = (weight, unit) =>
    unit === "in" ? `${ceilDiv(weight * 100000, 45359237)} lb` : `${ceilDiv(weight, 1000)} kg`;

  /** What a product says to an opening sized for its family; `site` from readSite, or null. */
  function fitFindings(opening, size, product, { control = "", site = null } = {}) {
    const found = [];
    if (!product.mounts.includes(opening.mount)) {
      found.push(limit(product, "mount_lacking", "mount", { what: product.name, mount: opening.mount }));
    }
    found.push(...unlikeRectangles(opening, product, possibleControls(product, control)), ...door(opening, site));
    if (opening.mount === "inside") {
      found.push(...overFloorFindings(opening, product), ...depthFindings(opening, product), ...gapFindings(opening, product, possibleControls(product, control)));
      found.push(...narrowing(opening, product));
    } else {
      found.push(...standingOff(opening, product));
    }
    return [...found, ...limits(opening, size, product), ...weight(opening, size, product, site), ...wayIn(opening, size, product, site)];
  }

  /** A rectangle inside an opening that is none; what a skylight asks of a product and its control. */
  function unlikeRectangles({ shape, mount }, product, controls) {
    const found = [], words = { what: product.name, shape: table.shapes[shape].article };
    if (shapes.isFigure(shape) && mount === "inside" && !product.shapes.includes(shape)) found.push(finding("shape_product", "shape", words));
    if (shape !== "skylight") return found;
    if (mount !== "inside") found.push(finding("skylight_inside", "mount"));
    if (!product.shapes.includes(shape)) found.push(finding("skylight_hold", "shape", words));
    if (controls.length && controls.every((control) => control.cord !== "none")) return [...found, finding("skylight_cord", "control")];
    return controls.some((control) => control.power) ? found : [...found, finding("skylight_reach", "control")];
  }

  /** A leaf that swings in passes an outside mount; one that slides is covered from the fixed panel. */
  function door(opening, site) {
    if (site?.door === "in" && opening.mount === "outside") return [finding("door_in", "door_swing")];
    return site?.door === "slides" ? [finding("door_slides", "door_swing")] : [];
  }

  /** An inside size is the opening's: the product takes its clearance, which must be the floor's too. */
  function overFloorFindings(opening, product) {
    const { unit } = opening, over = overFloor(opening), off = product.clearanceHeight, lacking = over - off;
    if (lacking <= 0) return [];
    const words = { what: product.name, x: named(lacking, unit), off: named(off, unit), over: named(over, unit) };
    return [finding("over_floor", "sill", { ...words, floor: table.floors[opening.floor].name })];
  }

  const hand = (thing, product) => (thing.at === "path" ? product.handClearance : 0);

  /** What is left of the depth before it, a hand's clearance kept. */
  const leftBefore = (thing, depth, product) => depth - thing.projection - hand(thing, product);

  const some = (ticks, unit) => (ticks > 0 ? named(ticks, unit) : table.depth_texts.nothing);

  function depthFindings(opening, product) {
    const found = [], unit = opening.unit, read = opening.readings.depth;
    if (read === undefined) return found;
    let depth = read, nearest = null;
    for (const thing of opening.obstructions) {
      const left = leftBefore(thing, read, product);
      if (left < product.flushDepth) found.push(inTheWay(thing, read, product, unit));
      if (left < depth) [depth, nearest] = [left, thing];
    }
    const words = {
      depth: depthSaid(read, nearest, product, unit), left: some(depth, unit), what: product.name, flush: named(product.flushDepth, unit),
    };
    if (depth < product.minDepth) {
      found.push(limit(product, "depth_short", "depth", { ...words, least: named(product.minDepth, unit) }));
    } else if (depth < product.flushDepth) {
      found.push(finding("depth_proud", "depth", { ...words, x: named(product.flushDepth - depth, unit) }));
    } else {
      found.push(finding("depth_flush", "depth", words));
    }
    if (product.swingDepth !== null && depth < product.swingDepth) {
      found.push(finding("swing", "depth", { ...words, need: named(product.swingDepth, unit) }));
    }
    return found;
  }

  function inTheWay(thing, depth, product, unit) {
    const own = hand(thing, product);
    return finding("in_the_way", "obstructions", {
      kind: thing.kind,
      projection: named(thing.projection, unit),
      depth: named(depth, unit),
      left: some(depth - thing.projection, unit),
      keeps: own ? fill(table.depth_texts.keeps, { what: product.name, hand: named(own, unit) }) : "",
    });
  }

  /** The depth as it was read, and what is taken off it and why. */
  function depthSaid(depth, nearest, product, unit) {
    const texts = table.depth_texts, read = named(depth, unit);
    if (!nearest) return fill(texts.read, { read });
    const own = hand(nearest, product), projection = named(nearest.projection, unit);
    const taken = own ? fill(texts.taken_clear, { projection, hand: named(own, unit) }) : projection;
    return fill(texts.before, { read, left: some(leftBefore(nearest, depth, product), unit), kind: nearest.kind, taken });
  }

  function gapFindings(opening, product, controls) {
    if (!product.gaps || !table.families[product.family].shows_light_gap) return [];
    const used = ["control", "motor"].filter((word) => controls.some((control) => (control.power ? "motor" : "control") === word));
    const sides = used.length ? used : ["control"], unit = opening.unit;
    const idle = product.gaps.idle, other = Math.max(...sides.map((side) => product.gaps[side])), usual = table.usual_gap;
    const words = { what: product.name, control_word: sides.join(" or "), idle: named(idle, unit), control: named(other, unit), usual: named(usual, unit) };
    return [finding(Math.max(idle, other) > usual ? "gap_wide" : "gap", "mount", words)];
  }

  function narrowing(opening, product) {
    const read = readOf(opening, WIDTHS), unit = opening.unit;
    if (product.narrowing === null || ruleOf(opening).width !== "top" || !read.length) return [];
    const closes = read[0][1] - least(read)[1];
    if (closes <= product.narrowing) return [];
    return [limit(product, "narrows_past", "widths", { x: named(closes, unit), limit: named(product.narrowing, unit) })];
  }

  function standingOff(opening, product) {
    return opening.obstructions.map((thing) => {
      const need = thing.projection + product.handClearance;
      const words = { kind: thing.kind, projection: named(thing.projection, opening.unit), need: named(need, opening.unit) };
      return finding("clear_by", "obstructions", words);
    });
  }

  function limits(opening, size, product) {
    const found = [], [width, height] = finishedSize(size, product), unit = opening.unit, what = product.name;
    const x = named(width, unit), y = named(height, unit);
    if (width < product.leastWidth) {
      found.push(limit(product, "too_narrow", "order_width", { what, limit: named(product.leastWidth, unit), x }));
    }
    if (product.tubes.length) {
      found.push(...tubes(width, x, product));
    } else if (product.mostWidth !== null && width > product.mostWidth) {
      const words = { what, x, limit: named(product.mostWidth, unit), count: ceilDiv(width, product.mostWidth) };
      found.push(limit(product, "too_wide", "order_width", words));
    }
    if (height < product.leastHeight) {
      found.push(limit(product, "too_short", "order_height", { what, limit: named(product.leastHeight, unit), x: y }));
    }
    if (product.mostHeight !== null && height > product.mostHeight) {
      found.push(limit(product, "too_tall", "order_height", { what, limit: named(product.mostHeight, unit), x: y }));
    }
    const count = supports(width, product);
    if (count > 2) found.push(finding("support", "order_width", { x, count }));
    return found;
  }

  function supports(width, product) {
    if (product.supportSpan === null) return 2;
    return Math.max(2, ceilDiv(width - 2 * product.supportEnd, product.supportSpan) + 1);
  }

  function tubes(width, x, product) {
    const first = product.tubes[0], last = product.tubes[product.tubes.length - 1];
    if (width <= first.most) return [];
    const next = product.tubes.find((tube) => width <= tube.most);
    if (next) return [finding("bigger_tube", "order_width", { x, tube: first.name, next: next.name })];
    if (product.coupledMost !== null && width <= product.coupledMost) return [finding("coupled", "order_width", { x })];
    return [finding("two_units", "order_width", { x, count: ceilDiv(width, last.most) })];
  }

  function weight(opening, size, product, site) {
    const found = [], [width, height] = finishedSize(size, product), own = grams(width, height, product);
    const text = weightText(own, opening.unit), reach = site?.reach ?? null;
    if (width >= table.site.two_people_wide || own > table.site.two_people_grams) {
      found.push(finding("two_people", "order_width", { weight: text, x: named(width, opening.unit) }));
    }
    if (reach !== null && reach > table.site.overhead_over && own > table.site.overhead_grams) {
      found.push(finding("overhead", "order_width", { weight: text }));
    }
    return found;
  }

  function wayIn(opening, size, product, site) {
    if (!site) return [];
    const [width, height] = finishedSize(size, product);
    const longest = (product.packedByHeight ? Math.max(width, height) : width) + product.packageExtra;
    return Object.entries(site.wayIn)
      .filter(([, room]) => longest > room)
      .map(([way, room]) => {
        const words = { way: `the ${way}`, x: named(longest, opening.unit), limit: named(room, opening.unit) };
        return finding("package", "order_width", words);
      });
  }

  /** { children, built, substrate, reach_height, power, cord_bottom, cleat, way_in }, lengths as ticks. */
  function readSite(values, unit) {
    return {
      children: values.children ?? "unknown",
      built: values.built ?? null,
      substrate: values.substrate ?? "unknown",
      reach: at(values, "reach_height", unit),
      power: values.power ?? "unknown",
      cordBottom: at(values, "cord_bottom", unit),
      cleat: at(values, "cleat", unit),
      door: values.door ?? "",
      wayIn: Object.fromEntries(Object.entries(values.way_in ?? {}).map(([way, text]) => [way, parseLength(text, unit)])),
    };
  }

  /** A row of jurisdictions.json, lengths as ticks. */
  function readJurisdiction(row) {
    const limitsRead = row.limits.map((entry) => ({
      ...entry,
      ticks: parseLength(entry.limit, "mm"),
      size: at(entry, "size", "mm", 0),
      sizeCounts: entry.size_counts ?? true,
      deviceSettles: entry.device_settles ?? false,
    }));
    return { key: row.key, name: row.name, device: row.device, limits: limitsRead, kinds: row.kinds ?? [], notes: row.notes ?? [] };
  }

  /** Cautions for one unit: cords and children, ladder, old paint, walls, mains; with several possible controls, what holds of each. */
  function safetyFindings(size, controls, site, place, soldAs = "custom") {
    const byControl = controls.map((control) => [...cords(size, control, site, place, soldAs), ...mains(site, control)]);
    const isIn = (one, others) => others.some((other) => JSON.stringify(other) === JSON.stringify(one));
    const found = (byControl[0] ?? []).filter((one) => byControl.every((others) => isIn(one, others)));
    const more = controls.filter((_, at) => byControl[at].length > found.length).map((control) => control.name);
    if (more.length) found.push(finding("control_unchosen", "control", { names: more.join(", ") }));
    return site ? [...found, ...surroundings(site)] : found;
  }

  function mains(site, control) {
    if (!site || control.power !== "mains") return [];
    const found = [finding("mains", "power")];
    return ["none", "unknown"].includes(site.power) ? [...found, finding("no_power", "power")] : found;
  }

  function cords(size, control, site, place, soldAs) {
    const found = [];
    if (control.cord === "none") return found;
    const children = site ? site.children : "unknown", word = table.site.children[children];
    if (word) {
      const held = place && place.device.allowed && control.device;
      found.push(held ? finding("corded_device", "control", { children: word, place: place.name }) : finding("corded", "control", { children: word }));
    } else if (children === "unknown") {
      found.push(finding("children_unasked", "control"));
    }
    if (!place) return [...found, finding("place_unread", "control")];
    return [...found, ...cordFindings(control, place, { soldAs, height: size ? size.height : null, site })];
  }

  function cordFindings(control, place, { soldAs = "custom", height = null, site = null } = {}) {
    const found = [], unit = place.key === "us" ? "in" : "mm";
    for (const row of place.limits) {
      if (row.applies !== "all" && row.applies !== soldAs) continue;
      const reach = measured(row, control, height, site);
      if (reach === null) continue;
      if (reach < 0) {
        found.push(finding("cord_unread", "control", { place: place.name, what: table.words[row.of] }));
        continue;
      }
      const isLeast = row.of === "low_loop" || row.of === "cleat";
      if (isLeast ? reach >= row.ticks : reach <= row.ticks) continue;
      found.push(
        finding(row.status === "read" ? "cord_limit" : "cord_limit_warn", "control", {
          place: place.name,
          what: table.words[row.of],
          x: named(reach, unit),
          rule: table.words[isLeast ? "least" : "most"],
          limit: named(row.ticks, unit),
          source: row.source,
          date: row.date,
        }),
      );
    }
    found.push(...kindsAndNotes(control, place, soldAs));
    const held = place.device;
    if (control.device && held.force) {
      found.push(finding("device_force", "control", { place: place.name, force: held.force, source: held.source, date: held.date }));
    }
    return found;
  }

  function kindsAndNotes(control, place, soldAs) {
    const found = [], isAbout = (goods) => goods === "all" || goods === soldAs;
    for (const row of place.kinds) {
      if (row.cord !== control.cord || !isAbout(row.applies)) continue;
      const words = { place: place.name, rule: row.text, source: row.source, date: row.date };
      found.push(finding(control.device && row.device_settles ? "cord_held" : "cord_kind", "control", words));
    }
    for (const row of place.notes) {
      if ((row.cord && row.cord !== control.cord) || !isAbout(row.applies ?? "all")) continue;
      found.push(finding("cord_note", "control", { place: place.name, note: row.text, source: row.source, date: row.date }));
    }
    return found;
  }

  function measured(row, control, height, site) {
    const known = (ticks) => (ticks === null || ticks === undefined ? -1 : ticks);
    let loop = control.loop;
    if (loop === null && control.loopShare && height !== null) {
      loop = floorDiv(height * control.loopShare[0], control.loopShare[1]);
    }
    if (row.of === "free_end") return control.cord === "free" ? known(control.freeEnd) : null;
    if (row.of === "cord") return known(control.cord === "free" ? control.freeEnd : loop);
    if (row.of === "cleat") return site ? site.cleat : null;
    if (control.cord !== "loop" || (control.device && row.deviceSettles)) return null;
    if (row.of === "loop") return known(loop);
    if (loop !== null && (loop < row.size || (loop === row.size && !row.sizeCounts))) return null;
    return known(site ? site.cordBottom : null);
  }

  function surroundings(site) {
    const found = [], rules = table.site, year = rules.lead_before;
    if (site.reach !== null && site.reach > rules.ladder_over) {
      found.push(finding("ladder", "reach_height", { x: named(site.reach, "in") }));
    }
    if (site.built === null) found.push(finding("age_unasked", "built", { year }));
    else if (site.built < year) found.push(finding("lead", "built", { year }));
    if (rules.unknown.includes(site.substrate)) found.push(finding("substrate_unknown", "substrate"));
    else if (rules.masonry.includes(site.substrate)) {
      found.push(finding("substrate_masonry", "substrate", { substrate: site.substrate }));
    } else if (rules.slab.includes(site.substrate)) found.push(finding("substrate_slab", "substrate"));
    return found;
  }

  // -- everything ----------------------------------------------------------------------------

  /** Findings of the readings, of the product (or the family's usual figures), and of the site. */
  function allFindings(opening, size, { product = null, control = "", site = null, place = null, alikes = [] } = {}) {
    const found = openingFindings(opening, size, alikes);
    if (product) {
      found.push(...fitFindings(opening, size, product, { control, site }));
      found.push(...safetyFindings(size, possibleControls(product, control), site, place, product.soldAs));
    } else {
      const usual = usualFit(opening.family);
      if (opening.mount === "inside") found.push(...depthFindings(opening, usual), ...gapFindings(opening, usual, []));
      found.push(...safetyFindings(size, [], site, place));
    }
    const { shapes: inside, left_out: words } = table.inside_only;
    if (!inside.includes(opening.shape)) return found;
    return found.map((one) => ({ ...one, todo: words.reduce((todo, said) => todo.replaceAll(said, ""), one.todo) }));
  }

  return {
    table, WIDTHS, HEIGHTS, DIAGONALS, SPOTS, SIDES,
    shapes, spotsOf, groupsRead, ruleFor, readTicks, openingOf, orderSize, shares, sideFindings, diagonalsWanted, readProduct, readSite, readJurisdiction, allFindings,
  };
}
