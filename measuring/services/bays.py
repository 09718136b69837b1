"""Bays and corners: their angles, who runs past, and the sizes that follow."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from django.db import transaction

from jobs.models import Job
from measuring.adapters.bays import members_of, wall_of
from measuring.adapters.facts import read_entry
from measuring.models import Group, Opening
from measuring.rules.bays import angle_of
from measuring.rules.families import WALL
from measuring.services.base import lock_job
from measuring.services.openings import make_group
from measuring.services.readings import record_reading
from measuring.services.sizes import size_bay
from measuring.services.visits import visit_at
from shared import audit
from shared.errors import Refused
from shared.lengths import READING_GRID, Length, LengthUnit
from shared.models import User


@dataclass(frozen=True, slots=True)
class CornerRead:
    """A corner as it is entered: its angle, or three lengths it follows from, and which unit runs past."""

    angle: str = ""
    legs: tuple[str, str, str] = ("", "", "")
    """Along the left and the right wall from the corner, and across between the two marks."""
    runs_past: str = ""


@transaction.atomic
def set_bay(
    *,
    group: Group,
    corners: Sequence[CornerRead],
    by: User,
    walls: Mapping[int, str] | None = None,
    stands_off: Mapping[int, str] | None = None,
    room_between: str = "",
) -> Group:
    """
    What a bay's set-backs follow from; the sizes of all its openings follow at once.

    Parameters
    ----------
    corners
        Left to right, one fewer than the bay has openings.
    walls
        By opening, its wall, corner to corner at the headrail's back: a reading where it says something new.
    stands_off
        By opening, how far its unit's furthest part stands off the wall, where it is not the product's own.
    room_between
        Between two units at a corner where they are nearest; empty: the usual.

    Raises
    ------
    Refused
        With the field: ``angle_0``, ``across_0``, ``wall_PK``, ``off_PK`` or ``room_between``.
    """
    job = lock_job(group.job_id)
    group = Group.objects.select_for_update().get(pk=group.pk)
    if not group.is_bay():
        raise Refused(f"a {group.get_kind_display()} has no corners", field="corners", bound="a bay or a corner")
    unit = job.branch.unit
    before = _said(group, unit)
    group.angles = [_corner_angle(one, at, unit) for at, one in enumerate(corners)]
    group.past = [one.runs_past if one.runs_past in ("left", "right") else "" for one in corners]
    typed = {pk: text.strip() for pk, text in (stands_off or {}).items() if text.strip()}
    group.stands_off = {str(pk): _rounded_up(text, unit, f"off_{pk}").ticks for pk, text in typed.items()}
    group.room_between = _rounded_up(room_between, unit, "room_between") if room_between.strip() else None
    after = _said(group, unit)
    changes = {name: [before[name], after[name]] for name in after if before[name] != after[name]}
    if changes:
        group.save(update_fields=list(after))
        audit.record(by=by, action="changed the bay", subject=group, job=job, changes=changes)
        size_bay(group, by)
    _keep_walls(group, walls or {}, by)
    return group


@transaction.atomic
def measure_bay(
    *,
    job: Job,
    openings: Sequence[Opening],
    corners: Sequence[CornerRead],
    by: User,
    kind: str = Group.Kind.BAY,
    room_between: str = "",
) -> Group:
    """
    The bay or corner of these openings, made where there is none of just these, with its corners.

    Raises
    ------
    Refused
        As `make_group` and `set_bay` do; and with another number of corners than between the openings.
    """
    if len(corners) != len(openings) - 1:
        raise Refused(f"{len(corners)} corners", field="corners", bound="one fewer than openings")
    wanted = {one.pk for one in openings}
    for group in Group.objects.filter(job=job, kind=kind, openings__in=wanted).distinct():
        if set(group.openings.values_list("pk", flat=True)) == wanted:
            break
    else:
        group = make_group(job=job, kind=kind, openings=openings, by=by)
    return set_bay(group=group, corners=corners, room_between=room_between, by=by)


def _said(group: Group, unit: LengthUnit) -> dict[str, str]:
    """What is asked of a bay, as its history tells it."""
    marks = {str(pk): mark for pk, mark in group.openings.values_list("pk", "mark")}
    off = {marks.get(pk, pk): Length(ticks).text(unit, symbol=True) for pk, ticks in group.stands_off.items()}
    return {
        "angles": ", ".join(f"{angle:g}°" for angle in group.angles),
        "past": ", ".join(f"{side} runs past" if side else "both stop" for side in group.past),
        "stands_off": ", ".join(f"{mark} {length}" for mark, length in off.items()),
        "room_between": group.room_between.text(unit, symbol=True) if group.room_between is not None else "",
    }


def _keep_walls(group: Group, walls: Mapping[int, str], by: User) -> None:
    """A reading of every wall that was entered and says something new."""
    for one in members_of(group):
        typed, now = walls.get(one.pk, "").strip(), wall_of(one)
        if not typed or (now is not None and typed in (now.typed, now.value.text(group.job.branch.unit))):
            continue
        try:
            record_reading(opening=one, spot=WALL, typed=typed, by=by, visit=visit_at(one))
        except Refused as refusal:
            raise Refused(refusal.problem, field=f"wall_{one.pk}", bound=refusal.bound) from None


MOST_OFF: Final = Length.inches(40)
"""Nothing that hangs on a wall stands further off, nor is more kept between two units."""


def _rounded_up(text: str, unit: LengthUnit, name: str) -> Length:
    return read_entry(text.strip(), unit, name, least=Length(0), most=MOST_OFF).up(READING_GRID[unit])


def _corner_angle(corner: CornerRead, at: int, unit: LengthUnit) -> float:
    """By protractor, else from three lengths by the law of cosines."""
    if corner.angle.strip():
        return _angle(corner.angle, f"angle_{at}")
    if not any(leg.strip() for leg in corner.legs):
        raise Refused("an angle, or three lengths", field=f"angle_{at}")
    names = (f"leg_left_{at}", f"leg_right_{at}", f"across_{at}")
    legs = [read_entry(leg, unit, name) for name, leg in zip(names, corner.legs, strict=True)]
    try:
        return angle_of(*(leg.ticks for leg in legs))
    except ValueError as error:
        raise Refused(str(error), field=names[2]) from None


def _angle(value: object, name: str = "angles") -> float:
    bound = f"{LEAST_ANGLE} to {360 - LEAST_ANGLE} degrees"
    try:
        angle = round(float(str(value).strip().rstrip("°")), 1)
    except ValueError:
        raise Refused(f"{str(value)[:20]} is no angle", field=name, bound=bound) from None
    if not LEAST_ANGLE <= angle <= 360 - LEAST_ANGLE:
        raise Refused(f"{angle:g} degrees is no corner of a bay", field=name, bound=bound)
    return angle


LEAST_ANGLE: Final = 20
"""Sharper, and no unit would be left of any wall."""
