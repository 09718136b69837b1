"""Rooms, openings and groups: what there is to cover, in the order it is walked."""

from __future__ import annotations

from typing import Any

import pytest

from jobs.models import Job
from measuring.models import FactConflict, Group, Opening, Room
from measuring.services import openings as opening_services
from measuring.services import readings, sizes
from measuring.services.openings import next_mark
from shared.errors import Refused
from shared.lengths import Length
from shared.models import AuditEntry, User
from tests.measuring.makers import INSIDE, make_job, make_opening, make_range

pytestmark = pytest.mark.django_db


@pytest.fixture
def job(dispatcher: User) -> Job:
    make_range(dispatcher.own_branch)
    return make_job(dispatcher)


@pytest.fixture
def room(job: Job, measurer: User) -> Room:
    return opening_services.add_room(job=job, name="Kitchen", by=measurer)


def test_a_room_is_there_once(job: Job, room: Room, measurer: User) -> None:
    assert opening_services.add_room(job=job, name=" Kitchen ", by=measurer) == room
    assert opening_services.add_room(job=job, name="Kitchen", floor="2", by=measurer) != room


@pytest.mark.parametrize(
    ("marks", "following"),
    [
        ([], "A"),
        (["A"], "B"),
        (["Z"], "AA"),
        (["A", "C"], "D"),  # after the last one, not into the gap
        (["W-204"], "W-205"),
        (["09"], "10"),
        (["A", "B", "A 1"], "A 2"),
        (["left"], "left 2"),
    ],
)
def test_the_next_mark_follows_the_last(room: Room, measurer: User, marks: list[str], following: str) -> None:
    for mark in marks:
        opening_services.add_opening(room=room, by=measurer, facts={"mark": mark})

    assert next_mark(room) == following


def test_a_mark_is_taken_once_a_room(room: Room, measurer: User) -> None:
    opening_services.add_opening(room=room, by=measurer, facts={"mark": "A"})

    with pytest.raises(Refused, match="has an opening A already") as refusal:
        opening_services.add_opening(room=room, by=measurer, facts={"mark": "A"})

    assert refusal.value.field == "mark"


def test_a_dropped_opening_gives_its_mark_back(room: Room, measurer: User) -> None:
    first = opening_services.add_opening(room=room, by=measurer)
    opening_services.drop_opening(opening=first, by=measurer, reason="walled up")

    assert opening_services.add_opening(room=room, by=measurer).mark == "A"


def test_new_openings_take_the_rooms_defaults(room: Room, measurer: User) -> None:
    opening_services.change_room(room=room, by=measurer, defaults={"product": "siskin", "substrate": "tile"})

    made = opening_services.add_opening(room=room, by=measurer, facts={"substrate": "wood"})

    assert made.product is not None
    assert (made.product.key, made.substrate) == ("siskin", "wood")


def test_a_copy_takes_facts_and_things_and_no_readings(job: Job, measurer: User) -> None:
    like = make_opening(job, measurer, substrate="masonry")
    readings.add_obstruction(opening=like, kind="sensor", projection="1/2", by=measurer)
    sizes.set_options_of_opening(opening=like, options={"colour": "oak"}, by=measurer)

    made = opening_services.copy_opening(opening=like, by=measurer)

    assert (made.mark, made.substrate, made.product) == ("B", "masonry", like.product)
    assert [thing.kind for thing in made.obstructions.all()] == ["sensor"]
    assert made.units.get().options["colour"] == "oak"
    assert not made.readings.exists()
    assert made.state == Opening.State.TO_MEASURE


def test_a_copy_takes_nothing_that_is_said_of_one_window_only(job: Job, measurer: User) -> None:
    """It took the handle, the note to the workroom and the motor's channel along."""
    own = {"handle_projection": "2", "handle_height": "38", "note": "cracked pane"}
    like = make_opening(job, measurer, family="roller", sill_projection="1", reach_height="96", **own)
    chosen = {"note": "customer's sample is in the box", "motor_channel": "4", "gap_strips": "yes"}
    sizes.set_options_of_opening(opening=like, options=chosen, by=measurer)

    made = opening_services.copy_opening(opening=like, by=measurer)

    assert (made.handle_projection, made.handle_height, made.note) == (None, None, "")
    assert (made.sill_projection, made.reach_height) == (Length.parse("1"), Length.parse("96"))
    assert made.units.get().options == {"gap_strips": "yes"}


def test_openings_are_walked_in_the_order_given(room: Room, measurer: User) -> None:
    first, second, third = (opening_services.add_opening(room=room, by=measurer) for _ in range(3))

    opening_services.reorder_openings(room=room, openings=[third.pk, first.pk], by=measurer)

    assert list(room.openings.order_by("order")) == [third, first, second]


@pytest.mark.parametrize(
    ("fact", "value", "words"),
    [
        ("mount", "sideways", "not known"),
        ("product", "no_such", "not in the range"),
        ("mark", "", "has a mark"),
        ("mark", "x" * 21, "21 characters"),
        ("handle_projection", "abc", "not a length"),
        ("reach_height", "1000", "too much"),
        ("units_wanted", "0", "0 units"),
        ("units_wanted", "many", "whole number"),
        ("split", "20 + abc", "not a length"),
        ("stops_on", {"left": {"on": "a wall"}}, "sill, a floor or a neighbour"),
        ("stops_on", {"up": {"on": "sill"}}, "no side"),
        ("colour", "red", "no such fact"),
    ],
)
def test_a_fact_that_is_not_fit_is_refused(room: Room, measurer: User, fact: str, value: Any, words: str) -> None:
    opening = opening_services.add_opening(room=room, by=measurer)

    with pytest.raises(Refused, match=words):
        opening_services.change_opening(opening=opening, by=measurer, facts={fact: value})


def test_a_stop_has_its_limit_rounded_down(room: Room, measurer: User) -> None:
    opening = opening_services.add_opening(room=room, by=measurer)

    changed = opening_services.change_opening(
        opening=opening, by=measurer, facts={"stops_on": {"left": {"on": "neighbour", "limit": "2 7/16"}}}
    )

    assert changed.stops_on == {"left": {"on": "neighbour", "limit": 2 * 8128 + 3 * 1016}}


def test_what_changed_is_in_the_trail(room: Room, measurer: User) -> None:
    opening = opening_services.add_opening(room=room, by=measurer)

    opening_services.change_opening(opening=opening, by=measurer, facts={"substrate": "tile"})

    entry = AuditEntry.objects.filter(action="changed the opening").get()
    assert entry.changes == {"substrate": ["unknown", "tile"]}


@pytest.mark.parametrize("take", [True, False])
def test_two_answers_are_settled_and_both_stay_readable(room: Room, measurer: User, take: bool) -> None:
    opening = opening_services.add_opening(room=room, by=measurer, facts={"substrate": "wood"})
    opening_services.change_opening(
        opening=opening, by=measurer, facts={"substrate": "tile"}, seen={"substrate": "masonry"}
    )
    conflict = FactConflict.objects.get()

    opening_services.settle_fact(conflict=conflict, take_offered=take, by=measurer)

    opening.refresh_from_db()
    conflict.refresh_from_db()
    assert opening.substrate == ("tile" if take else "wood")
    assert (conflict.standing, conflict.offered, conflict.took_offered) == ("wood", "tile", take)


def test_what_both_say_alike_is_no_conflict(room: Room, measurer: User) -> None:
    opening = opening_services.add_opening(room=room, by=measurer, facts={"substrate": "tile"})

    opening_services.change_opening(
        opening=opening, by=measurer, facts={"substrate": "tile"}, seen={"substrate": "wood"}
    )

    assert not FactConflict.objects.exists()


def test_a_released_opening_is_not_dropped(job: Job, measurer: User) -> None:
    opening = make_opening(job, measurer)
    opening.units.update(state="released")

    with pytest.raises(Refused, match="is released"):
        opening_services.drop_opening(opening=opening, by=measurer)


def test_an_opening_taken_up_again_is_measured_when_its_readings_are_there(job: Job, measurer: User) -> None:
    opening = make_opening(job, measurer)
    opening_services.mark_not_reached(opening=opening, by=measurer, reason="shelf")

    again = opening_services.take_up_again(opening=opening, by=measurer)

    assert again.state == Opening.State.MEASURED


# -- groups -----------------------------------------------------------------------------------


@pytest.mark.parametrize(("kind", "count", "field"), [("ring", 2, "kind"), ("bay", 1, "openings")])
def test_a_group_that_is_none_is_refused(
    job: Job, room: Room, measurer: User, kind: str, count: int, field: str
) -> None:
    openings = [opening_services.add_opening(room=room, by=measurer) for _ in range(count)]

    with pytest.raises(Refused) as refusal:
        opening_services.make_group(job=job, kind=kind, openings=openings, by=measurer)

    assert refusal.value.field == field
    assert not Group.objects.exists()


# -- from a list --------------------------------------------------------------------------------

LIST = "floor,room,mark,product\n2,201,A,siskin\n2,201,B,siskin\n3,301,A,\n"


def test_a_dry_run_writes_nothing(job: Job) -> None:
    plan = opening_services.read_opening_list(job=job, text=LIST)

    assert plan.is_good()
    assert [(row.floor, row.room, row.mark) for row in plan.new] == [
        ("2", "201", "A"),
        ("2", "201", "B"),
        ("3", "301", "A"),
    ]
    assert not Opening.objects.exists()


def test_a_list_is_loaded_once(job: Job, measurer: User) -> None:
    opening_services.load_openings(job=job, text=LIST, by=measurer)
    again = opening_services.load_openings(job=job, text=LIST, by=measurer)

    assert Opening.objects.filter(job=job).count() == 3
    assert again.new == []


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("mark\nA\n", "names the columns"),
        ("room,mark,colour\n1,A,red\n", "unknown columns: colour"),
        ("room,mark\n", "no openings"),
        ("room,mark\n201,A\n201,A\n", "line 3: the same as line 2"),
        ("room,mark\n201,\n", "line 2: a room and a mark"),
        ("room,mark,product\n201,A,velvet\n", "velvet is not in the range"),
        ("room,mark\n201,A,B,C\n", "more cells than columns"),
    ],
)
def test_a_bad_list_is_refused_whole(job: Job, measurer: User, text: str, words: str) -> None:
    with pytest.raises(Refused, match=words):
        opening_services.load_openings(job=job, text=text, by=measurer)

    assert not Opening.objects.exists()


def test_two_hundred_openings_load_in_one_go(job: Job, measurer: User) -> None:
    lines = [f"{n // 20},{n // 4},W-{n}" for n in range(200)]

    plan = opening_services.load_openings(job=job, text="floor,room,mark\n" + "\n".join(lines), by=measurer)

    assert len(plan.new) == 200
    assert Opening.objects.filter(job=job).count() == 200


def test_a_door_keeps_handle_and_swing(job: Job, measurer: User) -> None:
    opening = make_opening(
        job,
        measurer,
        readings=INSIDE,
        is_door=True,
        door_swing="in, left",
        handle_projection="2 1/4",
        handle_height="38",
    )

    assert opening.is_door
    assert opening.door_swing == "in, left"
