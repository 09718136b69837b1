"""The measurer's documents: the customer's measure record, and the sheet for those who want paper."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from jobs.models import Appointment, Job
from measuring.adapters.evaluation import asked, current
from measuring.adapters.options import options_shown
from measuring.adapters.summaries import bays_among, drawing_of, live_units, openings_of_job, rooms_of
from measuring.drawings import Picture, opening_drawing
from measuring.models import MeasureVisit, Opening, Shape, Unit
from measuring.rules.families import DIAGONALS, HEIGHTS, SHAPE_SPOTS, WIDTHS
from shared.documents import document_kind
from shared.drawings import Svg
from shared.roles import DISPATCHER, MEASURER, OWNER

RECORD_FOR = (DISPATCHER, OWNER, MEASURER)
EVERY_SPOT = (*WIDTHS, *HEIGHTS, "depth")


def _opening_of(opening: Opening, units: list[Unit], options: Mapping[int, object]) -> dict[str, Any]:
    """One opening as the record shows it: readings, sizes with their steps, what to know."""
    now = current(opening.readings.all())
    return {
        **_shape_of(opening),
        "name": str(opening),
        "product": opening.product.name if opening.product else "",
        "mount": opening.get_mount_display(),
        "substrate": opening.get_substrate_display(),
        "state": opening.get_state_display(),
        "reason": opening.reason,
        "note": opening.note,
        "drawing": str(drawing_of(opening, now, units)),
        "readings": [
            {
                "place": reading.get_spot_display(),  # under this name in the hash of every record that was printed
                "turn": turn,
                "value": reading.value,
                "case": reading.case_added,
                "typed": reading.typed,
                "by": str(reading.taken_by),
                "at": reading.taken_at,
                "tape": str(reading.tape or ""),
            }
            for (_, turn), reading in sorted(now.items(), key=lambda pair: _order(pair[0][0]))
        ],
        "units": [
            {
                "code": unit.code,
                "number": unit.number,
                "width": unit.order_width,
                "height": unit.order_height,
                "longest": unit.longest_height,
                "basis": unit.basis,
                "steps": unit.steps,
                "findings": [one for one in unit.findings if one["severity"] != "note"],
                "options": options[unit.pk],
            }
            for unit in units
        ],
    }


def _shape_of(opening: Opening) -> dict[str, str]:
    """Its shape; nothing, not even a name, for a rectangle."""
    return {} if opening.shape == Shape.RECTANGLE else {"shape": opening.get_shape_display()}


def _order(spot: str) -> int:
    spots = (*EVERY_SPOT, *DIAGONALS, *SHAPE_SPOTS)
    return spots.index(spot) if spot in spots else len(spots)


@document_kind(
    "measuring.record",
    title="Measure record",
    model="jobs.Job",
    template="measuring/documents/record.html",
    roles=RECORD_FOR,
    job=lambda job: job.pk,
)
def measure_record(job: Job) -> dict[str, Any]:
    """What was measured and how each order size was reached; the customer's copy."""
    rooms = []
    openings = openings_of_job(job)
    for one in openings:
        one.job = job
    options = options_shown(unit for one in openings for unit in live_units(one))
    for room, members in rooms_of(openings):
        shown = [_opening_of(one, live_units(one), options) for one in members]
        rooms.append({"name": room.name, "floor": room.floor, "openings": shown})
    visits = [
        {"day": visit.opened_at, "by": str(visit.measurer), "outcome": visit.get_outcome_display(), "note": visit.note}
        for visit in _visits(job)
    ]
    plans = [{"name": str(group), "drawing": str(drawing)} for group, drawing in bays_among(openings)]
    return {
        **({"plans": plans} if plans else {}),  # what was printed before there were any keeps its hash
        "number": job.number,
        "customer": job.customer.name,
        "address": job.site.address,
        "rooms": rooms,
        "visits": visits,
        "paint_caution": job.site.paint_caution,
        "children": job.site.children,
    }


def _visits(job: Job) -> list[MeasureVisit]:
    return list(MeasureVisit.objects.filter(appointment__job=job).select_related("measurer").order_by("opened_at"))


@document_kind(
    "measuring.sheet",
    title="Measure sheet",
    model="jobs.Appointment",
    template="measuring/documents/measure_sheet.html",
    roles=RECORD_FOR,
)
def measure_sheet(appointment: Appointment) -> dict[str, Any]:
    """
    A sheet to write on, in the order of the screen: pre-filled with what is known, blank for the rest.

    Openings that are expected and not on record yet get a blank drawing each.
    """
    job = appointment.job
    named = set(appointment.visit_openings.values_list("opening_id", flat=True))
    openings = [one for one in openings_of_job(job) if not named or one.pk in named]
    rows = []
    for one in openings:
        one.job = job
        now = current(one.readings.all())
        rows.append(
            {
                **_shape_of(one),
                "name": str(one),
                "product": one.product.name if one.product else "",
                "mount": one.get_mount_display(),
                "note": one.note,
                "drawing": str(drawing_of(one, now, [], blank=True) if one.product else _blank(job, str(one))),
                "asks": [ask.label for ask in asked(one, now)],
            }
        )
    expected = max(job.openings_expected, 1)
    while len(rows) < expected:
        name = f"opening {len(rows) + 1}"
        rows.append({"name": name, "drawing": str(_blank(job, name))})
    return {
        "number": job.number,
        "customer": job.customer.name,
        "address": job.site.address,
        "when": appointment.starts_at,
        "rows": rows,
        "grid": "1/8 in" if job.branch.units == "in" else "1 mm",
        "paint_caution": job.site.paint_caution,
        "children": job.site.children,
    }


def _blank(job: Job, name: str) -> Svg:
    return opening_drawing(Picture(name, job.branch.unit, asked=EVERY_SPOT), blank=True)
