"""The completion record, for the customer on the page of their job."""

from __future__ import annotations

from django.http import Http404, HttpRequest, HttpResponse
from django.views.decorators.http import require_GET

from installs.adapters.customers import part_of_customer
from jobs.models import CustomerLink
from jobs.views.your_job import with_link
from shared.documents import pdf_of


@with_link
@require_GET
def your_record(request: HttpRequest, link: CustomerLink) -> HttpResponse:
    """The record as it stands, once something is installed."""
    if part_of_customer(link.job) is None:
        raise Http404
    answer = HttpResponse(pdf_of("installs.completion", link.job, None), content_type="application/pdf")
    answer["Content-Disposition"] = f'inline; filename="{link.job.number} completion record.pdf"'
    return answer
