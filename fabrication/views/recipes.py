"""Recipes: read, edit with a worked example beside, compare revisions."""

from __future__ import annotations

from typing import Any, Final

from django.contrib import messages
from django.db.models import Prefetch
from django.http import Http404, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from fabrication.access import WORKS
from fabrication.drawings import unit_by_width
from fabrication.models import RecipeRevision
from fabrication.rules import recipes as rules
from fabrication.services import revisions
from fabrication.services.choices import lacking_choices
from fabrication.services.making import materials_of
from fabrication.services.recipes import recipe_sources, save_recipe, starts_otherwise, take_starting
from fabrication.views import recipe_form
from measuring.access import product_for
from measuring.models import Product
from shared.access import SignedInRequest, roles_required
from shared.errors import Refused, refusals_shown
from shared.idempotency import only_looks
from shared.lengths import LengthError, parse_length
from shared.versions import FIELD, edits, held

LONGEST_NUMBER: Final = 9
"""Digits of a revision's number that a page may send back."""


@roles_required(*WORKS)
@require_GET
def recipe_list(request: SignedInRequest) -> HttpResponse:
    """Every product with its current recipe."""
    current = RecipeRevision.objects.filter(is_current=True).select_related("saved_by")
    products = (
        Product.objects.visible_to(request.user)
        .prefetch_related(Prefetch("recipe_revisions", queryset=current, to_attr="current"))
        .order_by("family", "name")
    )
    mine = [product for product in products if product.branch_id == request.user.branch_id]
    context = {"products": [_listed(product) for product in mine], "lacking": lacking_choices(mine)}
    return render(request, "fabrication/recipe_list.html", context)


def _listed(product: Product) -> tuple[Product, list[tuple[str, str]], bool]:
    """A product, what a first recipe can be made from, and whether one nobody touched starts otherwise today."""
    current: list[RecipeRevision] = getattr(product, "current", [])
    if not current:
        return product, [] if product.source == Product.Source.BOUGHT else recipe_sources(product), False
    return product, [], current[0].saved_by_id is None and bool(starts_otherwise(product, current[0]))


@roles_required(*WORKS)
@require_http_methods(["GET", "POST"])
@edits
def recipe_edit(request: SignedInRequest, pk: int) -> HttpResponse:
    """The current recipe as boxes; saving makes the next revision."""
    product = held(product_for(request.user, pk))
    revision = _current(product)
    definition = revision.definition
    problems: dict[str, str] = {}
    crossed: dict[str, Any] = {}
    drawn = _drawn(request, product, revision)
    if drawn != revision:
        definition = recipe_form.edited(drawn.definition, request.POST.dict())
        crossed = _crossed(drawn, revision, definition)
        problems = {"revision": f"{revision.saved_by or 'Somebody'} kept revision {revision.number} meanwhile."}
    elif request.method == "POST":
        definition = recipe_form.edited(revision.definition, request.POST.dict())
        try:
            saved = save_recipe(
                product=product, definition=definition, by=request.user, note=request.POST.get("note", "")
            )
        except Refused as refusal:
            problems = {refusal.field: refusal.problem + (f" ({refusal.bound})" if refusal.bound else "")}
        else:
            messages.success(request, f"{product.name}: revision {saved.number} is in use from now on.")
            return redirect("fabrication:recipe", pk)
    context = _page(request, product, revision, definition, problems) | crossed
    return render(request, "fabrication/recipe_edit.html", context, status=422 if problems else 200)


@roles_required(*WORKS)
@require_POST
@only_looks
def recipe_try(request: SignedInRequest, pk: int) -> HttpResponse:
    """The worked example of what stands in the boxes, and what differs; nothing is kept."""
    product = product_for(request.user, pk)
    revision = _current(product)
    definition = recipe_form.edited(revision.definition, request.POST.dict())
    context = _example(request, product, revision, definition)
    return render(request, "fabrication/_recipe_example.html", context)


@roles_required(*WORKS)
@require_GET
def recipe_revisions(request: SignedInRequest, pk: int) -> HttpResponse:
    """Every revision with its difference from the one before."""
    product = product_for(request.user, pk)
    rows = list(product.recipe_revisions.select_related("saved_by").order_by("-number"))
    read = [rules.Recipe.from_json(row.definition) for row in rows]
    compared = []
    for position, row in enumerate(rows):
        lines = rules.difference(read[position + 1], read[position]) if position + 1 < len(rows) else []
        compared.append((row, lines))
    return render(request, "fabrication/recipe_revisions.html", {"product": product, "compared": compared})


@roles_required(*WORKS)
@require_http_methods(["GET", "POST"])
def recipe_waiting(request: SignedInRequest, pk: int) -> HttpResponse:
    """Units that wait by an older revision: what this one would change of each; move those ticked, or leave them."""
    product = product_for(request.user, pk)
    if request.method == "POST":
        ticked = [int(key) for key in request.POST.getlist("makes") if key.isdecimal()]
        with refusals_shown(request):
            moved = revisions.move_waiting(product=product, makes=ticked, by=request.user)
            messages.success(request, f"{len(moved)} moved to the revision in use.")
        return redirect("fabrication:recipe_waiting", pk)
    context = {
        "product": product,
        "revision": product.recipe_revisions.filter(is_current=True).first(),
        "rows": revisions.waiting_units(product),
        "in_all": len(revisions.waiting_makes(product)),
    }
    return render(request, "fabrication/recipe_waiting.html", context)


@roles_required(*WORKS)
@require_POST
def recipe_renew(request: SignedInRequest, pk: int) -> HttpResponse:
    """Today's starting recipe becomes the next revision."""
    product = product_for(request.user, pk)
    number = request.POST.get(FIELD, "")
    drawn_from = int(number) if number.isdecimal() and len(number) <= LONGEST_NUMBER else 0
    try:
        saved = take_starting(product=product, drawn_from=drawn_from, by=request.user)
    except Refused as refusal:
        messages.error(request, refusal.problem)
    else:
        messages.success(request, f"{product.name}: revision {saved.number} is in use from now on.")
    return redirect("fabrication:recipe", pk)


def _drawn(request: SignedInRequest, product: Product, current: RecipeRevision) -> RecipeRevision:
    """The revision a page was drawn from; where it says none, the current one."""
    number = request.POST.get(FIELD, "")
    if not number.isdecimal() or len(number) > LONGEST_NUMBER:
        return current
    return product.recipe_revisions.filter(number=number).first() or current


def _crossed(drawn: RecipeRevision, current: RecipeRevision, mine: dict[str, Any]) -> dict[str, Any]:
    """What each of two people changed of one revision, line by line."""
    before, theirs = (rules.Recipe.from_json(row.definition) for row in (drawn, current))
    own, _ = recipe_form.read(mine)
    return {
        "theirs": rules.difference(before, theirs),
        "mine": rules.difference(before, own) if own is not None else [],
    }


def _current(product: Product) -> RecipeRevision:
    revision = product.recipe_revisions.filter(is_current=True).first()
    if revision is None:
        raise Http404(f"{product.name} has no recipe")
    return revision


def _page(
    request: SignedInRequest,
    product: Product,
    revision: RecipeRevision,
    definition: dict[str, object],
    problems: dict[str, str],
) -> dict[str, object]:
    names = {key: row.name for key, row in materials_of(product.branch).items()}
    shown = recipe_form.sections(definition, problems, names)
    named = {box.path for section in shown for box in section.boxes if box.problem}
    return {
        "product": product,
        "revision": revision,
        "sections": shown,
        "prefix": recipe_form.PREFIX,
        "options": recipe_form.option_rows(definition),
        "condition_choices": recipe_form.condition_choices(definition),
        "materials": sorted(names.items()),
        "problems": [text for path, text in problems.items() if path not in named],
        "started": starts_otherwise(product, revision),
        "waiting": len(revisions.waiting_makes(product)),
        "bands": recipe_form.bands(definition, problems, names),
        **_example(request, product, revision, definition),
    }


def _example(
    request: SignedInRequest, product: Product, revision: RecipeRevision, definition: dict[str, object]
) -> dict[str, object]:
    before = rules.Recipe.from_json(revision.definition)
    recipe, problems = recipe_form.read(definition)
    if recipe is None:
        return {"product": product, "unread": problems, "recipe": before, "order": rules.middling_order(before)}
    materials = materials_of(product.branch)
    order, wrong = _order(request, recipe)
    example = rules.worked_example(recipe, materials, order, before=before, unit=request.user.unit)
    return {
        "product": product,
        "recipe": recipe,
        "order": order,
        "order_wrong": wrong,
        "example": example,
        "drawing": unit_by_width(example.made, unit=request.user.unit) if example.made else "",
        "changes": rules.difference(before, recipe),
        "checks": rules.check_recipe(recipe, materials),
    }


def _order(request: SignedInRequest, recipe: rules.Recipe) -> tuple[rules.Order, str]:
    """The order tried: as typed, else half way up the range."""
    order = rules.middling_order(recipe)
    sent = request.POST
    options = {
        option.key: sent[f"option:{option.key}"]
        for option in recipe.options
        if sent.get(f"option:{option.key}") in {choice.key for choice in option.choices}
    }
    try:
        width = parse_length(sent["try_width"], request.user.unit) if sent.get("try_width") else order.width
        height = parse_length(sent["try_height"], request.user.unit) if sent.get("try_height") else order.height
        mount = sent["try_mount"] if sent.get("try_mount") in {"inside", "outside"} else order.mount
        return rules.Order(width, height, mount=mount, options=dict(order.options) | options), ""
    except (LengthError, ValueError) as error:
        return order, str(error)
