"""The owner's figures: each share taken from what can be listed, by week and crew."""

from __future__ import annotations

import csv
import datetime as dt
from decimal import Decimal
from io import StringIO

import pytest
from django.utils import timezone

from fabrication.models import Batch, CutPlan, Material, Part, PlannedCut
from installs.adapters.figures import Period, figures, monday_of, read_week, rows_behind
from installs.services import returns as services
from jobs.models import Appointment, Job
from shared.lengths import Length
from shared.models import Branch, User
from tests.fabrication.rows import make_material, make_stock
from tests.factories import make_job
from tests.installs.makers import make_crew, make_unit, make_visit, stock_up, today

pytestmark = pytest.mark.django_db


def done_visit(branch: Branch, by: User, crew, *, weeks_ago: int = 0, late_min: int = 0, minutes: int = 60) -> Job:
    """A job whose install was done this week or earlier, so late past its window."""
    job = make_job(branch, by=by)
    make_unit(job)
    day = monday_of(today(branch)) - dt.timedelta(weeks=weeks_ago)
    visit = make_visit(job, crew, day=day, state=Appointment.State.DONE)
    visit.arrived_at = visit.promised_until + dt.timedelta(minutes=late_min)
    visit.done_at = visit.arrived_at + dt.timedelta(minutes=minutes)
    visit.save()
    return job


def test_one_trip_is_a_share_of_the_jobs_of_their_week(branch: Branch, dispatcher: User, owner: User) -> None:
    stock_up(branch)
    crew = make_crew(branch)
    done_visit(branch, dispatcher, crew)
    twice = done_visit(branch, dispatcher, crew)
    done_visit(branch, dispatcher, crew, weeks_ago=1)
    unit = twice.openings.get().units.get()
    services.open_return(unit=unit, cause_key="missing_part.hardware", by=dispatcher)

    found = figures(owner, branch, today=today(branch))

    assert (found.weeks[-1].one_trip, found.weeks[-1].installed) == (1, 2)
    assert (found.weeks[-2].one_trip, found.weeks[-2].installed) == (1, 1)
    assert found.weeks[-1].share("one_trip") == 50
    assert found.weeks[0].share("one_trip") is None


def test_a_promise_is_kept_until_the_last_minute_of_its_window(branch: Branch, dispatcher: User, owner: User) -> None:
    stock_up(branch)
    crew = make_crew(branch)
    done_visit(branch, dispatcher, crew, late_min=0)
    done_visit(branch, dispatcher, crew, late_min=1)

    week = figures(owner, branch, today=today(branch)).weeks[-1]

    assert (week.kept, week.promised) == (1, 2)


def test_figures_of_one_crew_leave_the_others_out(branch: Branch, dispatcher: User, owner: User) -> None:
    stock_up(branch)
    one, other = make_crew(branch), make_crew(branch)
    done_visit(branch, dispatcher, one)
    done_visit(branch, dispatcher, other)

    week = figures(owner, branch, today=today(branch), crew=one).weeks[-1]

    assert week.installed == 1


def test_drive_share_counts_base_to_base(branch: Branch, dispatcher: User, owner: User) -> None:
    """Against the planner's own timeline of the same day: the same model, the other way to it."""
    from jobs.schedule.day import read_day

    stock_up(branch)
    crew = make_crew(branch)
    job = done_visit(branch, dispatcher, crew, minutes=45)
    visit = job.appointments.get()

    week = figures(owner, branch, today=today(branch)).weeks[-1]

    assert week.drive_s == pytest.approx(read_day(crew, visit.day).timeline.drive, abs=2)
    assert week.site_s == 45 * 60


def test_yield_takes_kept_offcuts_out(branch: Branch, dispatcher: User, owner: User) -> None:
    material = make_material(branch)
    item = make_stock(material)
    batch = Batch.objects.create(branch=branch, number="B-1", created_by=dispatcher)
    plan = CutPlan.objects.create(batch=batch, material=material, state=CutPlan.State.READY)
    PlannedCut.objects.create(
        plan=plan, order=1, item=item, length=Length.inches(192), left=Length.inches(60), keeps_offcut=True,
        pieces=[{"part": 1, "at": 0, "length": Length.inches(120).ticks, "width": None, "turned": False}],
        state=PlannedCut.State.CUT, cut_at=timezone.now(), cut_by=dispatcher,
    )  # fmt: skip

    week = figures(owner, branch, today=today(branch)).weeks[-1]

    assert (week.used, week.cut) == (Decimal(10), Decimal(11))  # 120 in of the 132 in that are gone


def test_returns_count_by_cause_with_their_cost(branch: Branch, dispatcher: User, owner: User) -> None:
    stock_up(branch)
    crew = make_crew(branch)
    job = done_visit(branch, dispatcher, crew)
    unit = job.openings.get().units.get()
    owed = services.open_return(unit=unit, cause_key="damage.on_arrival", by=dispatcher)
    owed.appointment.duration_min, owed.appointment.people = 60, 1
    owed.appointment.save()

    found = figures(owner, branch, today=today(branch))

    row = found.causes[0]
    assert (row.key, row.counts_for, row.count) == ("damage", "carriage", 1)
    assert row.cost == (Decimal((60 + found.drive_min) / 60) * 36).quantize(Decimal("0.01"))  # 36 a paid hour


def test_a_return_costs_the_material_of_what_is_made_again(branch: Branch, dispatcher: User, owner: User) -> None:
    """Ten feet at 24 for sixteen: 15; what has no price is named, not counted as nothing."""
    stock_up(branch)
    job = done_visit(branch, dispatcher, make_crew(branch))
    unit = job.openings.get().units.get()
    owed = services.open_return(unit=unit, cause_key="size", by=dispatcher)
    bars, cloth = make_material(branch), make_material(branch)
    make_stock(bars, price=Decimal(24))
    make = make_unit(job).make
    make.parts.all().delete()
    for material in (bars, cloth):
        Part.objects.create(
            make=make, name="tube", kind=Material.Kind.BAR, material=material, length=Length.inches(120),
            state=Part.State.TO_CUT,
        )  # fmt: skip
    without = figures(owner, branch, today=today(branch)).causes[0]
    owed.remake = make.unit
    owed.save()

    row = figures(owner, branch, today=today(branch)).causes[0]

    assert row.material == Decimal(15)
    assert row.cost == without.cost + 15
    assert row.unpriced == {cloth.name}


def test_every_figure_leads_to_its_jobs(branch: Branch, dispatcher: User, owner: User, as_user) -> None:
    stock_up(branch)
    job = done_visit(branch, dispatcher, make_crew(branch), late_min=5)
    period = Period(owner, branch, monday_of(today(branch)), today(branch))

    for figure in ("one_trip", "promises", "drive"):
        assert [row["job"] for row in rows_behind(period, figure)] == [job]
        page = as_user(owner).get(f"/figures/{figure}/jobs/").content.decode()
        assert job.number in page
    assert rows_behind(period, "promises")[0]["what"] == "late"


def test_the_table_is_the_page_as_csv(branch: Branch, dispatcher: User, owner: User, as_user) -> None:
    stock_up(branch)
    done_visit(branch, dispatcher, make_crew(branch))

    answer = as_user(owner).get("/figures/figures.csv")

    rows = list(csv.DictReader(StringIO(answer.content.decode())))
    last = rows[11]
    assert (last["jobs installed"], last["in one trip"], last["kept"]) == ("1", "1", "1")


def test_the_owners_first_page_is_figures(branch: Branch, owner: User, as_user) -> None:
    answer = as_user(owner).get("/", follow=True)

    assert answer.redirect_chain[-1][0] == "/figures/"


@pytest.mark.parametrize(("text", "day"), [("2026-W09", dt.date(2026, 2, 23)), ("2026-W60", None), ("next", None)])
def test_a_week_is_read_or_refused(text: str, day: dt.date | None) -> None:
    assert read_week(text) == day
