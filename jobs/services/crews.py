"""Crews, their hours and people, absences and holidays, and how a branch dispatches."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence

from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction
from django.db.models import Model
from django.utils import timezone

from jobs.models import (
    Absence,
    Appointment,
    CalendarFeed,
    CalendarRules,
    Crew,
    CrewDay,
    CrewMember,
    DaySheet,
    Holiday,
    Purpose,
    Skill,
    UsualWindow,
    WorkingHours,
)
from jobs.schedule.availability import clock_problem, knows_holidays
from jobs.schedule.day import in_the_calendar
from jobs.services.base import lock_crews, save
from jobs.services.feeds import revoke_feed
from shared import audit
from shared.errors import Refused
from shared.models import Branch, User

CREW_FIELDS = ("name", "purposes", "people", "latitude", "longitude", "overtime_min", "truck_longest", "is_active")


def _clean(row: Model, *, may_be_empty: Iterable[str] = ()) -> None:
    try:
        row.full_clean(exclude={name for name in may_be_empty if not getattr(row, name)})
    except ValidationError as error:
        field, problems = next(iter(error.message_dict.items()))
        raise Refused(problems[0], field="" if field == "__all__" else field) from None


@transaction.atomic
def save_crew(
    *, branch: Branch, by: User, crew: Crew | None = None, skills: Iterable[Skill] = (), **values: object
) -> Crew:
    """A new crew, or changes to one; a new one works Monday to Friday, eight to five."""
    is_new = crew is None
    row = crew or Crew(branch=branch)
    for name, value in values.items():
        if name not in CREW_FIELDS:
            raise Refused(f"no such field: {name}", field=name)
        setattr(row, name, value)
    row.purposes = [str(Purpose(purpose)) for purpose in row.purposes]
    _clean(row, may_be_empty=["purposes"])  # none is for anything
    save(row, list(values), by=by, action="set up the crew" if is_new else "changed the crew")
    row.skills.set(skills)
    if is_new:
        WorkingHours.objects.bulk_create(WorkingHours(crew=row, weekday=day) for day in range(5))
    return row


@transaction.atomic
def set_hours(*, crew: Crew, hours: Sequence[dict[str, object]], by: User) -> Crew:
    """The crew's usual week: one entry a weekday it works (weekday, starts, ends, lunch)."""
    lock_crews([crew])
    before = [str(row) for row in crew.hours.all()]
    crew.hours.all().delete()
    for values in hours:
        row = WorkingHours(crew=crew, **values)
        if row.ends <= row.starts:
            raise Refused(f"weekday {row.weekday} ends before it begins", field=f"ends_{row.weekday}")
        _clean(row)
        row.save()
    after = [str(row) for row in crew.hours.all()]
    if before != after:
        audit.record(by=by, action="changed the hours", subject=crew, changes={"hours": [before, after]})
    return crew


@transaction.atomic
def set_up_crew(
    *, branch: Branch, by: User, name: str, purposes: Iterable[str], people: int, days: Iterable[int],
    starts: dt.time, ends: dt.time,
) -> Crew:  # fmt: skip
    """A new crew with its working days, as the set-up asks for it."""
    crew = save_crew(branch=branch, by=by, name=name, purposes=list(purposes), people=people)
    has_noon = starts <= dt.time(11, 30) and ends >= dt.time(13, 30)  # the hours in which lunch lies at first
    lunch: dict[str, object] = {} if has_noon else {"lunch_from": None, "lunch_until": None, "lunch_min": 0}
    week = [{"weekday": day, "starts": starts, "ends": ends, **lunch} for day in sorted(days)]
    return set_hours(crew=crew, hours=week, by=by)


@transaction.atomic
def set_crew_day(*, crew: Crew, day: dt.date, by: User, **values: object) -> CrewDay:
    """What is different on one day: off, other hours, other people."""
    row = CrewDay.objects.filter(crew=crew, day=day).first() or CrewDay(crew=crew, day=day)
    for name, value in values.items():
        setattr(row, name, value)
    if row.starts and row.ends and row.ends <= row.starts:
        raise Refused("the day ends before it begins", field="ends")
    if bool(row.starts) != bool(row.ends):
        raise Refused("give both hours or none", field="ends" if row.starts else "starts")
    for name in ("starts", "ends"):
        time = getattr(row, name)
        if time and (problem := clock_problem(crew.branch.tz, day, time)):
            raise Refused(problem, field=name)
    _clean(row)
    save(row, list(values), by=by, action="changed a crew's day")
    return row


@transaction.atomic
def add_member(*, crew: Crew, user: User, by: User, from_on: dt.date, until_on: dt.date | None = None) -> CrewMember:
    """Somebody drives with this crew from a day on."""
    if user.branch_id != crew.branch_id:
        raise Refused(f"{user} is of another branch", field="user")
    if until_on is not None and until_on < from_on:
        raise Refused("it ends before it begins", field="until_on")
    row = CrewMember.objects.create(crew=crew, user=user, from_on=from_on, until_on=until_on)
    audit.record(by=by, action="joined the crew", subject=crew, changes={"member": ["", str(user)]})
    return row


@transaction.atomic
def end_member(*, member: CrewMember, until_on: dt.date, by: User) -> CrewMember:
    """Their last day with this crew."""
    member.until_on = until_on
    member.save(update_fields=["until_on"])
    words = [str(member.user), f"until {until_on}"]
    audit.record(by=by, action="leaves the crew", subject=member.crew, changes={"member": words})
    return member


def leave_crews(person: User, by: User) -> None:
    """Today is the last day of somebody whose account is closed, and their own calendar addresses end."""
    for member in CrewMember.objects.filter(user=person, until_on=None).select_related("user", "crew__branch"):
        today = timezone.now().astimezone(member.crew.branch.tz).date()
        end_member(member=member, until_on=max(today, member.from_on), by=by)
    for feed in CalendarFeed.objects.filter(user=person, revoked_at=None):
        revoke_feed(feed=feed, by=by)


@transaction.atomic
def add_absence(
    *,
    crew: Crew,
    starts_at: dt.datetime,
    ends_at: dt.datetime,
    by: User,
    user: User | None = None,
    reason: str = "",
) -> tuple[Absence, list[Appointment]]:
    """
    A crew, or one of its people, is away. Gives the visits that stand in that time too.

    They stay where they are: whoever wrote the absence decides what becomes of them.
    """
    if ends_at <= starts_at:
        raise Refused("it ends before it begins", field="ends_at")
    lock_crews([crew])
    row = Absence.objects.create(crew=crew, user=user, starts_at=starts_at, ends_at=ends_at, reason=reason)
    audit.record(by=by, action="noted an absence", subject=crew, note=f"{row}: {reason}" if reason else str(row))
    return row, hit_by(row)


def hit_by(absence: Absence) -> list[Appointment]:
    """Visits of the crew that stand in an absence and are not over."""
    rows = in_the_calendar().filter(crew=absence.crew, starts_at__lt=absence.ends_at)
    rows = rows.exclude(state=Appointment.State.DONE)
    return [row for row in rows if row.ends_at and row.ends_at > absence.starts_at]


@transaction.atomic
def remove_absence(*, absence: Absence, by: User) -> None:
    """It was a mistake, or they are back; the trail keeps that it was there."""
    audit.record(by=by, action="took an absence back", subject=absence.crew, note=str(absence))
    absence.delete()


@transaction.atomic
def open_day_sheets(*, crews: Iterable[Crew], day: dt.date) -> list[DaySheet]:
    """What the sheets of these crews' day are about; the same rows however often it is asked."""
    return [DaySheet.objects.get_or_create(crew=crew, day=day)[0] for crew in crews]


@transaction.atomic
def set_holiday(*, branch: Branch, day: dt.date, name: str, by: User, is_worked: bool = False) -> Holiday:
    """A day the branch does not work, or a public holiday on which it does."""
    row, _ = Holiday.objects.update_or_create(branch=branch, day=day, defaults={"name": name, "is_worked": is_worked})
    audit.record(by=by, action="works on a holiday" if is_worked else "added a holiday", subject=branch, note=str(row))
    return row


@transaction.atomic
def remove_holiday(*, holiday: Holiday, by: User) -> None:
    """The day is as public holidays have it again."""
    audit.record(by=by, action="took a holiday back", subject=holiday.branch, note=str(holiday))
    holiday.delete()


@transaction.atomic
def set_rules(*, branch: Branch, by: User, **values: object) -> CalendarRules:
    """How the branch prices and promises."""
    row = CalendarRules.of(branch)
    for name, value in values.items():
        setattr(row, name, value)
    if row.holiday_country and not knows_holidays(row.holiday_country, row.holiday_region):
        where = f"{row.holiday_country} {row.holiday_region}".strip()
        raise Refused(f"no public holidays are known for {where}", field="holiday_country")
    _clean(row)
    save(row, list(values), by=by, action="changed the calendar's rules")
    return row


@transaction.atomic
def set_usual_windows(*, branch: Branch, windows: Sequence[tuple[dt.time, dt.time]], by: User) -> list[UsualWindow]:
    """The parts of a day that are promised on the phone."""
    before = [str(row) for row in branch.usual_windows.all()]
    branch.usual_windows.all().delete()
    for starts, ends in windows:
        if ends <= starts:
            raise Refused("a window ends before it begins", field="windows")
    rows = UsualWindow.objects.bulk_create(UsualWindow(branch=branch, starts=a, ends=b) for a, b in windows)
    after = [str(row) for row in rows]
    if before != after:
        audit.record(by=by, action="changed the windows", subject=branch, changes={"windows": [before, after]})
    return rows


@transaction.atomic
def add_skill(*, branch: Branch, key: str, name: str, by: User) -> Skill:
    """Something only some crews can do."""
    try:
        with transaction.atomic():
            row = Skill.objects.create(branch=branch, key=key, name=name)
    except IntegrityError:
        raise Refused(f"there is a skill {key} already", field="key") from None
    audit.record(by=by, action="added a skill", subject=row)
    return row
