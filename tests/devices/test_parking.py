"""A fault of ours in a service: its entries are parked, run again by themselves, and each arrives once, in order."""

from __future__ import annotations

import datetime as dt
import threading
import uuid
from collections.abc import Callable
from typing import Any

import pytest
from django.db import OperationalError, connection
from django.utils import timezone

from installs.models import VisitUnit
from installs.services import stops
from jobs.models import Appointment
from measuring.models import MeasureVisit, Opening, Reading
from measuring.services import openings as opening_services
from measuring.services import readings
from shared.devices import entries
from shared.devices.models import DeviceEntry, ParkedEntry
from shared.errors import Refused
from shared.models import AuditEntry, Branch, User
from shared.tasks import retry_entries
from tests.devices.phone import Phone, fault, reading
from tests.factories import make_job as a_job
from tests.installs.makers import make_crew, make_unit, make_visit, stock_up
from tests.measuring.makers import INSIDE, inch

pytestmark = pytest.mark.django_db
Fault = Callable[..., Any]


@pytest.fixture
def stop(branch: Branch, dispatcher: User, installer: User) -> Appointment:
    stock_up(branch)
    job = a_job(branch, by=dispatcher)
    for _ in range(2):
        make_unit(job)
    return make_visit(job, make_crew(branch, installer, name="Hangers"))


@pytest.fixture
def later(monkeypatch: pytest.MonkeyPatch) -> Callable[..., None]:
    """``later(minutes=20)``: the sweep's clock goes on."""

    def go_on(**time: float) -> None:
        now = timezone.now() + dt.timedelta(**time)
        monkeypatch.setattr(entries.timezone, "now", lambda: now)

    return go_on


def trail(opening: Opening) -> list[tuple[str, str]]:
    rows = Reading.objects.filter(opening=opening).order_by("pk")
    return [(row.spot, row.value.text(row.opening.job.branch.unit)) for row in rows]


def test_ten_entries_over_a_fault_arrive_once_in_order_and_only_its_own_opening_waits(
    phone: Phone, openings: tuple[Opening, Opening], stop: Appointment, later: Callable[..., None]
) -> None:
    one, two = openings
    units = [row.unit_id for row in stop.visit_units.order_by("unit")]
    first = reading(phone, one, "depth", "3")
    parcel = [
        first,
        reading(phone, two, "depth", "3"),
        phone.entry("installs.arrived", appointment=stop.pk),
        phone.entry("facts", opening=str(one.uid), facts={"substrate": "tile"}, seen={"substrate": "wood"}),
        phone.entry("installs.installed", appointment=stop.pk, unit=units[0]),
        reading(phone, one, "depth", "3 1/2", seen=first["id"]),  # right only after the first one
        reading(phone, two, "widths.top", "35"),
        phone.entry("installs.not_installed", appointment=stop.pk, unit=units[1], cause="size.too_long"),
        phone.entry("same", reading=first["id"]),  # superseded by then: refused
        phone.entry("installs.undo", appointment=stop.pk, unit=units[0]),
    ]
    at = [dt.datetime.fromisoformat(entry["done_at"]) for entry in parcel]

    with (
        fault(readings, "record_reading", lambda said: said["opening"].pk == one.pk),
        fault(stops, "mark_installed"),
    ):
        replies = phone.send(*parcel)
        assert phone.send(*parcel) == replies
        later(minutes=1)
        assert retry_entries() == 0

    assert [reply["status"] for reply in replies] == [202, 200, 200, 202, 202, 202, 200, 202, 202, 202]
    assert trail(one) == []
    assert trail(two) == [("depth", "3"), ("widths.top", "35")]
    assert set(VisitUnit.objects.values_list("outcome", flat=True)) == {VisitUnit.Outcome.TO_DO}
    later(minutes=20)
    assert retry_entries() == 7
    assert retry_entries() == 0

    assert trail(one) == [("depth", "3"), ("depth", "3 1/2")]
    assert Reading.objects.get(uid=first["id"]).taken_at == at[0]
    one.refresh_from_db()
    assert one.substrate == "tile"
    assert list(VisitUnit.objects.order_by("unit").values_list("outcome", flat=True)) == ["to_do", "not_installed"]
    assert VisitUnit.objects.get(unit=units[1]).marked_at == at[7]
    asked = answers(phone, *[entry["id"] for entry in parcel])
    assert [asked[entry["id"]]["status"] for entry in parcel] == [200] * 8 + [409, 200]
    assert phone.send(*parcel)[0]["reply"]["reading"] == first["id"]
    assert [row.position for row in DeviceEntry.objects.order_by("pk")] == list(range(1, 11))


def answers(phone: Phone, *ids: str) -> dict[str, dict[str, Any]]:
    answer = phone.client.post("/api/field/entries/", {"entries": [], "asks": ids}, format="json")
    assert answer.status_code == 200, answer.content
    return {row["id"]: row for row in answer.json()["asked"]}


def test_the_next_parcel_of_the_phone_brings_what_was_parked_along(
    phone: Phone, openings: tuple[Opening, Opening]
) -> None:
    one, two = openings
    with fault(readings, "record_reading"):
        parked = phone.send(reading(phone, one, "depth", "3"))[0]

    phone.send(reading(phone, two, "depth", "4"))

    assert parked["status"] == 202
    assert trail(one) == [("depth", "3")]
    assert ParkedEntry.objects.get().body == {}


def test_a_phone_that_only_asks_brings_along_what_is_due(
    phone: Phone, openings: tuple[Opening, Opening], later: Callable[..., None]
) -> None:
    with fault(readings, "record_reading"):
        parked = phone.send(reading(phone, openings[0], "depth", "3"))[0]

    early = answers(phone, parked["id"])
    later(seconds=20)
    due = answers(phone, parked["id"])

    assert early[parked["id"]]["status"] == 202
    assert due[parked["id"]]["status"] == 200


def test_a_fault_is_logged_with_its_trace_and_tried_ever_less_often(
    phone: Phone, openings: tuple[Opening, Opening], later: Callable[..., None], caplog: pytest.LogCaptureFixture,
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    monkeypatch.setattr(entries.log, "propagate", True)
    waits = []
    with fault(readings, "record_reading"):
        phone.send(reading(phone, openings[0], "depth", "3"))
        for _ in range(8):
            row = ParkedEntry.objects.get()
            assert row.next_at
            assert row.failed_at
            waits.append((row.next_at - row.failed_at).total_seconds())
            later(seconds=(row.next_at - dt.datetime.now(dt.UTC)).total_seconds() + 1)
            retry_entries()

    assert waits == [15, 30, 60, 120, 240, 480, 600, 600]
    assert ParkedEntry.objects.get().tries == 9
    assert "KeyError: 'grid'" in caplog.text
    assert "record_reading" in caplog.text


def test_a_refusal_of_a_parked_entry_is_what_the_phone_hears(
    phone: Phone, openings: tuple[Opening, Opening], later: Callable[..., None]
) -> None:
    with fault(readings, "record_reading"):
        parked = phone.send(reading(phone, openings[0], "depth", "1000"))[0]

    later(minutes=1)
    retry_entries()

    answer = answers(phone, parked["id"])[parked["id"]]
    assert (answer["status"], answer["reply"]["field"]) == (409, "depth")
    assert ParkedEntry.objects.get().body["typed"] == "1000"


def test_another_body_under_a_parked_id_is_refused(phone: Phone, openings: tuple[Opening, Opening]) -> None:
    entry = reading(phone, openings[0], "depth", "3")
    with fault(readings, "record_reading"):
        phone.send(entry)
        reply = phone.send({**entry, "body": {**entry["body"], "typed": "4"}})[0]

    assert reply["status"] == 422


def test_a_phone_that_registers_anew_hears_of_what_was_parked_before(
    phone: Phone, openings: tuple[Opening, Opening], dispatcher: User
) -> None:
    entry = reading(phone, openings[0], "depth", "3")
    again = Phone(dispatcher)
    with fault(readings, "record_reading"):
        phone.send(entry)
        assert again.send(entry)[0]["status"] == 202

    again.place = 1
    again.send(reading(again, openings[1], "depth", "3"))

    assert again.send(entry)[0]["status"] == 200
    assert trail(openings[0]) == [("depth", "3")]


def test_a_database_that_is_busy_is_for_the_phone_to_send_again(
    phone: Phone, openings: tuple[Opening, Opening], monkeypatch: pytest.MonkeyPatch
) -> None:
    def locked(**_: Any) -> None:
        raise OperationalError("database is locked")

    before = reading(phone, openings[1], "depth", "3")
    again, entry = phone.entry("same", reading=before["id"]), reading(phone, openings[0], "depth", "3")
    with monkeypatch.context() as patch:
        patch.setattr(readings, "confirm_reading", locked)
        answer = phone.client.post("/api/field/entries/", {"entries": [before, again, entry]}, format="json")

    assert answer.status_code == 503
    assert DeviceEntry.objects.count() == 1
    assert not ParkedEntry.objects.exists()
    assert [reply["status"] for reply in phone.send(before, again, entry)] == [200, 200, 200]


# -- the order of each kind ------------------------------------------------------------------


def test_a_close_out_waits_for_everything_of_its_visit(
    phone: Phone, visit: MeasureVisit, openings: tuple[Opening, Opening], later: Callable[..., None]
) -> None:
    two = openings[1]
    rows = [reading(phone, opening, at, typed) for opening in openings for at, typed in INSIDE.items()]
    close = phone.entry("close", appointment=visit.appointment_id)
    with fault(readings, "record_reading", lambda said: said["opening"].pk == two.pk and said["spot"] == "depth"):
        replies = phone.send(*rows, close)

    assert [reply["status"] for reply in replies] == [200] * 13 + [202, 202]
    later(minutes=1)
    retry_entries()
    visit.refresh_from_db()
    assert visit.closed_at == dt.datetime.fromisoformat(close["done_at"])
    assert answers(phone, close["id"])[close["id"]]["reply"] == {"outcome": MeasureVisit.Outcome.WHOLE}


def test_what_is_done_in_a_room_and_an_opening_that_are_parked_follows_them(
    phone: Phone, visit: MeasureVisit, openings: tuple[Opening, Opening], later: Callable[..., None]
) -> None:
    key, room, first, second = visit.appointment_id, *(str(uuid.uuid4()) for _ in range(3))
    parcel = [
        phone.entry("room", appointment=key, room=room, name="Den"),
        phone.entry("room_defaults", room=room, defaults={"substrate": "tile"}),
        phone.entry("opening", appointment=key, room=room, room_name="Den", opening=first, facts={"mark": "A"}),
        phone.entry("facts", opening=first, facts={"product": "dunlin_wood", "mount": "inside"}),
        read := phone.entry("reading", opening=first, spot="depth", typed="3", seen=None),
        phone.entry("same", reading=read["id"]),
        phone.entry("copy", appointment=key, opening=first, copy=second, mark="B"),
        phone.entry("order", room=room, openings=[second, first]),
        phone.entry("reading", opening=second, spot="depth", typed="4", seen=None),
        reading(phone, openings[0], "depth", "5"),
    ]

    with fault(opening_services, "add_room"):
        replies = phone.send(*parcel)

    assert [reply["status"] for reply in replies] == [202] * 9 + [200]
    where = ParkedEntry.objects.order_by("-pk").values_list("where", flat=True)
    assert all(text.startswith(f"{visit.appointment.job.number} Ida Marl") and "Den" in text for text in where)
    later(minutes=1)
    assert retry_entries() == 9
    assert set(DeviceEntry.objects.values_list("reply_status", flat=True)) == {200}
    made = Opening.objects.filter(room__uid=room).order_by("order")
    assert [str(one.uid) for one in made] == [second, first]
    assert {one.substrate for one in made} == {"tile"}
    assert Reading.objects.get(uid=read["id"]).confirmed_at is not None


def test_what_is_changed_after_a_parked_copy_does_not_get_into_it(
    phone: Phone, visit: MeasureVisit, openings: tuple[Opening, Opening], later: Callable[..., None]
) -> None:
    one, copy = openings[0], str(uuid.uuid4())
    with fault(opening_services, "copy_opening"):
        replies = phone.send(
            phone.entry("copy", appointment=visit.appointment_id, opening=str(one.uid), copy=copy),
            phone.entry("facts", opening=str(one.uid), facts={"substrate": "tile"}),
            phone.entry("photo", opening=copy, data="nothing"),
        )

    assert [reply["status"] for reply in replies] == [202, 202, 202]
    later(minutes=1)
    retry_entries()
    assert Opening.objects.get(uid=copy).substrate == one.substrate
    assert Opening.objects.get(pk=one.pk).substrate == "tile"


def test_where_it_can_not_be_told_what_an_entry_is_about_all_of_its_phone_waits(
    phone: Phone, openings: tuple[Opening, Opening], later: Callable[..., None]
) -> None:
    from measuring.api import subjects

    with fault(readings, "record_reading"), pytest.MonkeyPatch.context() as patch:
        patch.setattr(subjects, "_of_opening", lambda uid: {}["job"])
        first = phone.send(reading(phone, openings[0], "depth", "3"))[0]
    with fault(readings, "record_reading", lambda said: said["opening"].pk == openings[0].pk):
        second = phone.send(reading(phone, openings[1], "depth", "3"))[0]

    assert (first["status"], second["status"]) == (202, 202)
    later(minutes=1)
    assert retry_entries() == 2


# -- two workers, and one that dies ----------------------------------------------------------


@pytest.mark.django_db(transaction=True)
def test_two_workers_take_a_parked_entry_once(phone: Phone, openings: tuple[Opening, Opening]) -> None:
    with fault(readings, "add_obstruction"):
        body = {"opening": str(openings[0].uid), "kind": "crank", "projection": "1"}
        phone.send(phone.entry("obstruction", **body), phone.entry("obstruction", **body))
    both, settled = threading.Barrier(2), []

    def work() -> None:
        both.wait()
        settled.append(entries.retry(hurry=True))
        connection.close()

    threads = [threading.Thread(target=work) for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    entries.retry(hurry=True)

    assert openings[0].obstructions.count() == 2
    assert not ParkedEntry.objects.unsettled().exists()
    assert AuditEntry.objects.filter(action="recorded something in the way").count() == 2


# -- what the office does ---------------------------------------------------------------------


def test_the_office_is_told_after_an_hour(parked: list[ParkedEntry], dispatcher: User, stranger: User) -> None:
    now = timezone.now()

    assert entries.untaken(dispatcher, now + dt.timedelta(minutes=59)) == []
    found = entries.untaken(dispatcher, now + dt.timedelta(minutes=61))
    assert [(one.row.pk, one.title, one.behind) for one in found] == [(parked[0].pk, "a reading", 2)]
    assert found[0].row.where.endswith("Kitchen A")
    assert entries.untaken(stranger, now + dt.timedelta(hours=2)) == []


def test_a_dropped_entry_reads_as_refused_and_what_waited_goes_on(
    parked: list[ParkedEntry], phone: Phone, openings: tuple[Opening, Opening], dispatcher: User,
    django_capture_on_commit_callbacks: Any,
) -> None:  # fmt: skip
    with django_capture_on_commit_callbacks(execute=True):
        entries.drop(parked=parked[0], by=dispatcher, reason="read it to the office by phone")

    asked = answers(phone, *[str(row.entry.entry_id) for row in parked])
    assert [row["status"] for row in asked.values()] == [409, 200, 200]
    assert asked[str(parked[0].entry.entry_id)]["reply"]["problem"] == (
        "the office dropped it: read it to the office by phone"
    )
    assert trail(openings[0]) == [("widths.top", "35"), ("widths.middle", "35")]
    assert ParkedEntry.objects.get(pk=parked[0].pk).body["typed"] == "3"
    assert AuditEntry.objects.filter(action="dropped an entry of a phone", by=dispatcher).exists()


@pytest.mark.parametrize(("reason", "bound"), [("  ", ""), ("x" * 241, "at most 240")])
def test_an_entry_is_dropped_for_a_reason(parked: list[ParkedEntry], dispatcher: User, reason: str, bound: str) -> None:
    with pytest.raises(Refused) as refused:
        entries.drop(parked=parked[0], by=dispatcher, reason=reason)

    assert (refused.value.field, refused.value.bound) == ("reason", bound)


def test_what_was_taken_meanwhile_is_not_dropped(
    parked: list[ParkedEntry], dispatcher: User, openings: tuple[Opening, Opening]
) -> None:
    ParkedEntry.objects.filter(pk=parked[0].pk).update(settled_at=timezone.now())

    with pytest.raises(Refused, match="not waiting any more"):
        entries.drop(parked=parked[0], by=dispatcher, reason="too late")


def test_trying_again_brings_along_what_waits_behind(
    phone: Phone, openings: tuple[Opening, Opening], dispatcher: User
) -> None:
    with fault(readings, "record_reading", lambda said: said["spot"] == "depth"):
        phone.send(reading(phone, openings[0], "depth", "3"), reading(phone, openings[0], "widths.top", "35"))
        row = ParkedEntry.objects.earliest("pk")
        assert not entries.try_again(parked=row, by=dispatcher)

    assert entries.try_again(parked=row, by=dispatcher)
    assert trail(openings[0]) == [("depth", "3"), ("widths.top", "35")]
    assert openings[0].readings.get(spot="depth").value == inch("3")


def test_what_is_made_too_long_ago_waits_for_the_office_and_what_follows_waits_behind_it(
    phone: Phone, openings: tuple[Opening, Opening], dispatcher: User
) -> None:
    """A phone found in a drawer wrote weeks-old readings over those that stand."""
    one, other = openings
    old = reading(phone, one, "depth", "3") | {"done_at": (timezone.now() - dt.timedelta(days=15)).isoformat()}

    replies = phone.send(old, reading(phone, one, "widths.top", "35"), reading(phone, other, "widths.top", "36"))

    assert [reply["status"] for reply in replies] == [202, 202, 200]
    assert entries.retry(hurry=True) == 0
    assert not one.readings.exists()
    (asked,) = entries.untaken(dispatcher)
    assert (asked.row.needs_yes, asked.behind) == (True, 1)
    assert entries.try_again(parked=asked.row, by=dispatcher)
    assert [row.spot for row in one.readings.order_by("taken_at")] == ["depth", "widths.top"]
