"""The API over the same services: who may enter, what is refused, what comes back."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from rest_framework.test import APIClient

from measuring.models import Opening, ShapeTemplate, SizeChange, Unit
from measuring.services import openings, readings, releases, visits
from shared.models import User
from tests.factories import make_branch, make_cast
from tests.measuring.conftest import set_rooms_above_aside
from tests.measuring.makers import INSIDE, make_appointment, make_approved, make_job, make_opening, make_range
from tests.measuring.test_readings import a_photo

pytestmark = pytest.mark.django_db
ApiAs = Callable[[User], APIClient]
ROLES = ("dispatcher", "measurer", "workroom", "installer", "owner")
MEASURES = {"dispatcher", "measurer", "owner"}
SEES = {*MEASURES, "workroom", "installer"}
OFFICE = {"dispatcher", "owner"}


@pytest.fixture(scope="module")
def world(module_rows: None) -> dict[str, dict[str, Any]]:
    """The keys of the cast and of one job's rows, built once."""
    with pytest.MonkeyPatch.context() as patch:
        set_rooms_above_aside(patch)
        return build()


def build() -> dict[str, dict[str, Any]]:
    """One job with a measured, an approved and a re-measured unit, visible to the whole cast of its crew."""
    cast = make_cast(make_branch())
    dispatcher, measurer, installer = (cast[role] for role in ("dispatcher", "measurer", "installer"))
    job = make_job(dispatcher)
    appointment = make_appointment(job, dispatcher, measurer, installer)
    visits.open_visit(appointment=appointment, by=measurer)
    released = make_approved(job, dispatcher)
    releases.release_to_workroom(job=job, units=[released], by=dispatcher)
    readings.record_reading(opening=released.opening, spot="widths.top", typed="35", by=measurer)
    other = make_opening(job, dispatcher, room="Den")
    third = make_opening(job, dispatcher, room="Hall", mount="outside", readings={})
    corner = openings.make_group(job=job, kind="corner", openings=[third, make_opening(job, dispatcher)], by=dispatcher)
    rows = {
        "group": corner.pk,
        "template": ShapeTemplate.objects.create(job=job, opening=other, position=1, made_by=measurer).uid,
        "job": job.pk,
        "appointment": appointment.pk,
        "opening": other.pk,
        "unit": other.units.get().pk,
        "product": other.product_id,
        "change": SizeChange.objects.get().pk,
        "uid": other.readings.first().uid,
    }
    return {"rows": rows, "cast": {role: user.pk for role, user in cast.items()}}


@pytest.fixture
def rows(world: dict[str, dict[str, Any]]) -> dict[str, Any]:
    return dict(world["rows"])


@pytest.fixture
def cast(db: None, world: dict[str, dict[str, Any]]) -> dict[str, User]:
    return {role: User.objects.get(pk=pk) for role, pk in world["cast"].items()}


GETS = {
    "/api/openings/": SEES,
    "/api/openings/{opening}/": SEES,
    "/api/openings/{opening}/alternatives/": MEASURES,
    "/api/measure-visits/": MEASURES,
    "/api/measure-visits/{appointment}/": MEASURES,
    "/api/units/": SEES,
    "/api/units/{unit}/": SEES,
    "/api/jobs/{job}/sizes/": SEES,
    "/api/groups/": SEES,
    "/api/groups/{group}/": SEES,
    "/api/size-changes/{change}/": SEES,
    "/api/products/": SEES,
    "/api/products/{product}/": SEES,
    "/api/field/day/": {*SEES},
}
POSTS = {
    "/api/openings/{opening}/readings/": MEASURES,
    "/api/openings/{opening}/readings/{uid}/confirm/": MEASURES,
    "/api/openings/{opening}/readings/{uid}/keep/": MEASURES,
    "/api/openings/{opening}/facts/": MEASURES,
    "/api/openings/{opening}/obstructions/": MEASURES,
    "/api/openings/{opening}/photos/": MEASURES,
    "/api/openings/{opening}/options/": MEASURES,
    "/api/openings/{opening}/templates/": MEASURES,
    "/api/openings/{opening}/templates/{template}/where/": {*MEASURES, "workroom"},
    "/api/groups/{group}/bay/": MEASURES,
    "/api/groups/{group}/apart/": MEASURES,
    "/api/openings/{opening}/copy/": MEASURES,
    "/api/openings/{opening}/cannot/": MEASURES,
    "/api/openings/{opening}/not-reached/": MEASURES,
    "/api/openings/{opening}/drop/": MEASURES,
    "/api/openings/{opening}/again/": MEASURES,
    "/api/measure-visits/{appointment}/begin/": MEASURES,
    "/api/measure-visits/{appointment}/rooms/": MEASURES,
    "/api/measure-visits/{appointment}/openings/": MEASURES,
    "/api/measure-visits/{appointment}/close/": MEASURES,
    "/api/measure-visits/{appointment}/reopen/": MEASURES,
    "/api/units/{unit}/options/": MEASURES,
    "/api/units/{unit}/cancel/": OFFICE,
    "/api/jobs/{job}/sizes/approve/": OFFICE,
    "/api/jobs/{job}/sizes/release/": OFFICE,
    "/api/size-changes/{change}/decide/": OFFICE,
    "/api/products/": {"owner"},
    "/api/products/{product}/revise/": {"owner"},
}
NO_ROW = {"/api/groups/", "/api/openings/", "/api/measure-visits/", "/api/units/", "/api/products/", "/api/field/day/"}


@pytest.mark.parametrize("path", GETS)
def test_reading_is_for_its_roles(path: str, cast: dict[str, User], api_as: ApiAs, rows: dict[str, Any]) -> None:
    url = path.format(**rows)

    got = {role: api_as(cast[role]).get(url).status_code for role in ROLES}

    assert got == {role: 200 if role in GETS[path] else 403 for role in ROLES}
    assert api_as(cast["stranger"]).get(url).status_code == (200 if path in NO_ROW else 404)
    assert APIClient().get(url).status_code in {401, 403}


@pytest.mark.parametrize("path", POSTS)
def test_actions_are_for_their_roles(path: str, cast: dict[str, User], api_as: ApiAs, rows: dict[str, Any]) -> None:
    url = path.format(**rows)

    refused = {role: api_as(cast[role]).post(url).status_code for role in ROLES if role not in POSTS[path]}
    allowed = [api_as(cast[role]).post(url).status_code for role in ROLES if role in POSTS[path]]

    assert refused == dict.fromkeys(refused, 403)
    assert all(status not in {403, 404, 405, 500} for status in allowed)
    assert api_as(cast["stranger"]).post(url).status_code in {403, 404}
    assert APIClient().post(url).status_code in {401, 403}


def test_a_list_shows_a_stranger_nothing(stranger: User, api_as: ApiAs, rows: dict[str, Any]) -> None:
    for path in ("/api/openings/", "/api/units/", "/api/products/"):
        assert api_as(stranger).get(path).json()["results"] == []
    assert api_as(stranger).get("/api/measure-visits/").json()["visits"] == []


def test_a_measure_by_api_ends_in_a_release(dispatcher: User, measurer: User, api_as: ApiAs) -> None:
    make_range(dispatcher.own_branch)
    job = make_job(dispatcher)
    visit = f"/api/measure-visits/{make_appointment(job, dispatcher, measurer).pk}"
    field, office = api_as(measurer), api_as(dispatcher)

    field.post(f"{visit}/begin/")
    field.post(f"{visit}/rooms/", {"name": "Kitchen"}, format="json")
    facts = {"product": "siskin", "mount": "inside"}
    field.post(f"{visit}/openings/", {"room": job.rooms.get().pk, "facts": facts}, format="json")
    opening = f"/api/openings/{Opening.objects.latest('pk').pk}"
    for spot, typed in INSIDE.items():
        sheet = field.post(f"{opening}/readings/", {"spot": spot, "typed": typed}, format="json").json()
    field.post(f"{opening}/options/", {"options": {"control": "cordless", "colour": "pebble"}}, format="json")
    closed = field.post(f"{visit}/close/", {}, format="json")
    unit = Unit.objects.latest("pk")
    lacking = office.get(f"/api/units/{unit.pk}/").json()["missing_options"]
    office.post(f"/api/jobs/{job.pk}/sizes/approve/", {"units": [unit.pk], "approved_by": "Ida"}, format="json")
    released = office.post(f"/api/jobs/{job.pk}/sizes/release/", {"units": [unit.pk]}, format="json")

    assert sheet["size"]["order_width"] == "35 3/8"
    assert sheet["missing"] == []
    assert (closed.status_code, lacking) == (200, [])
    assert released.json()[0]["state"] == "released"


def test_a_visits_units_have_their_order_size_as_everywhere(dispatcher: User, measurer: User, api_as: ApiAs) -> None:
    """It was a bare number, 287528, under another name than a unit's own answer has."""
    job = make_job(dispatcher)
    appointment = make_appointment(job, dispatcher, measurer)
    unit = make_opening(job, dispatcher).units.get()

    visit = api_as(measurer).get(f"/api/measure-visits/{appointment.pk}/").json()["openings"][0]["units"][0]
    answer = api_as(dispatcher).get(f"/api/units/{unit.pk}/").json()

    assert visit["order_width"] == answer["order_width"] == {"text": "35 3/8", "unit": "in", "ticks": 287528}
    assert visit["order_height"] == answer["order_height"]


def test_a_bay_by_api_has_its_set_backs(dispatcher: User, api_as: ApiAs, rows: dict[str, Any]) -> None:
    """A bay could be made on its page alone."""
    job, office = make_job(dispatcher), api_as(dispatcher)
    keys = [make_opening(job, dispatcher, mount="outside", readings={}).pk for _ in range(2)]

    made = office.post("/api/groups/", {"job": job.pk, "kind": "bay", "openings": keys}, format="json").json()
    sent = {"corners": [{"angle": "135"}], "walls": [{"opening": key, "wall": "40", "stands_off": "3"} for key in keys]}
    answer = office.post(f"/api/groups/{made['id']}/bay/", sent, format="json")

    assert answer.status_code == 200, answer.content
    assert (answer.json()["angles"], answer.json()["past"]) == ([135.0], [""])
    assert answer.json()["stands_off"][str(keys[0])]["text"] == "3"
    assert "right" in Opening.objects.get(pk=keys[0]).bay


@pytest.mark.parametrize("typed", ["abc", "-3", "0", "1000", "35 3/7", "35 9/8"])
def test_a_bad_reading_answers_409_with_field_and_problem(
    measurer: User, api_as: ApiAs, rows: dict[str, Any], typed: str
) -> None:
    answer = api_as(measurer).post(
        f"/api/openings/{rows['opening']}/readings/", {"spot": "widths.top", "typed": typed}, format="json"
    )

    assert answer.status_code == 409
    assert answer.json()["errors"][0]["field"] == "widths.top"


def test_a_photo_by_api(measurer: User, api_as: ApiAs, rows: dict[str, Any]) -> None:
    url = f"/api/openings/{rows['opening']}/photos/"
    client = api_as(measurer)

    good = client.post(url, {"photo": SimpleUploadedFile("a.jpg", a_photo(80, 60))})
    bad = client.post(url, {"photo": SimpleUploadedFile("a.jpg", b"nothing of the kind")})

    assert (good.status_code, bad.status_code) == (201, 409)
    assert len(good.json()["photos"]) == 1
    assert bad.json()["errors"][0]["field"] == "photo"


def test_what_is_not_ready_answers_409(dispatcher: User, api_as: ApiAs, rows: dict[str, Any]) -> None:
    answer = api_as(dispatcher).post(
        f"/api/jobs/{rows['job']}/sizes/release/", {"units": [rows["unit"]]}, format="json"
    )

    assert answer.status_code == 409
    assert "not chosen" in answer.json()["detail"]
