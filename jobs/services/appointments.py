"""Appointments: place, reserve, promise, move, lock, cancel; and the day itself."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from uuid import uuid4

from django.db import transaction
from django.db.models import F, QuerySet
from django.utils import timezone

from jobs.models import (
    Appointment,
    AppointmentMove,
    CalendarRules,
    Crew,
    Job,
    MessageKind,
    PossibleWindow,
    Purpose,
    Skill,
)
from jobs.ports import Blocker, Expected, Minutes, ports
from jobs.rules.next_action import back_until
from jobs.rules.travel import drive_seconds
from jobs.schedule.availability import crew_days
from jobs.schedule.chances import outlooks
from jobs.schedule.day import BEGUN, in_the_calendar, read_day, read_schedule
from jobs.schedule.effects import LOCKED, Effect, Push, effect_of, in_the_way, trouble_text
from jobs.schedule.travel import road_model
from jobs.schedule.words import clock
from jobs.services.base import lock_appointment, lock_crews, plain_state, restore, save, sync_from
from jobs.services.messages import AFTER, notify, tell_cancelled, tell_window
from jobs.services.stages import lock_open_job, recompute_stage
from jobs.services.times import check_spans
from shared import audit, roles
from shared.errors import Refused
from shared.models import Branch, User

State = Appointment.State
TOLD = ["told_at", "told_time", "asked_at"]
PLACE = [
    "call_on", "call_note", "call_owner", "state", "crew", "day", "starts_at", "promised_from", "promised_until",
    "reserved_until", "reserved_by", "is_locked",
]  # fmt: skip
LONGEST_MIN = 24 * 60

# -- making one ----------------------------------------------------------------------


def minutes_for(appointment: Appointment) -> Minutes | None:
    """
    Minutes on site from whoever knows this purpose, for a visit that is stored or not; None if nobody does.

    Where the site's place is only about right, what is kept is longer by driving that far out and back.
    """
    if appointment.pk is None:
        known = ports.expected_minutes(Expected.of(appointment.job, appointment.purpose, appointment.people))
    else:
        known = ports.minutes(appointment)
    site = appointment.job.site
    if known is None or not site.place_within_m:
        return known
    model = road_model(site.branch)
    further = float(drive_seconds(site.place_within_m, model)) - model.stop_s
    more = math.ceil(2 * further / 60)
    why = f"{site.place_text}: {more} minutes more are kept free"
    return replace(known, safe=known.safe + more, why=(*known.why, why))


def know_minutes_anew(visits: QuerySet[Appointment]) -> None:
    """What to keep free for visits to come, where a site's place is better or worse known than before."""
    over = (Appointment.State.DONE, Appointment.State.CANCELLED)
    for row in visits.exclude(state__in=over).select_related("job__site__branch"):
        known = minutes_for(row)
        if known is not None and known.mean == row.duration_min and known.safe != row.duration_safe_min:
            row.duration_safe_min = known.safe
            row.save(update_fields=["duration_safe_min"])


def hypothetical_visit(*, job: Job, purpose: str, duration_min: int | None = None, people: int = 1) -> Appointment:
    """A visit as `new_appointment` would ask for it, of a job that nobody stored; nothing is written."""
    row = Appointment(job=job, purpose=Purpose(purpose), people=people)
    _know_minutes(row, duration_min)
    return row


@transaction.atomic
def new_appointment(
    *,
    job: Job | int,
    purpose: str,
    by: User,
    duration_min: int | None = None,
    people: int = 1,
    skills: Iterable[Skill] = (),
    earliest_on: dt.date | None = None,
    priority: int = 1,
    note: str = "",
    possible: Sequence[tuple[dt.datetime, dt.datetime]] = (),
    with_crew_of: Appointment | None = None,
) -> Appointment:
    """
    A visit of the job that stands nowhere in the calendar yet.

    Without `duration_min` its minutes come from whoever knows the purpose (the openings to
    measure, the units to install). `possible` are the windows the customer can take.
    """
    locked = lock_open_job(job)
    check_spans(possible, "windows")
    row = Appointment(
        job=locked,
        purpose=Purpose(purpose),
        people=people,
        earliest_on=earliest_on,
        priority=priority,
        note=note,
        with_crew_of=with_crew_of,
        created_by=by,
    )
    row.save()
    row.skills.set(skills)
    for begin, end in possible:
        PossibleWindow.objects.create(appointment=row, starts_at=begin, ends_at=end)
    _know_minutes(row, duration_min)
    row.save(update_fields=["duration_min", "duration_safe_min"])
    audit.record(
        by=by, action="asked for a visit", subject=row, job=locked, changes={"minutes": ["", row.duration_min]}
    )
    recompute_stage(job=locked, by=by)
    return row


def _know_minutes(row: Appointment, typed: int | None) -> None:
    """Its minutes from whoever knows them, or as somebody typed them."""
    known = minutes_for(row)
    if known is not None:
        row.duration_min, row.duration_safe_min = known.mean, known.safe
    if typed:
        _set_minutes(row, typed)


def _set_minutes(row: Appointment, minutes: int) -> None:
    """Minutes as somebody typed them: what 85 of 100 such visits keep is known of the usual minutes only."""
    if not 1 <= minutes <= LONGEST_MIN:
        raise Refused(f"{minutes} minutes is no length of a visit", field="duration_min", bound="1 to 1440")
    if minutes != row.duration_min:
        row.duration_min, row.duration_safe_min = minutes, None


@transaction.atomic
def edit_appointment(
    *,
    appointment: Appointment,
    by: User,
    duration_min: int | None = None,
    people: int | None = None,
    priority: int | None = None,
    earliest_on: dt.date | None = None,
    note: str | None = None,
    skills: Iterable[Skill] | None = None,
) -> Appointment:
    """Minutes, people, priority, earliest day, skills, note; what is None stays, `earliest_on` is always set."""
    row = lock_appointment(appointment)
    if duration_min is not None:
        _set_minutes(row, duration_min)
    for name, value in (("people", people), ("priority", priority), ("note", note)):
        if value is not None:
            setattr(row, name, value)
    row.earliest_on = earliest_on
    fields = ["duration_min", "duration_safe_min", "people", "priority", "earliest_on", "note"]
    save(row, fields, by=by, action="changed the visit", job=row.job)
    if skills is not None:
        row.skills.set(skills)
    return sync_from(appointment, row)


# -- in the calendar -------------------------------------------------------------------


@transaction.atomic
def place(
    *,
    appointment: Appointment,
    crew: Crew,
    starts_at: dt.datetime,
    by: User,
    anyway: bool = False,
    version: int | None = None,
) -> Appointment:
    """
    Puts an appointment into a crew's day, or moves it there.

    Refused when it can't be had there (`jobs.schedule.effects`), and where only the
    dispatcher can decide (a broken promise, overtime, a missing skill) unless `anyway`.
    The stops after it that it pushes begin later, which is kept for undo.
    """
    row = lock_appointment(appointment, crew, version=version)
    if row.state in BEGUN:
        raise Refused(f"the crew is {row.get_state_display()}; it can't be moved any more")
    was = plain_state(row)
    effect = effect_of(row, crew=crew, starts_at=starts_at)
    refuse_if_wrong(effect, anyway=anyway)
    is_new = not row.is_placed()
    row.call_no_more()
    row.crew, row.starts_at = crew, starts_at
    row.day = starts_at.astimezone(row.job.branch.tz).date()
    if row.state in {State.UNPLACED, State.RESERVED}:
        row.state, row.reserved_until, row.reserved_by = State.PLANNED, None, None
        if was["state"] == State.RESERVED:
            row.promised_from = row.promised_until = None
    note = "; ".join([*(clash.text for clash in effect.clashes), *effect.broken]) if anyway else ""
    _save_place(row, by, "placed" if is_new else "moved", note)
    push(effect.pushed, by=by)
    _remember(row, was, effect.pushed, by)
    recompute_stage(job=row.job_id, by=by)
    return sync_from(appointment, row)


def move(
    *,
    appointment: Appointment,
    crew: Crew,
    starts_at: dt.datetime,
    by: User,
    anyway: bool = False,
    version: int | None = None,
) -> Appointment:
    """The same as `place`, for an appointment that stands somewhere already."""
    return place(appointment=appointment, crew=crew, starts_at=starts_at, by=by, anyway=anyway, version=version)


def refuse_if_wrong(effect: Effect, *, anyway: bool = False) -> None:
    """Refuses with the first thing that can't be had, or that needs a yes nobody gave."""
    for clash in effect.stops:
        raise Refused(clash.text, field="starts_at")
    if anyway:
        return
    if effect.broken:
        raise Refused(f"it would break a promise: {'; '.join(effect.broken)}", field="anyway")
    for clash in effect.clashes:
        raise Refused(clash.text, field="anyway")


def push(pushed: Iterable[Push], *, by: User | None) -> None:
    """Later starts of the stops a move pushed; their jobs' trails say so."""
    entries = []
    for one in pushed:
        Appointment.objects.filter(pk=one.appointment.pk).update(
            starts_at=one.becomes, version=F("version") + 1, sequence=F("sequence") + 1
        )
        entries.append(
            audit.entry(
                by=by,
                action="was pushed by another visit",
                subject=one.appointment,
                job=one.appointment.job_id,
                changes={"starts_at": [one.was, one.becomes]},
            )
        )
    audit.record_all(entries)


def pull_back(pushed: Mapping[str, Sequence[str]]) -> None:
    """Earlier starts again for the stops that a move had pushed, where they still stand as it left them."""
    for pk, (before, after) in pushed.items():
        Appointment.objects.filter(pk=pk, starts_at=dt.datetime.fromisoformat(after)).exclude(state__in=BEGUN).update(
            starts_at=dt.datetime.fromisoformat(before), version=F("version") + 1, sequence=F("sequence") + 1
        )


def plain_pushes(pushed: Iterable[Push]) -> dict[str, list[str]]:
    """Pushes as a move keeps them for undo: start before and after by appointment."""
    return {str(one.appointment.pk): [one.was.isoformat(), one.becomes.isoformat()] for one in pushed}


def _save_place(row: Appointment, by: User | None, action: str, note: str = "") -> None:
    row.version += 1
    row.sequence += 1
    changes = audit.changed(row, PLACE)
    row.told_at = row.told_time = row.asked_at = None  # of where it stood
    row.save(update_fields=[*PLACE, *TOLD, "version", "sequence"])
    audit.record(by=by, action=action, subject=row, job=row.job_id, changes=changes, note=note)


def _remember(
    row: Appointment, was: dict[str, object], pushed: Iterable[Push], by: User | None, swap: str = ""
) -> None:
    before = {"own": was, "pushed": plain_pushes(pushed)} | ({"swap": swap} if swap else {})
    AppointmentMove.objects.create(appointment=row, by=by, before=before, version=row.version)


@transaction.atomic
def undo_move(*, appointment: Appointment, by: User) -> Appointment:
    """Takes the last move back, with what it pushed; refused when something happened since."""
    last = AppointmentMove.objects.filter(appointment=appointment, undone_at=None).first()
    if last is None:
        raise Refused("there is no move to take back")
    own = last.before["own"]
    row = lock_appointment(appointment, own["crew"])
    if row.version != last.version or row.state in BEGUN:
        raise Refused("something happened to this appointment since; move it by hand")
    restore(row, own)
    if row.starts_at is not None and row.crew is not None:
        effect = effect_of(row, crew=row.crew, starts_at=row.starts_at)
        if effect.stops:
            raise Refused(f"its old place is taken: {effect.stops[0].text}")
    _save_place(row, by, "took the move back")
    pull_back(last.before["pushed"])
    last.undone_at = timezone.now()
    last.save(update_fields=["undone_at"])
    recompute_stage(job=row.job_id, by=by)
    if row.state == State.PROMISED:
        tell_window(appointment=row, by=by)
    return sync_from(appointment, row)


@transaction.atomic
def unplace(*, appointment: Appointment, by: User, anyway: bool = False) -> Appointment:
    """Takes an appointment out of the calendar; it waits among the unplaced."""
    row = lock_appointment(appointment)
    if row.state in BEGUN:
        raise Refused(f"the crew is {row.get_state_display()}; it can't be taken out any more")
    if row.is_locked:
        raise Refused(LOCKED)
    if row.state == State.PROMISED and not anyway:
        raise Refused("the customer was promised this visit; say so if it is to go", field="anyway")
    was = plain_state(row)
    _clear(row)
    _save_place(row, by, "took out of the calendar")
    _remember(row, was, (), by)
    recompute_stage(job=row.job_id, by=by)
    return sync_from(appointment, row)


def _clear(row: Appointment) -> None:
    row.state, row.is_locked = State.UNPLACED, False
    row.crew = row.day = row.starts_at = None
    row.promised_from = row.promised_until = row.reserved_until = row.reserved_by = None


# -- reserving and promising ---------------------------------------------------------------


@transaction.atomic
def reserve_window(
    *,
    appointment: Appointment,
    crew: Crew,
    starts_at: dt.datetime,
    window: tuple[dt.datetime, dt.datetime],
    by: User,
    anyway: bool = False,
    version: int | None = None,
) -> Appointment:
    """
    Reserves a window on a crew's day while the customer makes up their mind.

    Parameters
    ----------
    window
        Begin and end of what would be promised; the work starts within it.

    The crew's row is locked, so of two dispatchers who want the same slot the second is
    refused with what stands there now.
    """
    row = lock_appointment(appointment, crew, version=version)
    _refuse_placed(row)
    begin, end = window
    if end <= begin:
        raise Refused("the window ends before it begins", field="window")
    if end <= timezone.now():
        raise Refused("the window lies in the past", field="window")
    if not begin <= starts_at <= end:
        raise Refused("the planned start is not in the window", field="starts_at")
    row.promised_from = row.promised_until = None
    effect = effect_of(row, crew=crew, starts_at=starts_at)
    refuse_if_wrong(effect, anyway=anyway)
    row.crew, row.starts_at, row.day = crew, starts_at, starts_at.astimezone(row.job.branch.tz).date()
    row.promised_from, row.promised_until = begin, end
    row.call_no_more()
    row.state, row.reserved_by = State.RESERVED, by
    row.reserved_until = timezone.now() + dt.timedelta(minutes=CalendarRules.of(row.job.branch).reservation_min)
    _save_place(row, by, "held a window")
    push(effect.pushed, by=by)
    return sync_from(appointment, row)


@transaction.atomic
def reserve_offer(
    *, appointment: Appointment, crew: Crew, window: tuple[dt.datetime, dt.datetime], by: User
) -> Appointment:
    """
    Reserves an offered window at the best place of that crew's day as it stands now.

    The place is worked out anew under the crew's lock, so what somebody sold meanwhile is
    seen; refused when there is no room left.
    """
    from jobs.schedule.offers import offer_in

    row = lock_appointment(appointment, crew)
    _refuse_placed(row)
    offer = offer_in(row, crew, window)
    if offer is None:
        raise Refused(f"that window with {crew.name} is taken meanwhile; choose another", field="window")
    return reserve_window(
        appointment=appointment, crew=crew, starts_at=offer.starts_at, window=window, by=by, anyway=True
    )  # fmt: skip


def _refuse_placed(row: Appointment) -> None:
    if row.state not in {State.UNPLACED, State.RESERVED}:
        raise Refused(f"it is {row.get_state_display()} already; move it instead")


@transaction.atomic
def promise_another_time(
    *,
    appointment: Appointment,
    crew: Crew,
    window: tuple[dt.datetime, dt.datetime],
    by: User | None,
    may_be_risky: bool = True,
) -> Appointment:
    """
    Promises a confirmed appointment another offered window; the old promise goes as the new one stands, or stays.

    The place is worked out anew under the crew's lock, as for `reserve_offer`.
    """
    from jobs.schedule.offers import offer_in

    row = lock_appointment(appointment, crew)
    if row.state != State.PROMISED:
        raise Refused(f"it is {row.get_state_display()}; only a confirmed appointment gets another time")
    offer = offer_in(row, crew, window)
    if offer is None or (offer.is_risky and not may_be_risky):
        raise Refused(f"that window with {crew.name} is taken meanwhile; choose another", field="window")
    was = plain_state(row)
    row.promised_from, row.promised_until = window
    effect = effect_of(row, crew=crew, starts_at=offer.starts_at)
    refuse_if_wrong(effect, anyway=True)
    row.crew, row.starts_at, row.day = crew, offer.starts_at, offer.day
    _save_place(row, by, "promised another time")
    push(effect.pushed, by=by)
    _remember(row, was, effect.pushed, by)
    recompute_stage(job=row.job_id, by=by)
    tell_window(appointment=row, by=by)
    return sync_from(appointment, row)


class Stopped(Refused):
    """A promise that the rooms above say something stops; `blockers` are what."""

    def __init__(self, blockers: Sequence[Blocker]) -> None:
        super().__init__(f"in the way of this visit: {'; '.join(one.text for one in blockers)}", field="anyway")
        self.blockers = tuple(blockers)


@transaction.atomic
def promise(
    *,
    appointment: Appointment,
    by: User,
    window: tuple[dt.datetime, dt.datetime] | None = None,
    anyway: bool = False,
) -> Appointment:
    """
    Promises the reserved window, or a window round a planned start, to the customer.

    A reservation that ran out is promised still when its place is free. What the rooms above say
    stops an install is refused unless `anyway`: a promise may be given before all is there.
    """
    row = lock_appointment(appointment)
    if row.state in BEGUN:
        raise Refused(f"the crew is {row.get_state_display()}")
    if row.starts_at is None or row.crew is None:
        raise Refused("it stands nowhere in the calendar yet; choose a time first")
    if window is not None:
        row.promised_from, row.promised_until = window
    if row.promised_from is None or row.promised_until is None:
        raise Refused("there is no window to promise", field="window")
    if row.promised_until <= row.promised_from:
        raise Refused("the window ends before it begins", field="window")
    if row.promised_until <= timezone.now():
        raise Refused("the window lies in the past", field="window")
    if not row.promised_from <= row.starts_at <= row.promised_until:
        raise Refused("the planned start is not in the window", field="window")
    if not anyway and (stops := in_the_way(row)):
        raise Stopped(stops)
    if row.state == State.RESERVED and row.reserved_until and row.reserved_until < timezone.now():
        refuse_if_wrong(effect_of(row, crew=row.crew, starts_at=row.starts_at), anyway=anyway)
    row.state, row.reserved_until, row.reserved_by = State.PROMISED, None, None
    _save_place(row, by, "promised")
    recompute_stage(job=row.job_id, by=by)
    tell_window(appointment=row, by=by)
    return sync_from(appointment, row)


@transaction.atomic
def let_go(*, appointment: Appointment, by: User | None) -> Appointment:
    """Gives a reserved window back."""
    row = lock_appointment(appointment)
    if row.state != State.RESERVED:
        raise Refused("no time is held")
    _clear(row)
    _save_place(row, by, "let the window go")
    recompute_stage(job=row.job_id, by=by)
    return sync_from(appointment, row)


def let_go_lapsed(*, branch: Branch) -> int:
    """Gives back the windows whose ten minutes ran out; how many."""
    lapsed = Appointment.objects.filter(
        job__branch=branch, state=State.RESERVED, reserved_until__lt=timezone.now(), job__cancelled_at=None
    )
    count = 0
    for row in lapsed:
        try:
            let_go(appointment=row, by=None)
        except Refused:
            continue  # promised or let go by somebody in this very moment
        count += 1
    return count


@transaction.atomic
def lock(*, appointment: Appointment, by: User, locked: bool = True) -> Appointment:
    """Locks it to its crew and time: no move, trade of crews or plan shifts it until it is unlocked."""
    row = lock_appointment(appointment)
    if not row.is_placed():
        raise Refused("it stands nowhere in the calendar yet")
    row.is_locked = locked
    row.version += 1
    save(row, ["is_locked", "version"], by=by, action="locked" if locked else "unlocked", job=row.job_id)
    return sync_from(appointment, row)


@transaction.atomic
def cancel_appointment(*, appointment: Appointment, by: User, reason: str = "") -> Appointment:
    """Calls a visit off. It stays in the books, and in calendars as cancelled."""
    row = lock_appointment(appointment)
    if row.state == State.DONE:
        raise Refused("the visit is done; it can't be canceled")
    row.state, row.reserved_until, row.reserved_by, row.is_locked = State.CANCELLED, None, None, False
    _save_place(row, by, "called the visit off", reason)
    recompute_stage(job=row.job_id, by=by)
    tell_cancelled(appointment=row, by=by)
    return sync_from(appointment, row)


@transaction.atomic
def split_appointment(*, appointment: Appointment, first_min: int, by: User) -> Appointment:
    """Splits a visit in two; the second part is unplaced and keeps the crew of the first. Gives the second."""
    row = lock_appointment(appointment)
    if row.state in BEGUN:
        raise Refused(f"the crew is {row.get_state_display()}; ask for another visit instead")
    rest = row.duration_min - first_min
    if first_min < 1 or rest < 1:
        raise Refused(
            f"the first part has {first_min} of {row.duration_min} minutes",
            field="first_min",
            bound=f"1 to {row.duration_min - 1}",
        )
    _set_minutes(row, first_min)
    row.version += 1
    save(row, ["duration_min", "duration_safe_min", "version"], by=by, action="split the visit", job=row.job_id)
    second = new_appointment(
        job=row.job, purpose=row.purpose, by=by, duration_min=rest, people=row.people, skills=row.skills.all(),
        earliest_on=row.day and row.day + dt.timedelta(days=1), priority=row.priority, with_crew_of=row,
    )  # fmt: skip
    sync_from(appointment, row)
    return second


@transaction.atomic
def swap_crews(*, one: Crew, other: Crew, day: dt.date, by: User, anyway: bool = False) -> list[Appointment]:
    """
    Two crews trade everything they have on a day; what is locked or under way stays where it is.

    Refused when a crew does not work then; and, unless `anyway`, when one lacks a skill or could not
    keep a promise, or a start that is locked, on the day as it would be.
    """
    if one.branch_id != other.branch_id or one.pk == other.pk:
        raise Refused("choose two crews of one branch")
    lock_crews([one, other])
    rows = [
        row
        for row in in_the_calendar().filter(crew__in=[one, other], day=day, is_locked=False).prefetch_related("skills")
        if row.state not in BEGUN
    ]
    hours = crew_days([one, other], [day])
    trade = {one.pk: other, other.pk: one}
    for row in rows:
        target = trade[row.place().crew_id]
        if not hours[target.pk, day].works:
            raise Refused(hours[target.pk, day].why)
        lacking = {skill.name for skill in row.skills.all()} - {skill.name for skill in target.skills.all()}
        wrong = target.purposes and row.purpose not in target.purposes
        if (lacking or wrong) and not anyway:
            what = f"does not drive for {row.get_purpose_display()}"
            if lacking:
                what = f"lacks {', '.join(sorted(lacking))}"
            raise Refused(f"{target.name} {what} ({row.job.number})", field="anyway")
    swap = uuid4().hex
    for row in rows:
        was = plain_state(row)
        row.crew = trade[row.place().crew_id]
        _save_place(row, by, "swapped crews")
        _remember(row, was, (), by, swap)
    if not anyway:
        for after in read_schedule(one.branch, [one, other], [day]).days.values():
            if trouble := trouble_text(after):
                raise Refused(f"after the trade {trouble}", field="anyway")
    return rows


def last_swap(crews: Iterable[Crew], day: dt.date) -> list[AppointmentMove]:
    """The moves of the last trade of a day that can be taken back: nothing happened to its visits since."""
    moves = AppointmentMove.objects.filter(
        appointment__crew__in=list(crews), appointment__day=day, undone_at=None, before__has_key="swap"
    )
    last = moves.first()
    if last is None:
        return []
    traded = AppointmentMove.objects.filter(before__swap=last.before["swap"], undone_at=None)
    found = list(traded.select_related("appointment"))
    untouched = all(
        one.appointment.version == one.version and one.appointment.day == day and one.appointment.state not in BEGUN
        for one in found
    )
    return found if untouched else []


@transaction.atomic
def undo_swap(*, crews: Sequence[Crew], day: dt.date, by: User) -> int:
    """Takes the last swap of these crews' day back as one; how many visits it was."""
    lock_crews(crews)
    moves = last_swap(crews, day)
    if not moves:
        raise Refused("no swap of that day can be taken back: something happened to its visits since")
    both = {one.appointment.crew_id for one in moves} | {one.before["own"]["crew"] for one in moves}
    rows = Appointment.objects.select_for_update(of=("self",)).in_bulk([one.appointment_id for one in moves])
    for one in moves:
        row = rows[one.appointment_id]
        restore(row, one.before["own"])
        _save_place(row, by, "took the swap back")
    traded = [crew for crew in crews if crew.pk in both]
    for after in read_schedule(traded[0].branch, traded, [day]).days.values():
        if trouble := trouble_text(after):
            raise Refused(f"the old places are taken: {trouble}")
    AppointmentMove.objects.filter(pk__in=[one.pk for one in moves]).update(undone_at=timezone.now())
    return len(moves)


# -- the day itself ------------------------------------------------------------------------


@transaction.atomic
def mark_on_the_way(*, appointment: Appointment, by: User, at: dt.datetime | None = None) -> Appointment:
    """The crew has set out."""
    return _mark(appointment, by, State.ON_THE_WAY, "on_the_way_at", at, "set out")


@transaction.atomic
def mark_arrived(*, appointment: Appointment, by: User, at: dt.datetime | None = None) -> Appointment:
    """The crew is at the door."""
    return _mark(appointment, by, State.ARRIVED, "arrived_at", at, "arrived")


@transaction.atomic
def mark_done(*, appointment: Appointment, by: User, at: dt.datetime | None = None) -> Appointment:
    """
    The visit is over. A second tap changes nothing.

    Raises
    ------
    Refused
        While its work is not closed on its own page: the visit is over because its work is,
        never the other way round.
    """
    return _mark(appointment, by, State.DONE, "done_at", at, "was done")


@transaction.atomic
def undo_done(*, appointment: Appointment, by: User) -> Appointment:
    """Its work goes on, so the visit does: the crew is there. A visit of an earlier day keeps when it ended."""
    row = lock_appointment(appointment)
    if row.state != State.DONE:
        return sync_from(appointment, row)
    row.state = State.ARRIVED
    if row.day == timezone.localdate(timezone=row.job.branch.tz):
        row.done_at = None
    row.version += 1
    save(row, ["state", "done_at", "version"], by=by, action="went on with it", job=row.job_id)
    recompute_stage(job=row.job_id, by=by)
    return sync_from(appointment, row)


@transaction.atomic
def undo_tap(*, appointment: Appointment, by: User, at: dt.datetime | None = None) -> Appointment:
    """
    Takes "leaving now" or "arrived" back: the visit is as it was before that tap.

    Refused once something is recorded at the visit, when it is done, or to who drives once it is long ago.
    """
    row = lock_appointment(appointment)
    if row.state not in {State.ON_THE_WAY, State.ARRIVED}:
        raise Refused(f"it is {row.get_state_display()}; there is no tap to take back")
    if ports.is_recorded(row):
        raise Refused("something is recorded at this visit already")
    refuse_late_back(row.arrived_at if row.state == State.ARRIVED else row.on_the_way_at, by, at, row.job.branch)
    if row.state == State.ARRIVED and row.on_the_way_at is not None:
        row.state = State.ON_THE_WAY
    else:
        row.state, row.on_the_way_at = (State.PROMISED if row.promised_from else State.PLANNED), None
    row.arrived_at = None
    row.version += 1
    fields = ["state", "on_the_way_at", "arrived_at", "version"]
    save(row, fields, by=by, action="took the tap back", job=row.job_id)
    recompute_stage(job=row.job_id, by=by)
    return sync_from(appointment, row)


def refuse_late_back(
    tapped_at: dt.datetime | None, by: User, at: dt.datetime | None = None, branch: Branch | None = None
) -> None:
    """Who drives takes a tap back for a while (`at`, else now); the office whenever it must."""
    if tapped_at is None or by.has_role(*roles.OFFICE):
        return
    until = back_until(tapped_at)
    if (at or timezone.now()) > until:
        when = clock(until, branch.tz) if branch is not None else ""
        raise Refused(f"it could be taken back until {when}; the office can do it", field="state")


@transaction.atomic
def told_late(*, appointment: Appointment, by: User) -> Appointment:
    """The customer was told that the crew is late, and when to expect it as the day goes now."""
    row = lock_appointment(appointment)
    if row.state in {State.ARRIVED, State.DONE} or not row.is_placed() or row.crew is None or row.day is None:
        raise Refused("nobody is to come to it any more")
    outlook = outlooks(read_day(row.crew, row.day), timezone.now()).get(row.pk)
    if outlook is None or outlook.expected is None:
        raise Refused("its day runs as planned")
    row.told_at, row.told_time = timezone.now(), outlook.expected
    save(row, ["told_at", "told_time"], by=by, action="told the customer it is late", job=row.job_id)
    return sync_from(appointment, row)


ORDER = (State.ON_THE_WAY, State.ARRIVED, State.DONE)
NEWS = dt.timedelta(minutes=10)
"""A tap that reaches the office later than this after it was made is no news to the customer."""


def _mark(
    appointment: Appointment, by: User, state: str, field: str, at: dt.datetime | None, action: str
) -> Appointment:
    row = lock_appointment(appointment)
    if not row.is_placed():
        raise Refused("this visit stands nowhere in the calendar")
    if row.state in BEGUN and ORDER.index(State(row.state)) >= ORDER.index(State(state)):
        return sync_from(appointment, row)
    when = at or timezone.now()
    left = ports.unfinished(row) if state == State.DONE else None
    if left is not None:
        raise Refused(f"close the visit on its page: {left.text}", field="state")
    row.state = state
    setattr(row, field, getattr(row, field) or when)
    if row.arrived_at and row.done_at and row.done_at < row.arrived_at:
        raise Refused("it would be done before the crew arrived", field="at")
    row.version += 1
    save(row, ["state", field, "version"], by=by, action=action, job=row.job_id)
    recompute_stage(job=row.job_id, by=by)
    if timezone.now() - when < NEWS:
        _tell_tap(row, by)
    return sync_from(appointment, row)


def _tell_tap(row: Appointment, by: User) -> None:
    """The customer hears that the crew has set out, and that what was put up is done."""
    if row.state == State.ON_THE_WAY:
        notify(kind=MessageKind.LEAVING, job=row.job, by=by, appointment=row)
    elif row.state == State.DONE and row.purpose in AFTER:
        notify(kind=AFTER[row.purpose], job=row.job, by=by, appointment=row)
