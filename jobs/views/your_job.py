"""The customer's page: a signed link, no account, no script; and the office's hold on the link."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from http import HTTPStatus
from typing import Final

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_GET, require_POST

from jobs.access import OFFICE, job_for
from jobs.adapters import visits_of_customer
from jobs.models import CustomerLink
from jobs.services import links
from shared import audit
from shared.access import SignedInRequest, address_of, asked_too_often, roles_required
from shared.errors import refusals_shown
from shared.models import Branch

OF_LINK: Final = 40
"""Pages a minute that one link answers."""
OF_ADDRESS: Final = 80
"""Pages a minute that one address gets, of whatever links."""

Page = Callable[[HttpRequest, CustomerLink], HttpResponse]


def with_link(page: Page) -> Callable[[HttpRequest, str], HttpResponse]:
    """
    A page of whoever has an open link of a job, on the clocks of its branch; others get a sentence and who to call.

    What is done there by nobody of the firm is recorded as done by the customer.
    """

    @wraps(page)
    def inner(request: HttpRequest, token: str) -> HttpResponse:
        link = CustomerLink.of_token(token)
        who = f"link {link.job_id}" if link is not None else "no link"
        if asked_too_often(f"address {address_of(request)}", OF_ADDRESS) or asked_too_often(who, OF_LINK):
            return _instead(request, link, HTTPStatus.TOO_MANY_REQUESTS, "Wait a minute, then open this page again.")
        if link is None:
            return _instead(request, link, HTTPStatus.NOT_FOUND, "This link is not complete.")
        if not link.is_open():
            return _instead(request, link, HTTPStatus.GONE, "This link has ended.")
        with timezone.override(link.job.branch.tz), audit.by_customer(link.job_id):
            answer = page(request, link)
        answer["X-Robots-Tag"] = "noindex"
        return answer

    return never_cache(inner)


def _instead(request: HttpRequest, link: CustomerLink | None, status: int, words: str) -> HttpResponse:
    branches = [link.job.branch] if link is not None else Branch.objects.exclude(phone="").order_by("name")[:20]
    return render(request, "jobs/your_job_instead.html", {"words": words, "branches": branches}, status=status)


@with_link
@require_GET
def your_job(request: HttpRequest, link: CustomerLink) -> HttpResponse:
    """When we come, what we wait for, and who to call."""
    context = {"link": link, "job": link.job, "branch": link.job.branch, "visits": visits_of_customer(link.job)}
    return render(request, "jobs/your_job.html", context)


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
