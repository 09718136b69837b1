"""Gap strips, valance, shims and hold-downs of one unit."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Annotated

from installs.rules.brackets import BracketPlan, bracket_count
from installs.rules.clearance import stack_blocks
from installs.rules.data import HardwareRules
from installs.rules.findings import Finding
from installs.rules.units import InstallUnit
from shared.lengths import ZERO, Length
from shared.records import Record, Within


@dataclass(frozen=True)
class Line(Record):
    """
    One line of a hardware list: an item, how many, and how that was reached.

    `lengths` are pieces to cut of it. `kit` ties fixings to a kit. `shared` names what a whole
    job needs once (``charger``, ``remote living``); empty for what is the unit's own.
    """

    item: str
    name: str
    group: str
    quantity: Annotated[int, Within(1, 100_000)]
    why: str = ""
    lengths: tuple[Length, ...] = ()
    kit: str = ""
    shared: str = ""


def line(
    rules: HardwareRules,
    item: str,
    quantity: int,
    why: str,
    *,
    lengths: tuple[Length, ...] = (),
    kit: str = "",
    shared: str = "",
) -> Line:
    """A line with the item's own name and group; raises KeyError for an unknown item."""
    found = rules.item(item)
    return Line(item, found.name, found.group, quantity, why, lengths, kit, shared)


def gap_strips(unit: InstallUnit, rules: HardwareRules) -> tuple[list[Line], list[Finding]]:
    """A pair, each as long as the unit is high, on an inside mount of the families that take them."""
    rule = rules.strips
    if not unit.gap_strips:
        return [], []
    if unit.mount != "inside" or unit.family not in rule.families:
        text = "gap strips are for inside mounts of " + ", ".join(rule.families) + "; none are listed"
        return [], [Finding("gap_strips", text, "check", "gap_strips")]
    length = unit.height - rule.shorter
    less = f" − {rule.shorter}" if rule.shorter else ""
    stock = rules.item(rule.item).length or ZERO
    findings = []
    if length > stock:
        text = f"a gap strip of {length} is longer than the stock strip of {stock}: order longer, or join"
        findings.append(Finding("strip_stock", text, "check", "height"))
    why = f"1 pair of {length}: the height of {unit.height}{less}"
    return [line(rules, rule.item, 2, why, lengths=(length, length))], findings


@dataclass(frozen=True)
class StripCut(Record):
    """One strip and what is cut from it; `source` is stock or offcut, `left` what remains."""

    source: str
    stock: Length
    pieces: tuple[Length, ...]
    left: Length
    keeps_offcut: bool


def cut_strips(
    lengths: Sequence[Length], offcuts: Sequence[Length], stock: Length, kerf: Length, keep: Length
) -> tuple[tuple[StripCut, ...], tuple[Length, ...]]:
    """
    Strips for a day: longest piece first, offcuts before stock, each into the shortest that takes it.

    A plain rule for a handful of strips; the workroom's cut plan does better on many. A piece that
    ends flush needs no last cut.

    Returns
    -------
    tuple
        The cuts, and the pieces longer than any strip.

    Examples
    --------
    >>> inch = Length.inches
    >>> cuts, over = cut_strips([inch(60), inch(60), inch(30)], [inch(61)], inch(96), inch("1/8"), inch(18))
    >>> [(cut.source, [piece.text() for piece in cut.pieces], cut.left.text()) for cut in cuts], over
    ([('offcut', ['60'], '7/8'), ('stock', ['60', '30'], '5 3/4')], ())
    """
    open_strips: list[tuple[str, Length, list[Length]]] = [("offcut", piece, []) for piece in sorted(offcuts)]
    over: list[Length] = []
    for length in sorted(lengths, reverse=True):
        fitting = [
            (_room(strip[1], strip[2], kerf) - length, position)
            for position, strip in enumerate(open_strips)
            if _room(strip[1], strip[2], kerf) >= length
        ]
        if fitting:
            open_strips[min(fitting)[1]][2].append(length)
        elif length <= stock:
            open_strips.append(("stock", stock, [length]))
        else:
            over.append(length)
    cuts = []
    for source, whole, pieces in open_strips:
        if pieces:
            left = max(whole - _sum(pieces) - kerf * len(pieces), ZERO)
            cuts.append(StripCut(source, whole, tuple(pieces), left, left >= keep))
    return tuple(cuts), tuple(over)


def _room(whole: Length, pieces: Sequence[Length], kerf: Length) -> Length:
    return whole - _sum(pieces) - kerf * len(pieces)


def _sum(pieces: Sequence[Length]) -> Length:
    return Length(sum(piece.ticks for piece in pieces))


def valance(unit: InstallUnit, rules: HardwareRules) -> list[Line]:
    """Clips by span; on an outside mount two returns and a corner key each."""
    if unit.valance is None or "valance" in unit.comes_with:
        return []
    rule = rules.valance
    length = unit.valance.length
    clips = bracket_count(length, rule.end_distance, rule.span)
    why = f"{clips} clips: {length} long, {rule.end_distance} from each end, at most {rule.span} apart"
    out = [line(rules, rule.clip, clips, why)]
    if unit.mount == "outside":
        returns = unit.valance.returns or rule.default_return
        chosen = "as ordered" if unit.valance.returns else "the usual, none was ordered"
        out.append(line(rules, rule.return_item, 2, f"2 returns of {returns}, {chosen}", lengths=(returns, returns)))
        out.append(line(rules, rule.corner, 2, "1 at each return"))
    return out


def shims(unit: InstallUnit, plan: BracketPlan, rules: HardwareRules) -> tuple[list[Line], list[Finding]]:
    """
    Packing over the brackets at the high end, where the head of a recess or a ceiling is out of level.

    Each bracket comes down by what the head rises there above the low end. On a wall, casing or
    door the brackets are simply set by the level.
    """
    if not unit.head_out:
        return [], []
    rule = rules.shims
    rise = rule.limits.get(unit.family)
    limit = rule.other if rise is None else Length(int(rise.rise.ticks * Fraction(unit.width.ticks, rise.per.ticks)))
    if unit.head_out < limit:
        return [], []
    if unit.mount == "outside" and unit.fixed_to != "ceiling":
        return [], [
            Finding("head_out", f"head out by {unit.head_out}: set the brackets by the level", "note", "head_out")
        ]
    if unit.head_out > rule.most:
        text = f"head out by {unit.head_out}, more than the {rule.most} that is shimmed: pack with a tapered board"
        return [], [Finding("head_out", text, rules.severity(), "head_out", cannot=True)]
    thicknesses = {rules.item(key).length or ZERO: key for key in rule.items}
    finest = min(thicknesses)
    counts: dict[Length, int] = {}
    places: list[str] = []
    for bracket in plan.places:
        from_low = bracket.at if unit.head_low == "left" else unit.width - bracket.at
        gap = Length(int(unit.head_out.ticks * Fraction(from_low.ticks, unit.width.ticks))).nearest(finest)
        stack = stack_blocks(gap, sorted(thicknesses, reverse=True), gap + finest) or {}
        for thickness, count in stack.items():
            counts[thickness] = counts.get(thickness, 0) + count
        if gap:
            places.append(f"{gap} at {bracket.at}")
    where = f"head out by {unit.head_out}, low at the {unit.head_low}: " + ", ".join(places)
    lines = [line(rules, thicknesses[thickness], count, where) for thickness, count in counts.items()]
    return lines, []


def is_held_down(unit: InstallUnit, rules: HardwareRules) -> bool:
    """With a stiff bottom rail on a moving door, any other where it is ordered; never where nothing can be held."""
    rule = rules.hold_downs
    return unit.family not in rule.never and (unit.hold_downs or (unit.is_door and unit.family in rule.on_doors))


def hold_downs(unit: InstallUnit, rules: HardwareRules) -> tuple[list[Line], list[Finding]]:
    """Two on every unit that `is_held_down`; magnetic on steel."""
    if not is_held_down(unit, rules):
        return [], []
    rule = rules.hold_downs
    reason = "a moving door" if unit.is_door else "ordered"
    is_steel = "steel_door" in unit.facts
    why = f"{rule.count} a unit: {reason}" + (", steel, so magnetic" if is_steel else "")
    comes = "hold_downs" in unit.comes_with
    lines = [] if comes else [line(rules, rule.magnetic if is_steel else rule.item, rule.count, why)]
    if is_steel and comes:
        text = "steel door: the hold-downs packed with the unit are screwed ones; take magnetic ones"
        return [line(rules, rule.magnetic, rule.count, why)], [Finding("hold_down_fixing", text, "note", "facts")]
    if is_steel or not unit.is_door:  # beside a door the wall's own kit holds them
        return lines, []
    if rules.substrates[unit.substrate].never and unit.fixed_to == "door":
        text = "hold-downs can't be screwed to this door: agree on another way with the customer"
        return lines, [Finding("hold_down_fixing", text, "check", "substrate")]
    screws = rule.count * rule.screws_each
    if screws:
        lines.append(line(rules, rule.screw, screws, f"{rule.count} hold-downs × {rule.screws_each}", kit="hold_down"))
    return lines, []
