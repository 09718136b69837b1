"""What customers decide of their coverings on the page of their job."""

from __future__ import annotations

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.utils.translation import gettext
from django.views.decorators.http import require_GET, require_POST

from jobs.models import CustomerLink
from jobs.views.your_job import who_of, with_link, your_job_page
from measuring.adapters.customers import coverings_of, photos_shown, seen_mark
from measuring.services import releases
from shared.errors import Refused
from shared.formats.spoken import said_refusal
from shared.pictures import picture_answer


@with_link
@require_GET
def your_photo(request: HttpRequest, link: CustomerLink, pk: int) -> HttpResponse:
    """A photo of before that somebody of the firm chose to show."""
    return picture_answer(get_object_or_404(photos_shown(link.job), pk=pk).file)


@with_link
@require_POST
def your_approval(request: HttpRequest, link: CustomerLink) -> HttpResponse:
    """The customer approves what they saw; what changed meanwhile is shown to them anew."""
    asked = [one for one in coverings_of(link.job) if one.may_be_approved]
    seen = seen_mark([one.unit for one in asked], [one.price for one in asked])
    if not asked or link.job.is_cancelled() or request.POST.get("seen") != seen:
        return your_job_page(
            request, link, error=gettext("Something changed meanwhile. Please look again, then approve.")
        )
    try:
        releases.approve_by_customer(
            job=link.job, units=[one.unit for one in asked], name=request.POST.get("approved_by", "")[:200],
            by=who_of(request),
        )  # fmt: skip
    except Refused as refusal:
        return your_job_page(request, link, error=said_refusal(refusal))
    messages.success(request, gettext("Thank you. Your approval is recorded."))
    return redirect("jobs:your_job", link.token)
