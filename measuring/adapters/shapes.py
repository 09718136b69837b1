"""An opening that is no rectangle, as sheets and pages show it beside its drawing."""

from __future__ import annotations

from collections.abc import Iterable

from django.db.models import prefetch_related_objects

from measuring.adapters.evaluation import current, known_of
from measuring.adapters.summaries import drawing_of, live_units
from measuring.models import Opening
from measuring.rules.shapes import RECTANGLE, is_figure, reads
from measuring.rules.visit import LABELS


def template_lines(opening: Opening) -> list[str]:
    """Each template of it that stands, as sheets and pages say it."""
    rows = [one for one in opening.templates.all() if one.stands()] if is_figure(opening.shape) else []
    return [f"{one.number} ({one.get_size_is_display()}), {one.where}: TOP and ROOM SIDE are marked" for one in rows]


def templates_among(openings: Iterable[Opening]) -> list[tuple[Opening, list[str]]]:
    """Those of these openings that a template stands for, with its lines; no query where all are rectangles."""
    shaped = [one for one in openings if is_figure(one.shape)]
    prefetch_related_objects(shaped, "templates__job")
    return [(one, lines) for one in shaped if (lines := template_lines(one))]


def shape_sheet(opening: Opening) -> dict[str, object] | None:
    """
    Shape, drawing, readings and what follows from them, plain values for a document; None for a rectangle.

    The drawing is the one of the opening's page, left and right as seen from the room.
    """
    if opening.shape == RECTANGLE:
        return None
    now = current(opening.readings.all())
    templates = template_lines(opening)
    return {
        **({"templates": templates} if templates else {}),  # what was printed before there were any keeps its hash
        "shape": opening.get_shape_display(),
        "drawing": str(drawing_of(opening, now, live_units(opening))),
        "known": known_of(opening, now),
        "readings": [
            {"what": LABELS[spot], "value": now[spot, 1].value} for spot in reads(opening.shape) if (spot, 1) in now
        ],
    }
