"""A bay's openings: set-backs follow from the whole bay and count in each order width."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import pytest

from measuring.models import Group, Opening
from measuring.services import bays, sizes
from measuring.services import openings as services
from measuring.services.bays import CornerRead
from shared.errors import Refused
from shared.lengths import Length, total
from shared.models import User
from tests.measuring.makers import make_job, make_opening

pytestmark = pytest.mark.django_db

WALL = {"heights.left": "60", "cover.top": "4", "cover.bottom": "2"}
CORNERS = [CornerRead("135"), CornerRead("135", runs_past="left")]


@pytest.fixture
def measurer(cast: dict[str, User]) -> User:
    return cast["measurer"]


def make_bay(by: User, walls: tuple[str, ...] = ("30", "62", "30"), **more: Any) -> Group:
    """Roman shades, 3 in off the wall, outside mount, on the walls of a bay."""
    job = make_job(by)
    openings = [
        make_opening(job, by, family="roman", mount="outside", readings={**WALL, "bay.wall": wall}, **more)
        for wall in walls
    ]
    return services.make_group(job=job, kind="bay", openings=openings, by=by)


def widths(group: Group) -> list[str]:
    found = [one.units.live().get().order_width for one in group.openings.order_by("order", "pk")]
    return [width.text() if width else "" for width in found]


def codes(opening: Opening) -> set[str]:
    return {one["code"] for unit in opening.units.live() for one in unit.findings}


def test_the_set_backs_of_a_bay_count_in_the_ordered_widths(measurer: User) -> None:
    """They were kept with the angles and counted for nothing: each unit was ordered by its own opening."""
    group = make_bay(measurer)

    bays.set_bay(group=group, corners=CORNERS, by=measurer)

    # 3 tan 22.5° = 1.24, and 1/4 between them; at the other corner the middle runs past: 3 sin 45° = 2.12, and 1/4
    left, middle, right = group.openings.order_by("order", "pk")
    assert [Length(left.bay["right"]["ticks"]).text(), Length(middle.bay["left"]["ticks"]).text()] == [
        "1 7/16",
        "1 3/8",
    ]
    assert [Length(middle.bay["right"]["ticks"]).text(), Length(right.bay["left"]["ticks"]).text()] == ["0", "2 3/8"]
    assert widths(group) == ["28 9/16", "60 5/8", "27 5/8"]
    steps = left.units.live().get().steps
    assert [step["value"] for step in steps if step["what"].startswith("set-back")] == ["1 7/16"]
    assert any(str(middle) in step["why"] and "135°" in step["why"] for step in steps)


def test_another_product_beside_it_changes_a_units_size(measurer: User) -> None:
    group = make_bay(measurer)
    bays.set_bay(group=group, corners=[CornerRead("90"), CornerRead("90")], by=measurer, room_between="0")
    assert widths(group) == ["27", "56", "27"]
    middle = group.openings.order_by("order", "pk")[1]

    services.change_opening(opening=middle, by=measurer, facts={"product": "siskin"})

    deep = middle.job.branch.products.get(key="siskin").fit["flush_depth"]
    assert widths(group)[0] == (Length.inches(30) - Length.parse(deep)).text()


def test_more_is_kept_where_a_control_hangs_in_the_corner(measurer: User) -> None:
    group = make_bay(measurer, walls=("30", "62"))
    bays.set_bay(group=group, corners=[CornerRead("90")], by=measurer)
    plain = widths(group)
    right = group.openings.order_by("order", "pk")[1]

    sizes.set_options(unit=right.units.live().get(), options={"control_side": "left"}, by=measurer)

    before, after = (total(Length.parse(width) for width in found) for found in (plain, widths(group)))
    assert after < before


def test_nothing_is_ordered_while_a_product_or_an_angle_is_lacking(measurer: User) -> None:
    group = make_bay(measurer)
    assert widths(group) == ["", "", ""]
    assert "2 are needed" in group.openings.first().bay["waits"]

    bays.set_bay(group=group, corners=CORNERS, by=measurer)
    middle = group.openings.order_by("order", "pk")[1]
    services.change_opening(opening=middle, by=measurer, facts={"product": None})

    first = group.openings.order_by("order", "pk")[0]
    assert str(middle) in first.bay["waits"]
    assert first.units.live().get().order_width is None


def test_a_unit_for_which_the_corners_leave_nothing_stops(measurer: User) -> None:
    group = make_bay(measurer, walls=("30", "5", "30"))

    bays.set_bay(group=group, corners=[CornerRead("90"), CornerRead("90")], by=measurer)

    middle = group.openings.order_by("order", "pk")[1]
    assert "bay_full" in codes(middle)


def test_units_that_meet_across_the_bay_stop(measurer: User) -> None:
    group = make_bay(measurer, walls=("30", "6 1/2", "30"))

    bays.set_bay(group=group, corners=[CornerRead("60"), CornerRead("60")], by=measurer)

    first, _, last = group.openings.order_by("order", "pk")
    assert "bay_meets" in codes(first)
    assert "bay_meets" in codes(last)


def test_an_inside_mount_within_its_frame_needs_nothing_of_the_corner(measurer: User) -> None:
    job = make_job(measurer)
    deep = make_opening(job, measurer)
    outside = make_opening(job, measurer, family="roman", mount="outside", readings={**WALL, "bay.wall": "40"})
    group = services.make_group(job=job, kind="corner", openings=[deep, outside], by=measurer)

    bays.set_bay(group=group, corners=[CornerRead("90")], by=measurer, room_between="0")

    assert outside.units.live().get().order_width == Length.inches(40)


def test_three_lengths_stand_for_an_angle(measurer: User) -> None:
    group = make_bay(measurer, walls=("30", "62"))

    bays.set_bay(group=group, corners=[CornerRead(legs=("12", "12", "22 1/8"))], by=measurer)

    assert Group.objects.get(pk=group.pk).angles == [134.4]


@pytest.mark.parametrize(
    ("corner", "more", "field"),
    [
        (CornerRead(), {}, "angle_0"),
        (CornerRead("wide"), {}, "angle_0"),
        (CornerRead("5"), {}, "angle_0"),  # no unit would be left of any wall
        (CornerRead("358"), {}, "angle_0"),
        (CornerRead(legs=("12", "12", "30")), {}, "across_0"),  # no triangle
        (CornerRead(legs=("12", "", "20")), {}, "leg_right_0"),
        (CornerRead("135"), {"room_between": "60"}, "room_between"),
    ],
)
def test_a_corner_that_is_none_is_refused(measurer: User, corner: CornerRead, more: Any, field: str) -> None:
    group = make_bay(measurer, walls=("30", "62"))

    with pytest.raises(Refused) as refusal:
        bays.set_bay(group=group, corners=[corner], by=measurer, **more)

    assert refusal.value.field == field
    assert Group.objects.get(pk=group.pk).angles == []


def test_taken_apart_it_is_measured_as_any_opening(measurer: User) -> None:
    group = make_bay(measurer)
    bays.set_bay(group=group, corners=CORNERS, by=measurer)
    first = group.openings.first()

    services.ungroup(group=group, by=measurer)

    first.refresh_from_db()
    assert first.bay == {}
    assert first.units.live().get().order_width is None, "its own width was never read"


def test_a_copy_of_a_bays_opening_is_not_of_the_bay(measurer: User) -> None:
    group = make_bay(measurer)
    bays.set_bay(group=group, corners=CORNERS, by=measurer)

    copy = services.copy_opening(opening=group.openings.first(), by=measurer)

    assert copy.group is None
    assert group.openings.count() == 3


def test_walls_walked_the_other_way_are_another_bay(measurer: User) -> None:
    group = make_bay(measurer, walls=("30", "40", "50"))
    bays.set_bay(group=group, corners=[CornerRead("90"), CornerRead("150")], by=measurer)
    room = group.openings.first().room

    services.reorder_openings(room=room, openings=[one.pk for one in group.openings.order_by("-order")], by=measurer)

    now = list(group.openings.order_by("order"))
    assert [one.bay["right"]["ticks"] for one, _ in pairwise(now)] != []
    assert "90°" in now[0].bay["right"]["why"]
    assert now[0].units.live().get().order_width < Length.inches(48)
