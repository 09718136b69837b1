"""What a measurer's phone sends: each kind of entry over the same services as the pages."""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Annotated, Any, Final

from django.core.exceptions import PermissionDenied
from django.http import Http404

from jobs.models import Appointment
from jobs.services import appointments as calendar
from measuring import access
from measuring.adapters.facts import CLEANERS
from measuring.api import subjects
from measuring.models import MeasureVisit, Opening, Reading, Room, ShapeTemplate, Spot, Tape
from measuring.rules.families import TABLE
from measuring.services import bays, readings, sizes, templates, visits
from measuring.services import openings as opening_services
from measuring.services.bays import CornerRead
from measuring.services.readings import ANY
from measuring.services.visits import visit_at
from shared.contracts import ContractError
from shared.devices.kinds import PHOTO_TEXT, Done, Key, Note, Reply, entry, picture_of
from shared.records import Longest, OneOf, Record, Within

FACT_SHAPES: Final[Mapping[str, tuple[type, ...]]] = {
    "units_wanted": (int, str),
    "is_door": (bool, str),
    "stops_on": (dict,),
    "site_facts": (dict,),
    "split": (str, list),
    "mullions": (str, list),
    "group": (int, str),
    "product": (int, str),
    "room": (int, str),
}
"""How each fact stands in JSON, text where nothing is said; what it may be is its cleaner's to say."""
SHAPE_NAMES: Final = {int: "a whole number", str: "text", bool: "true or false", dict: "an object", list: "a list"}

Facts = Annotated[Mapping[str, Any], Longest(60)]


def check_facts(facts: Mapping[str, object], path: str) -> None:
    """Refuses names that are no fact, and values that can't be one."""
    for name, value in facts.items():
        if name not in CLEANERS:
            raise ContractError(f"{path}.{name[:60]}", "no such fact of an opening", ", ".join(CLEANERS))
        shapes = FACT_SHAPES.get(name, (str,))
        fits = isinstance(value, shapes) and not (isinstance(value, bool) and bool not in shapes)
        if value is not None and not fits:
            bound = " or ".join(SHAPE_NAMES[shape] for shape in shapes)
            raise ContractError(f"{path}.{name}", "not what this fact is", bound)


@dataclass(frozen=True, kw_only=True)
class OfVisit(Record):
    """An entry about a visit."""

    appointment: Key


@dataclass(frozen=True, kw_only=True)
class OfOpening(Record):
    """An entry about one opening, by the name a device gave it."""

    opening: uuid.UUID


@dataclass(frozen=True, kw_only=True)
class OfReading(Record):
    """An entry about one reading."""

    reading: uuid.UUID


def _demand_role(done: Done) -> None:
    if not done.by.has_role(*access.MEASURES):
        raise PermissionDenied


def _opening(body: OfOpening, done: Done) -> Opening:
    _demand_role(done)
    return access.opening_of_device(done.by, body.opening)


def _tape(key: int | None, done: Done) -> Tape | None:
    return access.tape_for(done.by, key) if key else None


def _visit(body: OfVisit, done: Done) -> MeasureVisit:
    _demand_role(done)
    return access.visit_of_device(done.by, body.appointment)


def _room(uid: uuid.UUID, done: Done) -> Room:
    _demand_role(done)
    room = Room.objects.visible_to(done.by).select_related("job__branch").filter(uid=uid).first()
    if room is None:
        raise Http404
    return room


def _reading(body: OfReading, done: Done) -> Reading:
    _demand_role(done)
    return access.reading_for(done.by, body.reading)


def _tapped(body: OfVisit, done: Done) -> Appointment:
    _demand_role(done)
    return access.appointment_for(done.by, body.appointment)


@entry("measuring.on_the_way", "leaving for a visit", OfVisit, subjects.visit)
def on_the_way(body: OfVisit, done: Done) -> Reply:
    """The crew set out for it."""
    calendar.mark_on_the_way(appointment=_tapped(body, done), by=done.by, at=done.at)
    return {}


@entry("measuring.arrived", "the arrival", OfVisit, subjects.visit)
def arrived(body: OfVisit, done: Done) -> Reply:
    """The crew is at the door."""
    calendar.mark_arrived(appointment=_tapped(body, done), by=done.by, at=done.at)
    return {}


@entry("measuring.taken_back", "the last tap taken back", OfVisit, subjects.visit)
def taken_back(body: OfVisit, done: Done) -> Reply:
    """Leaving, arrived, or the close-out: as it was before."""
    visits.take_back(appointment=_tapped(body, done), by=done.by, at=done.at)
    return {}


@dataclass(frozen=True, kw_only=True)
class Begin(OfVisit):
    """Begin to measure, or take another tape."""

    tape: Key | None = None


@entry("measuring.begin", "the begin of a visit", Begin, subjects.visit)
def begin(body: Begin, done: Done) -> Reply:
    """The visit's key comes back."""
    visit = visits.open_visit(appointment=_tapped(body, done), by=done.by, tape=_tape(body.tape, done), at=done.at)
    return {"visit": visit.pk}


@dataclass(frozen=True, kw_only=True)
class NewRoom(OfVisit):
    """A room of the visit's job."""

    room: uuid.UUID
    name: Annotated[str, Longest(60)]
    floor: Annotated[str, Longest(20)] = ""


@entry("measuring.room", "a room", NewRoom, subjects.new_room)
def room(body: NewRoom, done: Done) -> Reply:
    """The room's uid comes back: another device may have made it under another."""
    visit = _visit(body, done)
    made = opening_services.add_room(
        job=visit.appointment.job, name=body.name, floor=body.floor, by=done.by, uid=body.room
    )
    return {"room": str(made.uid)}


@dataclass(frozen=True, kw_only=True)
class RoomDefaults(Record):
    """What openings to come of a room begin with."""

    room: uuid.UUID
    defaults: Facts

    def check(self) -> None:
        check_facts(self.defaults, "defaults")


@entry("measuring.room_defaults", "a room's defaults", RoomDefaults, subjects.room)
def room_defaults(body: RoomDefaults, done: Done) -> Reply:
    """The room's uid comes back."""
    made = opening_services.change_room(room=_room(body.room, done), defaults=body.defaults, by=done.by)
    return {"room": str(made.uid)}


@dataclass(frozen=True, kw_only=True)
class NewOpening(OfVisit, OfOpening):
    """An opening found on a visit, and its room."""

    room: uuid.UUID
    room_name: Annotated[str, Longest(60)]
    floor: Annotated[str, Longest(20)] = ""
    facts: Facts = field(default_factory=dict)

    def check(self) -> None:
        check_facts(self.facts, "facts")


@entry("measuring.opening", "an opening", NewOpening, subjects.new_opening)
def opening(body: NewOpening, done: Done) -> Reply:
    """The opening's uid and mark come back, and the mark again where it is not the one sent."""
    visit = _visit(body, done)
    in_room = opening_services.add_room(  # the room may have been made by another device under another uid
        job=visit.appointment.job, name=body.room_name, floor=body.floor, by=done.by, uid=body.room
    )
    facts = dict(body.facts)
    renamed = ""
    mark = facts.get("mark") or ""
    if mark and in_room.openings.exclude(state=Opening.State.DROPPED).filter(mark=mark).exists():
        renamed = opening_services.next_mark(in_room)
        facts["mark"] = renamed
    made = opening_services.add_opening(room=in_room, by=done.by, facts=facts, visit=visit, uid=body.opening)
    return {"opening": str(made.uid), "mark": made.mark, "renamed": renamed}


@dataclass(frozen=True, kw_only=True)
class Copy(OfVisit, OfOpening):
    """A copy of an opening, without its readings; `mark` is what the phone calls it, and stands where it is free."""

    copy: uuid.UUID
    mark: Annotated[str, Longest(20)] = ""


@entry("measuring.copy", "a copy of an opening", Copy, subjects.copy)
def copy(body: Copy, done: Done) -> Reply:
    """The copy's uid and mark come back, and the mark again where it is not the one sent."""
    made = opening_services.copy_opening(
        opening=_opening(body, done), by=done.by, mark=body.mark, visit=_visit(body, done), uid=body.copy
    )
    renamed = made.mark if body.mark not in ("", made.mark) else ""
    return {"opening": str(made.uid), "mark": made.mark, "renamed": renamed}


@dataclass(frozen=True, kw_only=True)
class Order(Record):
    """Openings of a room as they are walked."""

    room: uuid.UUID
    openings: Annotated[tuple[uuid.UUID, ...], Longest(2000)]


@entry("measuring.order", "the order of openings", Order, subjects.order)
def order(body: Order, done: Done) -> Reply:
    """Openings that are not of the room are passed over."""
    in_room = _room(body.room, done)
    keys = {one.uid: one.pk for one in in_room.openings.all()}
    wanted = [keys[uid] for uid in body.openings if uid in keys]
    opening_services.reorder_openings(room=in_room, openings=wanted, by=done.by)
    return {}


@dataclass(frozen=True, kw_only=True)
class Corner(Record):
    """A corner of a bay: its angle, or three lengths it follows from, and which unit runs past."""

    angle: Annotated[str, Longest(10)] = ""
    legs: Annotated[tuple[str, ...], Longest(3)] = ()
    runs_past: Annotated[str, OneOf("", "left", "right")] = ""


@dataclass(frozen=True, kw_only=True)
class Bay(OfVisit):
    """A bay or corner of openings, left to right; its walls are readings."""

    openings: Annotated[tuple[uuid.UUID, ...], Longest(60)]
    corners: Annotated[tuple[Corner, ...], Longest(60)]
    kind: Annotated[str, OneOf(*TABLE["bays"]["kinds"])] = "bay"
    room_between: Annotated[str, Longest(40)] = ""


@entry("measuring.bay", "a bay", Bay, subjects.bay)
def bay(body: Bay, done: Done) -> Reply:
    """Made where there is none of just these openings; its key comes back."""
    job = _visit(body, done).appointment.job
    group = bays.measure_bay(
        job=job,
        openings=[access.opening_of_device(done.by, uid) for uid in body.openings],
        kind=body.kind,
        corners=[
            CornerRead(one.angle, (one.legs[0], one.legs[1], one.legs[2]), one.runs_past)
            if len(one.legs) == 3
            else CornerRead(one.angle, runs_past=one.runs_past)
            for one in body.corners
        ],
        room_between=body.room_between,
        by=done.by,
    )
    return {"group": group.pk}


@dataclass(frozen=True, kw_only=True)
class NewReading(OfOpening):
    """A length read off a tape; `ticks` and `case` are what the phone shows meanwhile."""

    spot: Annotated[str, OneOf(*Spot.values)]
    typed: str
    turn: Annotated[int, Within(1, 2)] = 1
    with_case: bool = False
    tape: Key | None = None
    grade: Annotated[str, OneOf(*Reading.Grade.values)] = Reading.Grade.FINAL.value
    seen: uuid.UUID | None = ANY
    ticks: int | None = None
    case: int | None = None


@entry("measuring.reading", "a reading", NewReading, subjects.opening, old_names={"place": "spot"})
def reading(body: NewReading, done: Done) -> Reply:
    """The reading's uid and value come back, and whether another stands beside it."""
    now = _opening(body, done)
    made = readings.record_reading(
        opening=now,
        spot=body.spot,
        typed=body.typed,
        turn=body.turn,
        with_case=body.with_case,
        tape=_tape(body.tape, done),
        grade=body.grade,
        seen=body.seen,
        visit=visit_at(now),
        by=done.by,
        taken_at=done.at,
        uid=done.entry_id,
    )
    return {"reading": str(made.uid), "ticks": made.value.ticks, "conflict": made.conflict_with_id is not None}


@entry("measuring.same", "a reading confirmed", OfReading, subjects.reading)
def same(body: OfReading, done: Done) -> Reply:
    """Read again, the same."""
    readings.confirm_reading(reading=_reading(body, done), by=done.by, at=done.at)
    return {}


@entry("measuring.keep", "a reading chosen of two", OfReading, subjects.reading)
def keep(body: OfReading, done: Done) -> Reply:
    """Of several readings this one stands."""
    readings.keep_reading(reading=_reading(body, done), by=done.by)
    return {}


@entry("measuring.back", "a reading taken back", OfReading, subjects.reading)
def back(body: OfReading, done: Done) -> Reply:
    """A reading taken back."""
    readings.withdraw_reading(reading=_reading(body, done), by=done.by)
    return {}


@dataclass(frozen=True, kw_only=True)
class NewFacts(OfOpening):
    """Facts of an opening, and what the phone saw standing of each."""

    facts: Facts
    seen: Facts | None = None

    def check(self) -> None:
        check_facts(self.facts, "facts")
        check_facts(self.seen or {}, "seen")


@entry("measuring.facts", "facts of an opening", NewFacts, subjects.opening)
def facts(body: NewFacts, done: Done) -> Reply:
    """A fact somebody else set meanwhile is kept beside."""
    now = _opening(body, done)
    before = now.fact_conflicts.count()
    opening_services.change_opening(opening=now, by=done.by, facts=body.facts, seen=body.seen)
    return {"conflict": now.fact_conflicts.count() > before}


@dataclass(frozen=True, kw_only=True)
class Settle(Record):
    """Which of two answers stands."""

    conflict: Key
    offered: bool = False


@entry("measuring.settle", "an answer chosen of two", Settle, subjects.conflict)
def settle(body: Settle, done: Done) -> Reply:
    """Which of two answers stands."""
    _demand_role(done)
    conflict = access.conflict_for(done.by, body.conflict)
    opening_services.settle_fact(conflict=conflict, take_offered=body.offered, by=done.by)
    return {}


@dataclass(frozen=True, kw_only=True)
class NewObstruction(OfOpening):
    """Something in the way; the ticks are what the phone shows meanwhile."""

    kind: Annotated[str, Longest(30)]
    projection: str
    at: Annotated[str, OneOf("path", "head")] = "path"
    side: Annotated[str, OneOf("", "left", "right", "top", "bottom")] = ""
    from_top: str = ""
    ticks: int | None = None
    from_top_ticks: int | None = None


@entry("measuring.obstruction", "an obstruction", NewObstruction, subjects.opening)
def obstruction(body: NewObstruction, done: Done) -> Reply:
    """Its uid comes back."""
    made = readings.add_obstruction(
        opening=_opening(body, done),
        kind=body.kind,
        projection=body.projection,
        at=body.at,
        side=body.side,
        from_top=body.from_top,
        by=done.by,
        uid=done.entry_id,
    )
    return {"obstruction": str(made.uid)}


@dataclass(frozen=True, kw_only=True)
class OfObstruction(Record):
    """An entry about something in the way."""

    obstruction: uuid.UUID


@entry("measuring.clear", "an obstruction taken away", OfObstruction, subjects.obstruction)
def clear(body: OfObstruction, done: Done) -> Reply:
    """It is not in the way."""
    _demand_role(done)
    readings.remove_obstruction(obstruction=access.obstruction_for(done.by, body.obstruction), by=done.by)
    return {}


@dataclass(frozen=True, kw_only=True)
class NewPhoto(OfOpening):
    """A photo of an opening, as base64."""

    data: Annotated[str, Longest(PHOTO_TEXT)]
    caption: Note = ""


@entry("measuring.photo", "a photo", NewPhoto, subjects.opening)
def photo(body: NewPhoto, done: Done) -> Reply:
    """Its uid comes back."""
    made = readings.add_photo(
        opening=_opening(body, done),
        data=picture_of(body.data),
        caption=body.caption,
        by=done.by,
        taken_at=done.at,
        uid=done.entry_id,
    )
    return {"photo": str(made.uid)}


@dataclass(frozen=True, kw_only=True)
class NewTemplate(OfOpening):
    """A template made; `position` is what the phone numbered it, and stands where it is free."""

    size_is: Annotated[str, OneOf(*ShapeTemplate.SizeIs.values)] = ShapeTemplate.SizeIs.OPENING.value
    is_marked: bool = False
    position: Annotated[int, Within(1, 9_999)] | None = None


@entry("measuring.template", "a template", NewTemplate, subjects.opening)
def template(body: NewTemplate, done: Done) -> Reply:
    """Its uid and number come back."""
    made = templates.make_template(
        opening=_opening(body, done),
        size_is=body.size_is,
        is_marked=body.is_marked,
        position=body.position,
        by=done.by,
        at=done.at,
        uid=done.entry_id,
    )
    return {"template": str(made.uid), "number": made.number}


@dataclass(frozen=True, kw_only=True)
class NoTemplate(OfOpening):
    """A template that is torn, lost or wrong."""

    template: uuid.UUID
    reason: Annotated[str, Longest(240)]


@entry("measuring.no_template", "a template discarded", NoTemplate, subjects.opening)
def no_template(body: NoTemplate, done: Done) -> Reply:
    """The opening needs another."""
    _demand_role(done)
    found = access.template_for(done.by, body.template)
    templates.discard_template(template=found, reason=body.reason, by=done.by)
    return {}


@dataclass(frozen=True, kw_only=True)
class Options(OfOpening):
    """Options for every unit of the opening that is not released."""

    options: Annotated[Mapping[str, str | None], Longest(60)]


@entry("measuring.options", "options", Options, subjects.opening)
def options(body: Options, done: Done) -> Reply:
    """For every unit of the opening that is not released."""
    sizes.set_options_of_opening(opening=_opening(body, done), options=body.options, by=done.by)
    return {}


@dataclass(frozen=True, kw_only=True)
class NewState(OfOpening):
    """An opening that is not measured, or is after all."""

    to: Annotated[str, OneOf("cannot", "not_reached", "drop", "again")]
    reason: Note = ""


@entry("measuring.state", "an opening not measured", NewState, subjects.opening)
def state(body: NewState, done: Done) -> Reply:
    """Not measured, because; or taken up again."""
    now = _opening(body, done)
    if body.to == "cannot":
        opening_services.mark_cannot(opening=now, reason=body.reason, by=done.by)
    elif body.to == "not_reached":
        opening_services.mark_not_reached(opening=now, reason=body.reason, by=done.by)
    elif body.to == "drop":
        opening_services.drop_opening(opening=now, reason=body.reason, by=done.by)
    else:
        opening_services.take_up_again(opening=now, by=done.by)
    return {}


@dataclass(frozen=True, kw_only=True)
class Close(OfVisit):
    """The close-out."""

    in_part: bool = False
    note: Note = ""


@entry("measuring.close", "the close-out", Close, subjects.visit)
def close(body: Close, done: Done) -> Reply:
    """Done twice it is done."""
    visit = _visit(body, done)
    if not visit.is_closed():
        visit = visits.close_visit(visit=visit, by=done.by, in_part=body.in_part, note_text=body.note, at=done.at)
    return {"outcome": visit.outcome}


@dataclass(frozen=True, kw_only=True)
class NotMeasured(OfVisit):
    """Nothing could be measured, because."""

    reason: Annotated[str, Longest(240)]


@entry("measuring.not_measured", "a visit without a measurement", NotMeasured, subjects.visit)
def not_measured(body: NotMeasured, done: Done) -> Reply:
    """Begun where it was not, and closed: its openings wait for another visit."""
    _demand_role(done)
    appointment = access.appointment_for(done.by, body.appointment)
    visit = visits.could_not_measure(appointment=appointment, reason=body.reason, by=done.by, at=done.at)
    return {"outcome": visit.outcome}
