"""Templates: each has a number, TOP and ROOM SIDE stand on it, and it is known where it is."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from measuring.adapters.finding import found as found_by
from measuring.adapters.shapes import shape_sheet
from measuring.models import Opening, ShapeTemplate
from measuring.services import templates
from shared.errors import Refused
from shared.models import AuditEntry, User
from tests.measuring.makers import make_job, make_opening

pytestmark = pytest.mark.django_db

NO_CIRCLE = {"shape.level": "30", "shape.upright": "30", "shape.slant": "29 1/2", "depth": "4"}


@pytest.fixture
def measurer(cast: dict[str, User]) -> User:
    return cast["measurer"]


@pytest.fixture
def opening(measurer: User) -> Opening:
    return make_opening(make_job(measurer), measurer, family="roller", shape="circle", readings=NO_CIRCLE)


def codes(opening: Opening) -> list[str]:
    return [one["code"] for one in opening.units.live().get().findings]


def test_a_template_goes_out_comes_back_and_is_kept_with_who_and_when(opening: Opening, measurer: User) -> None:
    """It was asked for and never made: nobody could say whether it lay in the van or at the supplier's."""
    made = templates.make_template(opening=opening, is_marked=True, by=measurer)
    templates.send_template(template=made, to="Curlew Shapes", by=measurer)
    templates.note_returned(template=made, by=measurer)
    kept = templates.keep_template(template=made, where="shelf 3", by=measurer)

    assert made.number == f"{opening.job.number}-T1"
    assert (kept.state, kept.where, kept.sent_to) == ("kept", "kept: shelf 3", "Curlew Shapes")
    assert None not in (kept.sent_at, kept.returned_at, kept.kept_at)
    told = AuditEntry.objects.filter(job_id=opening.job_id, action__contains="template").order_by("pk")
    assert [one.by for one in told] == [measurer] * 4
    assert [one.action.split()[-1] for one in told] == ["template", "sent", "returned", "kept"]


def test_a_template_without_top_and_room_side_has_no_number(opening: Opening, measurer: User) -> None:
    with pytest.raises(Refused) as refused:
        templates.make_template(opening=opening, by=measurer)

    assert refused.value.field == "is_marked"
    assert not ShapeTemplate.objects.exists()


def test_a_rectangle_needs_none(measurer: User) -> None:
    with pytest.raises(Refused):
        templates.make_template(opening=make_opening(make_job(measurer), measurer), is_marked=True, by=measurer)


def test_a_shape_that_is_none_is_answered_by_its_template_until_that_is_discarded(
    opening: Opening, measurer: User
) -> None:
    assert "shape_template" in codes(opening)

    made = templates.make_template(opening=opening, is_marked=True, by=measurer)
    assert "shape_traced" in codes(opening)
    templates.discard_template(template=made, reason="torn", by=measurer)

    assert "shape_template" in codes(opening)
    assert templates.make_template(opening=opening, is_marked=True, by=measurer).number.endswith("-T2")


def test_what_is_taken_back_leaves_it_where_it_was(opening: Opening, measurer: User) -> None:
    made = templates.make_template(opening=opening, is_marked=True, by=measurer)
    templates.send_template(template=made, to="Curlew Shapes", by=measurer)
    templates.note_returned(template=made, by=measurer)

    assert templates.take_back(template=made, by=measurer).where == "sent to Curlew Shapes"
    assert templates.take_back(template=made, by=measurer).where == "made"
    with pytest.raises(Refused):
        templates.note_returned(template=made, by=measurer)


def test_its_number_finds_it_and_stands_on_the_shape_sheet(
    opening: Opening, measurer: User, as_user: Callable[[User], Client], cast: dict[str, User]
) -> None:
    made = templates.make_template(opening=opening, size_is="finished", is_marked=True, by=measurer)
    templates.send_template(template=made, to="Curlew Shapes", by=measurer)

    number = opening.job.number
    for typed in (f"{number}-T1", f"{number.lower()} t1"):
        assert [one.title for one in found_by(cast["dispatcher"], typed)] == [made.number]
    assert not list(found_by(cast["stranger"], made.number))
    sheet: Any = shape_sheet(Opening.objects.get(pk=opening.pk))
    line = f"{number}-T1 (finished size), sent to Curlew Shapes: TOP and ROOM SIDE are marked"
    assert sheet["templates"] == [line]
    page = as_user(cast["workroom"]).get(f"/openings/{opening.pk}/").content.decode()
    assert "sent to Curlew Shapes" in page
    panel = as_user(cast["dispatcher"]).get(reverse("measuring:job_openings", args=[opening.job.pk])).content.decode()
    assert f"{opening}</a>: template {line}" in panel


def test_page_and_api_number_and_move_it(
    opening: Opening, cast: dict[str, User], as_user: Callable[[User], Client]
) -> None:
    client = as_user(cast["dispatcher"])

    refused = client.post(f"/openings/{opening.pk}/templates/", {"size_is": "opening"})
    kept = client.post(f"/openings/{opening.pk}/templates/", {"size_is": "opening", "is_marked": "on"})
    assert kept.status_code == 302, kept.content.decode()
    made = ShapeTemplate.objects.get()
    client.post(f"/templates/{made.pk}/sent/", {"said": "Curlew Shapes"})
    path = f"/api/1/openings/{opening.pk}/templates/"
    second = client.post(path, {"is_marked": True}, content_type="application/json")
    moved = client.post(f"{path}{made.uid}/where/", {"to": "returned"}, content_type="application/json")

    assert refused.status_code == 422
    assert second.status_code == 201, second.content
    assert [one["where"] for one in moved.json()["templates"]] == ["returned", "made"]
