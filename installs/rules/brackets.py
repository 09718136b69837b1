"""
How many brackets a unit needs, and where each sits from the left end.

The count is 2 ends and what the span (or the load a bracket may take) asks for, evenly spaced.
Then each is moved off ladders, cord locks, tilters, clutches and mullion seams by the least that
clears them; where none can, one bracket more is tried.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from itertools import pairwise

from installs.rules.data import BracketRule, BracketSize, HardwareRules
from installs.rules.findings import Finding
from installs.rules.units import UNKNOWN_CONTROL, InstallUnit, pounds
from shared.formats.mass import pounds_text
from shared.lengths import TICKS_PER_FOOT, ZERO, Length
from shared.records import Record

MOST_BRACKETS_MORE = 6
"""How many brackets are tried beyond the count before a place is given up."""


@dataclass(frozen=True)
class BracketPlace(Record):
    """The middle of one bracket from the left end; `role` is end, middle or joint."""

    at: Length
    role: str
    item: str
    evenly: Length
    why: str = ""


@dataclass(frozen=True)
class BracketPlan(Record):
    """All brackets of a unit; `load_lb` is the most that one of them carries, use included."""

    rule: str
    size: BracketSize
    places: tuple[BracketPlace, ...]
    why: str
    weight_lb: Decimal
    weight_why: str
    load_lb: Decimal
    load_why: str
    span: Length | None = None
    findings: tuple[Finding, ...] = ()


@dataclass(frozen=True)
class _Slot:
    """One bracket to place: where it would sit evenly, and where it may sit."""

    role: str
    evenly: Length
    least: Length
    most: Length

    @property
    def is_fixed(self) -> bool:
        return self.least == self.most


@dataclass(frozen=True)
class _Barred:
    """An open stretch no bracket's middle may lie in."""

    least: Length
    most: Length
    why: str

    def holds(self, at: Length) -> bool:
        return self.least.ticks < at.ticks < self.most.ticks


def bracket_count(width: Length, end_distance: Length, span: Length) -> int:
    """
    ceil((width − 2 × end distance) / span) + 1, at least 2.

    Source: common practice, no published source.

    Examples
    --------
    >>> bracket_count(Length.inches(74), Length.inches(0), Length.inches(48))
    3
    >>> bracket_count(Length.inches(48), Length.inches(0), Length.inches(48))
    2
    """
    between = max(0, (width - end_distance - end_distance).ticks)
    return max(2, -(-between // span.ticks) + 1)


def unit_weight(unit: InstallUnit, rules: HardwareRules) -> tuple[Decimal, str]:
    """Pounds and where they come from: as computed, or the family's heavier estimate."""
    if unit.weight_g is not None:
        weight = pounds(unit.weight_g)
        return weight, f"{pounds_text(weight)} as computed"
    table = rules.weights[unit.family]
    square_feet = Decimal(unit.width.ticks * unit.height.ticks) / TICKS_PER_FOOT**2
    feet = Decimal(unit.width.ticks) / TICKS_PER_FOOT
    weight = (square_feet * table.lb_per_sq_ft + feet * table.lb_per_ft).quantize(Decimal("0.01"))
    weight = max(weight, Decimal("0.01"))
    return weight, f"about {pounds_text(weight)}, estimated from the {unit.family} table's heavier end"


def plan_brackets(unit: InstallUnit, rules: HardwareRules) -> BracketPlan:
    """
    Brackets of one unit: which, how many, where, and what the worst of them carries.

    Never raises for a unit that passed its own checks: what does not work out is a finding.
    """
    weight, weight_why = unit_weight(unit, rules)
    key, rule = rules.bracket_rule(unit.family, _variant(unit, rules))
    size, findings = _size_for(unit, rule, weight, rules)
    lb_per_ft = weight * TICKS_PER_FOOT / unit.width.ticks
    span = rule.span_for(lb_per_ft)
    slots, why = _even_slots(unit, rule, size, span, rules)
    barred = _barred(unit, size, rules)
    places, moved = _place(unit, slots, barred, rule, size, span, rules)
    findings += moved
    places, load_more = _add_for_load(unit, places, barred, rule, size, span, weight, rules)
    findings += load_more
    load, load_why = worst_load(unit, [place.at for place in places], weight, rules)
    findings += _on_surface(unit, size, rules)
    return BracketPlan(
        key, size, places, _count_why(places, why, unit), weight, weight_why, load, load_why, span, tuple(findings)
    )


def worst_load(
    unit: InstallUnit, places: Sequence[Length], weight_lb: Decimal, rules: HardwareRules
) -> tuple[Decimal, str]:
    """
    Pounds on the bracket that carries most: its stretch of the weight, and all of the pull of use.

    A middle support takes `interior_share` of its stretch (5/4 for two equal spans: the reaction
    10/8 w L of a continuous beam, standard mechanics).
    """
    edges = [ZERO, *(Length((a.ticks + b.ticks) // 2) for a, b in pairwise(places)), unit.width]
    worst, share = Fraction(0), Fraction(0)
    for position, (start, end) in enumerate(pairwise(edges)):
        part = Fraction((end - start).ticks, unit.width.ticks)
        factor = Fraction(rules.placing.interior_share) if 0 < position < len(places) - 1 else Fraction(1)
        if part * factor > worst:
            worst, share = part * factor, part
    pulls = rules.use_pull_lb
    pull = max(pulls.values()) if unit.control == UNKNOWN_CONTROL else pulls[unit.control]
    load = (weight_lb * worst.numerator / worst.denominator + pull).quantize(Decimal("0.01"))
    percent = round(float(share) * 100)
    more = f" × {rules.placing.interior_share} (middle support)" if worst != share else ""
    share_text = f"{percent} % of {pounds_text(weight_lb)}{more}"
    return load, f"{share_text} + {pounds_text(pull)} pull of use = {pounds_text(load)}"


# -- which bracket ---------------------------------------------------------------


def _variant(unit: InstallUnit, rules: HardwareRules) -> str:
    if unit.variant:
        return unit.variant
    return "motor" if unit.motor is not None and f"{unit.family}/motor" in rules.brackets else ""


def _size_for(
    unit: InstallUnit, rule: BracketRule, weight: Decimal, rules: HardwareRules
) -> tuple[BracketSize, list[Finding]]:
    for size in rule.sizes:
        if size.takes(unit.width, weight):
            return size, []
    is_what = f"{unit.width} wide and {pounds_text(weight)}"
    text = f"{is_what} is beyond the largest bracket of the range; the largest is listed"
    return rule.sizes[-1], [Finding("bracket_range", text, rules.severity(), "width", cannot=True)]


def _on_surface(unit: InstallUnit, size: BracketSize, rules: HardwareRules) -> list[Finding]:
    """On an outside mount the bracket's height needs flat wall, and a little over it."""
    if unit.mount != "outside" or unit.flat_height is None or unit.fixed_to == "ceiling":
        return []
    needed = size.height + rules.placing.flat_margin
    if unit.flat_height >= needed:
        return []
    text = (
        f"{unit.flat_height} of flat surface for a bracket {size.height} high + {rules.placing.flat_margin}: "
        "fix to the ceiling, higher on the wall, or over a backing board"
    )
    return [Finding("bracket_height", text, rules.severity(), "flat_height", cannot=True)]


# -- how many, evenly ------------------------------------------------------------


def _end_distance(unit: InstallUnit, rule: BracketRule, size: BracketSize, grid: Length) -> Length:
    """The rule's, or a quarter of a narrow unit, so that two brackets still stand apart."""
    if rule.at_ends or rule.ends_only:
        return ZERO
    narrow = Length(unit.width.ticks // 4).down(grid)
    return min(rule.end_distance, max(narrow, Length(size.foot.ticks // 2)))


def _even_slots(
    unit: InstallUnit, rule: BracketRule, size: BracketSize, span: Length | None, rules: HardwareRules
) -> tuple[list[_Slot], str]:
    grid = rules.placing.grid
    distance = _end_distance(unit, rule, size, grid)
    fixed_ends = rule.at_ends or rule.ends_only
    half_foot = Length(size.foot.ticks // 2)
    joints = [_Slot("joint", split, split, split) for split in sorted(set(unit.splits))]
    if fixed_ends:
        first = last = _Slot("end", ZERO, ZERO, ZERO)
    else:
        first = _end_slot(joints[0].evenly if joints else unit.width, distance, half_foot, grid)
        last = _end_slot(unit.width - joints[-1].evenly if joints else unit.width, distance, half_foot, grid)
    last = _Slot("end", unit.width - last.evenly, unit.width - last.most, unit.width - last.least)
    slots: list[_Slot] = []
    middles = 0
    for left, right in zip([first, *joints], [*joints, last], strict=True):
        slots.append(left)
        if span is None:
            continue
        count = -(-(right.evenly - left.evenly).ticks // span.ticks) - 1
        slots += _between(left, right, count, grid)
        middles += max(0, count)
    slots.append(last)
    return slots, _why_count(unit, span, distance, middles, len(joints))


def _end_slot(room: Length, distance: Length, half_foot: Length, grid: Length) -> _Slot:
    """An end bracket at `distance`, up to twice that, but in the near half of `room`."""
    half = Length(room.ticks // 2)
    evenly = min(distance, half.down(grid) or half)
    return _Slot("end", evenly, min(half_foot, evenly), max(evenly, min(distance + distance, half - half_foot)))


def _between(left: _Slot, right: _Slot, count: int, grid: Length) -> list[_Slot]:
    width = (right.evenly - left.evenly).ticks
    out = []
    for number in range(1, count + 1):
        at = Length(left.evenly.ticks + round(Fraction(width * number, count + 1))).nearest(grid)
        out.append(_Slot("middle", at, left.evenly, right.evenly))
    return out


def _why_count(unit: InstallUnit, span: Length | None, distance: Length, middles: int, joints: int) -> str:
    if span is None:
        why = "2 ends; one tube has no middle bracket"
    elif middles:
        inside = f" less {distance} at each end" if distance else ""
        many = "" if not joints else " between joints"
        why = f"2 ends + {middles} because {unit.width}{inside} is over the {span} span{many}"
    else:
        why = f"2 ends; {unit.width} is within the {span} span"
    return why + (f" + {joints} where it is joined" if joints else "")


def _count_why(places: Sequence[BracketPlace], why: str, unit: InstallUnit) -> str:
    stated = 2 + sum(1 for place in places if place.role == "joint")
    more = sum(1 for place in places if place.why.startswith("one more"))
    added = f" + {more} so that all clear what is in the way or carry the load" if more else ""
    count = max(len(places), stated)
    return f"{count} brackets: {why}{added}"


# -- off what is in the way ------------------------------------------------------


def _barred(unit: InstallUnit, size: BracketSize, rules: HardwareRules) -> list[_Barred]:
    half_foot = Length(size.foot.ticks // 2)
    off = half_foot + rules.placing.keep_off
    clear = half_foot + rules.placing.seam_clear
    parts = [_Barred(spot.at - off, spot.at + off, f"{spot.what} at {spot.at}") for spot in unit.keep_off]
    seams = [_Barred(seam - clear, seam + clear, f"mullion seam at {seam}") for seam in unit.seams]
    return parts + seams


def _place(
    unit: InstallUnit,
    slots: list[_Slot],
    barred: Sequence[_Barred],
    rule: BracketRule,
    size: BracketSize,
    span: Length | None,
    rules: HardwareRules,
) -> tuple[tuple[BracketPlace, ...], list[Finding]]:
    findings = _fixed_on_seams(unit, slots, size, rules)
    evenly = slots
    for more in range(MOST_BRACKETS_MORE + 1):
        found = _cheapest(slots, barred, span, size.foot + rules.placing.least_gap, rules.placing.grid)
        if found is not None:
            squeezed = not (rule.at_ends or rule.ends_only) and any(
                slot.is_fixed and slot.role == "end" and any(stretch.holds(slot.evenly) for stretch in barred)
                for slot in slots
            )
            findings += [_by_hand()] if squeezed else []
            return _as_places(slots, found, barred, rule, size, more), findings
        if span is None:
            break
        slots = _one_more(slots, rules.placing.grid)
    findings.append(_by_hand())
    return _as_places(evenly, [slot.evenly for slot in evenly], barred, rule, size, 0), findings


def _by_hand() -> Finding:
    text = "no place for the brackets that clears every ladder, lock and seam: set them by hand on site"
    return Finding("bracket_place", text, "check", "keep_off")


def _fixed_on_seams(
    unit: InstallUnit, slots: Sequence[_Slot], size: BracketSize, rules: HardwareRules
) -> list[Finding]:
    """Ends and joints can't move: where one meets a mullion seam, somebody must decide."""
    clear = Length(size.foot.ticks // 2) + rules.placing.seam_clear
    out = []
    for slot in slots:
        for seam in unit.seams:
            if slot.is_fixed and abs(slot.evenly - seam) < clear:
                text = (
                    f"the {slot.role} bracket at {slot.evenly} would sit in the mullion seam at {seam}: "
                    "change the width or the split, or fix to the wall or ceiling"
                )
                out.append(Finding("bracket_on_seam", text, rules.severity(), "seams", cannot=True))
    return out


def _one_more(slots: Sequence[_Slot], grid: Length) -> list[_Slot]:
    """The same with one middle more in the widest stretch between fixed points, evenly again."""
    posts = [position for position, slot in enumerate(slots) if slot.role != "middle"]
    gaps = [
        ((slots[right].evenly - slots[left].evenly).ticks / (right - left), left, right)
        for left, right in pairwise(posts)
    ]
    _, left, right = max(gaps, key=lambda gap: (gap[0], -gap[1]))
    middles = _between(slots[left], slots[right], right - left, grid)
    return [*slots[: left + 1], *middles, *slots[right:]]


def _cheapest(
    slots: Sequence[_Slot], barred: Sequence[_Barred], span: Length | None, gap: Length, grid: Length
) -> list[Length] | None:
    """Least total movement from even; None where the slots can't all be placed."""
    chains: dict[int, tuple[int, tuple[int, ...]]] = {}
    for number, (slot, choices) in enumerate(zip(slots, _all_choices(slots, barred, span, grid), strict=True)):
        if number == 0:
            chains = {at: (abs(at - slot.evenly.ticks), (at,)) for at in choices}
            continue
        nearest = 1 if slot.is_fixed else gap.ticks  # the ends of a very narrow unit have no choice
        grown: dict[int, tuple[int, tuple[int, ...]]] = {}
        for at in choices:
            fits = [
                (cost, path)
                for before, (cost, path) in chains.items()
                if before + nearest <= at and (span is None or at - before <= span.ticks)
            ]
            if fits:
                cost, path = min(fits)
                grown[at] = (cost + abs(at - slot.evenly.ticks), (*path, at))
        chains = grown
    if not chains:
        return None
    return [Length(at) for at in min(chains.values())[1]]


def _all_choices(
    slots: Sequence[_Slot], barred: Sequence[_Barred], span: Length | None, grid: Length
) -> list[set[int]]:
    """
    For each slot every place worth trying: even, an edge of a barred stretch, or a whole span from such
    a place of a neighbour (a test compares it with a search of the whole grid).
    """
    choices = [set(_choices(slot, barred, grid)) for slot in slots]
    if span is None or not barred:
        return choices
    order = range(len(slots))
    for step, places in ((1, order[1:]), (-1, order[-2::-1])):
        for place in places:
            for at in choices[place - step]:
                reached = Length(at + step * span.ticks)
                reached = reached.down(grid) if step > 0 else reached.up(grid)
                if not slots[place].is_fixed and _may_sit(reached, slots[place], barred):
                    choices[place].add(reached.ticks)
    return choices


def _choices(slot: _Slot, barred: Sequence[_Barred], grid: Length) -> list[int]:
    if slot.is_fixed:
        return [slot.evenly.ticks]
    spots = [slot.evenly, slot.least.up(grid), slot.most.down(grid)]
    for stretch in barred:
        spots += [stretch.least.down(grid), stretch.most.up(grid)]
    return sorted({spot.ticks for spot in spots if _may_sit(spot, slot, barred)})


def _may_sit(at: Length, slot: _Slot, barred: Sequence[_Barred]) -> bool:
    if not slot.least.ticks <= at.ticks <= slot.most.ticks:
        return False
    return not any(stretch.holds(at) for stretch in barred)


def _as_places(
    slots: Sequence[_Slot],
    found: Sequence[Length],
    barred: Sequence[_Barred],
    rule: BracketRule,
    size: BracketSize,
    more: int,
) -> tuple[BracketPlace, ...]:
    middles = [number for number, slot in enumerate(slots) if slot.role == "middle"]
    added = set(middles[len(middles) - more :]) if more else set()
    out = []
    for number, (slot, at) in enumerate(zip(slots, found, strict=True)):
        item = {"end": size.end, "middle": size.middle or size.end, "joint": rule.joint or size.middle or size.end}
        in_way = [stretch.why for stretch in barred if stretch.holds(slot.evenly)]
        why = f"moved from {slot.evenly}" + (f", off the {in_way[0]}" if in_way else "") if at != slot.evenly else ""
        if number in added:
            why = "one more" + (f"; {why}" if why else "")
        out.append(BracketPlace(at, slot.role, item[slot.role], slot.evenly, why))
    return tuple(out)


def _add_for_load(
    unit: InstallUnit,
    places: tuple[BracketPlace, ...],
    barred: Sequence[_Barred],
    rule: BracketRule,
    size: BracketSize,
    span: Length | None,
    weight: Decimal,
    rules: HardwareRules,
) -> tuple[tuple[BracketPlace, ...], list[Finding]]:
    """Brackets more until none carries over its entered load; a tube's ends can't be helped so."""
    load, _ = worst_load(unit, [place.at for place in places], weight, rules)
    if size.most_lb is None or load <= size.most_lb:
        return places, []
    if span is not None:
        narrower = span
        for _ in range(MOST_BRACKETS_MORE):
            narrower = Length(narrower.ticks * 4 // 5)
            if narrower < size.foot + rules.placing.least_gap:
                break
            slots, _ = _even_slots(unit, rule, size, narrower, rules)
            found = _cheapest(slots, barred, narrower, size.foot + rules.placing.least_gap, rules.placing.grid)
            if found is None:
                continue
            load, _ = worst_load(unit, found, weight, rules)
            if load <= size.most_lb:
                return _as_places(slots, found, barred, rule, size, len(slots) - len(places)), []
    carries = f"a bracket would carry {pounds_text(load)}, over its {pounds_text(size.most_lb)}"
    text = f"{carries}: a stronger bracket or two units"
    return places, [Finding("bracket_load", text, rules.severity(), "weight_g", cannot=True)]
