"""Everything there is to say about one opening, and the contract's answer of the `size` engine."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from measuring.rules.finding import Finding
from measuring.rules.findings import opening_findings
from measuring.rules.fit import ProductFit, depth_findings, fit_findings, gap_findings, usual_fit
from measuring.rules.opening import Opening
from measuring.rules.safety import Jurisdiction, Site, safety_findings
from measuring.rules.sizing import OrderSize, order_size

_USUAL: dict[str, ProductFit] = {}


def all_findings(
    opening: Opening,
    size: OrderSize,
    *,
    product: ProductFit | None = None,
    control: str = "",
    site: Site | None = None,
    place: Jurisdiction | None = None,
    alikes: Sequence[Opening] = (),
) -> list[Finding]:
    """
    Findings of the readings, of the product chosen, and of the site, in that order.

    Parameters
    ----------
    opening, size
        The readings, and `order_size` of them.
    product
        The product chosen; without one, depth and light are held against the family's usual figures.
    control
        Key of the product's control chosen; it may be any of them where empty.
    site, place
        What was seen around the opening, and the branch's cord rules.
    alikes
        Openings of the same room that look like this one: evidence about its readings.
    """
    found = opening_findings(opening, size, alikes)
    if product is None:
        found += [*_usual_findings(opening), *safety_findings(size, (), site, place)]
    else:
        found += fit_findings(opening, size, product, control=control, site=site)
        found += safety_findings(size, product.possible_controls(control), site, place, product.sold_as)
    return [one.for_shape(opening.shape) for one in found]


def _usual_findings(opening: Opening) -> list[Finding]:
    if opening.mount != "inside":
        return []
    usual = _usual(opening.family)
    return [*depth_findings(opening, usual), *gap_findings(opening, usual, ())]


def _usual(family: str) -> ProductFit:
    if family not in _USUAL:
        _USUAL[family] = usual_fit(family)
    return _USUAL[family]


def answer(opening: Opening, alikes: Sequence[Opening] = ()) -> dict[str, Any]:
    """
    The contract's answer for one opening.

    Examples
    --------
    >>> doc = {"id": "A", "family": "slat", "mount": "outside", "depth": "1",
    ...        "chosen": {"width": "40", "height": "60"}}
    >>> answer(Opening.from_json(doc, "in"))["ticks"]
    {'width': 325120, 'height': 487680}
    """
    size = order_size(opening)
    found = all_findings(opening, size, alikes=alikes)
    return {
        "id": opening.id,
        **size.to_json(opening.unit),
        "findings": [one.to_json() for one in found],
    }
