"""
Queues whose end is worked out by hand, in one file: the phone and the office must both come to it.

``phone_cases.json`` holds the entries, each opening named ``@A``, each reading ``@r1`` where another entry
speaks of it, and what must stand at the end: state, size, gaps, and those findings that the case is about.
"""

from __future__ import annotations

import json
import uuid
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from measuring.adapters.summaries import options_to_choose
from measuring.models import Opening
from measuring.rules.families import FAMILIES, MOUNTS
from measuring.rules.range import starting_rows
from measuring.rules.visit import GAPS
from measuring.services import visits as services
from measuring.services.bays import CornerRead, set_bay
from measuring.services.openings import copied_uid, make_group
from shared.devices.receiver import kinds
from shared.lengths import parse_length
from shared.models import User
from tests.agreement.phone_people import PHOTO
from tests.agreement.phones import Pages, Phone, entry, office_values, pages
from tests.factories import make_branch, make_user
from tests.measuring.makers import make_appointment, make_job, make_range, make_tape

pytestmark = [pytest.mark.django_db, pytest.mark.browser]
CASES: list[dict[str, Any]] = json.loads((Path(__file__).parent / "phone_cases.json").read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def page(chromium: Any) -> Iterator[Pages]:
    with pages(chromium) as found:
        yield found


def named(value: Any, names: dict[str, Any]) -> Any:
    """
    The value with every ``@name`` in it made the thing it stands for, a uid where it is nothing else.

    ``@B^@crank`` is what the copy ``@B`` calls the thing that its opening calls ``@crank``.
    """
    if isinstance(value, str) and "^" in value:
        return str(copied_uid(*(uuid.UUID(named(one, names)) for one in value.split("^"))))
    if isinstance(value, str) and value.startswith("@"):
        return names.setdefault(value, str(uuid.uuid4()))
    if isinstance(value, dict):
        return {key: named(one, names) for key, one in value.items()}
    return [named(one, names) for one in value] if isinstance(value, list) else value


def entries_of(case: dict[str, Any], names: dict[str, Any], sent: str = "entries") -> list[dict[str, Any]]:
    """The case's queue; an opening goes into the kitchen, a reading replaces what stands."""
    visit = {"appointment": names["@visit"]}
    out = [entry("begin", {**visit, "tape": names["@tape"]})] if sent == "entries" and case.get("begun", True) else []
    standing: dict[tuple[str, str, int], str] = {}
    for kind, body, *more in one_by_one(case.get(sent, ())):
        made = entry(kind, named(body, names), named(more[0], names) if more else "")
        given = made["body"]
        if kind in ("on_the_way", "arrived", "opening", "copy", "close", "not_measured", "room", "taken_back", "begin"):
            given.update(visit)
        if kind == "opening":
            made["body"] = given = {"room": names["@kitchen"], "room_name": "Kitchen", "floor": "", **given}
            given["facts"] = {"mark": "A", **given["facts"]}
        if kind == "reading":
            at = (given["opening"], given["spot"], given.setdefault("turn", 1))
            given.setdefault("seen", standing.get(at))
            standing[at] = made["id"]
        out.append(made)
    return out


def one_by_one(entries: list[Any]) -> Iterator[Any]:
    """The entries, ``read`` being a reading a spot."""
    for kind, body, *more in entries:
        if kind != "read":
            yield [kind, body, *more]
            continue
        for spot, typed in body["readings"].items():
            yield ["reading", {"opening": body["opening"], "spot": spot, "typed": typed}]


@pytest.fixture(scope="module")
def people(module_rows: None) -> tuple[int, int]:
    """The keys of a dispatcher and a measurer of a branch with the starting range."""
    branch = make_branch()
    make_range(branch)
    return make_user("dispatcher", branch=branch).pk, make_user("measurer", branch=branch).pk


@pytest.fixture
def played(page: Pages, people: tuple[int, int], db: None, case: dict[str, Any]) -> dict[str, Any]:
    """The case on the phone, not sent yet, and at the office; ``fetched`` is what the phone shows of the office's."""
    dispatcher, measurer = (User.objects.get(pk=key) for key in people)
    appointment = make_appointment(make_job(dispatcher, **case.get("job", {})), dispatcher, measurer)
    names = {"@visit": appointment.pk, "@tape": make_tape(measurer).pk, "@photo": PHOTO}
    names["@kitchen"] = str(uuid.uuid4())
    phone, refused = Phone(measurer), []
    for sent in ("entries", "later") if "later" in case else ("entries",):
        day = phone.day()
        names["@conflict"] = next((one["id"] for one in day["visits"][0]["openings"] for one in one["conflicts"]), 0)
        queue = entries_of(case, names, sent)
        shown = page.play(day, queue)["after"]
        replies = phone.send(queue)
        pairs = zip(queue, replies, strict=True)
        refused += [one["kind"].partition(".")[2] for one, reply in pairs if reply["status"] >= 400]

    office = {str(row.uid): office_values(row) for row in Opening.objects.filter(job=appointment.job)}
    fetched = page.shown(phone.day())
    sides = {"phone": shown["openings"], "office": office, "fetched": fetched["openings"]}
    visits = [one["visits"][str(appointment.pk)] for one in (shown, fetched)]
    rows = services.openings_of(appointment.measure_visit) if hasattr(appointment, "measure_visit") else []
    lacking = {str(one.uid): names for one, names in options_to_choose(rows)}
    for shows in (shown, fetched):
        said = {uid: one["lacking"] for uid, one in shows["openings"].items() if one["lacking"]}
        assert {uid: names for uid, names in said.items() if uid in {str(one.uid) for one in rows}} == lacking
    shorts = [one["short"] for one in visits] + [services.short_of(appointment.job)]
    return {**sides, "visits": visits, "names": names, "refused": refused, "shorts": shorts}


@pytest.mark.parametrize("case", CASES, ids=[case["name"] for case in CASES])
def test_phone_and_office_come_to_what_was_worked_out(played: dict[str, Any], case: dict[str, Any]) -> None:
    """
    Sizes in inches; `codes` are findings that must be there, `without` such as must not.

    ``held`` is what else stands of an opening, ``walk`` the openings as they are walked, ``rooms`` their names,
    ``short`` what was expected and is not here,
    ``outcome`` how the visit closed, empty where it is open, and ``refused`` the entries that were.
    """
    assert played["refused"] == case.get("refused", [])
    assert len(set(played["shorts"])) == 1, played["shorts"]
    if "short" in case:
        assert played["shorts"][0] == case["short"]
    for name, expected in case["expected"].items():
        for side in ("office", "phone", "fetched"):
            said = played[side].get(played["names"][name])
            if expected is None:
                assert said is None or said["state"] == "dropped", side
                continue
            check_opening(said, expected, f"{name} {side}")
            if side != "office":
                check_held(said["held"], expected.get("held", {}), f"{name} {side}")
    for visit in played["visits"]:
        if "walk" in case:
            assert visit["openings"] == [played["names"][name] for name in case["walk"]]
        if "rooms" in case:
            assert [name for name, *_ in visit["rooms"]] == case["rooms"]
        if "outcome" in case:
            assert (visit["outcome"], visit["is_closed"]) == (case["outcome"], case["outcome"] != "")


def with_old_names(kept: Any) -> Any:
    """What a phone of 0.1.0 stored: a reading's spot was its place."""
    if isinstance(kept, list):
        return [with_old_names(one) for one in kept]
    if not isinstance(kept, dict):
        return kept
    return {{"spot": "place"}.get(key, key): with_old_names(value) for key, value in kept.items() if key != "place"}


def test_what_a_phone_stored_under_old_names_is_read_and_taken(page: Pages, people: tuple[int, int], db: None) -> None:
    dispatcher, measurer = (User.objects.get(pk=key) for key in people)
    appointment = make_appointment(make_job(dispatcher), dispatcher, measurer)
    names = {"@visit": appointment.pk, "@tape": make_tape(measurer).pk, "@kitchen": str(uuid.uuid4())}
    phone = Phone(measurer)
    day, queue = phone.day(), entries_of(CASES[0], names)
    old = [{**one, "body": with_old_names(one["body"])} for one in queue]

    played = [page.play(day, entries)["after"] for entries in (queue, old)]
    replies = phone.send(old)
    fetched = phone.day()
    shown = [page.shown(one) for one in (fetched, with_old_names(fetched))]

    assert old != queue
    assert played[0] == played[1]
    assert {reply["status"] for reply in replies} == {200}
    assert shown[0] == shown[1]
    assert Opening.objects.get(uid=names["@A"]).readings.filter(spot="heights.center").count() == 1


def test_a_bay_has_the_offices_sizes_or_the_phone_says_where_they_come_from(
    page: Pages, people: tuple[int, int], db: None
) -> None:
    """The phone had neither walls nor set-backs: it asked for covers, and showed another width than the office."""
    dispatcher, measurer = (User.objects.get(pk=key) for key in people)
    appointment = make_appointment(make_job(dispatcher), dispatcher, measurer)
    names = {"@visit": appointment.pk, "@tape": make_tape(measurer).pk, "@kitchen": str(uuid.uuid4())}
    phone = Phone(measurer)
    facts = {"product": "curlew", "mount": "outside", "substrate": "wood"}
    made = [["opening", {"opening": f"@{mark}", "facts": {**facts, "mark": mark}}] for mark in "ABC"]
    phone.send(entries_of({"entries": made}, names))
    rows = [Opening.objects.get(uid=names[f"@{mark}"]) for mark in "ABC"]
    group = make_group(job=appointment.job, kind="bay", openings=rows, by=dispatcher)
    waiting = page.shown(phone.day())["openings"]
    set_bay(group=group, corners=[CornerRead("135"), CornerRead("120", runs_past="left")], by=dispatcher)
    read = [("bay.wall", "40"), ("heights.left", "60"), ("cover.top", "4"), ("cover.bottom", "2")]
    walls = {
        "entries": [
            ["reading", {"opening": f"@{mark}", "spot": spot, "typed": typed}] for mark in "ABC" for spot, typed in read
        ]
    }

    day, queue = phone.day(), entries_of(walls, names)[1:]
    shown = page.play(day, queue)["after"]["openings"]
    phone.send(queue)
    office = {str(row.uid): office_values(row) for row in Opening.objects.filter(group=group)}
    deeper = [entry("facts", {"opening": names["@B"], "facts": {"product": "dunlin_wood"}})]
    changed = page.play(phone.day(), deeper)["after"]["openings"]
    corners = [{"angle": "150"}, {"legs": ["10", "10", "17 1/4"], "runs_past": "right"}]
    uids = [str(row.uid) for row in rows]
    told = [entry("bay", {"appointment": appointment.pk, "openings": uids, "corners": corners})]
    again = page.play(phone.day(), told)["after"]["openings"]
    replies = phone.send(told)

    assert all(["bay", "group", 1] in one["gaps"] for one in waiting.values())
    assert len(office) == 3
    for uid, values in office.items():
        assert values["size"] is not None
        assert {name: shown[uid][name] for name in values} == values
        assert not shown[uid]["is_for_office"]
        assert changed[uid]["is_for_office"]
        assert again[uid]["is_for_office"]
    assert replies[0]["reply"] == {"group": group.pk}, replies
    group.refresh_from_db()
    assert group.angles == [150.0, 119.2]
    assert group.past == ["", "right"]


def check_opening(said: dict[str, Any], expected: dict[str, Any], at: str) -> None:
    codes = {code for code, _, _ in said["findings"]}
    size = [parse_length(text).ticks for text in expected["size"]] if expected["size"] else None
    assert (said["state"], said["size"]) == (expected["state"], size), at
    if "units" in expected:
        assert said["shares"] == [parse_length(text).ticks for text in expected["units"]], at
    if "gaps" in expected:
        assert said["gaps"] == expected["gaps"], at
    assert set(expected.get("codes", ())) <= codes, at
    assert codes.isdisjoint(expected.get("without", ())), at


def check_held(held: dict[str, Any], expected: dict[str, Any], at: str) -> None:
    """What else stands; ``obstructions`` and ``conflicts`` are how many, of facts and options those named."""
    for name, value in expected.items():
        now = {"obstructions": len(held["things"]), "conflicts": len(held["conflicts"])}.get(name, held.get(name))
        if isinstance(value, dict):
            now = {key: now.get(key) for key in value}
        assert now == value, f"{at} {name}"


def test_every_kind_of_entry_gap_state_and_mount_has_a_case() -> None:
    wanted = {kind.partition(".")[2] for kind in kinds() if kind.startswith("measuring.")}
    entries = [one for case in CASES for sent in ("entries", "later") for one in one_by_one(case.get(sent, ()))]
    assert {kind for kind, *_ in entries} | {"begin", "bay"} == wanted  # a bay's sizes are the office's: see above

    expected = [one for case in CASES for one in case["expected"].values() if one]
    closing = {"cannot_fit", "bay"}  # no opening has it: the visit's end asks; a bay is made at the office
    assert {code for one in expected for code, _, _ in one.get("gaps", ())} == set(GAPS) - closing
    assert {one["state"] for one in expected} | {"dropped"} == set(Opening.State.values)
    made = [body["facts"] for kind, body, *_ in entries if kind == "opening"]
    family = {row["key"]: row["family"] for row in starting_rows("products")}
    mounted = {(family[facts["product"]], facts["mount"]) for facts in made if "mount" in facts}
    assert mounted == {(one, mount) for one in FAMILIES for mount in MOUNTS}
