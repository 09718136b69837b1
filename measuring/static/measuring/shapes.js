/*
 * Openings that are not rectangles: the twin of measuring/rules/shapes.py, in whole ticks.
 * Squares of squares go beyond 2^53: where they come up it is counted in BigInt.
 */

const degrees = (rise, run) => (Math.atan2(rise, run) * 180) / Math.PI;
const big = BigInt;

/** The greatest whole root, of a BigInt of zero or more. */
function isqrt(x) {
  if (x < 2n) return x;
  let root = 1n << big((x.toString(2).length + 1) >> 1);
  for (;;) {
    const next = (root + x / root) >> 1n;
    if (next >= root) return root;
    root = next;
  }
}

/** a / b rounded to the nearest, midway up; b > 0. */
function nearest(a, b) {
  const over = 2n * a + b, under = 2n * b, whole = over / under;
  return over < 0n && whole * under !== over ? whole - 1n : whole;
}

const root = (square) => (isqrt(4n * square) + 1n) / 2n;

/** Radius of an arch in ticks: (w² / 4 + h²) / (2 h). */
export function radius(width, rise) {
  const w = big(width), h = big(rise);
  return Number(nearest(w * w + 4n * h * h, 8n * h));
}

/** Ticks that a circle rises over its foot a quarter of the way across. */
export function riseAtQuarter(width, rise) {
  const w = big(width), h = big(rise), whole = w * w + 4n * h * h, reach = whole * whole - 4n * h * h * w * w;
  return Number(nearest(isqrt(reach < 0n ? 0n : reach) - whole + 8n * h * h, 8n * h));
}

/** The same of half an ellipse. */
export const ellipseAtQuarter = (rise) => Number(nearest(isqrt(12n * big(rise) * big(rise)), 4n));

function slopingSide(across, one, other) {
  const a = big(across), drop = big(one) - big(other);
  return Number(root(a * a + drop * drop));
}

/** Where the sloping sides meet: ticks from the left and over the foot; null where they don't. */
function apex(width, left, right, slopeLeft, slopeRight) {
  const [w, l, a, b] = [width, left, slopeLeft, slopeRight].map(big), drop = big(right) - l, chord = w * w + drop * drop;
  const along = a * a - b * b + chord, up = 4n * chord * a * a - along * along;
  if (up < 0n) return null;
  const over = isqrt(up);
  return [nearest(along * w - drop * over, 2n * chord), l + nearest(along * drop + w * over, 2n * chord)].map(Number);
}

/** The level leg under a sloping side; null where the side is shorter than it is high. */
function leg(slope, upright) {
  const square = big(slope) * big(slope) - big(upright) * big(upright);
  return square < 0n ? null : Number(root(square));
}

const WIDTH = "shape.width", LEGS = ["shape.leg_left", "shape.leg_right"], SIDES = ["shape.left", "shape.right"];
const RISE = "shape.rise", QUARTERS = ["shape.rise_left", "shape.rise_right"], PEAK = "shape.peak";
const DIAMETERS = ["shape.level", "shape.upright", "shape.slant"], SLOPE = "shape.slope", SLOPES = ["shape.slope_left", "shape.slope_right"];

/** The shapes over the one table. */
export function makeShapes(table) {
  const { arc: ARC, side: SIDE } = table.shape_limits;
  const reads = (shape) => table.shapes[shape].reads;
  const isFigure = (shape) => shape !== "rectangle" && shape !== "skylight";
  const boxSpots = (shape) => reads(shape).filter((spot) => !table.size_needs_not.includes(spot));

  /** The least rectangle round a shape, and the spots it comes from. */
  function box(shape, r) {
    if (shape === "circle") return { width: r[DIAMETERS[0]], widthOf: [DIAMETERS[0]], height: r[DIAMETERS[1]], heightOf: [DIAMETERS[1]] };
    const made = (height, heightOf) => ({ width: r[WIDTH], widthOf: [WIDTH], height, heightOf });
    if (shape === "arch") return made(Math.max(...LEGS.map((spot) => r[spot])) + r[RISE], [...LEGS, RISE]);
    if (shape === "trapezoid") return made(Math.max(...SIDES.map((spot) => r[spot])), SIDES);
    const top = shape === "eyebrow" ? RISE : PEAK;
    return made(r[top], [top]);
  }

  // -- whether the readings agree -------------------------------------------------------------

  const isRead = (shape, r) => reads(shape).every((spot) => spot in r);

  /** Where the readings do not agree: `{ needsTemplate, field, why, lengths }`; nothing before all are taken. */
  function doubts(shape, r) {
    return shape in DOUBTS && isRead(shape, r) ? DOUBTS[shape](r) : [];
  }

  const doubt = (needsTemplate, field, why, lengths = {}) => ({ needsTemplate, field, why, lengths });

  function arch(r) {
    const width = r[WIDTH], rise = r[RISE], [left, right] = LEGS.map((spot) => r[spot] ?? 0), found = [];
    if (2 * rise > width + 2 * ARC) return [doubt(false, RISE, "legs_in", { read: rise, would_be: Math.floor(width / 2) })];
    if (Math.abs(left - right) > ARC) found.push(doubt(true, LEGS[0], "legs_apart", { x: Math.abs(left - right), left, right }));
    const circle = riseAtQuarter(width, rise), ellipse = ellipseAtQuarter(rise);
    for (const spot of QUARTERS) {
      if (Math.abs(r[spot] - circle) >= ARC) found.push(doubt(true, spot, "quarter_points", { read: r[spot], would_be: circle, ellipse }));
    }
    return found;
  }

  function quarter(r) {
    const width = r[WIDTH], height = r[PEAK], x = Math.abs(width - height);
    return x > ARC ? [doubt(true, PEAK, "not_quarter", { x, width, height })] : [];
  }

  function circle(r) {
    const found = DIAMETERS.map((spot) => [r[spot], spot]).sort(([a, one], [b, other]) => a - b || (one < other ? -1 : 1));
    const [[least, low], [middle], [most, high]] = found;
    if (most - least <= ARC) return [];
    return [doubt(true, most - middle > middle - least ? high : low, "not_circle", { x: most - least, least, most })];
  }

  function trapezoid(r) {
    const wouldBe = slopingSide(r[WIDTH], r[SIDES[0]], r[SIDES[1]]);
    return Math.abs(r[SLOPE] - wouldBe) > SIDE ? [doubt(false, SLOPE, "slope_off", { read: r[SLOPE], would_be: wouldBe })] : [];
  }

  function gable(r) {
    const worked = Object.entries(workedOut(r)).map(([spot, ticks]) => [Math.abs(r[spot] - ticks), spot, ticks]);
    if (!worked.length) return [doubt(false, PEAK, "sides_open")];
    const [off, spot, ticks] = worked.sort(([a, one], [b, other]) => a - b || (one < other ? -1 : 1))[0];
    return off > SIDE ? [doubt(false, spot, "sides_off", { read: r[spot], would_be: ticks })] : [];
  }

  /** Width, height and both sloping sides of a gable, each from the others, its point over the foot. */
  function workedOut(r) {
    const width = r[WIDTH], peak = r[PEAK], sides = SIDES.map((spot) => r[spot] ?? 0), slopes = SLOPES.map((spot) => r[spot]), found = {};
    const met = apex(width, ...sides, ...slopes), legs = slopes.map((slope, n) => leg(slope, peak - sides[n]));
    if (met && met[0] >= -SIDE && met[0] <= width + SIDE) found[PEAK] = met[1];
    if (!legs.includes(null)) found[WIDTH] = legs[0] + legs[1];
    for (const [mine, other] of [[0, 1], [1, 0]]) {
      if (legs[other] !== null && legs[other] <= width + SIDE) found[SLOPES[mine]] = slopingSide(width - legs[other], peak, sides[mine]);
    }
    return found;
  }

  const DOUBTS = { arch, eyebrow: arch, quarter_left: quarter, quarter_right: quarter, circle, trapezoid, triangle: gable, gable };

  // -- what follows from readings that agree ----------------------------------------------------

  /** Radius or angles: `{ text, lengths, words }`; null where they don't agree. */
  function known(shape, r) {
    if (!isFigure(shape) || !isRead(shape, r) || doubts(shape, r).length) return null;
    const made = (text, lengths = {}, words = {}) => ({ text, lengths, words }), width = r[WIDTH];
    if (shape === "arch" || shape === "eyebrow") return roundHead(width, r[RISE], made);
    if (shape === "circle") return made("circle", { radius: Number(nearest(big(DIAMETERS.reduce((sum, spot) => sum + r[spot], 0)), 6n)) });
    if (shape === "triangle" || shape === "gable") return made("corners", {}, { left: steepness(r, 0), right: steepness(r, 1) });
    if (shape === "trapezoid") return slope(width, ...SIDES.map((spot) => r[spot]), made);
    return made("quarter", { radius: Number(nearest(big(width + r[PEAK]), 2n)) });
  }

  function roundHead(width, rise, made) {
    const lengths = { radius: radius(width, rise) };
    if (Math.abs(width - 2 * rise) <= 2 * ARC) return made("half_round", lengths);
    return made("arc", lengths, { angle: (4 * degrees(2 * rise, width)).toFixed(1) });
  }

  function slope(width, left, right, made) {
    if (left === right) return made("level");
    return made("slope", {}, { angle: degrees(Math.abs(left - right), width).toFixed(1), side: left < right ? "left" : "right" });
  }

  function steepness(r, n) {
    const rises = r[PEAK] - (r[SIDES[n]] ?? 0);
    return degrees(rises, leg(r[SLOPES[n]], rises) ?? 0).toFixed(1);
  }

  // -- the drawing -----------------------------------------------------------------------------

  /** What is drawn of a shape, in ticks from its upper left corner: `{ width, height, moves, spans, springs }`. */
  function sketch(shape, r, usual) {
    if (shape === "circle") return sketchCircle(r, usual);
    if (shape === "arch" || shape === "eyebrow") return sketchArch(shape, r, usual);
    if (shape === "quarter_left" || shape === "quarter_right") return sketchQuarter(shape, r, usual);
    return shape === "trapezoid" ? sketchTrapezoid(r, usual) : sketchGable(shape, r, usual);
  }

  const span = (spot, ends, moved = [0, 0], at = 0.5) => ({ spot, ends, moved, at });
  const made = (width, height, moves, spans, springs = null) => ({ width, height, moves, spans, springs });
  const part = (ticks, over, under) => Math.floor((ticks * over) / under);

  function sketchCircle(r, usual) {
    const [level, upright, slant] = DIAMETERS, width = r[level] || r[upright] || r[slant] || usual, height = r[upright] || width;
    const across = width / 2, down = height / 2, inX = across * (1 - 0.5 ** 0.5), inY = down * (1 - 0.5 ** 0.5);
    return made(width, height, [["M", [0, down]], ["A", [across, down, 1, width, down]], ["A", [across, down, 1, 0, down]]], [
      span(level, [0, down, width, down], [0, 0], 0.75), span(upright, [across, 0, across, height], [0, 0], 0.75),
      span(slant, [inX, height - inY, width - inX, inY], [0, 0], 0.2),
    ]);
  }

  function sketchArch(shape, r, usual) {
    const width = r[WIDTH] || usual, rise = r[RISE] || part(width, 1, shape === "arch" ? 2 : 4), hasLegs = shape === "arch";
    const left = hasLegs ? r[LEGS[0]] ?? r[LEGS[1]] ?? width : 0, right = hasLegs ? r[LEGS[1]] ?? left : 0;
    const height = Math.max(left, right) + rise, isRound = 2 * rise <= width;
    const [across, down] = isRound ? [radius(width, rise), radius(width, rise)] : [width / 2, rise];
    const crown = isRound ? riseAtQuarter(width, rise) : ellipseAtQuarter(rise);
    const spans = [
      span(WIDTH, [0, height, width, height], [0, 36]), span(RISE, [width / 2, 0, width / 2, rise], [0, 0], 0.4),
      span(QUARTERS[0], [width / 4, rise - crown, width / 4, rise], [0, 0], 0.6),
      span(QUARTERS[1], [(width * 3) / 4, rise - crown, (width * 3) / 4, rise], [0, 0], 0.6),
    ];
    if (hasLegs) spans.push(span(LEGS[0], [0, height - left, 0, height], [-22, 0]), span(LEGS[1], [width, height - right, width, height], [22, 0]));
    return made(width, height, [["M", [0, height]], ["L", [0, height - left]], ["A", [across, down, 1, width, height - right]], ["L", [width, height]]], spans, rise);
  }

  function sketchQuarter(shape, r, usual) {
    const width = r[WIDTH] || r[PEAK] || usual, height = r[PEAK] || width, isLeft = shape === "quarter_left";
    const [tall, low] = isLeft ? [0, width] : [width, 0];
    return made(width, height, [["M", [tall, height]], ["L", [tall, 0]], ["A", [width, height, isLeft ? 1 : 0, low, height]]], [
      span(WIDTH, [0, height, width, height], [0, 24]), span(PEAK, [tall, 0, tall, height], [isLeft ? -22 : 22, 0]),
    ]);
  }

  function sketchTrapezoid(r, usual) {
    const width = r[WIDTH] || usual, left = r[SIDES[0]] || (SIDES[1] in r ? part(r[SIDES[1]], 3, 4) : width), right = r[SIDES[1]] || part(left, 3, 4);
    const height = Math.max(left, right);
    return made(width, height, [["M", [0, height]], ["L", [0, height - left]], ["L", [width, height - right]], ["L", [width, height]]], [
      span(WIDTH, [0, height, width, height], [0, 24]), span(SIDES[0], [0, height - left, 0, height], [-22, 0]),
      span(SIDES[1], [width, height - right, width, height], [22, 0]), span(SLOPE, [0, height - left, width, height - right], [0, -18]),
    ]);
  }

  function sketchGable(shape, r, usual) {
    const width = r[WIDTH] || usual, hasSides = shape === "gable";
    const left = hasSides ? r[SIDES[0]] || r[SIDES[1]] || part(width, 3, 4) : 0, right = hasSides ? r[SIDES[1]] || left : 0;
    const top = Math.max(left, right), height = Math.max(r[PEAK] || top + (hasSides ? part(width, 1, 4) : part(width, 3, 4)), top);
    const at = apexAt(width, left, right, r);
    const moves = [["M", [0, height]]];
    if (left) moves.push(["L", [0, height - left]]);
    moves.push(["L", [at, 0]]);
    if (right) moves.push(["L", [width, height - right]]);
    moves.push(["L", [width, height]]);
    const spans = [
      span(WIDTH, [0, height, width, height], [0, 24]), span(PEAK, [at, 0, at, height], [0, 0], 0.62),
      span(SLOPES[0], [0, height - left, at, 0], [-12, -14]), span(SLOPES[1], [at, 0, width, height - right], [12, -14]),
    ];
    if (hasSides) spans.push(span(SIDES[0], [0, height - left, 0, height], [-22, 0]), span(SIDES[1], [width, height - right, width, height], [22, 0]));
    return made(width, height, moves, spans);
  }

  /** Where the point stands, from the left; in the middle as long as nothing says where. */
  function apexAt(width, left, right, r) {
    const met = SLOPES.every((spot) => spot in r) ? apex(width, left, right, r[SLOPES[0]], r[SLOPES[1]]) : null;
    return met ? Math.min(Math.max(met[0], 0), width) : part(width, 1, 2);
  }

  return { reads, isFigure, boxSpots, box, doubts, known, sketch, RISE };
}
