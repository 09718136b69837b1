"""Changing a unit after its release: what it would do, the hold, the customer's yes."""

from __future__ import annotations

from copy import copy
from functools import partial

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods, require_POST

from jobs.models import Purpose
from measuring.access import ASKS, SEES_SIZES, change_for, unit_for
from measuring.adapters.changes import differences
from measuring.adapters.options import offer_of, options_shown
from measuring.forms import ChangeForm, DecisionForm, OptionsForm
from measuring.models import SizeChange, Unit
from measuring.ports import ports
from measuring.services import changes
from measuring.services.sizes import effects_of
from shared.access import SignedInRequest, roles_required
from shared.errors import Refused, refusals_to
from shared.formats.money import money_text
from shared.idempotency import only_looks
from shared.roles import OFFICE

Kind = SizeChange.Kind
WAYS = (
    (Kind.CHOICE, "Color, control, options"),
    (Kind.PRODUCT, "Another product"),
    (Kind.SIZE, "Measure again"),
    (Kind.CANCEL, "Cancel the unit"),
)


class ChangePage:
    """What was asked of a unit, as its page's forms have it."""

    def __init__(self, request: SignedInRequest, unit: Unit) -> None:
        self.request, self.unit = request, unit
        data = request.POST if request.method == "POST" else None
        kind = (data or request.GET).get("kind", "")
        self.kind = kind if kind in Kind.values else Kind.CHOICE.value
        self.form = ChangeForm(data, user=request.user, unit=unit, kind=self.kind)
        self.product = self.form.chosen() if self.kind == Kind.PRODUCT else unit.product
        self.options = self._options() if self.product and self.kind in {Kind.CHOICE, Kind.PRODUCT} else None

    def _options(self) -> OptionsForm:
        assert self.product is not None
        wanted = copy(self.unit)
        wanted.product = self.product
        wanted.options = changes.usual_options(self.unit, self.product)
        sent = self.request.POST.get("options_of") == str(self.product.pk)
        data = self.request.POST if sent else None
        return OptionsForm(wanted, offer_of(self.product), data, user=self.request.user)

    def asked(self) -> changes.Asked | None:
        """What the forms say; None where one of them is wrong."""
        sent = self.options if self.options is not None and self.options.is_bound else None
        if not self.form.is_valid() or (sent is not None and not sent.is_valid()):
            return None
        options = sent.cleaned_data if sent is not None else None
        reason, price = self.form.cleaned_data["reason"], self.form.cleaned_data.get("price")
        product = self.product if self.kind == Kind.PRODUCT else None
        return changes.Asked(self.kind, options, product, reason, price)

    def refuse(self, refusal: Refused) -> None:
        """Beside the option or the box it is about."""
        options = self.options if self.options is not None and refusal.field in self.options.fields else None
        (options or self.form).refuse(refusal)

    def answer(self, change: SizeChange | None = None) -> HttpResponse:
        """The page, with what the change would do once somebody asked."""
        unit, job = self.unit, self.unit.opening.job
        is_wrong = bool(self.form.errors or (self.options is not None and self.options.errors))
        context = {
            "covering": unit,
            "opening": unit.opening,
            "job": job,
            "unit": job.branch.unit,
            "ways": WAYS,
            "page": self,
            "now": options_shown([unit])[unit.pk],
            "standing": ports.effects(unit, None),
            "is_changeable": unit.state in changes.CHANGEABLE,
            "on_hold": unit.size_changes.filter(state=SizeChange.State.OPEN).first(),
            "change": change,
            "differences": differences(change) if change else [],
            "effects": effects_of(change) if change else [],
        }
        return render(self.request, "measuring/change_unit.html", context, status=422 if is_wrong else 200)


@roles_required(*ASKS)
@require_http_methods(["GET", "POST"])
def change_unit(request: SignedInRequest, pk: int) -> HttpResponse:
    """One way to change what is released: choose what, see what it does, put the unit on hold."""
    page = ChangePage(request, unit_for(request.user, pk))
    if request.method == "POST" and (asked := page.asked()) is not None:
        with refusals_to(page.refuse):
            made = changes.ask_for_change(unit=page.unit, asked=asked, by=request.user)
            messages.success(request, f"{page.unit.code} is on hold until this is decided.")
            return redirect("measuring:size_change", made.pk)
    return page.answer()


@roles_required(*ASKS)
@require_POST
@only_looks
def change_look(request: SignedInRequest, pk: int) -> HttpResponse:
    """What the change in the boxes would do; nothing is kept."""
    page = ChangePage(request, unit_for(request.user, pk))
    change = None
    if (asked := page.asked()) is not None:
        with refusals_to(page.refuse):
            change = changes.proposed(page.unit, asked, request.user)
    return page.answer(change)


@roles_required(*SEES_SIZES)
@require_http_methods(["GET", "POST"])
def size_change(request: SignedInRequest, pk: int) -> HttpResponse:
    """A unit on hold: what its change does, and the office's decision."""
    change = change_for(request.user, pk)
    form = DecisionForm(request.POST if request.method == "POST" else None, user=request.user)
    may_decide = request.user.has_role(*OFFICE)
    if request.method == "POST" and form.is_valid():
        if not may_decide:
            form.refuse(Refused("the office decides this"))
        else:
            action = partial(changes.accept_change, change=change, by=request.user, **form.cleaned_data)
            if request.POST.get("do") != "accept":
                action = partial(changes.refuse_change, change=change, by=request.user, text=form.cleaned_data["text"])
            with refusals_to(form.refuse):
                action()
                messages.success(request, "Decided.")
                return redirect("measuring:size_change", pk)
    unit, is_open = change.unit, change.state == SizeChange.State.OPEN
    job = unit.opening.job
    context = {
        "change": change,
        "covering": unit,
        "opening": unit.opening,
        "job": job,
        "unit": job.branch.unit,
        "differences": differences(change) if is_open else [],
        "effects": effects_of(change) if is_open else change.effects,
        "price": money_text(change.price, job.branch.currency) if change.price is not None else "",
        "book_url": f"{reverse('jobs:visit_new', args=[job.pk])}?purpose={Purpose.CHECK}",
        "form": form,
        "may_decide": may_decide,
        "older": unit.opening.readings.exclude(superseded_at=None).select_related("taken_by")[:12],
    }
    return render(request, "measuring/size_change.html", context, status=422 if form.errors else 200)
