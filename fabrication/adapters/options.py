"""What the rooms below ask of the workroom, as they read it: what can be chosen for a product or a unit."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Final

from fabrication.models import Material, RecipeRevision, SupplierList, UnitMake
from fabrication.rules.light_gap import light_gap
from fabrication.rules.trade import RollerTrade
from fabrication.services.making import recipe_from
from measuring.models import Product, Unit
from measuring.rules.options import Choice, Option, OptionList
from shared.contracts import length_text

CONTROL: Final = "control"
"""The option whose choices the product's page must know too: a control may hang a cord or want power."""

Known = Mapping[str, str]
"""Names of the materials a branch has, by key."""


def options_of_products(products: Sequence[Product]) -> dict[int, OptionList]:
    """What can be chosen now, by the product's key: its current recipe's list, or the supplier's."""
    bought = [product for product in products if product.source == Product.Source.BOUGHT]
    made = [product for product in products if product.source != Product.Source.BOUGHT]
    current = RecipeRevision.objects.filter(product__in=made, is_current=True)
    revisions = {row.product_id: row for row in current}
    supplied = {row.product_id: row for row in SupplierList.objects.filter(product__in=bought)}
    known = _materials(product.branch_id for product in made)
    return {
        product.pk: _listed(
            product, revisions.get(product.pk), supplied.get(product.pk), known.get(product.branch_id, {})
        )
        for product in products
    }


def fit_as_made(product: Product) -> dict[str, object]:
    """
    The light gap of a product that hangs on a tube, inside its opening, as the unit's own page has it.

    What the hardware takes at a side and half the clearance, for a control by hand and for a motor.
    """
    revision = RecipeRevision.objects.filter(product=product, is_current=True).first()
    recipe = recipe_from(revision) if revision is not None else None
    if recipe is None or not isinstance(recipe.trade, RollerTrade):
        return {}
    trade, clearance = recipe.trade, recipe.clearance.inside.width
    motors = {row["key"] for row in product.fit.get("controls") or [] if row.get("power")}
    by_hand = [sides for sides in trade.sides if not motors.issuperset(sides.control)]
    with_motor = [sides for sides in trade.sides if not motors.isdisjoint(sides.control)]
    taken = {
        "idle": [sides.idle for sides in by_hand or with_motor],
        "control": [sides.drive for sides in by_hand],
        "motor": [sides.drive for sides in with_motor],
    }
    unit = product.fit.get("unit", "in")
    return {
        "gap": {name: length_text(light_gap(max(sides), clearance), unit) for name, sides in taken.items() if sides}
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


def _listed(
    product: Product, revision: RecipeRevision | None, supplied: SupplierList | None, known: Known
) -> OptionList:
    if product.source == Product.Source.BOUGHT:
        return _supplied(product, supplied)
    if revision is None:
        return OptionList(problem=f"{product.name} has no recipe yet. Add its recipe, then choose again.")
    return _by_recipe(product, revision, known)


def _by_recipe(product: Product, revision: RecipeRevision, known: Known) -> OptionList:
    recipe = recipe_from(revision)
    controls = _controls(product)
    options = []
    for option in recipe.options:
        choices = [
            _choice(option.key, one.key, one.name, controls, _lacking(one.materials.values(), known))
            for one in option.choices
        ]
        options.append(Option(option.key, option.name, tuple(choices)))
    return OptionList(tuple(options), f"the recipe '{recipe.name}' rev {revision.number}", "the recipe")


def _supplied(product: Product, supplied: SupplierList | None) -> OptionList:
    if supplied is None:
        return OptionList(problem=f"{product.name} has no supplier's list yet. Add it under Buying.")
    controls = _controls(product)
    options = []
    for row in supplied.options:
        choices = tuple(_choice(row["key"], value, "", controls, "") for value in row["choices"])
        options.append(Option(row["key"], row["name"], choices, is_needed=row["needed"]))
    return OptionList(tuple(options), f"the supplier's list of {product.name}", "the supplier's list")


def _choice(option: str, key: str, name: str, controls: Mapping[str, str], problem: str) -> Choice:
    """A control that the product's page does not know may hang a cord nobody is warned of: it can't be had."""
    if option == CONTROL:
        name = name or controls.get(key, "")
        if key not in controls:
            problem = "the product does not say whether it has a cord or a motor. Add it to the product's controls."
    return Choice(key, name or key, problem)


def _lacking(materials: Iterable[str], known: Known) -> str:
    lacking = ", ".join(sorted(key for key in materials if key not in known))
    return f"there is no material {lacking}. Add it to the materials, or change the recipe." if lacking else ""


def _controls(product: Product) -> dict[str, str]:
    """Names of the controls that the product's page knows."""
    return {row["key"]: row.get("name") or row["key"] for row in product.fit.get("controls") or []}


def _materials(branches: Iterable[int]) -> dict[int, dict[str, str]]:
    found: dict[int, dict[str, str]] = {}
    for branch, key, name in Material.objects.filter(branch__in=set(branches)).values_list("branch", "key", "name"):
        found.setdefault(branch, {})[key] = name
    return found
