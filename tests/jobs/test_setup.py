"""The set-up's steps for crews and people, and its range: what is typed stays, and nothing is kept by halves."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from typing import Any

import pytest
from django.test import Client

from fabrication.models import RecipeRevision
from installs.models import HardwareRules
from jobs.models import CalendarRules, Crew, CrewMember
from measuring.models import Product
from shared.models import AuditEntry, Branch, User
from tests.factories import make_crew

pytestmark = pytest.mark.django_db


@pytest.fixture
def page(owner: User, as_user: Callable[[User], Client]) -> Client:
    return as_user(owner)


def week(**changes: Any) -> dict[str, Any]:
    """Two crews that work Monday, Tuesday and Saturday."""
    return {
        "days": ["0", "1", "5"], "starts": "07:30", "ends": "16:00", "holiday_country": "ca",
        "crew0-name": "Una's crew", "crew0-people": "1",
        "crew1-name": "Installers", "crew1-purposes": ["install"], "crew1-people": "2",
        "crew2-name": "", "crew2-people": "1", **changes,
    }  # fmt: skip


def test_crews_get_the_working_days_that_were_ticked(page: Client, branch: Branch) -> None:
    answer = page.post("/setup/crews/", week())

    assert answer.status_code == 302, answer.content.decode()
    una, installers = Crew.objects.get(name="Una's crew"), Crew.objects.get(name="Installers")
    assert [row.weekday for row in una.hours.all()] == [0, 1, 5]
    assert {(row.starts, row.ends) for row in installers.hours.all()} == {(dt.time(7, 30), dt.time(16))}
    assert (una.purposes, installers.people) == ([], 2)
    assert set(installers.purposes) == {"install", "return", "take_down", "delivery", "service"}
    assert CalendarRules.of(branch).holiday_country == "CA"
    assert AuditEntry.objects.filter(action="set up the crew").count() == 2


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"ends": "07:00"}, "id_ends"),
        ({"days": []}, "id_days"),
        ({"holiday_country": "xx"}, "id_holiday_country"),
        ({"crew1-people": "0"}, "id_crew1-people"),
        ({"crew0-name": "", "crew1-name": ""}, "id_crew0-name"),  # the first crew is asked for
    ],
)
def test_what_is_wrong_stands_beside_its_box_and_nothing_is_kept(
    page: Client, changes: dict[str, Any], field: str
) -> None:
    answer = page.post("/setup/crews/", week(**changes))

    shown = answer.content.decode()
    assert answer.status_code == 422
    assert f'id="{field}_error"' in shown
    assert 'value="07:30"' in shown
    assert Crew.objects.count() == 0


def test_of_two_crews_of_one_name_none_is_kept(page: Client) -> None:
    answer = page.post("/setup/crews/", week(**{"crew1-name": "Una's crew"}))

    assert answer.status_code == 422
    assert Crew.objects.count() == 0


def test_crews_that_are_there_stay_and_the_step_can_be_gone_through_again(page: Client, branch: Branch) -> None:
    make_crew(branch, name="First", hours="9:00 15:00")

    shown = page.get("/setup/crews/").content.decode()
    none = {"crew0-name": "", "crew1-name": "", "crew1-purposes": [], "crew1-people": "1"}
    answer = page.post("/setup/crews/", week(**none))

    assert "First" in shown
    assert 'value="09:00"' in shown
    assert answer.status_code == 302
    assert Crew.objects.count() == 1


def test_somebody_is_invited_into_a_crew(page: Client, branch: Branch) -> None:
    crew = make_crew(branch)

    answer = page.post("/setup/people/", {"name": "Una Reed", "role_names": ["measurer"], "crew": crew.pk})

    una = User.objects.get(username="una.reed")
    assert "secret-code" in answer.content.decode()
    assert (una.role_names, una.has_usable_password()) == ({"measurer"}, False)
    assert CrewMember.objects.get(user=una).crew == crew


def test_an_owner_drives_too_and_nobody_of_another_branch(page: Client, owner: User, stranger: User) -> None:
    crew = make_crew(owner.own_branch)

    refused = page.post("/setup/people/", {"user": stranger.pk, "into": crew.pk})
    page.post("/setup/people/", {"user": owner.pk, "into": crew.pk})

    assert refused.status_code == 422
    assert [member.user for member in crew.members.all()] == [owner]


def test_a_range_comes_under_own_names_with_all_it_needs(page: Client, branch: Branch) -> None:
    answer = page.post("/setup/range/", {"take_wren": "on", "name_wren": "Everyday roller", "name_heron": "Sun"})

    assert answer.status_code == 302
    product = Product.objects.get(branch=branch)
    assert (product.key, product.name) == ("wren", "Everyday roller")
    assert RecipeRevision.objects.filter(product=product, is_current=True).exists()
    assert HardwareRules.objects.filter(branch=branch, is_current=True).exists()
    assert 'name="take_wren"' not in page.get("/setup/range/").content.decode()


def test_a_product_without_a_name_is_not_taken(page: Client) -> None:
    answer = page.post("/setup/range/", {"take_wren": "on", "name_wren": ""})

    assert answer.status_code == 422
    assert 'id="id_name_wren_error"' in answer.content.decode()
    assert Product.objects.count() == 0
