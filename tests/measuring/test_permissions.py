"""Who may enter: every page and action of the measurer's room, for every role, a stranger and nobody."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from django.test import Client
from django.urls import URLPattern, reverse

from measuring import urls
from measuring.models import ShapeTemplate, SizeChange, Unit
from measuring.services import openings, readings, releases, visits
from shared.models import User
from tests.factories import make_branch, make_cast
from tests.measuring.conftest import set_rooms_above_aside
from tests.measuring.makers import make_appointment, make_approved, make_job, make_opening, make_tape

pytestmark = pytest.mark.django_db

ROLES = ("dispatcher", "measurer", "workroom", "installer", "owner")
MEASURES = {"dispatcher", "measurer", "owner"}
SEES = {*MEASURES, "workroom", "installer"}
OFFICE = {"dispatcher", "owner"}

PAGES: dict[str, set[str]] = {
    "day": MEASURES,
    "visit": MEASURES,
    "close": MEASURES,
    "not_measured": MEASURES,
    "load_list": MEASURES,
    "opening": SEES,
    "alternatives": MEASURES,
    "photo": SEES,
    "sizes": SEES,
    "groups": MEASURES,
    "bay": MEASURES,
    "job_openings": SEES,
    "job_units": SEES,
    "size_change": SEES,
    "change_unit": {*OFFICE, "workroom"},
    "setup_range": {"owner"},
    "range": OFFICE,
    "new_product": OFFICE,
    "product": OFFICE,
    "price": {"owner"},
    "measure_times": OFFICE,
    "tapes": MEASURES,
    "devices": SEES - {"workroom"},
    "offline": {*SEES, "workroom"},
}
"""Pages that are read, and by whom."""

ACTIONS: dict[str, set[str]] = {
    "begin": MEASURES,
    "add_room": MEASURES,
    "add_opening": MEASURES,
    "room_defaults": MEASURES,
    "reorder": MEASURES,
    "reopen": MEASURES,
    "readings": MEASURES,
    "add_reading": MEASURES,
    "facts": MEASURES,
    "obstruction": MEASURES,
    "add_photo": MEASURES,
    "copy": MEASURES,
    "again": MEASURES,
    "cannot": MEASURES,
    "not_reached": MEASURES,
    "drop": MEASURES,
    "reading_same": MEASURES,
    "reading_keep": MEASURES,
    "reading_back": MEASURES,
    "remove_obstruction": MEASURES,
    "remove_photo": MEASURES,
    "show_photo": MEASURES,
    "make_template": MEASURES,
    "template_sent": {*MEASURES, "workroom"},
    "template_returned": {*MEASURES, "workroom"},
    "template_kept": {*MEASURES, "workroom"},
    "template_discarded": {*MEASURES, "workroom"},
    "template_before": {*MEASURES, "workroom"},
    "settle": MEASURES,
    "options": MEASURES,
    "cancel_unit": OFFICE,
    "change_look": {*OFFICE, "workroom"},
    "approve": OFFICE,
    "release": OFFICE,
    "ungroup": MEASURES,
    "withdraw": OFFICE,
}
"""Actions (POST), and by whom."""

OF_ONESELF = {"setup_range", "day", "tapes", "range", "new_product", "measure_times", "devices", "offline"}
"""Pages that name no row: a stranger enters, and sees their own branch."""
"""Holds no rows: a browser fetches it without asking who is there."""


@pytest.fixture(scope="module")
def world(module_rows: None) -> dict[str, dict[str, int]]:
    """The keys of the cast and of one job's rows, by what the routes call them; built once."""
    with pytest.MonkeyPatch.context() as patch:
        set_rooms_above_aside(patch)
        return build()


def build() -> dict[str, dict[str, int]]:
    from tests.measuring.test_readings import a_photo

    cast = make_cast(make_branch())
    dispatcher, measurer, installer = (cast[role] for role in ("dispatcher", "measurer", "installer"))
    job = make_job(dispatcher)
    appointment = make_appointment(job, dispatcher, measurer, installer)
    visits.open_visit(appointment=appointment, by=measurer)
    unit = make_approved(job, dispatcher)
    opening = unit.opening
    other = make_opening(job, dispatcher, room="Den")
    releases.release_to_workroom(job=job, units=[unit], by=dispatcher)
    readings.record_reading(opening=opening, spot="widths.top", typed="35 1/8", by=measurer)
    thing = readings.add_obstruction(opening=opening, kind="crank", projection="1", by=measurer)
    photo = readings.add_photo(opening=opening, data=a_photo(64, 64), by=measurer)
    openings.change_opening(opening=opening, by=measurer, facts={"note": "a"})
    openings.change_opening(opening=opening, by=measurer, facts={"note": "b"}, seen={"note": "c"})
    template = ShapeTemplate.objects.create(job=job, opening=other, position=1, made_by=measurer)
    group = openings.make_group(job=job, kind="corner", openings=[opening, other], by=measurer)
    rows = {
        "appointment": appointment.pk,
        "opening": opening.pk,
        "job": job.pk,
        "room": opening.room_id,
        "unit": Unit.objects.exclude(pk=unit.pk).get().pk,
        "reading": opening.readings.filter(superseded_at=None).first().pk,
        "obstruction": thing.pk,
        "photo": photo.pk,
        "conflict": opening.fact_conflicts.get().pk,
        "change": SizeChange.objects.get().pk,
        "approval": job.approvals.get().pk,
        "group": group.pk,
        "template": template.pk,
        "product": unit.product_id,
    }
    return {"rows": rows, "cast": {role: user.pk for role, user in cast.items()}}


@pytest.fixture
def keys(world: dict[str, dict[str, int]]) -> dict[str, dict[str, int]]:
    return world


@pytest.fixture
def cast(db: None, world: dict[str, dict[str, int]]) -> dict[str, User]:
    return {role: User.objects.get(pk=pk) for role, pk in world["cast"].items()}


@pytest.fixture
def branch(cast: dict[str, User]) -> Any:
    return cast["dispatcher"].branch


BY_NAME = {
    "photo": "photo",
    "remove_photo": "photo",
    "show_photo": "photo",
    "size_change": "change",
    "product": "product",
    "price": "product",
    "remove_obstruction": "obstruction",
    "settle": "conflict",
    "options": "unit",
    "cancel_unit": "unit",
    "change_unit": "unit",
    "change_look": "unit",
    "ungroup": "group",
    "bay": "group",
    "withdraw": "approval",
    "template_sent": "template",
    "template_returned": "template",
    "template_kept": "template",
    "template_discarded": "template",
    "template_before": "template",
    "reading_same": "reading",
    "reading_keep": "reading",
    "reading_back": "reading",
}
BY_VISIT = {
    "visit", "begin", "add_room", "add_opening", "room_defaults", "reorder", "load_list", "close", "not_measured",
    "reopen",
}  # fmt: skip


def address(name: str, rows: dict[str, int]) -> str:
    if name in OF_ONESELF:
        return reverse(f"measuring:{name}")
    if name in {"sizes", "groups", "job_openings", "job_units", "approve", "release"}:
        return reverse(f"measuring:{name}", args=[rows["job"]])
    if name in {"add_opening", "room_defaults", "reorder"}:
        return reverse(f"measuring:{name}", args=[rows["appointment"], rows["room"]])
    key = BY_NAME.get(name, "appointment" if name in BY_VISIT else "opening")
    return reverse(f"measuring:{name}", args=[rows[key]])


def test_every_route_is_in_the_tables() -> None:
    names = {pattern.name for pattern in urls.urlpatterns if isinstance(pattern, URLPattern)}

    assert names == PAGES.keys() | ACTIONS.keys() | {
        "your_approval",
        "your_photo",
    }  # a signed address: test_your_coverings.py


@pytest.mark.parametrize("name", PAGES)
def test_pages_open_for_their_roles_only(
    name: str, cast: dict[str, User], as_user: Callable[[User], Client], keys: dict[str, dict[str, int]]
) -> None:
    url = address(name, keys["rows"])

    got = {role: as_user(cast[role]).get(url).status_code for role in (*ROLES, "stranger")}

    expected = {role: 200 if role in PAGES[name] else 403 for role in ROLES}
    as_a_dispatcher = 200 if "dispatcher" in PAGES[name] else 403
    stranger = as_a_dispatcher if name in OF_ONESELF or as_a_dispatcher == 403 else 404
    assert got == expected | {"stranger": stranger}


@pytest.mark.parametrize("name", ACTIONS)
def test_actions_are_for_their_roles_only(
    name: str, cast: dict[str, User], as_user: Callable[[User], Client], keys: dict[str, dict[str, int]]
) -> None:
    url = address(name, keys["rows"])

    refused = {role: as_user(cast[role]).post(url).status_code for role in ROLES if role not in ACTIONS[name]}
    stranger = as_user(cast["stranger"]).post(url).status_code
    allowed = as_user(cast["dispatcher"]).post(url).status_code

    assert refused == dict.fromkeys(refused, 403)
    assert stranger == 404
    assert allowed in {302, 422}


@pytest.mark.parametrize("name", [*PAGES, *ACTIONS])
def test_nobody_enters_unsigned(name: str, client: Client, keys: dict[str, dict[str, int]]) -> None:
    url = address(name, keys["rows"])

    answer = client.post(url) if name in ACTIONS else client.get(url)

    assert answer.status_code == 302
    assert answer["Location"].startswith(reverse("shared:sign_in"))


@pytest.mark.parametrize("name", ["visit", "opening", "sizes", "job_openings", "photo", "readings", "options"])
def test_a_measurer_of_another_crew_gets_a_404(
    name: str, branch: Any, as_user: Callable[[User], Client], keys: dict[str, dict[str, int]]
) -> None:
    from tests.factories import make_user

    other = make_user("measurer", branch=branch)
    url = address(name, keys["rows"])

    answer = as_user(other).post(url) if name in ACTIONS else as_user(other).get(url)

    assert answer.status_code == 404


def test_the_workroom_sees_sizes_and_no_phone_number(
    workroom: User, as_user: Callable[[User], Client], keys: dict[str, dict[str, int]]
) -> None:
    for name in ("opening", "sizes", "job_openings", "job_units"):
        page = as_user(workroom).get(address(name, keys["rows"])).content.decode()

        assert "555-0101" not in page


def test_the_service_worker_is_served_from_the_root(client: Client) -> None:
    answer = client.get("/sw.js")

    assert answer.status_code == 200
    assert answer["Content-Type"].startswith("text/javascript")
    assert "/static/measuring/field/visit.js" in answer.content.decode()


def test_a_phone_is_revoked_by_its_own_person_only(
    measurer: User, dispatcher: User, as_user: Callable[[User], Client]
) -> None:
    from shared.devices import receiver

    device, _ = receiver.register_device(user=measurer)
    url = reverse("measuring:devices")

    refused = as_user(dispatcher).post(url, {"device": device.pk}).status_code
    allowed = as_user(measurer).post(url, {"device": device.pk}).status_code

    assert (refused, allowed) == (404, 302)
    device.refresh_from_db()
    assert device.revoked_at is not None


def test_a_tape_is_ones_own(dispatcher: User, measurer: User, as_user: Callable[[User], Client]) -> None:
    tape = make_tape(measurer)

    answer = as_user(dispatcher).get(reverse("measuring:tapes"), {"tape": tape.pk})

    assert answer.status_code == 404
