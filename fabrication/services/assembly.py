"""Putting a unit together: the steps of its family, who did each, a photo of the finished unit."""

from __future__ import annotations

from collections.abc import Collection, Sequence

from django.db import transaction

from fabrication.models import AssemblyStep, MadePhoto, StepDone, UnitMake
from fabrication.rules.assembly import is_asked
from measuring.models import Product
from shared.audit import record
from shared.errors import Refused
from shared.models import User
from shared.pictures import keep_picture

AT_THE_BENCH = (UnitMake.State.ASSEMBLY, UnitMake.State.BACK)


def steps_of(make: UnitMake) -> list[tuple[AssemblyStep, StepDone | None]]:
    """The family's steps in order, each with who did it."""
    return steps_of_makes([make])[make.pk]


def steps_of_makes(makes: Sequence[UnitMake]) -> dict[int, list[tuple[AssemblyStep, StepDone | None]]]:
    """`steps_of` many units of one branch, by their keys."""
    done = {
        (row.make_id, row.step_id): row for row in StepDone.objects.filter(make__in=makes).select_related("done_by")
    }
    branches = {make.unit.product.branch_id for make in makes}
    families = {make.unit.product.family for make in makes}
    steps = list(AssemblyStep.objects.filter(branch__in=branches, family__in=families))
    controls = _controls(branches)
    found = {}
    for make in makes:
        control, mine = make.unit.options.get("control", ""), [(step, done.get((make.pk, step.pk))) for step in steps]
        found[make.pk] = [
            (step, who)
            for step, who in mine
            if step.family == make.unit.product.family
            and (who or (step.is_active and is_asked(step.text, control, controls)))
        ]
    return found


def steps_left(make: UnitMake) -> list[AssemblyStep]:
    """Steps nobody ticked yet."""
    return [step for step, done in steps_of(make) if done is None]


def _controls(branches: Collection[int]) -> set[str]:
    """The controls that the branches' products have."""
    fits = Product.objects.filter(branch__in=branches).values_list("fit", flat=True)
    return {row["key"] for fit in fits for row in fit.get("controls") or []}


@transaction.atomic
def tick_step(*, make: UnitMake, step: AssemblyStep, by: User) -> StepDone:
    """Somebody did this step; a second tick changes nothing."""
    make = _at_the_bench(make)
    if step.family != make.unit.product.family or step.branch_id != make.unit.product.branch_id:
        raise Refused(f"“{step}” is no step of a {make.unit.product.get_family_display()}", field="step")
    done, is_new = StepDone.objects.get_or_create(make=make, step=step, defaults={"done_by": by})
    if is_new:
        record(by=by, action="did a step", subject=make.unit, job=make.unit.opening.job_id, note=step.text)
    return done


@transaction.atomic
def untick_step(*, make: UnitMake, step: AssemblyStep, by: User) -> None:
    """It was not done after all."""
    make = _at_the_bench(make)
    gone, _ = StepDone.objects.filter(make=make, step=step).delete()
    if gone:
        record(by=by, action="took a step back", subject=make.unit, job=make.unit.opening.job_id, note=step.text)


@transaction.atomic
def tick_all(*, make: UnitMake, by: User) -> list[StepDone]:
    """Every step that is left, by the same pair of hands."""
    return [tick_step(make=make, step=step, by=by) for step in steps_left(make)]


@transaction.atomic
def add_photo(*, make: UnitMake, data: bytes, by: User) -> MadePhoto:
    """A photo of the finished unit, re-encoded, its location and everything else it carried left behind."""
    if make.state not in {*AT_THE_BENCH, UnitMake.State.MADE}:
        raise Refused(f"{make.unit.code} is {make.get_state_display()}: there is no finished unit to show")
    photo = MadePhoto.objects.create(make=make, taken_by=by, file=keep_picture("made", data))
    record(by=by, action="took a photo", subject=make.unit, job=make.unit.opening.job_id)
    return photo


def _at_the_bench(make: UnitMake) -> UnitMake:
    held = UnitMake.objects.select_for_update(of=("self",)).get(pk=make.pk)
    if held.state not in AT_THE_BENCH:
        raise Refused(f"{make.unit.code} is {held.get_state_display()}; steps are ticked while it is assembled")
    return make
