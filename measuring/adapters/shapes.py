"""An opening that is no rectangle, as sheets and pages show it beside its drawing."""

from __future__ import annotations

from measuring.adapters.evaluation import as_rules, current
from measuring.adapters.summaries import drawing_of, live_units
from measuring.models import Opening
from measuring.rules.findings import known_text
from measuring.rules.shapes import RECTANGLE, reads
from measuring.rules.visit import LABELS


def shape_sheet(opening: Opening) -> dict[str, object] | None:
    """
    Shape, drawing, readings and what follows from them, plain values for a document; None for a rectangle.

    The drawing is the one of the opening's page, left and right as seen from the room.
    """
    if opening.shape == RECTANGLE:
        return None
    now = current(opening.readings.all())
    asked_of = as_rules(opening, now) if opening.product else None
    return {
        "shape": opening.get_shape_display(),
        "drawing": str(drawing_of(opening, now, live_units(opening))),
        "known": known_text(asked_of) if asked_of else "",
        "readings": [
            {"what": LABELS[spot], "value": now[spot, 1].value} for spot in reads(opening.shape) if (spot, 1) in now
        ],
    }
