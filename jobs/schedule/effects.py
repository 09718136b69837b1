"""What a change of the calendar would do: its one price, whom it pushes, which promises it breaks."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Final

from django.utils import timezone

from jobs.models import Appointment, CalendarRules, Crew
from jobs.ports import Blocker, ports
from jobs.rules.routing import Objective
from jobs.rules.timeline import Timed
from jobs.schedule.availability import WorkDay
from jobs.schedule.chances import day_chances, hundredths
from jobs.schedule.dates import earliest_install
from jobs.schedule.day import BEGUN, DaySchedule, Schedule, Standing, moment, read_schedule, seconds, standing_of
from jobs.schedule.wishes import against_wishes
from jobs.schedule.words import clock
from shared.formats.dates import short_day
from shared.formats.durations import minutes_text, more_or_less
from shared.formats.money import extra_cost

State = Appointment.State
COST_UNIT: Final = 360_000
"""Of a cost, in one of money."""
LOCKED: Final = "It is locked to its crew and time: unlock it on its page first."


def _standing(day: DaySchedule) -> int:
    return day.timeline.paid - day.timeline.drive - day.timeline.at_van


# -- the price ---------------------------------------------------------------------------


def prices_of(rules: CalendarRules) -> Objective:
    """The branch's prices; a cost divided by `COST_UNIT` is money."""
    return Objective.per_hour(
        drive=float(rules.drive_price),
        paid=float(rules.paid_price),
        overtime=float(rules.overtime_price),
        moved=float(rules.moved_price),
    )


def money(cost: int) -> Decimal:
    """A cost in the branch's money, to the cent."""
    return (Decimal(cost) / COST_UNIT).quantize(Decimal("0.01"))


def day_cost(prices: Objective, day: DaySchedule) -> int:
    """
    What a day costs: driving, paid hours from leaving to being back, overtime on top.

    A day on which the crew does not work costs nothing, whatever stands there: nobody drives it.
    """
    if not day.standing or not day.work.shifts:
        return 0
    over = max(0, day.timeline.back - seconds(day.work.shifts[-1][1]))
    return prices.drive * day.timeline.drive + prices.paid * day.timeline.paid + prices.overtime * over


@dataclass(frozen=True, slots=True)
class Change:
    """The crew-days that a change touches, as they stand and as they would; every price is taken here."""

    before: Sequence[DaySchedule]
    after: Sequence[DaySchedule]
    promises_moved: int = 0
    """How many promised visits leave their crew or day."""

    def price(self, prices: Objective) -> Decimal:
        """What all of them cost more, in money."""
        cost = sum(day_cost(prices, one) for one in self.after) - sum(day_cost(prices, one) for one in self.before)
        return money(cost + prices.moved * self.promises_moved)

    @property
    def drive_s(self) -> int:
        """Seconds driven more."""
        return sum(one.timeline.drive for one in self.after) - sum(one.timeline.drive for one in self.before)

    @property
    def standing_s(self) -> int:
        """Seconds paid more that are neither driven nor spent at the van of a crew that is out."""
        return sum(map(_standing, self.after)) - sum(map(_standing, self.before))


def change_of(there: DaySchedule, one: Standing, left: DaySchedule | None) -> Change:
    """
    A visit comes to a crew's day, as `one` has it.

    `left` is the crew-day on which it stands now, None where it stands nowhere.
    """
    if left is None or left.key == there.key:
        return Change([left or there], [there.plus(one)])
    return Change([there, left], [there.plus(one), left.without(one.pk)], int(one.state == State.PROMISED))


# -- whom it harms -----------------------------------------------------------------------

NOISE: Final = 2
"""Of 100: a chance that falls by less is the same; it is how far a sampled one may be from the truth."""


@dataclass(frozen=True, slots=True)
class Harm:
    """
    What a change does to somebody else's confirmed appointment: its chance of 100 as it stands, and after.

    `is_risky`: it falls under the branch's floor.
    """

    appointment: int
    job: str
    customer: str
    before: int
    after: int
    floor: int

    @property
    def is_risky(self) -> bool:
        return self.after < self.floor

    @property
    def text(self) -> str:
        """``J-1004 Ellery: 97% → 56% on time``."""
        return f"{self.job} {self.customer}: {self.before}% → {self.after}% on time"


Chances = Mapping[int, int]
"""Of 100, by appointment."""


def fallen(before: Chances, after: Chances, own: Collection[int], floor: int) -> int | None:
    """
    Whose chance, not of `own`, falls worst: first those that fall under the floor, of these the one that falls most.

    >>> fallen({1: 97, 2: 92, 3: 99}, {1: 93, 2: 88, 3: 98, 4: 50}, {4}, 90)
    2
    """
    fell = [pk for pk, now in after.items() if pk not in own and pk in before and before[pk] - now >= NOISE]
    return max(fell, key=lambda pk: (after[pk] < floor, before[pk] - after[pk], -pk), default=None)


def chances_of(days: Iterable[DaySchedule], now: dt.datetime) -> dict[int, int]:
    """The chance of every confirmed appointment still to be kept on these days, of 100."""
    return {pk: hundredths(one.on_time) for day in days for pk, one in day_chances(day, now).items()}


def harm_of(
    before: Chances, after: Chances, own: Collection[int], floor: int, rows: Mapping[int, Appointment]
) -> Harm | None:
    """The worst a change does to others than `own`; None when nobody's chance falls."""
    pk = fallen(before, after, own, floor)
    if pk is None:
        return None
    job = rows[pk].job
    return Harm(pk, job.number, job.customer.name, before[pk], after[pk], floor)


# -- before it happens -------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Clash:
    """
    What is wrong with an appointment at a place in the calendar.

    A ``stop`` can't be had; a ``check`` can, when the dispatcher says so.
    """

    code: str
    text: str
    severity: str = "stop"


@dataclass(frozen=True, slots=True)
class Push:
    """An appointment that would begin later than planned."""

    appointment: Appointment
    was: dt.datetime
    becomes: dt.datetime
    late_min: int


@dataclass(frozen=True, slots=True)
class Effect:
    """
    What putting an appointment somewhere would do, worked out before it is done.

    `price` is the change in money over all crew-days touched; `drive_min` the change in
    driving; `pushed` who begins later; `broken` the promises that would not be kept; `harm` the
    worst it does to somebody else's chance.
    """

    price: Decimal
    drive_min: int
    clashes: tuple[Clash, ...]
    pushed: tuple[Push, ...]
    broken: tuple[str, ...]
    word: str = ""
    harm: Harm | None = None
    currency: str = "USD"

    @property
    def cost_text(self) -> str:
        """What it costs the firm, in the branch's currency."""
        return extra_cost(self.price, self.currency)

    @property
    def stops(self) -> tuple[Clash, ...]:
        return tuple(clash for clash in self.clashes if clash.severity == "stop")

    @property
    def needs_a_yes(self) -> bool:
        """Whether it can be done only when the dispatcher says so."""
        return bool(self.broken or [clash for clash in self.clashes if clash.severity == "check"])


def effect_of(
    appointment: Appointment,
    *,
    crew: Crew,
    starts_at: dt.datetime,
    schedule: Schedule | None = None,
) -> Effect:
    """
    What placing (or moving) the appointment to that crew and start would do.

    The stops after it keep their planned start unless the crew can't be there by then.
    """
    branch = appointment.job.branch
    key = crew.pk, starts_at.astimezone(branch.tz).date()
    stands = standing_key(appointment)
    if schedule is None:
        crews, days = {crew.pk: crew}, {key[1]}
        if stands is not None and appointment.crew is not None:
            crews.setdefault(stands[0], appointment.crew)
            days.add(stands[1])
        schedule = read_schedule(branch, list(crews.values()), sorted(days), also=[appointment])
    there = schedule.days[key]
    moved = standing_of(appointment)._replace(crew=key[0], day=key[1], starts_at=starts_at)
    change = change_of(there, moved, schedule.days.get(stands) if stands is not None else None)
    after = change.after[0]
    pushed, broken = _pushes(appointment, moved, there, after)
    return Effect(
        change.price(prices_of(schedule.rules)),
        round(change.drive_s / 60),
        (
            *_own_clashes(appointment, moved, crew, there.work, after.stops[moved.pk].lunch),
            *_day_clashes(appointment, after, there),
        ),
        tuple(pushed),
        tuple(broken),
        schedule.roads.travel.word,
        _harm(appointment, change, schedule),
        schedule.branch.currency,
    )


def _harm(row: Appointment, change: Change, schedule: Schedule) -> Harm | None:
    now = timezone.now()
    before, after = chances_of(change.before, now), chances_of(change.after, now)
    return harm_of(before, after, {row.pk}, schedule.rules.chance_floor, schedule.rows)


def trouble_text(day: DaySchedule) -> str:
    """What can't be driven of a day as it stands: ``Crew 2 on Mon 7 Dec would reach J-7 15 min late``."""
    stop = day.trouble
    if stop is None:
        return ""
    late = minutes_text(round(max(stop.late, stop.pushed) / 60))
    return f"{day.crew.name} on {short_day(day.day)} would reach {day.rows[stop.key].job.number} {late} late"


def standing_key(appointment: Appointment) -> tuple[int, dt.date] | None:
    """Crew and day on which an appointment stands; None when it stands nowhere."""
    if not appointment.is_placed() or appointment.crew_id is None or appointment.day is None:
        return None
    return appointment.crew_id, appointment.day


def is_let_go(row: Appointment, day: dt.date | None, now: dt.datetime) -> bool:
    """Whether a promise can't stand where a plan has the visit: it is of another day, or was over before."""
    if row.promised_from is None or row.promised_until is None:
        return False
    return row.promised_until <= now or row.promised_from.astimezone(row.job.branch.tz).date() != day


def in_the_way(row: Appointment) -> list[Blocker]:
    """What the rooms above say stops a visit that puts something up; nothing of it for a measuring."""
    if row.is_measuring() or row.state in {*BEGUN, State.CANCELLED}:
        return []
    return [blocker for blocker in ports.blockers(row.job) if blocker.severity == "stop"]


def _own_clashes(row: Appointment, moved: Standing, crew: Crew, work: WorkDay, lunch: int) -> Iterable[Clash]:
    """What is wrong whatever else is on that day; it lasts longer by the seconds of `lunch` within it."""
    tz, ends_at = row.job.branch.tz, moved.ends_at + dt.timedelta(seconds=lunch)
    if row.is_locked:
        yield Clash("locked", LOCKED)
    if not work.works:
        yield Clash("away", f"{work.why}.")
    else:
        yield from _hour_clashes(moved.starts_at, ends_at, work, tz)
    first, why = earliest_install(row)
    if first is not None and moved.day < first:
        yield Clash("ready", f"{short_day(moved.day)} is too early: {why}.")
    if crew.purposes and row.purpose not in crew.purposes:
        yield Clash("purpose", f"{crew.name} does not drive for {row.get_purpose_display()}.", "check")
    skills = row.skills.all() if row.pk else ()
    lacking = sorted({skill.name for skill in skills} - {skill.name for skill in crew.skills.all()})
    if lacking:
        yield Clash("skill", f"{crew.name} lacks: {', '.join(lacking)}.", "check")
    if work.works and row.people > work.people:
        yield Clash("people", f"It needs {row.people} people; {crew.name} has {work.people} that day.", "check")
    for span in row.job.impossible_times.all():
        if span.starts_at < ends_at and span.ends_at > moved.starts_at:
            text = f"The customer can't from {clock(span.starts_at, tz)} to {clock(span.ends_at, tz)} that day."
            yield Clash("customer", text, "check")
    if against := against_wishes(row.job.wishes.all() if row.job.pk else (), moved.starts_at, ends_at, tz):
        yield Clash("customer", f"The customer asked for: {against}.", "check")
    if moved.point is None:
        yield Clash("place", "The site has no coordinates, so no drive to it is counted.", "check")


def _hour_clashes(starts_at: dt.datetime, ends_at: dt.datetime, work: WorkDay, tz: dt.tzinfo) -> Iterable[Clash]:
    place = work.shift_at(starts_at)
    if place is None:
        hours = " and ".join(f"{clock(a, tz)} to {clock(b, tz)}" for a, b in work.shifts)
        yield Clash("hours", f"Outside the crew's hours that day: {hours}.")
        return
    over = round((ends_at - work.shifts[place][1]).total_seconds() / 60)
    most = work.overtime_after(place)
    if over > most:
        what = f"{minutes_text(most)} of overtime" if most else "no overtime"
        yield Clash("hours", f"It would end {minutes_text(over)} after the crew's hours; there is {what}.")
    elif over > 0:
        yield Clash("overtime", f"It ends {minutes_text(over)} into overtime.", "check")


def _day_clashes(moved: Appointment, after: DaySchedule, there: DaySchedule) -> Iterable[Clash]:
    """Overlaps with what stands there, drive time counted."""
    tz = moved.job.branch.tz
    timed = after.timeline.stops
    own = after.stops[moved.pk]
    if own.pushed:
        before = timed[timed.index(own) - 1]
        text = (
            f"{there.crew.name} is at {there.rows[before.key].job.number} until {clock(moment(before.leave), tz)}; "
            f"with {minutes_text(round(own.driving / 60))} of driving it is here at {clock(moment(own.arrive), tz)}."
        )
        yield Clash("overlap", text)
    for stop in timed:
        if stop.key != moved.pk and stop.pushed and stop.is_fixed and stop.start > own.start:
            row = there.rows[stop.key]
            text = (
                f"{row.job.number} is fixed at {clock(after.by_pk[stop.key].starts_at, tz)} and would be "
                f"reached {minutes_text(round(stop.pushed / 60))} late."
            )
            yield Clash("locked", text)
    if there.work.shifts:
        over = round((after.timeline.back - seconds(there.work.shifts[-1][1])) / 60)
        if over > there.work.overtime_min:
            yield Clash("hours", f"{there.crew.name} would be back {minutes_text(over)} after its hours.", "check")
        if not after.timeline.has_lunch:
            assert there.work.lunch is not None
            yield Clash("lunch", f"No {minutes_text(there.work.lunch.minutes)} of lunch would be left.", "check")


def _pushes(row: Appointment, moved: Standing, there: DaySchedule, after: DaySchedule) -> tuple[list[Push], list[str]]:
    pushed, broken = [], []
    was_late = {pk: round(stop.late / 60) for pk, stop in there.stops.items()}
    for stop in after.timeline.stops:
        if stop.key == moved.pk:
            broken += _own_broken(row, stop)
            continue
        other, late = there.rows[stop.key], round(stop.late / 60)
        if stop.pushed and not stop.is_fixed:
            pushed.append(Push(other, after.by_pk[stop.key].starts_at, moment(stop.start), late))
        if late > was_late.get(stop.key, 0):
            broken.append(
                f"{other.job.number} {other.job.customer.name}: {minutes_text(late)} after its appointment window"
            )
    return pushed, broken


def _own_broken(row: Appointment, stop: Timed) -> list[str]:
    if row.promised_from is None or row.promised_until is None or not (stop.early or stop.late):
        return []
    tz = row.job.branch.tz
    day = short_day(row.promised_from.astimezone(tz).date())
    return [f"{row.job.number} itself: promised {day} {clock(row.promised_from, tz)} to "
            f"{clock(row.promised_until, tz)}"]  # fmt: skip


def effect_json(effect: Effect) -> dict[str, object]:
    """What the board shows before anybody lets go."""
    return {
        "price": str(effect.price),
        "cost": effect.cost_text,
        "harm": effect.harm.text if effect.harm else "",
        "is_risky": effect.harm is not None and effect.harm.is_risky,
        "drive_min": effect.drive_min,
        "driving": more_or_less(effect.drive_min),
        "stops": [clash.text for clash in effect.stops],
        "checks": [clash.text for clash in effect.clashes if clash.severity == "check"],
        "broken": list(effect.broken),
        "pushed": [
            {
                "appointment": push.appointment.pk,
                "job": push.appointment.job.number,
                "was": push.was.isoformat(),
                "becomes": push.becomes.isoformat(),
            }
            for push in effect.pushed
        ],
        "word": effect.word,
        "text": effect_text(effect),
    }


def effect_text(effect: Effect) -> str:
    """The same as one line for reading aloud."""
    if effect.stops:
        return f"Not possible: {effect.stops[0].text}"
    parts = [f"{effect.cost_text}, driving {more_or_less(effect.drive_min)}"]
    if effect.harm:
        parts.append(effect.harm.text)
    if effect.broken:
        parts.append("breaks a promise: " + "; ".join(effect.broken))
    parts += [clash.text for clash in effect.clashes]
    if effect.pushed:
        parts.append("later: " + ", ".join(push.appointment.job.number for push in effect.pushed))
    return ". ".join(part.rstrip(".") for part in parts) + "."
