"""What needs attention: what waits, since when, whose turn it is."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Final

from django.contrib import messages
from django.core.paginator import Paginator
from django.db.models import Count, F, Prefetch, Q, QuerySet
from django.http import HttpResponse
from django.http.response import HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_GET, require_POST

from jobs.access import OFFICE
from jobs.models import (
    ASKED_READY,
    INSTALLING,
    MEASURING,
    Appointment,
    CalendarRules,
    Job,
    JobDate,
    Message,
    Question,
    ReadinessAnswer,
    SiteKey,
)
from jobs.ports import Blocker, ports
from jobs.schedule.availability import WorkDay, crew_days
from jobs.schedule.chances import Outlook, outlooks
from jobs.schedule.dates import OVER, First, earliest_installs, way_text
from jobs.schedule.day import BEGUN, DaySchedule, Key, read_schedule
from jobs.schedule.effects import standing_key
from jobs.schedule.lateness import ANSWER, arrived_late, grade, quiet
from jobs.schedule.words import clock
from jobs.services import feeds as services
from jobs.services.messages import is_wanted
from jobs.views.jobs import PER_PAGE, csv_answer
from shared.access import SignedInRequest, roles_required
from shared.devices import entries
from shared.devices.models import ParkedEntry
from shared.errors import Refused
from shared.formats.dates import short_day
from shared.models import User

State = Appointment.State
SEVERITIES: Final = ("stop", "check", "note")
MOST_UNDELIVERED: Final = 2_000
"""Messages that one look names: a gateway that refused a whole day's."""
UNLIKELY: Final = 50
"""Of 100: a day told that is less likely is a stop."""
NEXT = {
    # stage: what comes next, whose turn, days after which it is old; common practice, no published source
    Job.Stage.BOOKING: ("book the measure", "dispatcher", 2),
    Job.Stage.TO_MEASURE: ("measure", "measurer", 7),
    Job.Stage.MEASURED: ("approve the sizes and release", "dispatcher", 3),
    Job.Stage.RELEASED: ("batch and plan the cutting", "workroom", 3),
    Job.Stage.IN_WORKROOM: ("make", "workroom", 7),
    Job.Stage.MADE: ("book the install", "dispatcher", 2),
    Job.Stage.TO_INSTALL: ("install", "installer", 10),
    Job.Stage.INSTALLED: ("close: a return is owed or a sign-off is open", "dispatcher", 5),
    Job.Stage.PAUSED: ("settle the hold", "dispatcher", 7),
}


@dataclass(frozen=True, slots=True)
class Waiting:
    """One job that waits."""

    job: Job
    days: int
    action: str
    owner: str
    is_old: bool
    url: str


@roles_required(*OFFICE)
@require_GET
def attention(request: SignedInRequest) -> HttpResponseBase:
    """Jobs by stage and age, oldest first, with the next action and whose it is; and what needs a decision."""
    rows = Job.objects.visible_to(request.user).open()
    counts = {row["stage"]: row["count"] for row in rows.values("stage").annotate(count=Count("pk"))}
    stage = request.GET.get("stage", "")
    if stage in Job.Stage.values:
        rows = rows.filter(stage=stage)
    rows = rows.select_related("customer", "site", "hold_owner").prefetch_related(live_visits())
    now, again = timezone.now(), visits_needed(request.user)
    rows = rows.order_by("stage_since", "pk")
    if request.GET.get("format") == "csv":
        found = (waiting(job, now, again.get(job.pk)) for job in rows)
        head = ["job", "customer", "stage", "days", "next", "whose turn"]
        return csv_answer(
            "stuck",
            head,
            ([w.job.number, w.job.customer.name, w.job.get_stage_display(), w.days, w.action, w.owner] for w in found),
        )
    page = Paginator(rows, PER_PAGE).get_page(request.GET.get("page"))
    context = {
        "page": page,
        "waiting": [waiting(job, now, again.get(job.pk)) for job in page.object_list],
        "stages": [(key, label, counts.get(key, 0)) for key, label in Job.Stage.choices if key in NEXT],
        "stage": stage,
        "rest": f"stage={stage}" if stage else "",
        "decisions": grouped(decisions(request.user, again)) if page.number == 1 and not stage else [],
        "untaken": entries.untaken(request.user),
    }
    return render(request, "jobs/attention.html", context)


def _parked_for(request: SignedInRequest, pk: int) -> ParkedEntry:
    rows = ParkedEntry.objects.visible_to(request.user).filter(settled_at=None)
    return get_object_or_404(rows.select_related("entry__device__user"), pk=pk)


@roles_required(*OFFICE)
@require_POST
def entry_again(request: SignedInRequest, pk: int) -> HttpResponse:
    """Run a phone's entry that was not taken again, now."""
    parked = _parked_for(request, pk)
    if entries.try_again(parked=parked, by=request.user):
        messages.success(request, f"Settled. {parked.entry.device.user}'s phone shows what became of it.")
    else:
        messages.error(request, "Not taken this time either. It is tried again by itself.")
    return redirect(f"{reverse('jobs:attention')}#entries")


@roles_required(*OFFICE)
@require_POST
def entry_drop(request: SignedInRequest, pk: int) -> HttpResponse:
    """Give a phone's entry up, for a reason its phone shows."""
    parked = _parked_for(request, pk)
    try:
        entries.drop(parked=parked, by=request.user, reason=request.POST.get("reason", ""))
        messages.success(request, f"Dropped. The phone of {parked.entry.device.user} shows your reason.")
    except Refused as refusal:
        messages.error(request, f"Reason: {refusal.problem}" if refusal.field else refusal.problem)
    return redirect(f"{reverse('jobs:attention')}#entries")


@roles_required(*OFFICE)
@require_POST
def ready(request: SignedInRequest) -> HttpResponse:
    """Customers were asked, and their sites are ready: several visits at once."""
    wanted = [int(pk) for pk in request.POST.getlist("visit") if pk.isdigit()]
    rows = list(Appointment.objects.visible_to(request.user).filter(pk__in=wanted))
    if not rows:
        messages.error(request, "Tick the visits whose sites are ready.")
    else:
        count = services.asked_ready(appointments=rows, by=request.user)
        messages.success(request, f"Asked, ready: noted for {count} visit{'' if count == 1 else 's'}.")
    return redirect("jobs:calendar")


def visits_needed(user: User) -> dict[int, Blocker]:
    """Jobs that need another visit which nobody has booked."""
    return ports.another_visit(Job.objects.visible_to(user).open())


def live_visits() -> Prefetch[str, QuerySet[Appointment], str]:
    """Each job's visits that are not cancelled, as `live_visits`."""
    return Prefetch("appointments", queryset=Appointment.objects.live(), to_attr="live_visits")


def waiting(job: Job, now: dt.datetime, again: Blocker | None) -> Waiting:
    """What a job waits for, whose turn it is, and whether that is long; `again`: it needs another visit."""
    days = (now - job.stage_since).days
    action, owner, most = NEXT.get(Job.Stage(job.stage), ("look at it", "dispatcher", 7))
    url = reverse("jobs:job", args=[job.pk])
    visits = job.live_visits
    unplaced = next((visit for visit in visits if visit.state == State.UNPLACED), None)
    if job.is_held():
        by_when = f" by {short_day(job.hold_due)}" if job.hold_due is not None else ""
        note = f", {job.hold_note}" if job.hold_note else ""
        action, owner = f"settle the hold{by_when}: {job.get_hold_display()}{note}", job.hold_whose
    elif again is not None and job.stage in {Job.Stage.BOOKING, Job.Stage.TO_MEASURE}:
        action, owner, url = again.text, again.owner, again.url
    elif unplaced is not None and job.stage in {Job.Stage.BOOKING, Job.Stage.MADE}:
        action = f"choose a time for the {unplaced.get_purpose_display()}"
        url = reverse("jobs:windows", args=[unplaced.pk])
    elif job.stage in {Job.Stage.MADE, Job.Stage.BOOKING}:
        purpose = "install" if job.stage == Job.Stage.MADE else "measure"
        url = f"{reverse('jobs:visit_new', args=[job.pk])}?purpose={purpose}"
    elif job.stage in {Job.Stage.TO_MEASURE, Job.Stage.TO_INSTALL}:
        kinds = MEASURING if job.stage == Job.Stage.TO_MEASURE else INSTALLING
        visit = next((v for v in visits if v.purpose in kinds and v.day and v.state != State.DONE), None)
        if visit is not None and visit.day is not None:
            action = f"{action} on {short_day(visit.day)}"
    return Waiting(job, days, action, owner, days > most, url)


@dataclass(frozen=True, slots=True)
class Decision:
    """Something the dispatcher must decide, with where."""

    text: str
    url: str
    severity: str
    kind: str
    visit: int | None = None


KINDS: Final = {
    # kind: what several of it are called, in the order they are shown
    "late": "promises late or missed",
    "quiet": "crews that are quiet",
    "crewless": "visits stand where their crew does not work",
    "unready": "sites not ready",
    "entry": "entries from phones not taken",
    "message": "messages not delivered",
    "question": "questions of customers",
    "key": "keys that should be back",
    "certificate": "insurance certificates that run out before a visit",
    "call": "customers to call",
    "hold": "holds to settle",
    "again": "jobs need another visit",
    "date": "install dates that slip",
    "unmade": "installs promised before their parts are there",
    "reserved": "times held: promise them or release them",
    "past": "visits of past days not marked as done",
    "ask": "site checks due",
}


@dataclass(frozen=True, slots=True)
class Group:
    """Decisions of one kind and weight: one line, which opens."""

    kind: str
    severity: str
    rows: tuple[Decision, ...]

    @property
    def text(self) -> str:
        return f"{len(self.rows)} {KINDS[self.kind]}"


def grouped(found: Iterable[Decision]) -> list[Group]:
    """Decisions by weight and kind, in the order of `KINDS`."""
    groups: dict[tuple[str, str], list[Decision]] = defaultdict(list)
    for one in found:
        groups[one.severity, one.kind].append(one)
    order = list(KINDS)
    keys = sorted(groups, key=lambda key: (SEVERITIES.index(key[0]), order.index(key[1])))
    return [Group(kind, severity, tuple(groups[severity, kind])) for severity, kind in keys]


def decisions(user: User, again: Mapping[int, Blocker] | None = None) -> list[Decision]:
    """Promises in danger first, then what stands in an absence, visits needed again, readiness to be asked."""
    found: list[Decision] = []
    if user.branch is None:
        return found
    for entry in entries.untaken(user):
        where = entry.row.where or str(entry.row.entry.device)
        text = f"{where}: {entry.title} from a phone is not taken. Try it again or drop it."
        found.append(Decision(text, f"{reverse('jobs:attention')}#entries", "stop", "entry"))
    again = visits_needed(user) if again is None else again
    today = timezone.now().astimezone(user.branch.tz).date()
    rules = CalendarRules.of(user.branch)
    said_no = ReadinessAnswer.objects.filter(answer=ReadinessAnswer.Answer.NO).values("appointment")
    rows = (
        Appointment.objects.visible_to(user)
        .live()
        .exclude(state__in=[State.DONE, State.UNPLACED])
        .filter(day__gte=today)
        .filter(Q(day__lte=today + dt.timedelta(days=rules.ask_days)) | Q(pk__in=said_no))
        .select_related("job__customer", "job__site", "job__branch", "crew__branch")
        .prefetch_related("readiness")
        .order_by("day", "starts_at")
    )
    standing = list(rows)
    hours = _hours(standing)
    now = timezone.now()
    running = _running([row for row in standing if row.day == today], today, hours)
    ahead = {pk: outlook for one in running for pk, outlook in outlooks(one, now).items()}
    for row in standing:
        found += _of_visit(row, today, ahead.get(row.pk), now)
    found += _quiet(running, now)
    found += crewless(standing, hours)
    found += _undelivered(user, today)
    found += _questions(user)
    found += _keys(user, today)
    found += _to_call(user, today)
    found += _holds(user, today)
    found += _forgotten(user, today)
    found += _slipping(user)
    for job in Job.objects.filter(pk__in=again).select_related("customer").order_by("stage_since", "pk"):
        one = again[job.pk]
        found.append(Decision(f"{job.number} {job.customer.name}: {one.text}.", one.url, one.severity, "again"))
    unmade = (
        Appointment.objects.visible_to(user)
        .filter(purpose__in=INSTALLING, state=State.PROMISED, day__gte=today)
        .exclude(job__stage__in=[Job.Stage.MADE, Job.Stage.TO_INSTALL, Job.Stage.INSTALLED, Job.Stage.CLOSED])
        .select_related("job__customer", "job__branch")
        .order_by("day")[:50]
    )
    promised = list(unmade)
    found += [
        Decision(text, row.get_absolute_url(), "check", "unmade")
        for row, first in zip(promised, earliest_installs(promised), strict=True)
        if (text := promised_unmade(row, first))
    ]
    return sorted(found, key=lambda decision: SEVERITIES.index(decision.severity))


def _undelivered(user: User, today: dt.date) -> list[Decision]:
    """Messages that did not go, or may not have, and are news still; one whose visit is near stops."""
    rows = Message.objects.visible_to(user).undelivered().filter(job__cancelled_at=None)
    rows = rows.select_related("job__customer", "appointment").order_by("created_at")[:MOST_UNDELIVERED]
    found = []
    for row in rows:
        if not is_wanted(row):
            continue
        visit = row.appointment
        is_near = visit is not None and visit.day is not None and visit.day <= today + dt.timedelta(days=1)
        about = visit if visit is not None else row.job
        text = (
            f"{row.job.number} {row.job.customer.name}: {row} {row.get_state_display()}: {row.answer}. "
            "Call customer, or send it again."
        )
        url = f"{about.get_absolute_url()}#sent"
        found.append(Decision(text, url, "stop" if is_near else "check", "message"))
    return found


def _keys(user: User, today: dt.date) -> list[Decision]:
    """Keys that somebody should have brought back."""
    rows = SiteKey.objects.visible_to(user).out().filter(due_on__lt=today).select_related("site", "holder")
    return [
        Decision(
            f"{row.holder} has key {row.label} of {row.site.street} since {short_day(row.out_at)}; back by "
            f"{short_day(row.due_on)}.",
            f"{reverse('jobs:site', args=[row.site_id])}#keys", "check", "key",
        )
        for row in rows[:50]
    ]  # fmt: skip


def _questions(user: User) -> list[Decision]:
    """What customers asked on their pages and nobody answered."""
    rows = Question.objects.visible_to(user).open().select_related("job__customer")[:50]
    return [
        Decision(f"{row.job.number} {row.job.customer.name} asks: {row}", f"{row.job.get_absolute_url()}#link", "check",
                 "question")
        for row in rows
    ]  # fmt: skip


def _to_call(user: User, today: dt.date) -> list[Decision]:
    """Customers whom no time was found for, and by when they are called; one that is overdue stops."""
    rows = Appointment.objects.visible_to(user).unplaced().filter(call_on__isnull=False, job__cancelled_at=None)
    return [
        Decision(
            f"{row.job.number} {row.job.customer.name}: call customer by {short_day(row.call_on)} ({row.call_whose}); "
            f"{row.call_note or f'no time was found for the {row.get_purpose_display()}'}.",
            reverse("jobs:windows", args=[row.pk]),
            "stop" if row.call_on is not None and row.call_on < today else "check",
            "call",
        )
        for row in rows.select_related("job__customer", "call_owner").order_by("call_on", "pk")
    ]


def _holds(user: User, today: dt.date) -> list[Decision]:
    """Holds whose day has come; one whose day is over stops."""
    rows = Job.objects.visible_to(user).open().exclude(hold="").filter(hold_due__lte=today)
    return [
        Decision(
            f"{row.number} {row.customer.name} is on hold for {row.hold_reason}; {row.hold_whose} settles it by "
            f"{short_day(row.hold_due)}.",
            row.get_absolute_url(),
            "stop" if row.hold_due is not None and row.hold_due < today else "check",
            "hold",
        )
        for row in rows.select_related("customer", "hold_owner").order_by("hold_due", "pk")[:50]
    ]


def _slipping(user: User) -> list[Decision]:
    """Jobs whose customers were told a day that does not hold any more, and what would save it."""
    rows = JobDate.objects.filter(job__in=Job.objects.visible_to(user).exclude(stage__in=OVER), told_on__lt=F("by"))
    return [
        Decision(
            f"{row.job.number} {row.job.customer.name}: told {short_day(row.told_on)}, {row.chance}% as things stand; "
            f"now {short_day(row.by)}. {_saved(row)}",
            f"{row.job.get_absolute_url()}#date",
            "stop" if row.chance is not None and row.chance < UNLIKELY else "check",
            "date",
        )
        for row in rows.select_related("job__customer", "job__branch").order_by("told_on", "pk")
    ]


def _saved(row: JobDate) -> str:
    ways = "; ".join(way_text(way, row.job.branch.currency) for way in row.ways)
    decides = f"What decides: {row.get_decides_display()}. " if row.decides else ""
    return f"{decides}What would help: {ways}." if ways else f"{decides}Tell the customer."


def _forgotten(user: User, today: dt.date) -> list[Decision]:
    """Visits of past days that nobody marked as done."""
    rows = (
        Appointment.objects.visible_to(user)
        .filter(day__range=(today - dt.timedelta(days=30), today - dt.timedelta(days=1)), job__cancelled_at=None)
        .exclude(state__in=[State.DONE, State.CANCELLED, State.UNPLACED])
        .select_related("job__customer", "crew")
        .order_by("day")[:20]
    )
    return [
        Decision(
            f"{row.job.number} {row.job.customer.name}: nobody marked the {row.get_purpose_display()} of "
            f"{short_day(row.day)} as done. Mark it, move it or call it off.",
            row.get_absolute_url(),
            "check",
            "past",
        )
        for row in rows
    ]


def _hours(rows: list[Appointment]) -> dict[Key, WorkDay]:
    """When the crews of these visits work on the days of all of them."""
    crews = {row.crew_id: row.crew for row in rows if row.crew is not None}
    return crew_days(list(crews.values()), sorted({row.day for row in rows if row.day is not None}))


def crewless(rows: list[Appointment], hours: Mapping[Key, WorkDay]) -> list[Decision]:
    """Visits whose crew does not work when they stand; `hours` of their crews on their days."""
    found = []
    for row in rows:
        key = standing_key(row)
        work = hours.get(key) if key is not None else None
        if work is None or row.starts_at is None or row.state in BEGUN or work.shift_at(row.starts_at) is not None:
            continue
        url = f"{reverse('jobs:plan')}?day={row.day}&keep=1"
        why = work.why or (f"{work.note}, so nobody comes" if work.note else "it is outside its crew's hours")
        text = f"{row.job.number} {row.job.customer.name} stands on {short_day(row.day)}, but {why}. Spread that day."
        found.append(Decision(text, url, "stop", "crewless"))
    return found


def _running(rows: list[Appointment], day: dt.date, hours: Mapping[Key, WorkDay]) -> list[DaySchedule]:
    """One day of the crews of these visits."""
    if not rows:
        return []
    crews = list({row.crew_id: row.crew for row in rows if row.crew is not None}.values())
    return list(read_schedule(rows[0].job.branch, crews, [day], hours=hours).days.values())


def _quiet(days: Iterable[DaySchedule], now: dt.datetime) -> list[Decision]:
    """Crews that were asked where they are and did not answer."""
    found = []
    for day in days:
        one = quiet(day, now)
        row = None if one is None else day.rows[one.appointment]
        if one is None or row is None or row.asked_at is None or now - row.asked_at < ANSWER:
            continue
        tz = row.job.branch.tz
        text = (
            f"{day.crew.name}: no tap at {row.job.number} {row.job.customer.name}, {one.tap} by {clock(one.due, tz)} "
            f"as planned; asked at {clock(row.asked_at, tz)}, no answer. Call the crew."
        )
        found.append(Decision(text, row.get_absolute_url(), "check", "quiet"))
    return found


def _of_visit(row: Appointment, today: dt.date, outlook: Outlook | None, now: dt.datetime) -> list[Decision]:
    found, url = [], row.get_absolute_url()
    name = f"{row.job.number} {row.job.customer.name}"
    if outlook is not None and outlook.is_manned and (how := grade(row, outlook, now)) is not None:
        found.append(Decision(f"{name}: {how.text}.", f"{url}#late", how.severity, "late"))
    if (came := arrived_late(row)) is not None:
        found.append(Decision(f"{name}: {came.text}.", f"{url}#late", came.severity, "late"))
    if row.state == State.RESERVED:
        found.append(Decision(f"{name}: a time is held; promise it or release it.", url, "check", "reserved"))
    until = row.job.site.certificate_until
    if until is not None and row.day is not None and until < row.day:
        text = f"{name}: the insurance certificate ends {short_day(until)}, before the visit. Send a new one."
        found.append(Decision(text, reverse("jobs:site", args=[row.job.site_id]), "check", "certificate"))
    if row.purpose in ASKED_READY and row.day is not None and row.day > today:
        answers = {answer.answer for answer in row.readiness.all()}
        if "no" in answers:
            found.append(Decision(f"{name}: the site is not ready for {short_day(row.day)}.", url, "stop", "unready"))
        elif not answers:
            ask = reverse("jobs:readiness", args=[row.pk])
            text = f"{name}: ask whether the site is ready for {short_day(row.day)}."
            found.append(Decision(text, ask, "note", "ask", row.pk))
    return found


def promised_unmade(row: Appointment, earliest: First) -> str:
    """A promise that the parts may not keep; empty when they will, or nobody knows."""
    first, why = earliest
    if first is None or row.day is None or row.day >= first:
        return ""
    return f"{row.job.number} {row.job.customer.name}: promised {short_day(row.day)}, but {why}."
