"""The one date of a job: what the workroom knows towards it, what saves it, and where it is shown."""

import datetime as dt
from decimal import Decimal

import pytest
from django.utils import timezone

from fabrication.adapters.dates import expected_making, making_of, past_jobs
from fabrication.models import Batch, CutPlan, PlannedCut, Purchase, PurchaseLine, Supplier, WorkPlace
from fabrication.services.buying import StockLine, acknowledge_shipping, order_stock
from fabrication.services.deliveries import receive_line
from jobs.models import Appointment, CalendarRules, Job, JobDate
from jobs.ports import Expected, ports
from jobs.schedule.dates import BranchDates, date_now
from jobs.services import dates
from jobs.views.attention import decisions
from measuring.models import Approval, SizeChange, Unit
from shared.errors import Refused
from shared.lengths import Length
from tests.fabrication.rows import make_made_unit, make_material, make_part, make_stock
from tests.factories import at, make_appointment, make_crew, make_job

pytestmark = pytest.mark.django_db


@pytest.fixture
def supplier(branch):
    return Supplier.objects.create(branch=branch, name="Fenwater Weavers", lead_days=9)


@pytest.fixture
def tube(branch, supplier):
    return make_material(branch, supplier=supplier, facts={"stock": [{"length": "192", "price": "20.00"}]})


@pytest.fixture
def make(branch, workroom, tube):
    """A released unit of a measured job that needs a tube of which none is there."""
    made = make_made_unit(branch, workroom, job=make_job(branch, by=workroom))
    make_part(made, tube, "100", quantity=4)
    today = timezone.now().astimezone(branch.tz)
    make_appointment(made.unit.opening.job, crew=make_crew(branch), day=today.date(), time="8:00", state="done")
    Unit.objects.filter(pk=made.unit_id).update(released_at=today)
    approval = Approval.objects.create(
        job=made.unit.opening.job, revision=1, snapshot={}, approved_by="Ada", recorded_by=workroom
    )
    approval.units.add(made.unit)
    return made


def outlook(job):
    return BranchDates(job.branch).of_jobs([Job.objects.get(pk=job.pk)])[job.pk]


def test_what_is_short_is_waited_for_until_its_supplier_says_when_it_ships(make, tube, supplier, workroom):
    job = make.unit.opening.job

    (short,) = making_of([job])[job.pk].goods
    purchase = order_stock(supplier=supplier, lines=[StockLine(tube, 3, Length.inches(192))], by=workroom)
    (ordered,) = making_of([job])[job.pk].goods
    estimated = outlook(job)
    acknowledge_shipping(purchase=purchase, ships_on=purchase.expected_on, by=workroom)
    confirmed = outlook(job)

    assert (short.lead, short.ordered_on) == (9, None)
    assert ordered.ordered_on is not None
    assert (estimated.missing, estimated.is_confirmed) == (("ship date of Fenwater Weavers",), False)
    assert (confirmed.missing, confirmed.is_confirmed) == ((), True)
    assert confirmed.decides == "goods"


def test_a_unit_on_hold_leaves_a_date_estimated(make, tube, workroom):
    """Its job was "confirmed" under "the customer's yes is missing"."""
    make_stock(tube)
    unit = make.unit
    SizeChange.objects.create(
        unit=unit, old_width=unit.order_width, old_height=unit.order_height, new_width=unit.order_width,
        new_height=unit.order_height, opened_by=workroom,
    )  # fmt: skip

    assert outlook(unit.opening.job).missing == (f"the customer's yes to a change of {unit.code}",)


def test_a_held_deposit_and_an_approval_that_is_open_leave_a_date_estimated(make, tube):
    make_stock(tube)
    job = make.unit.opening.job
    Job.objects.filter(pk=job.pk).update(hold=Job.Hold.DEPOSIT)
    Unit.objects.filter(pk=make.unit_id).update(state=Unit.State.SIZED, released_at=None)

    assert outlook(job).missing == ("deposit", "approval", "release")


def test_a_purchase_counts_the_suppliers_working_days_its_last_hour_and_its_shutdown(branch, tube, supplier, workroom):
    """Nine working days were taken for nine calendar days."""
    today = timezone.now().astimezone(branch.tz).date()
    CalendarRules.objects.create(branch=branch, holiday_country="")
    lines = [StockLine(tube, 1, Length.inches(192))]

    plain = order_stock(supplier=supplier, lines=lines, by=workroom)
    supplier.closed = [[(today + dt.timedelta(days=1)).isoformat(), (today + dt.timedelta(days=28)).isoformat()]]
    supplier.save()
    shut = order_stock(supplier=supplier, lines=lines, by=workroom)
    supplier.closed, supplier.order_by = [], dt.time(0)
    supplier.save()
    late = order_stock(supplier=supplier, lines=lines, by=workroom)

    days = [today + dt.timedelta(days=ahead) for ahead in range(1, 60)]
    worked = [day for day in days if day.weekday() < 5]
    assert plain.expected_on == worked[8]
    assert shut.expected_on == [day for day in worked if day > today + dt.timedelta(days=28)][8]
    assert late.expected_on == worked[9]


def test_a_ship_date_before_the_order_is_refused(tube, supplier, workroom):
    purchase = order_stock(supplier=supplier, lines=[StockLine(tube, 1, Length.inches(192))], by=workroom)

    with pytest.raises(Refused) as refused:
        acknowledge_shipping(purchase=purchase, ships_on=dt.date(2020, 1, 1), by=workroom)

    assert refused.value.field == "ships_on"


def test_the_load_of_each_place_counts_what_is_released_and_due_no_later(branch, workroom, make, tube):
    make_stock(tube)
    WorkPlace.objects.create(branch=branch, name="Assembly", day_min=400, minutes={"roller": 40})
    for _ in range(3):
        make_made_unit(branch, workroom)
    job = make.unit.opening.job

    (place,) = making_of([job])[job.pk].places
    (call,) = expected_making(Expected(branch, "install", {"roller": 2})).places

    assert (place.ahead_min, place.own_min, place.day_min) == (120, 40, 400)
    assert (call.ahead_min, call.own_min) == (160, 80)


def test_a_date_that_slips_is_one_decision_with_what_would_save_it(branch, dispatcher, make, tube):
    """Told before the goods can come: ordering today and overtime are named, each with its day, chance and price."""
    job = make.unit.opening.job
    WorkPlace.objects.create(branch=branch, name="Assembly", day_min=60, minutes={"roller": 400})
    found = outlook(job)
    dates.tell_date(job=job, on=found.by - dt.timedelta(days=2), by=dispatcher)

    (decision,) = [one for one in decisions(dispatcher) if one.kind == "date"]
    date = JobDate.objects.get()

    assert date.slips
    assert date.by == found.by
    assert date.chance == found.chance(date.told_on) < CalendarRules.of(branch).chance_floor
    assert decision.text.startswith(job.number)
    assert decision.url == f"/jobs/{job.pk}/#date"
    texts = {way.text.partition(" of ")[0]: way for way in date.ways}
    assert texts["overtime"].price > 0
    assert all(way.chance > date.chance for way in date.ways)
    assert all(way.text in decision.text for way in date.ways)


def test_other_material_that_is_there_saves_the_wait(branch, make, tube):
    make_stock(make_material(branch, name="Tube of another", facts=tube.facts))
    job = make.unit.opening.job

    found = {one.text: one for one in ports.rescues(job, making_of([job])[job.pk])}

    other = found[f"Tube of another instead of {tube.name}, if the customer agrees"]
    assert (other.making.goods, other.price) == ((), Decimal(0))
    assert found[f"order {tube.name} today"].price == Decimal("60.00")


def test_a_date_is_told_again_and_kept_with_who_did_it(dispatcher, make):
    job = make.unit.opening.job

    dates.tell_date(job=job, by=dispatcher)
    dates.tell_date(job=job, on=outlook(job).by + dt.timedelta(days=9), by=dispatcher)

    now = date_now(job)
    assert (now.told_on, now.slips) == (outlook(job).by + dt.timedelta(days=9), False)
    assert decisions(dispatcher) == [one for one in decisions(dispatcher) if one.kind != "date"]
    with pytest.raises(Refused, match="can't be told"):
        dates.tell_date(job=job, on=dt.date(2020, 1, 1), by=dispatcher)


def test_past_jobs_teach_the_waits_of_a_branch(branch, workroom, make, tube, supplier):
    """Released on a Monday; the tube came on the Wednesday, was cut on the Thursday; made Friday, hung a week later."""
    monday = dt.date(2026, 3, 2)

    def when(day, hour=12):
        return at(branch, monday + dt.timedelta(days=day), f"{hour}:00")

    job, batch = make.unit.opening.job, Batch.objects.create(branch=branch, number="B-1", created_by=workroom)
    Unit.objects.filter(pk=make.unit_id).update(
        state="installed", released_at=when(0), made_at=when(4), installed_at=when(11)
    )
    Approval.objects.update(approved_at=when(-3))
    Appointment.objects.update(day=monday - dt.timedelta(days=5))
    make.batch = batch
    make.save()
    plan = CutPlan.objects.create(batch=batch, material=tube)
    PlannedCut.objects.create(
        plan=plan, order=1, item=make_stock(tube), length=Length.inches(192), pieces=[], left=Length(0),
        state="cut", cut_at=when(3),
    )  # fmt: skip
    purchase = order_stock(supplier=supplier, lines=[StockLine(tube, 1, Length.inches(192))], by=workroom)
    receive_line(line=purchase.lines.get(), packages=1, by=workroom)
    PurchaseLine.objects.update(received_at=when(2))
    Purchase.objects.update(ordered_at=when(-7))

    ((past,), (supplied,)) = past_jobs(branch)

    days = [past.measured_on, past.approved_on, past.released_on, past.there_on, past.made_on, past.installed_on]
    assert [(day - monday).days for day in days] == [-5, -3, 0, 2, 4, 11]
    assert (supplied.stated, (supplied.came_on - supplied.ordered_on).days) == (9.0, 9)
    assert job.pk


def test_the_date_of_a_job_is_the_same_on_its_page_and_in_the_api(make, dispatcher, as_user, api_as):
    job = make.unit.opening.job
    dates.tell_date(job=job, by=dispatcher)
    now = date_now(job)

    page = as_user(dispatcher).get(f"/jobs/{job.pk}/").content.decode()
    answer = api_as(dispatcher).get(f"/api/jobs/{job.pk}/date/").json()

    assert now.outlook.text[1:] in page
    assert answer["installed_by"] == answer["told_on"] == now.outlook.by.isoformat()
    assert (answer["is_confirmed"], answer["chance"]) == (False, now.chance)
    assert api_as(dispatcher).get(f"/api/jobs/{job.pk}/").json()["installed_by"] == answer["told_on"]


def test_a_crew_with_room_saves_what_only_waits_for_the_crews(branch, dispatcher, make):
    """Made today; crews usually take days to hang it, and one is free before the day the customer was told."""
    Unit.objects.filter(pk=make.unit_id).update(state="made", made_at=timezone.now())
    job = make.unit.opening.job
    told = outlook(job).by - dt.timedelta(days=2)

    dates.tell_date(job=job, on=told, by=dispatcher)

    date = JobDate.objects.get()
    (way,) = date.ways
    assert (date.decides, date.slips) == ("crew", True)
    assert way.text.startswith("Crew ")
    assert way.by <= told
    assert way.chance > date.chance
    assert way.price is not None


def test_dates_told_are_worked_out_anew_as_things_change(branch, dispatcher, make, tube, supplier, workroom):
    job = make.unit.opening.job
    dates.tell_date(job=job, by=dispatcher)
    assert dates.work_out_dates(branch=branch) == 0

    Unit.objects.filter(pk=make.unit_id).update(state=Unit.State.SIZED, released_at=None)

    assert dates.work_out_dates(branch=branch) == 1
    assert JobDate.objects.get().by == outlook(job).by > JobDate.objects.get().told_on
