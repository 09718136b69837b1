"""Booking on the phone: customer, site, job and window on one page."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from typing import Any

from django.contrib import messages
from django.db import transaction
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.utils.dateparse import parse_date
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from jobs.access import OFFICE, appointment_for, customer_for, site_for
from jobs.forms import BookForm, CallAboutForm, CallForm, CustomerForm, SiteForm, TimesForm, WishForm
from jobs.models import Appointment, Crew, Customer, Job, JobDate, Purpose, Site, Wish
from jobs.ports import ports
from jobs.rules.routing import ProblemError
from jobs.schedule.board import draw_board
from jobs.schedule.offer_grid import Grid, grid_for, with_dates
from jobs.schedule.offered import offered
from jobs.schedule.offers import Offers, read_value
from jobs.schedule.words import window_text
from jobs.services import appointments, dates, places, service_calls, times
from jobs.services import booking as booking_services
from jobs.services.search import find_customers, same_phone
from jobs.views.appointments import sentence, times_context
from shared.access import SignedInRequest, roles_required
from shared.errors import Refused
from shared.idempotency import only_looks
from shared.models import Branch, User

FURTHEST = 366
"""Days ahead that may be looked at."""


class _Booking:
    """The forms of the page with who and where was chosen already."""

    def __init__(self, request: SignedInRequest) -> None:
        user, data = request.user, request.POST if request.method == "POST" else None
        source = request.POST if request.method == "POST" else request.GET
        self.request = request
        self.customer: Customer | None = None
        self.site: Site | None = None
        if str(source.get("for_site", "")).isdigit():
            self.site = site_for(user, int(source["for_site"]))
            self.customer = self.site.customer
        elif str(source.get("for_customer", "")).isdigit():
            self.customer = customer_for(user, int(source["for_customer"]))
        self.customer_form = None if self.customer else CustomerForm(data, user=user, prefix="customer")
        self.site_form = None if self.site else SiteForm(data, user=user, prefix="site")
        tz = self.customer.branch.tz if self.customer else None
        initial = {"project": request.GET.get("for_project"), "phase": request.GET.get("phase")}
        if request.GET.get("purpose") == Purpose.SERVICE:
            initial["purpose"] = Purpose.SERVICE
        self.form = BookForm(data, user=user, tz=tz, customer=self.customer, initial=initial)
        is_call = data is not None and data.get("purpose") == Purpose.SERVICE
        self.call_form = CallAboutForm(data if is_call else None, prefix="service", use_required_attribute=False)

    @property
    def branch(self) -> Branch:
        """The customer's branch; a new customer is one of the asker's."""
        return self.customer.branch if self.customer else self.request.user.own_branch

    def new_customer(self) -> dict[str, Any]:
        return self.customer_form.cleaned_data if self.customer_form else {}

    def new_site(self) -> dict[str, Any]:
        return self.site_form.values() if self.site_form else {}

    def known(self) -> list[Customer]:
        """Customers there are already with the phone number that is typed for a new one."""
        if self.customer_form is None or not self.customer_form.is_bound:
            return []
        phone = _typed(self.customer_form).get("phone") or ""
        return same_phone(self.request.user, phone, self.branch)

    def is_valid(self) -> bool:
        call = self.call_form if self.call_form.is_bound else None
        forms = [form for form in (self.customer_form, self.site_form, self.form, call) if form is not None]
        answers = [form.is_valid() for form in forms]  # every form says what is wrong with it
        return all(answers)

    def hypothetical(self) -> Appointment:
        """The visit as it would be with what is typed so far, for offers."""
        branch, site = self.branch, self.site
        if site is None:
            assert self.site_form is not None
            where = _typed(self.site_form)
            point = where.get("coordinates")
            hours = {name: where.get(name) for name in ("hours_from", "hours_until")}
            address = {name: where.get(name) or "" for name in ("street", "town", "postcode")}
            site = Site(branch=branch, **address, **hours)
            if point:
                site.latitude, site.longitude = point
        if not site.has_coordinates():
            places.ask(site)
            places.place(site)
        data = _typed(self.form)
        openings, product = data.get("openings_expected") or 1, data.get("product_expected") or ""
        job = Job(
            branch=branch,
            site=site,
            customer=Customer(branch=branch),
            openings_expected=openings,
            product_expected=product,
        )
        return appointments.hypothetical_visit(
            job=job,
            purpose=data.get("purpose") or Purpose.MEASURE,
            duration_min=data.get("minutes"),
            people=data.get("people") or 1,
        )

    def context(self, **more: Any) -> dict[str, Any]:
        return {
            "customer": self.customer,
            "site": self.site,
            "customer_form": self.customer_form,
            "site_form": self.site_form,
            "form": self.form,
            "call_form": self.call_form,
            **more,
        }


def _typed(form: Any) -> dict[str, Any]:
    """What is right of a form so far; nothing of one that was not sent."""
    form.is_valid()
    return dict(getattr(form, "cleaned_data", {}))


@roles_required(*OFFICE)
@require_http_methods(["GET", "POST"])
def book(request: SignedInRequest) -> HttpResponse:
    """The whole booking on one page; a chosen window is reserved in the same transaction."""
    booking = _Booking(request)
    if request.method == "POST" and booking.is_valid():
        try:
            job = _book(request, booking)
        except Refused as refusal:
            _refuse(booking, refusal)
        else:
            visit = job.appointments.first()
            if visit is not None and visit.state == Appointment.State.RESERVED:
                messages.success(request, f"{job.number} is booked and the time is held: promise it, or release it.")
                return redirect("jobs:appointment", visit.pk)
            messages.success(request, f"{job.number} is booked. Choose a time for the visit.")
            return redirect("jobs:windows", visit.pk) if visit else redirect("jobs:job", job.pk)
    found = _offers(booking)[1] if request.method == "POST" or booking.site else {"offers": None}
    status = 422 if request.method == "POST" else 200
    more = {**found, **_sketch(request), "known": booking.known()}
    return render(request, "jobs/book.html", booking.context(**more), status=status)


def _sketch(request: SignedInRequest) -> dict[str, Any]:
    from jobs.drawings import picking_map

    return {"sketch": picking_map(request.user.branch) if request.user.branch else None}


@transaction.atomic
def _book(request: SignedInRequest, booking: _Booking) -> Job:
    data = booking.form.cleaned_data
    job = booking_services.book_job(
        branch=booking.branch,
        by=request.user,
        customer=booking.customer or booking.new_customer(),
        site=booking.site or booking.new_site(),
        job=booking.form.job_values(),
        purpose=data["purpose"],
        duration_min=data["minutes"],
        people=data["people"] or 1,
        possible=booking.form.possible(),
        impossible=booking.form.impossible(),
        wishes=booking.form.wishes(),
    )
    if booking.call_form.is_bound:
        visit = job.appointments.get()
        service_calls.note_call(appointment=visit, by=request.user, **booking.call_form.cleaned_data)
    if data["window"]:
        crew, window = read_value(_crews(request), data["window"])
        visit = job.appointments.get()
        appointments.reserve_offer(appointment=visit, crew=crew, window=window, by=request.user)
        _tell_first(visit, request.user)
    return job


def _tell_first(visit: Appointment, by: User) -> None:
    """The date of the job was said beside the times of its measure: it is kept, unless one was told before."""
    if visit.is_measuring() and not JobDate.objects.filter(job=visit.job_id).exists():
        is_told = visit.state == Appointment.State.PROMISED
        dates.tell_date(job=visit.job, by=by, action=dates.TOLD if is_told else dates.SAID)


def _crews(request: SignedInRequest) -> list[Crew]:
    return list(Crew.objects.visible_to(request.user).filter(is_active=True))


def _refuse(booking: _Booking, refusal: Refused) -> None:
    for form in (booking.call_form, booking.site_form, booking.customer_form):
        if form is not None and refusal.field in form.fields:
            form.refuse(refusal)
            return
    if refusal.field in {"latitude", "longitude"} and booking.site_form is not None:
        booking.site_form.add_error("coordinates", refusal.problem)
        return
    booking.form.add_error(None, sentence(refusal.problem))


def _offers(booking: _Booking) -> tuple[Appointment, dict[str, Any]]:
    """The visit and the grid for what is typed so far; also why there is none."""
    visit, form = booking.hypothetical(), booking.form
    possible, impossible = (form.possible(), form.impossible()) if form.is_bound else ([], [])
    known = appointments.minutes_for(visit)
    whys = known.why if known is not None and known.mean == visit.duration_min else ()
    wishes = form.wishes() if form.is_bound else []
    found = _grid(booking.request, visit, possible=possible, impossible=impossible, wishes=wishes)
    offers = replace(found["offers"], minutes=visit.duration_min, minutes_why=whys)
    return visit, {**found, "offers": offers}


def _grid(request: SignedInRequest, visit: Appointment, **bounds: Any) -> dict[str, Any]:
    """The grid from the day that was asked for, and its offers."""
    source = request.POST if request.method == "POST" else request.GET
    try:
        asked = parse_date(source.get("from_on") or source.get("jump") or "")
    except ValueError:
        asked = None
    if asked is not None and asked > timezone.localdate() + dt.timedelta(days=FURTHEST):
        asked = None
    try:
        grid: Grid | None = grid_for(visit, from_on=asked, **bounds)
    except ProblemError as error:
        return {"grid": None, "offers": Offers((), f"The calendar can't be priced: {error.problem}.")}
    assert grid is not None
    if _is_for_board(request):
        return {"grid": grid, "offers": grid.offers}
    wishes, impossible = bounds.get("wishes"), bounds.get("impossible", ())
    grid = with_dates(grid, visit, wishes, impossible)
    return {"grid": grid, "offers": grid.offers}


@roles_required(*OFFICE)
@require_POST
@only_looks
def book_windows(request: SignedInRequest) -> HttpResponse:
    """The windows for what is typed so far; nothing is stored."""
    booking = _Booking(request)
    visit, found = _offers(booking)
    if _is_for_board(request):
        visit.job.number = "New"
        return _offer_board(request, visit, found["offers"])
    return render(request, "jobs/book.html#windows", booking.context(**found, known=booking.known()))


def _is_for_board(request: SignedInRequest) -> bool:
    """Whether the page asks for the board below the grid only."""
    return bool(request.htmx) and request.headers.get("hx-target") == "offer-board"


def _offer_board(request: SignedInRequest, visit: Appointment, offers: Offers) -> HttpResponse:
    """The day of what is chosen among the offers, or of the first, as it stands and with them."""
    data = request.POST if request.method == "POST" else request.GET
    drawn, board = offered(visit, offers.best, data.get("window", "")), ""
    if drawn is not None:
        outcomes = ports.outcomes(drawn.schedule.rows.values())
        board = draw_board(
            drawn.schedule, drawn.crews, [drawn.day], outcomes, now=timezone.now(), ghosts=drawn.ghosts
        )  # fmt: skip
    return render(request, "jobs/_offer_board.html", {"drawn": drawn, "board": board})


@roles_required(*OFFICE)
@require_GET
def find_customer(request: SignedInRequest) -> HttpResponse:
    """Customers and sites there are already, by whatever they or their jobs are found by."""
    words = request.GET.get("who", "").strip()
    found = find_customers(request.user, words, 8) if len(words) >= 2 else []
    return render(request, "jobs/book.html#found", {"found": found, "who": words})


@roles_required(*OFFICE)
@require_http_methods(["GET", "POST"])
def windows(request: SignedInRequest, pk: int) -> HttpResponse:
    """Times for a visit there is: take one, and it is reserved; a confirmed one is promised the other time."""
    row = appointment_for(request.user, pk)
    if _is_for_board(request):
        return _offer_board(request, row, _grid(request, row)["offers"])
    is_promised = row.state == Appointment.State.PROMISED
    error = ""
    if request.method == "POST":
        try:
            crew, window = read_value(_crews(request), request.POST.get("window", ""))
            take = appointments.promise_another_time if is_promised else appointments.reserve_offer
            with transaction.atomic():
                take(appointment=row, crew=crew, window=window, by=request.user)
                _tell_first(row, request.user)
        except Refused as refusal:
            error = sentence(refusal.problem)
        else:
            done = "Confirmed for the other time. The one before is free again."
            messages.success(request, done if is_promised else "The time is held: promise it, or release it.")
            return redirect("jobs:appointment", row.pk)
    context = {
        "visit": row,
        "job": row.job,
        "is_promised": is_promised,
        "window": window_text(row),
        "error": error,
        **_grid(request, row),
        **times_context(request, row),
    }
    return render(request, "jobs/windows.html", context, status=422 if error else 200)


@roles_required(*OFFICE)
@require_POST
def visit_times(request: SignedInRequest, pk: int) -> HttpResponse:
    """One more stretch the customer can or can't be there, or one fewer; in any week; the day to call them by."""
    row = appointment_for(request.user, pk)
    kind, _, drop = request.POST.get("drop", "").partition("-")
    form: TimesForm | WishForm | CallForm
    if "on" in request.POST:
        form = CallForm(request.POST, user=request.user)
    elif kind == "wish" or "days" in request.POST or request.POST.get("kind") in Wish.Kind.values:
        form = WishForm(request.POST, user=request.user)
    else:
        form = TimesForm(request.POST, user=request.user, tz=row.job.branch.tz)
    if not drop and not form.is_valid():
        return _times_page(request, row, form)
    try:
        words = _note_times(request, row, form, kind, drop)
    except Refused as refusal:
        form.add_error(None, sentence(refusal.problem))
        return _times_page(request, row, form)
    messages.success(request, words)
    return redirect("jobs:windows" if row.state == Appointment.State.UNPLACED else "jobs:appointment", row.pk)


def _note_times(
    request: SignedInRequest, row: Appointment, form: TimesForm | WishForm | CallForm, kind: str, drop: str
) -> str:
    """Does it, and says what was done."""
    if isinstance(form, CallForm):
        times.call_customer(appointment=row, by=request.user, **form.cleaned_data)
        return "It stands among what needs attention until a time is chosen."
    if isinstance(form, WishForm):
        kept = [wish for wish in row.job.wishes.all() if str(wish.pk) != drop]
        times.set_wishes(job=row.job, wishes=kept + ([] if drop else form.wishes()), by=request.user)
        return "Noted with the job: every visit of it is offered accordingly."
    kind = kind if drop else form.cleaned_data["kind"]
    there: Any = row.possible_windows if kind == "can" else row.job.impossible_times
    spans = [(one.starts_at, one.ends_at) for one in there.all() if str(one.pk) != drop]
    spans += [] if drop else [form.span()]
    if kind == "can":
        times.set_possible_windows(appointment=row, windows=spans, by=request.user)
    else:
        times.set_impossible_times(job=row.job, spans=spans, by=request.user)
    return "Noted: windows are offered accordingly. What is promised already stays."


def _times_page(request: SignedInRequest, row: Appointment, form: TimesForm | WishForm | CallForm) -> HttpResponse:
    context = {"visit": row, "job": row.job, **_grid(request, row), **times_context(request, row, form)}
    return render(request, "jobs/windows.html", context, status=422)
