"""What pages, panels and documents show of openings and units, gathered once."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from django.db.models import Prefetch, prefetch_related_objects

from jobs.models import Job
from measuring.adapters.bays import members_of, pieces_of, stands_off, wall_of
from measuring.adapters.evaluation import Evaluation, asked, current, evaluate, missing
from measuring.adapters.options import gone_options, missing_options, offers, offers_of_units, shown_options
from measuring.drawings import BayPicture, bay_drawing, opening_drawing, picture_of, tape_drawing
from measuring.models import Group, Opening, Photo, Reading, Room, SizeChange, Spot, Unit
from measuring.ports import ports
from measuring.rules.families import TABLE
from measuring.rules.opening import ENDS
from measuring.rules.visit import CONFIRMS, QUESTIONED, Ask
from measuring.services.releases import release_problems
from shared.drawings import Svg
from shared.lengths import Length


@dataclass(slots=True)
class Box:
    """One spot to read, with what was read there and before."""

    ask: Ask
    reading: Reading | None
    older: list[Reading]
    rivals: list[Reading]
    typed: str
    error: str = ""
    finding: dict[str, Any] | None = None
    tape: Svg | None = None

    @property
    def name(self) -> str:
        return f"{self.ask.spot}:{self.ask.turn}"


@dataclass(slots=True)
class OpeningSummary:
    """An opening with everything known of it."""

    opening: Opening
    found: Evaluation
    boxes: list[Box]
    units: list[Unit]
    drawing: Svg
    things: list[tuple[Any, list[str]]]
    photos: list[Photo]
    older: list[Reading]
    group_mates: list[Opening] = field(default_factory=list)
    plan: Svg | None = None
    """The bay it is part of, seen from above."""

    @property
    def doubts(self) -> list[Box]:
        return [box for box in self.boxes if box.finding is not None]

    @property
    def rivals(self) -> list[Box]:
        return [box for box in self.boxes if box.rivals]

    @property
    def shown_findings(self) -> list[dict[str, object]]:
        """The units' findings where there are any: they know the product's split."""
        seen: dict[str, dict[str, object]] = {}
        for unit in self.units:
            for one in unit.findings:
                seen.setdefault(one["text"], one)
        return list(seen.values()) or self.found.findings


def opening_summary(
    opening: Opening, *, exaggerate: bool = False, typed: dict[str, str] | None = None
) -> OpeningSummary:
    """Gather one opening; `typed` holds what was refused, to stand in its box again."""
    readings = list(opening.readings.select_related("taken_by", "tape"))
    now = current(readings)
    units = list(opening.units.live().select_related("product"))
    found = evaluate(opening, readings, units[0].options if units else {})
    doubted = {one["field"]: one for one in found.findings if one["code"] in CONFIRMS and not one.get("confirmed")}
    boxes = [_box(ask, readings, opening, doubted, typed or {}) for ask in _asks(opening, now)]
    return OpeningSummary(
        opening=opening,
        found=found,
        boxes=boxes,
        units=units,
        drawing=drawing_of(opening, now, units, found, exaggerate=exaggerate),
        things=[
            (thing, ports.help_past(opening, thing)) for thing in opening.obstructions.all() if thing.removed_at is None
        ],
        photos=[photo for photo in opening.photos.all() if photo.removed_at is None],
        older=[one for one in readings if one.superseded_at is not None],
        group_mates=list(opening.group.openings.exclude(pk=opening.pk)) if opening.group else [],
        plan=next((drawing for _, drawing in bays_among([opening])), None),
    )


def _asks(opening: Opening, now: dict[tuple[str, int], Reading]) -> list[Ask]:
    """What is asked, and what was read beside it, for instance before the product changed."""
    asks = asked(opening, now)
    there = {(ask.spot, ask.turn) for ask in asks}
    extra = [Ask(spot, False, turn) for spot, turn in now if (spot, turn) not in there]
    return asks + sorted(extra, key=lambda ask: list(Spot.values).index(ask.spot))


def _box(
    ask: Ask, readings: Sequence[Reading], opening: Opening, doubted: dict[str, Any], typed: dict[str, str]
) -> Box:
    here = [one for one in readings if one.spot == ask.spot and one.turn == ask.turn]
    reading = next((one for one in here if one.is_current()), None)
    unit = opening.job.branch.unit
    box = Box(
        ask=ask,
        reading=reading,
        older=[one for one in here if one.superseded_at is not None],
        rivals=[one for one in here if one.superseded_at is None and one.conflict_with_id is not None],
        typed="",
        finding=doubted.get(ask.spot) if ask.turn == 1 else None,
    )
    if reading is not None:
        box.typed = reading.value.text(unit)
        box.tape = tape_drawing(reading.value, unit)
    box.typed = typed.get(box.name, box.typed)
    return box


def drawing_of(
    opening: Opening,
    now: dict[tuple[str, int], Reading],
    units: Sequence[Unit],
    found: Evaluation | None = None,
    *,
    exaggerate: bool = False,
    blank: bool = False,
) -> Svg:
    """The opening's drawing with its covering, as it stands."""
    doubted = [one["field"] for one in (found.findings if found else []) if one["code"] in QUESTIONED]
    picture = picture_of(
        opening,
        now,
        asked=[ask.spot for ask in asked(opening, now)],
        doubted=doubted,
        units=[unit for unit in units if unit.is_sized()],
    )
    return opening_drawing(picture, exaggerate=exaggerate, blank=blank)


@dataclass(slots=True)
class UnitRow:
    """A unit on the sizes page."""

    unit: Unit
    problems: list[str]
    lacking: list[str]
    gone: list[str]
    options: list[tuple[str, str]]
    change: SizeChange | None

    @property
    def is_ready(self) -> bool:
        return not self.problems

    @property
    def may_be_approved(self) -> bool:
        """Whether it waits for nothing but the customer's yes."""
        return self.unit.state == Unit.State.SIZED and not self.lacking and not self.gone

    @property
    def is_stopped(self) -> bool:
        return is_stopped(self.unit)


def is_stopped(unit: Unit) -> bool:
    """Whether it can't be made as it was measured."""
    return any(one["severity"] == "stop" for one in unit.findings)


def openings_of_job(job: Job) -> list[Opening]:
    """The job's openings in walking order, with what drawing them needs."""
    return list(
        Opening.objects.filter(job=job)
        .exclude(state=Opening.State.DROPPED)
        .select_related("job__branch", "job__site", "job__customer", "room", "product", "group")
        .prefetch_related(
            Prefetch("readings", Reading.objects.select_related("tape", "taken_by")),
            Prefetch("units", Unit.objects.select_related("product")),
            "obstructions",
            "photos",
        )
        .order_by("room__order", "room_id", "order", "pk")
    )


def rooms_of(openings: Iterable[Opening]) -> list[tuple[Room, list[Opening]]]:
    """Openings by room, in the order they are walked."""
    rooms: dict[int, tuple[Room, list[Opening]]] = {}
    for opening in openings:
        rooms.setdefault(opening.room_id, (opening.room, []))[1].append(opening)
    return list(rooms.values())


DEAD = (Unit.State.CANCELLED, Unit.State.REPLACED)


def live_units(opening: Opening) -> list[Unit]:
    """From what is prefetched already."""
    units = [unit for unit in opening.units.all() if unit.state not in DEAD]
    for unit in units:
        unit.opening = opening
    return sorted(units, key=lambda unit: (unit.number, unit.pk))


def options_to_choose(openings: Sequence[Opening]) -> list[tuple[Opening, list[str]]]:
    """Openings whose unit needs an option that nobody chose, with those options' labels."""
    units = [
        live[0] for one in openings if one.state not in TABLE["states"]["passed_over"] and (live := live_units(one))
    ]
    prefetch_related_objects(units, "product")
    offered = offers(unit.product for unit in units)
    found = [(unit.opening, missing_options(unit, offered[unit.product_id])) for unit in units]
    return [(opening, names) for opening, names in found if names]


def unit_rows(job: Job, openings: Sequence[Opening]) -> list[UnitRow]:
    """Every live unit of the job with what holds it back; `openings` are `openings_of_job`."""
    changes = {
        change.unit_id: change
        for change in SizeChange.objects.filter(unit__opening__job=job, state=SizeChange.State.OPEN)
    }
    units = []
    for opening in openings:
        opening.job = job
        units += live_units(opening)
    prefetch_related_objects(units, "approvals", "opening__fact_conflicts")
    offered = offers_of_units(units)
    return [
        UnitRow(
            unit,
            release_problems(unit, offered[unit.pk]),
            missing_options(unit, offered[unit.pk]),
            gone_options(unit, offered[unit.pk]),
            shown_options(unit, offered[unit.pk]),
            changes.get(unit.pk),
        )
        for unit in units
    ]


# -- bays ------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Wall:
    """One wall of a bay as its page shows it: its opening, what it stands off by itself, the corner at its right."""

    opening: Opening
    unit: Unit | None
    usual: Length | None
    off: Length | None
    reading: Reading | None
    angle: float | None
    past: str
    gaps: Sequence[str]
    """What is not read of its opening."""

    @property
    def backs(self) -> list[tuple[str, tuple[Length, str]]]:
        """Side, and how far its unit stops short of the corner there and why."""
        bay = self.opening.bay
        return [(side, (Length(bay[side]["ticks"]), bay[side]["why"])) for side in ENDS if side in bay]


def walls_of(group: Group) -> list[Wall]:
    """The bay's walls, left to right."""
    members = members_of(group)
    found = []
    for at, one in enumerate(members):
        is_given = str(one.pk) in group.stands_off
        off = stands_off(one)
        has_corner = at < len(members) - 1
        found.append(
            Wall(
                opening=one,
                unit=next(iter(live_units(one)), None),
                usual=None if is_given or off is None else Length(off),
                off=Length(off) if is_given and off is not None else None,
                reading=wall_of(one),
                angle=float(group.angles[at]) if has_corner and at < len(group.angles) else None,
                past=group.past[at] if has_corner and at < len(group.past) else "",
                gaps=[gap.text for gap in missing(one, current(one.readings.all())) if gap.code != "bay"],
            )
        )
    return found


USUAL_WALL: Final = Length.inches(40)
"""Drawn where a wall was not read yet, and said so."""


def drawing_of_bay(group: Group) -> Svg | None:
    """The bay in plan; None before its angles are known."""
    members = members_of(group) if group.is_bay() else []
    if len(members) < 2 or len(group.angles) != len(members) - 1:
        return None
    pieces = pieces_of(members, [one.bay for one in members], USUAL_WALL)
    assert pieces is not None, "a wall has its usual width where it was not read"
    units = [live_units(one) for one in members]
    widths = [of[0].order_width if of else None for of in units]
    angles, marks = [float(angle) for angle in group.angles], [one.mark for one in members]
    is_usual = not all(wall_of(one) for one in members)
    return bay_drawing(BayPicture(str(group), group.job.branch.unit, marks, pieces, angles, widths, is_usual=is_usual))


def bays_among(openings: Iterable[Opening]) -> list[tuple[Group, Svg]]:
    """Each bay or corner among a job's openings that can be drawn, with its drawing."""
    groups = {one.group.pk: one.group for one in openings if one.group is not None and one.group.is_bay()}
    drawn = []
    for one in openings:
        if one.group_id in groups:
            groups[one.group_id].job = one.job
    for group in groups.values():
        drawing = drawing_of_bay(group)
        if drawing is not None:
            drawn.append((group, drawing))
    return drawn
