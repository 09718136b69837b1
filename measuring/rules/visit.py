"""
A visit's opening: where the tape is held, what is missing, its state, and what a close-out needs.

A gap is a code with its field; `text_of` looks its words up in the table for whoever shows it. The phone's
twin is ``static/measuring/field/measure.js``; tests/agreement holds one against the other.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from measuring.rules.families import DIAGONALS, HEIGHTS, SIDES, TABLE, WALL, WIDTHS, rule_for
from measuring.rules.shapes import RECTANGLE, box_spots, is_figure, reads

CHOSEN: Final = ("chosen.width", "chosen.height")
COVERS: Final = tuple(f"cover.{side}" for side in SIDES)
LABELS: Final[Mapping[str, str]] = TABLE["labels"]
"""What a spot is called on pages and sheets."""

GAPS: Final[Mapping[str, Mapping[str, Any]]] = TABLE["gaps"]
"""By code: its words, and whether there is no size without it (``holds_size``)."""

QUESTIONED: Final[Mapping[str, str]] = TABLE["questioned"]
"""Findings that are settled while somebody stands there, by code, and the gap that each is till then."""

CONFIRMS: Final[Mapping[str, str]] = TABLE["confirms"]
TRACED: Final[Mapping[str, str]] = TABLE["traced"]
"""What a finding becomes once a template of the opening is made."""
"""Findings that are answered by reading again the same, and what each becomes then; nothing: a note."""

Read = Collection[tuple[str, int]]
"""Spots and turns with a reading that counts."""


def label_of(spot: str, turn: int = 1) -> str:
    """
    What a spot is called, the second time it is read too.

    Examples
    --------
    >>> label_of("widths.top"), label_of("widths.top", 2)
    ('width, top', 'width, top, again')
    """
    return LABELS[spot] + (str(TABLE["again"]) if turn == 2 else "")


@dataclass(frozen=True, slots=True)
class Ask:
    """A spot to hold the tape to, in the order it is held there."""

    spot: str
    is_needed: bool
    turn: int = 1
    why: str = ""

    @property
    def label(self) -> str:
        return label_of(self.spot, self.turn)


@dataclass(frozen=True, slots=True)
class Gap:
    """What is missing or in doubt, by code, and where; `words` fill its sentence."""

    code: str
    field: str
    turn: int = 1
    words: Mapping[str, str] = dataclasses.field(default_factory=dict)

    @property
    def holds_size(self) -> bool:
        """Whether there is no size without it."""
        return bool(GAPS[self.code]["holds_size"])

    @property
    def text(self) -> str:
        return text_of(self)


def text_of(gap: Gap) -> str:
    """
    A gap in the table's words.

    Examples
    --------
    >>> text_of(Gap("unread_again", "widths.top", 2, {"why": "nothing else checks it"}))
    'width, top, again: not read (nothing else checks it)'
    """
    where = label_of(gap.field, gap.turn) if gap.field in LABELS else gap.field
    return str(GAPS[gap.code]["text"]).format(spot=where, **gap.words)


# -- what is asked, and what is missing -------------------------------------------------------


def asks(
    family: str,
    mount: str,
    read: Read,
    why_diagonals: str = "",
    *,
    on_floor: bool = False,
    shape: str = RECTANGLE,
    in_bay: bool = False,
) -> list[Ask]:
    """
    Where to hold the tape, in order: first width, then height.

    Inside, what the family's table asks; outside, one width, one height and the covers, or the
    size chosen and no more.

    Parameters
    ----------
    read
        What was read so far: it decides what is still asked.
    why_diagonals
        Why both diagonals should be read; they are asked for only where there is a reason.
    on_floor
        The covering ends on the floor: nothing is covered below the opening.
    shape
        An opening that is no rectangle is read at its own spots.
    in_bay
        It hangs between corners: outside the wall is read instead of a width and covers, inside beside them.

    Examples
    --------
    >>> [ask.spot for ask in asks("roller", "inside", (), shape="trapezoid")][-2:]
    ['shape.slope', 'depth']
    >>> [ask.spot for ask in asks("roller", "inside", ())][:3]
    ['widths.top', 'widths.top', 'widths.middle']
    >>> [ask.spot for ask in asks("roller", "outside", {("chosen.width", 1)})]
    ['chosen.width', 'chosen.height']
    >>> [(ask.spot, ask.turn) for ask in asks("roller", "outside", ())][-2:]
    [('chosen.width', 1), ('chosen.height', 1)]
    """
    if mount == "outside":
        return _asks_outside(read, on_floor, shape, in_bay)
    if shape != RECTANGLE:
        return [Ask(spot, True) for spot in (*reads(shape), "depth")]
    rule = rule_for(family, mount)
    found = [Ask(spot, spot in rule.needs) for spot in (*WIDTHS, *HEIGHTS) if spot in (*rule.needs, *rule.checks)]
    others = any((spot, 1) in read for spot in rule.checks)
    for spot in rule.twice:
        if not others or (spot, 2) in read:
            at = next(i for i, ask in enumerate(found) if ask.spot == spot)
            needed = not others and any((height, 1) in read for height in HEIGHTS)
            found.insert(at + 1, Ask(spot, needed, 2, TABLE["ask_why"]["alone"]))
    found.append(Ask("depth", True))
    if why_diagonals or any((spot, 1) in read for spot in DIAGONALS):
        found += [Ask(spot, False, 1, why_diagonals) for spot in DIAGONALS]
    return [*found, Ask(WALL, False)] if in_bay else found


def _asks_outside(read: Read, on_floor: bool, shape: str, in_bay: bool) -> list[Ask]:
    if any((spot, 1) in read for spot in CHOSEN):
        return [Ask(spot, True) for spot in CHOSEN] + ([Ask(WALL, False)] if in_bay else [])
    width, height = Ask(_first(WIDTHS, read), not in_bay), Ask(_first(HEIGHTS, read), True)
    found = [Ask(WALL, True), height] if in_bay else [width, height]
    if is_figure(shape):
        found = [Ask(spot, spot in box_spots(shape)) for spot in reads(shape)]
    over = COVERS[2:] if in_bay else COVERS
    found += [Ask(spot, True) for spot in over if not (on_floor and spot == "cover.bottom")]
    if in_bay:
        return [*found, width]
    if not read:
        found += [Ask(spot, False, 1, TABLE["ask_why"]["chosen"]) for spot in CHOSEN]
    return found


def _first(spots: Sequence[str], read: Read) -> str:
    return next((spot for spot in spots if (spot, 1) in read), spots[0])


def unread(asked: Iterable[Ask], read: Read) -> list[Gap]:
    """What is asked for, needed, and not read."""
    return [
        Gap(_unread_code(ask), ask.spot, ask.turn, {"why": ask.why})
        for ask in asked
        if ask.is_needed and (ask.spot, ask.turn) not in read
    ]


def _unread_code(ask: Ask) -> str:
    if ask.turn == 2:
        return "unread_again"
    return "unread_beside" if ask.spot in TABLE["size_needs_not"] else "unread"


def in_doubt(findings: Iterable[Mapping[str, Any]]) -> list[Gap]:
    """Readings that look like slips and were not read again yet, and two of one spot that are not the same."""
    return [
        Gap(QUESTIONED[one["code"]], str(one.get("field", "")), 1, {"finding": str(one["text"])})
        for one in findings
        if one["code"] in QUESTIONED and not one.get("confirmed")
    ]


def settled(
    found: Sequence[Mapping[str, object]], confirmed: Collection[str], *, is_traced: bool = False
) -> list[dict[str, Any]]:
    """
    The findings, a doubt about a reading that was read again the same (`confirmed` spots) told and no more.

    A shape whose readings don't agree though they were read again is none: it needs a template, and is told to
    have one where `is_traced`.
    """
    told: list[dict[str, Any]] = [
        {**one, **_as_confirmed(str(one["code"])), "confirmed": True}
        if one["code"] in CONFIRMS and one.get("field") in confirmed
        else dict(one)
        for one in found
    ]
    return [{**one, **_as_traced(one["code"])} if is_traced and one["code"] in TRACED else one for one in told]


def _as_traced(code: str) -> dict[str, str]:
    message = TABLE["messages"][TRACED[code]]
    return {"code": TRACED[code], "severity": message["severity"], "todo": message["todo"]}


def _as_confirmed(code: str) -> dict[str, str]:
    becomes = CONFIRMS[code]
    if not becomes:
        return {"severity": "note"}
    return {"code": becomes, "todo": TABLE["messages"][becomes]["todo"]}


# -- the state of an opening --------------------------------------------------------------------


def state_after(state: str, *, is_complete: bool, is_begun: bool, is_at_it: bool) -> str:
    """
    The state of an opening after something was read, taken back or changed at it.

    Parameters
    ----------
    state
        As it stands; one that waits for a reason to end (``not_reached`` and the like) stays.
    is_complete
        It has a size and no gap.
    is_begun
        Some reading of it stands.
    is_at_it
        A visit that is not closed is at this opening: complete, it is read, and measured when the visit closes.

    Examples
    --------
    >>> state_after("under_way", is_complete=True, is_begun=True, is_at_it=True)
    'read'
    >>> state_after("measured", is_complete=False, is_begun=False, is_at_it=False)
    'to_measure'
    """
    if state not in TABLE["states"]["measurable"]:
        return state
    if is_complete:
        return "read" if is_at_it and state != "measured" else "measured"
    return "under_way" if is_begun else "to_measure"


def taken_up_again(is_begun: bool) -> str:
    """The state of an opening that is to be measured after all."""
    return "under_way" if is_begun else "to_measure"


# -- what was expected -------------------------------------------------------------------------------


def expected_short(expected: int, rooms: str, here: Sequence[str]) -> str:
    """
    What was expected and nobody has seen; empty where there is nothing to say.

    Parameters
    ----------
    expected
        Openings as the customer told of them.
    rooms
        Their rooms as the customer said them.
    here
        The room of each opening of the job that was not dropped.

    Examples
    --------
    >>> expected_short(3, "Kitchen, Den", ["Kitchen", "Kitchen"])
    '3 expected, 2 here; Den has none'
    >>> expected_short(2, "2 in the kitchen", ["Kitchen", "Kitchen"])
    ''
    """
    words = TABLE["expected"]
    found = [words["count"].format(expected=expected, here=len(here))] if len(here) < expected else []
    empty = [room for room in rooms_told(rooms) if not any(_is_same_room(room, one) for one in here)]
    if empty:
        found.append(words["rooms" if len(empty) > 1 else "room"].format(rooms=", ".join(empty)))
    return "; ".join(found)


def rooms_told(text: str) -> list[str]:
    """The rooms a customer named, one by one."""
    for mark in TABLE["expected"]["between"]:
        text = text.replace(mark, ",")
    return [room.strip() for room in text.split(",") if room.strip()]


def _is_same_room(told: str, name: str) -> bool:
    """Whether all words of one are the other's: "the kitchen" and "Kitchen", "bedroom" and "Bedroom 2"."""
    one, other = set(told.lower().split()), set(name.lower().split())
    return one <= other or other <= one


# -- the close-out ---------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class End:
    """What the close-out says of one opening: its `index` in walking order, a gap that blocks or a finding."""

    index: int
    gap: Gap | None
    finding: Mapping[str, Any] | None
    severity: str


@dataclass(frozen=True, slots=True)
class Standing:
    """An opening as the close-out sees it."""

    state: str
    gaps: Sequence[Gap] = ()
    findings: Sequence[Mapping[str, Any]] = ()
    goes_on: str = ""
    """Why it goes on though what was chosen can't be made or mounted so."""


@dataclass(frozen=True, slots=True)
class CloseOut:
    """
    What closing the visit now would come to.

    `problem` is empty where it closes, else ``gap`` (the first is `at`), ``left`` (could not be reached, and the
    visit is not closed in part; `at` says which) or ``no_openings``.
    """

    problem: str
    at: End | int | None
    outcome: str


def ends(openings: Sequence[Standing]) -> list[End]:
    """
    Gaps, which block the close-out, and findings to be checked, in walking order.

    What can't fit is a gap too until somebody says why it goes on: it would be made for nothing.
    """
    found: list[End] = []
    for index, one in enumerate(openings):
        if one.state in TABLE["states"]["left_out"]:
            continue
        found += [End(index, gap, None, "stop") for gap in one.gaps]
        asked = {gap.field for gap in one.gaps}
        for said in one.findings:
            if said["code"] in TABLE["wasted"] and not one.goes_on:
                words = {"finding": str(said["text"]), "todo": str(said["todo"])}
                gap = Gap("cannot_fit", str(said["field"]), words=words)
                found.append(End(index, gap, None, "stop"))
            elif said["severity"] != "note" and not (said["code"] in QUESTIONED and said["field"] in asked):
                found.append(End(index, None, said, str(said["severity"])))
    return found


def close_out(openings: Sequence[Standing], *, in_part: bool, short: str = "") -> CloseOut:
    """
    Whether the visit closes, and how it ends.

    In part, openings nobody touched wait for another visit, and so does what is `short` of what was expected.

    Examples
    --------
    >>> close_out([Standing("under_way"), Standing("to_measure", [Gap("product", "product")])], in_part=True).outcome
    'part'
    >>> close_out([Standing("not_reached")], in_part=False).problem
    'left'
    >>> thin = {"code": "depth_short", "field": "depth", "severity": "check", "text": "2 in deep.", "todo": ""}
    >>> [close_out([Standing("read", (), [thin], why)], in_part=False).problem for why in ("", "the shop notches it")]
    ['gap', '']
    """
    untouched = [at for at, one in enumerate(openings) if in_part and one.state == "to_measure"]
    left = [at for at, one in enumerate(openings) if one.state == "not_reached"]
    for end in ends(openings):
        if end.gap is not None and end.index not in untouched:
            return CloseOut("gap", end, "")
    if left and not in_part:
        return CloseOut("left", left[0], "")
    if not openings:
        return CloseOut("no_openings", None, "")
    measured = any(one.state in TABLE["states"]["begun"] for one in openings)
    if not (left or untouched or (in_part and short)):
        return CloseOut("", None, "whole")
    return CloseOut("", None, "part" if measured else "none")
