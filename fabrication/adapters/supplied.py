"""Rows → `fabrication.rules.supplied`: the size a unit that is bought in is ordered at."""

from __future__ import annotations

from collections.abc import Iterable

from fabrication.models import SupplierList
from fabrication.rules import recipes as rules
from fabrication.rules.model import FINISHED_SIZE, OPENING_SIZE
from fabrication.rules.supplied import OrderedSize, ordered_size
from measuring.adapters.evaluation import fit_of
from measuring.models import Mount, Product, Unit
from shared.errors import Refused
from shared.lengths import Length
from shared.models import Branch


def supplied_size(unit: Unit) -> OrderedSize:
    """
    The size a unit that is bought in is ordered at, by its supplier's rule.

    Raises
    ------
    Refused
        Where the rule, or the clearance it leaves to us, is not known; the message says what to do.
    """
    if unit.order_width is None or unit.order_height is None:
        raise Refused(f"{unit.code} has no order size yet", field="unit")
    row = SupplierList.objects.filter(product=unit.product_id).first()
    fit = fit_of(unit.product) if (unit.product.fit.get("clearance") or {}).get("width") else None
    clearance = (Length(fit.clearance_width), Length(fit.clearance_height)) if fit else (None, None)
    basis = unit.basis or (OPENING_SIZE if unit.mount == Mount.INSIDE else FINISHED_SIZE)
    order = rules.Order(unit.order_width, unit.order_height, mount=unit.mount, basis=basis)
    try:
        return ordered_size(order, row.takes if row else "", clearance)
    except rules.CannotMake as error:
        todo = {
            "takes": "Say on its supplier's list whether the opening size or the finished size is ordered.",
            "clearance": "Write the clearance off the width on the product's page.",
        }.get(error.field, "")
        problem = f"{unit.code} {unit.product.name}, {unit.get_mount_display()}: {error.problem}. {todo}".strip()
        raise Refused(problem, field="units", bound=error.bound) from None


def supplied_columns(unit: Unit, size: OrderedSize) -> dict[str, object]:
    """The columns of a `UnitMake` for the size it is ordered at."""
    return {
        "source": Product.Source.BOUGHT,
        "finished_width": size.width,
        "finished_height": size.height,
        "steps": steps_shown(size.steps, unit.product.branch),
    }


def steps_shown(steps: Iterable[rules.Step], branch: Branch) -> list[dict[str, str]]:
    """A derivation as it is kept beside a make, in the branch's unit."""
    return [{"what": step.what, "value": step.value.text(branch.unit, symbol=True), "why": step.why} for step in steps]
