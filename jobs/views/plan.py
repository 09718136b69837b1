"""Plan the week: ask, look at the proposal difference by difference, say yes or no."""

from __future__ import annotations

import datetime as dt
import math
from collections import Counter
from collections.abc import Mapping
from decimal import Decimal
from typing import Any, Final
from uuid import UUID

from django.contrib import messages
from django.db.models import QuerySet
from django.http import HttpResponse, QueryDict
from django.http.response import HttpResponseBase
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_POST

from jobs.access import OFFICE, proposal_for
from jobs.forms import PlanForm
from jobs.models import Appointment, Proposal, ProposedMove
from jobs.ports import ports
from jobs.schedule.board import draw_board
from jobs.schedule.chances import hundredths
from jobs.schedule.day import BEGUN
from jobs.schedule.proposed import Drawn, consequences, drawn, headline
from jobs.schedule.waiting import rule_text
from jobs.schedule.wishes import against_wishes
from jobs.services import accepting, planning
from jobs.services.planning import KIND
from jobs.views.appointments import sentence
from jobs.views.jobs import csv_answer, local_text, parse_date_or_none
from shared.access import SignedInRequest, roles_required
from shared.errors import Refused, refusals_to
from shared.formats.dates import short_day
from shared.formats.money import extra_cost
from shared.models import Run

MOST_NAMED: Final = 5
"""So many of those that waited longest are named."""


@roles_required(*OFFICE)
@require_http_methods(["GET", "POST"])
def plan(request: SignedInRequest) -> HttpResponse:
    """Which days, which crews; the run's bar while it plans, and the proposals made lately."""
    day = parse_date_or_none(request.GET.get("day", "")) or timezone.localdate()
    keep = request.GET.get("keep") == "1"
    initial = {"from_on": day, "until_on": day + dt.timedelta(days=0 if keep else 4), "keep": keep, "seconds": 10,
               "with_unplaced": not keep, "sure": True}  # fmt: skip
    form = PlanForm(request.POST or None, user=request.user, initial=initial)
    if request.method == "POST" and form.is_valid():
        with refusals_to(form.refuse):
            run = planning.ask_for_plan(branch=request.user.own_branch, by=request.user, **form.cleaned_data)
            return redirect("jobs:plan_run", run.pk)
    context = {
        "form": form,
        "runs": Run.objects.visible_to(request.user).active().filter(kind=KIND)[:5],
        "proposals": Proposal.objects.visible_to(request.user).select_related("created_by")[:10],
    }
    return render(request, "jobs/plan.html", context, status=422 if form.errors else 200)


@roles_required(*OFFICE)
@require_http_methods(["GET"])
def plan_run(request: SignedInRequest, pk: UUID) -> HttpResponse:
    """The bar of one planning run; when it is done, on to its proposal."""
    from shared.views import run_for

    run = run_for(request, pk)
    if run.result and run.result.get("proposal"):
        return redirect("jobs:proposal", run.result["proposal"])
    return render(request, "jobs/plan_run.html", {"run": run})


@roles_required(*OFFICE)
@require_http_methods(["GET"])
def proposal(request: SignedInRequest, pk: int) -> HttpResponseBase:
    """The proposal beside the calendar, difference by difference."""
    found = proposal_for(request.user, pk)
    if request.GET.get("format") == "csv":
        return _csv(found)
    return render(request, "jobs/proposal.html", _context(found))


def _csv(found: Proposal) -> HttpResponseBase:
    head = [
        "job", "customer", "visit", "crew now", "starts now", "crew proposed", "starts proposed", "price", "why left",
        "answer",
    ]  # fmt: skip
    moves = found.moves.select_related(
        "appointment__job__customer", "appointment__job__branch", "appointment__crew", "crew"
    )
    rows = [
        [
            move.appointment.job.number, move.appointment.job.customer.name, move.appointment.get_purpose_display(),
            move.appointment.crew, local_text(move.appointment.starts_at), move.crew, local_text(move.starts_at),
            move.price, move.why, move.get_state_display(),
        ]
        for move in moves
    ]  # fmt: skip
    return csv_answer(f"proposal-{found.from_on}", head, [[_text(cell) for cell in row] for row in rows])


def _text(cell: Any) -> str:
    return "" if cell is None else str(cell)


def _context(found: Proposal, error: str = "", chosen: set[int] | None = None) -> dict[str, object]:
    """The page; `chosen` are the differences that wait for a second yes."""
    with_all = (
        "appointment__job__customer", "appointment__job__branch", "appointment__job__site", "appointment__crew", "crew",
    )  # fmt: skip
    rows = found.moves.select_related(*with_all).prefetch_related("appointment__job__wishes")
    moves = list(rows)
    placed = [move for move in moves if move.crew_id is not None]
    now = timezone.now()
    seen = drawn(found, moves, now)
    return {
        "proposal": found,
        "answered": seen.answered if seen is not None else "",
        "headline": headline(found.summary, seen),
        "consequences": consequences(found.summary, seen, found.branch.currency),
        "board": _board(seen, now),
        "elsewhere": [move for move in placed if not _same_day(move)],
        "retimed": [move for move in placed if _same_day(move)],
        "unplaced": [move for move in moves if move.crew_id is None],
        "doubts": _doubts(found),
        "wishes": [
            one | {"cost": extra_cost(Decimal(str(one["price"])), found.branch.currency)}
            for one in found.summary.get("wishes", ())
        ],
        "waiting": _waiting(found),
        "proof": _proof(found.summary),
        "kept_text": _hundredths(found.summary.get("kept", 1)),
        "open_count": sum(move.state == ProposedMove.State.OPEN for move in placed),
        "parts": _parts(placed),
        "accepted_count": sum(move.state == ProposedMove.State.ACCEPTED for move in placed),
        "to_call": _to_call(moves),
        "chosen": chosen,
        "error": error,
    }


def _parts(placed: list[ProposedMove]) -> list[tuple[str, str, int]]:
    """What is still open of each day and of each crew, where there are several: as sent, in words, how many."""
    still = [move for move in placed if move.state == ProposedMove.State.OPEN]
    days = Counter((f"day-{move.day}", short_day(move.day)) for move in still if move.day is not None)
    crews = Counter((f"crew-{move.crew_id}", str(move.crew)) for move in still)
    return [(*key, count) for part in (days, crews) if len(part) > 1 for key, count in sorted(part.items())]


def _board(seen: Drawn | None, now: dt.datetime) -> str:
    """The board before and after, on one sheet; empty when nothing changes."""
    if seen is None:
        return ""
    rows = seen.schedule.rows.values()
    return draw_board(seen.schedule, seen.crews, seen.days, ports.outcomes(rows), now=now, ghosts=seen.ghosts)


def _doubts(found: Proposal) -> list[dict[str, object]] | None:
    """The promises a sure plan could not make sure; None when nobody asked."""
    doubts = found.summary.get("doubts")
    if doubts is None:
        return None
    return [doubt | {"hundredths": hundredths(doubt["on_time"])} for doubt in doubts]


def _waiting(found: Proposal) -> dict[str, object] | None:
    """How long visits wait under the plan and which come after their due day; None where waiting has no price."""
    waiting = found.summary.get("waiting")
    if not waiting or not waiting["visits"]:
        return None
    wait, overdue = (Decimal(str(waiting[name])) for name in ("wait_price", "overdue_price"))
    return {
        "rule": rule_text(wait, overdue, found.branch.currency),
        "count": len(waiting["visits"]),
        "days": waiting["days"],
        "cost": Decimal(str(waiting["cost"])),
        "late": [one | _days(one) for one in waiting["visits"] if one["late_days"]],
        "longest": [one | _days(one) for one in waiting["visits"] if not one["late_days"]][:MOST_NAMED],
    }


def _days(one: Mapping[str, str | None]) -> dict[str, dt.date | None]:
    """The days of one visit of a summary, to be worded."""
    return {name: dt.date.fromisoformat(day) if (day := one[name]) else None for name in ("day", "due_on")}


def _proof(summary: dict[str, Any]) -> str:
    """How good the plan is at least, by what no plan of these days can cost less than."""
    if summary.get("bound") is None:
        return "The search is heuristic, and for this plan nothing is proved about the best there is."
    above = summary.get("above_bound")
    waiting = ", their waiting counted," if (summary.get("waiting") or {}).get("cost") else ""
    proved = f"No plan that places all of these visits can cost{waiting} less than {summary['bound']:,.2f}"
    if above is None:
        return f"{proved}."
    return f"{proved}: this one is at most {math.ceil(1000 * above) / 10:g} % above the best there is."


def _hundredths(share: float) -> str:
    """A share in percent, never rounded up to all of them."""
    return f"{int(100 * share)}%"


def _same_day(move: ProposedMove) -> bool:
    row = move.appointment
    if move.state == ProposedMove.State.ACCEPTED:
        return False
    return row.crew_id == move.crew_id and row.day == move.day and row.state != Appointment.State.UNPLACED


def _to_call(moves: list[ProposedMove]) -> list[tuple[str, list[ProposedMove]]]:
    """Whose customers know nothing yet of what became of their visit, by what they said they can take."""
    groups: dict[str, list[ProposedMove]] = {"": [], "Against what they asked for": [], "No time was found": []}
    for move in moves:
        row = move.appointment
        if move.crew_id is None and row.is_placed() and row.state not in BEGUN:
            groups["No time was found"].append(move)
        elif move.state == ProposedMove.State.ACCEPTED and row.state == Appointment.State.PLANNED:
            begin, wishes = row.begin(), row.job.wishes.all()
            end = begin + dt.timedelta(minutes=row.duration_min)
            against = against_wishes(wishes, begin, end, row.job.branch.tz)
            groups["Against what they asked for" if against else ""].append(move)
    return [(title, rows) for title, rows in groups.items() if rows]


@roles_required(*OFFICE)
@require_POST
def proposal_answer(request: SignedInRequest, pk: int) -> HttpResponse:
    """Yes to all, to a day, a crew or some, or no."""
    found = proposal_for(request.user, pk)
    rows = _answered(found.moves.filter(state=ProposedMove.State.OPEN), request.POST)
    if "decline" in request.POST:
        count = accepting.decline_moves(proposal=found, moves=rows, by=request.user)
        messages.success(request, f"{count} left as they are.")
        return redirect("jobs:proposal", found.pk)
    try:
        taken = accepting.accept_moves(
            proposal=found, moves=rows.exclude(crew=None), by=request.user, anyway="anyway" in request.POST
        )
    except Refused as refusal:
        chosen = {row.pk for row in rows} if refusal.field == "anyway" else None
        return render(request, "jobs/proposal.html", _context(found, sentence(refusal.problem), chosen), status=422)
    messages.success(request, _taken_text(taken))
    return redirect("jobs:proposal", found.pk)


def _answered(rows: QuerySet[ProposedMove], sent: QueryDict) -> QuerySet[ProposedMove]:
    """The differences meant: all, those of one day or one crew, or those that are ticked."""
    which, _, key = sent.get("which", "").partition("-")
    if which == "all":
        return rows
    if which == "day":
        return rows.filter(day=parse_date_or_none(key))
    if which == "crew":
        return rows.filter(crew=int(key) if key.isdigit() else None)
    return rows.filter(pk__in=[int(key) for key in sent.getlist("move") if key.isdigit()])


def _taken_text(taken: accepting.Acceptance) -> str:
    """``5 visits stand where the plan puts them; it saves us $12.50; less sure now: J-1 …``."""
    count = len(taken.moves)
    text = f"{count} visit{' stands' if count == 1 else 's stand'} where the plan puts {'it' if count == 1 else 'them'}"
    if taken.price:
        text += f"; it {extra_cost(taken.price, taken.currency)}"
    if taken.harm is not None:
        text += f"; less sure now: {taken.harm.text}"
    return f"{text}."


@roles_required(*OFFICE)
@require_POST
def proposal_undo(request: SignedInRequest, pk: int) -> HttpResponse:
    """What was accepted last, back as one."""
    found = proposal_for(request.user, pk)
    try:
        count = accepting.undo_acceptance(proposal=found, by=request.user)
    except Refused as refusal:
        return render(request, "jobs/proposal.html", _context(found, sentence(refusal.problem)), status=422)
    words = "1 visit stands where it was" if count == 1 else f"{count} visits stand where they were"
    messages.success(request, f"{words} before the plan.")
    return redirect("jobs:proposal", found.pk)
