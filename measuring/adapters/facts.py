"""What is recorded of an opening beside its readings, as people and devices send it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Final

from django.core.exceptions import ValidationError

from measuring.models import FixedTo, Group, Lapping, Mount, Opening, Product, Room, Shape, Substrate, ToCome
from measuring.rules.families import LARGEST_READING, SIDES, TABLE
from shared.errors import Refused
from shared.lengths import READING_GRID, Length, LengthError, LengthUnit, parse_length

FACTS: Final[Mapping[str, Mapping[str, Any]]] = TABLE["facts"]
"""Every fact there is, as the table has it: its kind, how long, and who takes it along."""

STOPS: Final = tuple(TABLE["stops"])
MOST_UNITS: Final = FACTS["units_wanted"]["most"]
_TRUE: Final = frozenset({True, "on", "yes", "true", "1"})


def read_entry(
    typed: object, unit: LengthUnit, field: str, *, least: Length | None = None, most: Length = LARGEST_READING
) -> Length:
    """
    A length somebody typed; refuses letters, nothing, zero and what no opening reaches.

    Raises
    ------
    Refused
        With the field, the problem and the bound.
    """
    try:
        length = parse_length(typed if isinstance(typed, str) else "", unit)
    except LengthError as error:
        raise Refused(error.problem, field=field) from None
    bound = least if least is not None else READING_GRID[unit]
    if length < bound:
        shown = bound.text(unit, symbol=True)
        raise Refused(f"{typed} is too small; the least is {shown}", field=field, bound=f"at least {shown}")
    if length > most:
        shown = most.text(unit, symbol=True)
        raise Refused(f"{typed} is too much; the most is {shown}", field=field, bound=f"at most {shown}")
    return length


@dataclass(frozen=True, slots=True)
class About:
    """Where facts are read for: the opening's unit and job."""

    unit: LengthUnit
    job_id: int
    branch_id: int
    now: Opening | None = None


Cleaner = Callable[[Any, str, About], Any]


def _text(longest: int) -> Cleaner:
    def clean(value: object, field: str, about: About) -> str:
        text = "" if value is None else str(value).strip()
        if len(text) > longest:
            raise Refused(f"{len(text)} characters; at most {longest}", field=field, bound=f"at most {longest}")
        if "\x00" in text:
            raise Refused("a character that can't be kept", field=field)
        return text

    return clean


def _mark(longest: int) -> Cleaner:
    def clean(value: object, field: str, about: About) -> str:
        mark: str = _text(longest)(value, field, about)
        if not mark:
            raise Refused("every opening has a mark, such as A or W-204", field=field)
        return mark

    return clean


def _choice(choices: Any) -> Cleaner:
    def clean(value: Any, field: str, about: About) -> str:
        if value not in choices.values:
            raise Refused(f"{str(value)[:40]} is not known", field=field, bound=", ".join(choices.values))
        return str(value)

    return clean


def _truth(value: object, field: str, about: About) -> bool:
    return value in _TRUE if isinstance(value, str | bool) else False


def _up(value: object, field: str, about: About) -> Length | None:
    """A length that must be cleared: up to the grid."""
    if value in (None, ""):
        return None
    return read_entry(value, about.unit, field).up(READING_GRID[about.unit])


def _down(value: object, field: str, about: About) -> Length | None:
    if value in (None, ""):
        return None
    return read_entry(value, about.unit, field).down(READING_GRID[about.unit])


def _between(value: object, field: str, about: About) -> Length | None:
    """What is kept between two things, which may be nothing: up to the grid."""
    if value in (None, ""):
        return None
    return read_entry(value, about.unit, field, least=Length(0)).up(READING_GRID[about.unit])


def _product(value: Any, field: str, about: About) -> Product | None:
    if value in (None, ""):
        return None
    if isinstance(value, Product):
        value = value.pk
    wanted = {"pk": int(value)} if str(value).isdigit() else {"key": str(value)}
    product = Product.objects.filter(branch_id=about.branch_id, **wanted).first()
    if product is None:
        raise Refused(f"{str(value)[:40]} is not in the range", field=field)
    if not product.is_active and not (about.now and about.now.product_id == product.pk):
        raise Refused(f"{product.name} is not offered any more", field=field)
    return product


def _room(value: Any, field: str, about: About) -> Room:
    if isinstance(value, Room):
        value = value.pk
    rooms = Room.objects.filter(job_id=about.job_id)
    room = rooms.filter(pk=int(value)).first() if str(value).isdigit() else _by_uid(rooms, value)
    if room is None:
        raise Refused("no such room in this job", field=field)
    return room


def _group(value: Any, field: str, about: About) -> Group | None:
    if value in (None, ""):
        return None
    if isinstance(value, Group):
        value = value.pk
    group = Group.objects.filter(job_id=about.job_id, pk=int(value)).first() if str(value).isdigit() else None
    if group is None:
        raise Refused("no such group in this job", field=field)
    return group


def _by_uid(rows: Any, value: Any) -> Any:
    try:
        return rows.filter(uid=value).first()
    except (ValidationError, ValueError, TypeError):
        return None


def _stops_on(value: object, field: str, about: About) -> dict[str, object]:
    """Sides that stop on a sill, a floor or a neighbour, each with its limit, rounded down."""
    if not value:
        return {}
    if not isinstance(value, Mapping):
        raise Refused("a side to what it stops on", field=field)
    stops: dict[str, object] = {}
    for side, entry in value.items():
        if side not in SIDES or not isinstance(entry, Mapping):
            raise Refused(f"{str(side)[:20]} is no side", field=field, bound=", ".join(SIDES))
        if not entry.get("on"):
            continue
        if entry["on"] not in STOPS:
            raise Refused("it stops on a sill, a floor or a neighbour", field=f"{field}.{side}.on")
        name = f"{field}.{side}.limit"
        limit = read_entry(entry.get("limit") or "", about.unit, name, least=Length(0))
        stops[side] = {"on": entry["on"], "limit": limit.down(READING_GRID[about.unit]).ticks}
    return stops


def _site_facts(value: object, field: str, about: About) -> dict[str, str]:
    if not isinstance(value, Mapping):
        raise Refused("a name to what was found", field=field)
    if len(value) > 30:
        raise Refused(f"{len(value)} facts; at most 30", field=field)
    return {str(key)[:40]: str(fact)[:200] for key, fact in value.items() if fact not in (None, "")}


def _units_wanted(value: object, field: str, about: About) -> int:
    try:
        count = int(str(value))
    except ValueError:
        raise Refused("a whole number", field=field, bound=f"1 to {MOST_UNITS}") from None
    if not 1 <= count <= MOST_UNITS:
        raise Refused(f"{count} units in one opening", field=field, bound=f"1 to {MOST_UNITS}")
    return count


def _split(value: object, field: str, about: About) -> list[int]:
    """Widths of the units from the left; a line of text with + between, or a list."""
    if not value:
        return []
    parts = value.split("+") if isinstance(value, str) else value
    if not isinstance(parts, list | tuple) or len(parts) > MOST_UNITS:
        raise Refused("widths from the left, such as 30 1/2 + 30 1/2", field=field)
    grid = READING_GRID[about.unit]
    return [read_entry(part, about.unit, field).down(grid).ticks for part in parts]


_CHOICES: Final[Mapping[str, Any]] = {
    "shape": Shape,
    "mount": Mount,
    "fixed_to": FixedTo,
    "substrate": Substrate,
    "sill": Opening.Sill,
    "lapping": Lapping,
    "to_come": ToCome,
}
_KINDS: Final[Mapping[str, Cleaner]] = {
    "room": _room,
    "group": _group,
    "product": _product,
    "stops": _stops_on,
    "truth": _truth,
    "up": _up,
    "down": _down,
    "between": _between,
    "found": _site_facts,
    "count": _units_wanted,
    "widths": _split,
}


def _cleaner(name: str, row: Mapping[str, Any]) -> Cleaner:
    if row["kind"] == "mark":
        return _mark(row["most"])
    if row["kind"] == "text":
        return _text(row["most"])
    return _choice(_CHOICES[name]) if row["kind"] == "choice" else _KINDS[row["kind"]]


CLEANERS: Final[Mapping[str, Cleaner]] = {name: _cleaner(name, row) for name, row in FACTS.items()}
"""How what was sent becomes a value, by fact."""

COPIED: Final = tuple(name for name, row in FACTS.items() if row.get("copied"))
"""Facts a copy of an opening takes along."""

ROOM_DEFAULTS: Final = tuple(name for name, row in FACTS.items() if row.get("room"))
"""Facts that new openings of a room begin with, where the room says so."""

SIZE_FACTS: Final = frozenset(name for name, row in FACTS.items() if row.get("ordered"))
"""Facts that a released unit was ordered by."""


def clean_facts(sent: Mapping[str, object], about: About) -> tuple[dict[str, Any], dict[str, str]]:
    """The facts that are fit to keep, and the problem of each that is not."""
    clean: dict[str, object] = {}
    problems: dict[str, str] = {}
    for name, value in sent.items():
        cleaner = CLEANERS.get(name)
        if cleaner is None:
            problems[str(name)[:40]] = "no such fact of an opening"
            continue
        try:
            clean[name] = cleaner(value, name, about)
        except Refused as refusal:
            problems[refusal.field or name] = refusal.problem
    return clean, problems


def fixed_for(mount: str, fixed_to: str) -> str:
    """What a covering of this mount is fixed to: an outside mount never to the jamb, but to the wall beside it."""
    return FixedTo.WALL.value if fixed_to in TABLE["never_fixed_to"][mount] else fixed_to


def shown_fact(value: object, unit: LengthUnit) -> Any:
    """
    A fact as plain JSON that its cleaner takes back.

    Devices compare it with what they saw, and two of them can be shown side by side.
    """
    if isinstance(value, Length):
        return value.text(unit, symbol=True)
    if isinstance(value, Product):
        return value.key
    if isinstance(value, Room):
        return str(value.uid)
    if isinstance(value, Group):
        return value.pk
    if isinstance(value, list):
        return " + ".join(Length(ticks).text(unit, symbol=True) for ticks in value)
    if isinstance(value, dict):
        return {
            key: {"on": inner["on"], "limit": Length(inner["limit"]).text(unit, symbol=True)}
            if isinstance(inner, dict)
            else inner
            for key, inner in value.items()
        }
    return value


def facts_of(opening: Opening, unit: LengthUnit) -> dict[str, object]:
    """Every fact of an opening as `shown_fact` gives it."""
    return {name: shown_fact(getattr(opening, name), unit) for name in CLEANERS}
