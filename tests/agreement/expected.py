"""What is known to differ, each with its reason; an entry that differs no more fails the suite."""

from __future__ import annotations

from collections.abc import Iterable

from tests.agreement.compare import Difference

EXPECTED: dict[tuple[str, str], str] = {}


OFTEN, SOME, RARE = "often", "some", "rare"
"""A hundred times in the suite's ten histories; ten times there; in the bench's five hundred only."""
FLOOR = 100
"""Comparisons that are not blank, of each fact at each place: in the bench, and in the suite of what is often."""

_TABLE: dict[str, dict[str, str]] = {
    "job's date": {
        SOME: "API of dates; job page",
    },
    "job's measured": {
        SOME: "API of dates; job page",
    },
    "job's standing": {
        SOME: "API of dates; job page",
    },
    "job's told": {
        SOME: "API of dates; API of jobs; job page",
    },
    "piece's free": {
        RARE: "buying list; moves; stock list; stock page",
    },
    "piece's length": {
        OFTEN: "API; stock list",
        SOME: "stock label; stock page",
        RARE: "cut list; cut plan",
    },
    "piece's reserved": {
        OFTEN: "API; stock list",
        SOME: "stock page",
    },
    "piece's shelf": {
        OFTEN: "API; stock list",
        SOME: "cut list; cut plan; stock page",
    },
    "piece's there": {
        OFTEN: "API; stock list",
        SOME: "moves; stock page",
    },
    "truck's hardware": {
        SOME: "API of loads; load list; load page; packet",
    },
    "truck's packages": {
        SOME: "API of loads; load list; load page; packet",
    },
    "truck's to go": {
        SOME: "API of loads; load page; loads page",
    },
    "truck's weight": {
        SOME: "load list; load page; packet",
    },
    "unit's bench": {
        SOME: "API of makes; unit page; workroom's panel",
        RARE: "batch page; checking",
    },
    "unit's colour": {
        SOME: "API; install order; measure record; packet; sizes page; stop page; unit page; work order",
        RARE: "purchase CSV; purchase sheet",
    },
    "unit's finished size": {
        SOME: "API of makes; install order; packet; stop page; unit page; work order; workroom's panel",
        RARE: (
            "batch page; checking; completion record; label; packet's PDF; purchase CSV; purchase page; purchase sheet"
        ),
    },
    "unit's hold": {
        SOME: (
            "install order; job page; load list; load page; packet; sizes page; stop page; unit page; work order; "
            "workroom's panel"
        ),
        RARE: "batch page; checking",
    },
    "unit's hung": {
        SOME: "API; install's panel; job page; sizes page; unit page; workroom's panel",
        RARE: "API of stops; batch page; checking; completion record; stop page; visit's panel",
    },
    "unit left behind": {
        SOME: "install order; load list; load page; packet; stop page; visit's panel",
    },
    "unit's cause": {
        RARE: "API of stops; stop page; visit's panel",
    },
    "unit's load": {
        SOME: "API of loads; install's panel; load page",
    },
    "unit's made": {
        SOME: "API; API of makes; install's panel; job page; sizes page; unit page; workroom's panel",
        RARE: "batch page; checking",
    },
    "unit's mount": {
        SOME: "API; install order; measure record; packet; sizes page; stop page; unit page; work order",
        RARE: "packet's PDF",
    },
    "unit's order size": {
        SOME: "API; job page; measure record; sizes page",
    },
    "unit's outcome": {
        SOME: "API of stops; stop page; visit's panel",
    },
    "unit's packages": {
        SOME: "API of loads; install order; load list; load page; packet; stop page",
    },
    "unit's state": {
        SOME: "API; API of makes; install's panel; job page; sizes page; unit page; workroom's panel",
        RARE: "batch page; checking",
    },
    "visit's chance": {
        SOME: "board's list; visit page",
        RARE: "not safe",
    },
    "visit's crew": {
        SOME: (
            "API; API of stops; board; board's CSV; board's list; crew's calendar; crew's day; job page; move "
            "form; packet's cover; proposal; proposal's CSV; visit page; week's board"
        ),
        RARE: "not safe",
    },
    "visit's expected": {
        RARE: "API; board; visit page; week's board",
    },
    "visit's minutes": {
        SOME: (
            "API; board; board's CSV; board's ink; crew's calendar; crew's day; install order; job page; "
            "packet's stop; visit page; week's board"
        ),
        RARE: "packet's PDF",
    },
    "visit's outcome": {
        SOME: ("API; board; board's CSV; board's list; crew's day; job page; stop page; visit page; week's board"),
    },
    "visit's start": {
        SOME: (
            "API; API of stops; board; board's CSV; board's ink; board's list; board's script; crew's "
            "calendar; crew's day; job page; move form; packet's cover; packet's stop; proposal; proposal's "
            "CSV; visit page; week's board; week's board's script"
        ),
        RARE: "install order; packet's PDF; stop page",
    },
    "visit's state": {
        SOME: (
            "API; API of stops; board; board's CSV; board's list; crew's day; job page; stop page; visit "
            "page; week's board"
        ),
    },
    "visit's window": {
        SOME: (
            "API; board; board's CSV; board's ink; calendar file; confirmation; crew's day; job page; "
            "proposal; text to copy; visit page; week's board"
        ),
        RARE: "API of stops; install order; not safe; packet's PDF; packet's cover; packet's stop; stop page",
    },
    "window's chance": {
        SOME: "API of offers; offers",
    },
    "window's crew": {
        SOME: "API of offers; offers",
    },
    "window's driving": {
        SOME: "API of offers; offers",
        RARE: "board's effect; move form",
    },
    "window's harm": {
        SOME: "API of offers; offers",
        RARE: "board's effect; move form",
    },
    "window's price": {
        SOME: "API of offers; offers",
        RARE: "board's effect; move form",
    },
}
PLACES = {
    (fact, place): how for fact, row in _TABLE.items() for how, places in row.items() for place in places.split("; ")
}
"""Every fact and the places that show it."""


def unexpected(found: Iterable[Difference]) -> list[Difference]:
    return [one for one in found if (one.fact, one.place) not in EXPECTED]
