"""Times offered as the board would stand with them: the day of one of them, before and after."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

from jobs.models import Appointment, Crew
from jobs.schedule.board import Ghost
from jobs.schedule.day import Schedule, read_schedule
from jobs.schedule.offers import Offer


@dataclass(frozen=True, slots=True)
class Offered:
    """A day on which something is offered; of what is `chosen` there, all that it moves."""

    schedule: Schedule
    crews: Sequence[Crew]
    day: dt.date
    ghosts: Sequence[Ghost]
    chosen: Offer | None


def offered(visit: Appointment, offers: Sequence[Offer], value: str) -> Offered | None:
    """
    The day of the offer that a form sent as `value`; None where nothing is offered.

    Without one the day on which the visit stands, else the first on which something is. Its crews are those that
    are offered, and the one with which the visit stands.
    """
    chosen = next((offer for offer in offers if offer.value == value), None)
    days = sorted({offer.day for offer in offers})
    if not days:
        return None
    stands = visit.day if visit.day is not None and visit.day in days else days[0]
    day = chosen.day if chosen is not None else stands
    here = [offer for offer in offers if offer.day == day]
    crews = {offer.crew.pk: offer.crew for offer in here}
    if visit.crew is not None and visit.is_placed() and visit.day == day:
        crews.setdefault(visit.crew.pk, visit.crew)
    lanes = sorted(crews.values(), key=lambda crew: crew.name)
    schedule = read_schedule(visit.job.branch, lanes, [day], also=[visit])
    ghosts = [_ghost(visit, offer, is_chosen=offer is chosen) for offer in here]
    if chosen is not None:
        rows = schedule.rows
        ghosts += [
            Ghost(rows[push.appointment.pk], chosen.crew.pk, day, push.becomes, "begins later")
            for push in chosen.others
            if push.appointment.pk in rows
        ]
    return Offered(schedule, lanes, day, ghosts, chosen)


def _ghost(visit: Appointment, offer: Offer, *, is_chosen: bool) -> Ghost:
    said = [f"{offer.on_time}% on time", offer.cost_text, offer.harm.text if offer.harm is not None else ""]
    return Ghost(
        visit, offer.crew.pk, offer.day, offer.starts_at, ", ".join(filter(None, said)), f"#{offer.key}",
        "" if is_chosen else f"{offer.on_time}%", offer.is_risky,
    )  # fmt: skip
