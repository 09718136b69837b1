"""Who may enter: every address of jobs × every role, a stranger and nobody."""

from __future__ import annotations

import datetime as dt
import uuid
from decimal import Decimal

import pytest
from django.urls import get_resolver, reverse
from django.utils import timezone

from jobs.ics import feed_token
from jobs.models import Absence, CrewMember, Holiday, Message, Proposal
from jobs.services import booking, feeds, money, service_calls, your_job
from jobs.services import keys as site_keys
from shared import roles
from shared.devices.models import DeviceEntry, FieldDevice, ParkedEntry
from shared.models import Run
from tests.factories import make_appointment, make_crew, make_job
from tests.shared.test_pictures import jpeg

pytestmark = pytest.mark.django_db

OFFICE = set(roles.OFFICE)
FIELD = set(roles.FIELD)
ALL = set(roles.ALL)

# name: (who may enter, method, what the address takes)
ENTRANCES = {
    "setup_crews": ({roles.OWNER}, "get", None),
    "setup_people": ({roles.OWNER}, "get", None),
    "list": (ALL, "get", None),
    "book": (OFFICE, "get", None),
    "book_windows": (OFFICE, "post", None),
    "find_customer": (OFFICE, "get", None),
    "import": (OFFICE, "get", None),
    "import_again": (OFFICE, "post", "import"),
    "import_undo": (OFFICE, "post", "import"),
    "import_run": (OFFICE, "get", "import"),
    "import_confirm": (OFFICE, "post", "import"),
    "job": (ALL, "get", "job"),
    "edit": (OFFICE, "get", "job"),
    "money": (OFFICE, "get", "job"),
    "order": (OFFICE, "post", "job"),
    "question_answered": (OFFICE, "post", "question"),
    "payment": (OFFICE, "post", "job"),
    "payment_back": (OFFICE, "post", "payment"),
    "hold": (OFFICE, "post", "job"),
    "unhold": (OFFICE, "post", "job"),
    "date": (OFFICE, "post", "job"),
    "cancel": (OFFICE, "post", "job"),
    "take_up": (OFFICE, "post", "job"),
    "visit_new": (OFFICE, "get", "job"),
    "cant": (OFFICE, "post", "job"),
    "project": (OFFICE, "get", "project"),
    "project_new": (OFFICE, "post", "customer"),
    "customer_erase": ({roles.OWNER}, "post", "customer"),
    "customer": (OFFICE, "get", "customer"),
    "key_new": (OFFICE, "post", "site"),
    "key_act": (OFFICE, "post", "key"),
    "site_new": (OFFICE, "get", "customer"),
    "sites": (OFFICE, "get", None),
    "site": (OFFICE, "get", "site"),
    "appointment": (ALL, "get", "visit"),
    "appointment_edit": (OFFICE, "get", "visit"),
    "windows": (OFFICE, "get", "visit"),
    "times": (OFFICE, "post", "visit"),
    "move": (OFFICE, "get", "visit"),
    "effect": (OFFICE, "get", "visit"),
    "undo": (OFFICE, "post", "visit"),
    "unplace": (OFFICE, "post", "visit"),
    "lock": (OFFICE, "post", "visit"),
    "promise": (OFFICE, "post", "visit"),
    "let_go": (OFFICE, "post", "visit"),
    "appointment_cancel": (OFFICE, "post", "visit"),
    "split": (OFFICE, "post", "visit"),
    "on_the_way": (OFFICE | FIELD, "post", "visit"),
    "undo_tap": (OFFICE | FIELD, "post", "visit"),
    "arrived": (OFFICE | FIELD, "post", "visit"),
    "done": (OFFICE | FIELD, "post", "visit"),
    "told_late": (OFFICE, "post", "visit"),
    "readiness": (OFFICE, "get", "visit"),
    "here": (OFFICE | FIELD, "post", "visit"),
    "service": (OFFICE, "get", "call"),
    "service_photo": (ALL, "get", "call"),
    "visit_told": (OFFICE, "post", "visit"),
    "job_told": (OFFICE, "post", "job"),
    "link": (OFFICE, "post", "job"),
    "message_kinds": (OFFICE, "get", None),
    "message_settle": (OFFICE, "post", "message"),
    "message_words": (OFFICE, "get", "kind"),
    "ics": (OFFICE, "get", "visit"),
    "calendar": (OFFICE, "get", None),
    "asked_ready": (OFFICE, "post", None),
    "crew_out": (OFFICE, "get", "crew"),
    "move_day": (OFFICE, "post", None),
    "sheets": (OFFICE, "get", None),
    "swap": (OFFICE, "post", None),
    "plan": (OFFICE, "get", None),
    "plan_run": (OFFICE, "get", "run"),
    "proposal": (OFFICE, "get", "proposal"),
    "proposal_answer": (OFFICE, "post", "proposal"),
    "proposal_undo": (OFFICE, "post", "proposal"),
    "attention": (OFFICE, "get", None),
    "entry_again": (OFFICE, "post", "entry"),
    "entry_drop": (OFFICE, "post", "entry"),
    "today": (FIELD, "get", None),
    "my_calendar": (FIELD, "get", None),
    "feed_revoke": (OFFICE, "post", "feed"),
    "crews": (OFFICE, "get", None),
    "crew_new": (OFFICE, "get", None),
    "skill_new": (OFFICE, "post", None),
    "crew": (OFFICE, "get", "crew"),
    "crew_hours": (OFFICE, "post", "crew"),
    "crew_absence": (OFFICE, "post", "crew"),
    "crew_member": (OFFICE, "post", "crew"),
    "crew_day": (OFFICE, "post", "crew"),
    "feed_open": (OFFICE, "post", "crew"),
    "absence_remove": (OFFICE, "post", "absence"),
    "member_end": (OFFICE, "post", "member"),
    "holidays": (OFFICE, "get", None),
    "usual_windows": (OFFICE, "post", None),
    "holiday_remove": (OFFICE, "post", "holiday"),
}
OPEN = {
    "text_in",
    "feed",
    "your_job",
    "your_question",
    "your_readiness",
    "your_times",
    "your_site",
}  # a signed address of its own
OF_EVERY_BRANCH = {"message_words"}
"""Addresses of what every branch has of its own."""
THEIR_OWN = [
    name
    for name, (who, _, what) in ENTRANCES.items()
    if what and name not in OF_EVERY_BRANCH and (roles.DISPATCHER in who or who <= FIELD)
]


@pytest.fixture
def keys(cast, branch):
    """A key of each kind of thing, in the cast's branch; the field people drive with the visit's crew."""
    dispatcher = cast["dispatcher"]
    crew = make_crew(branch, cast["measurer"], cast["installer"], people=2)
    today = timezone.now().astimezone(branch.tz).date()
    visit = make_appointment(make_job(branch), crew=crew, day=today, time="9:00")
    now = timezone.now()
    absence = Absence.objects.create(crew=crew, starts_at=now, ends_at=now + dt.timedelta(hours=1))
    holiday = Holiday.objects.create(branch=branch, day=today + dt.timedelta(days=40), name="stock count")
    run = Run.objects.create(kind="jobs.plan_routes", by=dispatcher)
    imported = Run.objects.create(kind="jobs.import", by=dispatcher, params={"text": "x", "dry": True})
    project = booking.new_project(customer=visit.job.customer, name="Weir House", by=dispatcher)
    proposal = Proposal.objects.create(branch=branch, from_on=today, until_on=today, created_by=dispatcher, run=run)
    device = FieldDevice.objects.create(user=cast["measurer"])
    entry = DeviceEntry.objects.create(
        device=device,
        entry_id=uuid.uuid4(),
        position=1,
        kind="measuring.same",
        done_at=now,
        reply_status=DeviceEntry.PARKED,
    )
    call = make_appointment(visit.job, crew=crew, day=today, time="13:00", purpose="service")
    service_calls.note_call(appointment=call, by=dispatcher, product="shade", fault="cord broke")
    service_calls.add_photo(appointment=call, by=dispatcher, data=jpeg())
    return {
        "call": call.pk,
        "entry": ParkedEntry.objects.create(entry=entry, body={}).pk,
        "job": visit.job_id, "visit": visit.pk, "customer": visit.job.customer_id, "site": visit.job.site_id,
        "crew": crew.pk, "absence": absence.pk, "holiday": holiday.pk, "run": run.pk, "import": imported.pk,
        "proposal": proposal.pk, "project": project.pk, "member": CrewMember.objects.first().pk,
        "feed": feeds.open_feed(branch=branch, crew=crew, by=dispatcher).pk,
        "message": Message.objects.create(job=visit.job, kind="deposit", occasion="x", channel="email").pk,
        "kind": "deposit",
        "key": site_keys.take_in(site=visit.job.site, label="12", by=dispatcher).pk,
        "question": your_job.ask(job=visit.job, text="Why?", by=None).pk,
        "payment": money.record_payment(job=visit.job, by=dispatcher, amount=Decimal(9), how="cash").pk,
    }  # fmt: skip


def address(name, keys):
    taken = ENTRANCES[name][2]
    return reverse(f"jobs:{name}", args=[keys[taken]] if taken else [])


def test_every_address_is_in_the_table():
    names = {pattern.name for pattern in _patterns()}

    assert names == set(ENTRANCES) | OPEN


def _patterns():
    for part in get_resolver().url_patterns:
        if getattr(part, "app_name", None) == "jobs":
            return part.url_patterns
    raise AssertionError("jobs has no addresses")


@pytest.mark.parametrize("name", ENTRANCES)
def test_roles_that_may_enter_do_and_others_do_not(name, cast, keys, as_user):
    allowed, method, _ = ENTRANCES[name]
    url = address(name, keys)

    for role in roles.ALL:
        if role in allowed and method == "post":
            continue  # an action changes what the next one would find; services and pages test them
        answer = getattr(as_user(cast[role]), method)(url)
        assert (answer.status_code == 403) is (role not in allowed), f"{role}: {answer.status_code}"
        assert answer.status_code < 500


@pytest.mark.parametrize("name", [name for name, (who, how, _) in ENTRANCES.items() if how == "post" and who >= OFFICE])
def test_actions_answer_the_office_without_breaking(name, dispatcher, keys, as_user):
    answer = as_user(dispatcher).post(address(name, keys))

    assert answer.status_code in {200, 302, 404, 422}


@pytest.mark.parametrize("name", ENTRANCES)
def test_nobody_signed_out_gets_in(name, keys, client):
    answer = getattr(client, ENTRANCES[name][1])(address(name, keys))

    assert answer.status_code == 302
    assert answer.url.startswith("/sign-in/")


@pytest.mark.parametrize("name", THEIR_OWN)
def test_a_stranger_finds_nothing_there(name, stranger, keys, as_user):
    answer = getattr(as_user(stranger), ENTRANCES[name][1])(address(name, keys))

    assert answer.status_code == 404


def test_a_field_person_of_another_crew_finds_no_visit_and_no_job(branch, keys, as_user):
    from tests.factories import make_user

    other = make_user("installer", branch=branch)
    make_crew(branch, other)

    assert as_user(other).get(address("appointment", keys)).status_code == 404
    assert as_user(other).get(address("job", keys)).status_code == 404
    assert as_user(other).post(address("done", keys)).status_code == 404


def test_a_calendar_address_opens_with_its_signature_only_until_it_is_revoked(branch, dispatcher, client):
    feed = feeds.open_feed(branch=branch, crew=make_crew(branch), by=dispatcher)
    url = reverse("jobs:feed", args=[feed_token(feed)])
    forged = reverse("jobs:feed", args=[f"{uuid.uuid4().hex}.{feed_token(feed).partition('.')[2]}"])

    assert client.get(url).status_code == 200
    assert client.get(forged).status_code == 404
    feeds.revoke_feed(feed=feed, by=dispatcher)
    assert client.get(url).status_code == 404


def test_the_workroom_sees_no_telephone_number(branch, workroom, keys, as_user):
    page = as_user(workroom).get(address("job", keys)).content.decode()

    assert "555-0142" not in page
