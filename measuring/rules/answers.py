"""The `size` engine: a document of openings in, their order sizes and findings out."""

from __future__ import annotations

from typing import Any

from measuring.rules.findings import Finding, opening_findings
from measuring.rules.opening import Opening
from measuring.rules.sizing import order_size


def answer(opening: Opening) -> dict[str, Any]:
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
    found: list[Finding] = opening_findings(opening, size)
    return {
        "id": opening.id,
        **size.to_json(opening.unit),
        "findings": [one.to_json() for one in found],
    }
