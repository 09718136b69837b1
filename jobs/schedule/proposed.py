"""A proposal as the board would stand: where it has its visits, their chances then, and it all in one line."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any, Final

from jobs.models import Crew, Proposal, ProposedMove
from jobs.schedule.board import Ghost
from jobs.schedule.day import DaySchedule, Key, Schedule, read_schedule, standing_of
from jobs.schedule.effects import Harm, chances_of, day_cost, harm_of, is_let_go, money, prices_of
from shared.formats.durations import minutes_text
from shared.formats.money import extra_cost

MOST_DAYS: Final = 7
"""So many days are drawn at most, the first on which something changes."""


@dataclass(frozen=True, slots=True)
class Drawn:
    """
    The days a proposal changes, as they stand and with what is still open of it.

    `broken` is how many promises of these days would begin after their window, `unsure` how many others have
    a chance under the branch's `floor`, of 100; `harm` is the worst the open differences do together; `let_go`
    is how many promises can't stand where the open differences have their visits: their customers are called.
    """

    schedule: Schedule
    crews: Sequence[Crew]
    days: Sequence[dt.date]
    ghosts: Sequence[Ghost]
    broken: int
    unsure: int
    floor: int
    harm: Harm | None
    let_go: int = 0
    answered: str = ""
    """What became of it so far: ``4 of 29 accepted``; empty while nobody answered."""
    before: Mapping[str, Any] = field(default_factory=dict)
    """Driving, stops and cost of these days as they stand now."""
    after: Mapping[str, Any] = field(default_factory=dict)
    """The same with what is still open."""


def drawn(proposal: Proposal, moves: Sequence[ProposedMove], now: dt.datetime) -> Drawn | None:
    """What the page of a proposal draws; None when it places nothing."""
    placed = [move for move in moves if move.crew is not None and move.day is not None and move.starts_at is not None]
    days = sorted({move.day for move in placed if move.day is not None})
    if not days:
        return None
    crews = list(Crew.objects.filter(branch=proposal.branch, is_active=True).prefetch_related("skills"))
    schedule = read_schedule(proposal.branch, crews, days, also=[move.appointment for move in placed])
    still = [move for move in placed if move.state == ProposedMove.State.OPEN]
    after = _after(schedule, still, now)
    before, chances = chances_of(schedule.days.values(), now), chances_of(after.values(), now)
    late = {stop.key for day in after.values() for stop in day.timeline.stops if stop.late >= 60}
    floor = schedule.rules.chance_floor
    busy = {day.key[0] for day in (*schedule.days.values(), *after.values()) if day.standing}
    return Drawn(
        schedule,
        [crew for crew in crews if crew.pk in busy],
        days[:MOST_DAYS],
        _ghosts(still, chances),
        len(late),
        sum(chance < floor for pk, chance in chances.items() if pk not in late),
        floor,
        harm_of(before, chances, (), floor, schedule.rows | {move.appointment_id: move.appointment for move in still}),
        sum(is_let_go(move.appointment, move.day, now) for move in still),
        answered_text(placed),
        _figures(schedule, schedule.days.values()),
        _figures(schedule, after.values()),
    )


def answered_text(placed: Sequence[ProposedMove]) -> str:
    """What became of the differences so far: ``4 of 29 accepted, 2 declined``; empty while nobody answered."""
    states = ProposedMove.State
    counts = [(label, sum(move.state == state for move in placed)) for state, label in states.choices]
    said = [f"{count} {label}" for label, count in counts if count and label != states.OPEN.label]
    if not said:
        return ""
    first, _, word = said[0].partition(" ")
    return ", ".join([f"{first} of {len(placed)} {word}", *said[1:]])


def _figures(schedule: Schedule, days: Iterable[DaySchedule]) -> dict[str, Any]:
    days, prices = list(days), prices_of(schedule.rules)
    return {
        "drive_min": sum(day.timeline.drive for day in days) / 60,
        "stops": sum(len(day.standing) for day in days),
        "cost": sum((money(day_cost(prices, day)) for day in days), Decimal(0)),
    }


def _ghosts(moves: Sequence[ProposedMove], chances: Mapping[int, int]) -> list[Ghost]:
    """Each visit where its difference would put it, with its chance there."""
    return [
        Ghost(
            move.appointment,
            move.crew_id,
            move.day,
            move.starts_at,
            f"{chance}% on time" if chance is not None else "",
            f"#take-{move.pk}",
        )
        for move in moves
        if move.crew_id is not None and move.day is not None and move.starts_at is not None
        for chance in [chances.get(move.appointment_id)]
    ]


def _after(schedule: Schedule, moves: Sequence[ProposedMove], now: dt.datetime) -> dict[Key, DaySchedule]:
    """The days with every open difference taken."""
    after = dict(schedule.days)
    for move in moves:
        row = move.appointment
        for key, day in after.items():
            after[key] = day.without(row.pk)
        assert move.crew_id is not None
        assert move.day is not None
        assert move.starts_at is not None
        moved = standing_of(row)._replace(crew=move.crew_id, day=move.day, starts_at=move.starts_at)
        if is_let_go(row, move.day, now):
            moved = moved._replace(promised_from=None, promised_until=None)
        if (move.crew_id, move.day) in after:
            after[move.crew_id, move.day] = after[move.crew_id, move.day].plus(moved)
    return after


def headline(summary: Mapping[str, Any], seen: Drawn | None) -> str:
    """
    A proposal in one line: ``20 more visits, 15 → 10 min of driving a stop, no promise broken``.

    Once some of it is answered, of what is still open.
    """
    before, after = _stages(summary, seen)
    if before == after and seen is not None and seen.answered:
        return "Nothing of it is open any more"
    parts = []
    if after:
        here = _drive_a_stop(after)
        more = after["stops"] - (before["stops"] if before else 0)
        if more or not before:
            parts.append(f"{more} {'more ' if before else ''}visit{'' if more == 1 else 's'}")
        was = f"{_drive_a_stop(before)} → " if before and _drive_a_stop(before) != here else ""
        parts.append(f"{was}{minutes_text(here)} of driving a stop")
    if seen is not None:
        if seen.let_go:
            parts.append(f"{seen.let_go} promise{'' if seen.let_go == 1 else 's'} given up")
        if seen.broken or not seen.let_go:
            parts.append(f"{seen.broken or 'no'} promise{'' if seen.broken < 2 else 's'} broken")
        if seen.unsure:
            parts.append(f"{seen.unsure} promise{'' if seen.unsure == 1 else 's'} under {seen.floor}%")
    return ", ".join(parts)


def consequences(summary: Mapping[str, Mapping[str, float] | None], seen: Drawn | None, currency: str) -> str:
    """What a proposal costs more and the worst it does, as far as that is known."""
    before, after = _stages(summary, seen)
    if before == after and seen is not None and seen.answered:
        return ""
    parts = []
    if before and after:
        what = "What is open" if seen is not None and seen.answered else "It"
        parts.append(f"{what} {extra_cost(Decimal(str(after['cost'])) - Decimal(str(before['cost'])), currency)}.")
    if seen is not None and seen.let_go:
        parts.append(
            f"{seen.let_go} confirmed appointment{'' if seen.let_go == 1 else 's'} can't stand: call "
            f"{'that customer' if seen.let_go == 1 else 'these customers'} and confirm another time."
        )
    if seen is not None and (seen.harm is not None or not seen.let_go):
        parts.append(
            f"Worst for a confirmed appointment: {seen.harm.text}."
            if seen.harm is not None
            else "No confirmed appointment is less likely to be on time."
        )
    return " ".join(parts)


def _stages(
    summary: Mapping[str, Any], seen: Drawn | None
) -> tuple[Mapping[str, Any] | None, Mapping[str, Any] | None]:
    """The figures before and after; once some of it is answered, from how the calendar stands now."""
    if seen is not None and seen.answered:
        return seen.before, seen.after
    return summary.get("before"), summary.get("after")


def _drive_a_stop(figures: Mapping[str, Any]) -> int:
    return round(figures["drive_min"] / figures["stops"]) if figures["stops"] else 0
