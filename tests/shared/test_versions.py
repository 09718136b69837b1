"""Two people change one thing: neither undoes the other unseen, on no page and by no call."""

from __future__ import annotations

import ast
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse
from rest_framework.test import APIClient

from fabrication.services.starting_data import load_materials, load_recipes, load_tolerances
from fabrication.views.recipe_form import PREFIX
from jobs.models import Job, Site, WorkingHours
from measuring.services.starting_data import load_products
from shared.models import Branch, User
from tests.factories import make_appointment, make_crew, make_job, make_user

pytestmark = pytest.mark.django_db
Row = Any


def boxes(client: Client, address: str) -> dict[str, Any]:
    """What the browser would send from this page, were nothing typed."""
    page = client.get(address)
    forms = [one for one in _flat(page.context) if hasattr(one, "hidden_fields") and "drawn_from" in one.fields]
    assert forms, f"{address} carries no version"
    return sendable(forms[0])


def sendable(form: Any) -> dict[str, Any]:
    """What its boxes hold, as a browser sends it."""
    sent: dict[str, Any] = {}
    for bound in form:
        value = bound.value()
        if value is not None and value is not False and value != []:
            sent[bound.html_name] = "on" if value is True else value
    return sent


def _flat(contexts: Any) -> list[Any]:
    return [value for context in contexts for one in context.dicts for value in one.values()] if contexts else []


@pytest.fixture
def site(branch: Branch, dispatcher: User) -> Site:
    return make_job(by=dispatcher).site


def two(client: Client, address: str, one: dict[str, Any], other: dict[str, Any]) -> Any:
    """Both open the page, then send what each changed; the answer to the second."""
    drawn = boxes(client, address)
    assert client.post(address, drawn | one).status_code == 302
    return client.post(address, drawn | other)


CASES: list[tuple[str, str, dict[str, Any], dict[str, Any]]] = [
    # what is edited, the page, what the first changes, what the second changes
    ("site", "jobs:site", {"access_note": "ring twice"}, {"parking": "in the yard"}),
    ("customer", "jobs:customer", {"phone": "555-0188"}, {"note": "calls after four"}),
    ("job", "jobs:edit", {"rooms_expected": "two bedrooms"}, {"note": "has a ladder"}),
    ("crew", "jobs:crew", {"overtime_min": "45"}, {"name": "Odd pair"}),
    ("branch", "shared:branch", {"phone": "555-0190"}, {"address": "2 Sluice Lane"}),
    ("person", "shared:person", {"phone": "555-0191"}, {"name": "Ida Reed"}),
    ("visit", "jobs:appointment_edit", {"people": "2"}, {"note": "bring the tall ladder"}),
]


@pytest.fixture
def row(dispatcher: User, owner: User) -> Callable[[str], Row]:
    def made(kind: str) -> Row:
        job = make_job(by=dispatcher)
        return {
            "site": lambda: job.site,
            "customer": lambda: job.customer,
            "job": lambda: job,
            "crew": lambda: make_crew(job.branch),
            "branch": lambda: job.branch,
            "person": lambda: make_user("measurer", branch=job.branch),
            "visit": lambda: make_appointment(job),
        }[kind]()

    return made


def field_of(found: Row, name: str) -> str:
    return str(getattr(found, name))


@pytest.mark.parametrize(("kind", "page", "one", "other"), CASES)
def test_what_each_of_two_people_changed_stays(
    kind: str, page: str, one: dict[str, Any], other: dict[str, Any], row: Callable[[str], Row], client: Client,
    branch: Branch,
) -> None:  # fmt: skip
    """The second sent the whole page as they had opened it, and so undid the first."""
    found = row(kind)
    client.force_login(make_user("owner", "dispatcher", branch=found if kind == "branch" else branch))

    answer = two(client, reverse(page, args=[found.pk]), one, other)

    found.refresh_from_db()
    assert answer.status_code == 302
    assert {name: field_of(found, name) for name in one | other} == one | other


@pytest.mark.parametrize(("kind", "page", "one", "other"), CASES)
def test_both_sides_of_a_collision_are_shown_and_the_second_word_is_asked(
    kind: str, page: str, one: dict[str, Any], other: dict[str, Any], row: Callable[[str], Row], client: Client,
    branch: Branch,
) -> None:  # fmt: skip
    found, (name, first) = row(kind), next(iter(one.items()))
    mine = {"45": "60", "2": "3"}.get(first, "555-0199")
    client.force_login(make_user("owner", "dispatcher", branch=found if kind == "branch" else branch))
    address = reverse(page, args=[found.pk])

    answer = two(client, address, one, {name: mine, **other})

    found.refresh_from_db()
    text = answer.content.decode()
    assert answer.status_code == 422
    assert field_of(found, name) == first
    assert f"“{first}”" in text
    assert re.search(rf"[\">]{re.escape(mine)}[\"<]", text)
    form = next(one for one in _flat(answer.context) if hasattr(one, "fields") and "drawn_from" in one.fields)
    again = sendable(form)
    assert client.post(address, again).status_code == 302
    found.refresh_from_db()
    assert field_of(found, name) == mine


def test_a_code_at_the_door_is_not_undone_by_who_left_it_alone_nor_shown(
    site: Site, dispatcher: User, client: Client
) -> None:
    client.force_login(dispatcher)
    Site.objects.filter(pk=site.pk).update(access_secret="4711")
    address = reverse("jobs:site", args=[site.pk])

    kept = two(client, address, {"access_secret": "0815"}, {"pets": "a dog"})
    site.refresh_from_db()
    assert (kept.status_code, site.access_secret, site.pets) == (302, "0815", "a dog")

    crossed = two(client, address, {"access_secret": "2222"}, {"access_secret": "3333"})
    site.refresh_from_db()
    assert (crossed.status_code, site.access_secret) == (422, "2222")
    assert "2222" not in crossed.content.decode()


def test_two_weeks_of_hours_cross(branch: Branch, dispatcher: User, client: Client) -> None:
    crew = make_crew(branch)
    client.force_login(dispatcher)
    page = client.get(reverse("jobs:crew", args=[crew.pk]))
    drawn = {bound.html_name: bound.value() for bound in page.context["hours_form"] if bound.value() is not None}
    address = reverse("jobs:crew_hours", args=[crew.pk])

    first = client.post(address, drawn | {"ends_0": "16:00"})
    second = client.post(address, drawn | {"ends_1": "18:00"})

    hours = {row.weekday: f"{row.ends:%H}" for row in WorkingHours.objects.filter(crew=crew)}
    assert (first.status_code, second.status_code) == (302, 302)
    assert (hours[0], hours[1]) == ("16", "18")


def test_two_changes_of_one_recipe_are_shown_beside_each_other(branch: Branch, workroom: User, client: Client) -> None:
    """The later revision held the older figures again, and nobody saw it."""
    load_products(branch)
    load_materials(branch)
    load_recipes(branch)
    load_tolerances(branch)
    product = branch.products.get(key="wren")
    client.force_login(workroom)
    address = reverse("fabrication:recipe", args=[product.pk])
    assert 'name="drawn_from" value="1"' in client.get(address).content.decode()
    width, height = f"{PREFIX}clearance.inside.width", f"{PREFIX}clearance.inside.height"

    first = client.post(address, {width: "1/4", "drawn_from": "1"})
    second = client.post(address, {height: "3/8", "drawn_from": "1"})

    assert (first.status_code, second.status_code) == (302, 422)
    assert product.recipe_revisions.get(is_current=True).number == 2
    assert second.context["theirs"]
    assert second.context["mine"]
    again = client.post(address, {width: "1/4", height: "3/8", "drawn_from": "2"})
    assert again.status_code == 302
    assert product.recipe_revisions.get(is_current=True).number == 3


def test_a_change_by_the_api_names_the_version_it_was_made_from(site: Site, dispatcher: User) -> None:
    api = APIClient()
    api.force_authenticate(dispatcher)
    address = f"/api/sites/{site.pk}/"
    version = api.get(address)["ETag"]

    first = api.patch(address, {"parking": "in the yard"}, format="json", HTTP_IF_MATCH=version)
    second = api.patch(address, {"parking": "on the street"}, format="json", HTTP_IF_MATCH=version)
    third = api.patch(address, {"parking": "on the street"}, format="json", HTTP_IF_MATCH=first["ETag"])

    assert (first.status_code, second.status_code, third.status_code) == (200, 412, 200)
    error = second.json()["errors"][0]
    assert error["field"] == "parking"
    assert "in the yard" in error["problem"]
    assert "on the street" in error["problem"]
    assert third["ETag"] == api.get(address)["ETag"] != first["ETag"]


ROOMS = Path(__file__).parents[2]
NO_ROW_YET = {"crew_new", "site_new", "new_branch", "new_password", "crew_context"}


def test_every_page_that_changes_a_row_holds_it_while_it_compares() -> None:
    """A form over a row (``instance=`` or ``row=``) is read within `shared.versions.edits`."""
    loose = []
    for path in [*ROOMS.glob("*/views/*.py"), *ROOMS.glob("shared/views.py")]:
        for function in ast.walk(ast.parse(path.read_text())):
            if not isinstance(function, ast.FunctionDef) or function.name in NO_ROW_YET or function.name[0] == "_":
                continue
            over_a_row = any(
                isinstance(call, ast.Call)
                and getattr(call.func, "id", "").endswith("Form")
                and any(word.arg in {"instance", "row"} for word in call.keywords)
                for call in ast.walk(function)
            )
            held = any(getattr(one, "id", "") == "edits" for one in function.decorator_list)
            if over_a_row and not held:
                loose.append(f"{path.relative_to(ROOMS)}: {function.name}")

    assert loose == []


def test_a_page_without_marks_is_taken_as_it_is(site: Site, dispatcher: User, client: Client) -> None:
    """A page that was open while the firm updated, or a script, sends none."""
    client.force_login(dispatcher)
    address = reverse("jobs:site", args=[site.pk])
    drawn = boxes(client, address)
    drawn.pop("drawn_from")

    assert client.post(address, drawn | {"parking": "anywhere"}).status_code == 302
    assert client.post(address, drawn | {"drawn_from": "[1", "parking": "here"}).status_code == 302
    assert Job.objects.get(site=site).site.parking == "here"
