"""Plans of some days: asked for as a run, proposed, taken over in whole, in part or not at all."""

from __future__ import annotations

import datetime as dt
import re
import sys
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import asdict, replace
from decimal import Decimal
from typing import Any, Final

from django.db import transaction
from django.utils import timezone

from jobs.models import Absence, Appointment, CalendarRules, Crew, Proposal, ProposedMove
from jobs.rules.early_bias import early_biased
from jobs.rules.routing import Objective, Plan, Problem, Stop, explain, verify
from jobs.rules.routing.documents import Answer, plan_from, problem_document, read_answer
from jobs.rules.routing.linked_stops import explain_linked_stops
from jobs.rules.routing.model import Id
from jobs.rules.stabilise import calmed, stabilised
from jobs.schedule.day import DaySchedule
from jobs.schedule.doubts import Doubt, doubtful
from jobs.schedule.effects import COST_UNIT, chances_of, day_cost, money, prices_of
from jobs.schedule.plan import (
    PlanProblem,
    at_own_prices,
    best_bound,
    change_under,
    days_under,
    least_cost,
    move_changes,
    read_driver,
    read_problem,
    waited_under,
    wish_costs,
)
from jobs.schedule.reasons import plain_why
from jobs.schedule.reliable import more_reliable
from jobs.schedule.waiting import days_waited
from jobs.schedule.wishes import wishes_text
from jobs.services.crews import set_holiday
from shared import audit, runs
from shared.errors import Refused
from shared.formats.dates import month_day, short_day
from shared.models import Branch, Run, User

KIND: Final = "jobs.plan_routes"
SAME_MIN: Final = 1
"""Starts that differ by less are the same."""
MOST_DAYS: Final = 31
LATER_S: Final = 3600
"""By how much a visit that keeps its place may begin later for one that lost its crew, in seconds."""
SURE: Final = 0.95
LOOKED_S: Final = 2.0
"""So long at most is looked for a plan that costs about as little and keeps more promises, in seconds."""


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
    sure: bool = False,
    let_go: bool = False,
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
    sure
        Look for a plan in which every promise is kept on 95 of 100 sampled days, for as many
        seconds again; the proposal says which can't be.
    let_go
        The first day is lost: what is promised on it is planned on any later one.
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
        "careful": careful, "sure": sure, "let_go": let_go, "reason": reason,
    }  # fmt: skip
    title = f"Plan of {month_day(from_on)}" + (f" to {month_day(until_on)}" if until_on != from_on else "")
    key = f"{'spread' if keep else 'plan'} {branch.pk} {from_on}"
    return runs.start(KIND, by=by, subject=branch, params=params, key=key, title=title)


def spread_absence(*, absence: Absence, by: User, seconds: int = 5) -> Run:
    """Asks for a plan that spreads what an absence hits over the other crews and leaves the rest alone."""
    tz = absence.crew.branch.tz
    first = max(absence.starts_at, timezone.now()).astimezone(tz).date()
    last = (absence.ends_at - dt.timedelta(seconds=1)).astimezone(tz).date()
    if last < first:
        raise Refused("that absence is over", field="ends_at")
    return ask_for_plan(
        branch=absence.crew.branch, from_on=first, until_on=min(last, first + dt.timedelta(days=MOST_DAYS - 1)),
        by=by, seconds=seconds, with_unplaced=False, keep=True, reason=f"{absence.crew.name} is out",
    )  # fmt: skip


@transaction.atomic
def move_day(*, branch: Branch, day: dt.date, until_on: dt.date, by: User, reason: str, seconds: int = 10) -> Run:
    """
    Closes a day, as for a storm, and asks for a plan of all that stands on it over the days up to `until_on`.

    Nothing moves before the plan is accepted; what is promised on that day loses its promise then, and its
    customer is on the list of those to be told. What is under way stays.
    """
    if day < timezone.now().astimezone(branch.tz).date():
        raise Refused("that day is over", field="day")
    if until_on <= day:
        raise Refused("choose a later day to move them to", field="until_on")
    set_holiday(branch=branch, day=day, name=reason, by=by)
    return ask_for_plan(
        branch=branch, from_on=day, until_on=until_on, by=by, seconds=seconds, with_unplaced=False, keep=True,
        let_go=True, reason=f"{reason}: {short_day(day)} moves",
    )  # fmt: skip


@runs.long_work(KIND, title="Plan routes", queue="plans")
def plan_routes(ctx: runs.Context) -> None:
    """Solves in a process of its own, verifies, and writes the differences as a proposal."""
    params = ctx.params
    branch = Branch.objects.get(pk=params["branch"])
    first, last = dt.date.fromisoformat(params["from_on"]), dt.date.fromisoformat(params["until_on"])
    days = [first + dt.timedelta(days=n) for n in range((last - first).days + 1)]
    if ctx.by is None:
        raise Refused("nobody asked for this plan")
    ctx.progress(0, params["seconds"], "reading the calendar")
    calendar, left_out = _read(branch, days, params)
    if not calendar.problem.stops:
        raise Refused("nothing is scheduled on these days, and nothing is to schedule")
    if not calendar.problem.days:
        raise Refused("no crew works on these days")
    bound = None if params["keep"] else least_cost(calendar)
    progress = _RunProgress(ctx, params["seconds"], bound)
    plan, answer = _solve(progress, calendar.problem, params["seconds"], keep=params["keep"])
    doubts: list[Doubt] | None = None
    if not params["keep"]:  # of plans that cost within a hundredth as much, the one that keeps more promises
        plan = more_reliable(
            calendar,
            plan,
            SURE,
            timezone.now(),
            most=plan.cost + plan.cost // 100,
            should_stop=_until(progress, LOOKED_S),
        )
    if params.get("sure"):
        plan, doubts = _more_reliable(progress, calendar, plan, params["seconds"], keep=params["keep"])
    if params["keep"]:
        plan = stabilised(calendar.problem, plan, _standing(calendar))
        doubts = doubtful(calendar, plan, SURE, timezone.now()) if doubts is not None else None
    else:
        plan = _calmed(calendar, plan)
    if bound is not None and not plan.unplaced:
        bound = best_bound(calendar, bound, answer.bound)
    with ctx.finishing() as result:
        proposal = keep_proposal(
            branch=branch, first=first, last=last, calendar=calendar, plan=plan, left_out=left_out, run=ctx.run,
            by=ctx.by, reason=params["reason"], found=_found(plan, answer, doubts, bound),
        )  # fmt: skip
        result.update(proposal=proposal.pk, **proposal.summary)


def _solve(progress: _RunProgress, problem: Problem, seconds: float, *, keep: bool) -> tuple[Plan, Answer]:
    """One solve in a process of its own, verified; with `keep` only what lost its crew is put in."""
    module = "jobs.rules.spread" if keep else "jobs.rules.routing"
    document = problem_document(problem, seconds, 0)
    answer = read_answer(runs.run_process(progress, [sys.executable, "-m", module], document))
    return plan_from(problem, answer), answer


def _more_reliable(
    progress: _RunProgress, calendar: PlanProblem, plan: Plan, seconds: float, *, keep: bool
) -> tuple[Plan, list[Doubt]]:
    """The more reliable of this plan and one that pays for coming late into a promise; with its doubtful promises."""
    problem = calendar.problem
    plan, doubts = _moved_for_promises(progress, calendar, plan, seconds, keep=keep)
    if not doubts or progress.should_stop():
        return plan, doubts
    progress = _RunProgress(
        progress.ctx, progress.seconds, None, f"{len(doubts)} promises are not reliable enough: looking for better"
    )
    priced, _ = _solve(progress, early_biased(problem), seconds, keep=keep)
    trial = at_own_prices(calendar, priced)
    if trial is None or verify(problem, trial):
        return plan, doubts
    trial, others = _moved_for_promises(progress, calendar, trial, seconds, keep=keep)
    better = (trial.rank[:2], len(others), trial.cost) < (plan.rank[:2], len(doubts), plan.cost)
    return (trial, others) if better else (plan, doubts)


def _moved_for_promises(
    progress: _RunProgress, calendar: PlanProblem, plan: Plan, seconds: float, *, keep: bool
) -> tuple[Plan, list[Doubt]]:
    """The plan with visits begun earlier or given to others for the promises' sake, unless they are to stay."""
    if not keep:
        plan = more_reliable(calendar, plan, SURE, timezone.now(), should_stop=_until(progress, seconds))
    return plan, doubtful(calendar, plan, SURE, timezone.now())


def _calmed(calendar: PlanProblem, plan: Plan) -> Plan:
    """The plan without moves of some minutes that gain nothing, unless a promise is less sure without them."""
    calm, now = calmed(calendar.problem, plan, _standing(calendar)), timezone.now()
    worse = len(doubtful(calendar, calm, SURE, now)) > len(doubtful(calendar, plan, SURE, now))
    return plan if worse else calm


def _until(progress: _RunProgress, seconds: float) -> Callable[[], bool]:
    """Whether so many seconds are over, or the run is to stop."""
    end = time.monotonic() + seconds
    return lambda: time.monotonic() > end or progress.should_stop()


def _found(plan: Plan, answer: Answer, doubts: Sequence[Doubt] | None, bound: int | None) -> dict[str, object]:
    """What the proposal tells of its search beside the plan; the bound holds for plans that leave nothing out."""
    found: dict[str, Any] = {"engines": answer.engines}
    if bound is not None and not plan.unplaced:
        found["bound"] = round(bound / COST_UNIT, 2)
        found["above_bound"] = round(plan.cost / bound - 1, 4) if bound else None
    if answer.kept is not None:
        found["kept"] = answer.kept
    if doubts is not None:
        found["doubts"] = [asdict(doubt) for doubt in doubts]
    return found


_COST = re.compile(r"cost so far ([\d,]+)")


def _money(found: re.Match[str]) -> str:
    return f"cost so far {int(found[1].replace(',', '')) / COST_UNIT:,.2f}"


class _RunProgress:
    """The run's context, with the seconds searched as its progress between the solver's own words, or with `words`."""

    def __init__(self, ctx: runs.Context, seconds: int, bound: int | None, words: str = "") -> None:
        self.ctx, self.seconds, self.began, self.words = ctx, seconds, time.monotonic(), words or "searching"
        self.keeps_words = bool(words)
        self.least = "" if not bound else f"; with all placed at least {bound / COST_UNIT:,.2f}"

    def progress(self, done: int, total: int, message: str = "") -> None:
        words, costs = _COST.subn(_money, message)
        if not self.keeps_words:
            self.words = words + (self.least if costs else "") or self.words
        self._tell()

    def should_stop(self) -> bool:
        self._tell()
        return self.ctx.should_stop()

    def _tell(self) -> None:
        spent = min(self.seconds, int(time.monotonic() - self.began))
        self.ctx.progress(spent, self.seconds, self.words)


def _read(branch: Branch, days: Sequence[dt.date], params: dict[str, Any]) -> tuple[PlanProblem, list[Appointment]]:
    crews = Crew.objects.filter(branch=branch, is_active=True).prefetch_related("skills")
    if params["crews"]:
        crews = crews.filter(pk__in=params["crews"])
    candidates: list[Appointment] = []
    if params["with_unplaced"] and not params["keep"]:
        rows = Appointment.objects.unplaced().filter(job__branch=branch, job__cancelled_at=None, job__hold="")
        rows = rows.select_related("job__site", "job__customer", "job__branch")
        candidates = list(rows.prefetch_related("skills", "possible_windows", "job__impossible_times"))
    left_out = [row for row in candidates if not row.job.site.has_coordinates()]
    searched = dt.timedelta(seconds=params.get("seconds", 0) * (2 if params.get("sure") else 1))
    first = timezone.now() + searched  # what it finds is to begin after it was found
    calendar = read_problem(
        branch, list(crews), days, also=candidates, not_before=first, still=params["keep"],
        lost=days[0] if params.get("let_go") else None,
    )  # fmt: skip
    problem = calendar.problem
    if params["careful"]:
        planned = Appointment.objects.filter(pk__in=[stop.id for stop in problem.stops])
        safe: dict[Id, int] = {pk: minutes or 0 for pk, minutes in planned.values_list("pk", "duration_safe_min")}
        stops = tuple(replace(stop, service=max(stop.service, safe.get(stop.id, 0) * 60)) for stop in problem.stops)
        problem = replace(problem, stops=stops)
    calendar.problem = _kept(calendar, problem) if params["keep"] else problem
    return calendar, left_out


def _standing(calendar: PlanProblem) -> dict[Id, int]:
    """The planned starts of what keeps its crew and day."""
    return {
        one.pk: calendar.seconds(one.starts_at)
        for day in calendar.schedule.days.values()
        for one in day.standing
        if one.pk in calendar.problem.previous
    }


def _kept(calendar: PlanProblem, problem: Problem) -> Problem:
    """What keeps its place begins at its planned time or a little later."""
    starts = _standing(calendar)

    def kept(stop: Stop) -> Stop:
        start = starts.get(stop.id)
        if start is None or stop.promised is not None or stop.windows == ((start, start),):
            return stop
        return replace(stop, windows=((start, start + LATER_S),))

    return replace(problem, stops=tuple(kept(stop) for stop in problem.stops))


def keep_proposal(
    *,
    branch: Branch,
    first: dt.date,
    last: dt.date,
    calendar: PlanProblem,
    plan: Plan,
    left_out: Sequence[Appointment],
    run: Run | None,
    by: User,
    reason: str,
    found: dict[str, Any],
) -> Proposal:
    """The differences between a verified plan and the calendar as it was read."""
    prices = prices_of(CalendarRules.of(branch))
    proposal = Proposal.objects.create(
        branch=branch, from_on=first, until_on=last, reason=reason, run=run, created_by=by,
        summary=_summary(calendar, plan, prices, len(left_out)) | found,
    )  # fmt: skip
    moves = [
        *(_move(row, why="the site has no coordinates") for row in left_out),
        *_moves_placed(calendar, plan, prices),
        *_moves_left(calendar, plan),
    ]
    for move in moves:
        move.proposal = proposal
    ProposedMove.objects.bulk_create(moves, batch_size=500)
    audit.record(by=by, action="planned", subject=proposal, note=reason)
    return proposal


def _move(row: Appointment, **values: Any) -> ProposedMove:
    return ProposedMove(appointment=row, version=row.version, **values)


def _moves_placed(calendar: PlanProblem, plan: Plan, prices: Objective) -> Iterator[ProposedMove]:
    """The visits that the plan has elsewhere or at another time."""
    changes, now = move_changes(calendar, plan), timezone.now()
    before = chances_of(calendar.schedule.days.values(), now)
    after = chances_of(days_under(calendar, plan).values(), now)
    for route in plan.routes:
        crew_pk, day = read_driver(str(route.crew))
        for visit in route.visits:
            row = calendar.rows[int(visit.id)]
            start = calendar.when(visit.start)
            if _differs(row, crew_pk, day, start):
                price = changes[row.pk].price(prices) if row.pk in changes else None
                yield _move(
                    row, crew_id=crew_pk, day=day, starts_at=start, price=price,
                    chance_before=before.get(row.pk), chance_after=after.get(row.pk),
                )  # fmt: skip


def _moves_left(calendar: PlanProblem, plan: Plan) -> Iterator[ProposedMove]:
    """The visits that the plan leaves out, with why."""
    if any(entry.reason is None for entry in plan.unplaced):
        plan = (explain_linked_stops if calendar.problem.linked_stops else explain)(calendar.problem, plan)
    numbers = {pk: row.job.number for pk, row in calendar.rows.items()}
    for entry in plan.unplaced:
        row, why = calendar.rows[int(entry.id)], plain_why(calendar, entry.reason, numbers)
        asked = wishes_text(calendar.facts.wishes.get(row.job_id, ()))
        yield _move(row, why=(f"asked for: {asked}; {why}" if asked else why)[:240])


def _differs(row: Appointment, crew_pk: int, day: dt.date, start: dt.datetime) -> bool:
    if row.crew_id != crew_pk or row.day != day or row.starts_at is None:
        return True
    return abs((row.starts_at - start).total_seconds()) >= SAME_MIN * 60


def _summary(calendar: PlanProblem, plan: Plan, prices: Objective, left_out: int) -> dict[str, object]:
    """Drive, paid time and cost of these days as they stand, None when they can't be driven; and as planned."""
    change, known = change_under(calendar, plan), calendar.problem
    drives = all(day.trouble is None and all(pk in known.previous for pk in day.by_pk) for day in change.before)
    standing = {pk for day in change.before for pk in day.by_pk}
    to_come = sum(stop.id not in standing for stop in known.stops)
    cost = sum((money(day_cost(prices, day)) for day in change.before), Decimal(0))
    return {
        "wishes": [
            {
                "appointment": one.row.pk,
                "number": one.row.job.number,
                "customer": one.row.job.customer.name,
                "wishes": one.wishes,
                "price": float(money(one.cost)),
            }
            for one in wish_costs(calendar, plan)
        ],
        "waiting": _waiting(calendar, plan),
        "before": _figures(change.before, cost, to_come) if drives else None,
        "after": _figures(change.after, cost + change.price(prices), len(plan.unplaced)),
        "left_out": left_out,
    }


def _waiting(calendar: PlanProblem, plan: Plan) -> dict[str, object]:
    """How long the visits wait whose day the plan was free to choose, and what that counts by the branch's rule."""
    rules, waited = calendar.schedule.rules, waited_under(calendar, plan)
    return {
        "wait_price": float(rules.wait_price),
        "overdue_price": float(rules.overdue_price),
        "days": sum(one.waits.days(one.day) for one in waited),
        "cost": float(money(sum(one.cost for one in waited))),
        "visits": [days_waited(one.row, one.waits, one.day) for one in waited],
    }


def _figures(days: Sequence[DaySchedule], cost: Decimal, unplaced: int) -> dict[str, object]:
    return {
        "drive_min": round(sum(day.timeline.drive for day in days) / 60),
        "paid_min": round(sum(day.timeline.paid for day in days) / 60),
        "cost": float(cost),
        "unplaced": unplaced,
        "stops": sum(len(day.standing) for day in days),
    }
