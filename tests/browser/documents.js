/*
 * Openings as the contract writes them, read for the page's rules: so that the page can be asked what
 * `manage.py size` is asked. A phone never sees such a document.
 */
import { RuleError, floorDiv, formatLength } from "/rules.js";

const MOUNTS = ["inside", "outside"];

/** `{ readOpening, answer }` over the page's rules. */
export function makeDocuments(rules) {
  const { table, WIDTHS, HEIGHTS, DIAGONALS, SPOTS, SIDES } = rules;
  const families = Object.keys(table.families);
  const isThere = (value) => value !== undefined && value !== null;
  const short = (spot) => spot.slice(spot.indexOf(".") + 1);
  const mapOf = (object, keys, value) =>
    Object.fromEntries(keys.filter((key) => isThere(object?.[key])).map((key) => [key, value(object[key], key)]));

  /** An opening from the contract's object; throws RuleError. */
  function readOpening(doc, unit) {
    if (!families.includes(doc.family)) throw new RuleError("family", "is not known", families.join(", "));
    if (!MOUNTS.includes(doc.mount)) throw new RuleError("mount", "is not known", MOUNTS.join(", "));
    const ticks = (text, field, largest) => rules.readTicks(text, unit, field, largest), grid = table.grid[unit];
    const taken = {}, aliases = { "diagonals[0]": DIAGONALS[0], "diagonals[1]": DIAGONALS[1] };
    for (const [set, names] of [["widths", WIDTHS], ["heights", HEIGHTS]]) {
      for (const name of names) if (isThere(doc[set]?.[short(name)])) taken[name] = ticks(doc[set][short(name)], name);
    }
    for (const name of table.shape_spots) if (isThere(doc.figure?.[short(name)])) taken[name] = ticks(doc.figure[short(name)], name);
    if (isThere(doc.depth)) taken.depth = ticks(doc.depth, "depth");
    (doc.diagonals ?? []).forEach((text, n) => { taken[DIAGONALS[n]] = ticks(text, `diagonals[${n}]`); });
    const opening = rules.openingOf({
      id: doc.id, family: doc.family, mount: doc.mount, unit, taken, room: doc.room ?? "", shape: doc.shape ?? "rectangle",
      case: doc.tape_case ? ticks(doc.tape_case.length, "tape_case.length", table.largest_case) : null,
      cased: new Set((doc.tape_case?.fields ?? []).map((name) => aliases[name] ?? name)),
      laser: doc.laser ? ticks(doc.laser, "laser", table.largest_case) || null : null,
      cover: doc.cover ? mapOf(doc.cover, SIDES, (text, side) => ticks(text, `cover.${side}`)) : null,
      clothExtra: isThere(doc.cloth_extra) ? ticks(doc.cloth_extra, "cloth_extra", Infinity) : null,
      chosen: doc.chosen ? [ticks(doc.chosen.width, "chosen.width"), ticks(doc.chosen.height, "chosen.height")] : null,
      again: mapOf(doc.again, SPOTS, (text, spot) => ticks(text, `again.${spot}`)),
      obstructions: (doc.obstructions ?? []).map((thing) => ({
        kind: thing.kind,
        projection: -floorDiv(-ticks(thing.projection, "obstructions"), grid) * grid,
        at: thing.at ?? "path",
      })),
      stopsOn: mapOf(doc.stops_on, SIDES, (stop, side) => ({
        on: stop.on, limit: floorDiv(ticks(stop.limit, `stops_on.${side}`), grid) * grid,
      })),
      floor: doc.floor ?? "",
      bay: doc.bay ? {
        wall: ticks(doc.bay.wall, "bay.wall"), meets: doc.bay.meets ?? "",
        backs: mapOf(doc.bay.set_back, ["left", "right"], (back, side) => ({ ticks: ticks(back.by, `bay.${side}`), why: back.why ?? "" })),
      } : null,
    });
    refuseMissing(opening);
    return opening;
  }

  /** Places that must be read and are not; a set's name where any one of its spots will do. */
  function missing(opening) {
    const lacking = rules.ruleFor(opening.family, opening.mount, opening.shape).needs.filter((spot) => !(spot in opening.taken));
    if (lacking.length || opening.chosen) return lacking;
    const isGiven = (name) => name === "widths" && opening.bay;
    return rules.groupsRead(opening.shape).filter(([name, set]) => !isGiven(name) && !set.some((spot) => spot in opening.taken)).map(([name]) => name);
  }

  function refuseMissing(opening) {
    const lacking = missing(opening);
    if (lacking.length) throw new RuleError(lacking[0], "missing", lacking.join(", "));
    for (const [spot, ticks] of Object.entries(opening.readings)) {
      if (ticks === 0 && !table.may_be_zero.includes(spot)) throw new RuleError(spot, "is no opening", "more than 0");
    }
  }

  /** What `manage.py size` answers to one document; `context` as for the rules' allFindings. */
  function answer(doc, unit, context = {}) {
    const opening = readOpening(doc, unit), size = rules.orderSize(opening);
    return {
      id: opening.id,
      order_width: formatLength(size.width, unit),
      order_height: formatLength(size.height, unit),
      basis: size.basis,
      ticks: { width: size.width, height: size.height },
      steps: size.steps,
      findings: rules.allFindings(opening, size, context),
    };
  }

  return { readOpening, answer };
}
