"""A POST sent twice with one key is done once, for who sent it, for a day."""

import datetime as dt
import json

import pytest
from django.utils import timezone
from rest_framework.authtoken.models import Token

from jobs.models import Customer
from shared import tasks
from shared.models import AnsweredRequest

pytestmark = pytest.mark.django_db
KEY = '"8e03978e-40d5-43e8-bc93-6894a57f9324"'
MOSS = {"name": "Moss", "phone": "555 0100"}


def post(client, body=MOSS, key=KEY, path="/api/customers/", **more):
    text = body if isinstance(body, str) else json.dumps(body)
    return client.post(path, text, content_type="application/json", headers={"Idempotency-Key": key} | more)


@pytest.fixture
def office(client, cast):
    client.force_login(cast["dispatcher"])
    return client


def test_a_repeat_gets_the_first_answer_and_makes_nothing(office):
    first, again = post(office), post(office)

    assert first.status_code == again.status_code == 201
    assert (first.content, first["Content-Type"]) == (again.content, again["Content-Type"])
    assert Customer.objects.filter(name="Moss").count() == 1


def test_the_same_key_with_another_body_or_address_is_unprocessable(office):
    post(office)

    for answer in (post(office, {"name": "Fern"}), post(office, path="/api/projects/")):
        assert answer.status_code == 422
        assert answer["Content-Type"] == "application/problem+json"
        assert answer.json()["errors"][0]["field"] == "Idempotency-Key"
    assert not Customer.objects.filter(name="Fern").exists()


def test_one_that_is_still_at_work_is_a_conflict(office):
    post(office)
    AnsweredRequest.objects.update(status=None)

    assert post(office).status_code == 409


def test_a_refusal_is_kept_like_any_answer(office):
    first, again = post(office, {}), post(office, {})

    assert first.status_code == again.status_code == 400
    assert first.content == again.content
    assert AnsweredRequest.objects.get().status == 400


def test_an_answer_that_says_nothing_of_the_request_is_not_kept(client, cast):
    client.force_login(cast["installer"])

    assert post(client).status_code == 403
    assert not AnsweredRequest.objects.exists()


def test_keys_belong_to_who_asks(office, client, cast):
    post(office)
    client.force_login(cast["owner"])

    assert post(client).status_code == 201
    assert Customer.objects.filter(name="Moss").count() == 2


def test_a_token_asks_like_its_person(client, cast):
    token = Token.objects.create(user=cast["dispatcher"])
    first, again = (post(client, Authorization=f"Token {token.key}") for _ in range(2))

    assert first.status_code == again.status_code == 201
    assert first.content == again.content
    assert Customer.objects.filter(name="Moss").count() == 1


def test_an_answer_is_kept_a_day_and_swept_then(office):
    post(office)
    AnsweredRequest.objects.update(at=timezone.now() - dt.timedelta(hours=23))
    assert tasks.forget_answers() == 0
    AnsweredRequest.objects.update(at=timezone.now() - dt.timedelta(hours=25))

    assert post(office).status_code == 201
    assert Customer.objects.filter(name="Moss").count() == 2
    AnsweredRequest.objects.update(at=timezone.now() - dt.timedelta(hours=25))
    assert tasks.forget_answers() == 1


@pytest.mark.parametrize("key", ["", '""', "a" * 201, "é"])
def test_a_key_that_is_none_is_refused(office, key):
    assert post(office, key=key).status_code == 400
    assert not Customer.objects.filter(name="Moss").exists()


def test_without_a_key_every_request_counts(office):
    for _ in range(2):
        office.post("/api/customers/", json.dumps(MOSS), content_type="application/json")

    assert Customer.objects.filter(name="Moss").count() == 2


def test_json_nested_too_deep_is_a_problem_and_no_fault_of_ours(office):
    answer = office.post("/api/customers/", "[" * 5_000 + "]" * 5_000, content_type="application/json")

    assert answer.status_code == 400
    assert answer["Content-Type"] == "application/problem+json"
    assert "nested too deep" in answer.json()["detail"]
