"""From a bay's rows to its set-backs: what each of its openings keeps, and what its drawing shows."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final, TypedDict

from measuring.adapters.evaluation import current, fit_of, options_of
from measuring.models import Group, Mount, Opening, Reading
from measuring.rules.bays import Corner, Piece, meetings, plan, set_backs
from measuring.rules.families import TABLE, WALL
from shared.lengths import Length, LengthError, LengthUnit, parse_length

_BAYS: Final = TABLE["bays"]


class Back(TypedDict):
    """A set-back as an opening keeps it."""

    ticks: int
    why: str


class Kept(TypedDict, total=False):
    """What an opening keeps of its bay; nothing where it is in none."""

    left: Back
    right: Back
    meets: str
    """What it would stand in across the bay."""
    waits: str
    """Why nothing can be worked out yet."""


def members_of(group: Group) -> list[Opening]:
    """The group's openings, left to right as they are walked, with all that set-backs need."""
    rows = (
        group.openings.exclude(state=Opening.State.DROPPED)
        .select_related("room", "product")
        .prefetch_related("readings", "units")
        .order_by("room__order", "room_id", "order", "pk")
    )
    found = list(rows)
    for one in found:
        one.job, one.group = group.job, group
    return found


def bay_of(group: Group) -> list[tuple[Opening, Kept]]:
    """The openings of a bay, left to right, and how far the unit of each stops short of its corners."""
    if not group.is_bay():
        return []
    members = members_of(group)
    waits = _waits(group, members)
    if waits:
        return [(one, {"waits": waits}) for one in members]
    offs = [stands_off(one) or 0 for one in members]
    kept: list[Kept] = [{} for _ in members]
    for at in range(len(members) - 1):
        left, right = members[at : at + 2]
        corner = corner_of(group, at, left, right)
        backs = set_backs(corner, offs[at], offs[at + 1], TABLE["about_grid"][_unit(group).value])
        why = _words(group, corner, offs[at : at + 2])
        kept[at]["right"] = {"ticks": backs[0], "why": f"{corner.angle:g}° with {right}; {why['left']}"}
        kept[at + 1]["left"] = {"ticks": backs[1], "why": f"{corner.angle:g}° with {left}; {why['right']}"}
    for at, other in _meeting(group, members, kept):
        kept[at]["meets"] = str(members[other])
    return list(zip(members, kept, strict=True))


def _unit(group: Group) -> LengthUnit:
    return group.job.branch.unit


def _waits(group: Group, members: Sequence[Opening]) -> str:
    """What is lacking for set-backs, in words; empty where nothing is."""
    if len(group.angles) != len(members) - 1:
        return f"{group}: {len(group.angles)} corner angles for {len(members)} walls; {len(members) - 1} are needed"
    lacking = next((one for one in members if stands_off(one) is None), None)
    return f"{group}: no product chosen for {lacking}, which stands beside it" if lacking else ""


def stands_off(opening: Opening) -> int | None:
    """
    Ticks that its unit's furthest part stands off the wall, in any position; None where no product says so.

    The product's own depth, its vanes open and its valance's returns where they are deeper; of an inside mount
    what stands out of the frame. What was read at the bay goes before it.
    """
    group, product = opening.group, opening.product
    if opening.state == Opening.State.CANNOT:
        return 0
    if group is not None and str(opening.pk) in group.stands_off:
        return int(group.stands_off[str(opening.pk)])
    if product is None:
        return None
    fit = fit_of(product)
    deep = max(fit.flush_depth, fit.swing_depth or 0, _returns(opening))
    if opening.mount == Mount.OUTSIDE:
        return deep
    depth = current(opening.readings.all()).get(("depth", 1))
    return max(0, deep - depth.value.ticks) if depth else deep


def _returns(opening: Opening) -> int:
    try:
        return parse_length(str(options_of(opening).get(_BAYS["returns_option"], "")), opening.job.branch.unit).ticks
    except LengthError:
        return 0


def corner_of(group: Group, at: int, left: Opening, right: Opening) -> Corner:
    """The corner between two openings: its angle, who runs past, the room between with a control at that end."""
    unit = _unit(group).value
    ends = _has_control(left, "right") or _has_control(right, "left")
    room = (
        group.room_between.ticks if group.room_between is not None else _BAYS["room_control" if ends else "room"][unit]
    )
    return Corner(float(group.angles[at]), room, group.past[at] if at < len(group.past) else "")


def _has_control(opening: Opening, side: str) -> bool:
    options = options_of(opening)
    return any(options.get(key) == side for key in _BAYS["control_options"])


def _words(group: Group, corner: Corner, offs: Sequence[int]) -> Mapping[str, str]:
    """What is said to each of a corner's two units, the left one and the right one."""
    unit = _unit(group)
    off = " and ".join(Length(ticks).text(unit, symbol=True) for ticks in offs)
    between = f"{off} off the wall, {Length(corner.room).text(unit, symbol=True)} between"
    if not corner.runs_past:
        return dict.fromkeys(("left", "right"), f"both stop; {between}")
    said = {side: "it runs past" if side == corner.runs_past else "the other runs past" for side in ("left", "right")}
    return {side: f"{word}; {between}" for side, word in said.items()}


def pieces_of(members: Sequence[Opening], kept: Sequence[Kept], usual: Length | None = None) -> list[Piece] | None:
    """The bay's walls with their units; None where a wall is not read and there is nothing `usual` for it."""
    found = []
    for one, back in zip(members, kept, strict=True):
        reading = wall_of(one)
        wall = reading.value if reading else usual
        if wall is None:
            return None
        off = (stands_off(one) or 0) if one.mount == Mount.OUTSIDE else 0
        left, right = (back[side]["ticks"] if side in back else 0 for side in ("left", "right"))
        found.append(Piece(wall.ticks, off, left, right))
    return found


def wall_of(opening: Opening) -> Reading | None:
    """The reading of its wall, corner to corner."""
    return current(opening.readings.all()).get((WALL, 1))


def _meeting(group: Group, members: Sequence[Opening], kept: Sequence[Kept]) -> list[tuple[int, int]]:
    """Units that would stand in another unit or wall across the bay, each way."""
    pieces = pieces_of(members, kept)
    if pieces is None:
        return []
    met = meetings(plan(pieces, [float(angle) for angle in group.angles]))
    return [pair for a, b in met for pair in ((a, b), (b, a))]
