"""Buying: what is short, what is ordered, what came."""

from __future__ import annotations

import csv
from collections.abc import Callable
from typing import Any

from django.contrib import messages
from django.db.models import QuerySet
from django.http import HttpResponse, QueryDict
from django.shortcuts import redirect, render
from django.views.decorators.http import require_GET, require_POST

from fabrication.access import WORKS, purchase_for, purchase_line_for
from fabrication.documents import purchase_rows
from fabrication.forms import AcknowledgeForm, BuyForm, InspectForm, PurchaseForm, ReceiveLineForm, ShipDateForm
from fabrication.models import Purchase, PurchaseLine, Supplier, UnitMake
from fabrication.services import buying as services
from measuring.models import Product
from shared.access import SignedInRequest, roles_required
from shared.errors import Refused, refusals_to
from shared.formats.cells import harmless
from shared.forms import PageForm


@roles_required(*WORKS)
@require_GET
def buying(request: SignedInRequest) -> HttpResponse:
    """Shortages by the day they are needed, units to be bought in, purchases under way."""
    user = request.user
    to_order = UnitMake.objects.visible_to(user).filter(
        source=Product.Source.BOUGHT, state=UnitMake.State.WAITING, purchase_line=None
    )
    bought_in = Product.objects.visible_to(user).filter(source=Product.Source.BOUGHT)
    short = services.shortages(branch=user.branch) if user.branch else []
    context = {
        "shortages": [(one, _buy_form(request, one)) for one in short],
        "to_order": to_order.select_related("unit__product", "unit__opening__job", "unit__opening__room"),
        "purchases": Purchase.objects.visible_to(user).select_related("supplier")[:40],
        "suppliers": Supplier.objects.visible_to(user),
        "bought_in": bought_in.select_related("supplier_list"),
    }
    return render(request, "fabrication/buying.html", context)


@roles_required(*WORKS)
@require_POST
def buy_units(request: SignedInRequest) -> HttpResponse:
    """One purchase of the units ticked."""
    form = PurchaseForm(request.POST, user=request.user)
    makes = [int(key) for key in request.POST.getlist("makes") if key.isdigit()]
    return _ordered(
        request, form, lambda supplier: services.order_units(supplier=supplier, makes=makes, by=request.user)
    )


@roles_required(*WORKS)
@require_POST
def buy_stock(request: SignedInRequest) -> HttpResponse:
    """One purchase of what is ticked among the shortages, as it stands in the boxes."""
    form = PurchaseForm(request.POST, user=request.user)
    ticked = set(request.POST.getlist("material"))
    lines = []
    for one in services.shortages(branch=request.user.own_branch):
        if str(one.material.pk) in ticked:
            asked = _buy_form(request, one, request.POST)
            if not asked.is_valid():
                problem = next(iter(asked.errors.values()))[0]
                messages.error(request, f"{one.material.name}: {problem}")
                return redirect("fabrication:buying")
            lines.append(services.StockLine(material=one.material, **asked.cleaned_data))
    return _ordered(
        request, form, lambda supplier: services.order_stock(supplier=supplier, lines=lines, by=request.user)
    )


def _buy_form(request: SignedInRequest, short: services.Shortage, data: QueryDict | None = None) -> BuyForm:
    usual = services.line_for(short)._asdict()
    return BuyForm(data, user=request.user, kind=short.material.kind, initial=usual, prefix=f"m{short.material.pk}")


def _ordered(request: SignedInRequest, form: PurchaseForm, order: Callable[[Supplier], Purchase]) -> HttpResponse:
    if not form.is_valid():
        messages.error(request, "Choose a supplier.")
        return redirect("fabrication:buying")
    try:
        made = order(form.cleaned_data["supplier"])
    except Refused as refusal:
        messages.error(request, refusal.problem)
        return redirect("fabrication:buying")
    return redirect("fabrication:purchase", made.pk)


@roles_required(*WORKS)
@require_GET
def purchase(request: SignedInRequest, pk: int) -> HttpResponse:
    """One purchase with each line's next step."""
    found = purchase_for(request.user, pk)
    return _purchase_page(request, found, [(line, _next_form(request, line)) for line in _lines(found)])


def _purchase_page(
    request: SignedInRequest,
    purchase: Purchase,
    lines: list[tuple[PurchaseLine, PageForm | None]],
    ship_form: ShipDateForm | None = None,
    status: int = 200,
) -> HttpResponse:
    if ship_form is None and purchase.state == Purchase.State.ORDERED:
        ship_form = ShipDateForm(user=request.user, initial={"ships_on": purchase.ships_on})
    context = {"purchase": purchase, "lines": lines, "late": services.late_of(purchase), "ship_form": ship_form}
    return render(request, "fabrication/purchase.html", context, status=status)


@roles_required(*WORKS)
@require_POST
def ship_date(request: SignedInRequest, pk: int) -> HttpResponse:
    """The day on which the supplier ships, as acknowledged."""
    found = purchase_for(request.user, pk)
    form = ShipDateForm(request.POST, user=request.user)
    if form.is_valid():
        with refusals_to(form.refuse):
            services.acknowledge_shipping(purchase=found, ships_on=form.cleaned_data["ships_on"], by=request.user)
            return redirect("fabrication:purchase", found.pk)
    lines = [(line, _next_form(request, line)) for line in _lines(found)]
    return _purchase_page(request, found, lines, form, 422)


def _lines(purchase: Purchase) -> QuerySet[PurchaseLine]:
    return purchase.lines.select_related("make__unit__product", "material")


def _next_form(request: SignedInRequest, line: PurchaseLine) -> PageForm | None:
    """The form a line waits for, filled with what was ordered."""
    states = PurchaseLine.State
    if line.make and line.state in {states.ORDERED, states.DIFFERS}:
        start = {"width": line.make.finished_width, "height": line.make.finished_height}
        start |= {f"option_{key}": value for key, value in line.make.unit.options.items()}
        return AcknowledgeForm(
            user=request.user, options=line.make.unit.options, initial=start, prefix=f"line{line.pk}"
        )
    if line.state in {states.ACKNOWLEDGED, states.ORDERED}:
        missing = max(1, line.packages_expected - line.packages_received)
        came = {"packages": missing, "length": line.length, "width": line.width}
        return ReceiveLineForm(user=request.user, line=line, initial=came, prefix=f"line{line.pk}")
    if line.state == states.RECEIVED:
        return InspectForm(user=request.user, prefix=f"line{line.pk}")
    return None


@roles_required(*WORKS)
@require_GET
def purchase_csv(request: SignedInRequest, pk: int) -> HttpResponse:
    """The purchase as CSV."""
    found = purchase_for(request.user, pk)
    answer = HttpResponse(content_type="text/csv; charset=utf-8")
    answer["Content-Disposition"] = f'attachment; filename="{found.number}.csv"'
    rows = csv.writer(answer)
    rows.writerow(
        ["what", "key", "code", "quantity", "width", "height or length", "mount", "size is", "price", "options"]
    )
    unit = request.user.unit
    for row in purchase_rows(found):
        lengths = [row[name].text(unit) if row[name] else "" for name in ("width", "length")]
        options = "; ".join(f"{key}: {value}" for key, value in row["options"].items())
        first = (row[name] for name in ("what", "key", "code", "quantity"))
        last = (row[name] for name in ("mount", "basis", "price"))
        rows.writerow([harmless(cell) for cell in (*first, *lengths, *last, options)])
    return answer


@roles_required(*WORKS)
@require_POST
def acknowledge_line(request: SignedInRequest, pk: int) -> HttpResponse:
    """Compares the supplier's acknowledgement line by line."""
    line = purchase_line_for(request.user, pk)
    options = line.make.unit.options if line.make else {}
    form = AcknowledgeForm(request.POST, user=request.user, options=options, prefix=f"line{line.pk}")
    return _act_on_line(request, line, form, lambda sent: services.acknowledge(
        line=line, width=sent["width"], height=sent["height"], options=form.options(), by=request.user
    ))  # fmt: skip


@roles_required(*WORKS)
@require_POST
def receive(request: SignedInRequest, pk: int) -> HttpResponse:
    """Counts packages in."""
    line = purchase_line_for(request.user, pk)
    form = ReceiveLineForm(request.POST, user=request.user, line=line, prefix=f"line{line.pk}")
    return _act_on_line(request, line, form, lambda sent: services.receive_line(line=line, by=request.user, **sent))


@roles_required(*WORKS)
@require_POST
def inspect(request: SignedInRequest, pk: int) -> HttpResponse:
    """Good, or goes back."""
    line = purchase_line_for(request.user, pk)
    form = InspectForm(request.POST, user=request.user, prefix=f"line{line.pk}")
    return _act_on_line(request, line, form, lambda sent: services.inspect_line(
        line=line, is_good=sent["verdict"] == "good", note=sent["note"], by=request.user
    ))  # fmt: skip


def _act_on_line(
    request: SignedInRequest, line: PurchaseLine, form: PageForm, action: Callable[[dict[str, Any]], object]
) -> HttpResponse:
    """Runs an action on a line, or shows its form again with what is wrong."""
    if form.is_valid():
        with refusals_to(form.refuse):
            action(form.cleaned_data)
            return redirect("fabrication:purchase", line.purchase_id)
    others = _lines(line.purchase)
    lines = [(other, form if other.pk == line.pk else _next_form(request, other)) for other in others]
    return _purchase_page(request, line.purchase, lines, status=422)
