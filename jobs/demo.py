"""
The demo's town, people and calendar.

Everything here is invented: the town of Larkmere, its streets, its people. Telephone
numbers are from the range kept free for fiction.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from itertools import chain, count, islice
from typing import Final

from django.contrib.auth.hashers import make_password
from django.contrib.auth.models import Group
from django.db import transaction
from django.utils import timezone

from jobs.models import (
    INSTALLING,
    Appointment,
    Crew,
    CrewDay,
    CrewMember,
    Customer,
    Job,
    Purpose,
    Site,
    Skill,
    WorkingHours,
)
from jobs.schedule.availability import holidays_between
from jobs.services.search import rebuild
from shared import audit, roles
from shared.demo import PASSWORD, ZONE, Demo
from shared.lengths import Length
from shared.models import AuditEntry, Branch, User

TOWN: Final = "Larkmere"
CENTRE: Final = (41.6180, -91.8720)
"""The town is not on any map; its coordinates are farmland, good for distances only."""

DISTRICTS: Final = (
    # name, postcode, north and east of the centre in degrees, spread, built from, built until
    ("Old Quay", "00311", 0.004, -0.006, 0.006, 1890, 1939),
    ("Mill Rise", "00312", 0.021, 0.018, 0.010, 1948, 1976),
    ("Heron Flats", "00313", -0.026, 0.011, 0.012, 1979, 2004),
    ("Tarn Hill", "00314", 0.038, -0.034, 0.014, 1996, 2021),
    ("Lower Wharf", "00315", -0.012, -0.041, 0.009, 1921, 1968),
    ("Orchard End", "00316", -0.051, -0.022, 0.016, 2003, 2024),
)
STREETS: Final = (
    "Tanner Row", "Kiln Lane", "Saltmarsh Road", "Cooper Street", "Bellfounder Way", "Lantern Street",
    "Heronsgate", "Ropewalk", "Plover Close", "Millrace Avenue", "Quince Street", "Old Ferry Road",
    "Chandler Street", "Tarn View", "Slate Court", "Osier Lane", "Weir Street", "Gannet Drive",
    "Sexton Lane", "Barley Walk", "Thimble Street", "Larkspur Road", "Granary Yard", "Pepperbox Hill",
)  # fmt: skip
GIVEN: Final = (
    "Ada", "Bram", "Celia", "Dov", "Edda", "Fenn", "Greta", "Hollis", "Ines", "Joss", "Kira", "Lorne",
    "Maeve", "Nico", "Orla", "Pim", "Quill", "Rhea", "Silas", "Thea", "Una", "Viggo", "Wren", "Yara",
)  # fmt: skip
FAMILY: Final = (
    "Ashdown", "Birdsall", "Calloway", "Drewitt", "Ellery", "Fairlamb", "Goswick", "Hathersage", "Inchbald",
    "Jessamy", "Kettlewell", "Lovibond", "Merriweather", "Nettleton", "Oakhanger", "Penhallow", "Quarrington",
    "Rowntwaite", "Stallybrass", "Thistlethwaite", "Umfreville", "Vavasour", "Wintringham", "Yarborough",
)  # fmt: skip
ROOMS: Final = ("Kitchen", "Living room", "Bedroom", "Study", "Bath", "Dining room", "Landing", "Nursery")

STAGES: Final = (
    # stage, share of a small demo
    (Job.Stage.BOOKING, 5),
    (Job.Stage.TO_MEASURE, 16),
    (Job.Stage.MEASURED, 12),
    (Job.Stage.RELEASED, 12),
    (Job.Stage.IN_WORKROOM, 10),
    (Job.Stage.MADE, 8),
    (Job.Stage.TO_INSTALL, 17),
    (Job.Stage.INSTALLED, 4),
    (Job.Stage.CLOSED, 12),
    (Job.Stage.PAUSED, 4),
)
LATE_STAGES: Final = {Job.Stage.INSTALLED, Job.Stage.CLOSED}
MEASURE_STARTS: Final = (dt.time(8, 15), dt.time(9, 45), dt.time(11, 15), dt.time(13, 30), dt.time(15, 0))
INSTALL_STARTS: Final = (dt.time(8, 30), dt.time(11, 15), dt.time(14, 15))
ACCOUNTS: Final = (
    # user name, name, role
    ("dispatcher", "Dorrit Vane", roles.DISPATCHER),
    ("measurer", "Milo Tapley", roles.MEASURER),
    ("workroom", "Wilma Kerf", roles.WORKROOM),
    ("installer", "Isko Brace", roles.INSTALLER),
    ("owner", "Odile Marsh", roles.OWNER),
    ("measurer2", "Tilda Quoin", roles.MEASURER),
    ("installer2", "Rufus Dowel", roles.INSTALLER),
)


@dataclass(slots=True)
class Made:
    """What the jobs loader leaves for the loaders above it."""

    branch: Branch
    people: dict[str, User]
    jobs: list[Job] = field(default_factory=list)
    measures: dict[int, Appointment] = field(default_factory=dict)
    installs: dict[int, Appointment] = field(default_factory=dict)


def load(demo: Demo) -> None:
    """Branch, people, crews, then customers, sites, jobs and appointments in bulk."""
    with transaction.atomic():
        branch = _branch()
        people = _people(branch)
        made = Made(branch, people)
        measuring, installing = _crews(demo, branch, people)
        _jobs(demo, made)
        _appointments(demo, made, measuring, installing)
        audit.record_all(_trail(made))
    demo.made["jobs"] = made
    demo.say(f"{len(made.jobs)} jobs in {TOWN}")


# -- the firm ----------------------------------------------------------------------


def _branch() -> Branch:
    return Branch.objects.create(
        name=f"{TOWN} workshop",
        zone=ZONE,
        address=f"9 Granary Yard\n{TOWN} 00311",
        latitude=CENTRE[0],
        longitude=CENTRE[1],
        units="in",
        paper="letter",
        jurisdiction="US",
        phone="555-0100",
    )


def _people(branch: Branch) -> dict[str, User]:
    people = {}
    hashed = make_password(PASSWORD)
    for number, (username, name, role) in enumerate(ACCOUNTS, 1):
        phone = f"555-010{number}"
        user = User.objects.create(username=username, name=name, branch=branch, phone=phone, password=hashed)
        user.groups.add(Group.objects.get(name=role))
        people[username] = user
    return people


def _crews(demo: Demo, branch: Branch, people: dict[str, User]) -> tuple[list[Crew], list[Crew]]:
    """At least two that measure and two that install; more for a large demo."""
    tall = Skill.objects.create(branch=branch, key="tall-ladder", name="tall ladder")
    Skill.objects.create(branch=branch, key="motors", name="motors")
    more = _crew_names()
    measuring = [
        _crew(demo, branch, name, list(map(str, (Purpose.MEASURE, Purpose.CHECK))), people=1)
        for name in islice(chain(("Milo's crew", "Tilda's crew"), more), max(2, demo.jobs // 1200 + 1))
    ]
    installing = [
        _crew(
            demo, branch, name,
            list(map(str, INSTALLING)), people=2,
        )
        for name in islice(chain(("Isko's crew", "Rufus's crew"), more), max(2, demo.jobs // 700 + 1))
    ]  # fmt: skip
    for crew in installing:
        crew.skills.add(tall)
    for crew, username in (
        (measuring[0], "measurer"),
        (measuring[1], "measurer2"),
        (installing[0], "installer"),
        (installing[1], "installer2"),
    ):
        CrewMember.objects.create(crew=crew, user=people[username])
    return measuring, installing


def _crew_names() -> Iterator[str]:
    """By whom a crew is led; the names start again with a number when they run out."""
    for lap in count(1):
        for name in GIVEN:
            yield f"{name}'s crew" if lap == 1 else f"{name}'s crew {lap}"


def _crew(demo: Demo, branch: Branch, name: str, purposes: list[str], *, people: int) -> Crew:
    crew = Crew.objects.create(
        branch=branch, name=name, purposes=purposes, people=people,
        latitude=CENTRE[0], longitude=CENTRE[1], overtime_min=60, truck_longest=Length.inches(144),
    )  # fmt: skip
    WorkingHours.objects.bulk_create(
        WorkingHours(crew=crew, weekday=day, starts=dt.time(8), ends=dt.time(17)) for day in range(6)
    )
    if demo.today.weekday() == 6 or demo.today in holidays_between(branch, demo.today, demo.today):
        # the demo opens on a working day, whatever day it is
        CrewDay.objects.create(crew=crew, day=demo.today, starts=dt.time(8), ends=dt.time(17), note="open today")
    return crew


# -- customers, sites, jobs ----------------------------------------------------------


def _jobs(demo: Demo, made: Made) -> None:
    now = timezone.now()
    stages = list(_stages(demo))
    customers = Customer.objects.bulk_create(
        [_customer(demo, made, number) for number in range(demo.jobs)], batch_size=1000
    )
    sites = Site.objects.bulk_create([_site(demo, customer) for customer in customers], batch_size=1000)
    rebuild()
    jobs = []
    for number, (stage, site) in enumerate(zip(stages, sites, strict=True), 1001):
        age = dt.timedelta(days=demo.random.randint(*_AGES.get(stage, (2, 20))))
        job = Job(
            branch=made.branch,
            number=f"J-{number}",
            customer=site.customer,
            site=site,
            stage=stage,
            stage_since=now - age / 3,
            created_at=now - age,
            created_by=made.people["dispatcher"],
            openings_expected=(openings := demo.random.randint(1, 5)),
            rooms_expected=", ".join(sorted(demo.random.sample(ROOMS, 2))[:openings]),
        )
        if stage == Job.Stage.PAUSED:
            job.hold = demo.random.choice([Job.Hold.DEPOSIT, Job.Hold.SITE, Job.Hold.APPROVAL])
            job.hold_note = {
                "deposit": "deposit asked, not seen yet",
                "site_not_ready": "painters until Friday",
            }.get(job.hold, "waits for the partner's word")
        jobs.append(job)
    made.jobs = Job.objects.bulk_create(jobs, batch_size=1000)


_AGES: Final[Mapping[str, tuple[int, int]]] = {
    Job.Stage.BOOKING: (0, 3),
    Job.Stage.TO_MEASURE: (1, 8),
    Job.Stage.CLOSED: (40, 400),
    Job.Stage.INSTALLED: (30, 60),
    Job.Stage.TO_INSTALL: (15, 35),
    Job.Stage.MADE: (12, 30),
}


def _stages(demo: Demo) -> Iterator[str]:
    """A fixed share of every stage; what a large demo has beyond some thousand jobs is history."""
    living = min(demo.jobs, 1500)
    weighted = [stage for stage, share in STAGES for _ in range(share)]
    for position in range(living):
        yield weighted[position * 37 % len(weighted)]
    for _ in range(demo.jobs - living):
        yield Job.Stage.CLOSED


def _customer(demo: Demo, made: Made, number: int) -> Customer:
    given, family = demo.random.choice(GIVEN), demo.random.choice(FAMILY)
    taken: set[str] = demo.made.setdefault("names", set())
    for step in range(len(FAMILY)):  # nobody twice, until every family has somebody of that name
        name = f"{given} {FAMILY[(FAMILY.index(family) + step) % len(FAMILY)]}"
        if name not in taken:
            taken.add(name)
            break
    return Customer(
        branch=made.branch,
        name=name,
        phone=f"555-01{number % 90 + 10}",
        email=f"{given}.{family}.{number}@example.org".lower(),
    )


def _site(demo: Demo, customer: Customer) -> Site:
    random = demo.random
    _, postcode, north, east, spread, built_from, built_until = random.choice(DISTRICTS)
    access = random.choices([Site.Access.MET, Site.Access.KEY, Site.Access.CODE], [8, 1, 1])[0]
    storey = random.choices([0, 1, 2, 4], [7, 2, 1, 1])[0]
    made = Site(
        branch=customer.branch,
        customer=customer,
        street=f"{random.randint(1, 180)} {random.choice(STREETS)}",
        line2=f"apartment {storey}{random.choice('ABCD')}" if storey else "",
        town=TOWN,
        postcode=postcode,
        latitude=round(CENTRE[0] + north + random.gauss(0, spread / 2), 6),
        longitude=round(CENTRE[1] + east + random.gauss(0, spread / 2), 6),
        year_built=random.randint(built_from, built_until),
        floor=storey,
        has_lift=storey >= 2,
        children=random.random() < 0.4,
        pets=random.choice(["", "", "", "a dog, friendly", "two cats: keep doors shut"]),
        parking=random.choice(["", "on the drive", "street, two hours", "yard behind the house"]),
        access=access,
        access_secret={"key": "key safe by the side gate, 4471", "code": "2906 at the street door"}.get(access, ""),
        door_contact=random.choice(["", "", "", f"{random.choice(GIVEN)}, the tenant"]),
    )
    made.door_phone = "555-0199" if made.door_contact else ""
    return made


# -- appointments --------------------------------------------------------------------


def _appointments(demo: Demo, made: Made, measuring: list[Crew], installing: list[Crew]) -> None:
    slots = _Slots(demo, made.branch)
    rows: list[Appointment] = []
    for job in made.jobs:
        rows += _measure(demo, made, job, slots, measuring)
        rows += _install(demo, made, job, slots, installing)
    for row in Appointment.objects.bulk_create(rows, batch_size=1000):
        (made.measures if row.purpose == Purpose.MEASURE else made.installs)[row.job_id] = row


def _measure(demo: Demo, made: Made, job: Job, slots: _Slots, crews: list[Crew]) -> list[Appointment]:
    if job.stage == Job.Stage.BOOKING:
        return [_unplaced(made, job, Purpose.MEASURE, minutes=15 + 6 * job.openings_expected)]
    ahead = job.stage == Job.Stage.TO_MEASURE
    crew, day, start = slots.take("measure", crews, MEASURE_STARTS, ahead=ahead, job=job)
    state = Appointment.State.PROMISED if ahead else Appointment.State.DONE
    return [slots.appointment(made, job, Purpose.MEASURE, crew, day, start, 15 + 6 * job.openings_expected, state)]


def _install(demo: Demo, made: Made, job: Job, slots: _Slots, crews: list[Crew]) -> list[Appointment]:
    if job.stage == Job.Stage.MADE:
        return [_unplaced(made, job, Purpose.INSTALL, minutes=20 + 18 * job.openings_expected)]
    if job.stage not in {Job.Stage.TO_INSTALL, *LATE_STAGES}:
        return []
    ahead = job.stage == Job.Stage.TO_INSTALL
    crew, day, start = slots.take("install", crews, INSTALL_STARTS, ahead=ahead, job=job)
    state = Appointment.State.PROMISED if ahead else Appointment.State.DONE
    return [slots.appointment(made, job, Purpose.INSTALL, crew, day, start, 20 + 18 * job.openings_expected, state)]


def _unplaced(made: Made, job: Job, purpose: str, *, minutes: int) -> Appointment:
    return Appointment(
        job=job,
        purpose=purpose,
        duration_min=minutes,
        created_by=made.people["dispatcher"],
        created_at=job.created_at,
    )


class _Slots:
    """Hands out times of crew-days, today first, so that nobody is in two places."""

    def __init__(self, demo: Demo, branch: Branch) -> None:
        self.demo, self.branch, self.tz = demo, branch, branch.tz
        self.off: dict[int, dict[dt.date, str]] = {}
        self.ahead: dict[str, Iterator[tuple[Crew, dt.date, dt.time]]] = {}
        self.behind: dict[str, Iterator[tuple[Crew, dt.date, dt.time]]] = {}

    def take(
        self, kind: str, crews: list[Crew], starts: tuple[dt.time, ...], *, ahead: bool, job: Job
    ) -> tuple[Crew, dt.date, dt.time]:
        queues = self.ahead if ahead else self.behind
        if kind not in queues:
            queues[kind] = self._walk(crews, starts, step=1 if ahead else -1)
        return next(queues[kind])

    def _walk(
        self, crews: list[Crew], starts: tuple[dt.time, ...], *, step: int
    ) -> Iterator[tuple[Crew, dt.date, dt.time]]:
        day = self.demo.today if step > 0 else self.demo.today - dt.timedelta(days=1)
        while True:
            if day == self.demo.today or (day.weekday() < 5 and not self._is_holiday(day)):
                for crew in crews:
                    for start in starts:
                        yield crew, day, start
            day += dt.timedelta(days=step)

    def _is_holiday(self, day: dt.date) -> bool:
        if day.year not in self.off:
            first, last = dt.date(day.year, 1, 1), dt.date(day.year, 12, 31)
            self.off[day.year] = holidays_between(self.branch, first, last)
        return day in self.off[day.year]

    def appointment(
        self,
        made: Made,
        job: Job,
        purpose: str,
        crew: Crew,
        day: dt.date,
        start: dt.time,
        minutes: int,
        state: str,
    ) -> Appointment:
        at = dt.datetime.combine(day, start, tzinfo=self.tz)
        row = _unplaced(made, job, purpose, minutes=minutes)
        row.crew, row.day, row.starts_at, row.state = crew, day, at, state
        row.duration_safe_min = round(minutes * 1.3)
        row.promised_from, row.promised_until = at - dt.timedelta(minutes=30), at + dt.timedelta(minutes=90)
        if state == Appointment.State.DONE:
            row.on_the_way_at, row.arrived_at = at - dt.timedelta(minutes=20), at
            row.done_at = at + dt.timedelta(minutes=minutes + self.demo.random.randint(-8, 20))
        return row


# -- what was done until today -------------------------------------------------------------


def _trail(made: Made) -> Iterator[AuditEntry]:
    """Every job's history as the actions would have left it: booked, its visits promised, driven to and done."""
    office = made.people["dispatcher"]
    for job in made.jobs:
        visits = [(made.measures.get(job.pk), "measurer"), (made.installs.get(job.pk), "installer")]
        placed = [(visit, made.people[who]) for visit, who in visits if visit is not None and visit.starts_at]
        begun = [visit.on_the_way_at - dt.timedelta(days=3) for visit, _ in placed if visit.on_the_way_at]
        booked = min(begun, default=job.created_at)
        yield _dated(booked, audit.entry(by=office, action="booked the job", subject=job, job=job))
        since = booked
        for visit, person in placed:
            begun_at = visit.on_the_way_at
            since = begun_at - dt.timedelta(days=1) if begun_at is not None else since + dt.timedelta(minutes=5)
            yield _dated(since, _promise(visit, office))
            for action, at in (
                ("set out", visit.on_the_way_at), ("arrived", visit.arrived_at), ("was done", visit.done_at),
            ):  # fmt: skip
                if at is not None:
                    yield _dated(at, audit.entry(by=person, action=action, subject=visit, job=job))
                    since = at
        if job.hold:
            held = audit.entry(
                by=office, action="held the job", subject=job, job=job,
                changes={"hold": ["", job.hold]}, note=job.hold_note,
            )  # fmt: skip
            yield _dated(max(job.stage_since, booked), held)


def _promise(visit: Appointment, by: User) -> AuditEntry:
    fields = ("crew", "starts_at", "promised_from", "promised_until")
    changes = {name: ["", getattr(visit, name)] for name in fields}
    return audit.entry(by=by, action="promised", subject=visit, job=visit.job_id, changes=changes)


def _dated(at: dt.datetime, entry: AuditEntry) -> AuditEntry:
    entry.at = at
    return entry
