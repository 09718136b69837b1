"""A job's money: what it comes to, what was paid, what is due."""

from __future__ import annotations

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_GET, require_POST

from jobs.access import OFFICE, job_for
from jobs.forms import OrderForm, PaymentForm
from jobs.models import Job, Payment
from jobs.ports import ports
from jobs.services import money as services
from shared.access import SignedInRequest, roles_required
from shared.errors import refusals_shown, refusals_to
from shared.versions import edits


@roles_required(*OFFICE)
@require_GET
@never_cache
def money(request: SignedInRequest, pk: int) -> HttpResponse:
    """The panel of a job's page."""
    return _panel(request, job_for(request.user, pk))


def _panel(request: SignedInRequest, job: Job, **forms: object) -> HttpResponse:
    balance = services.balance_of(job)
    start = balance.deposit_due or max(balance.due or 0, 0) or None
    context = {
        "job": job,
        "balance": balance,
        "value": ports.value(job),
        "payments": job.payments.select_related("by"),
        "order_form": OrderForm(instance=job),
        "payment_form": PaymentForm(user=request.user, initial={"amount": start}),
        **forms,
    }
    return render(request, "jobs/_money.html", context)


@roles_required(*OFFICE)
@require_POST
@edits
def order(request: SignedInRequest, pk: int) -> HttpResponse:
    """Set what the order comes to."""
    job = job_for(request.user, pk)
    form = OrderForm(request.POST, instance=job)
    if form.is_valid():
        with refusals_to(form.refuse):
            stored = Job.objects.get(pk=pk)  # the form has written on the one it was given
            services.set_order(job=stored, by=request.user, **form.cleaned_data)
            messages.success(request, "Kept.")
            return redirect(f"{job.get_absolute_url()}#money")
    return _alone(request, job, form, "Order value")


@roles_required(*OFFICE)
@require_POST
def payment(request: SignedInRequest, pk: int) -> HttpResponse:
    """Record what came."""
    job = job_for(request.user, pk)
    form = PaymentForm(request.POST, user=request.user)
    if form.is_valid():
        with refusals_to(form.refuse):
            services.record_payment(job=job, by=request.user, **form.cleaned_data)
            messages.success(request, "The payment is recorded.")
            return redirect(f"{job.get_absolute_url()}#money")
    return _alone(request, job, form, "Payment")


def _alone(request: SignedInRequest, job: Job, form: object, title: str) -> HttpResponse:
    """A form that was refused, on a page of its own."""
    return render(request, "jobs/money_form.html", {"job": job, "form": form, "title": title}, status=422)


@roles_required(*OFFICE)
@require_POST
def payment_back(request: SignedInRequest, pk: int) -> HttpResponse:
    """It did not come after all."""
    row = get_object_or_404(Payment.objects.visible_to(request.user).select_related("job"), pk=pk)
    with refusals_shown(request):
        services.take_back_payment(payment=row, by=request.user)
    return redirect(f"{row.job.get_absolute_url()}#money")
