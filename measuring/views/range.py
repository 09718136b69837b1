"""The firm's own data: the product range, tapes, how long measuring takes."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods

from measuring.access import MEASURES, product_for, tape_for
from measuring.adapters.minutes import minutes_of, starting_minutes
from measuring.forms import PriceForm, RangeForm, TapeForm
from measuring.models import Jurisdiction, Product, ProductTerms
from measuring.rules.prices import TablePrice
from measuring.services import prices
from measuring.services import range as services
from measuring.services.starting_data import load_jurisdictions, load_products, take_range
from measuring.views.fit_form import ProductForm
from shared.access import SignedInRequest, roles_required
from shared.errors import Refused, refusals_to
from shared.lengths import Length
from shared.roles import DISPATCHER, OWNER
from shared.setup.views import next_step, step_page, taken
from shared.spreadsheets import text_of
from shared.versions import edits, held


@roles_required(OWNER, DISPATCHER)
@require_http_methods(["GET", "POST"])
def product_range(request: SignedInRequest) -> HttpResponse:
    """Every product of the branch, and the cord rules it goes by."""
    if request.method == "POST" and request.user.has_role(OWNER):
        load_jurisdictions()
        made = load_products(request.user.own_branch)
        messages.success(request, f"The starting range is loaded: {len(made)} products.")
        return redirect("measuring:range")
    context = {
        "products": Product.objects.visible_to(request.user),
        "places": Jurisdiction.objects.all(),
        "may_write": request.user.has_role(OWNER),
    }
    return render(request, "measuring/range.html", context)


@roles_required(OWNER, DISPATCHER)
@require_http_methods(["GET", "POST"])
@edits
def product(request: SignedInRequest, pk: int | None = None) -> HttpResponse:
    """One product's mounting needs, limits and options; a change is a new revision."""
    one = held(product_for(request.user, pk)) if pk else None
    user = request.user
    form = ProductForm(one, request.POST if request.method == "POST" else None, user=user)
    if request.method == "POST" and form.is_valid():
        try:
            if not user.has_role(OWNER):
                raise Refused("the owner changes the range")
            saved = services.save_product(branch=user.own_branch, by=user, product=one, **form.product())
        except Refused as refusal:
            form.problem(refusal)
        else:
            messages.success(request, f"{saved.name} is at revision {saved.revision}.")
            return redirect("measuring:product", saved.pk)
    context = {"product": one, "form": form, "may_write": user.has_role(OWNER)}
    return render(request, "measuring/product.html", context, status=422 if form.errors else 200)


@roles_required(OWNER)
@require_http_methods(["GET", "POST"])
@edits
def price(request: SignedInRequest, pk: int) -> HttpResponse:
    """What a product is sold for, by area or by a table of sizes; its warranty and care."""
    one, user = product_for(request.user, pk), request.user
    row = ProductTerms.objects.filter(product=one).first() or ProductTerms(product=one)
    form = PriceForm(request.POST or None, request.FILES or None, instance=row, user=user)
    kept = TablePrice.from_json(row.table) if row.table else None
    if request.method == "POST" and form.is_valid():
        asked = form.cleaned_data
        with refusals_to(form.refuse):
            sent = asked["file"]
            table = prices.read_table(text_of(sent.read()), one.branch.unit) if sent else kept
            prices.set_price(
                warranty=asked["warranty"],
                care=asked["care"],
                product=one, by=user, rate=asked["rate"], per=asked["per"], least=asked["least"],
                table=None if asked["without_table"] else table,
            )  # fmt: skip
            messages.success(request, "Kept.")
            return redirect("measuring:price", one.pk)
    context = {
        "product": one,
        "form": form,
        "currency": one.branch.currency,
        "widths": [Length(ticks) for ticks in kept.widths] if kept else [],
        "rows": zip((Length(ticks) for ticks in kept.heights), kept.prices, strict=True) if kept else [],
    }
    return render(request, "measuring/price.html", context, status=422 if form.errors else 200)


@roles_required(*MEASURES)
@require_http_methods(["GET", "POST"])
def tapes(request: SignedInRequest) -> HttpResponse:
    """One's own tapes and the lengths of their cases."""
    user = request.user
    editing = None
    which = request.POST.get("tape") or request.GET.get("tape") or ""
    if which.isdigit():
        editing = tape_for(user, int(which))
    initial: dict[str, object] = {}
    if editing:
        initial = {
            "label": editing.label,
            "case_length": editing.case_length.text(user.unit),
            "is_laser": editing.is_laser,
            "is_retired": editing.is_retired,
        }
    form = TapeForm(request.POST if request.method == "POST" else None, user=user, initial=initial)
    if request.method == "POST" and form.is_valid():
        with refusals_to(form.refuse):
            services.save_tape(user=user, by=user, tape=editing, **form.cleaned_data)
            messages.success(request, "Kept.")
            return redirect("measuring:tapes")
    context = {"tapes": user.tapes.all(), "form": form, "editing": editing}
    return render(request, "measuring/tapes.html", context, status=422 if form.errors else 200)


@roles_required(OWNER, DISPATCHER)
@require_http_methods(["GET", "POST"])
def measure_times(request: SignedInRequest) -> HttpResponse:
    """How many minutes things take at a measure visit, for the calendar."""
    user = request.user
    branch = user.branch
    problems: dict[str, str] = {}
    values: dict[str, Any] = minutes_of(branch) if branch else starting_minutes()
    if request.method == "POST" and user.has_role(OWNER):
        values = {key: request.POST.get(key, "") for key in starting_minutes()}
        try:
            services.save_measure_times(branch=user.own_branch, by=user, minutes=values)
        except Refused as refusal:
            problems[refusal.field] = f"{refusal.problem} ({refusal.bound})" if refusal.bound else refusal.problem
        else:
            messages.success(request, "Kept. The calendar goes by these minutes from now on.")
            return redirect("measuring:measure_times")
    rows = [(key, key.replace("_", " "), values[key], problems.get(key, "")) for key in starting_minutes()]
    context = {"rows": rows, "may_write": user.has_role(OWNER) and branch is not None}
    return render(request, "measuring/measure_times.html", context, status=422 if problems else 200)


@roles_required(OWNER)
@require_http_methods(["GET", "POST"])
def setup_range(request: SignedInRequest) -> HttpResponse:
    """A step of the set-up: products to begin with, under the firm's own names."""
    branch = request.user.own_branch
    there = Product.objects.filter(branch=branch)
    form = RangeForm(request.POST or None, user=request.user, there=set(there.values_list("key", flat=True)))
    if taken(form, lambda: take_range(branch=branch, names=form.names(), by=request.user)):
        return next_step(request, SETUP)
    return step_page(request, SETUP, form, "measuring/setup_range.html", there=there)


SETUP = "measuring:setup_range"
