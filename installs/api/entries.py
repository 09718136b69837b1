"""What an installer's phone sends: each kind of entry over the same services as the pages."""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Annotated, Any

from django.core.exceptions import PermissionDenied

from fabrication.models import Material
from installs import access
from installs.models import Load, Stop
from installs.services import loads, stops
from installs.services.stops import PAD
from jobs.models import Appointment, ServiceCall
from jobs.services import appointments as calendar
from shared.contracts import ContractError
from shared.devices.kinds import PHOTO_TEXT, Done, Key, Note, Reply, Touches, entry, picture_of
from shared.errors import Refused
from shared.records import Longest, OneOf, Record, Within

MOST_LINES = 5000


@dataclass(frozen=True, kw_only=True)
class OfStop(Record):
    """An entry about a stop."""

    appointment: Key


@dataclass(frozen=True, kw_only=True)
class OfUnit(OfStop):
    """An entry about one unit of a stop."""

    unit: Key


@dataclass(frozen=True, kw_only=True)
class OfLoad(Record):
    """An entry about a truck's load."""

    load: Key


def _visit(body: OfStop, done: Done) -> Appointment:
    if not done.by.has_role(*access.INSTALLS):
        raise PermissionDenied
    found: Appointment = access.stop_for(done.by, body.appointment)
    return found


def _load(body: OfLoad, done: Done) -> Load:
    if not done.by.has_role(*access.LOADS):
        raise PermissionDenied
    return access.load_for(done.by, body.load)


def _stop_touched(body: OfStop, entry_id: uuid.UUID) -> Touches:
    """The entries of a stop keep their order."""
    own = frozenset({f"stop:{body.appointment}"})
    row = Appointment.objects.filter(pk=body.appointment).select_related("job__customer").first()
    if row is None:
        return Touches(own, own)
    return Touches(own, own, row.job_id, f"{row.job.number} {row.job.customer.name}, {row.get_purpose_display()}")


def _load_touched(body: OfLoad, entry_id: uuid.UUID) -> Touches:
    """The entries of a load keep their order."""
    own = frozenset({f"load:{body.load}"})
    row = Load.objects.filter(pk=body.load).select_related("crew").first()
    return Touches(own, own, None, str(row) if row is not None else "")


# -- the load -----------------------------------------------------------------------------


def check_line_keys(counts: Mapping[str, int], path: str) -> None:
    """Refuses what is no line by its key."""
    for key in counts:
        if not (key.isascii() and key.isdigit() and len(key) <= 18):
            raise ContractError(f"{path}.{key[:60]}", "no line of a load", "a whole number")


Counts = Annotated[Mapping[str, int], Longest(MOST_LINES)]


@dataclass(frozen=True, kw_only=True)
class Checked(OfLoad):
    """Pieces on the truck by line; `before` and `text` are what the phone takes back by."""

    counts: Counts
    before: Counts = field(default_factory=dict)
    text: Note = ""

    def check(self) -> None:
        check_line_keys(self.counts, "counts")
        for key, count in self.counts.items():
            if not 0 <= count <= 100_000:
                raise ContractError(f"counts.{key}", f"{count} is out of bounds", "0 to 100000")


@entry("installs.load_checked", "packages ticked off", Checked, _load_touched)
def load_checked(body: Checked, done: Done) -> Reply:
    """What was counted stands, however often it is sent."""
    counts = {int(key): count for key, count in body.counts.items()}
    loads.check_counts(load=_load(body, done), counts=counts, by=done.by)
    return {}


@dataclass(frozen=True, kw_only=True)
class Undone(OfLoad):
    """The last tick taken back, if it was of these lines."""

    lines: Annotated[tuple[int, ...], Longest(MOST_LINES)]


@entry("installs.load_undone", "a tick taken back", Undone, _load_touched)
def load_undone(body: Undone, done: Done) -> Reply:
    """The last tick taken back, if it was of these lines."""
    loads.undo_check(load=_load(body, done), lines=list(body.lines), by=done.by)
    return {}


@dataclass(frozen=True, kw_only=True)
class Left(OfLoad):
    """The truck left the yard."""

    reason: Note = ""


@entry("installs.load_left", "the truck left", Left, _load_touched)
def load_left(body: Left, done: Done) -> Reply:
    """The truck left the yard."""
    loads.leave_yard(load=_load(body, done), reason=body.reason, by=done.by, at=done.at)
    return {}


@dataclass(frozen=True, kw_only=True)
class PutBack(OfLoad):
    """So many of a line came back in all."""

    line: Key
    count: Annotated[int, Within(0, 100_000)]


@entry("installs.load_put_back", "what came back on the truck", PutBack, _load_touched)
def load_put_back(body: PutBack, done: Done) -> Reply:
    """So many of a line came back in all."""
    load = _load(body, done)
    line = load.lines.filter(pk=body.line).first()
    if line is None:
        raise Refused("this line is not of this load", field="line")
    loads.put_back(load=load, line=line, count=body.count, by=done.by)
    return {}


@entry("installs.load_back", "the truck is back", OfLoad, _load_touched)
def load_back(body: OfLoad, done: Done) -> Reply:
    """The truck is back in the yard."""
    loads.come_back(load=_load(body, done), by=done.by, at=done.at)
    return {}


# -- the stop -----------------------------------------------------------------------------


@entry("installs.on_the_way", "leaving for a stop", OfStop, _stop_touched)
def on_the_way(body: OfStop, done: Done) -> Reply:
    """The crew set out for it."""
    calendar.mark_on_the_way(appointment=_visit(body, done), by=done.by, at=done.at)
    return {}


@entry("installs.arrived", "the arrival", OfStop, _stop_touched)
def arrived(body: OfStop, done: Done) -> Reply:
    """The crew is there."""
    stops.arrive(appointment=_visit(body, done), by=done.by, at=done.at)
    return {}


@entry("installs.taken_back", "the last tap taken back", OfStop, _stop_touched)
def taken_back(body: OfStop, done: Done) -> Reply:
    """Leaving, arrived, or the stop's finish: as it was before."""
    stops.take_back(appointment=_visit(body, done), by=done.by, at=done.at)
    return {}


@entry("installs.installed", "a unit installed", OfUnit, _stop_touched)
def installed(body: OfUnit, done: Done) -> Reply:
    """A unit is up."""
    visit = _visit(body, done)
    stops.mark_installed(appointment=visit, units=[access.unit_key(visit, body.unit)], by=done.by, at=done.at)
    return {}


@dataclass(frozen=True, kw_only=True)
class AllInstalled(OfStop):
    """The units that had no outcome on the phone are up."""

    units: Annotated[tuple[Key, ...], Longest(2000)]


@entry("installs.all_installed", "units installed", AllInstalled, _stop_touched)
def all_installed(body: AllInstalled, done: Done) -> Reply:
    """Those units come back."""
    visit = _visit(body, done)
    units = [access.unit_key(visit, key) for key in body.units]
    stops.mark_installed(appointment=visit, units=units, by=done.by, at=done.at)
    return {"units": [unit.pk for unit in units]}


@dataclass(frozen=True, kw_only=True)
class NotInstalled(OfUnit):
    """A unit did not go up, and why."""

    cause: str
    note: Note = ""


@entry("installs.not_installed", "a unit not installed", NotInstalled, _stop_touched)
def not_installed(body: NotInstalled, done: Done) -> Reply:
    """A unit did not go up, and why."""
    visit = _visit(body, done)
    stops.mark_not_installed(
        appointment=visit,
        unit=access.unit_key(visit, body.unit),
        cause=body.cause,
        note=body.note,
        by=done.by,
        at=done.at,
    )
    return {}


@entry("installs.undo", "an outcome taken back", OfUnit, _stop_touched)
def undo(body: OfUnit, done: Done) -> Reply:
    """A tap taken back: the unit is to do again."""
    visit = _visit(body, done)
    stops.undo_outcome(appointment=visit, unit=access.unit_key(visit, body.unit), by=done.by)
    return {}


@dataclass(frozen=True, kw_only=True)
class Motor(OfUnit):
    """How a unit's motor was left."""

    limits: bool = False
    charged: bool = False
    channel: Annotated[str, Longest(20)] = ""
    remote: Annotated[str, Longest(60)] = ""
    hub: Annotated[str, Longest(60)] = ""


@entry("installs.motor", "how a motor was left", Motor, _stop_touched)
def motor(body: Motor, done: Done) -> Reply:
    """What was said last stands."""
    visit = _visit(body, done)
    stops.note_motor(
        appointment=visit,
        unit=access.unit_key(visit, body.unit),
        limits=body.limits,
        charged=body.charged,
        channel=body.channel,
        remote=body.remote,
        hub=body.hub,
        by=done.by,
    )
    return {}


@dataclass(frozen=True, kw_only=True)
class Hardware(OfStop):
    """Hardware used otherwise; the material's key is as its form has it, empty for none."""

    material: Any = None
    change: Annotated[int, Within(-10_000, 10_000)] = 0
    note: Note = ""
    unit: Key | None = None

    def check(self) -> None:
        if self.material not in (None, "") and not _is_key(self.material):
            raise ContractError("material", "no material where one belongs", "a whole number, or empty")

    @property
    def material_key(self) -> int | None:
        return int(self.material) if self.material else None


def _is_key(value: object) -> bool:
    if isinstance(value, str):
        return value.isascii() and value.isdigit() and len(value) <= 18
    return isinstance(value, int) and not isinstance(value, bool) and 0 < value < 2**63


@entry("installs.hardware", "hardware used", Hardware, _stop_touched)
def hardware(body: Hardware, done: Done) -> Reply:
    """Its key comes back."""
    visit, key = _visit(body, done), body.material_key
    material = Material.objects.filter(branch=visit.job.branch, pk=key).first() if key else None
    if key and material is None:
        raise Refused("this item is not in stock any more", field="material")
    made = stops.note_hardware(
        appointment=visit,
        by=done.by,
        change=body.change,
        material=material,
        unit=access.unit_key(visit, body.unit) if body.unit else None,
        note=body.note,
        uid=done.entry_id,
        at=done.at,
    )
    return {"hardware": made.pk}


@dataclass(frozen=True, kw_only=True)
class StopPicture(OfStop):
    """A photo of a stop or of one of its units, as base64."""

    data: Annotated[str, Longest(PHOTO_TEXT)]
    unit: Key | None = None
    caption: Note = ""


@entry("installs.photo", "a photo", StopPicture, _stop_touched)
def photo(body: StopPicture, done: Done) -> Reply:
    """Its key comes back."""
    visit = _visit(body, done)
    made = stops.add_photo(
        appointment=visit,
        data=picture_of(body.data),
        by=done.by,
        unit=access.unit_key(visit, body.unit) if body.unit else None,
        caption=body.caption,
        uid=done.entry_id,
        at=done.at,
    )
    return {"photo": made.pk}


@dataclass(frozen=True, kw_only=True)
class Sign(OfStop):
    """A name drawn on the glass, stroke by stroke; or with whom it was left."""

    name: Note = ""
    strokes: Annotated[tuple[tuple[tuple[int, ...], ...], ...], Within(0, PAD)] = ()
    left_with: Note = ""

    def check(self) -> None:
        for position, stroke in enumerate(self.strokes):
            for at, point in enumerate(stroke):
                if len(point) != 2:
                    raise ContractError(f"strokes[{position}][{at}]", f"{len(point)} numbers", "two: across and down")


@entry("installs.sign", "the sign-off", Sign, _stop_touched)
def sign(body: Sign, done: Done) -> Reply:
    """A name drawn on the glass; or with whom it was left."""
    stops.sign(
        appointment=_visit(body, done),
        by=done.by,
        name=body.name,
        strokes=body.strokes,
        left_with=body.left_with,
        at=done.at,
    )
    return {}


@dataclass(frozen=True, kw_only=True)
class StopDone(OfStop):
    """The stop is finished: the checks ticked, and by each the units it is not true of; what came of a service call."""

    note: Note = ""
    result: Annotated[str, OneOf("", *ServiceCall.Result.values)] = ""
    checked: Annotated[tuple[str, ...], OneOf(*Stop.Check.values)] = ()
    excepted: Annotated[Mapping[str, tuple[Key, ...]], Longest(len(Stop.OF_UNITS))] = field(default_factory=dict)

    def check(self) -> None:
        for key in self.excepted:
            if key not in Stop.OF_UNITS:
                raise ContractError(f"excepted.{key[:60]}", "no check of units", ", ".join(Stop.OF_UNITS))


@entry("installs.done", "the stop finished", StopDone, _stop_touched)
def stop_done(body: StopDone, done: Done) -> Reply:
    """Done twice it is done."""
    visit, note = _visit(body, done), body.note[:2000]
    stop = stops.close_stop(
        appointment=visit,
        by=done.by,
        note=note,
        checked=body.checked,
        excepted=body.excepted,
        result=body.result,
        at=done.at,
    )
    return {"stop": stop.pk}
