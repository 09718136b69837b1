"""What can be chosen: choices that no list has, suppliers' lists, a product's list on its own page."""

from __future__ import annotations

from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from fabrication.access import LOOKS, WORKS
from fabrication.forms import SupplierListForm
from fabrication.models import LackingChoice, SupplierList
from fabrication.services import choices as services
from fabrication.services.recipes import recipe_sources
from measuring.access import product_for
from measuring.adapters.options import offer_of
from measuring.models import Product
from shared.access import SignedInRequest, roles_required
from shared.errors import refusals_to
from shared.versions import edits, held


@roles_required(*WORKS)
@require_GET
def lacking_of_firm(request: SignedInRequest, pk: int) -> HttpResponse:
    """The firm page's panel: what is offered or chosen and the recipe does not have."""
    branch = request.user.branch
    if branch is None or branch.pk != pk:
        raise Http404
    lacking = services.lacking_choices(Product.objects.filter(branch=branch))
    return render(request, "fabrication/_lacking.html", {"lacking": lacking})


@roles_required(*WORKS)
@require_POST
def stop_offering(request: SignedInRequest, pk: int) -> HttpResponse:
    """A choice that the recipe will not have."""
    choice = get_object_or_404(LackingChoice.objects.visible_to(request.user), pk=pk)
    services.stop_offering(choice=choice, by=request.user)
    messages.success(request, f"{choice.product.name}: {choice.value} is not offered any more.")
    return redirect("fabrication:recipes")


@roles_required(*LOOKS)
@require_GET
def choices_of_product(request: SignedInRequest, pk: int) -> HttpResponse:
    """The product page's panel: what can be chosen, and where that is changed."""
    product = product_for(request.user, pk)
    listed, may_write = offer_of(product).listed, request.user.has_role(*WORKS)
    starts = recipe_sources(product) if may_write and listed.problem and product.source != "bought" else []
    context = {"product": product, "listed": listed, "may_write": may_write, "starts": starts}
    return render(request, "fabrication/_choices_of_product.html", context)


@roles_required(*WORKS)
@require_http_methods(["GET", "POST"])
@edits
def supplier_list(request: SignedInRequest, pk: int) -> HttpResponse:
    """What a supplier lets one choose for a product that is bought in."""
    product = get_object_or_404(Product.objects.visible_to(request.user), pk=pk, source=Product.Source.BOUGHT)
    row = SupplierList.objects.filter(product=held(product)).first()
    lines = "\n".join(services.option_lines(row.options)) if row else ""
    form = SupplierListForm(
        request.POST or None,
        user=request.user,
        row=product,
        initial={"options": lines, "takes": row.takes if row else ""},
    )
    if request.method == "POST" and form.is_valid():
        with refusals_to(form.refuse):
            options = services.read_option_lines(form.cleaned_data["options"])
            takes = form.cleaned_data["takes"]
            services.save_supplier_list(product=product, options=options, takes=takes, by=request.user)
            messages.success(request, f"{product.name}: the supplier's list is saved.")
            return redirect("fabrication:buying")
    context = {"product": product, "row": row, "form": form}
    return render(request, "fabrication/supplier_list.html", context, status=422 if form.errors else 200)
