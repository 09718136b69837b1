"""The demo's install day: rules, hardware on shelf and van, visits with their units, outcomes, today's loads."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from typing import Final

from django.db import transaction
from django.db.models import Count
from django.utils import timezone

from fabrication.adapters.problems import solved
from fabrication.models import Batch, CutPlan, Material, Part, PlannedCut, StockItem, UnitMake
from fabrication.rules.cutting import Answer, Document, first_fit, plan_json, read_answer
from fabrication.services.batches import _next_number
from fabrication.services.bench import mark_cut
from fabrication.services.planning import keep_plan
from installs.adapters.evaluation import Worked, rules_at, summed_of, with_needs, work_out
from installs.models import (
    HardwareRules,
    Load,
    LoadLine,
    Pull,
    ReturnOwed,
    Stop,
    UnitHardware,
    VanStock,
    VisitUnit,
)
from installs.rules.data import HardwareRules as Rules
from installs.rules.spares import shortages
from installs.services.hardware import hardware_row
from installs.services.loads import line_rows, plan_load, visits_of_day
from installs.services.returns import open_return
from installs.services.starting_data import load_hardware, load_rules
from jobs.models import Appointment, Job
from jobs.services.stages import recompute_stage
from measuring.models import Unit
from shared.codes import new_code
from shared.demo import Demo

LIVING: Final = 1500
"""Jobs whose units get hardware; older ones, closed long ago, are left as they are."""
CHUNK: Final = 600
CAUSES: Final = ("size.too_wide", "damage.on_arrival", "missing_part.hardware", "make.wrong_option", "nobody_there")
SAWN_IN_A_BATCH: Final = 10
INSTALLABLE: Final = (Unit.State.MADE, Unit.State.INSTALLED)


def load(demo: Demo) -> None:
    """Everything of the install day for the jobs that are alive."""
    made = demo.made["jobs"]
    row = load_rules(made.branch)
    rules = rules_at(row)
    with transaction.atomic():
        materials = load_hardware(made.branch, rules)
        _stock(demo, materials, rules)
        _vans(demo, materials, rules)
    living = made.jobs[:LIVING]
    count = 0
    for start in range(0, len(living), CHUNK):
        with transaction.atomic():
            count += _visits(demo, living[start : start + CHUNK], row, rules, materials)
    with transaction.atomic():
        _loads(demo, rules)
        _owed(demo)
        _sawn(demo)
    demo.say(f"hardware of {count} units, {Load.objects.count()} loads, {ReturnOwed.objects.count()} returns owed")


def _stock(demo: Demo, materials: dict[str, Material], rules: Rules) -> None:
    """Enough of everything but one bracket, so that a shortage can be seen."""
    there = set(StockItem.objects.filter(material__in=materials.values()).values_list("material", flat=True))
    rows = []
    for position, item in enumerate(rules.items):
        material = materials[item.key]
        if material.pk in there:
            continue
        per_job = 12 if item.group in {"screw", "anchor"} else 4
        rows.append(
            StockItem(
                material=material,
                code=new_code(),
                length=item.length if item.kind == "strip" else None,
                quantity=max(60, item.van_most * 2) + per_job * min(demo.jobs, LIVING),
                shelf=f"bin {position // 12 + 1}-{position % 12 + 1}",
            )
        )
    StockItem.objects.bulk_create(rows)


def _vans(demo: Demo, materials: dict[str, Material], rules: Rules) -> None:
    """Each van between its bounds; a few items under their least, to be topped up."""
    crews = {visit.crew for visit in demo.made["jobs"].installs.values() if visit.crew_id}
    VanStock.objects.bulk_create(
        VanStock(
            crew=crew,
            material=materials[item.key],
            least=item.van_least,
            most=item.van_most,
            quantity=max(0, item.van_least - 1) if demo.random.random() < 0.12 else item.van_most,
        )
        for crew in sorted(crews, key=lambda crew: crew.pk)
        for item in rules.items
        if item.van_most
    )


# -- visits ------------------------------------------------------------------------------


def _visits(demo: Demo, jobs: Sequence[Job], row: HardwareRules, rules: Rules, materials: dict[str, Material]) -> int:
    made = demo.made["jobs"]
    units = list(
        with_needs(Unit.objects.filter(opening__job__in=[job.pk for job in jobs]))
        .exclude(state__in=[Unit.State.DRAFT, Unit.State.SIZED, Unit.State.APPROVED, Unit.State.CANCELLED])
        .order_by("pk")
    )
    worked = work_out(units, rules)
    UnitHardware.objects.bulk_create([hardware_row(one, row) for one in worked], batch_size=500)
    by_job: dict[int, list[Worked]] = {}
    for one in worked:
        by_job.setdefault(one.unit.opening.job_id, []).append(one)
    rows: list[VisitUnit] = []
    stops: list[Stop] = []
    pulls: list[Pull] = []
    for job in jobs:
        visit = made.installs.get(job.pk)
        mine = [one for one in by_job.get(job.pk, []) if one.unit.state in INSTALLABLE]
        if visit is None or not mine:
            continue
        rows += _outcomes(demo, visit, [one.unit for one in mine])
        if visit.state == Appointment.State.DONE:
            stops.append(_stop(demo, visit))
        else:
            pulls += _pulls(visit, mine, rules, materials)
    VisitUnit.objects.bulk_create(rows, batch_size=1000)
    Stop.objects.bulk_create(stops)
    _reserve(pulls)
    return len(worked)


def _outcomes(demo: Demo, visit: Appointment, units: Iterable[Unit]) -> Iterable[VisitUnit]:
    made = demo.made["jobs"]
    for unit in units:
        if visit.state == Appointment.State.DONE:
            yield VisitUnit(
                appointment=visit,
                unit=unit,
                outcome=VisitUnit.Outcome.INSTALLED,
                marked_by=made.people["installer"],
                marked_at=visit.done_at,
            )
        else:
            yield VisitUnit(appointment=visit, unit=unit)


def _stop(demo: Demo, visit: Appointment) -> Stop:
    return Stop(
        appointment=visit,
        signed_name=visit.job.customer.name,
        signature=[[[120, 640], [240, 380], [330, 660], [470, 420], [560, 600], [860, 520]]],
        signed_at=visit.done_at,
        closed_at=visit.done_at,
        closed_by=demo.made["jobs"].people["installer"],
    )


def _pulls(visit: Appointment, worked: Sequence[Worked], rules: Rules, materials: dict[str, Material]) -> list[Pull]:
    summed = summed_of(worked, rules)
    return [
        Pull(appointment=visit, material=materials[short.item], needed=short.needed, why=short.why)
        for short in shortages(summed.lines, {}, rules)
    ]


def _reserve(pulls: Sequence[Pull]) -> None:
    """Each pull holds what its first place has left."""
    items: dict[int, StockItem] = {}
    wanted = {pull.material_id for pull in pulls}
    for item in StockItem.objects.filter(material__in=wanted, is_offcut=False).order_by("-pk"):
        items[item.material_id] = item
    for pull in pulls:
        stock = items.get(pull.material_id)
        take = min(pull.needed, stock.free) if stock else 0
        if stock is not None and take:
            stock.reserved += take
            pull.held, pull.items = take, [[stock.pk, take]]
    StockItem.objects.bulk_update(items.values(), ["reserved"], batch_size=500)
    Pull.objects.bulk_create(pulls, batch_size=1000)


# -- loads and returns ----------------------------------------------------------------------


def _loads(demo: Demo, rules: Rules) -> None:
    """Today's loads; the installer's own is part checked."""
    made = demo.made["jobs"]
    crews = {visit.crew for visit in made.installs.values() if visit.crew_id and visit.day == demo.today}
    keys = [item.key for item in rules.items]
    materials = dict(Material.objects.filter(branch=made.branch, key__in=keys).values_list("key", "pk"))
    for crew in sorted(crews, key=lambda crew: crew.pk):
        crew.branch = made.branch
        visits = visits_of_day(crew, demo.today)
        plan, worked = plan_load(crew, visits)
        row = Load.objects.create(
            crew=crew,
            day=demo.today,
            weight_g=plan.weight_g,
            findings=[finding.to_json() for finding in plan.findings],
        )
        units = {one.unit.code: one.unit for several in worked.values() for one in several}
        lines = line_rows(row, plan, visits, units, materials)
        for line in lines[:2]:
            line.checked = line.quantity
        LoadLine.objects.bulk_create(lines)


def _owed(demo: Demo) -> None:
    """Jobs at the stage ``installed``: one unit of each did not go up, and a return is owed."""
    made = demo.made["jobs"]
    by = made.people["installer"]
    jobs = [job for job in made.jobs[:LIVING] if job.stage == Job.Stage.INSTALLED and job.pk in made.installs]
    for position, job in enumerate(jobs):
        visit = made.installs[job.pk]
        row = visit.visit_units.select_related("unit__opening__job__branch").order_by("-pk").first()
        if row is None:
            continue
        key = CAUSES[position % len(CAUSES)]
        row.outcome, row.cause = VisitUnit.Outcome.NOT_INSTALLED, key
        row.save(update_fields=["outcome", "cause"])
        Unit.objects.filter(pk=row.unit_id).update(state=Unit.State.NOT_INSTALLED, installed_at=None)
        row.unit.state = Unit.State.NOT_INSTALLED
        at = visit.done_at or timezone.now() - dt.timedelta(days=1)
        owed = open_return(unit=row.unit, cause_key=key, by=by, happened_at=visit, at=at)
        if position % 3 == 1:
            from installs.rules.causes import NO, cause
            from installs.services.returns import decide_return

            decide_return(
                owed=owed,
                by=made.people["dispatcher"],
                remake=cause(key).remake != NO,
                parts_ready_on=demo.today + dt.timedelta(days=6),
            )
        recompute_stage(job=job, by=None)


def _by_the_plain_rule(asked: Document) -> Answer:
    return read_answer(plan_json(asked, first_fit(asked)))


def _sawn(demo: Demo) -> None:
    """Two batches of what is up already as the saw left them, one of last week, for the owner's yield."""
    made = demo.made["jobs"]
    parts = Part.objects.filter(
        make__unit__opening__job__in=[job.pk for job in made.jobs[:LIVING] if job.pk in made.installs],
        make__unit__state=Unit.State.INSTALLED,
        make__batch=None,
        material__kind=Material.Kind.BAR,
        state=Part.State.CUT,
    ).order_by("pk")
    common = parts.order_by().values("material").annotate(count=Count("pk")).order_by("-count", "material").first()
    if common is None:
        return
    mine = list(parts.filter(material=common["material"])[: 2 * SAWN_IN_A_BATCH])
    by = made.people["workroom"]
    half = (len(mine) + 1) // 2
    for days, some in ((8, mine[:half]), (1, mine[half:])):
        if not some:
            continue
        at = timezone.now() - dt.timedelta(days=days)
        batch = Batch.objects.create(
            branch=made.branch, number=_next_number(made.branch), state=Batch.State.DONE, created_by=by, created_at=at
        )
        UnitMake.objects.filter(parts__in=some).update(batch=batch)
        Part.objects.filter(pk__in=[part.pk for part in some]).update(state=Part.State.TO_CUT, done=0)
        plan = CutPlan.objects.create(batch=batch, material_id=common["material"], created_at=at)
        problem, answer = solved(plan, seconds=1, any_lot=True, solve=_by_the_plain_rule)
        keep_plan(plan=plan, problem=problem, answer=answer, by=by)
        for cut in plan.cuts.order_by("order"):
            mark_cut(cut=cut, by=by)
        PlannedCut.objects.filter(plan=plan).update(cut_at=at)
