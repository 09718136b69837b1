"""A firm's own goods: materials, suppliers, tolerances; a product's first recipe."""

from __future__ import annotations

from uuid import UUID

from django.contrib import messages
from django.http import Http404, HttpResponse, QueryDict
from django.shortcuts import redirect, render
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from fabrication.access import WORKS, material_for, supplier_for
from fabrication.forms import MaterialForm, RangeFileForm, SupplierForm, ToleranceForm
from fabrication.models import Material, Supplier, Tolerance
from fabrication.services import range as services
from fabrication.services import range_tables
from fabrication.services.making import OWN
from fabrication.services.recipes import copy_product, start_recipe
from jobs.services.imports import text_of
from measuring.access import product_for
from measuring.models import Family
from shared.access import SignedInRequest, roles_required
from shared.errors import Refused, refusals_to
from shared.lengths import LengthUnit
from shared.models import Run
from shared.records import read_length


@roles_required(*WORKS)
@require_GET
def materials(request: SignedInRequest) -> HttpResponse:
    """Everything the workroom cuts or pulls, by kind and name."""
    rows = Material.objects.visible_to(request.user).exclude(key__startswith=OWN).select_related("supplier")
    kind, words = request.GET.get("kind", ""), request.GET.get("find", "").strip()
    if kind in Material.Kind.values:
        rows = rows.filter(kind=kind)
    if words:
        rows = rows.filter(name__icontains=words)
    listed = [(row, _bought_as(row, request.user.unit)) for row in rows]
    context = {"materials": listed, "kinds": Material.Kind.choices, "kind": kind, "find": words}
    return render(request, "fabrication/materials.html", context)


def _bought_as(material: Material, unit: LengthUnit) -> str:
    """The sizes it is bought in."""
    sizes = []
    for row in material.facts.get("stock") or []:
        size = [read_length(row[name]).text(unit) for name in ("width", "length") if row.get(name)]
        sizes.append(" × ".join(size))
    return f"{', '.join(sizes)} {unit.value}" if sizes else ""


@roles_required(*WORKS)
@require_http_methods(["GET", "POST"])
def material(request: SignedInRequest, pk: int | None = None, kind: str = "") -> HttpResponse:
    """One material, or a new one of a kind."""
    row = material_for(request.user, pk) if pk is not None else None
    kind = row.kind if row else kind
    if kind not in Material.Kind.values:
        raise Http404
    form = MaterialForm(request.POST or None, user=request.user, kind=kind, material=row)
    if request.method == "POST" and form.is_valid():
        try:
            branch = row.branch if row else request.user.own_branch
            saved = services.save_material(
                branch=branch, by=request.user, material=row, kind=kind, values=form.values()
            )
        except Refused as refusal:
            form.refuse(refusal)
        else:
            messages.success(request, f"{saved.name} is saved.")
            return redirect("fabrication:materials")
    context = {"material": row, "kind": Material.Kind(kind).label, "form": form}
    return render(request, "fabrication/material.html", context, status=422 if form.errors else 200)


@roles_required(*WORKS)
@require_http_methods(["GET", "POST"])
def suppliers(request: SignedInRequest, pk: int | None = None) -> HttpResponse:
    """All suppliers; one to change, or a new one."""
    row = supplier_for(request.user, pk) if pk is not None else None
    initial = {name: getattr(row, name) for name in services.SUPPLIER_COLUMNS} if row else None
    form = SupplierForm(request.POST or None, user=request.user, initial=initial)
    if request.method == "POST" and form.is_valid():
        try:
            branch = row.branch if row else request.user.own_branch
            saved = services.save_supplier(branch=branch, by=request.user, supplier=row, values=form.cleaned_data)
        except Refused as refusal:
            form.refuse(refusal)
        else:
            messages.success(request, f"{saved.name} is saved.")
            return redirect("fabrication:suppliers")
    rows = Supplier.objects.visible_to(request.user)
    context = {"suppliers": rows, "supplier": row, "form": form}
    return render(request, "fabrication/suppliers.html", context, status=422 if form.errors else 200)


@roles_required(*WORKS)
@require_GET
def tolerances(request: SignedInRequest) -> HttpResponse:
    """How far finished units may be off, a form a family."""
    return _tolerances(request)


def _tolerances(request: SignedInRequest, bad: ToleranceForm | None = None, bad_family: str = "") -> HttpResponse:
    there = {row.family: row for row in Tolerance.objects.visible_to(request.user)}
    forms = [
        (key, name, there.get(key), bad if bad and key == bad_family else _tolerance_form(request, key, there.get(key)))
        for key, name in Family.choices
    ]
    return render(request, "fabrication/tolerances.html", {"forms": forms}, status=422 if bad else 200)


def _tolerance_form(
    request: SignedInRequest, family: str, row: Tolerance | None, data: QueryDict | None = None
) -> ToleranceForm:
    return ToleranceForm(data, user=request.user, prefix=family, row=row)


@roles_required(*WORKS)
@require_POST
def tolerance_save(request: SignedInRequest, family: str) -> HttpResponse:
    """The tolerance of one family."""
    if family not in Family.values:
        raise Http404
    form = _tolerance_form(request, family, None, request.POST)
    if form.is_valid():
        try:
            services.save_tolerance(
                branch=request.user.own_branch, by=request.user, family=family, values=form.cleaned_data
            )
            messages.success(request, f"{Family(family).label}: kept.")
            return redirect("fabrication:tolerances")
        except Refused as refusal:
            form.refuse(refusal)
    return _tolerances(request, form, family)


# -- as CSV ----------------------------------------------------------------------------------


@roles_required(*WORKS)
@require_GET
def range_csv(request: SignedInRequest, what: str) -> HttpResponse:
    """All materials, or all suppliers, as CSV."""
    if what not in range_tables.WHAT:
        raise Http404
    answer = HttpResponse(range_tables.range_csv(request.user.own_branch, what), content_type="text/csv; charset=utf-8")
    answer["Content-Disposition"] = f'attachment; filename="{what}.csv"'
    return answer


@roles_required(*WORKS)
@require_http_methods(["GET", "POST"])
def range_import(request: SignedInRequest, what: str) -> HttpResponse:
    """Choose a file; the first look writes nothing."""
    if what not in range_tables.WHAT:
        raise Http404
    form = RangeFileForm(request.POST or None, request.FILES or None, user=request.user)
    if request.method == "POST" and form.is_valid():
        with refusals_to(form.refuse):
            run = range_tables.ask_for_import(
                branch=request.user.own_branch, what=what, text=text_of(form.cleaned_data["file"]), by=request.user,
                dry=True,
            )  # fmt: skip
            return redirect("fabrication:range_import_run", run.pk)
    context = {"form": form, "what": what, "columns": range_tables.COLUMNS[what], "needed": range_tables.NEEDED[what]}
    return render(request, "fabrication/range_import.html", context, status=422 if form.errors else 200)


def _import_for(request: SignedInRequest, pk: UUID) -> Run:
    run = Run.objects.visible_to(request.user).filter(pk=pk, kind=range_tables.KIND).first()
    if run is None:
        raise Http404
    return run


@roles_required(*WORKS)
@require_GET
def range_import_run(request: SignedInRequest, pk: UUID) -> HttpResponse:
    """What becomes of each line, and what is wrong in each cell."""
    run = _import_for(request, pk)
    return render(request, "fabrication/range_import_run.html", {"run": run, "what": run.params["what"]})


@roles_required(*WORKS)
@require_POST
def range_import_confirm(request: SignedInRequest, pk: UUID) -> HttpResponse:
    """Keep the lines that can be."""
    run = _import_for(request, pk)
    if not run.result or not run.result.get("dry"):
        raise Http404
    again = range_tables.ask_for_import(
        branch=request.user.own_branch, what=run.params["what"], text=run.params["text"], by=request.user, dry=False,
        look=run,
    )  # fmt: skip
    return redirect("fabrication:range_import_run", again.pk)


# -- a product's first recipe --------------------------------------------------------------


@roles_required(*WORKS)
@require_POST
def recipe_start(request: SignedInRequest, pk: int) -> HttpResponse:
    """A first recipe for a product that has none, from another product of its family or the starting one."""
    product = product_for(request.user, pk)
    try:
        start_recipe(product=product, source=request.POST.get("source", ""), by=request.user)
    except Refused as refusal:
        messages.error(request, refusal.problem)
        return redirect("fabrication:recipes")
    messages.success(request, f"{product.name} has a recipe. Check its figures against your own hardware.")
    return redirect("fabrication:recipe", pk)


@roles_required(*WORKS)
@require_POST
def product_copy(request: SignedInRequest, pk: int) -> HttpResponse:
    """Another product like this one, its recipe (or supplier's list) with it."""
    product = product_for(request.user, pk)
    try:
        made = copy_product(product=product, name=request.POST.get("name", ""), by=request.user)
    except Refused as refusal:
        messages.error(request, refusal.problem)
        return redirect("fabrication:recipes")
    messages.success(request, f"{made.name} is like {product.name}. Change what differs.")
    return redirect("fabrication:recipes")
