"""The completion record and photos of the work, for the customer on the page of their job."""

from __future__ import annotations

from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.views.decorators.http import require_GET

from installs.adapters.customers import part_of_customer, photos_shown
from jobs.models import CustomerLink
from jobs.views.your_job import with_link
from shared.documents import pdf_of
from shared.pictures import picture_answer


@with_link
@require_GET
def your_record(request: HttpRequest, link: CustomerLink) -> HttpResponse:
    """The record as it stands, once something is installed."""
    if part_of_customer(link.job) is None:
        raise Http404
    answer = HttpResponse(pdf_of("installs.completion", link.job, None), content_type="application/pdf")
    answer["Content-Disposition"] = f'inline; filename="{link.job.number} completion record.pdf"'
    return answer


@with_link
@require_GET
def your_photo(request: HttpRequest, link: CustomerLink, pk: int) -> HttpResponse:
    """A photo of the work that somebody of the firm chose to show."""
    return picture_answer(get_object_or_404(photos_shown(link.job), pk=pk).file)
