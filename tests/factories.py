"""Rows for tests: plain functions; a test names only what it is about."""

from __future__ import annotations

import datetime as dt
from itertools import count
from typing import Any

from django.contrib.auth.models import Group

from jobs.models import Appointment, Crew, CrewMember, Customer, Job, Purpose, Site, WorkingHours
from shared import roles
from shared.models import Branch, User

_next = count(1)
PASSWORD = "a tape reads true"


def make_branch(**fields: Any) -> Branch:
    """A branch in inches on Letter paper, Chicago time."""
    number = next(_next)
    return Branch.objects.create(
        **{
            "name": f"Millrace {number}",
            "zone": "America/Chicago",
            "address": "14 Sluice Lane\nMillrace",
            "latitude": 41.87,
            "longitude": -88.31,
            **fields,
        }
    )


def make_user(*role_names: str, branch: Branch | None = None, **fields: Any) -> User:
    """Somebody with these roles; the password is `PASSWORD` where a test signs in by the form."""
    number = next(_next)
    name = fields.pop("name", f"{(role_names or ('nobody',))[0].title()} {number}")
    user = User(**{"username": f"person{number}", "name": name, "branch": branch, **fields})
    user.set_password(PASSWORD)
    user.save()
    user.groups.set([Group.objects.get_or_create(name=role)[0] for role in role_names])
    return user


def make_cast(branch: Branch) -> dict[str, User]:
    """One person per role of the branch, and ``stranger``, a dispatcher of another branch."""
    cast = {role: make_user(role, branch=branch) for role in roles.ALL}
    return cast | {"stranger": make_user(roles.DISPATCHER, branch=make_branch())}


# -- jobs --------------------------------------------------------------------------


def at(branch: Branch, day: dt.date, time: str) -> dt.datetime:
    """``at(branch, day, "9:30")``: that time on the branch's clocks."""
    hour, minute = map(int, time.split(":"))
    return dt.datetime.combine(day, dt.time(hour, minute), tzinfo=branch.tz).astimezone(dt.UTC)


def a_monday() -> dt.date:
    """A Monday at least a week ahead with no public holiday in its week (US)."""
    from jobs.schedule.availability import _public

    day = dt.date.today() + dt.timedelta(days=7)
    day += dt.timedelta(days=-day.weekday() % 7)
    while any(day + dt.timedelta(days=n) in _public("US", "", (day + dt.timedelta(days=n)).year) for n in range(12)):
        day += dt.timedelta(days=7)
    return day


def make_customer(branch: Branch, **fields: Any) -> Customer:
    """Somebody who pays."""
    number = next(_next)
    return Customer.objects.create(
        **{"branch": branch, "name": f"Ellery {number}", "phone": "555-0142", "email": "", **fields}
    )


def make_site(customer: Customer, **fields: Any) -> Site:
    """An address some kilometres from the branch's base; each one a little further east."""
    number = next(_next)
    return Site.objects.create(
        **{
            "branch": customer.branch,
            "customer": customer,
            "street": f"{number} Kiln Lane",
            "town": "Millrace",
            "latitude": 41.88,
            "longitude": -88.30 + (number % 20) / 1000,
            **fields,
        }
    )


def make_job(branch: Branch | None = None, *, by: User | None = None, **fields: Any) -> Job:
    """A job with customer and site of its own."""
    if branch is None:
        branch = by.branch if by is not None and by.branch is not None else make_branch()
    by = by or make_user(roles.DISPATCHER, branch=branch)
    customer = fields.pop("customer", None) or (fields["site"].customer if "site" in fields else make_customer(branch))
    site = fields.pop("site", None) or make_site(customer)
    return Job.objects.create(
        **{
            "branch": branch,
            "number": f"J-{next(_next)}",
            "customer": customer,
            "site": site,
            "created_by": by,
            "openings_expected": 3,
            **fields,
        }
    )


def make_crew(branch: Branch, *members: User, hours: str = "8:00 17:00", **fields: Any) -> Crew:
    """A crew that works Monday to Friday without lunch, so that times in tests are plain."""
    number = next(_next)
    crew = Crew.objects.create(**{"branch": branch, "name": f"Crew {number}", "people": 1, **fields})
    starts, ends = (dt.time(*map(int, part.split(":"))) for part in hours.split())
    WorkingHours.objects.bulk_create(
        WorkingHours(crew=crew, weekday=day, starts=starts, ends=ends, lunch_min=0) for day in range(5)
    )
    for member in members:
        CrewMember.objects.create(crew=crew, user=member)
    return crew


def make_appointment(job: Job | None = None, **fields: Any) -> Appointment:
    """An hour's measure visit that is unplaced; with crew, day and time it is planned."""
    job = job or make_job(fields["crew"].branch if fields.get("crew") else None)
    fields = {"purpose": Purpose.MEASURE, "duration_min": 60, "created_by": job.created_by, **fields}
    time = fields.pop("time", None)
    if time is not None:
        fields["starts_at"] = at(job.branch, fields["day"], time)
        fields.setdefault("state", Appointment.State.PLANNED)
    return Appointment.objects.create(job=job, **fields)
