"""What the rooms below ask of the workroom, as they read it: what can be chosen for a product or a unit."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Final

from fabrication.models import Material, RecipeRevision, UnitMake
from fabrication.rules import recipes as rules
from fabrication.services.making import recipe_from
from measuring.models import Product, Unit
from measuring.rules.options import Choice, Option, OptionList

CONTROL: Final = "control"
"""The option whose choices the product's page must know too: a control may hang a cord or want power."""

Known = Mapping[str, str]
"""Names of the materials a branch has, by key."""


def options_of_products(products: Sequence[Product]) -> dict[int, OptionList]:
    """What can be chosen now, by the product's key: its current recipe's list, or the supplier's."""
    current = RecipeRevision.objects.filter(product__in=products, is_current=True)
    revisions = {row.product_id: row for row in current}
    known = _materials(product.branch_id for product in products)
    return {
        product.pk: _listed(product, revisions.get(product.pk), known.get(product.branch_id, {}))
        for product in products
    }


def options_of_units(units: Sequence[Unit]) -> dict[int, OptionList]:
    """By the unit's key: the list of the revision it was made by, or else its product's of now."""
    makes = UnitMake.objects.filter(unit__in=units).select_related("recipe")
    made = {make.unit_id: make.recipe for make in makes if make.recipe}
    known = _materials(unit.product.branch_id for unit in units if unit.pk in made)
    lists = {
        unit.pk: _by_recipe(unit.product, made[unit.pk], known.get(unit.product.branch_id, {}))
        for unit in units
        if unit.pk in made
    }
    waiting = [unit for unit in units if unit.pk not in made]
    current = options_of_products(list({unit.product_id: unit.product for unit in waiting}.values()))
    return lists | {unit.pk: current[unit.product_id] for unit in waiting}


def _listed(product: Product, revision: RecipeRevision | None, known: Known) -> OptionList:
    if product.source == Product.Source.BOUGHT:
        return _supplied(product)
    if revision is None:
        return OptionList(problem=f"{product.name} has no recipe yet. Add its recipe, then choose again.")
    return _by_recipe(product, revision, known)


def _by_recipe(product: Product, revision: RecipeRevision, known: Known) -> OptionList:
    recipe = recipe_from(revision)
    controls = {row["key"]: row.get("name") or row["key"] for row in product.fit.get("controls") or []}
    options = tuple(_option(option, controls, known) for option in recipe.options)
    return OptionList(options, f"the recipe '{recipe.name}' rev {revision.number}", "the recipe")


def _option(option: rules.Option, controls: Mapping[str, str], known: Known) -> Option:
    choices = []
    for choice in option.choices:
        name, problem = choice.name, ""
        lacking = sorted(key for key in choice.materials.values() if key not in known)
        if lacking:
            problem = f"there is no material {', '.join(lacking)}. Add it to the materials, or change the recipe."
        if option.key == CONTROL:
            name = name or controls.get(choice.key, "")
            if choice.key not in controls:
                problem = "the product does not say whether it has a cord or a motor. Add it to the product's controls."
        choices.append(Choice(choice.key, name or choice.key, problem))
    return Option(option.key, option.name, tuple(choices))


def _supplied(product: Product) -> OptionList:
    options = []
    for key, row in product.options.items():
        values = row.get("choices", []) if isinstance(row, dict) else row
        options.append(Option(key, key.replace("_", " "), tuple(Choice(value, value) for value in values)))
    return OptionList(tuple(options), f"the supplier's list of {product.name}", "the supplier's list")


def _materials(branches: Iterable[int]) -> dict[int, dict[str, str]]:
    found: dict[int, dict[str, str]] = {}
    for branch, key, name in Material.objects.filter(branch__in=set(branches)).values_list("branch", "key", "name"):
        found.setdefault(branch, {})[key] = name
    return found
