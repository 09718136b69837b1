"""Plans of some days: asked for as a run, proposed, taken over in whole, in part or not at all."""

from __future__ import annotations

import datetime as dt
import sys
import time
from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Any, Final

from django.db import transaction
from django.utils import timezone

from jobs.dispatch import BEGUN, open_book
from jobs.models import Appointment, AppointmentMove, Crew, Proposal, ProposedMove
from jobs.planning import Calendar, order_numbers, read_calendar, read_driver
from jobs.rules.routing import Plan, Problem, plan_of
from jobs.rules.routing.documents import plan_from, problem_document
from jobs.services.base import lock_crews, plain_state
from jobs.services.stages import lock_open_job, recompute_stage
from shared import audit, runs
from shared.errors import Refused
from shared.models import Branch, Run, User

KIND: Final = "jobs.plan_routes"
SAME_MIN: Final = 1
"""Starts that differ by less are the same."""
MOST_DAYS: Final = 31
COST_UNIT: Final = 360_000
LATER_S: Final = 3600
"""By how much a visit that keeps its place may begin later for one that lost its crew, in seconds."""
STAY_PRICE: Final = 4
"""How much dearer a move is when only a crew's loss is to be made good."""


def ask_for_plan(
    *,
    branch: Branch,
    from_on: dt.date,
    until_on: dt.date,
    by: User,
    crews: Iterable[Crew] = (),
    seconds: int = 10,
    with_unplaced: bool = True,
    keep: bool = False,
    careful: bool = False,
    reason: str = "",
) -> Run:
    """
    Asks for a plan of these days; what it finds becomes a `Proposal`, and nothing moves by itself.

    Parameters
    ----------
    crews
        Only these; all that drive when empty.
    with_unplaced
        Plan what stands nowhere too.
    keep
        Leave everything where it is but what lost its crew, as after somebody fell ill.
    careful
        Plan with the minutes that 85 % of such visits keep, instead of the mean.
    """
    if until_on < from_on:
        raise Refused("the days end before they begin", field="until_on")
    if (until_on - from_on).days >= MOST_DAYS:
        raise Refused(f"at most {MOST_DAYS} days at once", field="until_on", bound=str(MOST_DAYS))
    if not 1 <= seconds <= 600:
        raise Refused(f"{seconds} seconds", field="seconds", bound="1 to 600")
    params = {
        "branch": branch.pk, "from_on": from_on.isoformat(), "until_on": until_on.isoformat(),
        "crews": [crew.pk for crew in crews], "seconds": seconds, "with_unplaced": with_unplaced, "keep": keep,
        "careful": careful, "reason": reason,
    }  # fmt: skip
    title = f"Plan of {from_on:%d %b}" + (f" to {until_on:%d %b}" if until_on != from_on else "")
    return runs.start(KIND, by=by, subject=branch, params=params, key=f"plan {branch.pk} {from_on}", title=title)


@runs.long_work(KIND, title="Plan routes")
def plan_routes(ctx: runs.Context) -> None:
    """Solves in a process of its own, verifies, and writes the differences as a proposal."""
    params = ctx.params
    branch = Branch.objects.get(pk=params["branch"])
    first, last = dt.date.fromisoformat(params["from_on"]), dt.date.fromisoformat(params["until_on"])
    days = [first + dt.timedelta(days=n) for n in range((last - first).days + 1)]
    ctx.progress(0, params["seconds"], "reading the calendar")
    calendar, left_out = _read(branch, days, params)
    if not calendar.problem.stops:
        raise Refused("nothing stands on these days, and nothing is unplaced")
    if not calendar.problem.days:
        raise Refused("no crew works on these days")
    document = problem_document(calendar.problem, params["seconds"], 0)
    told = _Told(ctx, params["seconds"])
    answer = runs.run_process(told, [sys.executable, "-m", "jobs.rules.routing"], document)  # type: ignore[arg-type]
    plan = plan_from(calendar.problem, answer)
    with ctx.finishing() as result:
        proposal = keep_proposal(
            branch=branch, first=first, last=last, calendar=calendar, plan=plan, left_out=left_out, run=ctx.run,
            by=ctx.by, reason=params["reason"], engines=answer.get("engines", {}),
        )  # fmt: skip
        result.update(proposal=proposal.pk, **proposal.summary)


class _Told:
    """The run's context, with the seconds searched as its progress between the solver's own words."""

    def __init__(self, ctx: runs.Context, seconds: int) -> None:
        self.ctx, self.seconds, self.began, self.words = ctx, seconds, time.monotonic(), "searching"

    def progress(self, done: int, total: int, message: str = "") -> None:
        self.words = message or self.words
        self._tell()

    def should_stop(self) -> bool:
        self._tell()
        return self.ctx.should_stop()

    def _tell(self) -> None:
        spent = min(self.seconds, int(time.monotonic() - self.began))
        self.ctx.progress(spent, self.seconds, self.words)


def _read(branch: Branch, days: Sequence[dt.date], params: dict[str, Any]) -> tuple[Calendar, list[Appointment]]:
    crews = Crew.objects.filter(branch=branch, is_active=True).prefetch_related("skills")
    if params["crews"]:
        crews = crews.filter(pk__in=params["crews"])
    comers: list[Appointment] = []
    if params["with_unplaced"] and not params["keep"]:
        rows = Appointment.objects.unplaced().filter(job__branch=branch, job__cancelled_at=None, job__hold="")
        rows = rows.select_related("job__site", "job__customer", "job__branch")
        comers = list(rows.prefetch_related("skills", "possible_windows", "job__impossible_times"))
    left_out = [row for row in comers if not row.job.site.has_coordinates()]
    calendar = read_calendar(branch, list(crews), days, also=comers, not_before=timezone.now())
    problem = calendar.problem
    if params["careful"]:
        planned = Appointment.objects.filter(pk__in=[stop.id for stop in problem.stops])
        safe = dict(planned.values_list("pk", "duration_safe_min"))
        stops = tuple(
            replace(stop, service=max(stop.service, (safe.get(stop.id) or 0) * 60))  # type: ignore[arg-type]
            for stop in problem.stops
        )
        problem = replace(problem, stops=stops)
    calendar.problem = _kept(calendar, problem) if params["keep"] else problem
    return calendar, left_out


def _kept(calendar: Calendar, problem: Problem) -> Problem:
    """Moves made dear, and what keeps its place begins at its planned time or a little later."""
    starts = {
        row.pk: calendar.seconds(row.starts_at)
        for one in calendar.book.days.values()
        for row in one.appointments
        if row.starts_at is not None
    }
    stops = tuple(
        replace(stop, windows=((starts[stop.id], starts[stop.id] + LATER_S),))  # type: ignore[index]
        if stop.id in problem.previous and stop.promised is None and stop.locked is None
        else stop
        for stop in problem.stops
    )
    dear = replace(problem.objective, moved=problem.objective.moved * STAY_PRICE)
    return replace(problem, stops=stops, objective=dear)


def keep_proposal(
    *,
    branch: Branch,
    first: dt.date,
    last: dt.date,
    calendar: Calendar,
    plan: Plan,
    left_out: Sequence[Appointment],
    run: Run | None,
    by: User | None,
    reason: str,
    engines: dict[str, Any],
) -> Proposal:
    """The differences between a verified plan and the calendar as it was read."""
    asked = Appointment.objects.filter(pk__in=[stop.id for stop in calendar.problem.stops])
    rows = {row.pk: row for row in asked.select_related("job")}
    now_there = plan_of(calendar.problem, order_numbers(calendar))
    proposal = Proposal.objects.create(
        branch=branch, from_on=first, until_on=last, reason=reason, run=run, created_by=by,  # type: ignore[misc]
        summary=_summary(now_there, plan, len(left_out), engines),
    )  # fmt: skip
    moves = [
        ProposedMove(proposal=proposal, appointment=row, version=row.version, why="the site has no coordinates")
        for row in left_out
    ]
    for route in plan.routes:
        crew_pk, day = read_driver(str(route.crew))
        for visit in route.visits:
            row = rows[int(visit.id)]
            start = calendar.when(visit.start)
            if _differs(row, crew_pk, day, start):
                move = ProposedMove(proposal=proposal, appointment=row, version=row.version)
                move.crew_id, move.day, move.starts_at = crew_pk, day, start
                moves.append(move)
    for unplaced in plan.unplaced:
        row = rows[int(unplaced.id)]
        moves.append(ProposedMove(proposal=proposal, appointment=row, version=row.version, why=unplaced.why[:240]))
    ProposedMove.objects.bulk_create(moves, batch_size=500)
    audit.record(by=by, deed="planned", subject=proposal, note=reason)
    return proposal


def _differs(row: Appointment, crew_pk: int, day: dt.date, start: dt.datetime) -> bool:
    if row.crew_id != crew_pk or row.day != day or row.starts_at is None:
        return True
    return abs((row.starts_at - start).total_seconds()) >= SAME_MIN * 60


def _summary(before: Plan | None, after: Plan, left_out: int, engines: dict[str, Any]) -> dict[str, Any]:
    def figures(plan: Plan | None) -> dict[str, Any] | None:
        if plan is None:
            return None  # it can't be driven as it stands
        paid = sum(route.back - route.depart for route in plan.routes if route.visits)
        return {
            "drive_min": round(plan.travel / 60),
            "paid_min": round(paid / 60),
            "cost": round(plan.cost / COST_UNIT, 2),
            "unplaced": len(plan.unplaced),
            "stops": sum(len(route.visits) for route in plan.routes),
        }

    return {"before": figures(before), "after": figures(after), "left_out": left_out, "engines": engines}


# -- yes or no ---------------------------------------------------------------------------


@transaction.atomic
def accept_moves(*, proposal: Proposal, moves: Iterable[ProposedMove], by: User) -> list[ProposedMove]:
    """
    Takes these differences over, all or nothing.

    What somebody moved since the plan was made is passed over and says so. Taken alone,
    some may not be drivable without the others: then nothing is taken, and the first
    trouble is named.
    """
    chosen = list(
        ProposedMove.objects.filter(pk__in=[move.pk for move in moves], proposal=proposal, state="open")
        .exclude(crew=None)
        .select_related("crew")
    )
    if not chosen:
        raise Refused("choose at least one difference that is still open")
    standing = Appointment.objects.filter(pk__in=[move.appointment_id for move in chosen])
    for pk in sorted(set(standing.values_list("job", flat=True))):
        lock_open_job(pk)
    crews = {move.crew_id for move in chosen} | set(standing.values_list("crew", flat=True))
    lock_crews(pk for pk in crews if pk is not None)
    rows = {
        row.pk: row
        for row in Appointment.objects.select_for_update(of=("self",))
        .filter(pk__in=[move.appointment_id for move in chosen])
        .select_related("job__branch")
    }
    taken, days = _write_moves(chosen, rows, by)
    _refuse_undrivable(proposal.branch, days, by)
    for job in {rows[move.appointment_id].job_id for move in taken}:
        recompute_stage(job=job, by=by)
    return taken


def _write_moves(
    chosen: Sequence[ProposedMove], rows: dict[int, Appointment], by: User
) -> tuple[list[ProposedMove], set[tuple[int, dt.date]]]:
    """Puts every chosen appointment where it was proposed; the crew-days touched."""
    taken, days, entries = [], set(), []
    for move in chosen:
        row = rows[move.appointment_id]
        if row.version != move.version or row.state in BEGUN or row.state == Appointment.State.CANCELLED:
            move.state, move.state_note = ProposedMove.State.PASSED, "it was moved since the plan was made"
            move.save(update_fields=["state", "state_note"])
            continue
        was = plain_state(row)
        if row.crew_id is not None and row.day is not None:
            days.add((row.crew_id, row.day))
        row.crew, row.day, row.starts_at = move.crew, move.day, move.starts_at
        if row.state == Appointment.State.UNPLACED:
            row.state = Appointment.State.PLANNED
        row.version += 1
        row.sequence += 1
        fields = ["crew", "day", "starts_at", "state"]
        entries.append(
            audit.entry(
                by=by, deed="moved by a plan", subject=row, job=row.job_id, changes=audit.changed(row, fields)
            )
        )
        row.save(update_fields=[*fields, "version", "sequence"])
        AppointmentMove.objects.create(
            appointment=row, by=by, before={"own": was, "pushed": {}}, version=row.version
        )
        days.add((row.crew_id, row.day))  # type: ignore[arg-type]
        move.state = ProposedMove.State.ACCEPTED
        move.save(update_fields=["state"])
        taken.append(move)
    audit.record_all(entries)
    return taken, days


def _refuse_undrivable(branch: Branch, days: set[tuple[int, dt.date]], by: User) -> None:
    """Refuses days that can't be driven as they stand now; small pushes that break nothing are written."""
    if not days:
        return
    crews = list(Crew.objects.filter(pk__in={crew for crew, _ in days}).prefetch_related("skills"))
    book = open_book(branch, crews, sorted({day for _, day in days}))
    for key in sorted(days):
        one = book.days.get(key)
        if one is None:
            continue
        by_pk = {row.pk: row for row in one.appointments}
        for stop in one.timeline.stops:
            row = by_pk[stop.key]
            if stop.late >= 60 or (stop.pushed >= 60 and stop.is_fixed):
                minutes = round(max(stop.late, stop.pushed) / 60)
                raise Refused(
                    f"taken alone it can't be driven: {one.crew.name} on {one.day:%a %d %b} would reach "
                    f"{row.job.number} {minutes} min late. Accept the others of that day too",
                    field="moves",
                )
            if stop.pushed:
                Appointment.objects.filter(pk=row.pk).update(starts_at=dt.datetime.fromtimestamp(stop.start, dt.UTC))


@transaction.atomic
def decline_moves(*, proposal: Proposal, moves: Iterable[ProposedMove], by: User) -> int:
    """Says no to these differences; everything stays where it is."""
    open_ones = ProposedMove.objects.filter(
        pk__in=[move.pk for move in moves], proposal=proposal, state=ProposedMove.State.OPEN
    )
    count = open_ones.update(state=ProposedMove.State.DECLINED)
    if count:
        audit.record(by=by, deed="declined", subject=proposal, note=f"{count} differences")
    return count
