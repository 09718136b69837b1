"""Recipes: a new revision is checked over its whole size range before it is kept."""

from __future__ import annotations

from django.db import transaction

from fabrication.models import RecipeRevision
from fabrication.rules import recipes as rules
from fabrication.services.making import materials_of
from measuring.models import Product
from measuring.services.range import take_made_fit
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
