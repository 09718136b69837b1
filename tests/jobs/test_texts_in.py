"""Texts that customers send: stop words are kept and honoured, anything else is a question to the office."""

from __future__ import annotations

import json
from typing import Any

import pytest
from django.core.cache import cache
from django.test import Client

from jobs.models import Customer, Message, Question
from jobs.rules.message_languages import LANGUAGES
from jobs.rules.messages import BLANK, SORTS
from jobs.schedule.words import written
from jobs.services import booking, messages
from jobs.services.search import keep_customer
from jobs.views.attention import decisions
from shared.models import AuditEntry, Branch, User
from tests.factories import a_monday, at, make_appointment, make_crew, make_customer, make_job

KEY = "a-word-of-the-gateway"
MONDAY = a_monday()


@pytest.fixture
def ada(branch: Branch, settings: Any) -> Customer:
    """She agreed to text messages; a gateway is named, which nothing reaches from a test's transaction."""
    cache.clear()
    settings.TEXT_IN_KEY, settings.TEXT_URL = KEY, "http://127.0.0.1:1"
    row = make_customer(branch, name="Ada Ellery", phone="(312) 555-0147", takes_texts=True)
    keep_customer(row)
    return row


def send(client: Client, text: str, number: str = "+13125550147", **more: Any) -> int:
    sent = {"from": number, "text": text}
    answer: int = client.post(f"/messages/in/{KEY}/", json.dumps(sent), "application/json", **more).status_code
    return answer


@pytest.mark.django_db
def test_stop_takes_consent_back_and_what_waits_is_not_sent_but_told_to_the_office(
    client: Client, branch: Branch, ada: Customer, dispatcher: User, stranger: User
) -> None:
    job = make_job(branch, by=dispatcher, customer=ada)
    booking.hold(job=job, reason="deposit", by=dispatcher)
    waits = Message.objects.get()
    assert (waits.channel, waits.state) == ("text", "waiting")
    other = make_customer(branch, phone="312 555 0148", takes_texts=True)
    keep_customer(other)

    assert [send(client, " Stop. ") for _ in range(2)] == [200, 200]  # as a gateway that tries again does

    ada.refresh_from_db()
    waits.refresh_from_db()
    other.refresh_from_db()
    assert (ada.takes_texts, other.takes_texts, waits.state) == (False, True, "dropped")
    made = AuditEntry.objects.get(action="asked for no more text messages")
    assert (made.note, made.who) == ("Stop.", "The customer")
    assert [one.text for one in decisions(dispatcher) if one.kind == "question"] != []
    booking.hold(job=job, reason="approval", by=dispatcher)
    assert not Message.objects.filter(kind="approval").exists()

    send(client, "START")
    ada.refresh_from_db()
    assert ada.takes_texts


@pytest.mark.django_db
def test_the_offices_tick_is_honoured_by_what_waits(branch: Branch, ada: Customer, dispatcher: User) -> None:
    """What waited for the morning was texted all the same, after the tick was taken off."""
    job = make_job(branch, by=dispatcher, customer=ada)
    booking.hold(job=job, reason="deposit", by=dispatcher)
    booking.edit_customer(customer=ada, by=dispatcher, takes_texts=False)

    assert not messages.is_wanted(Message.objects.select_related("job__customer").get())


@pytest.mark.django_db
def test_anything_else_is_a_question_on_the_latest_open_job_once(
    client: Client, branch: Branch, ada: Customer, dispatcher: User
) -> None:
    make_job(branch, by=dispatcher, customer=ada, stage="closed")
    job = make_job(branch, by=dispatcher, customer=ada)
    make_job(branch, by=dispatcher, customer=ada, stage="closed")

    for _ in range(2):
        client.post(f"/messages/in/{KEY}/", {"from": "1 312 555 0147", "text": "Can you stop by at noon?"})

    assert [(one.job, one.text) for one in Question.objects.all()] == [(job, "Can you stop by at noon?")]
    assert Customer.objects.get(pk=ada.pk).takes_texts


@pytest.mark.django_db
def test_only_the_gateway_is_heard_and_a_strangers_number_leaves_nothing(
    client: Client, ada: Customer, dispatcher: User, settings: Any
) -> None:
    before = AuditEntry.objects.count()
    assert (
        client.post("/messages/in/another-word-altogether/", {"from": "+13125550147", "text": "stop"}).status_code
        == 404
    )
    assert send(client, "stop", number="+13125550199") == 200
    assert send(client, "") == 400
    assert client.post(f"/messages/in/{KEY}/", "{", "application/json").status_code == 400
    assert client.get(f"/messages/in/{KEY}/").status_code == 405
    settings.TEXT_IN_KEY = ""
    assert send(client, "stop") == 404
    assert (AuditEntry.objects.count(), Customer.objects.get(pk=ada.pk).takes_texts) == (before, True)


# -- in the customer's language -------------------------------------------------------------


@pytest.mark.parametrize("key", LANGUAGES)
def test_every_kind_of_message_has_words_in_every_language_with_the_same_blanks(key: str) -> None:
    language = LANGUAGES[key]
    assert set(language.words) == set(SORTS)
    for kind, words in language.words.items():
        for one, english in zip(vars_of(words), vars_of(SORTS[kind].words), strict=True):
            assert sorted(BLANK.findall(one)) == sorted(BLANK.findall(english)), (kind, one)


def vars_of(words: Any) -> tuple[str, str, str]:
    return words.subject, words.body, words.short


@pytest.mark.django_db
def test_a_customer_gets_the_branchs_words_in_their_language(branch: Branch, dispatcher: User, as_user: Any) -> None:
    job = make_job(branch, by=dispatcher, customer=make_customer(branch, name="Ada", language="es"))
    visit = make_appointment(
        job, crew=make_crew(branch), day=MONDAY, time="8:00", state="promised",
        promised_from=at(branch, MONDAY, "8:00"), promised_until=at(branch, MONDAY, "10:00"),
    )  # fmt: skip
    assert written("confirmation", job, visit).short.startswith(
        "Vendremos a tomar las medidas de sus ventanas el lunes "
    )
    assert "de 8:00 am a 10:00 am" in written("confirmation", job, visit).short

    client, there = as_user(dispatcher), "/messages/confirmation/?language=es"
    said = {"subject": "Cita", "body": "Hola {customer}", "short": "Hasta el {window}"}
    assert client.post(there, said | {"short": "{wndow}"}).status_code == 422
    assert client.post(there, said).status_code == 302

    assert written("confirmation", job, visit).subject == "Cita"
    job.customer.language = ""
    assert written("confirmation", job, visit).subject.startswith("Your appointment")
    assert client.get("/messages/confirmation/?language=xx").status_code == 404
