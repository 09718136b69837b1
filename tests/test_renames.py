"""Every old name of the API answers as the new one, and says that it will go."""

from __future__ import annotations

import base64
import re
from collections.abc import Callable, Iterator
from io import BytesIO
from typing import Any

import pytest
from django.db import transaction
from django.urls import resolve
from django.utils import timezone
from PIL import Image
from rest_framework.test import APIClient

from fabrication.models import OwnCloth, Supplier
from fabrication.services.batches import open_batch
from installs.services import hardware, loads, returns
from measuring.models import Opening, Unit
from measuring.services.readings import ANY, record_reading
from measuring.services.visits import open_visit
from shared.devices.receiver import register_device
from shared.lengths import Length
from shared.models import Branch, User
from shared.renames import ADDRESSES, FIELDS, current
from tests.fabrication.rows import make_made_unit, make_material, make_part, make_stock
from tests.factories import make_appointment
from tests.installs.makers import a_day, make_crew

pytestmark = pytest.mark.django_db

ENDS = {"Deprecation": "@1795996800", "Sunset": "Tue, 01 Jun 2027 00:00:00 GMT"}
STAYS = {"Deprecation": "@1795996800"}
DRAWN = re.compile(r'[0-9a-f-]{36}|\b[2-9A-HJKMNP-Z]{7}\b|(?<="id":)\d+')
"""What is drawn anew for each row; PostgreSQL takes no number back that a row undone had."""


def picture() -> str:
    out = BytesIO()
    Image.new("RGB", (8, 8)).save(out, "JPEG")
    return base64.b64encode(out.getvalue()).decode()


@pytest.fixture
def api(api_as: Callable[[User], Any], owner: User) -> Any:
    return api_as(owner)


@pytest.fixture
def rows(branch: Branch, workroom: User, dispatcher: User, installer: User, time_machine: Any) -> dict[str, Any]:
    """By the first part of an address, the key of a row that stands there; and what bodies name."""
    time_machine.move_to(timezone.now(), tick=False)
    job, visit = a_day(branch, dispatcher, installer)
    first, second = Unit.objects.filter(opening__job=job)
    Unit.objects.filter(pk=second.pk).update(mount="")  # so its hardware can't be worked out
    load = loads.refresh_load(crew=visit.crew, day=visit.day, by=dispatcher)
    owed = returns.open_return(unit=first, cause_key="missing_part.hardware", by=dispatcher)
    tube = make_material(branch)
    item, make = make_stock(tube, reserved=1), make_made_unit(branch, workroom)
    batch = open_batch(branch=branch, makes=[make.pk], by=workroom)
    plan = batch.plans.create(material=tube, state="ready")
    pieces = [{"part": make_part(make, tube).pk, "at": 0, "length": 34 * 8128, "turned": False}]
    cut = plan.cuts.create(order=1, item=item, length=item.length, left=Length(0), pieces=pieces)
    measured = make_appointment(job, crew=visit.crew, day=visit.day, time="13:00")
    opening = first.opening
    measured.visit_openings.create(opening=opening)
    open_visit(appointment=measured, by=dispatcher)
    Opening.objects.filter(pk=opening.pk).update(state=Opening.State.TO_MEASURE)
    record_reading(opening=opening, by=dispatcher, visit=None, spot="heights.left", typed="60", seen=ANY)
    supplier = Supplier.objects.create(branch=branch, name="Fenwater Weavers")
    purchase = supplier.purchases.create(branch=branch, number="P-1", created_by=workroom, state="ordered")
    widths = {"width_needed": Length(1), "length_needed": Length(1)}
    found = {
        "appointments": visit, "batches": batch, "branches": branch, "crews": visit.crew, "cuts": cut, "jobs": job,
        "installs": job, "sizes": job, "kept-ends": item.kept_ends.create(job=job, length=Length(1)), "loads": load,
        "makes": make, "visits": measured, "measure-visits": measured, "openings": opening,
        "own-cloth": OwnCloth.objects.create(job=job, name="linen", created_by=workroom, **widths), "returns": owed,
        "purchase-lines": purchase.lines.create(material=tube, quantity=1, length=item.length), "stock": item,
        "stops": visit, "vans": hardware.van_rows(crew=visit.crew)[0], "other": make_crew(branch),
    }  # fmt: skip
    return {area: row.pk for area, row in found.items()} | {"key": tube.key, "day": visit.day}


def at(path: str, rows: dict[str, Any]) -> str:
    return path.replace("{id}", str(rows.get(path.split("/")[2], "")))


def undone(ask: Callable[[], Any]) -> Any:
    """An answer, and what it wrote taken back."""
    with transaction.atomic():
        answer = ask()
        transaction.set_rollback(True)
    return answer


@pytest.mark.parametrize("one", ADDRESSES, ids=lambda one: one.old)
def test_an_old_address_leads_to_one_of_today(one: Any) -> None:
    new, met = current(f"/api/{one.old}".replace("{id}", "1").replace("{rest}", ""), one.method or "POST")

    assert one in met
    assert resolve(new)


def test_every_old_address_answers_as_the_new_one(api: Any, rows: dict[str, Any]) -> None:
    paths = api.get("/api/schema/").json()["paths"]
    old = [(path, method) for path, ways in paths.items() for method, way in ways.items() if way.get("deprecated")]

    for path, method in old:
        asked = at(path, rows)
        now, _met = current(asked, method.upper())
        before = undone(lambda: getattr(api, method)(asked, {}, format="json"))  # noqa: B023
        after = undone(lambda: getattr(api, method)(now, {}, format="json"))  # noqa: B023

        assert before.status_code == after.status_code not in {404, 405}, path
        assert before.content == after.content, path
        said = STAYS if path == "/api/field/deeds/" else ENDS
        assert {name: before.headers.get(name) for name in ENDS} == {name: said.get(name) for name in ENDS}, path
        assert before["Link"] == f'<{now}>; rel="successor-version"', path
        assert "Deprecation" not in after, path
    assert len(old) >= len(ADDRESSES)


def dicts(answer: Any) -> Iterator[dict[str, Any]]:
    """Every object in an answer."""
    if isinstance(answer, dict):
        yield answer
    for one in answer.values() if isinstance(answer, dict) else answer if isinstance(answer, list) else ():
        yield from dicts(one)


def test_an_old_field_is_answered_beside_the_new_one(api: Any, rows: dict[str, Any]) -> None:
    bodies: dict[str, dict[str, Any]] = {
        "crews/{id}/swap/": {"other": rows["other"], "day": str(rows["day"]), "anyway": True},
        "jobs/{id}/appointments/": {"purpose": "measure"},
        "stops/{id}/pull/": {},
    }
    others = (
        "calendar-rules/", "me/", "field/day/", "measure-visits/{id}/", "jobs/{id}/hardware/", "stops/{id}/hardware/",
    )  # fmt: skip
    known = {area for one in FIELDS if one.answered for area in one.areas}
    paths = [*(f"{area}/{{id}}/" for area in sorted(known & rows.keys())), *others, *bodies]
    found = set()

    for path in paths:
        asked = at(f"/api/{path}", rows)
        answer = undone(lambda: api.post(asked, bodies[path], format="json") if path in bodies else api.get(asked))  # noqa: B023
        assert answer.status_code < 300, (path, answer.content)
        area = path.partition("/")[0]
        for row in dicts(answer.json()):
            for one in FIELDS:
                if one.answered and area in one.areas and one.new in row:
                    assert one.old in row, (path, one)
                    found |= {(one.new, area)} if row[one.old] == row[one.new] else set()

    assert {(one.new, area) for one in FIELDS if one.answered for area in one.areas} - found == set()


def test_an_old_field_that_is_sent_is_taken_as_the_new_one(
    api: Any, rows: dict[str, Any], installer: User, api_as: Callable[[User], Any]
) -> None:
    _device, token = register_device(user=installer, name="blue")
    phone = APIClient()
    phone.credentials(HTTP_AUTHORIZATION=f"Device {token}")
    sent: dict[tuple[str, str], tuple[str, str, dict[str, Any]]] = {
        ("field", "deeds"): ("post", "entries/", {"deeds": []}),
        ("calendar-rules", "hold_min"): ("post", "", {"hold_min": 15}),
        ("branches", "units"): ("patch", "{id}/", {"units": "mm"}),
        ("openings", "place"): ("post", "{id}/readings/", {"place": "widths.top", "typed": "35 3/8"}),
        ("own-cloth", "place"): ("post", "{id}/receive/", {"place": "R1"}),
        ("stock", "place"): ("post", "receive/", {"place": "R1", "material": rows["key"], "length": "192"}),
        ("purchase-lines", "place"): ("post", "{id}/receive/", {"place": "R1", "packages": 1}),
        ("cuts", "place"): ("post", "{id}/piece/", {"place": 0}),
        ("stops", "item"): ("post", "{id}/hardware-used/", {"item": rows["key"], "change": 1}),
        ("stops", "data"): ("post", "{id}/photos/", {"data": picture()}),
    }
    names = {(area, one.old): one.new for one in FIELDS if one.sent for area in one.areas}

    for (area, old), (method, path, body) in sent.items():
        client, address = phone if area == "field" else api, at(f"/api/{area}/{path}", rows)
        new = {names[area, old] if name == old else name: value for name, value in body.items()}
        before = undone(lambda: getattr(client, method)(address, body, format="json"))  # noqa: B023
        after = undone(lambda: getattr(client, method)(address, new, format="json"))  # noqa: B023

        assert before.status_code == after.status_code < 300, (area, old, before.content)
        assert DRAWN.sub("", before.text) == DRAWN.sub("", after.text), (area, old)
        assert before["Deprecation"] == ENDS["Deprecation"], (area, old)
        assert "Deprecation" not in after, (area, old)
    assert names.keys() == sent.keys()


def test_an_old_filter_finds_what_the_new_one_does(api: Any, rows: dict[str, Any]) -> None:
    for area, query in (("units", f"job={rows['jobs']}"), ("stock", "kind=bar")):
        old = next(one for one in FIELDS if one.asked and area in one.areas)
        before = api.get(f"/api/{area}/?{query.replace(old.new, old.old)}")
        after = api.get(f"/api/{area}/?{query}")

        assert 0 < before.json()["count"] < api.get(f"/api/{area}/").json()["count"]
        assert before.json() == after.json()
        assert (before["Deprecation"], before["Sunset"]) == (ENDS["Deprecation"], ENDS["Sunset"])
        assert "Deprecation" not in after


def test_no_address_of_today_is_written_two_ways(api: Any) -> None:
    paths = api.get("/api/schema/").json()["paths"]

    assert [
        path for path, ways in paths.items() if "_" in path and not all(way["deprecated"] for way in ways.values())
    ] == []
