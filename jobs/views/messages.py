"""Messages to customers: a branch's words and quiet hours, and what becomes of one that was not delivered."""

from __future__ import annotations

import datetime as dt

from django.conf import settings
from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext
from django.views.decorators.http import require_http_methods, require_POST

from jobs.access import OFFICE, appointment_for, job_for
from jobs.adapters import Ready, ready_for_job, ready_for_visit
from jobs.forms import QuietForm, WordsForm
from jobs.models import MESSAGE_LANGUAGES, Appointment, CalendarRules, Job, Message, MessageKind, MessageWords
from jobs.rules.message_languages import LANGUAGES
from jobs.rules.messages import SORTS, Words, fill
from jobs.schedule.words import WHAT, blanks_of, expected_text, words_of
from jobs.services import crews
from jobs.services import messages as message_services
from shared import messages as sending
from shared.access import SignedInRequest, roles_required
from shared.errors import refusals_shown, refusals_to
from shared.formats.spoken import in_language, said_clocks, said_day
from shared.models import Branch
from shared.versions import edits, held

SAMPLE = {
    "customer": "Ada Ellery",
    "address": "4 Kiln Lane, Millrace",
    "number": "J-1001",
    "what": "measure your windows",
    "window": "Monday, March 2, 8:00 am to 10:00 am",
    "stay": "45 min",
    "link": f"{settings.SITE_URL}/your-job/…",
}
"""What stands in the blanks of a preview before there is a visit."""


@roles_required(*OFFICE)
@require_http_methods(["GET", "POST"])
@edits
def message_kinds(request: SignedInRequest) -> HttpResponse:
    """Every kind of message and whether it is sent by itself; the hours in which none is."""
    branch = held(request.user.own_branch)
    form = QuietForm(request.POST or None, user=request.user, instance=CalendarRules.of(branch), row=branch)
    if request.method == "POST" and form.is_valid():
        with refusals_to(form.refuse):
            crews.set_rules(branch=branch, by=request.user, **form.cleaned_data)
            messages.success(request, "The hours are changed.")
            return redirect("jobs:message_kinds")
    own = {row.kind: row for row in MessageWords.objects.filter(branch=branch, language="")}
    context = {
        "form": form,
        "kinds": [(kind, label, own.get(kind), SORTS[kind].text_first) for kind, label in MessageKind.choices],
        "mails": sending.mails(),
        "texts": sending.texts(),
        "takes_in": bool(settings.TEXT_IN_KEY),
    }
    return render(request, "jobs/message_kinds.html", context, status=422 if form.errors else 200)


@roles_required(*OFFICE)
@require_http_methods(["GET", "POST"])
@edits
def message_words(request: SignedInRequest, kind: str) -> HttpResponse:
    """A branch's words for one kind of message, with how they read."""
    if kind not in SORTS:
        raise Http404
    language = request.GET.get("language", "")
    if language and language not in LANGUAGES:
        raise Http404
    branch = held(request.user.own_branch)
    row = words_of(branch, kind, language)
    form = WordsForm(request.POST or None, user=request.user, instance=row, row=branch)
    if request.method == "POST" and form.is_valid() and "look" not in request.POST:
        with refusals_to(form.refuse):
            message_services.set_words(
                branch=branch, kind=kind, by=request.user, language=language, **form.cleaned_data
            )
            messages.success(request, "The words are changed.")
            return redirect("jobs:message_kinds")
    context = {
        "form": form,
        "title": f"{MessageKind(kind).label}, {LANGUAGES[language].name}" if language else MessageKind(kind).label,
        "kind": kind,
        "language": language,
        "languages": MESSAGE_LANGUAGES,
        "blanks": [f"{{{name}}}" for name in SORTS[kind].blanks],
        "preview": _preview(branch, row),
    }
    return render(request, "jobs/message_words.html", context, status=422 if form.errors else 200)


def _preview(branch: Branch, row: MessageWords) -> Words:
    """How the words read for a visit of the branch, or for an invented one before there is any."""
    visits = Appointment.objects.filter(job__branch=branch, promised_from__isnull=False)
    visit = visits.select_related("job__customer", "job__site", "job__branch").order_by("-promised_from").first()
    contact = f"{branch.name}{', ' + branch.phone if branch.phone else ''}"
    blanks = SAMPLE | {"contact": contact}
    if visit is not None:
        blanks = blanks_of(visit.job, visit, visit.promised_from, row.language)
    elif row.language:
        with in_language(row.language):
            window = f"{said_day(dt.date(2026, 3, 2))}, {said_clocks(dt.time(8), dt.time(10))}"
            blanks |= {"what": gettext(WHAT["measure"]), "window": window}
    with in_language(row.language):
        blanks.setdefault("expected", expected_text(dt.datetime(2026, 3, 2, 8, tzinfo=dt.UTC), dt.UTC))
    return Words(fill(row.subject, blanks), fill(row.body, blanks), fill(row.short, blanks))


@roles_required(*OFFICE)
@require_POST
def message_settle(request: SignedInRequest, pk: int) -> HttpResponse:
    """Send it again, note that the customer was told, or stop one that waits."""
    rows = Message.objects.visible_to(request.user).select_related("job__customer", "appointment")
    row = get_object_or_404(rows, pk=pk)
    with refusals_shown(request):
        message_services.settle(message=row, do=request.POST.get("do", ""), by=request.user)
        messages.success(request, "Noted.")
    return redirect(f"{(row.appointment or row.job).get_absolute_url()}#sent")


@roles_required(*OFFICE)
@require_POST
def visit_told(request: SignedInRequest, pk: int) -> HttpResponse:
    """Somebody told the customer of this visit as it stands."""
    row = appointment_for(request.user, pk)
    _tell(request, ready_for_visit(row), row.job, row)
    return redirect(f"{row.get_absolute_url()}#sent")


@roles_required(*OFFICE)
@require_POST
def job_told(request: SignedInRequest, pk: int) -> HttpResponse:
    """Somebody told the customer what the job waits for."""
    job = job_for(request.user, pk)
    _tell(request, ready_for_job(job), job)
    return redirect(f"{job.get_absolute_url()}#sent")


def _tell(request: SignedInRequest, ready: Ready | None, job: Job, row: Appointment | None = None) -> None:
    if ready is None or ready.kind != request.POST.get("kind"):
        messages.error(request, "There is something else to tell by now. Look at it again.")
        return
    message_services.told(kind=ready.kind, job=job, appointment=row, by=request.user)
    messages.success(request, "Noted: the customer was told.")
