"""Stock: what there is, where, promised to whom."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final, NamedTuple

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import Http404, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from fabrication.access import LOOKS, WORKS, kept_end_for, stock_for
from fabrication.documents import label_previews
from fabrication.forms import (
    CountForm,
    FlawForm,
    JoinForm,
    LabelSizeForm,
    MeasureForm,
    ReasonForm,
    ReceiveForm,
    ScrapForm,
    ShelveForm,
    SplitForm,
    StockForm,
)
from fabrication.models import LabelSize, Material, StockItem
from fabrication.services.miscuts import flaw_in_roll
from fabrication.services.rack import (
    count_stock,
    join_stock,
    joinable,
    measure_stock,
    plans_on,
    scrap_stock,
    shelve_stock,
    split_stock,
)
from fabrication.services.starting_data import starting_label_size
from fabrication.services.stock import check_label, let_end_go, receive_stock, save_label_size
from shared.access import SignedInRequest, roles_required
from shared.codes import read_code
from shared.errors import refusals_to
from shared.forms import PageForm
from shared.lengths import Length
from shared.models import Run
from shared.versions import edits, held

ROWS = 60


class Act(NamedTuple):
    """Something done to a stock piece, with its form and the service that does it."""

    title: str
    button: str
    form: type[StockForm]
    do: Callable[..., list[Run]]


ACTS: Final = {
    "count": Act("Count", "Set the count", CountForm, count_stock),
    "move": Act("Move", "Save the place", ShelveForm, shelve_stock),
    "measure": Act("Measure again", "Save the measure", MeasureForm, measure_stock),
    "split": Act("Split", "Split it off", SplitForm, split_stock),
    "join": Act("Join", "Join them", JoinForm, join_stock),
    "scrap": Act("Scrap", "Scrap it", ScrapForm, scrap_stock),
}


@roles_required(*LOOKS)
@require_GET
def stock_list(request: SignedInRequest) -> HttpResponse:
    """Stock by material; a short code leads straight to its piece."""
    items = StockItem.objects.visible_to(request.user).filter(quantity__gt=0).select_related("material")
    code = read_code(request.GET.get("find", ""))
    if code and (found := items.filter(code=code).first()):
        return redirect("fabrication:stock_item", found.pk)
    kind = request.GET.get("kind", "")
    if kind in Material.Kind.values:
        items = items.filter(material__kind=kind)
    if words := request.GET.get("find", "").strip():
        items = items.filter(material__name__icontains=words)
    if request.GET.get("offcuts"):
        items = items.filter(is_offcut=True)
    items = items.order_by("material__kind", "material__name", "is_offcut", "-length")
    context = {
        "page": Paginator(items, ROWS).get_page(request.GET.get("page")),
        "kinds": Material.Kind.choices,
        "kind": kind,
        "find": request.GET.get("find", ""),
        "offcuts": request.GET.get("offcuts", ""),
        "can_work": request.user.has_role(*WORKS),
    }
    return render(request, "fabrication/stock_list.html", context)


@roles_required(*LOOKS)
@require_GET
def stock_detail(request: SignedInRequest, pk: int) -> HttpResponse:
    """One stock piece, its moves, and a count."""
    return _item_page(request, stock_for(request.user, pk))


def _item_page(request: SignedInRequest, item: StockItem, **forms: PageForm) -> HttpResponse:
    """The page of one stock piece; a form that was refused stands in for its empty one."""
    can = {"measure": item.length is not None, "join": joinable(item).exists()}
    names = [name for name in ACTS if can.get(name, True) or name in forms]
    context = {
        "item": item,
        "acts": [
            (name, ACTS[name], forms.get(name) or ACTS[name].form(item=item, user=request.user, auto_id=f"{name}_%s"))
            for name in names
        ],
        "flaw_form": forms.get("flaw") or FlawForm(user=request.user),
        "flaws": [(Length(start), Length(end)) for start, end in item.flaws],
        "kept_ends": item.kept_ends.held().select_related("job"),
        "plans": plans_on(item),
        "is_roll": item.material.kind == Material.Kind.CLOTH,
        "can_work": request.user.has_role(*WORKS),
    }
    return render(request, "fabrication/stock_detail.html", context, status=422 if forms else 200)


@roles_required(*WORKS)
@require_POST
def stock_act(request: SignedInRequest, pk: int, act: str) -> HttpResponse:
    """Counts, moves, measures, splits, joins or scraps; batches whose plans stood on it are named."""
    item = stock_for(request.user, pk)
    if act not in ACTS:
        raise Http404
    form = ACTS[act].form(request.POST, item=item, user=request.user, auto_id=f"{act}_%s")
    if form.is_valid():
        with refusals_to(form.refuse):
            runs = ACTS[act].do(item=item, by=request.user, **form.cleaned_data)
            for run in runs:
                messages.info(request, f"{run.title} is planned again: it was to be cut from {item.code}.")
            return redirect("fabrication:stock_item", pk)
    return _item_page(request, item, **{act: form})


@roles_required(*WORKS)
@require_POST
def stock_flaw(request: SignedInRequest, pk: int) -> HttpResponse:
    """Marks a flaw found at the table, at its place on the roll."""
    item = stock_for(request.user, pk)
    form = FlawForm(request.POST, user=request.user)
    if form.is_valid():
        with refusals_to(form.refuse):
            runs = flaw_in_roll(
                item=item, start=form.cleaned_data["start"], end=form.cleaned_data["end"], by=request.user
            )
            if runs:
                messages.info(request, f"{len(runs)} cut plans that stood on it are worked out anew.")
            return redirect("fabrication:stock_item", pk)
    return _item_page(request, item, flaw=form)


@roles_required(*WORKS)
@require_http_methods(["GET", "POST"])
def stock_receive(request: SignedInRequest) -> HttpResponse:
    """Books stock in."""
    form = ReceiveForm(request.POST or None, user=request.user)
    if request.method == "POST" and form.is_valid():
        with refusals_to(form.refuse):
            item = receive_stock(by=request.user, **form.cleaned_data)
            messages.success(request, f"{item.code} received.")
            return redirect("fabrication:stock_item", item.pk)
    return render(request, "fabrication/stock_receive.html", {"form": form}, status=422 if form.errors else 200)


@roles_required(*WORKS)
@require_POST
def end_let_go(request: SignedInRequest, pk: int) -> HttpResponse:
    """The end of a roll is free for other jobs before its job is closed."""
    kept = kept_end_for(request.user, pk)
    form = ReasonForm(request.POST, user=request.user)
    if form.is_valid():
        let_end_go(kept=kept, by=request.user, reason=form.cleaned_data["reason"])
    else:
        messages.error(request, "Say why the end is not kept any more.")
    return redirect("fabrication:stock_item", kept.item_id)


@roles_required(*WORKS)
@require_http_methods(["GET", "POST"])
@edits
def label_size(request: SignedInRequest) -> HttpResponse:
    """What the branch prints its labels on."""
    branch = held(request.user.own_branch)
    size = LabelSize.objects.filter(branch=branch).first() or starting_label_size(branch)
    initial = {name: getattr(size, name) for name in LabelSizeForm.base_fields}
    form = LabelSizeForm(request.POST or None, user=request.user, initial=initial, row=branch)
    if request.method == "POST" and form.is_valid():
        size = LabelSize(branch=branch, **form.cleaned_data)
        with refusals_to(form.refuse):
            check_label(size)
            if "look" not in request.POST:
                save_label_size(branch=branch, by=request.user, **form.cleaned_data)
                messages.success(request, "Labels are printed at this size from now on.")
                return redirect("fabrication:label_size")
    status = 422 if form.errors else 200
    context = {"form": form, "previews": () if form.errors else label_previews(size)}
    return render(request, "fabrication/label_size.html", context, status=status)
