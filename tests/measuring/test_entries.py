"""Entries a phone made without signal: each once, in order, nothing lost."""

from __future__ import annotations

import base64
import threading
import uuid
from typing import Any

import pytest

from measuring.models import FactConflict, MeasureVisit, Opening, Reading, Room
from measuring.services import visits as services
from shared.devices import receiver
from shared.devices.models import DeviceEntry, FieldDevice
from shared.models import User
from tests.devices.phone import Phone
from tests.measuring.makers import INSIDE, inch, make_appointment, make_job, make_opening, make_tape
from tests.measuring.test_readings import a_photo

pytestmark = pytest.mark.django_db


@pytest.fixture
def phone(measurer: User) -> Phone:
    return Phone(measurer)


@pytest.fixture
def visit(measurer: User, dispatcher: User) -> MeasureVisit:
    appointment = make_appointment(make_job(dispatcher), dispatcher, measurer)
    return services.open_visit(appointment=appointment, by=measurer)


@pytest.fixture
def opening(visit: MeasureVisit, measurer: User) -> Opening:
    return make_opening(visit.appointment.job, measurer, visit=visit, readings={})


def test_a_whole_visit_arrives_in_one_parcel(phone: Phone, dispatcher: User, measurer: User) -> None:
    appointment = make_appointment(make_job(dispatcher), dispatcher, measurer)
    make_opening(make_job(dispatcher), dispatcher, readings={})  # loads the range
    room, opening = str(uuid.uuid4()), str(uuid.uuid4())
    facts = {"product": "dunlin_wood", "mount": "inside", "mark": "A"}
    parcel = [
        phone.entry("begin", appointment=appointment.pk),
        phone.entry("room", appointment=appointment.pk, room=room, name="Kitchen"),
        phone.entry(
            "opening", appointment=appointment.pk, room=room, room_name="Kitchen", opening=opening, facts=facts
        ),
    ]
    parcel += [phone.entry("reading", opening=opening, spot=at, typed=typed, seen=None) for at, typed in INSIDE.items()]
    parcel.append(phone.entry("close", appointment=appointment.pk))

    replies = phone.send(*parcel)

    assert [reply["status"] for reply in replies] == [200] * len(parcel)
    made = Opening.objects.get(uid=opening)
    assert made.state == Opening.State.MEASURED
    assert made.units.get().order_width == inch("35 3/8")
    assert MeasureVisit.objects.get(appointment=appointment).is_closed()


def test_a_repeat_gets_the_same_reply_and_does_nothing(phone: Phone, opening: Opening) -> None:
    entry = phone.entry("reading", opening=str(opening.uid), spot="depth", typed="3", seen=None)
    first = phone.send(entry)

    again = phone.send(entry)

    assert again == first
    assert Reading.objects.filter(opening=opening).count() == 1
    assert DeviceEntry.objects.count() == 1


def test_a_reading_kept_under_its_old_name_is_taken_and_known_again_as_it_came(phone: Phone, opening: Opening) -> None:
    old = phone.entry("reading", opening=str(opening.uid), place="depth", typed="3", seen=None)

    first, again = phone.send(old), phone.send(old)
    renamed = phone.send({**old, "body": {"spot" if key == "place" else key: of for key, of in old["body"].items()}})

    assert first[0]["status"] == 200
    assert again == first
    assert renamed[0]["status"] == 422  # the hash is of what arrived
    assert Reading.objects.get(opening=opening).spot == "depth"


def test_the_same_id_with_another_body_is_refused(phone: Phone, opening: Opening) -> None:
    entry = phone.entry("reading", opening=str(opening.uid), spot="depth", typed="3", seen=None)
    phone.send(entry)

    reply = phone.send({**entry, "body": {**entry["body"], "typed": "4"}})[0]

    assert reply["status"] == 422
    assert Reading.objects.get(opening=opening).value == inch("3")


def test_a_phone_that_registers_anew_does_nothing_twice(phone: Phone, opening: Opening, measurer: User) -> None:
    entry = phone.entry("reading", opening=str(opening.uid), spot="depth", typed="3", seen=None)
    first = phone.send(entry)

    again = Phone(measurer).send(entry)

    assert again == first
    assert Reading.objects.filter(opening=opening).count() == 1


def test_an_entry_before_its_turn_is_sent_back_and_done_later(phone: Phone, opening: Opening) -> None:
    first = phone.entry("reading", opening=str(opening.uid), spot="depth", typed="3", seen=None)
    second = phone.entry("reading", opening=str(opening.uid), spot="widths.top", typed="35", seen=None)

    early = phone.send(second)
    replies = phone.send(first, second)

    assert (early[0]["status"], early[0]["reply"]["expected"]) == (409, 1)
    assert [reply["status"] for reply in replies] == [200, 200]


def test_a_refused_entry_does_not_hold_up_the_next(phone: Phone, opening: Opening) -> None:
    bad = phone.entry("reading", opening=str(opening.uid), spot="depth", typed="1000", seen=None)
    good = phone.entry("reading", opening=str(opening.uid), spot="depth", typed="3", seen=None)

    replies = phone.send(bad, good)

    assert [reply["status"] for reply in replies] == [409, 200]
    assert replies[0]["reply"]["field"] == "depth"
    assert "600" in replies[0]["reply"]["bound"]


@pytest.mark.parametrize(
    ("body", "status"),
    [
        ({"opening": "nonsense", "spot": "depth", "typed": "3"}, 400),  # no UUID
        ({"spot": "depth", "typed": "3"}, 400),  # a field is missing
        ({"opening": str(uuid.uuid4()), "place": "depth", "typed": "3"}, 404),  # no such opening
    ],
)
def test_what_can_not_be_read_is_told_and_kept_in_its_place(phone: Phone, body: dict[str, Any], status: int) -> None:
    assert phone.do("reading", **body)["status"] == status
    assert phone.do("nonsense")["status"] == 400
    assert DeviceEntry.objects.count() == 2


@pytest.mark.parametrize(
    "sent",
    [
        {},
        {"id": "x"},
        {"id": str(uuid.uuid4()), "place": 0, "body": {}, "done_at": "2026-01-01T00:00:00Z"},
        {"id": str(uuid.uuid4()), "place": True, "body": {}, "done_at": "2026-01-01T00:00:00Z"},
        {"id": str(uuid.uuid4()), "place": 1, "body": [], "done_at": "2026-01-01T00:00:00Z"},
        {"id": str(uuid.uuid4()), "place": 1, "body": {}, "done_at": "yesterday"},
        {"id": str(uuid.uuid4()), "place": 1, "body": {}, "done_at": "2026-13-01T00:00:00Z"},
        "a string",
    ],
)
def test_an_entry_without_its_form_is_a_bad_request(phone: Phone, sent: Any) -> None:
    assert phone.send(sent)[0]["status"] == 400
    assert DeviceEntry.objects.count() == 0


def test_two_phones_on_one_opening_lose_nothing(
    phone: Phone, opening: Opening, measurer: User, dispatcher: User
) -> None:
    other = Phone(dispatcher)
    uid = str(opening.uid)

    mine = phone.do("reading", opening=uid, spot="depth", typed="3", seen=None)
    theirs = other.do("reading", opening=uid, spot="depth", typed="3 1/2", seen=None)
    phone.do("facts", opening=uid, facts={"substrate": "wood"}, seen={"substrate": "wood"})
    phone.do("facts", opening=uid, facts={"substrate": "tile"}, seen={"substrate": "wood"})
    other.do("facts", opening=uid, facts={"substrate": "masonry"}, seen={"substrate": "wood"})

    assert (mine["reply"]["conflict"], theirs["reply"]["conflict"]) == (False, True)
    assert {str(one.value) for one in opening.readings.filter(superseded_at=None)} == {"3 in", "3 1/2 in"}
    conflict = FactConflict.objects.get()
    assert (conflict.standing, conflict.offered) == ("tile", "masonry")


def test_two_readings_settled_from_a_phone(phone: Phone, opening: Opening, dispatcher: User) -> None:
    uid = str(opening.uid)
    phone.do("reading", opening=uid, spot="depth", typed="3", seen=None)
    theirs = Phone(dispatcher).do("reading", opening=uid, spot="depth", typed="3 1/2", seen=None)

    reply = phone.do("keep", reading=theirs["reply"]["reading"])

    assert reply["status"] == 200
    assert opening.readings.get(superseded_at=None).value == inch("3 1/2")


def test_a_phone_may_correct_its_own_reading_offline(phone: Phone, opening: Opening) -> None:
    first = phone.entry("reading", opening=str(opening.uid), spot="depth", typed="3", seen=None)
    second = phone.entry("reading", opening=str(opening.uid), spot="depth", typed="3 1/2", seen=first["id"])

    replies = phone.send(first, second)

    assert [reply["reply"]["conflict"] for reply in replies] == [False, False]
    assert opening.readings.get(superseded_at=None).value == inch("3 1/2")


def test_two_phones_that_add_an_opening_get_two_marks(phone: Phone, visit: MeasureVisit, dispatcher: User) -> None:
    room = str(uuid.uuid4())
    body = {"appointment": visit.appointment_id, "room_name": "Hall", "facts": {"mark": "A"}}

    phone.do("opening", **body, room=room, opening=str(uuid.uuid4()))
    reply = Phone(dispatcher).do("opening", **body, room=str(uuid.uuid4()), opening=str(uuid.uuid4()))

    assert reply["reply"]["renamed"] == "B"
    assert Room.objects.filter(job=visit.appointment.job, name="Hall").count() == 1


def test_a_photo_comes_along(phone: Phone, opening: Opening) -> None:
    data = base64.b64encode(a_photo(80, 60)).decode()

    reply = phone.do("photo", opening=str(opening.uid), data=data, caption="sill")

    assert reply["status"] == 200
    assert opening.photos.get().caption == "sill"


@pytest.mark.parametrize("data", ["%%%", base64.b64encode(b"no picture").decode()])
def test_a_photo_that_is_none_is_refused(phone: Phone, opening: Opening, data: str) -> None:
    reply = phone.do("photo", opening=str(opening.uid), data=data)

    assert (reply["status"], reply["reply"]["field"]) == (409, "photo")


def test_every_kind_of_entry_is_done(phone: Phone, visit: MeasureVisit, opening: Opening, measurer: User) -> None:
    uid, tape = str(opening.uid), make_tape(measurer)
    copy = str(uuid.uuid4())
    read = phone.do("reading", opening=uid, spot="depth", typed="3", with_case=True, tape=tape.pk, seen=None)
    thing = phone.do("obstruction", opening=uid, kind="crank", projection="1", at="head", side="left")

    statuses = [
        phone.do("begin", appointment=visit.appointment_id, tape=tape.pk)["status"],
        phone.do("same", reading=read["reply"]["reading"])["status"],
        phone.do("clear", obstruction=thing["reply"]["obstruction"])["status"],
        phone.do("options", opening=uid, options={"colour": "oak"})["status"],
        phone.do("copy", appointment=visit.appointment_id, opening=uid, copy=copy)["status"],
        phone.do("order", room=str(opening.room.uid), openings=[copy, uid])["status"],
        phone.do("room_defaults", room=str(opening.room.uid), defaults={"substrate": "tile"})["status"],
        phone.do("state", opening=copy, to="not_reached", reason="behind a shelf")["status"],
        phone.do("state", opening=copy, to="again")["status"],
        phone.do("state", opening=copy, to="cannot", reason="no frame")["status"],
        phone.do("back", reading=read["reply"]["reading"])["status"],
        phone.do("state", opening=uid, to="drop")["status"],
        phone.do("close", appointment=visit.appointment_id)["status"],
        phone.do("close", appointment=visit.appointment_id)["status"],
    ]

    assert statuses == [200] * 14
    assert {kind.removeprefix("measuring.") for kind in receiver.kinds() if kind.startswith("measuring.")} >= {
        "begin", "room", "opening", "reading", "close", "facts", "photo", "settle", "keep",
    }  # fmt: skip


# -- permissions ----------------------------------------------------------------------------------


def test_a_revoked_phone_is_refused(phone: Phone, measurer: User) -> None:
    receiver.revoke_device(device=phone.device, by=measurer)

    answer = phone.client.post("/api/field/entries/", {"entries": []}, format="json")

    assert answer.status_code == 401


def test_a_phone_outlives_the_session(phone: Phone, measurer: User) -> None:
    measurer.set_password("another word altogether")
    measurer.save()

    assert phone.client.get("/api/field/day/").status_code == 200


def test_a_closed_account_closes_its_phones(phone: Phone, measurer: User) -> None:
    measurer.is_active = False
    measurer.save()

    assert phone.client.get("/api/field/day/").status_code == 401


def test_a_session_alone_sends_no_entries(api_as: Any, measurer: User) -> None:
    answer = api_as(measurer).post("/api/field/entries/", {"entries": []}, format="json")

    assert answer.status_code in {401, 403}


def test_a_session_registers_a_phone_and_its_token_is_not_kept(api_as: Any, measurer: User) -> None:
    answer = api_as(measurer).post("/api/field/devices/", {"name": "blue"}, format="json")

    assert answer.status_code == 201
    token = answer.json()["token"]
    device = FieldDevice.objects.get(pk=answer.json()["id"])
    assert token not in device.token_hash
    assert receiver.device_of(token) == device


@pytest.mark.parametrize("role", ["workroom", "installer", "stranger"])
def test_a_phone_does_no_more_than_its_person(cast: dict[str, User], opening: Opening, role: str) -> None:
    reply = Phone(cast[role]).do("reading", opening=str(opening.uid), spot="depth", typed="3", seen=None)

    assert reply["status"] in {403, 404}
    assert not opening.readings.exists()


def test_the_day_has_what_measuring_needs(phone: Phone, visit: MeasureVisit, opening: Opening) -> None:
    day = phone.client.get("/api/field/day/").json()

    assert [one["appointment"] for one in day["visits"]] == [visit.appointment_id]
    one = day["visits"][0]["openings"][0]
    assert one["uid"] == str(opening.uid)
    assert one["facts"]["product"] == "dunlin_wood"
    assert {"fit", "choices", "family"} <= day["products"][0].keys()


def test_the_day_shows_no_other_crews_visit(visit: MeasureVisit, branch: Any) -> None:
    from tests.factories import make_user

    other = Phone(make_user("measurer", branch=branch))

    assert other.client.get("/api/field/day/").json()["visits"] == []


@pytest.mark.django_db(transaction=True)
def test_the_same_parcel_twice_at_once_is_done_once(phone: Phone, opening: Opening) -> None:
    from django.db import connection

    entry = phone.entry("reading", opening=str(opening.uid), spot="depth", typed="3", seen=None)
    replies: list[Any] = []

    def send() -> None:
        replies.append(receiver.take_in(device=phone.device, sent=entry))
        connection.close()

    threads = [threading.Thread(target=send) for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()

    assert [reply["status"] for reply in replies] == [200, 200]
    assert Reading.objects.filter(opening=opening).count() == 1
