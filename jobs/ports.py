"""
What jobs needs to know from the rooms above it.

A higher app fills these registries in its ``AppConfig.ready``; jobs asks them and knows
nobody. Everything registered takes rows of this app and gives plain values back.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from typing import TYPE_CHECKING, Any

from django.urls import NoReverseMatch, reverse

from jobs.rules.dates import Goods, Past, Place, Supplied

if TYPE_CHECKING:
    from django.db.models import Model, QuerySet

    from jobs.models import Appointment, Job, Message
    from shared.models import Branch


@dataclass(frozen=True, slots=True)
class Minutes:
    """Minutes on site: the mean for the plan, and what 85 % of such visits keep for promises."""

    mean: int
    safe: int
    why: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Expected:
    """
    A visit in plain values, stored or not: what its minutes follow from.

    `families` is how many openings are expected of each product family, "" where nobody knows; `people` the
    crew's size.
    """

    branch: Branch
    purpose: str
    families: Mapping[str, int]
    people: int = 1

    @classmethod
    def of(cls, job: Job, purpose: str, people: int = 1) -> Expected:
        """What the customer told of, of a job that is stored or not."""
        return cls(job.branch, purpose, {job.product_expected: max(1, job.openings_expected)}, people)


@dataclass(frozen=True, slots=True)
class Blocker:
    """Something that holds a job up, who can move it, and where."""

    text: str
    owner: str  # a role
    since: dt.datetime | None = None
    url: str = ""
    severity: str = "check"  # note, check, stop


@dataclass(frozen=True, slots=True)
class Unfinished:
    """What is left of a visit before it is over, and other ways to end it: words and the address of a page."""

    text: str
    ways: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True)
class Making:
    """
    How far the units of a job are in the rooms above, and what they wait for; a day that is None is still to come.

    `missing` names what is not in yet of that which makes a date certain.
    """

    families: Mapping[str, int] = field(default_factory=dict)
    approved_on: dt.date | None = None
    released_on: dt.date | None = None
    made_on: dt.date | None = None
    goods: tuple[Goods, ...] = ()
    places: tuple[Place, ...] = ()
    missing: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Rescue:
    """What could bring a date forward: in words, how the job would stand then, and what it costs; None: not known."""

    text: str
    making: Making
    price: Decimal | None = None
    url: str = ""


@dataclass(frozen=True, slots=True)
class Value:
    """What a job's units come to: how many have a price and how many not, and why the first of those has none."""

    total: Decimal
    priced: int
    unpriced: int
    why: str = ""


StageSource = Callable[["Job"], dict[str, Any]]
"""Gives some of the fields of `jobs.rules.stages.StageFacts` for one job."""

MinutesSource = Callable[["Appointment"], Minutes | None]
"""Minutes on site for an appointment of the purposes it was registered for."""

ExpectedSource = Callable[[Expected], Minutes | None]
"""The same for a visit of which only plain values are known."""

FinishSource = Callable[["Appointment"], Unfinished | None]
"""What is left of a visit of the purposes it was registered for; None once it is closed on its own page."""

OutcomeSource = Callable[["Sequence[Appointment]"], Mapping[int, str]]
"""What became of visits that are done, in a few words each, by their keys; without those it does not know."""

RecordSource = Callable[["Appointment"], bool]
"""Whether anything is recorded at a visit of the purposes it was registered for."""

ReadySource = Callable[["Sequence[Job]"], Mapping[int, dt.date]]
"""Of these jobs, by their keys, the first day on which everything to be installed is ready, where it is known."""

PartsUnknownSource = Callable[["Sequence[Appointment]"], Sequence[str]]
"""For each of these returns why nobody can say yet when its parts are there; empty when they can."""

MakingSource = Callable[["Sequence[Job]"], Mapping[int, Making]]
"""How far the units of these jobs (of one branch) are, by their keys."""

ExpectedMakingSource = Callable[[Expected], Making]
"""The same of a job of which only plain values are known."""

PastSource = Callable[["Branch"], tuple[Sequence[Past], Sequence[Supplied]]]
"""The latest jobs that are installed, and deliveries, to learn how long the steps of a job take."""

RescueSource = Callable[["Job", Making], Iterable[Rescue]]
"""What could bring the making of a job forward."""

BlockerSource = Callable[["Job"], Iterable[Blocker]]

AnotherVisitSource = Callable[["QuerySet[Job]"], Mapping[int, Blocker]]
"""Of these jobs, by their keys, those that need another visit which nobody has booked, and why."""

BringSource = Callable[["Sequence[Appointment]"], Mapping[int, Sequence[str]]]
"""What to bring to an appointment, a line each, for the field page and the day's packet."""


AboardSource = Callable[["Sequence[Appointment]"], Mapping[int, Sequence[str]]]
"""What for these appointments is on their crew's truck by now, a line each, by their keys."""


MessageDocument = Callable[["Message"], "tuple[str, Model | None]"]
"""A document's kind and what it is about."""


ValueSource = Callable[["Job"], Value | None]
"""What the measured units of a job come to by the firm's prices; None where no product has one."""


@dataclass(frozen=True, slots=True)
class CustomersPart:
    """A part of the customer's page: its title, the template that shows it, and what that shows."""

    title: str
    template: str
    shows: Mapping[str, object]


CustomersPartSource = Callable[["Job"], CustomersPart | None]
"""What a higher app shows a job's customer on their page; None: nothing yet."""

EraseHook = Callable[["QuerySet[Job]"], "Iterable[str]"]
"""Takes what names or shows people out of these jobs; gives the names of the files to delete."""


@dataclass(slots=True)
class Ports:
    """The registries; `ports` below is the one there is."""

    stage_sources: list[StageSource] = field(default_factory=list)
    minutes_sources: dict[str, MinutesSource] = field(default_factory=dict)
    expected_sources: dict[str, ExpectedSource] = field(default_factory=dict)
    families: list[tuple[str, str]] = field(default_factory=list)
    """Product families a customer may ask for: their key and their name."""
    finish_sources: dict[str, FinishSource] = field(default_factory=dict)
    outcome_sources: list[OutcomeSource] = field(default_factory=list)
    record_sources: dict[str, RecordSource] = field(default_factory=dict)
    ready_sources: list[ReadySource] = field(default_factory=list)
    making_sources: list[MakingSource] = field(default_factory=list)
    expected_making_sources: list[ExpectedMakingSource] = field(default_factory=list)
    past_sources: list[PastSource] = field(default_factory=list)
    rescue_sources: list[RescueSource] = field(default_factory=list)
    parts_unknown_sources: list[PartsUnknownSource] = field(default_factory=list)
    blocker_sources: list[BlockerSource] = field(default_factory=list)
    another_visit_sources: list[AnotherVisitSource] = field(default_factory=list)
    bring_sources: list[BringSource] = field(default_factory=list)
    aboard_sources: list[AboardSource] = field(default_factory=list)
    message_documents: dict[str, MessageDocument] = field(default_factory=dict)
    """By kind of message to a customer, the document that goes along."""
    value_sources: list[ValueSource] = field(default_factory=list)
    customers_parts: list[CustomersPartSource] = field(default_factory=list)
    erase_hooks: list[EraseHook] = field(default_factory=list)
    day_scripts: list[str] = field(default_factory=list)
    """Scripts, as ``{% static %}`` names them, that make a field person's day work without signal."""
    entry_rooms: dict[str, str] = field(default_factory=dict)
    """Purpose of an appointment to the room whose entries of a phone are of it: ``installs`` in ``installs.done``."""
    visit_urls: dict[str, str] = field(default_factory=dict)
    """Purpose of an appointment to the name of the page where the visit is done; it takes the appointment's key."""

    def stage_facts(self, job: Job) -> dict[str, object]:
        """All that the higher rooms know towards the job's stage."""
        facts: dict[str, object] = {}
        for source in self.stage_sources:
            facts |= source(job)
        return facts

    def minutes(self, appointment: Appointment) -> Minutes | None:
        """Minutes on site, from whoever knows this purpose; None if nobody does."""
        source = self.minutes_sources.get(appointment.purpose)
        return source(appointment) if source else None

    def expected_minutes(self, visit: Expected) -> Minutes | None:
        """Minutes on site of a visit nobody has stored; what `minutes` says once it is and nothing more is known."""
        source = self.expected_sources.get(visit.purpose)
        return source(visit) if source else None

    def unfinished(self, appointment: Appointment) -> Unfinished | None:
        """What is left of a visit, from whoever does its work; None if nothing is, or nobody does."""
        source = self.finish_sources.get(appointment.purpose)
        return source(appointment) if source else None

    def outcomes(self, appointments: Iterable[Appointment]) -> dict[int, str]:
        """What became of those that are done, by their keys: ``in part``, ``3 of 4 installed``."""
        done = [row for row in appointments if row.state == row.State.DONE]
        if not done:
            return {}
        return {pk: text for source in self.outcome_sources for pk, text in source(done).items()}

    def is_recorded(self, appointment: Appointment) -> bool:
        """Whether anything is recorded at a visit, as whoever does its work says."""
        source = self.record_sources.get(appointment.purpose)
        return source is not None and source(appointment)

    def ready_on(self, jobs: Sequence[Job]) -> dict[int, dt.date]:
        """By the job's key, the latest of what the rooms above say; without those that none of them knows."""
        found: dict[int, dt.date] = {}
        for source in self.ready_sources if jobs else ():
            for pk, day in source(jobs).items():
                found[pk] = max(day, found.get(pk, day))
        return found

    def making(self, jobs: Sequence[Job]) -> dict[int, Making]:
        """How far the units of these jobs (of one branch) are, by their keys; without those nobody knows of."""
        return {pk: making for source in self.making_sources if jobs for pk, making in source(jobs).items()}

    def expected_making(self, visit: Expected) -> Making:
        """The same of a job of which only plain values are known."""
        return next((source(visit) for source in self.expected_making_sources), Making(visit.families))

    def past(self, branch: Branch) -> tuple[list[Past], list[Supplied]]:
        """Jobs that are installed and deliveries that came, the latest."""
        found = [source(branch) for source in self.past_sources]
        return [row for rows, _ in found for row in rows], [row for _, rows in found for row in rows]

    def rescues(self, job: Job, making: Making) -> list[Rescue]:
        """What could bring the making of a job forward."""
        return [rescue for source in self.rescue_sources for rescue in source(job, making)]

    def parts_unknown(self, appointments: Sequence[Appointment]) -> list[str]:
        """For each return why nobody can say yet when its parts are there; empty when they can."""
        answers = [source(appointments) for source in self.parts_unknown_sources] if appointments else []
        return [next(filter(None, whys), "") for whys in zip(*answers, strict=True)] or [""] * len(appointments)

    def blockers(self, job: Job) -> list[Blocker]:
        return [blocker for source in self.blocker_sources for blocker in source(job)]

    def another_visit(self, jobs: QuerySet[Job]) -> dict[int, Blocker]:
        """Those of the jobs that need another visit which nobody has booked, by their keys, with where to book it."""
        return {pk: blocker for source in self.another_visit_sources for pk, blocker in source(jobs).items()}

    def bring(self, appointments: Sequence[Appointment]) -> dict[int, list[str]]:
        """What to bring to each of these, by its key."""
        return _lines(self.bring_sources, appointments)

    def aboard(self, appointments: Sequence[Appointment]) -> dict[int, list[str]]:
        """What for each of these is on its crew's truck by now, by its key."""
        return _lines(self.aboard_sources, appointments)

    def value(self, job: Job) -> Value | None:
        """What its measured units come to; None where nobody has prices."""
        return next((found for source in self.value_sources if (found := source(job)) is not None), None)

    def visit_url(self, appointment: Appointment) -> str:
        """The page where this visit is done, from whoever has one; empty if nobody does."""
        name = self.visit_urls.get(appointment.purpose)
        if not name:
            return ""
        try:
            return reverse(name, args=[appointment.pk])
        except NoReverseMatch:
            return ""


def _lines(sources: Iterable[BringSource | AboardSource], appointments: Sequence[Appointment]) -> dict[int, list[str]]:
    answers = [source(appointments) for source in sources]
    return {row.pk: [line for one in answers for line in one.get(row.pk, ())] for row in appointments}


ports = Ports()
