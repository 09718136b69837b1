"""
The owner's figures per week and crew: one trip, promises, returns, yield, drive. Reads only.

Every figure is a share of things that can be listed: `rows_behind` gives the jobs it was taken from.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Final

import numpy as np
from django.db.models import Count, Min, Q, QuerySet

from fabrication.adapters.costs import cost_of
from fabrication.models import Material, PlannedCut
from installs.models import ReturnOwed
from installs.rules.causes import top_of
from jobs.models import Appointment, AppointmentQuerySet, CalendarRules, Crew, Job, Purpose
from jobs.rules.travel import RoadModel, drive_seconds, great_circle_m
from jobs.schedule.travel import road_model, whole_minutes
from shared.formats.dates import month_day
from shared.formats.money import cents
from shared.lengths import TICKS_PER_INCH
from shared.models import Branch, User

WEEKS: Final = 12
FIGURES: Final = {
    "one_trip": "installed in one trip",
    "promises": "promises kept",
    "yield": "material yield",
    "drive": "drive share of the day",
    "returns": "returns",
}


@dataclass(slots=True)
class Week:
    """One week's counts; shares are None where there is nothing to share."""

    monday: dt.date
    installed: int = 0
    one_trip: int = 0
    promised: int = 0
    kept: int = 0
    used: Decimal = Decimal(0)
    cut: Decimal = Decimal(0)
    drive_s: float = 0
    site_s: float = 0
    returns: int = 0
    remakes: int = 0

    @property
    def key(self) -> str:
        """``2026-W09``."""
        year, week, _ = self.monday.isocalendar()
        return f"{year}-W{week:02d}"

    @property
    def label(self) -> str:
        return month_day(self.monday)

    def share(self, figure: str) -> float | None:
        """The figure in percent (returns: their number); None when nothing stands behind it."""
        if figure == "returns":
            return float(self.returns)
        counts: dict[str, tuple[float | Decimal, float | Decimal]] = {
            "one_trip": (self.one_trip, self.installed),
            "promises": (self.kept, self.promised),
            "yield": (self.used, self.cut),
            "drive": (self.drive_s, self.drive_s + self.site_s),
        }
        part, whole = counts[figure]
        return float(part) / float(whole) * 100 if whole else None


@dataclass(slots=True)
class CauseRow:
    """Returns of one cause in the period, and what they cost."""

    key: str
    label: str
    counts_for: str
    is_ours: bool
    count: int = 0
    remakes: int = 0
    minutes: int = 0
    material: Decimal = Decimal(0)
    """Of the units made again, at stock prices."""
    unpriced: set[str] = field(default_factory=set)
    """Materials among them without a price."""
    cost: Decimal = Decimal(0)
    """Material, and people's time on site and on the way."""


@dataclass(slots=True)
class Figures:
    """All of the page."""

    weeks: list[Week]
    causes: list[CauseRow] = field(default_factory=list)
    drive_min: float = 0
    """Mean minutes of driving to one stop in the period, which a return is charged."""

    def total(self, figure: str) -> float | None:
        """The figure over the whole period."""
        whole = Week(self.weeks[0].monday)
        for week in self.weeks:
            for name in ("installed", "one_trip", "promised", "kept", "used", "cut", "drive_s", "site_s", "returns"):
                setattr(whole, name, getattr(whole, name) + getattr(week, name))
        return whole.share(figure)

    def this_and_last(self, figure: str) -> tuple[float | None, float | None]:
        return self.weeks[-1].share(figure), self.weeks[-2].share(figure)


def monday_of(day: dt.date) -> dt.date:
    return day - dt.timedelta(days=day.weekday())


def read_week(text: str) -> dt.date | None:
    """The Monday of ``2026-W09``; None for anything else."""
    try:
        year, week = text.split("-W")
        return dt.date.fromisocalendar(int(year), int(week), 1)
    except ValueError:
        return None


@dataclass(frozen=True, slots=True)
class Period:
    """Whose figures, of which weeks."""

    user: User
    branch: Branch
    first: dt.date
    last: dt.date
    crew: Crew | None = None

    @property
    def day_range(self) -> tuple[dt.date, dt.date]:
        return self.first, self.last

    def visits(self) -> AppointmentQuerySet:
        rows = Appointment.objects.visible_to(self.user).live().filter(day__range=self.day_range)
        rows = rows.filter(job__branch=self.branch)
        return rows.filter(crew=self.crew) if self.crew else rows


def figures(user: User, branch: Branch, *, today: dt.date, crew: Crew | None = None, weeks: int = WEEKS) -> Figures:
    """The last weeks up to the one `today` lies in."""
    first = monday_of(today) - dt.timedelta(weeks=weeks - 1)
    found = {first + dt.timedelta(weeks=n): Week(first + dt.timedelta(weeks=n)) for n in range(weeks)}
    period = Period(user, branch, first, today, crew)
    for day, is_one in one_trips(period).values():
        found[monday_of(day)].installed += 1
        found[monday_of(day)].one_trip += is_one
    for visit in promises(period):
        assert visit.day is not None
        week = found[monday_of(visit.day)]
        week.promised += 1
        week.kept += is_kept(visit)
    stops = _drive(period, found)
    if crew is None:
        _yield(period, found)
    answer = Figures(list(found.values()))
    drive = sum(week.drive_s for week in answer.weeks)
    answer.drive_min = drive / 60 / stops if stops else 0
    answer.causes = _returns(period, found, answer.drive_min)
    return answer


# -- each figure, and the jobs behind it -------------------------------------------------------


def one_trips(period: Period) -> dict[int, tuple[dt.date, bool]]:
    """
    Job to the day its first install was done, and whether nobody had to drive there again.

    A job counts in the week of its first install. A second visit, an install that a return
    followed, or a return still owed makes it two trips; work planned for several days does too.
    """
    done = period.visits().filter(purpose=Purpose.INSTALL, state=Appointment.State.DONE)
    first = dict(done.order_by().values("job").annotate(first=Min("day")).values_list("job", "first"))
    before = Appointment.objects.live().filter(
        job__in=list(first), purpose=Purpose.INSTALL, state=Appointment.State.DONE, day__lt=period.first
    )
    for job in before.values_list("job", flat=True):
        first.pop(job, None)
    jobs = (
        Job.objects.filter(pk__in=list(first))
        .annotate(
            trips=Count(
                "appointments",
                filter=Q(appointments__purpose__in=[Purpose.INSTALL, Purpose.RETURN])
                & ~Q(appointments__state=Appointment.State.CANCELLED),
                distinct=True,
            ),
            owed=Count("returns_owed", filter=~Q(returns_owed__state=ReturnOwed.State.DROPPED), distinct=True),
        )
        .values_list("pk", "trips", "owed")
    )
    return {pk: (first[pk], trips == 1 and owed == 0) for pk, trips, owed in jobs}


def promises(period: Period) -> list[Appointment]:
    """Visits with a promised window at which the crew arrived."""
    rows = period.visits().filter(promised_until__isnull=False, arrived_at__isnull=False)
    return list(rows.only("pk", "job", "day", "crew", "arrived_at", "promised_from", "promised_until"))


def is_kept(visit: Appointment) -> bool:
    """At the door by the end of the window; early is kept."""
    assert visit.arrived_at is not None
    assert visit.promised_until is not None
    return visit.arrived_at <= visit.promised_until


def _drive(period: Period, weeks: dict[dt.date, Week]) -> int:
    """
    Seconds driven (by the branch's road model, stop to stop from the base and back) and worked.

    The model is the planner's own estimate, not a log of the truck.
    """
    rows = list(
        period.visits()
        .filter(crew__isnull=False)
        .exclude(state__in=[Appointment.State.RESERVED, Appointment.State.UNPLACED])
        .select_related("job__site", "crew")
        .only(
            "day", "starts_at", "duration_min", "arrived_at", "done_at", "crew", "job__site__latitude",
            "job__site__longitude", "crew__latitude", "crew__longitude",
        )
        .order_by("crew", "day", "starts_at", "pk")
    )  # fmt: skip
    days: dict[tuple[int, dt.date], list[Appointment]] = {}
    for row in rows:
        assert row.crew_id is not None
        assert row.day is not None
        days.setdefault((row.crew_id, row.day), []).append(row)
    model = road_model(period.branch)
    for (_, day), stops in days.items():
        week = weeks[monday_of(day)]
        week.site_s += sum(_site_seconds(stop) for stop in stops)
        week.drive_s += _legs(model, period.branch, stops)
    return len(rows)


def _site_seconds(stop: Appointment) -> float:
    if stop.arrived_at and stop.done_at and stop.done_at > stop.arrived_at:
        return (stop.done_at - stop.arrived_at).total_seconds()
    return stop.duration_min * 60.0


def _legs(model: RoadModel, branch: Branch, stops: Sequence[Appointment]) -> float:
    crew = stops[0].crew
    base = (crew.longitude, crew.latitude) if crew and crew.longitude is not None else None
    if base is None and branch.longitude is not None:
        base = (branch.longitude, branch.latitude)
    points = [(s.job.site.longitude, s.job.site.latitude) for s in stops if s.job.site.longitude is not None]
    way = [base, *points, base] if base else points
    if len(way) < 2:
        return 0.0
    lons, lats = np.array([p[0] for p in way]), np.array([p[1] for p in way])
    straight = great_circle_m(lons[:-1], lats[:-1], lons[1:], lats[1:])
    return float(whole_minutes(drive_seconds(straight, model)).sum())


def _yield(period: Period, weeks: dict[dt.date, Week]) -> None:
    """Share of what was cut into that became parts, by length (bars) or area (cloth); kept offcuts are not lost."""
    for cut in cuts_of(period):
        used, whole = cut_figures(cut)
        day = cut.cut_at and cut.cut_at.astimezone(period.branch.tz).date()
        if day is not None and (week := weeks.get(monday_of(day))) is not None:
            week.used += used
            week.cut += whole


def cuts_of(period: Period) -> Iterable[PlannedCut]:
    start = dt.datetime.combine(period.first, dt.time(), tzinfo=period.branch.tz)
    end = dt.datetime.combine(period.last + dt.timedelta(days=1), dt.time(), tzinfo=period.branch.tz)
    return (
        PlannedCut.objects.visible_to(period.user)
        .filter(plan__batch__branch=period.branch, cut_at__gte=start, cut_at__lt=end)
        .select_related("plan__material", "item")
    )


SQUARE: Final = Decimal(TICKS_PER_INCH) ** 2
FOOT: Final = Decimal(TICKS_PER_INCH * 12)


def cut_figures(cut: PlannedCut) -> tuple[Decimal, Decimal]:
    """
    What became parts and what was cut into, kept offcuts taken out.

    Both in the price-like measure of feet of bar, or square feet of cloth over four, so that a week
    with both is not ruled by its cloth: a stated convention, no published source.
    """
    pieces = [piece for piece in cut.pieces if not piece.get("spoiled")]
    if cut.plan.material.kind == Material.Kind.CLOTH:
        used = sum((Decimal(piece["length"]) * Decimal(piece.get("width") or 0) for piece in pieces), Decimal(0))
        wide = Decimal(cut.item.width.ticks if cut.item.width else 0)
        kept = Decimal(cut.left.ticks) if cut.keeps_offcut else Decimal(0)
        whole = Decimal(cut.length.ticks) * (wide - kept)
        return used / SQUARE / 144 / 4, whole / SQUARE / 144 / 4
    used = sum((Decimal(piece["length"]) for piece in pieces), Decimal(0))
    kept = Decimal(cut.left.ticks) if cut.keeps_offcut else Decimal(0)
    return used / FOOT, (Decimal(cut.length.ticks) - kept) / FOOT


def returns_in(period: Period) -> QuerySet[ReturnOwed]:
    """Returns opened in the period; those dropped are left out."""
    start = dt.datetime.combine(period.first, dt.time(), tzinfo=period.branch.tz)
    end = dt.datetime.combine(period.last + dt.timedelta(days=1), dt.time(), tzinfo=period.branch.tz)
    rows = ReturnOwed.objects.visible_to(period.user).filter(
        job__branch=period.branch, opened_at__gte=start, opened_at__lt=end
    )
    rows = rows.exclude(state=ReturnOwed.State.DROPPED)
    return rows.filter(happened_at__crew=period.crew) if period.crew else rows


def _returns(period: Period, weeks: dict[dt.date, Week], drive_min: float) -> list[CauseRow]:
    """
    Returns by cause and what they cost.

    The cost of one is its visit's minutes on site (shared among what the visit is for) and the
    period's mean drive to a stop, both times the people and the branch's price of a paid hour, and
    the material of the unit made again at stock prices, waste left out. Workroom hours are not in it.
    """
    rules = CalendarRules.of(period.branch)
    found: dict[str, CauseRow] = {}
    rows = list(returns_in(period).select_related("appointment", "remake__make"))
    shares: dict[int, int] = {}
    for owed in rows:
        if owed.appointment_id:
            shares[owed.appointment_id] = shares.get(owed.appointment_id, 0) + 1
    for owed in rows:
        week = weeks.get(monday_of(owed.opened_at.astimezone(period.branch.tz).date()))
        if week is not None:
            week.returns += 1
            week.remakes += owed.remake_id is not None
        top = top_of(owed.cause)
        row = found.setdefault(top.key, CauseRow(top.key, top.label, top.counts_for, top.is_ours))
        row.count += 1
        row.remakes += owed.remake_id is not None
        if owed.remake is not None and hasattr(owed.remake, "make"):
            material = cost_of(owed.remake.make)
            row.material += material.total
            row.unpriced.update(material.unpriced)
        if owed.appointment is not None:
            visit = owed.appointment
            minutes = (_site_seconds(visit) / 60 + drive_min) / shares[visit.pk]
            row.minutes += round(minutes)
            row.cost += Decimal(minutes / 60 * visit.people) * rules.paid_price
    for row in found.values():
        row.cost = cents(row.cost + row.material)
    return sorted(found.values(), key=lambda row: (-row.count, row.label))


def rows_behind(period: Period, figure: str, cause: str = "") -> list[dict[str, object]]:
    """The jobs a figure was taken from, each with the words that say how it counted."""
    if figure == "one_trip":
        found = {pk: ("one trip" if one else "more than one trip") for pk, (_, one) in one_trips(period).items()}
    elif figure == "promises":
        found = {}
        for visit in promises(period):
            word = "kept" if is_kept(visit) else "late"
            if found.get(visit.job_id) != "late":
                found[visit.job_id] = word
    elif figure == "returns":
        found = {}
        for owed in returns_in(period).select_related("unit"):
            if not cause or top_of(owed.cause).key == cause:
                words = f"{owed.unit.code}: {owed.cause_text}" + (", made again" if owed.remake_id else "")
                found[owed.job_id] = "; ".join(filter(None, [found.get(owed.job_id, ""), words]))
    elif figure == "drive":
        found = {}
        for visit in period.visits().filter(crew__isnull=False):
            found[visit.job_id] = f"{visit.get_purpose_display()} on {visit.day}"
    else:
        return _jobs_cut(period)
    jobs = Job.objects.visible_to(period.user).filter(pk__in=list(found)).select_related("customer", "site")
    return [{"job": job, "what": found[job.pk]} for job in jobs.order_by("-pk")]


def _jobs_cut(period: Period) -> list[dict[str, object]]:
    from fabrication.models import Part

    keys = {piece["part"] for cut in cuts_of(period) for piece in cut.pieces}
    counts: dict[int, int] = {}
    for job in Part.objects.filter(pk__in=list(keys)).values_list("make__unit__opening__job", flat=True):
        counts[job] = counts.get(job, 0) + 1
    jobs = Job.objects.visible_to(period.user).filter(pk__in=list(counts)).select_related("customer", "site")
    return [{"job": job, "what": f"{counts[job.pk]} parts cut"} for job in jobs.order_by("-pk")]
