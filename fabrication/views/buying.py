"""Buying: what is short, what is ordered, what came."""

from __future__ import annotations

import csv
import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass
from decimal import Decimal
from typing import Any, Final

from django.contrib import messages
from django.db.models import QuerySet
from django.http import HttpResponse, QueryDict
from django.shortcuts import redirect, render
from django.views.decorators.http import require_GET, require_POST

from fabrication.access import WORKS, claim_for, purchase_for, purchase_line_for
from fabrication.adapters.waiting import late, on_order
from fabrication.documents import purchase_rows
from fabrication.forms import (
    AcknowledgeForm,
    AnswerForm,
    BuyForm,
    ClaimForm,
    DraftLineForm,
    DraftNoteForm,
    DraftUnitForm,
    InspectForm,
    PurchaseForm,
    ReceiveLineForm,
    SettleForm,
    ShipDateForm,
    SupplierAnswerForm,
)
from fabrication.models import Claim, Purchase, PurchaseLine, Supplier, UnitMake
from fabrication.services import amendments, deliveries
from fabrication.services import buying as services
from measuring.adapters.shapes import templates_among
from measuring.models import Product
from shared.access import SignedInRequest, roles_required
from shared.errors import Refused, refusals_shown, refusals_to
from shared.formats.cells import harmless
from shared.formats.money import money_text
from shared.forms import PageForm


@roles_required(*WORKS)
@require_GET
def buying(request: SignedInRequest) -> HttpResponse:
    """What is late, shortages by the day they are needed, units to be bought in, purchases under way, claims."""
    return _buying_page(request)


def _buying_page(request: SignedInRequest, asked: dict[int, BuyForm] | None = None) -> HttpResponse:
    """The page; boxes that were refused stand in for those of their material, ticked."""
    user, asked = request.user, asked or {}
    to_order = UnitMake.objects.visible_to(user).filter(
        source=Product.Source.BOUGHT, state=UnitMake.State.WAITING, purchase_line=None
    )
    bought_in = Product.objects.visible_to(user).filter(source=Product.Source.BOUGHT)
    short = services.shortages(branch=user.branch) if user.branch else []
    ordered = on_order({one.material.pk for one in short})
    context = {
        "shortages": [
            (
                one,
                asked.get(one.material.pk) or _buy_form(request, one),
                ordered[one.material.pk],
                one.material.pk in asked,
            )
            for one in short
        ],
        "to_order": to_order.select_related("unit__product", "unit__opening__job", "unit__opening__room"),
        "purchases": Purchase.objects.visible_to(user).select_related("supplier")[:40],
        "suppliers": Supplier.objects.visible_to(user),
        "supplier_chosen": request.POST.get("supplier", ""),
        "bought_in": bought_in.select_related("supplier_list"),
        "late": late(user.branch) if user.branch else [],
        "claims": Claim.objects.visible_to(user).open().select_related("purchase__supplier"),
    }
    return render(request, "fabrication/buying.html", context, status=422 if asked else 200)


@roles_required(*WORKS)
@require_POST
def buy_units(request: SignedInRequest) -> HttpResponse:
    """The units ticked, on their supplier's purchase, which is not sent yet."""
    form = PurchaseForm(request.POST, user=request.user)
    makes = [int(key) for key in request.POST.getlist("makes") if key.isdigit()]
    return _ordered(request, form, lambda supplier: services.order_units(
        supplier=supplier, makes=makes, by=request.user, is_sent=False
    ))  # fmt: skip


@roles_required(*WORKS)
@require_POST
def buy_stock(request: SignedInRequest) -> HttpResponse:
    """What is ticked among the shortages, as it stands in the boxes, on a purchase that is not sent yet."""
    form = PurchaseForm(request.POST, user=request.user)
    ticked = set(request.POST.getlist("material"))
    lines, asked = [], {}
    for one in services.shortages(branch=request.user.own_branch):
        if str(one.material.pk) in ticked:
            box = asked[one.material.pk] = _buy_form(request, one, request.POST)
            if box.is_valid():
                lines.append(line := services.StockLine(material=one.material, **box.cleaned_data))
                with refusals_to(box.refuse):
                    services.check_line(line)
    if any(box.errors for box in asked.values()):
        return _buying_page(request, asked)
    return _ordered(request, form, lambda supplier: services.order_stock(
        supplier=supplier, lines=lines, by=request.user, is_sent=False
    ))  # fmt: skip


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


# -- one purchase --------------------------------------------------------------------------

LineForms = dict[int, PageForm | None]


@roles_required(*WORKS)
@require_GET
def purchase(request: SignedInRequest, pk: int) -> HttpResponse:
    """One purchase: before it is sent its boxes, then each line's next step."""
    return _purchase_page(request, purchase_for(request.user, pk))


def _purchase_page(
    request: SignedInRequest,
    purchase: Purchase,
    refused: LineForms | None = None,
    ship_form: ShipDateForm | None = None,
    note_form: DraftNoteForm | None = None,
) -> HttpResponse:
    """The page; a form that was refused stands in for its empty one."""
    status = 422 if refused or ship_form or note_form else 200
    is_draft, lines = purchase.state == Purchase.State.DRAFT, list(_lines(purchase))
    forms = {line.pk: _line_form(request, line, is_draft=is_draft) for line in lines} | (refused or {})
    if ship_form is None and purchase.state == Purchase.State.ORDERED:
        ship_form = ShipDateForm(user=request.user, initial={"ships_on": purchase.ships_on})
    if note_form is None and is_draft:
        note_form = DraftNoteForm(user=request.user, initial={"note": purchase.note})
    needs, rows = services.needs_of(purchase), {row["line"]: row for row in purchase_rows(purchase)}
    priced = [row["amount"] for row in rows.values() if row["amount"] is not None]
    traced = {one.pk: said for one, said in templates_among(line.make.unit.opening for line in lines if line.make)}
    context = {
        "purchase": purchase,
        "is_draft": is_draft,
        "lines": [
            LineShown(line, forms[line.pk], needs.get(line.pk), rows.get(line.pk, GONE), _templates(line, traced))
            for line in lines
        ],
        "late": services.late_of(purchase),
        "comes": purchase.expected_on or (services.comes_if_sent(purchase) if is_draft else None),
        "ship_form": ship_form,
        "note_form": note_form,
        "claims": [(claim, _settle_form(request, claim)) for claim in purchase.claims.all()],
        "total": money_text(sum(priced, Decimal(0)), purchase.branch.currency) if priced else "",
        "unpriced": len(rows) - len(priced),
    }
    return render(request, "fabrication/purchase.html", context, status=status)


GONE: Final[dict[str, Any]] = {"amount": None, "ordered_as": ""}
"""How a line reads that is of nothing any more: it was cancelled."""
STEPS: Final = (
    (AcknowledgeForm, "acknowledge"), (InspectForm, "inspect_line"), (ReceiveLineForm, "receive_line"),
    (SupplierAnswerForm, "supplier_answer"),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class LineShown:
    """One line as its page shows it."""

    line: PurchaseLine
    form: PageForm | None
    needed: services.Needed | None
    row: dict[str, Any]
    templates: list[str]
    """Of its opening, where that is no rectangle."""

    @property
    def step(self) -> str:
        """Which action its form is for."""
        return next((step for kind, step in STEPS if isinstance(self.form, kind)), "")

    @property
    def amount(self) -> str:
        found = self.row["amount"]
        return "" if found is None else money_text(found, self.line.purchase.branch.currency)

    @property
    def address(self) -> str:
        """The name of that action's address."""
        return f"fabrication:{self.step}"

    @property
    def differences(self) -> list[deliveries.Difference]:
        return deliveries.differences_of(self.line) if self.line.state == PurchaseLine.State.DIFFERS else []

    @property
    def tell_by(self) -> dt.date | None:
        """The last day to report freight damage, while it is not looked over."""
        return (
            None
            if self.line.state in (PurchaseLine.State.ORDERED, PurchaseLine.State.REFUSED)
            else deliveries.tell_by(self.line)
        )

    @property
    def may_claim(self) -> bool:
        """Stock that came, of which some may be wrong; a unit is claimed by its inspection."""
        return self.line.material_id is not None and self.line.state in STOCK_CLAIMED

    @property
    def claim_form(self) -> ClaimForm:
        return ClaimForm(prefix=f"claim{self.line.pk}")


STOCK_CLAIMED: Final = (
    PurchaseLine.State.ORDERED, PurchaseLine.State.ACKNOWLEDGED, PurchaseLine.State.INSPECTED,
)  # fmt: skip


@roles_required(*WORKS)
@require_POST
def purchase_edit(request: SignedInRequest, pk: int) -> HttpResponse:
    """What stands in the boxes of a purchase that is not sent yet."""
    found = purchase_for(request.user, pk)
    note_form = DraftNoteForm(request.POST, user=request.user)
    forms = {line.pk: _draft_form(request, line, request.POST) for line in _lines(found)}
    if note_form.is_valid() and all(form.is_valid() for form in forms.values()):
        sent: dict[int, services.StockLine | Decimal | None] = {}
        for line in _lines(found):
            values = dict(forms[line.pk].cleaned_data)
            left_out = values.pop("left_out")
            if line.material is not None and not left_out:
                sent[line.pk] = stock = services.StockLine(material=line.material, **values)
                with refusals_to(forms[line.pk].refuse):
                    services.check_line(stock)
            elif line.material is None:
                sent[line.pk] = values["price"]
        if not any(form.errors for form in forms.values()):
            left_out = {key for key, form in forms.items() if form.cleaned_data["left_out"]}
            with refusals_to(note_form.refuse):
                services.edit_draft(
                    purchase=found, by=request.user, note=note_form.cleaned_data["note"], lines=sent, left_out=left_out
                )
                messages.success(request, f"{found.number} is saved.")
                return redirect("fabrication:purchase", pk)
    return _purchase_page(request, found, dict(forms), note_form=note_form)


@roles_required(*WORKS)
@require_POST
def purchase_send(request: SignedInRequest, pk: int) -> HttpResponse:
    """Ordered as it stands."""
    with refusals_shown(request):
        sent = services.send_purchase(purchase=purchase_for(request.user, pk), by=request.user)
        messages.success(request, f"{sent.number} counts as ordered from now on.")
    return redirect("fabrication:purchase", pk)


@roles_required(*WORKS)
@require_POST
def purchase_cancel(request: SignedInRequest, pk: int) -> HttpResponse:
    """Not sent after all."""
    with refusals_shown(request):
        services.cancel_draft(purchase=purchase_for(request.user, pk), by=request.user)
    return redirect("fabrication:purchase", pk)


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
    return _purchase_page(request, found, ship_form=form)


def _templates(line: PurchaseLine, traced: dict[int, list[str]]) -> list[str]:
    return traced.get(line.make.unit.opening_id, []) if line.make else []


def _lines(purchase: Purchase) -> QuerySet[PurchaseLine]:
    return purchase.lines.select_related(
        "make__unit__product",
        "make__unit__opening",
        "was_for__unit",
        "material",
        "purchase__branch",
        "purchase__supplier",
    )


def _line_form(request: SignedInRequest, line: PurchaseLine, *, is_draft: bool) -> PageForm | None:
    if is_draft:
        return _draft_form(request, line)
    return _next_form(request, line) if line.purchase.state == Purchase.State.ORDERED else None


def _draft_form(request: SignedInRequest, line: PurchaseLine, data: QueryDict | None = None) -> PageForm:
    """The boxes of a line that is not sent yet."""
    stands = {name: getattr(line, name) for name in ("quantity", "length", "width", "price")}
    said: dict[str, Any] = {"user": request.user, "initial": stands, "prefix": f"line{line.pk}"}
    if line.material is None:
        return DraftUnitForm(data, **said)
    return DraftLineForm(data, kind=line.material.kind, **said)


def _next_form(request: SignedInRequest, line: PurchaseLine) -> PageForm | None:
    """The form a line waits for, filled with what was ordered."""
    states = PurchaseLine.State
    if line.make and line.state in {states.ORDERED, states.DIFFERS}:
        start = {"width": line.width, "height": line.length, "mount": line.mount, "basis": line.basis}
        start |= {f"option_{key}": value for key, value in line.make.unit.options.items()}
        return AcknowledgeForm(
            user=request.user, options=line.make.unit.options, initial=start, prefix=f"line{line.pk}"
        )
    if line.state in {states.ACKNOWLEDGED, states.ORDERED}:
        came = {
            "packages": max(1, line.packages_expected - line.packages_received),
            "pieces": line.pieces_to_come, "length": line.length, "width": line.width,
        }  # fmt: skip
        return ReceiveLineForm(user=request.user, line=line, initial=came, prefix=f"line{line.pk}")
    if line.state == states.ASKED:
        return SupplierAnswerForm(user=request.user, prefix=f"line{line.pk}")
    if line.state == states.RECEIVED:
        return InspectForm(user=request.user, prefix=f"line{line.pk}")
    return None


def _settle_form(request: SignedInRequest, claim: Claim) -> SettleForm | None:
    return SettleForm(user=request.user, prefix=f"settle{claim.pk}") if claim.closed_at is None else None


@roles_required(*WORKS)
@require_GET
def purchase_csv(request: SignedInRequest, pk: int) -> HttpResponse:
    """The purchase as CSV."""
    found = purchase_for(request.user, pk)
    answer = HttpResponse(content_type="text/csv; charset=utf-8")
    answer["Content-Disposition"] = f'attachment; filename="{found.number}.csv"'
    rows = csv.writer(answer)
    rows.writerow(
        [
            "what", "key", "code", "quantity", "width", "height or length", "mount", "size is", "price", "options",
            "your code", "ordered as", "amount", "needed by",
        ]
    )  # fmt: skip
    unit = request.user.unit
    for row in purchase_rows(found):
        lengths = [row[name].text(unit) if row[name] else "" for name in ("width", "length")]
        options = "; ".join(f"{key}: {value}" for key, value in row["options"].items())
        first = (row[name] for name in ("what", "key", "code", "quantity"))
        last = (row[name] for name in ("mount", "basis", "price"))
        end = (row[name] for name in ("supplier_code", "ordered_as", "amount", "needed_by"))
        rows.writerow([harmless(cell) for cell in (*first, *lengths, *last, options, *end)])
    return answer


@roles_required(*WORKS)
@require_POST
def acknowledge_line(request: SignedInRequest, pk: int) -> HttpResponse:
    """Compares the supplier's acknowledgement line by line."""
    line = purchase_line_for(request.user, pk)
    options = line.make.unit.options if line.make else {}
    form = AcknowledgeForm(request.POST, user=request.user, options=options, prefix=f"line{line.pk}")
    return _act_on_line(request, line, form, lambda _: deliveries.acknowledge(
        line=line, said=form.said(), by=request.user
    ))  # fmt: skip


@roles_required(*WORKS)
@require_POST
def answer_line(request: SignedInRequest, pk: int) -> HttpResponse:
    """One difference, accepted or refused."""
    line = purchase_line_for(request.user, pk)
    form = AnswerForm(request.POST, user=request.user)
    if not form.is_valid():
        messages.error(request, "Accept the difference or refuse it.")
        return redirect("fabrication:purchase", line.purchase_id)
    with refusals_shown(request):
        deliveries.answer_difference(line=line, by=request.user, **form.cleaned_data)
    return redirect("fabrication:purchase", line.purchase_id)


@roles_required(*WORKS)
@require_POST
def receive(request: SignedInRequest, pk: int) -> HttpResponse:
    """Counts packages in."""
    line = purchase_line_for(request.user, pk)
    form = ReceiveLineForm(request.POST, user=request.user, line=line, prefix=f"line{line.pk}")
    return _act_on_line(request, line, form, lambda sent: deliveries.receive_line(line=line, by=request.user, **sent))


@roles_required(*WORKS)
@require_POST
def inspect(request: SignedInRequest, pk: int) -> HttpResponse:
    """Good, or goes back."""
    line = purchase_line_for(request.user, pk)
    form = InspectForm(request.POST, user=request.user, prefix=f"line{line.pk}")
    return _act_on_line(request, line, form, lambda sent: deliveries.inspect_line(
        line=line, is_good=sent["verdict"] == "good", note=sent["note"], kind=sent["kind"] or Claim.Kind.DEFECT,
        by=request.user,
    ))  # fmt: skip


@roles_required(*WORKS)
@require_POST
def claim_line(request: SignedInRequest, pk: int) -> HttpResponse:
    """Something that came is not as it should be."""
    line = purchase_line_for(request.user, pk)
    form = ClaimForm(request.POST, user=request.user, prefix=f"claim{pk}")
    if not form.is_valid():
        messages.error(request, "Say how many are claimed, and what is wrong with them.")
        return redirect("fabrication:purchase", line.purchase_id)
    with refusals_shown(request):
        deliveries.open_claim(line=line, by=request.user, **form.cleaned_data)
    return redirect("fabrication:purchase", line.purchase_id)


@roles_required(*WORKS)
@require_POST
def claim_settle(request: SignedInRequest, pk: int) -> HttpResponse:
    """What the supplier does about a claim."""
    claim = claim_for(request.user, pk)
    form = SettleForm(request.POST, user=request.user, prefix=f"settle{pk}")
    if not form.is_valid():
        messages.error(request, str(next(iter(form.errors.values()))[0]))
        return redirect("fabrication:purchase", claim.purchase_id)
    sent, by = form.cleaned_data, request.user
    with refusals_shown(request):
        if sent["step"] == SettleForm.TOLD:
            deliveries.report_claim(claim=claim, by=by)
        elif sent["step"] == SettleForm.REMAKE:
            deliveries.remake_claim(claim=claim, remake_number=sent["remake_number"], ships_on=sent["ships_on"], by=by)
        elif sent["step"] == SettleForm.CREDIT:
            deliveries.credit_claim(claim=claim, credit=sent["credit"], by=by)
        else:
            deliveries.withdraw_claim(claim=claim, why=sent["why"], by=by)
    return redirect("fabrication:purchase", claim.purchase_id)


@roles_required(*WORKS)
@require_POST
def supplier_answer(request: SignedInRequest, pk: int) -> HttpResponse:
    """What the supplier said to a change that was asked."""
    line = purchase_line_for(request.user, pk)
    form = SupplierAnswerForm(request.POST, user=request.user, prefix=f"line{line.pk}")
    return _act_on_line(request, line, form, lambda sent: amendments.supplier_answered(
        line=line, is_taken=sent["answer"] == "taken", note=sent["note"], by=request.user
    ))  # fmt: skip


def _act_on_line(
    request: SignedInRequest, line: PurchaseLine, form: PageForm, action: Callable[[dict[str, Any]], object]
) -> HttpResponse:
    """Runs an action on a line, or shows its form again with what is wrong."""
    if form.is_valid():
        with refusals_to(form.refuse):
            action(form.cleaned_data)
            return redirect("fabrication:purchase", line.purchase_id)
    return _purchase_page(request, line.purchase, {line.pk: form})
