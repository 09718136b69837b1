/*
 * The measurer's drawings on the phone, as readings arrive: the twin of measuring/drawings.py.
 * Lengths are ticks; what comes back is an SVG element.
 */
import { formatLength, TICKS_PER_INCH, TICKS_PER_MM } from "../rules.js";

const NS = "http://www.w3.org/2000/svg";
const WIDTH = 420, HEIGHT = 318;
const NARROW = 100; // no room for a figure beside the middle
// The opening itself; a figure of a height stands so far off its line; no word is smaller: 11 px where the sheet is 272 px wide.
const MOST_WIDE = 196, MOST_HIGH = 200, BESIDE = 20, LEAST = 17;
const USUAL = { in: [36 * TICKS_PER_INCH, 48 * TICKS_PER_INCH], mm: [900 * TICKS_PER_MM, 1200 * TICKS_PER_MM] };

const LOOKS = {
  ink: { fill: "none", "stroke-width": 1.5 }, thin: { fill: "none", "stroke-width": 0.75 },
  pencil: { fill: "none", "stroke-width": 0.75 }, chalk: { fill: "none", "stroke-width": 2 },
  dashed: { fill: "none", "stroke-width": 0.75, "stroke-dasharray": "5 3" }, stop: { fill: "none", "stroke-width": 1.5 },
  hatch: { fill: "none", "stroke-width": 0.6 },
};

export function svg(name, attributes = {}, ...children) {
  const made = document.createElementNS(NS, name);
  for (const [key, value] of Object.entries(LOOKS[attributes.class] ?? {})) made.setAttribute(key, String(value));
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, String(value));
  made.append(...children);
  return made;
}

/** A coordinate as shared/drawings.py writes it: to a hundredth, without trailing zeros. */
const number = (value) => String(Number((value + 1e-9).toFixed(2)));

/** The path of a shape drawn at (x, y), so many units of the sheet a tick across and down. */
export function outline({ moves }, x, y, across, down) {
  const said = moves.map(([word, values]) => {
    const [toX, toY] = values.slice(-2), end = `${number(x + toX * across)} ${number(y + toY * down)}`;
    return word === "A" ? `A${number(values[0] * across)} ${number(values[1] * down)} 0 0 ${values[2]} ${end}` : `${word}${end}`;
  });
  return [...said, "Z"].join(" ");
}

const line = (x1, y1, x2, y2, look) => svg("line", { class: look, x1, y1, x2, y2 });
const rect = (x, y, width, height, look) => svg("rect", { class: look, x, y, width: Math.max(width, 0), height: Math.max(height, 0) });
const text = (x, y, words, look = "word", size = LEAST, anchor = "middle") =>
  svg("text", { class: look, x, y, "font-size": size, "text-anchor": anchor }, words);

/** A length centred on a point, in one line: a stacked fraction would be under the smallest word. */
const length = (x, y, ticks, unit, look, size = LEAST) => text(x, y + size * 0.36, formatLength(ticks, unit), look, size);

function figure(out, x, y, ticks, unit, look) {
  const room = (formatLength(ticks, unit).length * 0.6 * 0.9 + 0.4) * LEAST;
  out.append(rect(x - room / 2, y - LEAST * 0.6, room, LEAST * 1.2, "fill-sheet patch"), length(x, y, ticks, unit, look));
}

/** A spot of the drawing that a finger finds: a strip along its line, unseen. */
function spotAt(out, name, x1, y1, x2, y2) {
  const made = svg("g", { "data-spot": name }, svg("line", { class: "hit", x1, y1, x2, y2 }));
  out.append(made);
  return made;
}

/** A dimension line with slanted end strokes and its figure, `beside` an upright line; dashed while nothing is read there. */
function span(drawing, one, name, x1, y1, x2, y2, ticks, at = 0.5, beside = 0) {
  const upright = Math.abs(x2 - x1) < Math.abs(y2 - y1);
  const doubted = one.doubted.includes(name), here = one.here === name;
  const look = here ? "chalk" : doubted ? "stop" : ticks === undefined ? "dashed" : "pencil";
  const out = spotAt(drawing, name, x1, y1, x2, y2);
  out.append(line(x1, y1, x2, y2, look));
  const d = upright ? [2.8, 2.8] : [2.8, -2.8];
  for (const [x, y] of [[x1, y1], [x2, y2]]) out.append(line(x - d[0], y - d[1], x + d[0], y + d[1], look === "dashed" ? "pencil" : look));
  if (ticks === undefined || at === null) return;
  figure(out, x1 + (x2 - x1) * at + beside, y1 + (y2 - y1) * at, ticks, one.unit, doubted ? "stop-word" : here ? "chalk-word" : "word");
}

/**
 * An opening to scale. `one`: name, unit, readings (ticks by spot), asked (spots), here (the
 * spot being read), doubted (spots), covering [width, height] or null, shares and between (ticks; its units), isOutside, things, sill;
 * of a shape that is no rectangle also shape (`{ sketch, seen, isShaped }`).
 */
export function openingDrawing(one) {
  const read = one.readings;
  const of = (set) => Object.entries(read).filter(([spot]) => spot.startsWith(set)).map(([, ticks]) => ticks);
  const widths = of("widths."), heights = of("heights.");
  const [usualWidth, usualHeight] = USUAL[one.unit], sketch = one.shape?.sketch(usualWidth);
  const width = sketch?.width ?? (widths.length ? Math.max(...widths) : one.covering?.[0] ?? usualWidth);
  const height = sketch?.height ?? (heights.length ? Math.max(...heights) : one.covering?.[1] ?? usualHeight);
  const scale = Math.min(MOST_WIDE / Math.max(width, one.covering?.[0] ?? 0), MOST_HIGH / Math.max(height, one.covering?.[1] ?? 0));
  const w = width * scale, h = height * scale;
  const x = 84 + (MOST_WIDE - w) / 2, y = 50 + (MOST_HIGH - h) / 2, right = x + w, bottom = y + h, middle = x + w / 2;
  const half = (spot) => ((read[`widths.${spot}`] ?? width) * scale) / 2;
  const out = svg("svg", { class: "drawing opening", viewBox: `0 0 ${WIDTH} ${HEIGHT}`, role: "img", "aria-label": spoken(one) });

  const plan = { x, y, w, h, right, bottom, scale, middle };
  if (sketch) figureFrame(out, sketch, one.shape, plan);
  else for (const [grow, look] of [[0, "ink"], [5, "thin"]]) {
    const rows = [["top", y - grow], ["middle", y + h / 2], ["bottom", bottom + grow]];
    const left = rows.map(([spot, at]) => `${middle - half(spot) - grow},${at}`);
    const other = rows.map(([spot, at]) => `${middle + half(spot) + grow},${at}`).reverse();
    out.append(svg("polygon", { class: look, points: [...left, ...other].join(" ") }));
  }
  if (one.sill === "sill") out.append(line(x - 14, bottom + 9, right + 14, bottom + 9, "ink"));
  if (one.covering) covering(out, one, plan, sketch);
  for (const thing of one.things) obstruction(out, thing, plan);

  const shownAt = (spot) => spot in read || one.asked.includes(spot);
  if (sketch) {
    for (const found of sketch.spans) if (shownAt(found.spot)) figureSpan(out, one, found, plan);
    if (shownAt("depth")) depth(out, one, scale);
    return out;
  }
  for (const [spot, y1, y2] of [["diagonals.rising", bottom, y], ["diagonals.falling", y, bottom]]) {
    if (!shownAt(spot)) continue;
    spotAt(out, spot, x, y1, right, y2).append(line(x, y1, right, y2, one.here === spot ? "chalk" : one.doubted.includes(spot) ? "stop" : "dashed"));
    if (spot in read) figure(out, x + w * 0.8, y1 + (y2 - y1) * 0.8, read[spot], one.unit, "word");
  }
  for (const [spot, at, share] of [["top", y - 22, 0.5], ["middle", y + h * 0.46, w >= NARROW ? 0.27 : 0.5], ["bottom", bottom + 26, 0.5]]) {
    const name = `widths.${spot}`;
    if (shownAt(name)) span(out, one, name, middle - half(spot), at, middle + half(spot), at, read[name], share);
  }
  for (const [spot, at, share, beside] of [["left", x - 26, 0.5, -BESIDE], ["center", middle, 0.64, 0], ["right", right + 26, 0.5, BESIDE]]) {
    const name = `heights.${spot}`;
    if (shownAt(name)) span(out, one, name, at, y, at, bottom, read[name], share, beside);
  }
  if (shownAt("depth")) depth(out, one, scale);
  return out;
}

/** The shape double-lined, the level an arch rises from, and which side is which. */
function figureFrame(out, sketch, shape, { x, y, w, h, right, scale, middle }) {
  for (const [grow, look] of [[0, "ink"], [5, "thin"]]) {
    out.append(svg("path", { class: look, d: outline(sketch, x - grow, y - grow, (w + 2 * grow) / sketch.width, (h + 2 * grow) / sketch.height) }));
  }
  const springs = y + (sketch.springs ?? 0) * scale;
  if (sketch.springs !== null) out.append(line(x, springs, right, springs, "dashed"));
  out.append(text(middle, 13, shape.seen, "pencil-word"));
}

function figureSpan(out, one, { spot, ends, moved: [across, down], at }, { x, y, scale }) {
  const [x1, y1, x2, y2] = ends.map((ticks, n) => (n % 2 ? y : x) + ticks * scale);
  if (x1 === x2 && y1 === y2) return;
  if (across || down) for (const [a, b] of [[x1, y1], [x2, y2]]) out.append(line(a, b, a + across, b + down, "pencil"));
  const ticks = one.readings[spot], isShort = x1 === x2 && Math.abs(y2 - y1) < 44;
  span(out, one, spot, x1 + across, y1 + down, x2 + across, y2 + down, ticks, isShort ? null : at, Math.sign(across) * BESIDE);
  if (isShort && ticks !== undefined) figure(out, x1 + across, Math.max(y1, y2) + down + 14, ticks, one.unit, one.here === spot ? "chalk-word" : "word");
}

function covering(out, one, { x, y, w, h, scale, middle }, sketch) {
  const [width, height] = one.covering.map((ticks) => ticks * scale);
  if (!one.isOutside && one.shape?.isShaped) {
    out.append(svg("path", { class: "chalk", d: outline(sketch, x + 2.5, y + 2.5, (w - 5) / sketch.width, (h - 5) / sketch.height) }));
    return;
  }
  if (!one.isOutside) {
    out.append(rect(middle - width / 2 + 2.5, y + 2.5, width - 5, height - 5, "chalk"));
    joints(out, one, middle - width / 2, y + 2.5, height - 5, scale);
    return;
  }
  const cover = (side) => (one.readings[`cover.${side}`] ?? 0) * scale;
  const extra = width - w - cover("left") - cover("right");
  const hasCover = Object.keys(one.readings).some((spot) => spot.startsWith("cover."));
  const left = hasCover ? x - cover("left") - extra / 2 : x - (width - w) / 2, top = hasCover ? y - cover("top") : y - (height - h) / 2;
  out.append(rect(left, top, width, height, "chalk"));
  joints(out, one, left, top, height, scale);
}

/** Where units side by side part, what is kept between them to scale. */
function joints(out, { shares = [], between = 0 }, x, y, height, scale) {
  let at = x;
  for (const share of shares.slice(0, -1)) {
    at += share * scale;
    for (const side of [at - 1, at + 1 + between * scale]) out.append(line(side, y, side, y + height, "chalk"));
    at += between * scale;
  }
}

function obstruction(out, thing, { x, y, w, h, right, scale }) {
  const reach = Math.min(Math.max(thing.ticks * scale, 7), w / 2), along = Math.max(h * 0.09, 12);
  const down = Math.min(thing.from_top ? thing.from_top * scale : h * 0.62, h - along);
  const isRight = thing.side === "right", left = isRight ? right - reach : x;
  const top = thing.side === "top" ? y : thing.side === "bottom" ? y + h - along : y + down;
  for (let at = 5; at < reach + along; at += 5) {
    out.append(line(left + Math.max(0, at - along), top + Math.min(at, along), left + Math.min(at, reach), top + Math.max(0, at - reach), "hatch"));
  }
  out.append(rect(left, top, reach, along, "thin"));
  out.append(text(isRight ? left - 4 : left + reach + 4, top + along - 2, thing.kind, "pencil-word", LEAST, isRight ? "end" : "start"));
}

function depth(out, one, scale) {
  const ticks = one.readings.depth, x = 362, y = 60;
  const deep = Math.min(Math.max((ticks ?? 3 * TICKS_PER_INCH) * Math.max(scale * 2.2, 0.0006), 14), 44);
  for (let at = 6; at < deep + 28 + 16; at += 6) {
    out.append(line(x - 14 + Math.max(0, at - 16), y - 16 + Math.min(at, 16), x - 14 + Math.min(at, deep + 28), y - 16 + Math.max(0, at - deep - 28), "hatch"));
  }
  out.append(rect(x - 14, y - 16, deep + 28, 16, "thin"), line(x, y, x, y + 80, "ink"), line(x + deep, y, x + deep, y + 80, "thin"), line(x + deep + 3, y, x + deep + 3, y + 80, "thin"));
  span(out, { ...one, doubted: [] }, "depth", x, y + 96, x + deep, y + 96, undefined);
  if (ticks !== undefined) out.append(length(x + deep / 2, y + 116, ticks, one.unit, one.here === "depth" ? "chalk-word" : "word"));
  out.append(text(x + deep / 2, y + 144, "depth", "pencil-word"));
}

function spoken(one) {
  const said = Object.entries(one.readings).map(([spot, ticks]) => `${spot.replace(".", " ")} ${formatLength(ticks, one.unit)}`);
  return `${one.name}: ${said.join(", ") || "nothing read yet"}`;
}

/** A piece of tape round one mark, for the eye to check what the hand typed. */
export function tapeDrawing(ticks, unit) {
  const W = 340, H = 64, inches = unit === "in";
  const step = inches ? TICKS_PER_INCH / 8 : TICKS_PER_MM, half = inches ? 2 * TICKS_PER_INCH : 45 * TICKS_PER_MM;
  const scale = (W - 20) / (2 * half), at = (mark) => 10 + (mark - ticks + half) * scale;
  const out = svg("svg", { class: "drawing tape", viewBox: `0 0 ${W} ${H}`, role: "img", "aria-label": `tape at ${formatLength(ticks, unit)} ${unit}` });
  out.append(rect(6, 14, W - 12, 46, "thin"));
  for (let mark = Math.ceil((ticks - half) / step) * step; mark <= ticks + half; mark += step) {
    if (mark < 0) continue;
    out.append(line(at(mark), 14, at(mark), 14 + markLength(mark, inches), "thin"));
    const isNumbered = inches ? mark % TICKS_PER_INCH === 0 : mark % (10 * TICKS_PER_MM) === 0;
    if (isNumbered) out.append(text(at(mark), 55, String(mark / (inches ? TICKS_PER_INCH : TICKS_PER_MM)), "word", 15));
  }
  out.append(line(at(ticks), 6, at(ticks), 60, "chalk"), svg("polygon", { class: "chalk", points: `${at(ticks) - 6},3 ${at(ticks) + 6},3 ${at(ticks)},12` }));
  return out;
}

function markLength(mark, inches) {
  if (!inches) return mark % (10 * TICKS_PER_MM) === 0 ? 26 : mark % (5 * TICKS_PER_MM) === 0 ? 17 : 9;
  const rest = (mark % TICKS_PER_INCH) / (TICKS_PER_INCH / 8);
  return rest === 0 ? 30 : rest === 4 ? 23 : rest % 2 === 0 ? 16 : 9;
}
