"""One opening as it was read: the places, the tape's case, the covers, what is in the way."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any, Final

from measuring.rules.families import (
    DIAGONALS,
    FAMILIES,
    GRID,
    HEIGHTS,
    LARGEST_CASE,
    LARGEST_READING,
    MOUNTS,
    PLACES,
    SIDES,
    WIDTHS,
    Rule,
    rule_for,
    shown,
)
from shared.contracts import ContractError, Reader, read_length

_PLACE_NAMES: Final = {
    "widths": tuple((name.partition(".")[2], name) for name in WIDTHS),
    "heights": tuple((name.partition(".")[2], name) for name in HEIGHTS),
}
_ALIASES: Final = {f"diagonals[{place}]": name for place, name in enumerate(DIAGONALS)}
STOPS: Final = ("sill", "floor", "neighbour")


@dataclass(frozen=True, slots=True)
class Obstruction:
    """
    Something in the opening, and how far it stands out, in ticks, rounded up.

    `at` is ``head`` where the headrail or tube sits, ``path`` where slats, vanes or cloth pass.
    """

    kind: str
    projection_ticks: int
    at: str = "path"


@dataclass(frozen=True, slots=True)
class Stop:
    """What one side of an outside mount ends on, and the room there is beyond the opening."""

    on: str
    limit_ticks: int


@dataclass(frozen=True, slots=True)
class Opening:
    """
    The readings of one opening; `taken` as typed, `readings` as they count.

    Both are ticks by place (``widths.top`` .. ``diagonals.falling``). A reading that lacks the
    tape's case (`cased`) gets it added; then what lies between two marks goes down to the lower.
    Of an inside width read twice (`again`) the lower counts: it is the most that goes in.
    """

    id: str
    family: str
    mount: str
    unit: str
    taken: Mapping[str, int]
    case_ticks: int | None = None
    cased: frozenset[str] = frozenset()
    laser_ticks: int | None = None
    cover: Mapping[str, int] | None = None
    cloth_extra_ticks: int | None = None
    chosen: tuple[int, int] | None = None
    again: Mapping[str, int] = field(default_factory=dict)
    obstructions: tuple[Obstruction, ...] = ()
    stops_on: Mapping[str, Stop] = field(default_factory=dict)
    room: str = ""
    readings: Mapping[str, int] = field(init=False)

    def __post_init__(self) -> None:
        grid, case, cased = GRID[self.unit], self.case_ticks or 0, self.cased
        readings = {
            place: (ticks + case if place in cased else ticks) // grid * grid for place, ticks in self.taken.items()
        }
        if self.again and self.mount == "inside":
            for place in self.again.keys() & readings.keys() & set(WIDTHS):
                readings[place] = min(readings[place], self.second(place))
        object.__setattr__(self, "readings", readings)

    def first(self, place: str) -> int:
        """Ticks of the first reading of a place, its case added, down to the grid."""
        grid, ticks = GRID[self.unit], self.taken[place]
        return (ticks + (self.case_ticks or 0) if place in self.cased else ticks) // grid * grid

    def second(self, place: str) -> int:
        """Ticks of the second reading of a place, down to the grid."""
        grid = GRID[self.unit]
        return self.again[place] // grid * grid

    def as_read(self, place: str) -> int | None:
        """A reading with its tape case and not rounded, in ticks: sizes go down to the grid, shapes don't."""
        ticks = self.taken.get(place)
        return ticks if ticks is None or place not in self.cased else ticks + (self.case_ticks or 0)

    @property
    def rule(self) -> Rule:
        """The row of the table it is measured by."""
        return rule_for(self.family, self.mount)

    @classmethod
    def from_json(cls, values: Mapping[str, Any], unit: str) -> Opening:
        """From the contract's object; see `read_opening`."""
        return read_opening(Reader(values), unit)

    def to_json(self) -> dict[str, Any]:
        """The contract's object again; readings as they were taken."""
        head = {"id": self.id, "family": self.family, "mount": self.mount}
        return head | self._readings_json() | self._around_json()

    def _readings_json(self) -> dict[str, Any]:
        unit = self.unit
        out: dict[str, Any] = {}
        for group, names in _PLACE_NAMES.items():
            read = {short: shown(self.taken[name], unit) for short, name in names if name in self.taken}
            if read:
                out[group] = read
        if "depth" in self.taken:
            out["depth"] = shown(self.taken["depth"], unit)
        if DIAGONALS[0] in self.taken:
            out["diagonals"] = [shown(self.taken[name], unit) for name in DIAGONALS]
        if self.case_ticks is not None:
            fields = [place for place in PLACES if place in self.cased]
            out["tape_case"] = {"length": shown(self.case_ticks, unit), "fields": fields}
        if self.laser_ticks is not None:
            out["laser"] = shown(self.laser_ticks, unit)
        return out

    def _around_json(self) -> dict[str, Any]:
        """Covers, what was chosen, second readings, what is in the way; each only where there is some."""
        unit = self.unit
        out: dict[str, Any] = {}
        if self.cover is not None:
            out["cover"] = {side: shown(ticks, unit) for side, ticks in self.cover.items()}
        if self.cloth_extra_ticks is not None:
            out["cloth_extra"] = shown(self.cloth_extra_ticks, unit)
        if self.chosen is not None:
            out["chosen"] = {"width": shown(self.chosen[0], unit), "height": shown(self.chosen[1], unit)}
        if self.again:
            out["again"] = {place: shown(ticks, unit) for place, ticks in self.again.items()}
        if self.obstructions:
            out["obstructions"] = [
                {"kind": thing.kind, "projection": shown(thing.projection_ticks, unit), "at": thing.at}
                for thing in self.obstructions
            ]
        if self.stops_on:
            out["stops_on"] = {
                side: {"on": stop.on, "limit": shown(stop.limit_ticks, unit)} for side, stop in self.stops_on.items()
            }
        if self.room:
            out["room"] = self.room
        return out


def read_opening(reader: Reader, unit: str) -> Opening:
    """
    An opening from the contract's object, every value checked.

    Parameters
    ----------
    reader
        The JSON object; its path stands in the errors (``openings[3].widths.top``).
    unit
        Unit of the lengths: ``in``, ``mm`` or ``1``.

    Raises
    ------
    ContractError
        With field, problem and bound: an unknown family, a missing reading that the family's
        table asks for, letters, zero, 600 in or more, a cover on an inside mount.

    Examples
    --------
    >>> doc = {"id": "A", "family": "roller", "mount": "inside", "widths": {"top": "35 5/16"},
    ...        "heights": {"left": "60", "center": "60 1/8", "right": "60 1/4"}}
    >>> Opening.from_json(doc, "in").readings["widths.top"] == 8128 * 35 + 8128 // 4
    True
    """
    id_ = reader.string("id")
    family = reader.string("family", choices=FAMILIES)
    mount = reader.string("mount", choices=MOUNTS)
    taken = _taken(reader, unit)
    case_ticks, cased = _tape_case(reader, unit, taken)
    chosen = _chosen(reader, unit)
    cover = _cover(reader, unit)
    extra = reader.length("cloth_extra", unit, None)
    again = _again(reader, unit)
    opening = Opening(
        id=id_,
        family=family,
        mount=mount,
        unit=unit,
        taken=taken,
        case_ticks=case_ticks,
        cased=cased,
        laser_ticks=_laser(reader, unit),
        cover=cover,
        cloth_extra_ticks=None if extra is None else extra.ticks,
        chosen=chosen,
        again=again,
        obstructions=_obstructions(reader, unit),
        stops_on=_stops_on(reader, unit),
        room=reader.string("room", ""),
    )
    reader.done()
    _refuse_what_does_not_belong(reader, opening)
    _refuse_missing(reader, opening)
    _refuse_nothing(reader, opening)
    return opening


def _taken(reader: Reader, unit: str) -> dict[str, int]:
    taken: dict[str, int] = {}
    for group, names in _PLACE_NAMES.items():
        value = reader.raw(group, None)
        if value is None:
            continue
        if not isinstance(value, dict):
            reader.refuse(group, "readings by place belong here", "{top, middle, bottom}")
        known = 0
        for short, name in names:
            if short in value:
                known += 1
                if value[short] is not None:
                    taken[name] = _ticks(value[short], unit, reader, name)
        if known < len(value):
            other = next(key for key in value if (key, f"{group}.{key}") not in names)
            known_here = ", ".join(short for short, _ in names)
            reader.refuse(f"{group}.{other[:40]}", "unknown field", f"known here: {known_here}")
    depth = reader.raw("depth", None)
    if depth is not None:
        taken["depth"] = _ticks(depth, unit, reader, "depth")
    diagonals = reader.raw("diagonals", None)
    if diagonals is not None:
        if not isinstance(diagonals, list) or len(diagonals) != 2:
            reader.refuse("diagonals", "two readings belong here", "[rising, falling]")
        for place, (name, value) in enumerate(zip(DIAGONALS, diagonals, strict=True)):
            taken[name] = _ticks(value, unit, reader, f"diagonals[{place}]")
    return taken


def _ticks(value: Any, unit: str, reader: Reader, name: str, largest: int = LARGEST_READING.ticks) -> int:
    try:
        ticks = _known_ticks(value, unit)
    except (ContractError, TypeError):  # TypeError: a list or an object can't be cached
        ticks = read_length(value, unit, reader.at(name)).ticks
    if ticks > largest:
        reader.refuse(name, f"{value} is longer than any opening", f"at most {shown(largest, unit)}")
    return ticks


@lru_cache(maxsize=65536)
def _known_ticks(value: str, unit: str) -> int:
    return read_length(value, unit, "").ticks


def _tape_case(reader: Reader, unit: str, taken: Mapping[str, int]) -> tuple[int | None, frozenset[str]]:
    case = reader.object("tape_case", None)
    if case is None:
        return None, frozenset()
    ticks = _ticks(case.raw("length"), unit, case, "length", LARGEST_CASE.ticks)
    if not ticks:
        case.refuse("length", "a case has a length", "more than 0")
    given = case.strings("fields", choices=(*PLACES, *_ALIASES))
    fields = tuple(_ALIASES.get(name, name) for name in given)
    case.done()
    for place, name in enumerate(fields):
        if name not in taken:
            case.refuse(f"fields[{place}]", f"{name} was not read", "a place that was read")
    return ticks, frozenset(fields)


def _laser(reader: Reader, unit: str) -> int | None:
    """The own length of the laser that was used: what can be forgotten, or added twice."""
    laser = reader.raw("laser", None)
    return None if laser is None else _ticks(laser, unit, reader, "laser", LARGEST_CASE.ticks) or None


def _chosen(reader: Reader, unit: str) -> tuple[int, int] | None:
    chosen = reader.object("chosen", None)
    if chosen is None:
        return None
    size = tuple(_ticks(chosen.raw(name), unit, chosen, name) for name in ("width", "height"))
    chosen.done()
    for name, ticks in zip(("width", "height"), size, strict=True):
        if not ticks:
            chosen.refuse(name, "a size is more than nothing", "more than 0")
    return size[0], size[1]


def _cover(reader: Reader, unit: str) -> dict[str, int] | None:
    cover = reader.object("cover", None)
    if cover is None:
        return None
    sides = {side: _ticks(cover.raw(side), unit, cover, side) for side in SIDES if cover.raw(side, None) is not None}
    cover.done()
    return sides


def _again(reader: Reader, unit: str) -> dict[str, int]:
    again = reader.object("again", None)
    if again is None:
        return {}
    seconds = {
        place: _ticks(again.raw(place), unit, again, place) for place in PLACES if again.raw(place, None) is not None
    }
    again.done()
    return seconds


def _obstructions(reader: Reader, unit: str) -> tuple[Obstruction, ...]:
    things = []
    for entry in reader.objects("obstructions", (), most=50):
        kind = entry.string("kind")
        ticks = _ticks(entry.raw("projection"), unit, entry, "projection")
        at = entry.string("at", "path", choices=("head", "path"))
        entry.done()
        things.append(Obstruction(kind, -(-ticks // GRID[unit]) * GRID[unit], at))
    return tuple(things)


def _stops_on(reader: Reader, unit: str) -> dict[str, Stop]:
    stops = reader.object("stops_on", None)
    if stops is None:
        return {}
    out = {}
    for side in SIDES:
        entry = stops.object(side, None)
        if entry is not None:
            ticks = _ticks(entry.raw("limit"), unit, entry, "limit")
            out[side] = Stop(entry.string("on", choices=STOPS), ticks // GRID[unit] * GRID[unit])
            entry.done()
    stops.done()
    return out


def _refuse_what_does_not_belong(reader: Reader, opening: Opening) -> None:
    if opening.mount != "inside":
        return
    for name, value in (
        ("cover", opening.cover),
        ("cloth_extra", opening.cloth_extra_ticks),
        ("chosen", opening.chosen),
    ):
        if value is not None:
            reader.refuse(name, "belongs to an outside mount", "left out on an inside mount")


def _refuse_missing(reader: Reader, opening: Opening) -> None:
    taken = opening.taken
    for place in opening.rule.needs:
        if place not in taken:
            needed = ", ".join(opening.rule.needs)
            reader.refuse(place, "missing", f"an inside {opening.family} needs {needed}")
    if opening.chosen is not None:
        return
    for group, places in (("widths", WIDTHS), ("heights", HEIGHTS)):
        if not any(place in taken for place in places):
            reader.refuse(group, "no reading", "at least one, or the size chosen")


def _refuse_nothing(reader: Reader, opening: Opening) -> None:
    for place, ticks in opening.readings.items():
        if ticks == 0 and place != "depth":
            least = shown(GRID[opening.unit], opening.unit)
            typed = shown(opening.taken[place], opening.unit)
            reader.refuse(place, f"{typed} is no opening", f"at least {least}")
