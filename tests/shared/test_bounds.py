"""Every number that somebody sends or a firm sets has both bounds, and a stored one beyond them breaks no page."""

from __future__ import annotations

import inspect
import pkgutil
from collections.abc import Iterator
from importlib import import_module
from typing import Any

import pytest
from django import forms
from django.apps import apps
from django.core.validators import MaxLengthValidator, MaxValueValidator, MinValueValidator
from django.db import models
from django.test import Client
from django.urls import reverse
from rest_framework import serializers
from rest_framework.test import APIClient

from jobs.models import CalendarRules, Crew, CrewDay, WorkingHours
from jobs.services import booking, crews
from shared.errors import Refused
from shared.models import User
from tests.factories import a_monday, make_appointment, make_crew, make_job
from tests.test_layers import ORDER

NUMBERS = models.IntegerField | models.FloatField | models.DecimalField

KEPT_BY_THE_PROGRAM = {
    "revision", "number", "order", "position", "version", "sequence", "turn", "attempts", "tries", "done", "total",
    "pages", "status", "reply_status", "job_id", "seconds", "size_revision", "duration_safe_min", "reserved", "held",
    "needed", "checked", "returned", "change", "weight_g", "packages_expected", "packages_received", "first_weekday",
    "units_wanted", "chance_before", "chance_after", "line", "place_within_m",
}  # fmt: skip
"""Counters and what is worked out: nobody types them, or they are chosen from a list."""

BY_A_SERVICE = {
    "ProposedMove.price",
    "PurchaseLine.quantity",
    "LoadLine.quantity",
    "Part.quantity",
    "StockItem.quantity",
}
"""Counted by a service, which says the bound where somebody typed it."""


def bounded(validators: list[Any]) -> bool:
    kinds = {type(one) for one in validators}
    return {MinValueValidator, MaxValueValidator} <= kinds


def test_every_number_of_a_firm_has_both_bounds() -> None:
    loose = [
        f"{model.__name__}.{field.name}"
        for model in apps.get_models()
        if model.__module__.partition(".")[0] in ORDER
        for field in model._meta.local_fields
        if isinstance(field, NUMBERS) and not isinstance(field, models.AutoField)
        if field.name not in KEPT_BY_THE_PROGRAM and not bounded(field._validators)
    ]

    assert sorted(set(loose) - BY_A_SERVICE) == []


def kinds_in(place: str, kind: type[Any]) -> Iterator[type[Any]]:
    for app in ORDER:
        for module in _modules(app, place):
            for _, found in inspect.getmembers(module, inspect.isclass):
                if issubclass(found, kind) and found.__module__ == module.__name__:
                    yield found


def _modules(app: str, place: str) -> Iterator[Any]:
    try:
        module = import_module(f"{app}.{place}")
    except ModuleNotFoundError:
        return
    yield module
    for found in pkgutil.iter_modules(getattr(module, "__path__", [])):
        yield import_module(f"{app}.{place}.{found.name}")


def of_a_column(form: Any) -> tuple[str, ...]:
    """Fields whose bounds are their column's."""
    return getattr(getattr(form, "_meta", None), "fields", None) or ()


def test_every_number_of_a_form_has_both_bounds() -> None:
    loose = [
        f"{form.__name__}.{name}"
        for form in kinds_in("forms", forms.BaseForm)
        for name, field in getattr(form, "base_fields", {}).items()
        if isinstance(field, forms.IntegerField) and name not in of_a_column(form) and not bounded(field.validators)
    ]

    assert loose == []


def test_every_number_that_the_api_takes_has_both_bounds() -> None:
    loose = []
    for kind in kinds_in("api", serializers.Serializer):
        for name, field in kind._declared_fields.items():  # type: ignore[attr-defined]
            one = getattr(field, "child", field)
            is_number = isinstance(one, serializers.IntegerField | serializers.DecimalField)
            if is_number and not field.read_only and not bounded(one.validators):
                loose.append(f"{kind.__name__}.{name}")

    assert loose == []


WRONG = [
    ("drive_price", "-1", 0), ("paid_price", "-0.01", 0), ("overtime_price", "10000.01", 10000),
    ("moved_price", "-5", 0), ("wait_price", "100.01", 100), ("overdue_price", "-1", 0),
    ("days_offered", "30000", 60), ("days_offered", "0", 1), ("pack_days", "61", 60),
    ("ask_days", "61", 60), ("reservation_min", "0", 1), ("chance_floor", "100", 99), ("road_factor", "0.9", 1),
]  # fmt: skip


@pytest.mark.django_db
@pytest.mark.parametrize(("name", "value", "bound"), WRONG)
def test_a_rule_out_of_bounds_is_refused_by_name_and_bound(
    name: str, value: str, bound: int, cast: dict[str, User], client: Client
) -> None:
    user, api = cast["dispatcher"], APIClient()
    client.force_login(user)
    api.force_authenticate(user)
    before = {field: str(getattr(CalendarRules(), field)) for field in RULES}

    page = client.post(reverse("jobs:holidays"), before | {name: value})
    answer = api.post("/api/calendar-rules/", {name: value}, format="json")
    with pytest.raises(Refused) as refused:
        crews.set_rules(branch=user.own_branch, by=user, **{name: type(getattr(CalendarRules(), name))(value)})

    assert page.status_code == 422
    assert str(bound) in " ".join(page.context["rules_form"].errors[name])
    assert answer.status_code == 400
    assert answer.json()["errors"][0]["field"] == name
    assert str(bound) in answer.json()["errors"][0]["problem"]
    assert refused.value.field == name
    assert str(bound) in refused.value.problem
    assert not CalendarRules.objects.exists()


RULES = (
    "drive_price", "paid_price", "overtime_price", "moved_price", "wait_price", "overdue_price", "chance_floor",
    "reservation_min", "pack_days", "days_offered", "ask_days", "road_factor", "holiday_country",
)  # fmt: skip

STORED = [
    *((CalendarRules, name, -1) for name in ("drive_price", "paid_price", "overtime_price", "moved_price")),
    *((CalendarRules, name, 32_767) for name in ("chance_floor", "reservation_min", "pack_days", "ask_days")),
    (CalendarRules, "days_offered", 0),
    (CalendarRules, "days_offered", 30_000),
    (CalendarRules, "road_factor", 0),
    (Crew, "people", 0),
    (Crew, "overtime_min", 32_767),
    (WorkingHours, "lunch_min", 32_767),
    (CrewDay, "people", 0),
]


@pytest.mark.django_db
@pytest.mark.parametrize(("model", "name", "value"), STORED)
def test_what_an_older_release_stored_breaks_no_page(
    model: type[models.Model], name: str, value: int, cast: dict[str, User], client: Client
) -> None:
    """Before there were bounds one negative price answered every page that looks for a time with 500."""
    user = cast["dispatcher"]
    day = a_monday()
    crew = make_crew(user.own_branch, cast["installer"])
    visit = make_appointment(crew=crew, day=day, time="9:00")
    CalendarRules.objects.create(branch=user.own_branch)
    CrewDay.objects.create(crew=crew, day=day)
    model._default_manager.update(**{name: value})
    client.force_login(user)
    client.raise_request_exception = False

    pages = [reverse("jobs:" + page) for page in ("holidays", "crews", "attention", "calendar", "book")]
    pages += [reverse("jobs:" + page, args=[visit.pk]) for page in ("windows", "appointment")]
    pages += [reverse("jobs:crew", args=[crew.pk]), reverse("jobs:job", args=[visit.job_id]), reverse("jobs:today")]
    pages += [f"/api/appointments/{make_appointment(visit.job).pk}/offers/"]
    broke = [page for page in pages if client.get(page).status_code >= 500]
    moved = client.post(reverse("jobs:effect", args=[visit.pk]), {"crew": crew.pk, "day": day, "time": "10:00"})

    assert broke == []
    assert moved.status_code < 500


# -- texts, depths, days ------------------------------------------------------------------

WRITTEN_BY_THE_PROGRAM = {"derivation", "why", "error"}


def test_every_text_of_a_table_is_bounded() -> None:
    """A note of 10 MB was kept, and sent with every page of its job."""
    loose = [
        f"{model.__name__}.{field.name}"
        for model in apps.get_models()
        if model.__module__.partition(".")[0] in ORDER and model.__name__ not in {"AuditEntry", "SearchEntry"}
        for field in model._meta.local_fields
        if isinstance(field, models.TextField) and field.name not in WRITTEN_BY_THE_PROGRAM
        if not any(isinstance(check, MaxLengthValidator) for check in field._validators)
    ]

    assert loose == []


def test_every_text_that_the_api_takes_is_bounded() -> None:
    loose = []
    for kind in kinds_in("api", serializers.Serializer):
        for name, field in kind._declared_fields.items():  # type: ignore[attr-defined]
            one = getattr(field, "child", field)
            if isinstance(one, serializers.CharField) and not one.read_only and one.max_length is None:
                loose.append(f"{kind.__name__}.{name}")

    assert loose == []


@pytest.mark.django_db
@pytest.mark.parametrize("kind", ["page", "service", "api"])
def test_a_note_without_end_is_refused(kind: str, cast: dict[str, User], client: Client) -> None:
    user, long = cast["dispatcher"], "a" * 3_000
    job = make_appointment(make_job(by=user)).job
    if kind == "page":
        client.force_login(user)
        sent = {"openings_expected": 3, "policy": "together", "note": long}
        answer = client.post(reverse("jobs:edit", args=[job.pk]), sent)
        assert "2000" in str(answer.context["form"].errors["note"])
    elif kind == "service":
        with pytest.raises(Refused, match="2000"):
            booking.edit_job(job=job, by=user, note=long)
    else:
        api = APIClient()
        api.force_authenticate(user)
        answer = api.patch(f"/api/jobs/{job.pk}/", {"note": long}, format="json")
        assert answer.status_code == 400
        assert answer.json()["errors"][0]["field"] == "note"


@pytest.mark.django_db
def test_a_visits_note_is_bounded_on_its_page(cast: dict[str, User], client: Client) -> None:
    client.force_login(cast["dispatcher"])
    visit = make_appointment(make_job(by=cast["dispatcher"]))
    sent = {"people": 1, "priority": 1, "note": "a" * 3_000}

    answer = client.post(reverse("jobs:appointment_edit", args=[visit.pk]), sent)

    assert answer.status_code == 422
    assert "2000" in str(answer.context["form"].errors["note"])


def nested(levels: int) -> Any:
    found: Any = 1
    for _ in range(levels):
        found = [found]
    return found


BIG = 2**70
FIRST, LAST = "0001-01-01T00:00:00+11:00", "9999-12-31T23:30:00-11:00"
STRANGE = [
    ("post", "/api/crews/{crew}/members/", {"user": 1}),  # from_on left out: TypeError
    ("post", "/api/crews/{crew}/end-member/", {"member": BIG}),
    ("post", "/api/crews/{crew}/remove-absence/", {"absence": BIG}),
    ("post", "/api/crews/{crew}/members/", {"user": BIG, "from_on": "2027-01-04"}),
    ("get", f"/api/jobs/{BIG}/", None),
    ("get", f"/api/appointments/?job={BIG}", None),
    ("get", f"/api/appointments/?crew={BIG}", None),
    ("get", "/api/crews/{crew}/day/?day=9999-12-31", None),
    ("get", "/api/crews/{crew}/day/?day=0001-01-01", None),
    ("post", "/api/crews/{crew}/differs/", {"day": "9999-12-31", "starts": "08:00", "ends": "17:00"}),
    ("post", "/api/crews/{crew}/differs/", {"day": "0001-01-01", "starts": "08:00", "ends": "17:00"}),
    ("post", "/api/crews/{crew}/absences/", {"starts_at": LAST, "ends_at": LAST}),
    ("post", "/api/crews/{crew}/absences/", {"starts_at": FIRST, "ends_at": FIRST}),
    ("post", "/api/holidays/", {"day": "9999-12-31", "name": "the last"}),
    ("post", "/api/plans/", {"from_on": "9999-12-30", "until_on": "9999-12-31"}),
    ("patch", "/api/jobs/{job}/", {"wanted_by": "9999-12-31"}),
    ("patch", "/api/appointments/{visit}/", {"earliest_on": "9999-12-31"}),
    ("get", "/api/appointments/{visit}/offers/", None),
    ("post", "/api/appointments/{visit}/place/", {"crew": BIG, "starts_at": "2027-03-01T09:00:00"}),
    ("post", "/api/appointments/{visit}/call/", {"on": LAST[:10], "note": "a" * 240}),
    ("post", "/api/appointments/{visit}/possible/", [{"starts_at": FIRST, "ends_at": LAST}]),
    ("post", "/api/customers/", {"name": nested(40)}),
    ("post", "/api/customers/", {"name": nested(900)}),
]  # fmt: skip


@pytest.mark.django_db
@pytest.mark.parametrize(("method", "path", "sent"), STRANGE)
def test_what_no_column_holds_is_the_senders_error(method: str, path: str, sent: Any, cast: dict[str, User]) -> None:
    """Ids beyond 64 bits, days at the end of time, lists in lists: each was a 500."""
    user = cast["dispatcher"]
    visit = make_appointment(make_job(by=user))
    api = APIClient(raise_request_exception=False)
    api.force_authenticate(user)

    address = path.format(crew=make_crew(user.own_branch).pk, job=visit.job_id, visit=visit.pk)
    answer = getattr(api, method)(address, sent, format="json") if sent is not None else api.get(address)
    again = [api.get(f"/api/{name}/").status_code for name in ("jobs", "appointments", "crews", "holidays")]

    assert answer.status_code < 500, answer.content
    assert again == [200] * 4
