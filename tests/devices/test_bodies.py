"""Bodies of entries are typed and checked before anything runs."""

from __future__ import annotations

import dataclasses
import json
import uuid
from collections.abc import Iterator, Mapping
from typing import Any

import pytest

from shared.contracts import ContractError
from shared.devices import kinds
from shared.devices.models import DeviceEntry
from shared.models import User
from shared.records import fields_of
from tests.devices.phone import Phone

ONE, TWO = "0b6f5a52-5b0c-4c1a-9d2e-0c7d7b1f7a01", "0b6f5a52-5b0c-4c1a-9d2e-0c7d7b1f7a02"
VALID: dict[str, dict[str, Any]] = {
    # every kind as the phone's scripts send it, with what they send for themselves alone
    "measuring.on_the_way": {"appointment": 1},
    "measuring.arrived": {"appointment": 1},
    "measuring.begin": {"appointment": 1, "tape": None},
    "measuring.room": {"appointment": 1, "room": ONE, "name": "Kitchen", "floor": ""},
    "measuring.room_defaults": {"room": ONE, "defaults": {"mount": "inside", "sill": "sill"}},
    "measuring.opening": {
        "appointment": 1,
        "room": ONE,
        "room_name": "Kitchen",
        "floor": "",
        "opening": TWO,
        "facts": {"mark": "A"},
    },
    "measuring.copy": {"appointment": 1, "opening": ONE, "copy": TWO, "mark": "B"},
    "measuring.order": {"room": ONE, "openings": [TWO, ONE]},
    "measuring.reading": {
        "opening": ONE,
        "spot": "widths.top",
        "turn": 1,
        "typed": "35 3/8",
        "with_case": True,
        "tape": 3,
        "grade": "final",
        "seen": None,
        "ticks": 287528,
        "case": 24384,
    },
    "measuring.bay": {
        "appointment": 1,
        "openings": [ONE, TWO],
        "corners": [{"angle": "135", "legs": ["", "", ""], "runs_past": ""}],
        "kind": "corner",
        "room_between": "",
    },
    "measuring.taken_back": {"appointment": 1},
    "measuring.same": {"reading": ONE},
    "measuring.keep": {"reading": ONE},
    "measuring.back": {"reading": ONE},
    "measuring.facts": {"opening": ONE, "facts": {"is_door": True}, "seen": {"is_door": None}},
    "measuring.settle": {"conflict": 1, "offered": True},
    "measuring.obstruction": {
        "opening": ONE,
        "kind": "crank",
        "projection": "1 1/2",
        "ticks": 12192,
        "side": "",
        "at": "path",
    },
    "measuring.clear": {"obstruction": ONE},
    "measuring.photo": {"opening": ONE, "data": "/9j/", "caption": ""},
    "measuring.template": {"opening": ONE, "size_is": "opening", "is_marked": True, "position": 1},
    "measuring.no_template": {"opening": ONE, "template": TWO, "reason": "torn"},
    "measuring.options": {"opening": ONE, "options": {"colour": "oak"}},
    "measuring.state": {"opening": ONE, "to": "cannot", "reason": "no frame"},
    "measuring.close": {"appointment": 1, "in_part": False, "note": ""},
    "measuring.not_measured": {"appointment": 1, "reason": "nobody home"},
    "installs.load_checked": {"load": 1, "counts": {"7": 2}, "before": {"7": 0}, "text": "tube"},
    "installs.load_undone": {"load": 1, "lines": [7]},
    "installs.load_left": {"load": 1, "reason": ""},
    "installs.load_put_back": {"load": 1, "line": 7, "count": 1},
    "installs.load_back": {"load": 1},
    "installs.on_the_way": {"appointment": 1},
    "installs.arrived": {"appointment": 1},
    "installs.taken_back": {"appointment": 1},
    "installs.motor": {
        "appointment": 1,
        "unit": 5,
        "limits": True,
        "charged": False,
        "channel": "3",
        "remote": "Den",
        "hub": "",
    },
    "installs.installed": {"appointment": 1, "unit": 5},
    "installs.all_installed": {"appointment": 1, "units": [5, 6]},
    "installs.not_installed": {"appointment": 1, "unit": 5, "cause": "size.too_long", "note": ""},
    "installs.undo": {"appointment": 1, "unit": 5},
    "installs.hardware": {"appointment": 1, "material": "12", "change": 2, "note": "", "unit": None},
    "installs.photo": {"appointment": 1, "data": "/9j/", "unit": None, "caption": ""},
    "installs.sign": {"appointment": 1, "name": "Ada", "strokes": [[[0, 1000], [5, 5]]], "left_with": ""},
    "installs.done": {"appointment": 1, "note": "", "excepted": {"cords": [5]}},
}
OUT_OF_BOUND = [
    # kind, what is changed in its valid body, the field that is named, its bound
    ("measuring.begin", {"appointment": 0}, "appointment", "1 to 9223372036854775807"),
    ("measuring.begin", {"appointment": 2**63}, "appointment", "1 to 9223372036854775807"),
    ("measuring.begin", {"tape": -1}, "tape", "1 to 9223372036854775807"),
    ("measuring.room", {"name": "x" * 61}, "name", "at most 60"),
    ("measuring.room", {"floor": "x" * 21}, "floor", "at most 20"),
    ("measuring.room", {"room": "kitchen"}, "room", "a UUID"),
    ("measuring.room_defaults", {"defaults": {"colour": "red"}}, "defaults.colour", "mark, room"),
    ("measuring.room_defaults", {"defaults": {"mount": 5}}, "defaults.mount", "text"),
    ("measuring.opening", {"facts": {"is_door": 1}}, "facts.is_door", "true or false or text"),
    ("measuring.copy", {"mark": "x" * 21}, "mark", "at most 20"),
    ("measuring.order", {"openings": [ONE, "two"]}, "openings[1]", "a UUID"),
    ("measuring.order", {"openings": [ONE] * 2001}, "openings", "at most 2000"),
    ("measuring.reading", {"spot": "widths.side"}, "spot", "one of widths.top"),
    ("measuring.reading", {"turn": 3}, "turn", "1 to 2"),
    ("measuring.reading", {"grade": "good"}, "grade", "one of rough, final"),
    ("measuring.reading", {"typed": "3\x00"}, "typed", "text"),
    ("measuring.reading", {"typed": "3\ud800"}, "typed", "text"),
    ("measuring.facts", {"facts": {"units_wanted": True}}, "facts.units_wanted", "a whole number or text"),
    ("measuring.facts", {"facts": {"stops_on": []}}, "facts.stops_on", "an object"),
    ("measuring.facts", {"facts": {"note": "a\x00"}}, "facts.note", "text"),
    ("measuring.facts", {"seen": {"size": "1"}}, "seen.size", "mark, room"),
    ("measuring.obstruction", {"kind": "x" * 31}, "kind", "at most 30"),
    ("measuring.obstruction", {"side": "behind"}, "side", 'one of "", left'),
    ("measuring.obstruction", {"at": "sill"}, "at", "one of path, head"),
    ("measuring.options", {"options": {"colour": 5}}, "options.colour", "text"),
    ("measuring.state", {"to": "gone"}, "to", "one of cannot, not_reached, drop, again"),
    ("measuring.close", {"note": "x" * 20_001}, "note", "at most 20000"),
    ("measuring.not_measured", {"reason": "x" * 241}, "reason", "at most 240"),
    ("installs.load_checked", {"counts": {"seven": 2}}, "counts.seven", "a whole number"),
    ("installs.load_checked", {"counts": {"7": -1}}, "counts.7", "0 to 100000"),
    ("installs.load_checked", {"counts": {"7": "2"}}, "counts.7", "a whole number"),
    ("installs.load_undone", {"lines": ["7"]}, "lines[0]", "a whole number"),
    ("installs.load_put_back", {"count": -1}, "count", "0 to 100000"),
    ("installs.all_installed", {"units": [5, 0]}, "units[1]", "1 to 9223372036854775807"),
    ("installs.hardware", {"material": "screws"}, "material", "a whole number, or empty"),
    ("installs.hardware", {"change": 10_001}, "change", "-10000 to 10000"),
    ("installs.sign", {"strokes": [[[0, 1001]]]}, "strokes[0][0][1]", "0 to 1000"),
    ("installs.sign", {"strokes": [[[0, 1, 2]]]}, "strokes[0][0]", "two: across and down"),
]


def bad_bodies() -> Iterator[tuple[str, dict[str, Any], str, str]]:
    """Of every kind: each field missing that must be there, each of another type, one that nobody knows."""
    for name, body in VALID.items():
        yield name, {**body, "colour_of_the_sky": 1}, "colour_of_the_sky", "known here: "
        for field in body:
            wrong = [] if isinstance(body[field], Mapping) else {}
            if field != "material":
                yield name, {**body, field: wrong}, field, ""
            if is_needed(name, field):
                yield name, {key: value for key, value in body.items() if key != field}, field, "required"
    for name, change, field, bound in OUT_OF_BOUND:
        yield name, {**VALID[name], **change}, field, bound


def is_needed(name: str, wanted: str) -> bool:
    field = next(field for field, _ in fields_of(body_of(name)) if field.name == wanted)
    return field.default is dataclasses.MISSING and field.default_factory is dataclasses.MISSING


def body_of(name: str) -> Any:
    kind = kinds.kind_of(name)
    assert kind is not None
    return kind.body


def test_every_kind_is_in_the_table() -> None:
    assert sorted(VALID) == kinds.kinds()


@pytest.mark.parametrize("name", VALID)
def test_what_the_phone_sends_is_read(name: str) -> None:
    read = kinds.kind_of(name).read(VALID[name])

    assert json.loads(json.dumps(read.to_json())).items() >= VALID[name].items()


@pytest.mark.parametrize(("name", "body", "field", "bound"), list(bad_bodies()))
def test_a_bad_body_is_refused_by_its_field_and_nothing_runs(
    name: str, body: dict[str, Any], field: str, bound: str
) -> None:
    with pytest.raises(ContractError) as caught:
        kinds.kind_of(name).read(body)

    assert caught.value.field == field
    assert caught.value.bound.startswith(bound)


@pytest.mark.django_db
def test_bad_bodies_of_every_kind_answer_400_and_no_function_is_called(
    measurer: User, monkeypatch: pytest.MonkeyPatch
) -> None:
    called: list[str] = []
    for name in kinds.kinds():
        kind = kinds.kind_of(name)
        assert kind is not None
        row = dataclasses.replace(kind, function=lambda body, done, name=name: called.append(name) or {})
        monkeypatch.setitem(kinds._kinds, name, row)
    phone, rows = Phone(measurer), list(bad_bodies())

    for at in range(0, len(rows), 100):
        some = rows[at : at + 100]
        replies = phone.send(*[phone.entry(name, **body) for name, body, _, _ in some])

        assert [(reply["status"], reply["reply"]["field"]) for reply in replies] == [(400, row[2]) for row in some]

    assert called == []
    assert DeviceEntry.objects.count() == len(rows)
    assert phone.do("measuring.begin", **VALID["measuring.begin"])["status"] == 200
    assert called == ["measuring.begin"]


@pytest.mark.django_db
def test_an_entry_no_room_does_is_refused(measurer: User) -> None:
    reply = Phone(measurer).do("measuring.sing", opening=str(uuid.uuid4()))

    assert (reply["status"], reply["reply"]["field"]) == (400, "kind")
