"""What an installer's phone sends: each kind of deed over the same services as the pages."""

from __future__ import annotations

import base64
import binascii
from collections.abc import Mapping
from typing import Any

from django.core.exceptions import PermissionDenied

from fabrication.models import Material
from installs import access, services
from installs.models import Load
from jobs import services as calendar
from jobs.models import Appointment
from measuring.deeds import Done, deed
from shared.errors import Refused

Body = Mapping[str, Any]


def _visit(body: Body, done: Done) -> Appointment:
    if not done.by.has_role(*access.INSTALLS):
        raise PermissionDenied
    found: Appointment = access.stop_for(done.by, int(body["appointment"]))
    return found


def _load(body: Body, done: Done) -> Load:
    if not done.by.has_role(*access.LOADS):
        raise PermissionDenied
    return access.load_for(done.by, int(body["load"]))


@deed("installs.load_checked")
def load_checked(body: Body, done: Done) -> Mapping[str, Any]:
    """``{"load", "counts": {line: pieces on the truck}}``; what was counted stands, however often it is sent."""
    counts = {int(key): int(count) for key, count in body["counts"].items()}
    services.check_counts(load=_load(body, done), counts=counts, by=done.by)
    return {}


@deed("installs.load_undone")
def load_undone(body: Body, done: Done) -> Mapping[str, Any]:
    """``{"load", "lines"}``: the last tick taken back, if it was of these lines."""
    services.undo_check(load=_load(body, done), lines=[int(key) for key in body["lines"]], by=done.by)
    return {}


@deed("installs.load_left")
def load_left(body: Body, done: Done) -> Mapping[str, Any]:
    """``{"load", "reason"}``: the truck left the yard."""
    services.leave_yard(load=_load(body, done), reason=str(body.get("reason", "")), by=done.by, at=done.at)
    return {}


@deed("installs.load_put_back")
def load_put_back(body: Body, done: Done) -> Mapping[str, Any]:
    """``{"load", "line", "count"}``: so many of a line came back in all."""
    load = _load(body, done)
    line = load.lines.filter(pk=int(body["line"])).first()  # type: ignore[attr-defined]
    if line is None:
        raise Refused("this line is not of this load", field="line")
    services.put_back(load=load, line=line, count=int(body["count"]), by=done.by)
    return {}


@deed("installs.load_back")
def load_back(body: Body, done: Done) -> Mapping[str, Any]:
    """``{"load"}``: the truck is back in the yard."""
    services.come_back(load=_load(body, done), by=done.by, at=done.at)
    return {}


@deed("installs.on_the_way")
def on_the_way(body: Body, done: Done) -> Mapping[str, Any]:
    """``{"appointment"}``: the crew set out for it."""
    calendar.mark_on_the_way(appointment=_visit(body, done), by=done.by, at=done.at)
    return {}


@deed("installs.arrived")
def arrived(body: Body, done: Done) -> Mapping[str, Any]:
    """``{"appointment"}``."""
    services.arrive(appointment=_visit(body, done), by=done.by, at=done.at)
    return {}


@deed("installs.installed")
def installed(body: Body, done: Done) -> Mapping[str, Any]:
    """``{"appointment", "unit"}``."""
    visit = _visit(body, done)
    unit = access.unit_key(visit, int(body["unit"]))
    services.mark_installed(appointment=visit, units=[unit], by=done.by, at=done.at)
    return {}


@deed("installs.all_installed")
def all_installed(body: Body, done: Done) -> Mapping[str, Any]:
    """``{"appointment", "units"}``: those that had no outcome on the phone."""
    visit = _visit(body, done)
    units = [access.unit_key(visit, int(key)) for key in body["units"]]
    services.mark_installed(appointment=visit, units=units, by=done.by, at=done.at)
    return {"units": [unit.pk for unit in units]}


@deed("installs.not_installed")
def not_installed(body: Body, done: Done) -> Mapping[str, Any]:
    """``{"appointment", "unit", "cause", "note"}``."""
    visit = _visit(body, done)
    services.mark_not_installed(
        appointment=visit,
        unit=access.unit_key(visit, int(body["unit"])),
        cause=str(body["cause"]),
        note=str(body.get("note", "")),
        by=done.by,
        at=done.at,
    )
    return {}


@deed("installs.undo")
def undo(body: Body, done: Done) -> Mapping[str, Any]:
    """``{"appointment", "unit"}``."""
    visit = _visit(body, done)
    services.undo_outcome(appointment=visit, unit=access.unit_key(visit, int(body["unit"])), by=done.by)
    return {}


@deed("installs.hardware")
def hardware(body: Body, done: Done) -> Mapping[str, Any]:
    """``{"appointment", "material", "change", "note"}``; material may be empty."""
    visit = _visit(body, done)
    key = body.get("material")
    material = Material.objects.filter(branch=visit.job.branch, pk=int(key)).first() if key else None
    if key and material is None:
        raise Refused("this item is not in stock any more", field="material")
    made = services.note_hardware(
        appointment=visit,
        by=done.by,
        change=int(body.get("change") or 0),
        material=material,
        note=str(body.get("note", "")),
        uid=done.deed_id,
        at=done.at,
    )
    return {"hardware": made.pk}


@deed("installs.photo")
def photo(body: Body, done: Done) -> Mapping[str, Any]:
    """``{"appointment", "unit", "caption", "data": base64}``."""
    visit = _visit(body, done)
    try:
        data = base64.b64decode(str(body["data"]), validate=True)
    except binascii.Error:
        raise Refused("the photo did not come through whole", field="photo") from None
    made = services.add_photo(
        appointment=visit,
        data=data,
        by=done.by,
        unit=access.unit_key(visit, int(body["unit"])) if body.get("unit") else None,
        caption=str(body.get("caption", "")),
        uid=done.deed_id,
        at=done.at,
    )
    return {"photo": made.pk}


@deed("installs.sign")
def sign(body: Body, done: Done) -> Mapping[str, Any]:
    """``{"appointment", "name", "strokes", "left_with"}``."""
    services.sign(
        appointment=_visit(body, done),
        by=done.by,
        name=str(body.get("name", "")),
        strokes=body.get("strokes") or [],
        left_with=str(body.get("left_with", "")),
        at=done.at,
    )
    return {}


@deed("installs.done")
def stop_done(body: Body, done: Done) -> Mapping[str, Any]:
    """``{"appointment", "note"}``; done twice it is done."""
    stop = services.close_stop(
        appointment=_visit(body, done), by=done.by, note=str(body.get("note", ""))[:2000], at=done.at
    )
    return {"stop": stop.pk}
