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

from measuring.models import Opening
from shared.lengths import parse_length
from shared.models import Branch, User
from tests.agreement.phones import Pages, Phone, entry, pages, said_by_office
from tests.measuring.makers import make_appointment, make_job, make_range, make_tape

pytestmark = [pytest.mark.django_db, pytest.mark.browser]
CASES: list[dict[str, Any]] = json.loads((Path(__file__).parent / "phone_cases.json").read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def page(chromium: Any) -> Iterator[Pages]:
    with pages(chromium) as found:
        yield found


def named(value: Any, names: dict[str, Any]) -> Any:
    """The value with every ``@name`` in it made the thing it stands for, a uid where it is nothing else."""
    if isinstance(value, str) and value.startswith("@"):
        return names.setdefault(value, str(uuid.uuid4()))
    if isinstance(value, dict):
        return {key: named(one, names) for key, one in value.items()}
    return [named(one, names) for one in value] if isinstance(value, list) else value


def entries_of(case: dict[str, Any], names: dict[str, Any]) -> list[dict[str, Any]]:
    """The case's queue; an opening goes into the kitchen, a reading replaces what stands."""
    visit = {"appointment": names["@visit"]}
    out = [entry("begin", {**visit, "tape": names["@tape"]})]
    standing: dict[tuple[str, str, int], str] = {}
    for kind, body, *more in case["entries"]:
        made = entry(kind, named(body, names), named(more[0], names) if more else "")
        sent = made["body"]
        if kind in ("opening", "copy", "close", "room"):
            sent.update(visit)
        if kind == "opening":
            made["body"] = sent = {"room": names["@kitchen"], "room_name": "Kitchen", "floor": "", **sent}
            sent["facts"] = {"mark": "A", **sent["facts"]}
        if kind == "reading":
            at = (sent["opening"], sent["place"], sent.setdefault("turn", 1))
            sent.setdefault("seen", standing.get(at))
            sent["ticks"] = parse_length(sent["typed"]).ticks // 1016 * 1016
            standing[at] = made["id"]
        out.append(made)
    return out


@pytest.fixture
def played(page: Pages, branch: Branch, dispatcher: User, measurer: User, case: dict[str, Any]) -> dict[str, Any]:
    """The case on the phone, not sent yet, and at the office."""
    make_range(branch)
    appointment = make_appointment(make_job(dispatcher, **case.get("job", {})), dispatcher, measurer)
    names = {"@visit": appointment.pk, "@tape": make_tape(measurer).pk, "@kitchen": str(uuid.uuid4())}
    phone = Phone(measurer)
    queue = entries_of(case, names)

    shown = page.play(phone.day(), queue)
    replies = phone.send(queue)

    office = {str(row.uid): said_by_office(row) for row in Opening.objects.filter(job=appointment.job)}
    refused = {at for at, reply in enumerate(replies) if reply["status"] >= 400}
    said = {"phone": shown["after"]["openings"], "office": office}
    return {**said, "names": names, "refused": refused, "replies": replies}


@pytest.mark.parametrize("case", CASES, ids=[case["name"] for case in CASES])
def test_phone_and_office_come_to_what_was_worked_out(played: dict[str, Any], case: dict[str, Any]) -> None:
    """Sizes in inches; `codes` are findings that must be there, `without` such as must not."""
    assert played["refused"] == set(case.get("refused", ())), played["replies"]
    for name, expected in case["expected"].items():
        uid = played["names"][name]
        for side in ("office", "phone"):
            said = played[side].get(uid)
            if expected is None:
                assert said is None or said["state"] == "dropped", side
                continue
            codes = {code for code, _, _ in said["findings"]}
            size = [parse_length(text).ticks for text in expected["size"]] if expected["size"] else None
            assert (said["state"], said["size"]) == (expected["state"], size), side
            if "gaps" in expected:
                assert said["gaps"] == expected["gaps"], side
            assert set(expected.get("codes", ())) <= codes, side
            assert codes.isdisjoint(expected.get("without", ())), side
