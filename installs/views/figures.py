"""The owner's page: figures per week and crew, each one click from its jobs, and as CSV."""

from __future__ import annotations

import csv
import datetime as dt

from django.http import Http404, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_GET

from installs.access import branch_of, crew_of, today_of
from installs.adapters.books import installed_for_books
from installs.adapters.figures import FIGURES, Figures, Period, Week, figures, monday_of, read_week, rows_behind
from installs.drawings import bars, week_chart
from installs.rules.causes import top_causes
from jobs.models import Crew
from jobs.views.jobs import parse_date_or_none
from shared.access import SignedInRequest, roles_required
from shared.formats.cells import harmless
from shared.models import Branch
from shared.replica import reads_on_replica
from shared.roles import DISPATCHER, OWNER

LOOKS = (OWNER, DISPATCHER)
GOOD = {"one_trip": "higher", "promises": "higher", "yield": "higher", "drive": "lower", "returns": "lower"}


@roles_required(*LOOKS)
@require_GET
@reads_on_replica
def figures_page(request: SignedInRequest) -> HttpResponse:
    """This week against the last, then twelve weeks."""
    branch = branch_of(request.user, request.GET.get("branch", ""))
    if branch is None:
        return render(request, "installs/figures.html", {"found": None})
    crew = crew_of(request.user, branch, request.GET.get("crew", ""))
    found = figures(request.user, branch, today=today_of(request.user), crew=crew)
    context = {
        "found": found,
        "branch": branch,
        "branches": Branch.objects.order_by("name") if request.user.branch_id is None else [],
        "crew": crew,
        "crews": Crew.objects.visible_to(request.user).filter(branch=branch, is_active=True),
        "shown": [_shown(found, figure) for figure in FIGURES if not (crew and figure == "yield")],
        "cause_chart": bars("Returns by cause", [(row.label, float(row.count)) for row in found.causes]),
        "unpriced": ", ".join(sorted({name for row in found.causes for name in row.unpriced})),
        "query": request.GET.urlencode(),
        "is_owner": request.user.has_role(OWNER),
    }
    return render(request, "installs/figures.html", context)


def _shown(found: Figures, figure: str) -> dict[str, object]:
    percent = figure != "returns"
    this, last = found.this_and_last(figure)
    weeks = [(week.label, week.share(figure)) for week in found.weeks]
    return {
        "key": figure,
        "title": FIGURES[figure],
        "this": this,
        "last": last,
        "total": found.total(figure),
        "percent": percent,
        "good": GOOD[figure],
        "chart": week_chart(FIGURES[figure].capitalize(), weeks, percent=percent),
        "weeks": [(week, week.share(figure), _counts(week, figure)) for week in reversed(found.weeks)],
    }


def _counts(week: Week, figure: str) -> str:
    """The two counts a share was taken from."""
    return {
        "one_trip": f"{week.one_trip} of {week.installed} jobs",
        "promises": f"{week.kept} of {week.promised} visits",
        "yield": f"{week.used:.0f} of {week.cut:.0f} ft",
        "drive": f"{week.drive_s / 3600:.1f} of {(week.drive_s + week.site_s) / 3600:.1f} h",
        "returns": f"{week.remakes} made again",
    }[figure]


@roles_required(*LOOKS)
@require_GET
@reads_on_replica
def figure_jobs(request: SignedInRequest, figure: str) -> HttpResponse:
    """The jobs behind one figure of one week, or of the whole period."""
    branch = branch_of(request.user, request.GET.get("branch", ""))
    if figure not in FIGURES or branch is None:
        raise Http404
    period = _period(request, branch)
    cause = request.GET.get("cause", "")
    context = {
        "title": FIGURES[figure],
        "figure": figure,
        "rows": rows_behind(period, figure, cause),
        "period": period,
        "cause": next((top.label for top in top_causes() if top.key == cause), ""),
    }
    return render(request, "installs/figure_jobs.html", context)


def _period(request: SignedInRequest, branch: Branch) -> Period:
    today = today_of(request.user)
    week = read_week(request.GET.get("week", ""))
    if week is not None:
        first, last = week, week + dt.timedelta(days=6)
    else:
        first, last = monday_of(today) - dt.timedelta(weeks=11), today
    return Period(request.user, branch, first, last, crew_of(request.user, branch, request.GET.get("crew", "")))


@roles_required(OWNER)
@require_GET
@reads_on_replica
def books_csv(request: SignedInRequest) -> HttpResponse:
    """What was installed between two days, a row a unit with its price, for whoever keeps the books."""
    branch = branch_of(request.user, request.GET.get("branch", ""))
    if branch is None:
        raise Http404
    today = today_of(request.user)
    last_month = (today.replace(day=1) - dt.timedelta(days=1)).replace(day=1)
    first = parse_date_or_none(request.GET.get("from_on", "")) or last_month
    last = parse_date_or_none(request.GET.get("until_on", "")) or today
    answer = HttpResponse(content_type="text/csv; charset=utf-8")
    answer["Content-Disposition"] = f'attachment; filename="installed-{first}-{last}.csv"'
    writer = csv.writer(answer)
    writer.writerow(
        ["installed", "job", "customer", "project", "unit", "room", "product", "width", "height", "price", "currency",
         "order value", "paid"]
    )  # fmt: skip
    for row in installed_for_books(branch, first, last):
        writer.writerow(map(harmless, row))
    return answer


@roles_required(*LOOKS)
@require_GET
@reads_on_replica
def figures_csv(request: SignedInRequest) -> HttpResponse:
    """The same figures as a table, a row a week."""
    branch = branch_of(request.user, request.GET.get("branch", ""))
    if branch is None:
        raise Http404
    crew = crew_of(request.user, branch, request.GET.get("crew", ""))
    found = figures(request.user, branch, today=today_of(request.user), crew=crew)
    answer = HttpResponse(content_type="text/csv; charset=utf-8")
    answer["Content-Disposition"] = 'attachment; filename="figures.csv"'
    writer = csv.writer(answer)
    writer.writerow(
        ["week", "monday", "jobs installed", "in one trip", "visits promised", "kept", "feet cut into", "feet used",
         "drive hours", "site hours", "returns", "remakes"]
    )  # fmt: skip
    for week in found.weeks:
        writer.writerow(
            [week.key, week.monday.isoformat(), week.installed, week.one_trip, week.promised, week.kept,
             f"{week.cut:.1f}", f"{week.used:.1f}", f"{week.drive_s / 3600:.2f}", f"{week.site_s / 3600:.2f}",
             week.returns, week.remakes]
        )  # fmt: skip
    writer.writerow([])
    writer.writerow(["cause", "counts for", "returns", "remakes", "minutes", "material", "cost"])
    for row in found.causes:
        writer.writerow(
            [harmless(row.label), row.counts_for, row.count, row.remakes, row.minutes, row.material, row.cost]
        )
    return answer
