"""How long a measure visit takes: a branch's own minutes, for the calendar."""

from __future__ import annotations

import json
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Annotated, Final

from jobs.models import Appointment
from jobs.ports import Expected, Minutes
from measuring.models import Group, MeasureTimes, Opening, Substrate
from shared.errors import Refused
from shared.lengths import Length
from shared.models import Branch
from shared.records import STORED, Within

STARTING: Final = Path(__file__).resolve().parents[1] / "data" / "measure_times.json"
MOST: Final = 600
UNKNOWN: Final = "unknown"
"""Family of an opening whose product nobody has chosen."""


@cache
def starting_minutes() -> dict[str, int]:
    """Common practice, no published source; a firm edits its own copy."""
    rows = json.loads(STARTING.read_text(encoding="utf-8"))
    del rows["basis"]
    return STORED.read(dict[str, Annotated[int, Within(0, MOST)]], rows)


def read_minutes(sent: Mapping[str, object]) -> dict[str, int]:
    """
    Every known figure as a whole number.

    Raises
    ------
    Refused
        With the figure's name as field.
    """
    clean = {}
    for key, usual in starting_minutes().items():
        value = sent.get(key, usual)
        try:
            number = int(str(value).strip())
        except ValueError:
            raise Refused(f"{str(value)[:20]} is no whole number", field=key, bound=f"0 to {MOST}") from None
        if not 0 <= number <= MOST:
            raise Refused(f"{number} is out of bounds", field=key, bound=f"0 to {MOST}")
        clean[key] = number
    if clean["safe_share_percent"] < 100:
        raise Refused("what most visits keep is no less than the mean", field="safe_share_percent", bound="100 or more")
    if clean["side_by_side_percent"] > 100:
        raise Refused("two people can't share more than all of it", field="side_by_side_percent", bound="0 to 100")
    return clean


def minutes_of(branch: Branch) -> dict[str, int]:
    """The branch's own figures, else the starting ones."""
    row = MeasureTimes.objects.filter(branch=branch).first()
    return {**starting_minutes(), **(row.minutes if row else {})}


def measure_minutes(appointment: Appointment) -> Minutes:
    """
    Minutes on site for a measure appointment, with what they are made of.

    For the openings the appointment names, else those of the job still to be measured, else
    as many as the customer told of.
    """
    job = appointment.job
    own = minutes_of(job.branch)
    named = Opening.objects.filter(visit_openings__appointment=appointment)
    rows = (
        named
        if named.exists()
        else Opening.objects.filter(job=job).exclude(
            state__in=[Opening.State.MEASURED, Opening.State.CANNOT, Opening.State.DROPPED]
        )
    )
    openings = list(rows.select_related("product", "group").prefetch_related("photos"))
    if openings:
        return _minutes(own, _families(openings), appointment.people, _hard_parts(openings, own))
    return expected_minutes(Expected.of(job, appointment.purpose, appointment.people), own)


def expected_minutes(visit: Expected, own: Mapping[str, int] | None = None) -> Minutes:
    """The same for openings of which nothing but their number and family is known; `own`: the branch's figures."""
    families = {family or UNKNOWN: count for family, count in visit.families.items()}
    return _minutes(own or minutes_of(visit.branch), families, visit.people, [])


def _minutes(own: Mapping[str, int], families: Mapping[str, int], people: int, hard: list[tuple[int, str]]) -> Minutes:
    """The visit, each family's openings, what is hard about them; less what a second tape measure saves."""
    parts = [(count * own[family], f"{count} {family} at {own[family]}") for family, count in families.items()]
    parts += hard
    at_openings = sum(minutes for minutes, _ in parts)
    if people > 1 and sum(families.values()) > 1:
        saved = at_openings * own["side_by_side_percent"] // 200
        parts.append((-saved, f"−{saved} by two people side by side"))
    total = own["visit"] + sum(minutes for minutes, _ in parts)
    why = (f"{own['visit']} for the visit", *(words for _, words in parts))
    return Minutes(mean=total, safe=-(-total * own["safe_share_percent"] // 100), why=why)


def _families(openings: list[Opening]) -> dict[str, int]:
    families: dict[str, int] = {}
    for opening in openings:
        family = opening.product.family if opening.product else UNKNOWN
        families[family] = families.get(family, 0) + opening.units_wanted
    return families


def _hard_parts(openings: list[Opening], own: Mapping[str, int]) -> list[tuple[int, str]]:
    parts: list[tuple[int, str]] = []
    for key, word, count in (
        ("door", "doors", sum(opening.is_door for opening in openings)),
        ("bay_or_corner", "bays and corners", _bays(openings)),
        ("ladder", "over a ladder", sum(_is_high(opening, own) for opening in openings)),
        ("masonry_or_no_photo", "masonry or no photo yet", sum(_is_unseen(opening) for opening in openings)),
    ):
        if count and own[key]:
            parts.append((count * own[key], f"{count} {word} at {own[key]}"))
    return parts


def _bays(openings: list[Opening]) -> int:
    kinds = (Group.Kind.BAY, Group.Kind.CORNER)
    return len({one.group_id for one in openings if one.group is not None and one.group.kind in kinds})


def _is_high(opening: Opening, own: Mapping[str, int]) -> bool:
    return opening.reach_height is not None and opening.reach_height > Length.inches(own["ladder_over_in"])


def _is_unseen(opening: Opening) -> bool:
    hard = opening.substrate in (Substrate.MASONRY, Substrate.CONCRETE, Substrate.TILE)
    return hard or not any(photo.removed_at is None for photo in opening.photos.all())
