"""A small firm that every history begins from: people, two kinds of crews, jobs at every stage."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any

import time_machine

import installs.services.loads
import jobs.services.appointments
from fabrication.models import CutPlan, Material, Part, PlannedCut, RecipeRevision, Supplier, UnitMake
from fabrication.services import assembly
from fabrication.services.batches import open_batch
from fabrication.services.bench import check_unit, mark_cut, pull_part
from fabrication.services.buying import order_units
from fabrication.services.choices import save_supplier_list
from fabrication.services.planning import plan_batch
from fabrication.services.rack import count_stock
from fabrication.services.starting_data import load_materials, load_recipes, load_tolerances
from fabrication.services.stock import receive_stock
from installs.services.starting_data import load_hardware, load_rules
from jobs.models import Appointment, Crew, Job, Purpose
from measuring.models import Product, Unit
from measuring.services import openings as opening_services
from measuring.services import readings, releases, sizes
from measuring.services.starting_data import load_products
from shared import runs
from shared.lengths import Length
from shared.models import Branch, Run, User
from tests import factories

NOW = dt.datetime(2027, 4, 5, 12, 0, tzinfo=dt.UTC)
"""Monday at seven in the morning on the firm's clocks; the whole week has no holiday."""
TODAY = dt.date(2027, 4, 5)

WREN = {"control": "spring", "roll": "standard", "hem_bar": "exposed", "colour": "Brant sand", "control_side": "left"}
SLAT = {"control": "cordless", "tilt_side": "left", "valance": "plain", "hold_downs": "no", "colour": "oak"}
PLEATED = {"control": "cordless", "colour": "moss"}
OPTIONS = {"wren": WREN, "dunlin_wood": SLAT, "snipe": PLEATED}


@dataclass
class Firm:
    """Keys, not objects: each history takes back what it wrote."""

    branch: int
    people: dict[str, int]
    measurers: list[int] = field(default_factory=list)
    installers: list[int] = field(default_factory=list)

    def user(self, role: str) -> User:
        return User.objects.get(pk=self.people[role])

    def crew(self, number: int, kind: str = "measure") -> Crew:
        keys = self.measurers if kind == "measure" else self.installers
        return Crew.objects.select_related("branch").get(pk=keys[number % len(keys)])

    @property
    def row(self) -> Branch:
        return Branch.objects.get(pk=self.branch)


def found_firm(*, with_workroom: bool = True) -> Firm:
    """The branch, its people and crews, its range, its racks."""
    branch = factories.make_branch(name="Sluice Street")
    cast = factories.make_cast(branch)
    firm = Firm(branch.pk, {role: user.pk for role, user in cast.items()})
    for name, people in (("Heron", [cast["measurer"]]), ("Wagtail", [])):
        firm.measurers.append(factories.make_crew(branch, *people, name=name, purposes=["measure", "check_measure"]).pk)
    truck = Length.inches(144)
    for name, people in (("Kestrel", [cast["installer"]]), ("Martin", [])):
        crew = factories.make_crew(
            branch, *people, name=name, purposes=["install", "return", "delivery"], people=2, truck_longest=truck
        )
        firm.installers.append(crew.pk)
    load_products(branch)
    bought = Product.objects.get(branch=branch, key="snipe")
    bought.source = Product.Source.BOUGHT
    bought.save(update_fields=["source"])
    options = [{"key": "control", "choices": ["cordless"]}, {"key": "colour", "choices": ["white", "moss"]}]
    rows = [one | {"name": one["key"]} for one in options]
    save_supplier_list(product=bought, options=rows, takes="opening", by=cast["workroom"])
    load_materials(branch)
    load_recipes(branch)
    load_tolerances(branch)
    if with_workroom:
        fill_racks(branch, cast["workroom"])
    return firm


def used_by(branch: Branch, *products: str) -> set[str]:
    """Keys of every material that the recipes of these products may take."""
    rows = RecipeRevision.objects.filter(product__branch=branch, product__key__in=products)
    texts = [str(row.definition) for row in rows]
    keys = Material.objects.filter(branch=branch).values_list("key", flat=True)
    return {key for key in keys if any(f"'{key}'" in text for text in texts)}


def fill_racks(branch: Branch, by: User) -> None:
    """Some of everything the wren and the dunlin take; hardware for the install day."""
    for material in Material.objects.filter(branch=branch, key__in=used_by(branch, *OPTIONS)):
        known = {"material": material, "by": by}
        if material.kind == Material.Kind.CLOTH:
            for lot in ("L1", "L2"):
                size = {"length": Length.inches(720), "width": Length.inches(98), "price": Decimal("7.50")}
                receive_stock(**known, **size, quantity=1, lot=lot, shelf="roll store")
        elif material.is_cut_from_bars():
            receive_stock(**known, quantity=6, length=Length.inches(192), shelf="rack 3", price=Decimal(11))
        elif material.kind == Material.Kind.CORD:
            receive_stock(**known, quantity=1, length=Length.inches(36_000), shelf="cord wall")
        else:
            receive_stock(**known, quantity=400, shelf="bins")
    rules = load_rules(branch)
    from installs.adapters.evaluation import rules_at

    for key, material in load_hardware(branch, rules_at(rules)).items():
        if material.stock.exists():
            continue
        length = rules_at(rules).item(key).length
        if material.kind not in {Material.Kind.PIECE, Material.Kind.SET}:
            length = length or Length.inches(96)
        receive_stock(material=material, by=by, quantity=200, length=length, shelf="hardware wall")


def do_runs(*, kinds: tuple[str, ...] = ()) -> list[str]:
    """Performs what waits, as a worker would."""
    waiting = Run.objects.filter(state=Run.State.WAITING).order_by("created_at")
    if kinds:
        waiting = waiting.filter(kind__in=kinds)
    return [runs.perform(pk) for pk in list(waiting.values_list("pk", flat=True))]


# -- jobs as far as wanted -----------------------------------------------------------------


def a_job(firm: Firm, openings: int = 2, **site: Any) -> Job:
    branch = firm.row
    customer = factories.make_customer(branch)
    number = f"J-{2001 + Job.objects.filter(branch=branch).count()}"
    return factories.make_job(
        branch, by=firm.user("dispatcher"), customer=customer, number=number, openings_expected=openings,
        site=factories.make_site(customer, year_built=1994, children=False, **site),
    )  # fmt: skip


def a_visit(job: Job, crew: Crew | None = None, day: dt.date = TODAY, time: str = "", **fields: Any) -> Appointment:
    """A visit by the services: unplaced, or with a crew and a time planned there."""
    by = job.created_by
    purpose = fields.pop("purpose", Purpose.MEASURE)
    row = jobs.services.appointments.new_appointment(
        job=job, purpose=purpose, by=by, duration_min=fields.pop("minutes", 60), **fields
    )
    if crew is not None:
        jobs.services.appointments.place(
            appointment=row, crew=crew, starts_at=factories.at(job.branch, day, time), by=by, anyway=True
        )
    return Appointment.objects.get(pk=row.pk)


def promise(row: Appointment, begin: str, until: str) -> Appointment:
    assert row.day is not None
    window = (factories.at(row.job.branch, row.day, begin), factories.at(row.job.branch, row.day, until))
    jobs.services.appointments.promise(appointment=row, by=row.job.created_by, window=window, anyway=True)
    return Appointment.objects.get(pk=row.pk)


INSIDE = ("widths.top", "widths.middle", "widths.bottom", "heights.left", "heights.center", "heights.right", "depth")
OUTSIDE = ("width", "height", "overlaps.left", "overlaps.right", "overlaps.top", "overlaps.bottom")


def a_unit(
    firm: Firm, job: Job, *read: str, product: str = "wren", mount: str = "inside", room: str = "Kitchen",
    options: dict[str, str] | None = None,
) -> Unit:  # fmt: skip
    """A measured unit: ``a_unit(firm, job, "35 3/8", "35 1/4", "35 5/16", "60", "60", "60", "4")``, options chosen."""
    by = firm.user("measurer")
    place = opening_services.add_room(job=job, name=room, by=by)
    facts = {"product": product, "mount": mount, "substrate": "wood", "reach_height": "80"}
    opening = opening_services.add_opening(room=place, by=by, facts=facts)
    for at, typed in zip(INSIDE if mount == "inside" else OUTSIDE, read, strict=False):
        readings.record_reading(opening=opening, spot=at, typed=typed, by=by)
    unit = opening.units.get()
    sizes.set_options(unit=unit, options=OPTIONS[product] | (options or {}), by=by)
    return Unit.objects.get(pk=unit.pk)


def approve(firm: Firm, *units: Unit) -> None:
    job = units[0].opening.job
    releases.approve_sizes(job=job, units=units, approved_by="Ida Marl", by=firm.user("dispatcher"))


def release(firm: Firm, *units: Unit) -> list[UnitMake]:
    job = Job.objects.get(pk=units[0].opening.job_id)
    releases.release_to_workroom(job=job, units=units, due_on=TODAY + dt.timedelta(days=9), by=firm.user("dispatcher"))
    return list(UnitMake.objects.filter(unit__in=units).order_by("pk"))


def plan(firm: Firm, makes: list[UnitMake]) -> list[CutPlan]:
    """A batch of these with its cuts planned by the real solver."""
    by = firm.user("workroom")
    batch = open_batch(branch=firm.row, makes=[make.pk for make in makes], by=by)
    plan_batch(batch=batch, by=by, seconds=1)
    states = do_runs()
    assert set(states) == {"done"}, states
    return list(batch.plans.filter(state=CutPlan.State.READY))


def cut_all(firm: Firm, plans: list[CutPlan]) -> None:
    by = firm.user("workroom")
    for cut in PlannedCut.objects.filter(plan__in=plans, state=PlannedCut.State.TO_CUT).order_by("plan", "order"):
        mark_cut(cut=cut, by=by)


def finish(firm: Firm, makes: list[UnitMake]) -> None:
    """Pulls what is to be pulled, ticks the steps and passes the check with the finished size."""
    by = firm.user("workroom")
    for part in Part.objects.filter(make__in=makes, state=Part.State.TO_PULL):
        pull_part(part=part, by=by)
    for make in UnitMake.objects.filter(pk__in=[make.pk for make in makes]):
        assembly.tick_all(make=make, by=by)
        check_unit(make=make, width=make.finished_width, height=make.finished_height, by=by)


def buy(firm: Firm, makes: list[UnitMake]) -> None:
    supplier, _ = Supplier.objects.get_or_create(branch=firm.row, name="Fenwater Weavers", defaults={"lead_days": 9})
    order_units(supplier=supplier, makes=[make.pk for make in makes], by=firm.user("workroom"))


def leave_too_short(firm: Firm, make: UnitMake) -> None:
    """Of its tube, what no plan has taken goes, and a bar is left that the tube is longer than."""
    by, part = firm.user("workroom"), make.parts.get(name="tube")
    for item in part.material.stock.filter(quantity__gt=0):
        count_stock(item=item, counted=item.reserved, reason="counted", by=by)
    receive_stock(material=part.material, by=by, quantity=1, length=Length.inches(30), shelf="rack 3")


def an_install(firm: Firm, job: Job, crew: Crew, day: dt.date, time: str, minutes: int = 90) -> Appointment:
    """An install visit of all of the job's units; it names them by itself."""
    return a_visit(job, crew, day, time, purpose=Purpose.INSTALL, minutes=minutes)


def load_up(firm: Firm, crew: Crew, day: dt.date) -> Any:
    return installs.services.loads.refresh_load(crew=crew, day=day, by=firm.user("dispatcher"))


def made_job(firm: Firm) -> Job:
    """A job of two units that went the whole way through the workroom."""
    job = a_job(firm)
    units = [
        a_unit(firm, job, "33 1/2", "33 1/2", "33 5/8", "62", "62", "62", "4", options={"colour": "Brant white"}),
        a_unit(firm, job, "38 3/4", "38 3/4", "38 3/4", "45 1/8", "45 1/8", "45 1/8", "4", room="Study"),
    ]
    approve(firm, *units)
    makes = release(firm, *units)
    Part.objects.filter(make__in=makes, state=Part.State.TO_CUT).update(state=Part.State.CUT)
    UnitMake.objects.filter(pk__in=[make.pk for make in makes]).update(state=UnitMake.State.ASSEMBLY)
    finish(firm, makes)
    return Job.objects.get(pk=job.pk)


def busy_week(firm: Firm) -> None:
    """Jobs at every stage, so that each history finds each fact on each page from its first step on."""
    tomorrow = TODAY + dt.timedelta(days=1)
    measured, released, bought = a_job(firm), a_job(firm), a_job(firm)
    promise(a_visit(measured, firm.crew(0), TODAY, "9:00"), "8:00", "10:00")
    promise(a_visit(released, firm.crew(0), TODAY, "13:00", minutes=45), "12:30", "14:30")
    a_visit(bought, firm.crew(1), TODAY, "10:30")
    a_visit(a_job(firm), firm.crew(0), tomorrow, "10:00", minutes=75)
    a_visit(a_job(firm))

    a_unit(firm, measured, "35 3/8", "35 1/4", "35 5/16", "60", "60 1/8", "60", "4")
    a_unit(firm, measured, "40 1/2", "40 1/2", "40 5/8", "48", "48", "48 1/4", "4", product="dunlin_wood", room="Study")
    units = [
        a_unit(firm, released, "30 1/8", "30 1/8", "30", "54", "54", "54", "4"),
        a_unit(firm, released, "46", "46 1/8", "46", "70", "70", "70 1/8", "4", options={"colour": "Dusk grey"}),
    ]
    approve(firm, *units)
    plan(firm, release(firm, *units))
    waiting = a_unit(firm, released, "52", "52", "52", "66", "66", "66", "4", room="Landing")
    approve(firm, waiting)
    leave_too_short(firm, release(firm, waiting)[0])
    units = [a_unit(firm, bought, "28", "28", "28 1/8", "40", "40", "40", "4", product="snipe")]
    approve(firm, *units)
    buy(firm, release(firm, *units))

    for day, times in ((TODAY, ("9:30", "14:00")), (tomorrow, ("11:00",))):
        for position, time in enumerate(times):
            with time_machine.travel(NOW - dt.timedelta(days=4), tick=False):
                job = made_job(firm)
            visit = an_install(firm, job, firm.crew(0, "install"), day, time)
            if position == 0:
                promise(visit, f"{int(time.split(':')[0])}:00", f"{int(time.split(':')[0]) + 2}:00")
        load_up(firm, firm.crew(0, "install"), day)
