"""The list of jobs, one job with its whole story, and what is done to it."""

from __future__ import annotations

import csv
import datetime as dt
from collections.abc import Callable, Iterable, Iterator, Sequence
from urllib.parse import urlencode

from django.contrib import messages
from django.core.paginator import Paginator
from django.db.models import Max, Prefetch, Q, QuerySet
from django.http import HttpResponse, StreamingHttpResponse
from django.http.response import HttpResponseBase
from django.shortcuts import redirect, render
from django.utils import timezone
from django.utils.dateparse import parse_date
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from jobs.access import LOOKS, OFFICE, SEES_PHONES, customer_for, job_for
from jobs.adapters import ready_for_job, sent_to
from jobs.forms import CantForm, CustomerForm, HoldForm, JobForm, ReasonForm, TellDateForm, VisitForm
from jobs.models import Appointment, CustomerLink, Job
from jobs.ports import ports
from jobs.schedule.dates import date_now, way_text
from jobs.services import appointments, booking, dates, erasing
from jobs.services.stages import blockers_of
from shared.access import SignedInRequest, roles_required
from shared.errors import Refused, refusals_shown, refusals_to
from shared.formats.cells import harmless
from shared.replica import reads_on_replica
from shared.roles import OWNER
from shared.versions import edits

YEARS = range(2000, 2101)
"""Of the days that an address may name."""
PER_PAGE = 40


class _Echo:
    """A file that gives back what is written, for streaming CSV."""

    def write(self, value: str) -> str:
        return value


def csv_answer(name: str, head: list[str], rows: Iterable[Sequence[object]]) -> StreamingHttpResponse:
    """Everything a page shows as CSV, row by row; cells that a spreadsheet would run are made text."""
    writer = csv.writer(_Echo())

    def lines() -> Iterator[str]:
        yield "\ufeff" + writer.writerow(head)
        for row in rows:
            yield writer.writerow([harmless(cell) for cell in row])

    answer = StreamingHttpResponse(lines(), content_type="text/csv; charset=utf-8")
    answer["Content-Disposition"] = f'attachment; filename="{name}.csv"'
    return answer


def local_text(when: dt.datetime | None) -> str:
    """An instant on the branch's clocks as a spreadsheet reads it."""
    return f"{timezone.localtime(when):%Y-%m-%d %H:%M}" if when else ""


# -- the list ----------------------------------------------------------------------------


def found_jobs(request: SignedInRequest) -> QuerySet[Job]:
    """The jobs a query asks for: words, stage, hold, dates; open ones unless it says otherwise."""
    rows = Job.objects.visible_to(request.user).select_related("customer", "site")
    words, stage = request.GET.get("q", "").strip(), request.GET.get("stage", "")
    if stage in Job.Stage.values:
        rows = rows.filter(stage=stage)
    elif stage != "all" and not words:
        rows = rows.open()
    for word in words.split()[:6]:
        rows = rows.filter(
            Q(number__icontains=word)
            | Q(customer__name__icontains=word)
            | Q(site__street__icontains=word)
            | Q(site__town__icontains=word)
            | Q(site__postcode__startswith=word)
            | Q(title__icontains=word)
        )
    if day := parse_date_or_none(request.GET.get("wanted_by", "")):
        rows = rows.filter(wanted_by__lte=day)
    return rows.order_by("-pk")


def parse_date_or_none(text: str) -> dt.date | None:
    """The day an address names; None where it is none, or one that no calendar reaches."""
    try:
        day = parse_date(text)
    except ValueError:
        return None
    return day if day is not None and day.year in YEARS else None


@roles_required(*LOOKS)
@require_GET
@reads_on_replica
def job_list(request: SignedInRequest) -> HttpResponseBase:
    """Jobs with stage, age and next visit; filtered, searched, paged, or as CSV."""
    rows = found_jobs(request)
    if request.GET.get("format") == "csv":
        return _list_csv(rows)
    page = Paginator(rows.prefetch_related(next_visits()), PER_PAGE).get_page(request.GET.get("page"))
    rest = {key: value for key, value in request.GET.items() if key in {"q", "stage", "wanted_by"} and value}
    context = {
        "page": page,
        "stages": Job.Stage.choices,
        "q": request.GET.get("q", ""),
        "stage": request.GET.get("stage", ""),
        "rest": urlencode(rest),
        "now": timezone.now(),
        "is_office": request.user.has_role(*OFFICE),
    }
    template = "jobs/job_list.html"
    return render(request, f"{template}#rows" if request.htmx else template, context)


def next_visits() -> Prefetch[str, QuerySet[Appointment], str]:
    """Each job's visits still to come, the next one first, as `coming`."""
    coming = Appointment.objects.live().exclude(state=Appointment.State.DONE).select_related("crew")
    return Prefetch("appointments", queryset=coming.order_by("day", "pk"), to_attr="coming")


def _list_csv(rows: QuerySet[Job]) -> StreamingHttpResponse:
    head = ["job", "customer", "site", "stage", "since", "hold", "openings expected", "wanted by", "booked"]
    return csv_answer(
        "jobs",
        head,
        (
            [
                job.number, job.customer.name, job.site.address, job.get_stage_display(),
                timezone.localtime(job.stage_since).date(), job.get_hold_display(), job.openings_expected,
                job.wanted_by or "", timezone.localtime(job.created_at).date(),
            ]
            for job in rows.iterator(chunk_size=2000)
        ),
    )  # fmt: skip


# -- one job -------------------------------------------------------------------------------


@roles_required(*LOOKS)
@require_GET
def job_detail(request: SignedInRequest, pk: int) -> HttpResponse:
    """The whole story of a job on one screen."""
    job = job_for(request.user, pk)
    return render(request, "jobs/job_detail.html", detail_context(request, job))


def detail_context(request: SignedInRequest, job: Job, **more: object) -> dict[str, object]:
    user = request.user
    visits = (
        Appointment.objects.visible_to(user)
        .filter(job=job)
        .select_related("crew", "job__branch")
        .prefetch_related("readiness")
        .order_by("day", "starts_at", "pk")
    )
    is_office = user.has_role(*OFFICE)
    return {
        "job": job,
        "stages": [choice for choice in Job.Stage.choices if choice[0] not in {"paused", "cancelled"}],
        "visits": visits,
        "outcomes": ports.outcomes(visits),
        "blockers": blockers_of(job, visits) if is_office or user.has_role("workroom") else [],
        "is_office": is_office,
        "ready": ready_for_job(job) if is_office else None,
        "sent": sent_to(job) if is_office else [],
        "questions": job.questions.open() if is_office else [],
        "link": CustomerLink.of(job) if is_office else None,
        "sees_phones": user.has_role(*SEES_PHONES),
        "hold_form": HoldForm(user=user),
        "reason_form": ReasonForm(user=user),
        **(_date_context(request, job) if is_office else {}),
        "cant_form": CantForm(user=user, tz=job.branch.tz),
        "impossible": job.impossible_times.filter(ends_at__gte=timezone.now()) if is_office else [],
        "others": Job.objects.visible_to(user).filter(site=job.site).exclude(pk=job.pk)[:5],
        **more,
    }


def _date_context(request: SignedInRequest, job: Job) -> dict[str, object]:
    """When it is installed, what the customer was told of that, and what would bring it forward."""
    now = date_now(job)
    if now is None:
        return {}
    return {
        "date": now,
        "ways": [(way, way_text(way, job.branch.currency)) for way in now.ways],
        "date_form": TellDateForm(user=request.user, initial={"on": now.outlook.by}),
    }


def _done(request: SignedInRequest, job: Job, words: str) -> HttpResponse:
    messages.success(request, words)
    return redirect("jobs:job", job.pk)


@roles_required(*OFFICE)
@require_http_methods(["GET", "POST"])
@edits
def job_edit(request: SignedInRequest, pk: int) -> HttpResponse:
    """Title, rooms, policy, the customer's own date, project."""
    job = job_for(request.user, pk)
    form = JobForm(request.POST or None, user=request.user, instance=job)
    if request.method == "POST" and form.is_valid():
        with refusals_to(form.refuse):
            booking.edit_job(job=job, by=request.user, **form.cleaned_data)
            return _done(request, job, "The job is changed.")
    context = {"form": form, "job": job, "heading": f"Change {job.number}"}
    return render(request, "jobs/job_form.html", context, status=422 if form.errors else 200)


@roles_required(*OFFICE)
@require_POST
def job_hold(request: SignedInRequest, pk: int) -> HttpResponse:
    """Pause a job for a reason."""
    job = job_for(request.user, pk)
    form = HoldForm(request.POST, user=request.user)
    if form.is_valid():
        with refusals_to(form.refuse):
            booking.hold(job=job, by=request.user, **form.cleaned_data)
            return _done(request, job, f"{job.number} is paused.")
    return render(request, "jobs/job_detail.html", detail_context(request, job, hold_form=form), status=422)


@roles_required(*OFFICE)
@require_POST
def job_unhold(request: SignedInRequest, pk: int) -> HttpResponse:
    """The job goes on."""
    job = job_for(request.user, pk)
    return _try(request, job, f"{job.number} goes on.", lambda: booking.unhold(job=job, by=request.user))


@roles_required(*OFFICE)
@require_POST
def job_cancel(request: SignedInRequest, pk: int) -> HttpResponse:
    """Cancel the job and what is still to come of it."""
    job = job_for(request.user, pk)
    form = ReasonForm(request.POST, user=request.user)
    if form.is_valid():
        with refusals_to(form.refuse):
            booking.cancel_job(job=job, by=request.user, reason=form.cleaned_data["reason"])
            return _done(request, job, f"{job.number} is canceled, and so are its visits.")
    return render(request, "jobs/job_detail.html", detail_context(request, job, reason_form=form), status=422)


@roles_required(*OFFICE)
@require_POST
def job_take_up(request: SignedInRequest, pk: int) -> HttpResponse:
    """Take a cancelled job up again."""
    job = job_for(request.user, pk)
    return _try(
        request, job, f"{job.number} is taken up again.", lambda: booking.take_up_again(job=job, by=request.user)
    )


def _try(request: SignedInRequest, job: Job, words: str, action: Callable[[], object]) -> HttpResponse:
    try:
        action()
    except Refused as refusal:
        messages.error(request, refusal.problem)
        return redirect("jobs:job", job.pk)
    return _done(request, job, words)


@roles_required(*OFFICE)
@require_POST
def job_cant(request: SignedInRequest, pk: int) -> HttpResponse:
    """A stretch the customer can't be there."""
    job = job_for(request.user, pk)
    form = CantForm(request.POST, user=request.user, tz=job.branch.tz)
    if form.is_valid():
        with refusals_to(form.refuse):
            begin, end = form.span()
            booking.add_impossible_time(job=job, starts_at=begin, ends_at=end, by=request.user)
            return _done(request, job, "Noted: nothing is offered then.")
    return render(request, "jobs/job_detail.html", detail_context(request, job, cant_form=form), status=422)


@roles_required(*OFFICE)
@require_POST
def job_date(request: SignedInRequest, pk: int) -> HttpResponse:
    """The customer was told by when it is installed."""
    job = job_for(request.user, pk)
    form = TellDateForm(request.POST, user=request.user)
    if form.is_valid():
        with refusals_to(form.refuse):
            dates.tell_date(job=job, on=form.cleaned_data["on"], by=request.user)
            return _done(request, job, "Noted: the customer was told that day.")
    return render(request, "jobs/job_detail.html", detail_context(request, job, date_form=form), status=422)


@roles_required(*OFFICE)
@require_POST
def project_new(request: SignedInRequest, pk: int) -> HttpResponse:
    """A project of a customer: many sites or phases."""
    customer = customer_for(request.user, pk)
    name = request.POST.get("name", "").strip()
    try:
        project = booking.new_project(customer=customer, name=name, by=request.user)
        messages.success(request, f"{project.name} can be chosen on this customer's jobs now.")
        return redirect("jobs:project", project.pk)
    except Refused as refusal:
        messages.error(request, f"The project's name: {refusal.problem}")
    return redirect("jobs:customer", customer.pk)


@roles_required(*OFFICE)
@require_http_methods(["GET", "POST"])
def visit_new(request: SignedInRequest, pk: int) -> HttpResponse:
    """Ask for another visit of the job."""
    job = job_for(request.user, pk)
    initial = {"purpose": request.GET.get("purpose", "install")}
    form = VisitForm(request.POST or None, user=request.user, initial=initial)
    if request.method == "POST" and form.is_valid():
        with refusals_to(form.refuse):
            visit = appointments.new_appointment(job=job, by=request.user, **form.cleaned_data)
            return redirect("jobs:windows", visit.pk)
    context = {"form": form, "job": job, "heading": f"A visit for {job.number}", "button": "Choose a time"}
    return render(request, "jobs/job_form.html", context, status=422 if form.errors else 200)


@roles_required(*OFFICE)
@require_http_methods(["GET", "POST"])
@edits
def customer_edit(request: SignedInRequest, pk: int) -> HttpResponse:
    """A customer's name, phone, email, note; their sites and jobs beside it."""
    customer = customer_for(request.user, pk)
    form = CustomerForm(request.POST or None, user=request.user, instance=customer)
    if request.method == "POST" and form.is_valid():
        with refusals_to(form.refuse):
            booking.edit_customer(customer=customer, by=request.user, **form.cleaned_data)
            messages.success(request, "The customer is changed.")
            return redirect("jobs:customer", customer.pk)
    context = {
        "form": form,
        "customer": customer,
        "is_owner": request.user.has_role(OWNER),
        "sites": customer.sites.all(),
        "projects": customer.projects.all(),
        "jobs": customer.jobs.select_related("site").annotate(last=Max("appointments__day"))[:30],
    }
    return render(request, "jobs/customer_edit.html", context, status=422 if form.errors else 200)


@roles_required(OWNER)
@require_POST
def customer_erase(request: SignedInRequest, pk: int) -> HttpResponse:
    """Erase who a customer was."""
    customer = customer_for(request.user, pk)
    if "sure" not in request.POST:
        messages.error(request, "Nothing is erased: tick that you are sure.")
    else:
        with refusals_shown(request):
            erasing.erase_customer(customer=customer, by=request.user)
            messages.success(request, "The customer's data is erased.")
    return redirect("jobs:customer", pk)
