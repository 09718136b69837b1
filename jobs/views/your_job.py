"""The customer's page: a signed link, no account, no script; and the office's hold on the link."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from functools import wraps
from http import HTTPStatus
from typing import Final

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.http.response import HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.utils.translation import gettext, gettext_noop
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from jobs.access import OFFICE, job_for
from jobs.adapters import asks_ready, visits_of_customer
from jobs.forms import YourReadinessForm, YourSiteForm
from jobs.models import Appointment, CustomerLink, Question, Site
from jobs.ports import ports
from jobs.rules.routing import ProblemError
from jobs.schedule.offer_grid import grid_for
from jobs.schedule.words import said_window, what_text
from jobs.services import booking, feeds, links
from jobs.services import your_job as your_job_services
from jobs.views.jobs import parse_date_or_none
from shared import audit
from shared.access import SignedInRequest, address_of, asked_too_often, roles_required
from shared.errors import Refused, refusals_shown, refusals_to
from shared.formats.spoken import PEOPLES, in_language, said_clocks, said_refusal
from shared.models import Branch, User
from shared.versions import edits

OF_LINK: Final = 40
"""Pages a minute that one link answers."""
OF_ADDRESS: Final = 80
"""Pages a minute that one address gets, of whatever links."""

Page = Callable[..., HttpResponseBase]


def with_link(page: Page) -> Page:
    """
    A page of whoever has an open link of a job, on the clocks of its branch; others get a sentence and who to call.

    What is done there by nobody of the firm is recorded as done by the customer.
    """

    @wraps(page)
    def inner(request: HttpRequest, token: str, **keys: int) -> HttpResponseBase:
        link = CustomerLink.of_token(token)
        who = f"link {link.job_id}" if link is not None else "no link"
        if asked_too_often(f"address {address_of(request)}", OF_ADDRESS) or asked_too_often(who, OF_LINK):
            return _instead(
                request, link, HTTPStatus.TOO_MANY_REQUESTS, gettext_noop("Wait a minute, then open this page again.")
            )
        if link is None:
            return _instead(request, link, HTTPStatus.NOT_FOUND, gettext_noop("This link is not complete."))
        if not link.is_open():
            return _instead(request, link, HTTPStatus.GONE, gettext_noop("This link has ended."))
        with (
            timezone.override(link.job.branch.tz), audit.by_customer(link.job_id),
            in_language(link.job.customer.language),
        ):  # fmt: skip
            try:
                answer = page(request, link, **keys)
            except Http404:
                answer = _instead(
                    request, link, HTTPStatus.NOT_FOUND, gettext_noop("There is no such page of your job.")
                )
        answer["Content-Language"] = PEOPLES.get(link.job.customer.language, "en")
        answer["X-Robots-Tag"] = "noindex"
        return answer

    return never_cache(inner)


def who_of(request: HttpRequest) -> User | None:
    """None for the customer; somebody of the firm who is signed in and tries the page is named."""
    return request.user if request.user.is_authenticated else None


def _instead(request: HttpRequest, link: CustomerLink | None, status: int, words: str) -> HttpResponse:
    branches = [link.job.branch] if link is not None else Branch.objects.exclude(phone="").order_by("name")[:20]
    language = link.job.customer.language if link is not None else ""
    with in_language(language):
        context = {"words": gettext(words), "branches": branches}
        return render(request, "jobs/your_job_instead.html", context, status=status)


@with_link
@require_GET
def your_job(request: HttpRequest, link: CustomerLink) -> HttpResponse:
    """When we come, what we wait for, and who to call."""
    return your_job_page(request, link)


def your_job_page(request: HttpRequest, link: CustomerLink, *, error: str = "") -> HttpResponse:
    """The page as it stands; `error` is what was refused."""
    parts = [part for source in ports.customers_parts if (part := source(link.job)) is not None]
    context = {
        "link": link, "job": link.job, "branch": link.job.branch, "visits": visits_of_customer(link.job),
        "parts": parts, "error": error, "questions": link.job.questions.open(),
    }  # fmt: skip
    return render(request, "jobs/your_job.html", context, status=422 if error else 200)


@with_link
@require_POST
def your_question(request: HttpRequest, link: CustomerLink) -> HttpResponse:
    """The customer asks something."""
    about, text = (request.POST.get(name, "")[:700] for name in ("about", "text"))
    try:
        your_job_services.ask(job=link.job, text=text, about=about, by=who_of(request))
    except Refused as refusal:
        return your_job_page(request, link, error=said_refusal(refusal))
    messages.success(request, gettext("Thank you. We will call or write to you."))
    return redirect("jobs:your_job", link.token)


@with_link
@require_http_methods(["GET", "POST"])
def your_times(request: HttpRequest, link: CustomerLink, pk: int) -> HttpResponse:
    """Another time for a visit, from those that make nobody's appointment risky."""
    rows = Appointment.objects.filter(job=link.job).select_related("job__branch", "job__site", "job__customer", "crew")
    row, error = get_object_or_404(rows, pk=pk), ""
    today = timezone.localdate()
    if request.method == "POST":
        try:
            value = request.POST.get("window", "")
            row = your_job_services.choose_time(appointment=row, value=value, by=who_of(request))
        except Refused as refusal:
            error = said_refusal(refusal)
        else:
            messages.success(request, gettext("Confirmed: %(window)s.") % {"window": said_window(row)})
            return redirect("jobs:your_job", link.token)
    may = your_job_services.may_choose(row, today)
    context = {
        "link": link, "job": link.job, "branch": link.job.branch, "visit": row, "window": said_window(row),
        "what": what_text(row), "error": error, "may": may, **(_times(request, row, today) if may else {}),
    }  # fmt: skip
    return render(request, "jobs/your_times.html", context, status=422 if error else 200)


def _times(request: HttpRequest, row: Appointment, today: dt.date) -> dict[str, object]:
    """The safe times by day, from the day that was asked for, and the days before and after that can be looked at."""
    asked = parse_date_or_none(request.GET.get("from_on", ""))
    last = today + your_job_services.FURTHEST
    begin = asked if asked is not None and today < asked <= last else None
    try:
        grid = grid_for(row, from_on=begin)
    except ProblemError:
        return {}
    days = [
        (column.day, [
            (said_clocks(*(edge.astimezone(row.job.branch.tz) for edge in cell.offer.window)), cell.offer.value)
            for cell in column.cells
            if cell.offer is not None and your_job_services.is_safe(cell.offer, today)
        ])
        for column in grid.columns
    ]  # fmt: skip
    return {
        "days": [one for one in days if one[1]],
        "earlier": grid.earlier if grid.earlier > today else None,
        "later": grid.later if grid.later <= last else None,
    }


@with_link
@require_http_methods(["GET", "POST"])
@edits
def your_site(request: HttpRequest, link: CustomerLink) -> HttpResponse:
    """What the customer knows of the site: where to park, pets, children, who opens."""
    job = link.job
    form = YourSiteForm(request.POST or None, instance=job.site)
    if request.method == "POST" and form.is_valid():
        with refusals_to(form.refuse):
            site = Site.objects.select_related("customer", "branch").get(pk=job.site_id)
            booking.edit_site(site=site, by=who_of(request), job=job, **form.cleaned_data)
            messages.success(request, gettext("Thank you. Whoever comes to you sees it."))
            return redirect("jobs:your_job", link.token)
    context = {"link": link, "job": job, "branch": job.branch, "form": form}
    return render(request, "jobs/your_site.html", context, status=422 if form.errors else 200)


@with_link
@require_http_methods(["GET", "POST"])
def your_readiness(request: HttpRequest, link: CustomerLink, pk: int) -> HttpResponse:
    """Whether the site is ready for a visit, as the customer says."""
    rows = Appointment.objects.live().filter(job=link.job).select_related("job__branch").prefetch_related("readiness")
    row = get_object_or_404(rows, pk=pk)
    if not asks_ready(row):
        raise Http404
    answers = {answer.question: answer for answer in row.readiness.all()}
    form = YourReadinessForm(request.POST or None, answers=answers)
    if request.method == "POST" and form.is_valid():
        values = dict(form.cleaned_data)
        note = values.pop("note")
        with refusals_to(form.refuse):
            feeds.answer_readiness(appointment=row, answers=values, note=note, by=who_of(request))
            messages.success(request, gettext("Thank you. Whoever comes to you sees it."))
            return redirect("jobs:your_job", link.token)
    context = {
        "link": link, "job": link.job, "branch": link.job.branch, "form": form, "what": what_text(row),
        "window": said_window(row) if row.state == Appointment.State.PROMISED else "",
    }  # fmt: skip
    return render(request, "jobs/your_readiness.html", context, status=422 if form.errors else 200)


@roles_required(*OFFICE)
@require_POST
def job_link(request: SignedInRequest, pk: int) -> HttpResponse:
    """Revoke the customer's link, or make another one."""
    job = job_for(request.user, pk)
    with refusals_shown(request):
        if "revoke" in request.POST:
            links.revoke_link(job=job, by=request.user)
            messages.success(request, "The link is revoked: whoever opens it is asked to call.")
        else:
            links.renew_link(job=job, by=request.user)
            messages.success(request, "There is a new link. The one before shows nothing any more.")
    return redirect(f"{job.get_absolute_url()}#link")


@roles_required(*OFFICE)
@require_POST
def question_answered(request: SignedInRequest, pk: int) -> HttpResponse:
    """The customer was told."""
    row = get_object_or_404(Question.objects.visible_to(request.user).select_related("job"), pk=pk)
    with refusals_shown(request):
        your_job_services.answered(question=row, by=request.user)
    return redirect(f"{row.job.get_absolute_url()}#link")
