"""What the workroom knows towards a job's date: how far its units are, what they wait for, how past jobs went."""

from __future__ import annotations

import datetime as dt
from collections import Counter, defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import chain
from typing import Final

import numpy as np
from django.db.models import Max, Min, QuerySet

from fabrication.adapters.waiting import lacking
from fabrication.models import Part, PlannedCut, Purchase, PurchaseLine, StockItem, Supplier, UnitMake, WorkPlace
from fabrication.rules.supply import missed
from fabrication.services.buying import ON_ITS_WAY
from jobs.models import MEASURING, Appointment, AppointmentMove, Job
from jobs.ports import Expected, Making
from jobs.rules.dates import Goods, Past, Place, Span, Supplied
from measuring.adapters.changes import in_question
from measuring.models import Approval, Family, Product, Unit
from shared.models import Branch

LOOKED_BACK: Final = 1_200
"""Installed jobs that are learned from, the latest; and as many deliveries: what runs out is out for weeks."""
LATEST: Final = 200
"""Parts of a family by which its suppliers are known, the latest."""
UNAPPROVED: Final = (Unit.State.DRAFT, Unit.State.SIZED)
UNKNOWN_PLACE: Final = Place("", 0.0, 0.0, 480.0)


# -- the work that stands ------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Workroom:
    """The branch's places, and what is released and not made: when due, of which job, which family."""

    places: Sequence[WorkPlace]
    open_units: Sequence[tuple[dt.date | None, int, str]]

    @classmethod
    def of(cls, branch: Branch) -> _Workroom:
        rows = UnitMake.objects.filter(unit__opening__job__branch=branch, source=Product.Source.MADE)
        rows = rows.exclude(state__in=[UnitMake.State.MADE, UnitMake.State.CANCELLED])
        found = rows.values_list("unit__due_on", "unit__opening__job", "unit__product__family")
        return cls(list(WorkPlace.objects.filter(branch=branch)), list(found))

    def of_job(
        self, families: Mapping[str, int], job: int | None = None, due: dt.date | None = None
    ) -> tuple[Place, ...]:
        """
        Each place as this job meets it; work due later than the job stands behind it.

        A branch that never said how long its work takes has one place of which nothing is known.
        """
        ahead = [
            family for on, other, family in self.open_units
            if other != job and not (due is not None and on is not None and on > due)
        ]  # fmt: skip
        standing, found = Counter(ahead), []
        for place in self.places:
            own = minutes_at(place, families)
            if own:
                found.append(Place(place.name, minutes_at(place, standing), own, place.day_min))
        return tuple(found) or (UNKNOWN_PLACE,)


def minutes_at(place: WorkPlace, families: Mapping[str, int]) -> float:
    """Minutes that so many units of each family take at a place."""
    return float(sum(count * int(place.minutes.get(family, 0)) for family, count in families.items()))


# -- jobs that are on their way -------------------------------------------------------


def expected_making(visit: Expected) -> Making:
    """A job of which only its openings and their family are known."""
    goods = tuple(_usual_goods(visit.branch, visit.families))
    is_bought = all(one.lead is not None for one in goods)
    places = () if is_bought else _Workroom.of(visit.branch).of_job(visit.families)
    return Making(visit.families, goods=goods, places=places, missing=("approval", "release"))


def _usual_goods(branch: Branch, families: Iterable[str]) -> Iterable[Goods]:
    """What a family usually waits for: its supplier's lead where it is bought in, else what past jobs teach."""
    for family in families:
        sources = set(
            Product.objects.filter(branch=branch, family=family, is_active=True).values_list("source", flat=True)
        )
        name = dict(Family.choices).get(family, family)
        if sources == {Product.Source.BOUGHT}:
            rows = Purchase.objects.filter(branch=branch, lines__make__unit__product__family=family)
            last = rows.select_related("supplier").order_by("-pk").first()
            if last is not None:
                yield goods_of(str(name), last.supplier, last.supplier.lead_days)
                continue
        yield _made_of_usual(branch, family, str(name))


def _made_of_usual(branch: Branch, family: str, name: str) -> Goods:
    """What the family's latest units were made of: the share that could not be cut today, its suppliers' shutdowns."""
    parts = Part.objects.filter(make__unit__opening__job__branch=branch, make__unit__product__family=family)
    rows = list(parts.order_by("-pk").values_list("make", "material", "material__supplier")[:LATEST])
    if not rows:
        return Goods(name, family=family)
    free = StockItem.objects.available().filter(material__in={material for _, material, _ in rows})
    there = set(free.values_list("material", flat=True))
    short = {make for make, material, _ in rows if material not in there}
    shut = [one.shutdowns for one in Supplier.objects.filter(pk__in={pk for *_, pk in rows if pk})]
    share = len(short) / len({make for make, *_ in rows})
    return Goods(name, family=family, short=share, closed=tuple(sorted(set(chain.from_iterable(shut)))))


def goods_of(name: str, supplier: Supplier, lead: int, purchase: Purchase | None = None) -> Goods:
    """Something of a supplier's, ordered by this purchase or not yet."""
    text = f"{name} from {supplier.name}"
    shut, late = supplier.shutdowns, missed(supplier.order_by)
    if purchase is None or purchase.ordered_at is None:
        return Goods(text, supplier.name, lead, missed=late, closed=shut)
    ordered = purchase.ordered_at.astimezone(supplier.branch.tz)
    day = ordered.date()
    if supplier.order_by is not None and ordered.time() > supplier.order_by:
        day += dt.timedelta(days=1)
    due = purchase.expected_on if purchase.ships_on is not None else None
    return Goods(text, supplier.name, lead, ordered_on=day, due_on=due, closed=shut)


def making_of(jobs: Sequence[Job]) -> dict[int, Making]:
    """How far the units of these jobs of one branch are; a job without units by what the customer told of."""
    if not jobs:
        return {}
    branch = jobs[0].branch
    rows = Unit.objects.live().filter(opening__job__in=jobs)
    rows = rows.select_related("product", "opening", "make__purchase_line__purchase__supplier__branch")
    units: dict[int, list[Unit]] = defaultdict(list)
    for unit in rows:
        units[unit.opening.job_id].append(unit)
    yes = dict(
        Approval.objects.filter(job__in=jobs, withdrawn_at=None)
        .order_by()
        .values_list("job")
        .annotate(last=Max("approved_at"))
    )
    workroom = _Workroom.of(branch)
    held = in_question(unit.pk for rows in units.values() for unit in rows)
    return {job.pk: _making(job, units[job.pk], yes.get(job.pk), workroom, held) for job in jobs}


def _making(
    job: Job, units: Sequence[Unit], yes: dt.datetime | None, workroom: _Workroom, held: Collection[int]
) -> Making:
    families: Mapping[str, int] = Counter(unit.product.family for unit in units)
    families = families or {job.product_expected: max(1, job.openings_expected)}
    tz = job.branch.tz
    released = [unit.released_at for unit in units]
    made = [unit.made_at for unit in units]
    is_approved = bool(units) and not any(unit.state in UNAPPROVED for unit in units)
    goods, missing = _goods(job, units) if all(released) and units else (_usual_goods(job.branch, families), [])
    due = min((unit.due_on for unit in units if unit.due_on), default=None)
    missing += [f"the customer's yes to a change of {unit.code}" for unit in units if unit.pk in held]
    to_make = [unit for unit in units if unit.made_at is None and unit.product.source == Product.Source.MADE]
    is_made = bool(to_make) or not units
    waiting = Counter(unit.product.family for unit in to_make) or families
    return Making(
        families,
        approved_on=yes.astimezone(tz).date() if yes is not None and is_approved else None,
        released_on=_last(released, tz),
        made_on=_last(made, tz),
        goods=tuple(goods),
        places=workroom.of_job(waiting, job.pk, due) if is_made else (),
        missing=(*(() if is_approved else ("approval",)), *(() if all(released) and units else ("release",)), *missing),
    )


def _last(moments: Sequence[dt.datetime | None], tz: dt.tzinfo) -> dt.date | None:
    """The day of the last; None while one is to come, or there are none."""
    known = [moment for moment in moments if moment is not None]
    return max(known).astimezone(tz).date() if known and len(known) == len(moments) else None


def _goods(job: Job, units: Sequence[Unit]) -> tuple[list[Goods], list[str]]:
    """What released units wait for, and what of it no supplier has acknowledged."""
    found: list[Goods] = []
    missing: list[str] = []
    for unit in units:
        make = getattr(unit, "make", None)
        if make is None or unit.made_at is not None or make.source != Product.Source.BOUGHT:
            continue
        line = getattr(make, "purchase_line", None)
        if line is None:
            found += _usual_goods(job.branch, [unit.product.family])
            missing.append(f"order of {unit.code}")
        elif line.state in ON_ITS_WAY:
            supplier = line.purchase.supplier
            found.append(goods_of(unit.product.name, supplier, supplier.lead_days, line.purchase))
            if line.purchase.ordered_at is None:
                missing.append(f"order of {unit.code}")
            elif not line.purchase.ships_on:
                missing.append(f"ship date of {supplier.name}")
    makes = {unit.make.pk for unit in units if unit.made_at is None and hasattr(unit, "make")}
    for material, line in lacking(job.branch, makes):
        supplier = line.purchase.supplier if line is not None else material.supplier
        if supplier is None:
            found.append(Goods(material.name, lead=material.lead_days))
            missing.append(f"order of {material.name}")
            continue
        lead = supplier.lead_days if material.lead_days is None else material.lead_days
        found.append(goods_of(material.name, supplier, lead, line.purchase if line is not None else None))
        if line is None or line.purchase.ordered_at is None:
            missing.append(f"order of {material.name}")
        elif not line.purchase.ships_on:
            missing.append(f"ship date of {supplier.name}")
    return found, list(dict.fromkeys(missing))


# -- jobs that are over --------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Steps:
    """When a job's last unit was released, made and installed."""

    released: dt.datetime
    made: dt.datetime
    installed: dt.datetime


def past_jobs(branch: Branch) -> tuple[list[Past], list[Supplied]]:
    """The latest installed jobs by the days of their steps, and the latest deliveries."""
    units = Unit.objects.live().filter(opening__job__branch=branch, replaces=None)
    rows = (
        units.filter(installed_at__isnull=False, released_at__isnull=False, made_at__isnull=False)
        .order_by()
        .values_list("opening__job")
        .annotate(Max("released_at"), Max("made_at"), installed=Max("installed_at"))
        .order_by("-installed")[:LOOKED_BACK]
    )
    steps = {pk: _Steps(released, made, installed) for pk, released, made, installed in rows}
    load, families, there = _PastLoad(branch), _families(steps), _there(steps)
    approvals = Approval.objects.filter(job__in=steps, withdrawn_at=None)
    approved = dict(approvals.values_list("job").order_by().annotate(Max("approved_at")))
    visits = Appointment.objects.filter(job__in=steps, purpose__in=MEASURING, state=Appointment.State.DONE)
    measured = dict(visits.values_list("job").order_by().annotate(Max("day")))
    planned = _first_promised(visits)

    def day(when: dt.datetime) -> dt.date:
        return when.astimezone(branch.tz).date()

    found = []
    closed: dict[str, tuple[Span, ...]] = {}
    for pk, one in steps.items():
        yes, came, own = approved.get(pk), there.get(pk, one.released), families[pk]
        family = max(own, key=lambda name: own[name])
        if family not in closed:
            closed[family] = _made_of_usual(branch, family, "").closed
        found.append(
            Past(
                family,
                planned.get(pk, measured.get(pk)),
                measured.get(pk),
                day(yes) if yes is not None else None,
                day(one.released),
                day(came),
                day(one.made),
                day(one.installed),
                load.ahead(one.released, own),
                load.most(came, own),
                closed[family],
            )
        )
    return found, _deliveries(branch)


def _first_promised(visits: QuerySet[Appointment]) -> dict[int, dt.date]:
    """By job, the day a visit was promised for before it was moved for the first time."""
    moves = AppointmentMove.objects.filter(appointment__in=visits, before__state=Appointment.State.PROMISED)
    rows = moves.order_by("-at").values_list("appointment__job", "before__day")
    return {job: dt.date.fromisoformat(day) for job, day in rows if day}


def _families(jobs: Iterable[int]) -> dict[int, Counter[str]]:
    found: dict[int, Counter[str]] = defaultdict(Counter)
    for pk, family in Unit.objects.live().filter(opening__job__in=jobs).values_list("opening__job", "product__family"):
        found[pk][family] += 1
    return found


def _there(steps: Mapping[int, _Steps]) -> dict[int, dt.datetime]:
    """By job, when the last of what came for it after its release was there, before its first cut."""
    cuts = PlannedCut.objects.filter(plan__batch__makes__unit__opening__job__in=steps, cut_at__isnull=False)
    first = dict(cuts.values_list("plan__batch__makes__unit__opening__job").order_by().annotate(Min("cut_at")))
    came: dict[int, list[dt.datetime]] = defaultdict(list)
    lines = PurchaseLine.objects.filter(received_at__isnull=False)
    for material, when in lines.filter(material__isnull=False).values_list("material", "received_at"):
        if when is not None:
            came[material].append(when)
    found: dict[int, dt.datetime] = {}
    needed = Part.objects.filter(make__unit__opening__job__in=steps, material__in=came)
    for pk, material in needed.values_list("make__unit__opening__job", "material").distinct():
        last = first.get(pk) or steps[pk].made
        times = [when for when in came[material] if steps[pk].released < when <= last]
        if times:
            found[pk] = max(found.get(pk, times[0]), *times)
    bought = lines.filter(make__unit__opening__job__in=steps).values_list("make__unit__opening__job")
    for pk, when in bought.order_by().annotate(Max("received_at")):
        found[pk] = max(found.get(pk, when), when)
    return found


class _PastLoad:
    """The work that stood at each place at some moment, from when units were released and made."""

    def __init__(self, branch: Branch) -> None:
        self.places = list(WorkPlace.objects.filter(branch=branch))
        units = Unit.objects.filter(opening__job__branch=branch, released_at__isnull=False, made_at__isnull=False)
        found = units.filter(product__source=Product.Source.MADE)
        rows = [
            (released.timestamp(), made.timestamp(), family)
            for released, made, family in found.values_list("released_at", "made_at", "product__family")
            if released is not None and made is not None
        ]
        self.released = np.array([row[0] for row in rows])
        self.made = np.array([row[1] for row in rows])
        self.minutes = {
            place.name: np.array([float(place.minutes.get(row[2], 0)) for row in rows]) for place in self.places
        }

    def _days(self, when: dt.datetime, place: WorkPlace) -> float:
        """Days of work that stood there, the job's own among them once it is released."""
        if not len(self.released):
            return 0.0
        at = when.timestamp()
        stood = self.minutes[place.name][(self.released <= at) & (self.made > at)]
        return float(stood.sum()) / place.day_min

    def ahead(self, when: dt.datetime, families: Mapping[str, int]) -> dict[str, float]:
        """Without a job's own, where it has any."""
        own = {place.name: minutes_at(place, families) / place.day_min for place in self.places}
        return {
            place.name: max(0.0, self._days(when, place) - own[place.name]) for place in self.places if own[place.name]
        }

    def most(self, when: dt.datetime, families: Mapping[str, int]) -> float:
        """At the place of a job that had most."""
        mine = [place for place in self.places if minutes_at(place, families)]
        return max((self._days(when, place) for place in mine), default=0.0)


def _deliveries(branch: Branch) -> list[Supplied]:
    lines = PurchaseLine.objects.filter(purchase__branch=branch, received_at__isnull=False)
    lines = lines.exclude(purchase__ordered_at=None).select_related("purchase__supplier__branch", "material")
    found = []
    for line in lines.order_by("-received_at")[:LOOKED_BACK]:
        supplier, own = line.purchase.supplier, line.material.lead_days if line.material is not None else None
        goods = goods_of("", supplier, supplier.lead_days if own is None else own, line.purchase)
        if goods.ordered_on is not None and line.received_at is not None and goods.lead:
            came = line.received_at.astimezone(branch.tz).date()
            found.append(Supplied(supplier.name, float(goods.lead), goods.ordered_on, came, goods.closed))
    return found
