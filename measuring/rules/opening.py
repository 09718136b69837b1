"""One opening as it was read: the spots, the tape's case, the covers, what is in the way."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Annotated, Any, Final

from measuring.rules.families import (
    DIAGONALS,
    FAMILIES,
    GRID,
    HEIGHTS,
    LARGEST_CASE,
    LARGEST_READING,
    MOUNTS,
    SHAPE_SPOTS,
    SHAPES,
    SIDES,
    SPOTS,
    TABLE,
    WIDTHS,
    Rule,
    rule_for,
    shown,
)
from measuring.rules.shapes import box_spots, is_figure, spots_of
from shared.contracts import UNITS, ContractError, joined, named, read_length
from shared.lengths import Length
from shared.records import Entries, MakeHook, OneOf, Ticks, document_form

_SPOT_NAMES: Final = {
    "widths": tuple((name.partition(".")[2], name) for name in WIDTHS),
    "heights": tuple((name.partition(".")[2], name) for name in HEIGHTS),
    "figure": tuple((name.partition(".")[2], name) for name in SHAPE_SPOTS),
}
_ALIASES: Final = {f"diagonals[{position}]": name for position, name in enumerate(DIAGONALS)}
STOPS: Final = ("sill", "floor", "neighbour")
ENDS: Final = ("left", "right")
FLOORS: Final = tuple(TABLE["floors"])
"""Kinds of floor, each with what is kept over it; one that nobody named counts as hard."""


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
class SetBack:
    """How far a unit stops short of a corner, in ticks (below 0: it runs past an outside corner), and why."""

    ticks: int
    why: str


@dataclass(frozen=True, slots=True)
class Bay:
    """
    The wall of a bay or corner that a unit hangs on, corner to corner at the headrail's back, in ticks.

    `backs` has a set-back for each side with a corner, worked out for the whole bay by `measuring.rules.bays`.
    """

    wall: int
    backs: Mapping[str, SetBack]
    meets: str = ""
    """What else of the bay it would stand in; empty where it stands in nothing."""

    @property
    def room(self) -> int:
        """Ticks the corners leave of the wall."""
        return self.wall - sum(back.ticks for back in self.backs.values())


@dataclass(frozen=True, slots=True)
class Opening:
    """
    The readings of one opening; `taken` as typed, `readings` as they count.

    Both are ticks by spot (``widths.top`` .. ``diagonals.falling``). A reading that lacks the
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
    by_laser: frozenset[str] = frozenset()
    """Spots that no tape was held at."""
    cover: Mapping[str, int] | None = None
    cloth_extra_ticks: int | None = None
    chosen: tuple[int, int] | None = None
    again: Mapping[str, int] = field(default_factory=dict)
    obstructions: tuple[Obstruction, ...] = ()
    stops_on: Mapping[str, Stop] = field(default_factory=dict)
    floor: str = ""
    """The kind of floor the covering ends on, of the table's; empty where it ends on none."""
    to_come: str = ""
    """What is still to be built around it."""
    room: str = ""
    shape: str = "rectangle"
    bay: Bay | None = None
    readings: Mapping[str, int] = field(init=False)

    def __post_init__(self) -> None:
        grid, case, cased = GRID[self.unit], self.case_ticks or 0, self.cased
        readings = {
            spot: (ticks + case if spot in cased else ticks) // grid * grid for spot, ticks in self.taken.items()
        }
        if self.again and self.mount == "inside":
            for spot in self.again.keys() & readings.keys() & set(WIDTHS):
                readings[spot] = min(readings[spot], self.second(spot))
        object.__setattr__(self, "readings", readings)

    def first(self, spot: str) -> int:
        """Ticks of the first reading of a spot, its case added, down to the grid."""
        grid, ticks = GRID[self.unit], self.taken[spot]
        return (ticks + (self.case_ticks or 0) if spot in self.cased else ticks) // grid * grid

    def second(self, spot: str) -> int:
        """Ticks of the second reading of a spot, down to the grid."""
        grid = GRID[self.unit]
        return self.again[spot] // grid * grid

    def as_read(self, spot: str) -> int | None:
        """A reading with its tape case and not rounded, in ticks: sizes go down to the grid, shapes don't."""
        ticks = self.taken.get(spot)
        return ticks if ticks is None or spot not in self.cased else ticks + (self.case_ticks or 0)

    @property
    def over_floor(self) -> int:
        """Ticks that are kept over the floor it ends on; 0 where it ends on none."""
        return int(TABLE["floors"][self.floor]["over"]) if self.floor else 0

    @property
    def rule(self) -> Rule:
        """The row of the table it is measured by."""
        return rule_for(self.family, self.mount, self.shape)

    @property
    def figure(self) -> dict[str, int]:
        """Its readings with their tape case and not rounded, in ticks by spot: what a shape is checked by."""
        return {spot: ticks for spot in self.taken if (ticks := self.as_read(spot)) is not None}

    @classmethod
    def from_json(cls, values: Mapping[str, object], unit: str) -> Opening:
        """From the contract's object; see `read_opening`."""
        return read_opening(values, unit)

    def to_json(self) -> dict[str, Any]:
        """The contract's object again; readings as they were taken."""
        head = {"id": self.id, "family": self.family, "mount": self.mount}
        return head | self._readings_json() | self._around_json()

    def _readings_json(self) -> dict[str, Any]:
        unit = self.unit
        out: dict[str, object] = {}
        for group, names in _SPOT_NAMES.items():
            read = {short: shown(self.taken[name], unit) for short, name in names if name in self.taken}
            if read:
                out[group] = read
        if "depth" in self.taken:
            out["depth"] = shown(self.taken["depth"], unit)
        if DIAGONALS[0] in self.taken:
            out["diagonals"] = [shown(self.taken[name], unit) for name in DIAGONALS]
        if self.case_ticks is not None:
            fields = [spot for spot in SPOTS if spot in self.cased]
            out["tape_case"] = {"length": shown(self.case_ticks, unit), "fields": fields}
        if self.laser_ticks is not None:
            out["laser"] = shown(self.laser_ticks, unit)
        return out

    def _around_json(self) -> dict[str, Any]:
        """Covers, what was chosen, second readings, what is in the way; each only where there is some."""
        unit = self.unit
        out: dict[str, object] = {}
        if self.cover is not None:
            out["cover"] = {side: shown(ticks, unit) for side, ticks in self.cover.items()}
        if self.cloth_extra_ticks is not None:
            out["cloth_extra"] = shown(self.cloth_extra_ticks, unit)
        if self.chosen is not None:
            out["chosen"] = {"width": shown(self.chosen[0], unit), "height": shown(self.chosen[1], unit)}
        if self.again:
            out["again"] = {spot: shown(ticks, unit) for spot, ticks in self.again.items()}
        if self.obstructions:
            out["obstructions"] = [
                {"kind": thing.kind, "projection": shown(thing.projection_ticks, unit), "at": thing.at}
                for thing in self.obstructions
            ]
        if self.stops_on:
            out["stops_on"] = {
                side: {"on": stop.on, "limit": shown(stop.limit_ticks, unit)} for side, stop in self.stops_on.items()
            }
        if self.floor:
            out["floor"] = self.floor
        if self.bay is not None:
            backs = {side: {"by": shown(back.ticks, unit), "why": back.why} for side, back in self.bay.backs.items()}
            out["bay"] = {"wall": shown(self.bay.wall, unit), "set_back": backs, "meets": self.bay.meets}
        if self.room:
            out["room"] = self.room
        if self.shape != "rectangle":
            out["shape"] = self.shape
        return out


Read = Annotated[int, "ticks of a reading"]
Case = Annotated[int, "ticks of a tape's case, or of a laser"]
Readings = Mapping[str, Read | None]


@dataclass(frozen=True)
class TapeCase:
    """The tape's case, and the readings that lack it."""

    length: Case
    fields: Annotated[tuple[str, ...], OneOf(*SPOTS, *_ALIASES)]

    def check(self) -> None:
        """It has a length."""
        if not self.length:
            raise ContractError("length", "a case has a length", "more than 0")


@dataclass(frozen=True)
class Chosen:
    """The size that was chosen."""

    width: Read
    height: Read

    def check(self) -> None:
        """It is a size."""
        for name in ("width", "height"):
            if not getattr(self, name):
                raise ContractError(name, "a size is more than nothing", "more than 0")


@dataclass(frozen=True)
class WrittenObstruction:
    """An `Obstruction` as it was read, not rounded."""

    kind: str
    projection: Read
    at: Annotated[str, OneOf("head", "path")] = "path"


@dataclass(frozen=True)
class WrittenStop:
    """A `Stop` as it was read, not rounded."""

    on: Annotated[str, OneOf(*STOPS)]
    limit: Read


@dataclass(frozen=True)
class WrittenBack:
    """A `SetBack`."""

    by: Read
    why: str = ""


@dataclass(frozen=True)
class WrittenBay:
    """A `Bay`."""

    wall: Read
    set_back: Mapping[str, WrittenBack | None]
    meets: str = ""

    def check(self) -> None:
        """The wall has a width, and its corners are left and right."""
        if not self.wall:
            raise ContractError("wall", "a wall is more than nothing", "more than 0")
        if not self.set_back.keys() <= set(ENDS):
            raise ContractError("set_back", "no such end of a wall", ", ".join(ENDS))


@dataclass
class Written:
    """An opening as documents have it."""

    id: str
    family: Annotated[str, OneOf(*FAMILIES)]
    mount: Annotated[str, OneOf(*MOUNTS)]
    widths: Readings | None = None
    heights: Readings | None = None
    depth: Read | None = None
    diagonals: tuple[Read, ...] | None = None
    tape_case: TapeCase | None = None
    laser: Case | None = None
    chosen: Chosen | None = None
    cover: Readings | None = None
    cloth_extra: Ticks | None = None
    again: Readings | None = None
    obstructions: Annotated[tuple[WrittenObstruction, ...], Entries(50)] = ()
    stops_on: Mapping[str, WrittenStop | None] | None = None
    floor: Annotated[str, OneOf("", *FLOORS)] = ""
    room: str = ""
    shape: Annotated[str, OneOf(*SHAPES)] = "rectangle"
    figure: Readings | None = None
    bay: WrittenBay | None = None

    def check(self) -> None:
        """Spots and sides are known, and the diagonals are two."""
        for name, known in _KEYS.items():
            held = getattr(self, name)
            if held and not held.keys() <= known.keys():
                other = next(key for key in held if key not in known)
                raise ContractError(f"{name}.{named(other)}", "unknown field", "known here: " + ", ".join(known))
        if self.diagonals is not None and len(self.diagonals) != 2:
            raise ContractError("diagonals", "two readings belong here", "[rising, falling]")

    def taken(self) -> dict[str, int]:
        """The readings by spot."""
        found: dict[str, int] = {}
        for group, names in _SPOT_NAMES.items():
            held: Readings = getattr(self, group) or {}
            found.update((spot, held[short] or 0) for short, spot in names if held.get(short) is not None)
        if self.depth is not None:
            found["depth"] = self.depth
        found.update(zip(DIAGONALS, self.diagonals or (), strict=False))
        return found


_KEYS: Final[Mapping[str, Mapping[str, str]]] = {
    **{group: dict(names) for group, names in _SPOT_NAMES.items()},
    **{name: dict.fromkeys(known, "") for name, known in (("cover", SIDES), ("again", SPOTS), ("stops_on", SIDES))},
}


def _up_to(largest: Length, unit: str) -> MakeHook:
    bound = f"at most {shown(largest.ticks, unit)}"

    def hook(value: object, _: object) -> int:
        ticks = _known_ticks(value, unit) if isinstance(value, str) else read_length(value, unit, "").ticks
        if ticks > largest.ticks:
            raise ContractError("", f"{value} is longer than any opening", bound)
        return ticks

    return lambda limit: hook


@lru_cache(maxsize=65536)
def _known_ticks(value: str, unit: str) -> int:
    return read_length(value, unit, "").ticks


FORMS: Final = {
    unit: document_form(unit, {Read: _up_to(LARGEST_READING, unit), Case: _up_to(LARGEST_CASE, unit)}) for unit in UNITS
}


def read_opening(values: object, unit: str, path: str = "") -> Opening:
    """
    An opening from the contract's object, every value checked.

    Parameters
    ----------
    values
        The JSON object.
    unit
        Unit of the lengths: ``in``, ``mm`` or ``1``.
    path
        Where the object stands, for the errors: ``openings[3]``.

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
    written = FORMS[unit].read(Written, values, path)
    try:
        return _opening_of(written, unit)
    except ContractError as error:
        raise ContractError(joined(path, error.field), error.problem, error.bound) from None


def _opening_of(written: Written, unit: str) -> Opening:
    grid, case, chosen = GRID[unit], written.tape_case, written.chosen
    taken = written.taken()
    opening = Opening(
        id=written.id,
        family=written.family,
        mount=written.mount,
        unit=unit,
        taken=taken,
        case_ticks=case.length if case else None,
        cased=_cased(case, taken) if case else frozenset(),
        laser_ticks=written.laser or None,
        cover=None if written.cover is None else _given(written.cover, SIDES),
        cloth_extra_ticks=written.cloth_extra,
        chosen=(chosen.width, chosen.height) if chosen else None,
        again=_given(written.again or {}, SPOTS),
        obstructions=tuple(
            Obstruction(thing.kind, -(-thing.projection // grid) * grid, thing.at) for thing in written.obstructions
        ),
        stops_on={
            side: Stop(stop.on, stop.limit // grid * grid)
            for side, stop in _given(written.stops_on or {}, SIDES).items()
        },
        floor=written.floor,
        room=written.room,
        shape=written.shape,
        bay=_bay(written.bay) if written.bay else None,
    )
    _refuse_what_does_not_belong(opening)
    _refuse_missing(opening)
    _refuse_nothing(opening)
    return opening


def _bay(written: WrittenBay) -> Bay:
    backs = _given(written.set_back, ENDS)
    return Bay(written.wall, {side: SetBack(back.by, back.why) for side, back in backs.items()}, written.meets)


def _given(values: Mapping[str, object], order: Sequence[str]) -> dict[str, Any]:
    return {key: values[key] for key in order if values.get(key) is not None}


def _cased(case: TapeCase, taken: Mapping[str, int]) -> frozenset[str]:
    fields = tuple(_ALIASES.get(name, name) for name in case.fields)
    for position, name in enumerate(fields):
        if name not in taken:
            raise ContractError(f"tape_case.fields[{position}]", f"{name} was not read", "a place that was read")
    return frozenset(fields)


def _refuse_what_does_not_belong(opening: Opening) -> None:
    own = spots_of(opening.shape)
    for spot in opening.taken:
        if spot not in own:
            raise ContractError(spot, f"is not read of {SHAPES[opening.shape]['article']}", ", ".join(own))
    if opening.mount != "inside":
        return
    for name, value in (
        ("cover", opening.cover),
        ("cloth_extra", opening.cloth_extra_ticks),
        ("chosen", opening.chosen),
    ):
        if value is not None:
            raise ContractError(name, "belongs to an outside mount", "left out on an inside mount")


def _refuse_missing(opening: Opening) -> None:
    taken = opening.taken
    for spot in opening.rule.needs:
        if spot not in taken:
            needed = ", ".join(opening.rule.needs)
            raise ContractError(spot, "missing", f"an inside {opening.family} needs {needed}")
    if opening.chosen is not None:
        return
    for group, spots in groups_read(opening.shape):
        is_given = group == "widths" and opening.bay is not None
        if not is_given and not any(spot in taken for spot in spots):
            raise ContractError(group, "no reading", "at least one, or the size chosen")


def groups_read(shape: str) -> Sequence[tuple[str, Sequence[str]]]:
    """Sets of spots of which one at least must be read before there is a size, each with its name."""
    if is_figure(shape):
        return [(spot, (spot,)) for spot in box_spots(shape)]
    return [("widths", WIDTHS), ("heights", HEIGHTS)]


def _refuse_nothing(opening: Opening) -> None:
    for spot, ticks in opening.readings.items():
        if ticks == 0 and spot not in TABLE["may_be_zero"]:
            least = shown(GRID[opening.unit], opening.unit)
            typed = shown(opening.taken[spot], opening.unit)
            raise ContractError(spot, f"{typed} is no opening", f"at least {least}")
