"""The customer's pages in another language: nothing on them is said in the firm's."""

from __future__ import annotations

import datetime as dt
import re
from decimal import Decimal
from typing import Any

import pytest
from babel.dates import get_day_names, get_month_names
from django.core.cache import cache
from django.test import Client
from django.urls import reverse
from django.utils.translation.trans_real import DjangoTranslation

from jobs.models import Appointment, CustomerLink, Job
from jobs.services import appointments, feeds
from measuring.models import ProductTerms, Unit
from measuring.services.prices import set_price
from shared.models import AuditEntry, User
from tests.factories import a_monday, at, make_appointment, make_crew, make_customer, make_job, make_site
from tests.measuring.makers import choose_all, make_opening
from tests.shared.test_catalogs import _Texts

pytestmark = pytest.mark.django_db
MONDAY = a_monday()
UNITS = {"min", "am", "pm", "de"}


@pytest.fixture
def visit(dispatcher: User, owner: User, time_machine: Any) -> Appointment:
    """Promised for Monday; one covering to approve and one that is installed, with prices and a warranty."""
    cache.clear()
    branch = dispatcher.own_branch
    time_machine.move_to(at(branch, MONDAY - dt.timedelta(days=4), "12:00"), tick=False)
    customer = make_customer(branch, name="Ada Ellery", language="es")
    job = make_job(branch, by=dispatcher, site=make_site(customer, parking="Kiln Lane", pets="Rex"))
    for room in ("K1", "K2"):
        unit = choose_all(make_opening(job, dispatcher, family="roller", room=room).units.get(), dispatcher)
    set_price(product=unit.product, by=owner, rate=Decimal(20), per="sq_ft", least=Decimal(10), table=None)
    ProductTerms.objects.update_or_create(product=unit.product, defaults={"warranty": "Motor: 3 years"})
    Unit.objects.filter(pk=unit.pk).update(state=Unit.State.INSTALLED, installed_at=at(branch, MONDAY, "1:00"))
    row = make_appointment(job, purpose="install", crew=make_crew(branch), day=MONDAY, time="9:00")
    window = (at(branch, MONDAY, "8:00"), at(branch, MONDAY, "10:00"))
    return appointments.promise(appointment=row, by=dispatcher, window=window, anyway=True)


@pytest.fixture
def marked(monkeypatch: pytest.MonkeyPatch) -> None:
    """What comes from a catalog stands between brackets."""
    for name in ("gettext", "ngettext"):
        own = getattr(DjangoTranslation, name)
        monkeypatch.setattr(DjangoTranslation, name, lambda self, *args, _own=own: f"⟦{_own(self, *args)}⟧")


def address(visit: Appointment, name: str, *keys: int) -> str:
    return reverse(name, args=[CustomerLink.of(Job.objects.get(pk=visit.job_id)).token, *keys])


def not_said(page: str, visit: Appointment) -> set[str]:
    """Words of a page that come neither from a catalog nor from what somebody typed."""
    texts = _Texts()
    texts.feed(re.sub(r"<style.*?</style>", "", page, flags=re.DOTALL))
    rest = " ".join(texts.found)
    while (less := re.sub(r"⟦[^⟦⟧]*⟧", " ", rest)) != rest:
        rest = less
    job, units = visit.job, Unit.objects.filter(opening__job=visit.job).select_related("product", "opening__room")
    typed = [job.customer.name, job.site.address, job.site.parking, job.site.pets, job.number, job.branch.name, "Motor"]
    typed += [f"{unit.product} {unit.options.get('colour')} {unit.opening.room.name}" for unit in units]
    names = [*get_day_names(locale="es_US").values(), *get_month_names(locale="es_US").values()]
    known = {word for text in [*typed, *names] for word in re.findall(r"[\w.]+", text)} | UNITS
    return {word.strip(".") for word in re.findall(r"[^\W\d]{2,}", rest)} - known


def test_no_page_of_the_customer_says_a_word_that_no_catalog_has(
    client: Client, marked: None, visit: Appointment, dispatcher: User
) -> None:
    feeds.answer_readiness(appointment=visit, answers={"painted": "no"}, by=dispatcher)
    pages = [
        client.get(address(visit, "jobs:your_job")),
        client.get(address(visit, "jobs:your_times", visit.pk)),
        client.get(address(visit, "jobs:your_site")),
        client.get(address(visit, "jobs:your_readiness", visit.pk)),
        client.get(address(visit, "jobs:your_times", visit.pk + 999)),
        client.post(address(visit, "jobs:your_site"), {"parking": "9" * 161}),
        client.post(address(visit, "jobs:your_times", visit.pk), {"window": "1"}),
        client.post(address(visit, "jobs:your_question"), {"text": ""}),
        client.post(address(visit, "jobs:your_question"), {"text": "9?"}, follow=True),
        client.post(address(visit, "measuring:your_approval"), {"seen": ""}),
    ]

    assert [answer.status_code for answer in pages] == [200, 200, 200, 200, 404, 422, 422, 422, 200, 422]
    assert [not_said(answer.content.decode(), visit) for answer in pages] == [set()] * len(pages)


def test_it_is_the_customers_language_with_its_days_clocks_and_sums(client: Client, visit: Appointment) -> None:
    seen = {}
    for language in ("", "es", "fr"):
        visit.job.customer.language = language
        visit.job.customer.save()
        seen[language] = client.get(address(visit, "jobs:your_job")).content.decode().replace("\u00a0", " ")

    assert '<html lang="en-us">' in seen[""]
    assert '<html lang="es">' in seen["es"]
    assert '<html lang="fr-ca">' in seen["fr"]
    assert "8:00 am to 10:00 am" in seen[""]
    assert f"lunes {MONDAY.day} de " in seen["es"]
    assert "de 8:00 am a 10:00 am" in seen["es"]
    assert "de 08 h 00 à 10 h 00" in seen["fr"]
    assert re.search(r"\$\d+\.\d\d", seen["es"])
    assert re.search(r"\d+,\d\d \$ US", seen["fr"])
    assert "J'approuve" in seen["fr"]


def test_the_history_stays_in_the_firms_language(client: Client, visit: Appointment) -> None:
    client.post(address(visit, "jobs:your_readiness", visit.pk), {"painted": "no", "note": "el martes"})

    made = AuditEntry.objects.filter(job_id=visit.job_id, by_customer=True).last()
    assert made is not None
    assert (made.action, made.note) == ("said whether the site is ready", "el martes")
    assert str(visit.readiness.get()) == "walls and frames painted, and dry: not yet"
