"""
The small firm of the kept databases: the demo, and by the services what the demo leaves out.

It ran once, with the code of the release the dumps are named after. A later release that adds a dump of its
own starts from here; what changed in the services since is its to follow.
"""

from __future__ import annotations

import datetime as dt
import io
import uuid
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from random import Random
from typing import Any, Final

import time_machine
from django.apps import apps
from django.core.management import call_command
from django.test import Client
from rest_framework.test import APIClient

TODAY: Final = dt.date(2026, 11, 24)
MOMENT: Final = dt.datetime(2026, 11, 24, 15, 40, tzinfo=dt.UTC)
"""20 to 10 in the morning of the firm's day: when every question to a kept database is asked."""
JOBS: Final = 40
ASKED: Final = 40
"""Bookings that wait for a window: the offers are asked for each."""
STANDING: Final = 26
"""Visits of the days to come beside the demo's own."""
ASKS: Final = "asks for a window"
PURPOSES: Final = (
    "measure", "install", "check_measure", "install", "return", "take_down", "measure", "delivery"
)  # fmt: skip
NEVER: Final = {
    "account_emailaddress": "allauth.mfa stands on them; nothing of ours writes there",
    "account_emailconfirmation": "the same",
    "mfa_authenticator": "second steps are newer than the kept releases",
    "auth_group_permissions": "roles are groups; nobody is given single permissions",
    "shared_user_user_permissions": "roles are groups; nobody is given single permissions",
    "authtoken_token": "the API takes sessions and devices' tokens",
    "axes_accesslog": "sign-ins are not logged",
    "axes_accessfailurelog": "failed sign-ins are counted, not logged",
    "axes_accessattemptexpiration": "attempts end after a fixed time",
    "fabrication_lackingchoice": "only a migration fills it, from choices that no recipe had",
    "jobs_parkedentry": "an entry is parked only where a service broke",
}
"""Tables that no release has written to, and why."""


def make() -> None:
    """The whole firm in the database there is, which is empty but migrated."""
    with _at(7, 30):
        call_command("load_demo", jobs=JOBS, seed=1, today=TODAY)
    people = _people()
    with _at(7, 45):
        _calendar(people)
        _standing(people)
        _asked(people)
    with _at(8, 0):
        _workroom(people)
    with _at(8, 30):
        _measuring(people)
        _installing(people)
    with _at(9, 0):
        _documents(people)
        _sign_ins(people)
    empty = [
        model._meta.db_table
        for model in apps.get_models(include_auto_created=True)
        if model._meta.managed and not model._meta.proxy and not model._base_manager.exists()
    ]
    assert set(empty) <= set(NEVER), f"nothing in {sorted(set(empty) - set(NEVER))}"


@contextmanager
def _at(hour: int, minute: int) -> Iterator[None]:
    """The clock of the firm's day, running on."""
    local = dt.timedelta(hours=hour + 6, minutes=minute)  # the town is six hours behind
    with time_machine.travel(dt.datetime(2026, 11, 24, tzinfo=dt.UTC) + local, tick=True):
        yield


def _people() -> dict[str, Any]:
    from shared.models import User

    return {user.username: user for user in User.objects.select_related("branch")}


def _local(day: dt.date, hour: int, minute: int = 0) -> dt.datetime:
    return dt.datetime.combine(day, dt.time(hour, minute), tzinfo=dt.UTC) + dt.timedelta(hours=6)


def _do_runs(kind: str = "") -> list[str]:
    from shared import runs
    from shared.models import Run

    waiting = Run.objects.filter(state=Run.State.WAITING).order_by("created_at", "pk")
    return [runs.perform(pk) for pk in waiting.filter(kind__startswith=kind).values_list("pk", flat=True)]


# -- the calendar ---------------------------------------------------------------------------------


def _calendar(people: dict[str, Any]) -> None:
    from jobs.models import Appointment, Customer, Job, TravelLeg, Wish
    from jobs.services import appointments, booking, crews, feeds, planning, times

    by = people["dispatcher"]
    branch = by.branch
    measuring, installing = (crew_of(name) for name in ("measurer2", "installer2"))
    crews.set_rules(branch=branch, by=people["owner"], days_offered=7)
    crews.set_usual_windows(
        branch=branch, by=people["owner"],
        windows=[(dt.time(8), dt.time(10)), (dt.time(10), dt.time(12)), (dt.time(13), dt.time(15)),
                 (dt.time(15), dt.time(17))],
    )  # fmt: skip
    crews.set_holiday(branch=branch, day=dt.date(2026, 12, 4), name="stock-taking", by=people["owner"])
    day = dt.date(2026, 11, 25)
    crews.set_crew_day(crew=measuring, day=day, by=by, starts=dt.time(9), ends=dt.time(15), note="late start")
    crews.add_absence(
        crew=installing, user=people["installer2"], by=by, starts_at=_local(dt.date(2026, 12, 1), 8),
        ends_at=_local(dt.date(2026, 12, 1), 12), reason="dentist",
    )  # fmt: skip
    feeds.open_feed(branch=branch, by=by, crew=measuring)
    feeds.open_feed(branch=branch, by=by, user=people["measurer"])
    project = booking.new_project(customer=Customer.objects.order_by("pk")[0], name="Quay House", by=by, note="flats")
    booking.edit_job(job=Job.objects.filter(customer=project.customer).first(), by=by, project=project, phase="east")
    job = Job.objects.get(number="J-1012")
    booking.add_impossible_time(job=job, starts_at=_local(TODAY, 14), ends_at=_local(TODAY, 16), by=by)
    times.set_wishes(job=job, wishes=[Wish(kind=Wish.Kind.NOT, weekday=2)], by=by)
    visit = Appointment.objects.get(job=job)
    feeds.answer_readiness(
        appointment=visit, answers=dict.fromkeys(_questions()[:2], "yes"), by=by, note="asked on the phone"
    )
    unplaced = Appointment.objects.unplaced().order_by("pk")
    first, second = unplaced[:2]
    times.set_possible_windows(appointment=first, windows=[(_local(day, 9), _local(day, 13))], by=by)
    appointments.place(appointment=second, crew=_crew_for(second), starts_at=_local(day, 14), by=by, anyway=True)
    appointments.place(appointment=second, crew=_crew_for(second), starts_at=_local(day, 15), by=by, anyway=True)
    booking.cancel_job(job=Job.objects.filter(stage="released").order_by("-pk")[0], by=by, reason="moved away")
    planning.ask_for_plan(branch=branch, from_on=day, until_on=day, by=by, seconds=2)
    TravelLeg.objects.create(from_at="-91.87200,41.61800", to_at="-91.87800,41.62200", seconds=240)
    assert set(_do_runs("jobs.")) == {"done"}


def _questions() -> list[str]:
    from jobs.models import ReadinessAnswer

    return list(ReadinessAnswer.Question.values)


def crew_of(username: str) -> Any:
    from jobs.models import Crew

    return Crew.objects.get(members__user__username=username)


def _crew_for(appointment: Any) -> Any:
    from jobs.models import Crew

    return next(c for c in Crew.objects.order_by("-pk") if appointment.purpose in c.purposes)


def _standing(people: dict[str, Any]) -> None:
    """Visits on the days to come: promised, held and locked, one on an absence and one after its promise."""
    from jobs.models import Appointment
    from jobs.schedule.offers import offers_for
    from jobs.services import appointments, crews

    by, random = people["dispatcher"], Random(5)
    late = Appointment.objects.get(job__number="J-1023", purpose="measure")
    other = crew_of("measurer2")
    appointments.place(appointment=late, crew=other, starts_at=_local(TODAY, 15, 20), by=by, anyway=True)
    for number in range(STANDING):
        purpose = PURPOSES[number % len(PURPOSES)]
        visit = _booked(by, f"Stander {number + 1}", random, purpose, title="stands in the calendar")
        offers = offers_for(visit, days_ahead=4).best
        offer = offers[random.randrange(len(offers))]
        appointments.reserve_offer(appointment=visit, crew=offer.crew, window=offer.window, by=by)
        if number % 6 != 5:
            appointments.promise(appointment=visit, by=by, anyway=True)
        if number % 7 == 3:
            appointments.lock(appointment=visit, by=by)
    danger = Appointment.objects.get(job__number="J-1031", purpose="measure")
    appointments.place(appointment=danger, crew=other, starts_at=_local(TODAY, 16, 45), by=by, anyway=True)
    crews.add_absence(
        crew=other, by=by, starts_at=_local(dt.date(2026, 11, 27), 8), ends_at=_local(dt.date(2026, 11, 27), 12),
        reason="van in the shop",
    )  # fmt: skip


def _booked(by: Any, name: str, random: Random, purpose: str, *, title: str, **asked: Any) -> Any:
    """A visit of a new customer somewhere in the town that stands nowhere yet."""
    from jobs.demo import CENTRE
    from jobs.services import appointments, booking

    site = {
        "street": f"{random.randint(1, 180)} Sounding Lane", "town": "Larkmere", "postcode": "00317",
        "latitude": round(CENTRE[0] + random.gauss(0, 0.03), 6),
        "longitude": round(CENTRE[1] + random.gauss(0, 0.04), 6),
    }  # fmt: skip
    job = booking.book_job(
        branch=by.branch, by=by, customer={"name": name}, site=site, purpose=None, job={"title": title}
    )
    minutes = random.choice([20, 35, 45, 60, 90, 140])
    return appointments.new_appointment(job=job, purpose=purpose, by=by, duration_min=minutes, **asked)


def _asked(people: dict[str, Any]) -> None:
    """Bookings all over the town, of every purpose and many lengths, that wait for their window."""
    from jobs.models import Appointment, Purpose, Skill

    by, random = people["dispatcher"], Random(7)
    tall = Skill.objects.get(key="tall-ladder")
    for number in range(ASKED):
        purpose = PURPOSES[number % len(PURPOSES)]
        day = TODAY + dt.timedelta(days=1 + number % 3)
        _booked(
            by, f"Asker {number + 1}", random, purpose, title=ASKS,
            people=2 if purpose == Purpose.INSTALL and number % 3 == 0 else 1,
            skills=[tall] if purpose == Purpose.INSTALL and number % 2 else [],
            earliest_on=TODAY + dt.timedelta(days=3) if number % 5 == 0 else None,
            possible=[(_local(day, 9), _local(day, 15))] if number % 6 == 1 else [],
        )  # fmt: skip
    assert Appointment.objects.filter(job__title=ASKS).count() == ASKED


# -- the workroom -----------------------------------------------------------------------------------


def _workroom(people: dict[str, Any]) -> None:
    from fabrication.models import CutPlan, Material, Part, StockItem, Supplier, UnitMake
    from fabrication.services import assembly, bench, buying, choices, own_cloth, stock
    from jobs.models import Job
    from measuring.models import Product
    from shared import runs
    from shared.lengths import Length

    by, owner = people["workroom"], people["owner"]
    branch = by.branch
    batched = list(UnitMake.objects.filter(state=UnitMake.State.BATCHED).order_by("pk"))
    cloths = [m for m in batched if m.parts.filter(material__kind=Material.Kind.CLOTH).exists()]
    make = min(cloths, key=lambda m: m.parts.filter(state=Part.State.TO_CUT).values("material").distinct().count())
    mine = set(make.parts.values_list("pk", flat=True))
    plans = CutPlan.objects.filter(batch=make.batch).order_by("pk")
    wanted = list(plans.filter(material__parts__in=mine).distinct())
    for plan in [*wanted, *plans.exclude(pk__in=[one.pk for one in wanted])[:2]]:  # the others wait for their plans
        assert runs.perform(plan.run_id) == "done"
    for plan in wanted:
        for cut in plan.cuts.order_by("order"):
            if mine & {piece["part"] for piece in cut.pieces}:
                bench.mark_cut(cut=cut, by=by)
    for part in make.parts.filter(state=Part.State.TO_PULL).order_by("pk"):
        bench.pull_part(part=part, by=by)
    make.refresh_from_db()
    assembly.tick_step(make=make, step=assembly.steps_of(make)[0][0], by=by)
    assembly.add_photo(make=make, data=picture("darkolivegreen"), by=by)
    stock.save_label_size(branch=branch, by=owner, **_label())
    job = Job.objects.filter(stage="measured").order_by("pk")[0]
    cloth = own_cloth.expect_cloth(
        job=job, name="Aunt's linen", width_needed=Length.inches(54), length_needed=Length.inches(120), by=by,
        expected_on=TODAY + dt.timedelta(days=2),
    )  # fmt: skip
    own_cloth.receive_cloth(cloth=cloth, by=by, shelf="rack 9")
    material = Material.objects.filter(branch=branch, kind=Material.Kind.BAR).order_by("pk")[0]
    bar = StockItem.objects.filter(material=material, length__isnull=False).order_by("pk")[0]
    product = Product.objects.filter(branch=branch, units__isnull=True).order_by("pk")[0]
    product.source = Product.Source.BOUGHT
    product.save(update_fields=["source"])
    option = {"key": "control", "name": "control", "choices": ["cordless"]}
    choices.save_supplier_list(product=product, options=[option], takes="opening", by=by)
    purchase = buying.order_stock(
        supplier=Supplier.objects.order_by("pk")[0], lines=[buying.StockLine(material, 3, bar.length)], by=by
    )
    assert purchase.lines.exists()
    assert Part.objects.filter(state=Part.State.CUT).exists()


def _label() -> dict[str, Any]:
    from fabrication.models import LabelSize
    from shared.lengths import Length

    return {"width": Length.inches(4), "height": Length.inches(2), "kind": LabelSize.Kind.SHEET}


def picture(colour: str, size: tuple[int, int] = (64, 48)) -> bytes:
    """A small photo."""
    from PIL import Image

    out = io.BytesIO()
    Image.new("RGB", size, colour).save(out, "JPEG")
    return out.getvalue()


# -- the visits ----------------------------------------------------------------------------------------


def _measuring(people: dict[str, Any]) -> None:
    from jobs.models import Appointment
    from measuring.models import Opening, Unit
    from measuring.services import openings as opening_services
    from measuring.services import range as range_services
    from measuring.services import readings
    from shared.devices.receiver import register_device

    by, office = people["measurer"], people["dispatcher"]
    range_services.save_measure_times(branch=by.branch, by=people["owner"], minutes={})
    _, token = register_device(user=by, name="Milo's old phone")
    visit = Appointment.objects.get(job__number="J-1004", purpose="measure")
    openings = list(Opening.objects.filter(job=visit.job).order_by("pk"))
    stamp = _local(TODAY, 8, 20).isoformat()
    bodies: Sequence[tuple[str, dict[str, Any]]] = (
        ("measuring.begin", {"appointment": visit.pk, "tape": by.tapes.get().pk}),
        ("measuring.reading", {"opening": str(openings[0].uid), "spot": "widths.top", "typed": "35 3/8"}),
        ("measuring.reading", {"opening": str(openings[0].uid), "spot": "nowhere", "typed": "35"}),
    )
    sent = [
        {"id": str(uuid.uuid5(uuid.NAMESPACE_URL, f"old {position}")), "place": position, "kind": kind, "body": body,
         "done_at": stamp}
        for position, (kind, body) in enumerate(bodies, 1)
    ]  # fmt: skip
    phone = APIClient()
    phone.credentials(HTTP_AUTHORIZATION=f"Device {token}")
    replies = phone.post("/api/field/deeds/", {"deeds": sent}, format="json").json()["replies"]
    assert [reply["status"] for reply in replies] == [200, 200, 400], replies
    opening_services.mark_cannot(opening=openings[2], by=by, reason="behind a wardrobe")
    opening_services.mark_not_reached(opening=openings[3], by=by, reason="paint still wet")
    opening_services.drop_opening(opening=openings[4], by=by, reason="keeps its curtain")
    opening_services.make_group(job=visit.job, kind="line_up", openings=openings[:2], by=by, name="front")
    readings.add_obstruction(opening=openings[0], kind="crank", projection="1 1/2", by=by)
    readings.add_photo(opening=openings[0], data=picture("steelblue"), by=by, caption="left jamb")
    opening_services.change_opening(opening=openings[1], by=office, facts={"note": "behind the piano"}, seen={})
    opening_services.change_opening(
        opening=openings[1], by=by, facts={"note": "piano moved"}, seen={"note": "something else"}
    )
    unit = Unit.objects.filter(state=Unit.State.RELEASED).order_by("pk")[0]
    standing = unit.opening.readings.filter(superseded_at=None, conflict_with=None, spot__startswith="width")
    for one in standing.order_by("pk"):  # an inch more than it was released at: a change to decide
        typed = f"{one.value.ticks / 8128 + 1:.3f}"
        readings.record_reading(opening=unit.opening, spot=one.spot, turn=one.turn, typed=typed, by=by)


def _installing(people: dict[str, Any]) -> None:
    from installs.models import Load, VanStock
    from installs.services import loads, stops
    from jobs.models import Appointment
    from jobs.services import appointments as calendar

    by = people["installer2"]
    load = Load.objects.get(crew=crew_of("installer2"), day=TODAY)
    loads.check_counts(load=load, counts={line.pk: line.quantity for line in load.lines.order_by("pk")[:3]}, by=by)
    loads.check_lines(load=load, lines=list(load.lines.all()), by=by)
    loads.leave_yard(load=load, by=by, at=_local(TODAY, 8, 5))
    visit = Appointment.objects.filter(crew=load.crew, day=TODAY).order_by("starts_at")[0]
    calendar.mark_on_the_way(appointment=visit, by=by, at=_local(TODAY, 8, 6))
    stops.arrive(appointment=visit, by=by, at=_local(TODAY, 8, 25))
    units = [one.unit for one in visit.visit_units.select_related("unit").order_by("pk")]
    stops.mark_installed(appointment=visit, units=units[:2], by=by)
    stops.mark_not_installed(appointment=visit, unit=units[2], cause="size.too_wide", by=by, note="an eighth")
    stops.add_photo(appointment=visit, data=picture("sienna"), by=by, unit=units[2], caption="binds left")
    material = VanStock.objects.filter(crew=load.crew).order_by("pk")[0].material
    stops.note_hardware(appointment=visit, by=by, change=-2, material=material, note="short by two")
    stops.mark_all_installed(appointment=visit, by=by)
    stops.sign(appointment=visit, by=by, name="", strokes=[], left_with="a neighbour")
    stops.close_stop(appointment=visit, by=by, note="one to come back for")
    then = Appointment.objects.filter(crew=load.crew, day=TODAY, state="promised").order_by("starts_at")[0]
    calendar.mark_on_the_way(appointment=then, by=by)


# -- documents and sign-ins ---------------------------------------------------------------------------------


def _documents(people: dict[str, Any]) -> None:
    from installs.models import Load
    from jobs.models import Appointment
    from shared.documents import request_document

    by = people["dispatcher"]
    load = Load.objects.get(crew=crew_of("installer"), day=TODAY)
    request_document(kind="installs.packet", subject=load, by=by)
    request_document(kind="jobs.confirmation", subject=Appointment.objects.get(job__number="J-1012"), by=by)
    assert set(_do_runs("shared.")) == {"done"}


def _sign_ins(people: dict[str, Any]) -> None:
    """Somebody signed in, somebody mistook the password, somebody is invited; a program asked once."""
    from shared.services import invite
    from shared.setup.services import name_firm

    owner = people["owner"]
    name_firm(name="Larkmere Blinds", by=owner)
    invite(person=people["measurer2"], by=owner)
    program = APIClient()
    program.force_login(owner)
    program.post("/api/calendar-rules/", {}, format="json", headers={"Idempotency-Key": '"kept-1"'})
    Client().force_login(people["owner"])
    Client().post("/sign-in/", {"username": "measurer", "password": "measure once"})
