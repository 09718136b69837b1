"""Spares for a day by a stated rule, and the van's own stock topped up."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from decimal import ROUND_CEILING

from installs.rules.data import HardwareRules
from installs.rules.trims import Line, cut_strips, line
from installs.rules.units import InstallUnit
from shared.lengths import ZERO, Length
from shared.records import Record


@dataclass(frozen=True)
class TopUp(Record):
    """One item of the van's stock that is under its least: take `quantity` to reach the most."""

    item: str
    name: str
    held: int
    least: int
    most: int
    quantity: int
    why: str


def day_spares(lines: Iterable[Line], units: Sequence[InstallUnit], rules: HardwareRules) -> tuple[Line, ...]:
    """
    So many percent of each kind of bracket, clip and fixing of the day, at least so many of a kind,
    and one vane, one chain set where such units go up.

    Examples
    --------
    >>> from installs.rules.data import starting_rules
    >>> brackets = line(starting_rules(), "rail-clip", 60, "60")
    >>> [(spare.item, spare.quantity) for spare in day_spares([brackets], [], starting_rules())]
    [('rail-clip', 3)]
    """
    rule = rules.spares
    totals: dict[str, int] = {}
    for entry in lines:
        if entry.group in rule.groups:
            totals[entry.item] = totals.get(entry.item, 0) + entry.quantity
    out = []
    for item, total in totals.items():
        share = int((total * rule.percent / 100).to_integral_value(ROUND_CEILING))
        why = f"spare: {rule.percent} % of {total} is {share}, at least {rule.least} of a kind"
        if max(share, rule.least):
            out.append(line(rules, item, max(share, rule.least), why))
    for spare in rule.one_a_day:
        asked = [unit for unit in units if spare.family == unit.family or spare.control == unit.control]
        if asked:
            what = spare.family or spare.control
            out.append(line(rules, spare.item, 1, f"spare: one a day with {what} units ({len(asked)} of them)"))
    return tuple(out)


def top_up(held: Mapping[str, int], rules: HardwareRules) -> tuple[TopUp, ...]:
    """
    What the van takes from the shelf tonight: every item under its least, up to its most.

    Examples
    --------
    >>> from installs.rules.data import starting_rules
    >>> held = {item.key: item.van_most for item in starting_rules().items} | {"rail-clip": 1}
    >>> [(entry.item, entry.quantity) for entry in top_up(held, starting_rules())]
    [('rail-clip', 7)]
    """
    out = []
    for item in rules.items:
        count = held.get(item.key, 0)
        if count < item.van_least:
            why = f"{count} held, least {item.van_least}: up to {item.van_most}"
            missing = item.van_most - count
            out.append(TopUp(item.key, item.name, count, item.van_least, item.van_most, missing, why))
    return tuple(out)


@dataclass(frozen=True)
class Shortage(Record):
    """An item the shelf has too little of."""

    item: str
    name: str
    needed: int
    free: int
    short: int
    why: str


def shortages(lines: Iterable[Line], free: Mapping[str, int], rules: HardwareRules) -> tuple[Shortage, ...]:
    """
    What is missing on the shelf for these lines: pieces, and whole stock lengths for what is cut.

    Parameters
    ----------
    free
        Pieces (or stock lengths) of each item that nobody has reserved; none where it is left out.

    Examples
    --------
    >>> from installs.rules.data import starting_rules
    >>> asked = line(starting_rules(), "rail-clip", 5, "5")
    >>> [(entry.item, entry.short) for entry in shortages([asked], {"rail-clip": 3}, starting_rules())]
    [('rail-clip', 2)]
    """
    pieces: dict[str, int] = {}
    lengths: dict[str, list[Length]] = {}
    for entry in lines:
        if entry.lengths and rules.item(entry.item).length is not None:
            lengths.setdefault(entry.item, []).extend(entry.lengths)
        else:
            pieces[entry.item] = pieces.get(entry.item, 0) + entry.quantity
    out = [_short(item, count, f"{count} needed", free, rules) for item, count in pieces.items()]
    for item, wanted in lengths.items():
        stock = rules.item(item).length or ZERO
        cuts, over = cut_strips(wanted, (), stock, rules.strips.kerf, rules.strips.keep)
        why = f"{len(wanted)} lengths out of {len(cuts)} of {stock}" + (
            f", {len(over)} too long for it" if over else ""
        )
        out.append(_short(item, len(cuts) + len(over), why, free, rules))
    return tuple(entry for entry in out if entry is not None)


def _short(item: str, needed: int, why: str, free: Mapping[str, int], rules: HardwareRules) -> Shortage | None:
    held = free.get(item, 0)
    if held >= needed:
        return None
    return Shortage(item, rules.item(item).name, needed, held, needed - held, f"{why}, {held} free")
