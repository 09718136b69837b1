"""
Cautions of an opening's surroundings: cords and children, ladders, old paint, walls, mains.

Nothing here is legal advice. What a place says about cords is data with its source and date; a
figure only known second-hand warns and never stops. Local codes, the product's own
instructions and licensed trades come first.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, Final

from measuring.rules.families import TABLE, named, shown
from measuring.rules.finding import Finding, finding
from measuring.rules.sizing import OrderSize
from shared.contracts import UNITS, ContractError
from shared.records import OneOf, Ticks, Within, document_form

READ: Final = "read"
SECOND_HAND: Final = "second-hand"
FROM_MEMORY: Final = "from memory"
STATUSES: Final = (READ, SECOND_HAND, FROM_MEMORY)
"""How a figure is known: only what was read at its source may stop anything."""

GOODS: Final = ("all", "stock", "custom")
"""What goods a row of a place's rules is about."""
CONTROL_UNCHOSEN: Final = "control_unchosen"
"""Nobody chose a control, and not every one brings the same cautions."""
CORDS: Final = frozenset({
    "corded_device", "children_unasked", "cord_limit_warn", "cord_unread", "cord_kind", "cord_held", "cord_note",
    "device_force", "place_unread", CONTROL_UNCHOSEN,
})  # fmt: skip
"""Codes of what is said of cords and stops nothing: cautions of a release."""
Status = Annotated[str, OneOf(*STATUSES)]
Goods = Annotated[str, OneOf(*GOODS)]
Share = tuple[int, int]
CHILDREN: Final = ("unknown", "none", "visit", "live")
_SITE: Final = TABLE["site"]
_WORDS: Final = TABLE["words"]


@dataclass(frozen=True, slots=True)
class Control:
    """
    How a unit is worked; lengths in ticks.

    `cord` is ``none``, ``free`` (ends hang free) or ``loop``. A loop's length may grow with the
    unit: `loop_share` is (numerator, denominator) of the height. `device` holds a loop taut.
    `power` is empty, ``battery``, ``low`` (low voltage, plug-in) or ``mains``.
    """

    key: str
    name: str
    cord: Annotated[str, OneOf("none", "free", "loop")] = "none"
    free_end: Ticks | None = None
    loop: Ticks | None = None
    loop_share: Share | None = None
    device: bool = False
    power: Annotated[str, OneOf("", "battery", "low", "mains")] = ""

    def to_json(self) -> dict[str, object]:
        """The object again, lengths in inches."""
        out: dict[str, object] = {"key": self.key, "name": self.name, "cord": self.cord}
        for name, ticks in (("free_end", self.free_end), ("loop", self.loop)):
            if ticks is not None:
                out[name] = shown(ticks, "in")
        if self.loop_share is not None:
            out["loop_share"] = list(self.loop_share)
        return {**out, "device": self.device, "power": self.power}


@dataclass(frozen=True, slots=True)
class Site:
    """What the measurer saw around one opening; lengths in ticks, None where nobody looked."""

    children: Annotated[str, OneOf(*CHILDREN)] = "unknown"
    built: Annotated[int | None, Within(1000, 3000)] = None
    substrate: str = "unknown"
    reach_ticks: Ticks | None = dataclasses.field(default=None, metadata={"name": "reach_height"})
    power: Annotated[str, OneOf("unknown", "none", "outlet", "mains")] = "unknown"
    cord_bottom_ticks: Ticks | None = dataclasses.field(default=None, metadata={"name": "cord_bottom"})
    cleat_ticks: Ticks | None = dataclasses.field(default=None, metadata={"name": "cleat"})
    door: Annotated[str, OneOf("", "in", "out", "slides")] = ""
    """How the opening's door moves; empty where it is none."""
    way_in: Mapping[str, Ticks] = dataclasses.field(default_factory=dict)
    """What a package must pass and its length: ``{"truck": "144", "lift": "96"}``."""

    @classmethod
    def from_json(cls, values: Mapping[str, object], unit: str) -> Site:
        """From an object of these names, without ``_ticks``; ``reach_height`` is how high one reaches."""
        return FORMS[unit].read(cls, values)


@dataclass(frozen=True, slots=True)
class CordLimit:
    """
    One figure of a place's cord rules; lengths in ticks.

    `of` says what is measured: ``free_end``, ``loop``, ``cord`` (any operating cord), ``low_loop``
    (height over the floor of the bottom of a loop of `size` or more; of more than `size` where
    not `size_counts`) or ``cleat`` (its height). Exactly the limit is allowed. `device_settles`:
    a device that holds the cord taut puts it beyond this limit.
    """

    of: Annotated[str, OneOf("free_end", "loop", "cord", "low_loop", "cleat")]
    ticks: Ticks = dataclasses.field(metadata={"name": "limit"})
    applies: Goods
    status: Status
    source: str
    date: str
    size: Ticks = 0
    size_counts: bool = True
    device_settles: bool = False


@dataclass(frozen=True, slots=True)
class CordKind:
    """
    A kind of cord (``free`` or ``loop``) that a place's rule takes away, length no matter.

    `device_settles`: it is left where a device holds it. None was read at its source, so it
    is questioned and never stopped.
    """

    cord: Annotated[str, OneOf("free", "loop")]
    text: str
    applies: Goods
    status: Annotated[str, OneOf(SECOND_HAND, FROM_MEMORY)]
    source: str
    date: str
    device_settles: bool = False


@dataclass(frozen=True, slots=True)
class CordNote:
    """What else is to be known of a place's rules; of one kind of `cord`, or of any where empty."""

    text: str
    source: str
    date: str
    applies: Goods = "all"
    cord: Annotated[str, OneOf("", "free", "loop")] = ""


@dataclass(frozen=True, slots=True)
class DeviceRule:
    """
    Whether a place allows a cord near children when a device holds it, and how firm that must be.

    `force` is what is said of it, `newtons` its figure.
    """

    allowed: bool
    status: Status
    source: str
    date: str
    force: str = ""
    newtons: Annotated[int | None, Within(1, 1000)] = None


@dataclass(frozen=True, slots=True)
class Jurisdiction:
    """What one place says about cords: its limits, and whether a held loop is allowed near children."""

    key: str
    name: str
    as_of: str
    device: DeviceRule
    limits: tuple[CordLimit, ...]
    kinds: tuple[CordKind, ...] = ()
    notes: tuple[CordNote, ...] = ()
    summary: str = ""
    """What is said of it on a sheet for the site."""

    @classmethod
    def from_json(cls, values: Mapping[str, object]) -> Jurisdiction:
        """From one row of ``measuring/data/jurisdictions.json``; lengths carry their own unit."""
        return FORMS["mm"].read(cls, values)


def _share(value: object) -> tuple[int, int]:
    if not (isinstance(value, list) and len(value) == 2 and all(type(n) is int and 0 < n < 1000 for n in value)):
        raise ContractError("", "not a share of the height", "[numerator, denominator], 1 to 999")
    return value[0], value[1]


FORMS: Final = {unit: document_form(unit, {Share: lambda limit: lambda value, _: _share(value)}) for unit in UNITS}


def safety_findings(
    size: OrderSize | None,
    controls: Sequence[Control],
    site: Site | None,
    place: Jurisdiction | None,
    sold_as: str = "custom",
) -> list[Finding]:
    """
    Cautions for one unit at one site.

    Parameters
    ----------
    controls
        The control chosen, or all it may still be: what holds of each is said, and which differ.
    place
        Holds the branch's cord rules.

    Examples
    --------
    >>> chain = Control("chain", "chain", cord="loop", loop=8128 * 60)
    >>> [found.code for found in safety_findings(None, [chain], Site(children="live"), None)][:1]
    ['corded']
    >>> spring = Control("spring", "spring")
    >>> [found.text for found in safety_findings(None, [spring, chain], None, None)]
    ['No control is chosen. Cautions apply to: chain.']
    """
    by_control = [[*_cords(size, control, site, place, sold_as), *_mains(site, control)] for control in controls]
    found = [one for one in by_control[0] if all(one in other for other in by_control)] if by_control else []
    more = [control.name for control, own in zip(controls, by_control, strict=True) if len(own) > len(found)]
    if more:
        found.append(finding(CONTROL_UNCHOSEN, "control", names=", ".join(more)))
    if site is not None:
        found.extend(_surroundings(site))
    return found


def _mains(site: Site | None, control: Control) -> Iterator[Finding]:
    if site is None or control.power != "mains":
        return
    yield finding("mains", "power")
    if site.power in ("none", "unknown"):
        yield finding("no_power", "power")


def _cords(
    size: OrderSize | None, control: Control, site: Site | None, place: Jurisdiction | None, sold_as: str
) -> Iterator[Finding]:
    if control.cord == "none":
        return
    children = site.children if site else "unknown"
    if children in _SITE["children"]:
        word = _SITE["children"][children]
        if place is not None and place.device.allowed and control.device:
            yield finding("corded_device", "control", children=word, place=place.name)
        else:
            yield finding("corded", "control", children=word)
    elif children == "unknown":
        yield finding("children_unasked", "control")
    if place is None:
        yield finding("place_unread", "control")
        return
    height = size.height.ticks if size is not None else None
    yield from cord_findings(control, place, sold_as=sold_as, height=height, site=site)


def cord_findings(
    control: Control,
    place: Jurisdiction,
    *,
    sold_as: str = "custom",
    height: int | None = None,
    site: Site | None = None,
) -> Iterator[Finding]:
    """
    One control against every figure of one place.

    Parameters
    ----------
    control
        A control with a cord.
    place
        The limits; those that apply to other goods (`sold_as` ``custom`` or ``stock``) are passed over.
    height
        Order height in ticks, for a loop that grows with it.
    site
        Heights of the cord's bottom and of the cleat over the floor.
    """
    unit = "in" if place.key == "us" else "mm"
    for row in place.limits:
        if row.applies not in ("all", sold_as):
            continue
        reach = _measured(row, control, height, site)
        if reach is None:
            continue
        if reach < 0:
            yield finding("cord_unread", "control", place=place.name, what=_WORDS[row.of])
            continue
        least = row.of in ("low_loop", "cleat")
        if (reach >= row.ticks) if least else (reach <= row.ticks):
            continue
        yield finding(
            "cord_limit" if row.status == READ else "cord_limit_warn",
            "control",
            place=place.name,
            what=_WORDS[row.of],
            x=named(reach, unit),
            rule=_WORDS["least" if least else "most"],
            limit=named(row.ticks, unit),
            source=row.source,
            date=row.date,
        )
    yield from _kinds_and_notes(control, place, sold_as)
    held = place.device
    if control.device and held.force:
        words = {"force": held.force, "source": held.source, "date": held.date}
        yield finding("device_force", "control", place=place.name, **words)


def _kinds_and_notes(control: Control, place: Jurisdiction, sold_as: str) -> Iterator[Finding]:
    """Whoever lives there: what the place's rules say of such a cord, figures aside."""
    for row in place.kinds:
        if row.cord == control.cord and row.applies in ("all", sold_as):
            code = "cord_held" if control.device and row.device_settles else "cord_kind"
            words = {"rule": row.text, "source": row.source, "date": row.date}
            yield finding(code, "control", place=place.name, **words)
    for note in place.notes:
        if note.cord in ("", control.cord) and note.applies in ("all", sold_as):
            yield finding("cord_note", "control", place=place.name, note=note.text, source=note.source, date=note.date)


def loop_ticks(control: Control, height: int | None) -> int | None:
    """The loop's length right round, as given or as it grows with the height."""
    if control.loop is not None or control.loop_share is None or height is None:
        return control.loop
    return height * control.loop_share[0] // control.loop_share[1]


def _measured(row: CordLimit, control: Control, height: int | None, site: Site | None) -> int | None:
    """Ticks to hold against the limit; -1 where it should be known and is not; None where it is no matter."""
    loop = loop_ticks(control, height)
    if row.of == "free_end":
        return _known(control.free_end) if control.cord == "free" else None
    if row.of == "cord":
        return _known(control.free_end if control.cord == "free" else loop)
    if row.of == "cleat":
        return None if site is None else site.cleat_ticks
    if control.cord != "loop" or (control.device and row.device_settles):
        return None
    if row.of == "loop":
        return _known(loop)
    if loop is not None and (loop < row.size or (loop == row.size and not row.size_counts)):
        return None
    return _known(None if site is None else site.cord_bottom_ticks)


def _known(ticks: int | None) -> int:
    return -1 if ticks is None else ticks


def _surroundings(site: Site) -> Iterator[Finding]:
    if site.reach_ticks is not None and site.reach_ticks > _SITE["ladder_over"]:
        yield finding("ladder", "reach_height", x=named(site.reach_ticks, "in"))
    year = _SITE["lead_before"]
    if site.built is None:
        yield finding("age_unasked", "built", year=year)
    elif site.built < year:
        yield finding("lead", "built", year=year)
    if site.substrate in _SITE["unknown"]:
        yield finding("substrate_unknown", "substrate")
    elif site.substrate in _SITE["masonry"]:
        yield finding("substrate_masonry", "substrate", substrate=site.substrate)
    elif site.substrate in _SITE["slab"]:
        yield finding("substrate_slab", "substrate")
