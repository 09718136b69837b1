"""The customer's page of their coverings: what they see, approve and ask; never a size."""

from __future__ import annotations

import re
from decimal import Decimal
from typing import Any

import pytest
from django.core.cache import cache
from django.test import Client
from django.urls import reverse

from jobs.models import CustomerLink, Job
from jobs.services import booking
from jobs.views.attention import decisions
from measuring.models import Approval, Unit
from measuring.services import readings, sizes
from measuring.services.prices import set_price
from shared.models import AuditEntry, User
from tests.measuring.makers import choose_all, make_job, make_opening
from tests.shared.test_pictures import jpeg

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def nothing_asked_yet() -> None:
    cache.clear()


@pytest.fixture
def unit(dispatcher: User, owner: User) -> Unit:
    """Sized and chosen, priced 20 a square foot."""
    made = choose_all(make_opening(make_job(dispatcher), dispatcher, family="roller").units.get(), dispatcher)
    set_price(product=made.product, by=owner, rate=Decimal(20), per="sq_ft", least=Decimal(10), table=None)
    return made


def page_of(unit: Unit) -> str:
    return reverse("jobs:your_job", args=[CustomerLink.of(Job.objects.get(pk=unit.job.pk)).token])


def approve(client: Client, unit: Unit, page: str | None = None) -> Any:
    shown = page or client.get(page_of(unit)).content.decode()
    seen = re.search(r'name="seen" value="(\w+)"', shown)
    assert seen is not None
    sent = {"seen": seen[1], "approved_by": "Ida Marl"}
    return client.post(f"{page_of(unit)}approval/", sent, follow=True)


def test_the_customer_sees_what_they_chose_and_its_price_but_no_size(client: Client, unit: Unit) -> None:
    page = client.get(page_of(unit)).content.decode()

    assert unit.product.name in page
    assert "white, inside mount" in page
    assert re.search(r"\$\d+\.\d\d", page)
    assert unit.order_width is not None
    assert unit.order_width.text(unit.job.branch.unit) not in page
    assert "I approve" in page


def test_whoever_measured_answers_for_the_sizes(client: Client, unit: Unit, dispatcher: User, as_user: Any) -> None:
    """Nothing said that the customer measured, so that their page never showed a size."""
    ours = client.get(page_of(unit)).content.decode()
    booking.edit_job(job=unit.job, by=dispatcher, customer_measures=True)
    assert "look again" in approve(client, unit, ours).content.decode()  # they had seen no size

    page = client.get(page_of(unit)).content.decode()
    approve(client, unit, page)
    booking.edit_job(job=Job.objects.get(pk=unit.job.pk), by=dispatcher, customer_measures=False)
    office = as_user(dispatcher)
    approvals = office.get(reverse("measuring:sizes", args=[unit.job.pk])).content.decode()

    assert unit.order_width is not None
    assert "We answer for the sizes." in ours
    assert f"{unit.order_width.text(unit.job.branch.unit)} in wide, " in page
    assert "Check the sizes that you measured: we make to them." in page
    assert "We answer for the sizes." not in page
    assert "sizes the customer measured and answers for" in approvals  # as it was agreed


def test_their_yes_is_an_approval_by_the_customer_and_ends_the_hold(
    client: Client, unit: Unit, dispatcher: User
) -> None:
    booking.hold(job=unit.job, reason="approval", by=dispatcher)

    answer = approve(client, unit)

    made = Approval.objects.get()
    assert "Your approval is recorded" in answer.content.decode()
    assert (made.approved_by, made.recorded_by, list(made.units.all())) == ("Ida Marl", None, [unit])
    assert Unit.objects.get(pk=unit.pk).state == Unit.State.APPROVED
    assert Job.objects.get(pk=unit.job.pk).hold == ""
    assert AuditEntry.objects.get(action="recorded approval 1").by_customer
    assert "I approve" not in client.get(page_of(unit)).content.decode()


def test_what_changed_since_they_looked_is_not_approved(client: Client, unit: Unit, dispatcher: User) -> None:
    looked = client.get(page_of(unit)).content.decode()
    from measuring.adapters.options import offer_of

    other = next(one.key for one in offer_of(unit.product).listed.option("colour").choices[1:])  # type: ignore[union-attr]
    sizes.set_options(unit=unit, options={**unit.options, "colour": other}, by=dispatcher)

    answer = approve(client, unit, looked)

    assert answer.status_code == 422
    assert "Something changed meanwhile" in answer.content.decode()
    assert not Approval.objects.exists()


def test_a_price_that_changed_is_shown_before_it_is_approved(client: Client, unit: Unit, owner: User) -> None:
    looked = client.get(page_of(unit)).content.decode()
    set_price(product=unit.product, by=owner, rate=Decimal(25), per="sq_ft", least=Decimal(10), table=None)

    assert approve(client, unit, looked).status_code == 422


def test_nothing_is_approved_for_a_revoked_link_or_without_a_name(client: Client, unit: Unit) -> None:
    page = client.get(page_of(unit)).content.decode()
    seen = re.search(r'name="seen" value="(\w+)"', page)
    assert seen is not None
    address = f"{page_of(unit)}approval/"

    assert client.post(address, {"seen": seen[1], "approved_by": " "}).status_code == 422
    CustomerLink.objects.create(job=unit.job, revoked_at="2026-01-01T00:00Z")
    assert client.post(address, {"seen": seen[1], "approved_by": "Ida"}).status_code == 410
    assert not Approval.objects.exists()


def test_a_question_is_a_decision_until_somebody_answered(
    client: Client, unit: Unit, dispatcher: User, as_user: Any
) -> None:
    client.post(f"{page_of(unit)}question/", {"about": "Kitchen A", "text": "Is this the white we saw?"})

    asked = [one.text for one in decisions(dispatcher) if one.kind == "question"]
    assert asked == [f"{unit.job.number} {unit.job.customer.name} asks: Kitchen A: Is this the white we saw?"]
    office = as_user(dispatcher)
    assert "Is this the white we saw?" in office.get(unit.job.get_absolute_url()).content.decode()
    office.post(f"/questions/{unit.job.questions.get().pk}/answered/")
    assert [one for one in decisions(dispatcher) if one.kind == "question"] == []
    assert "Is this the white" not in client.get(page_of(unit)).content.decode()


def test_questions_are_bounded(client: Client, unit: Unit) -> None:
    address = f"{page_of(unit)}question/"
    answers = [client.post(address, {"text": f"why {at}"}).status_code for at in range(6)]

    assert answers == [302] * 5 + [422]
    assert client.post(address, {"text": ""}).status_code == 422


def test_a_photo_of_before_is_seen_once_it_is_chosen(client: Client, unit: Unit, measurer: User) -> None:
    photo = readings.add_photo(opening=unit.opening, data=jpeg(), by=measurer, caption="the old blind")
    address = reverse("measuring:your_photo", args=[CustomerLink.of(unit.job).token, photo.pk])
    assert client.get(address).status_code == 404
    assert "the old blind" not in client.get(page_of(unit)).content.decode()

    readings.show_photo(photo=photo, is_shown=True, by=measurer)

    assert address in client.get(page_of(unit)).content.decode()
    assert client.get(address)["Content-Type"] == "image/jpeg"
