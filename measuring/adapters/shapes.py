"""An opening that is no rectangle, as sheets and pages show it beside its drawing."""

from __future__ import annotations

from measuring.adapters.evaluation import current, known_of
from measuring.adapters.summaries import drawing_of, live_units
from measuring.models import Opening
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
    return {
        "shape": opening.get_shape_display(),
        "drawing": str(drawing_of(opening, now, live_units(opening))),
        "known": known_of(opening, now),
        "readings": [
            {"what": LABELS[spot], "value": now[spot, 1].value} for spot in reads(opening.shape) if (spot, 1) in now
        ],
    }
