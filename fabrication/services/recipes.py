"""Recipes: a new revision is checked over its whole size range before it is kept."""

from __future__ import annotations

from dataclasses import replace

from django.db import transaction

from fabrication.models import RecipeRevision, SupplierList
from fabrication.rules import recipes as rules
from fabrication.services.choices import save_supplier_list
from fabrication.services.making import materials_of, recipe_from
from fabrication.services.starting_data import load_materials
from measuring.models import Product
from measuring.services.range import save_product, take_made_fit
from shared.audit import record
from shared.contracts import ContractError
from shared.errors import Refused
from shared.models import User


@transaction.atomic
def save_recipe(*, product: Product, definition: dict[str, object], by: User, note: str = "") -> RecipeRevision:
    """
    Keeps a new revision; units made by an older one keep theirs.

    Raises
    ------
    Refused
        Where the rules can't read it, or a part would come to nothing, bands overlap or leave a
        gap; the field is the path in the definition.
    """
    product = Product.objects.select_for_update().select_related("branch").get(pk=product.pk)
    current = product.recipe_revisions.filter(is_current=True).first()
    number = (current.number if current else 0) + 1
    definition = definition | {"revision": number, "key": product.key}
    try:
        recipe = rules.Recipe.from_json(definition)
    except ContractError as error:
        raise Refused(error.problem, field=error.field, bound=error.bound) from None
    problems = rules.check_recipe(recipe, materials_of(product.branch))
    stops = [problem for problem in problems if problem.severity == "stop"]
    if stops:
        raise Refused(stops[0].problem, field=stops[0].field, bound=stops[0].bound)
    changes = {}
    if current is not None:
        before = rules.Recipe.from_json(current.definition)
        changes = {line.what[:80]: [line.before, line.after] for line in rules.difference(before, recipe)}
        if not changes:
            raise Refused("nothing was changed")
        current.is_current = False
        current.save(update_fields=["is_current"])
    revision = RecipeRevision.objects.create(
        product=product, number=number, definition=recipe.to_json(), note=note[:240], saved_by=by
    )
    record(by=by, action="saved a recipe", subject=revision, changes=changes, note=note)
    take_made_fit(product=product, by=by)
    return revision


def recipe_sources(product: Product) -> list[tuple[str, str]]:
    """What a first recipe can be made from: the branch's products of the family, then the starting recipes of it."""
    there = Product.objects.filter(branch=product.branch_id, family=product.family).exclude(pk=product.pk)
    ours = there.filter(recipe_revisions__is_current=True).order_by("name").values_list("key", "name")
    started = [(key, one.name) for key, one in rules.starting_recipes().items() if one.family == product.family]
    taken = {key for key, _ in ours}
    return [*ours, *((key, f"{name}, as we start it") for key, name in started if key not in taken)]


@transaction.atomic
def start_recipe(*, product: Product, source: str, by: User) -> RecipeRevision:
    """
    A first recipe for a product that has none: that of another product of its family.

    The product takes its controls too where it has none, since the recipe asks for one of them.

    Raises
    ------
    Refused
        It has a recipe, is bought in, or the source is none of its family's.
    """
    if product.source == Product.Source.BOUGHT:
        raise Refused(f"{product.name} is bought in: it has a supplier's list, no recipe", field="source")
    if product.recipe_revisions.exists():
        raise Refused(f"{product.name} has a recipe", field="source")
    if source not in dict(recipe_sources(product)):
        raise Refused("choose a product of its family", field="source")
    other = Product.objects.filter(branch=product.branch_id, key=source).first()
    current = other.recipe_revisions.filter(is_current=True).first() if other else None
    definition = current.definition if current else rules.starting_recipes()[source].to_json()
    controls = other.fit.get("controls") if other else None
    if controls and not product.fit.get("controls"):
        product = save_product(
            branch=product.branch, by=by, product=product, name=product.name, source=product.source,
            fit={**product.fit, "controls": controls}, is_active=product.is_active,
        )  # fmt: skip
    note = f"as that of {other.name}" if other else f"the starting recipe of {source}"
    return save_recipe(product=product, definition=definition | {"name": product.name}, by=by, note=note)


def starts_otherwise(product: Product, current: RecipeRevision) -> list[rules.Change]:
    """What the recipe that such a product starts with today has otherwise, line by line."""
    started = rules.starting_recipes().get(product.key)
    if started is None:
        return []
    recipe = recipe_from(current)
    return rules.difference(recipe, replace(started, name=recipe.name))


@transaction.atomic
def take_starting(*, product: Product, drawn_from: int, by: User) -> RecipeRevision:
    """
    Today's starting recipe as the next revision, with the materials it names that the branch lacks.

    What is released keeps the revision it was made by.

    Raises
    ------
    Refused
        There is none, it is the same, or the recipe was changed since revision `drawn_from` was looked at.
    """
    current = product.recipe_revisions.select_for_update().filter(is_current=True).first()
    if current is None or not starts_otherwise(product, current):
        raise Refused(f"{product.name} is as we start it today", field="product")
    if current.number != drawn_from:
        raise Refused(f"{product.name} has revision {current.number} meanwhile: look again", field="drawn_from")
    started = rules.starting_recipes()[product.key]
    load_materials(product.branch, rules.materials_named(started))
    definition = started.to_json() | {"name": recipe_from(current).name}
    return save_recipe(product=product, definition=definition, by=by, note="today's starting recipe")


@transaction.atomic
def copy_product(*, product: Product, name: str, by: User) -> Product:
    """
    Another product of the same family, fit and source, with the recipe or the supplier's list of the first.

    Raises
    ------
    Refused
        No name, or one that is taken.
    """
    if not name.strip():
        raise Refused("name the new product", field="name")
    made = save_product(
        branch=product.branch, by=by, name=name, family=product.family, fit=product.fit, source=product.source
    )
    current = product.recipe_revisions.filter(is_current=True).first()
    if product.source == Product.Source.BOUGHT:
        listed = SupplierList.objects.filter(product=product).first()
        if listed is not None:
            save_supplier_list(product=made, options=listed.options, takes=listed.takes or None, by=by)
    elif current is not None:
        start_recipe(product=made, source=product.key, by=by)
    return made
