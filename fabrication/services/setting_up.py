"""What a firm sets for its own workroom: the steps of assembly, the places of work and their hours."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

from django.db import transaction

from fabrication.models import AssemblyStep, WorkPlace
from measuring.models import Family
from shared.audit import record
from shared.errors import Refused
from shared.formats.durations import minutes_text
from shared.models import Branch, User

MOST_STEPS: Final = 40
DAY_MIN: Final = 24 * 60 * 20
"""Minutes a day of one place: at most twenty people's."""


@transaction.atomic
def save_steps(*, branch: Branch, family: str, texts: Sequence[str], by: User) -> list[AssemblyStep]:
    """
    The steps of a family in order. One that is left out is asked for no more; who ticked it stays known.

    A step in new words is a new step, since what was ticked was ticked in the old ones.
    """
    if family not in Family.values:
        raise Refused(f"there is no family {family}", field="family", bound=", ".join(Family.values))
    wanted = list(dict.fromkeys(text.strip() for text in texts if text.strip()))
    if len(wanted) > MOST_STEPS:
        raise Refused("too many steps", field="texts", bound=f"{MOST_STEPS} at most")
    if long := next((text for text in wanted if len(text) > 160), None):
        raise Refused(f"“{long[:40]}…” is too long for a step", field="texts", bound="160 characters")
    Branch.objects.select_for_update().get(pk=branch.pk)
    there = {step.text: step for step in AssemblyStep.objects.filter(branch=branch, family=family)}
    before = [step.text for step in there.values() if step.is_active]
    for step in there.values():
        step.is_active = step.text in wanted
    for order, text in enumerate(wanted):
        step = there.setdefault(text, AssemblyStep(branch=branch, family=family, text=text))
        step.order = order
    for step in there.values():
        step.save()
    record(
        by=by, action="set the steps of assembly", subject=branch,
        changes={f"steps, {family}": ["; ".join(before), "; ".join(wanted)]},
    )  # fmt: skip
    return [there[text] for text in wanted]


@transaction.atomic
def save_work_place(
    *, branch: Branch, name: str, day_min: int, minutes: Mapping[str, int], by: User, place: WorkPlace | None = None
) -> WorkPlace:
    """A place of work, new or changed: minutes of work a day there, and minutes a unit by family (0: none)."""
    name = name.strip()
    if not name:
        raise Refused("name the place", field="name")
    if not 0 < day_min <= DAY_MIN:
        raise Refused("no such day", field="day_min", bound=f"1 to {DAY_MIN} minutes")
    for family, value in minutes.items():
        if family not in Family.values or not 0 <= value <= DAY_MIN:
            raise Refused(f"minutes of {family}", field="minutes", bound=f"0 to {DAY_MIN}, by family")
    Branch.objects.select_for_update().get(pk=branch.pk)
    others = WorkPlace.objects.filter(branch=branch)
    if place is not None:
        others = others.exclude(pk=place.pk)
    if others.filter(name__iexact=name).exists():
        raise Refused(f"there is a {name} already", field="name")
    row = place or WorkPlace(branch=branch, order=others.count())
    before = [row.name, f"{minutes_text(row.day_min)} a day"] if place else ["", ""]
    row.name, row.day_min = name, day_min
    row.minutes = {family: value for family, value in minutes.items() if value}
    row.save()
    changes = {"name": [before[0], name], "hours": [before[1], f"{minutes_text(day_min)} a day"]}
    record(by=by, action="set a place of work", subject=row, changes=changes)
    return row


@transaction.atomic
def remove_work_place(*, place: WorkPlace, by: User) -> None:
    """No load is shown for it any more."""
    record(by=by, action="took a place of work away", subject=place.branch, note=place.name)
    place.delete()
