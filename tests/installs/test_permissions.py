"""Who may enter: every page, action and API route of the install day, for every role, a stranger and nobody."""

from __future__ import annotations

from collections.abc import Callable
from io import BytesIO
from typing import Any

import pytest
from django.test import Client
from django.urls import URLPattern, reverse
from PIL import Image

from installs import api, urls
from installs.models import HardwareRules
from installs.services import hardware, loads, returns, stops
from jobs.models import Payment, Project
from shared.models import User
from tests.factories import make_branch, make_cast
from tests.installs.makers import a_day

pytestmark = pytest.mark.django_db

ROLES = ("dispatcher", "measurer", "workroom", "installer", "owner")
LOADS = {"dispatcher", "workroom", "installer", "owner"}
INSTALLS = {"dispatcher", "installer", "owner"}
OFFICE = {"dispatcher", "owner"}
RETURNS = {"dispatcher", "workroom", "owner"}

PAGES: dict[str, set[str]] = {
    "my_load": {"installer"},
    "loads": LOADS,
    "load": LOADS,
    "van": LOADS,
    "stop": LOADS,
    "offline": set(ROLES),
    "photo": LOADS,
    "job_panel": LOADS,  # a measurer sees it for jobs of their own days only
    "job_hardware": LOADS,
    "visit_panel": LOADS,
    "visit_hardware": LOADS,
    "punch_list": OFFICE,
    "returns": RETURNS,
    "return": RETURNS,
    "figures": OFFICE,
    "figures_csv": OFFICE,
    "books_csv": {"owner"},
    "figure_jobs": OFFICE,
    "rules": RETURNS,
    "rules_revision": RETURNS,
    "rules_edit": {"owner", "workroom"},
}
ACTIONS: dict[str, set[str]] = {
    **dict.fromkeys(
        ("make_load", "check_code", "check_room", "check_section", "check_undo", "leave", "back", "check", "put_back",
         "top_up", "van_row"),
        LOADS,
    ),
    **dict.fromkeys(
        ("all_installed", "installed", "not_installed", "undo", "motor", "hardware_used", "photo_add", "sign", "paid",
         "paid_back", "done", "reopen", "hardware_undo", "photo_show", "photo_remove"),
        INSTALLS,
    ),
    **dict.fromkeys(("plan_install", "return_open", "visit_units", "return_drop"), OFFICE),
    **dict.fromkeys(("pull", "return_ready"), RETURNS),
}  # fmt: skip
OF_ONESELF = {
    "my_load",
    "loads",
    "offline",
    "returns",
    "figures",
    "figures_csv",
    "books_csv",
    "figure_jobs",
    "rules",
    "rules_edit",
}
"""Pages that name no row: a stranger of the right role enters, and sees their own branch."""
API: dict[str, set[str]] = {
    "load-list": LOADS,
    "load-detail": LOADS,
    "stop-list": LOADS,
    "stop-detail": LOADS,
    "stop-hardware": LOADS,
    "return-list": RETURNS,
    "return-detail": RETURNS,
    "hardware-rules-list": RETURNS,
    "hardware-rules-detail": RETURNS,
    "van-list": LOADS,
    "van-detail": LOADS,
    "job-install-hardware": LOADS,
    "install-figures-list": OFFICE,
}
API_ACTIONS: dict[str, set[str]] = {
    **{f"load-{action}": LOADS for action in ("list", "check", "code", "undo", "leave", "put-back", "back")},
    **{
        f"stop-{action}": INSTALLS
        for action in (
            "arrived",
            "installed",
            "not-installed",
            "undo",
            "sign",
            "hardware-used",
            "photos",
            "done",
            "reopen",
        )
    },
    "stop-pull": RETURNS,
    "stop-set-units": OFFICE,
    "return-list": OFFICE,
    "return-decide": OFFICE,
    "return-drop": OFFICE,
    "return-ready": RETURNS,
    "hardware-rules-list": {"owner", "workroom"},
    "hardware-rules-change": {"owner", "workroom"},
    "van-count": LOADS,
    "van-top-up": LOADS,
    "job-install-installs": OFFICE,
}


@pytest.fixture(scope="module")
def cast(module_rows: None) -> dict[str, User]:
    """One person per role, and a stranger."""
    return make_cast(make_branch())


@pytest.fixture(scope="module")
def keys(cast: dict[str, User]) -> dict[str, list[Any]]:
    """One row of everything that pages name, on the installer's own day."""
    by, installer = cast["dispatcher"], cast["installer"]
    assert by.branch is not None
    job, visit = a_day(by.branch, by, installer)
    unit = visit.visit_units.first().unit
    load = loads.refresh_load(crew=visit.crew, day=visit.day, by=by)
    line = load.lines.first()
    van = hardware.van_rows(crew=visit.crew)[0]
    out = BytesIO()
    Image.new("RGB", (8, 8)).save(out, "JPEG")
    photo = stops.add_photo(appointment=visit, data=out.getvalue(), by=installer)
    used = stops.note_hardware(appointment=visit, by=installer, change=0, note="own plugs")
    owed = returns.open_return(unit=unit, cause_key="missing_part.hardware", by=by)
    rules = HardwareRules.objects.get(branch=by.branch)
    found: dict[str, list[Any]] = {name: [] for name in OF_ONESELF}
    for names, row in (
        ("load check_code check_room check_section check_undo leave back", load),
        ("check put_back", line),
        ("van top_up", visit.crew),
        ("van_row", van),
        ("photo photo_remove photo_show", photo),
        ("hardware_undo", used),
        ("paid_back", Payment.objects.create(job=job, appointment=visit, amount=20, how="cash", by=by)),
        ("stop all_installed hardware_used photo_add sign paid done reopen", visit),
        ("visit_panel visit_hardware visit_units pull", visit),
        ("job_panel job_hardware plan_install return_open", job),
        ("return return_drop return_ready", owed),
        ("punch_list", Project.objects.create(branch=by.branch, customer=job.customer, name="Weir Court")),
        ("rules_revision", rules),
    ):
        found |= {name: [row.pk] for name in names.split()}
    found |= {name: [visit.pk, unit.pk] for name in ("installed", "not_installed", "undo", "motor")}
    found |= {"make_load": [visit.crew_id, visit.day.isoformat()], "figure_jobs": ["one_trip"]}
    rows = {"load": load, "stop": visit, "return": owed, "hardware-rules": rules, "van": van, "job-install": job}
    rows["install-figures"] = job
    found["api"] = [{name: row.pk for name, row in rows.items()}]
    return found


def test_every_address_is_in_these_tables() -> None:
    names = {entry.name for entry in urls.urlpatterns if isinstance(entry, URLPattern)}

    assert names == {*PAGES, *ACTIONS, "your_record", "your_photo"}  # a signed address: test_money.py


def address(name: str, keys: dict[str, list[Any]]) -> str:
    return reverse(f"installs:{name}", args=keys[name])


@pytest.mark.parametrize("role", ROLES)
def test_each_page_is_for_its_roles(
    role: str, cast: dict[str, User], keys: dict[str, list[Any]], as_user: Callable[[User], Client]
) -> None:
    client = as_user(cast[role])

    found = {name: client.get(address(name, keys), follow=name == "my_load").status_code for name in PAGES}

    assert {name for name, status in found.items() if status == 200} == {n for n in PAGES if role in PAGES[n]}
    assert set(found.values()) <= {200, 403, 404}


@pytest.mark.parametrize("role", ROLES)
def test_each_action_is_for_its_roles(
    role: str, cast: dict[str, User], keys: dict[str, list[Any]], as_user: Callable[[User], Client]
) -> None:
    client = as_user(cast[role])

    found = {name: client.post(address(name, keys), {}).status_code for name in ACTIONS}

    assert {name for name, status in found.items() if status in {200, 302, 422}} == {
        name for name in ACTIONS if role in ACTIONS[name]
    }
    assert set(found.values()) <= {200, 302, 422, 403, 404}


def test_a_stranger_gets_nothing_of_another_branch(
    cast: dict[str, User], keys: dict[str, list[Any]], as_user: Callable[[User], Client]
) -> None:
    client = as_user(cast["stranger"])

    pages = {name: client.get(address(name, keys)).status_code for name in PAGES}
    actions = {name: client.post(address(name, keys), {}).status_code for name in ACTIONS}

    assert {name for name, status in pages.items() if status == 200} <= OF_ONESELF
    assert set(actions.values()) <= {403, 404}


def test_nobody_signed_in_is_sent_to_sign_in(keys: dict[str, list[Any]], client: Client) -> None:
    for name in (*PAGES, *ACTIONS):
        answer = client.get(address(name, keys))

        assert answer.status_code == 302, name
        assert "/sign-in/" in answer["Location"]


def test_an_action_is_never_done_by_a_link(
    cast: dict[str, User], keys: dict[str, list[Any]], as_user: Callable[[User], Client]
) -> None:
    client = as_user(cast["owner"])

    assert {client.get(address(name, keys)).status_code for name in ACTIONS} == {405}


def api_address(name: str, keys: dict[str, list[Any]]) -> str:
    pks = keys["api"][0]
    base = next(one for one in sorted(pks, key=len, reverse=True) if name.startswith(f"{one}-"))
    action = name.removeprefix(f"{base}-")
    without = {"list", "change", "top-up"}
    return reverse(f"api:{name}", args=[] if action in without else [pks[base]])


def test_every_api_route_is_in_these_tables() -> None:
    from rest_framework.routers import DefaultRouter

    router = DefaultRouter()
    router.include_root_view = False
    api.register(router)

    assert {entry.name for entry in router.urls if "format" not in str(entry.pattern)} == {*API, *API_ACTIONS}


@pytest.mark.parametrize("role", ROLES)
def test_each_api_route_is_for_its_roles(
    role: str, cast: dict[str, User], keys: dict[str, list[Any]], api_as: Callable[[User], Any]
) -> None:
    client = api_as(cast[role])

    found = {name: client.get(api_address(name, keys)).status_code for name in API}

    assert found == {name: 200 if role in API[name] else 403 for name in API}


@pytest.mark.parametrize("role", ROLES)
def test_each_api_action_is_for_its_roles(
    role: str, cast: dict[str, User], keys: dict[str, list[Any]], api_as: Callable[[User], Any]
) -> None:
    client = api_as(cast[role])

    found = {name: client.post(api_address(name, keys), {}, format="json").status_code for name in API_ACTIONS}

    assert {name for name, status in found.items() if status == 403} == {
        name for name in API_ACTIONS if role not in API_ACTIONS[name]
    }
    assert set(found.values()) <= {200, 201, 400, 403, 409}


def test_a_stranger_gets_nothing_over_the_api(
    cast: dict[str, User], keys: dict[str, list[Any]], api_as: Callable[[User], Any]
) -> None:
    client = api_as(cast["stranger"])

    for name in API.keys() - {"install-figures-list"}:
        answer = client.get(api_address(name, keys))
        if name.endswith("-list"):
            assert answer.json()["results"] == [], name
        else:
            assert answer.status_code == 404, name
    for name in API_ACTIONS:
        assert client.post(api_address(name, keys), {}, format="json").status_code in {400, 403, 404}, name


def test_an_installer_sees_only_loads_of_their_own_days(
    cast: dict[str, User], keys: dict[str, list[Any]], as_user: Callable[[User], Client]
) -> None:
    from jobs.models import CrewMember

    CrewMember.objects.all().delete()

    for name in ("load", "stop", "van"):
        assert as_user(cast["installer"]).get(reverse(f"installs:{name}", args=keys[name])).status_code == 404


def test_the_workroom_sees_no_telephone_numbers(
    cast: dict[str, User], keys: dict[str, list[Any]], as_user: Callable[[User], Client]
) -> None:
    answer = as_user(cast["workroom"]).get(reverse("installs:stop", args=keys["stop"]))

    assert "555-0142" not in answer.content.decode()
    assert "555-0142" in as_user(cast["installer"]).get(reverse("installs:stop", args=keys["stop"])).content.decode()
