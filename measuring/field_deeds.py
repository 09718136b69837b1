"""What a measurer's phone sends: each kind of deed over the same services as the pages."""

from __future__ import annotations

import base64
import binascii
import uuid
from collections.abc import Mapping
from typing import Any

from django.core.exceptions import PermissionDenied

from measuring import access, services
from measuring.deeds import Done, deed
from measuring.models import Opening, Tape, Visit
from measuring.services.readings import ANY
from measuring.views.openings import visit_at
from shared.errors import Refused

Body = Mapping[str, Any]


def _uid(value: Any) -> uuid.UUID:
    return uuid.UUID(str(value))


def _opening(body: Body, done: Done) -> Opening:
    if not done.by.has_role(*access.MEASURES):
        raise PermissionDenied
    found: Opening = access.opening_for(done.by, _uid(body["opening"]))
    return found


def _tape(body: Body, done: Done) -> Tape | None:
    key = body.get("tape")
    return access.tape_for(done.by, int(key)) if key else None


def _visit(body: Body, done: Done) -> Visit:
    if not done.by.has_role(*access.MEASURES):
        raise PermissionDenied
    found: Visit = access.visit_for(done.by, int(body["appointment"]))
    return found


def _room(body: Body, done: Done) -> Any:
    from django.http import Http404

    from measuring.models import Room

    if not done.by.has_role(*access.MEASURES):
        raise PermissionDenied
    room = Room.objects.visible_to(done.by).select_related("job__branch").filter(uid=_uid(body["room"])).first()
    if room is None:
        raise Http404
    return room


@deed("measuring.begin")
def begin(body: Body, done: Done) -> Mapping[str, Any]:
    """Begin to measure, or take another tape: ``{"appointment", "tape"}``."""
    if not done.by.has_role(*access.MEASURES):
        raise PermissionDenied
    appointment = access.appointment_for(done.by, int(body["appointment"]))
    visit = services.open_visit(appointment=appointment, by=done.by, tape=_tape(body, done), at=done.at)
    return {"visit": visit.pk}


@deed("measuring.room")
def room(body: Body, done: Done) -> Mapping[str, Any]:
    """A room: ``{"appointment", "room": uid, "name", "floor"}``; the room's uid comes back."""
    visit = _visit(body, done)
    made = services.add_room(
        job=visit.appointment.job,
        name=str(body["name"]),
        floor=str(body.get("floor", "")),
        by=done.by,
        uid=_uid(body["room"]),
    )
    return {"room": str(made.uid)}


@deed("measuring.room_defaults")
def room_defaults(body: Body, done: Done) -> Mapping[str, Any]:
    """``{"room", "defaults"}``."""
    made = services.change_room(room=_room(body, done), defaults=dict(body["defaults"]), by=done.by)
    return {"room": str(made.uid)}


@deed("measuring.opening")
def opening(body: Body, done: Done) -> Mapping[str, Any]:
    """An opening: ``{"appointment", "room", "room_name", "floor", "opening": uid, "facts"}``."""
    visit = _visit(body, done)
    place = services.add_room(  # the room may have been made by another device under another uid
        job=visit.appointment.job,
        name=str(body["room_name"]),
        floor=str(body.get("floor", "")),
        by=done.by,
        uid=_uid(body["room"]),
    )
    facts = dict(body.get("facts") or {})
    renamed = ""
    mark = str(facts.get("mark") or "")
    if mark and place.openings.exclude(state=Opening.State.DROPPED).filter(mark=mark).exists():
        renamed = services.openings.next_mark(place)
        facts["mark"] = renamed
    made = services.add_opening(room=place, by=done.by, facts=facts, visit=visit, uid=_uid(body["opening"]))
    return {"opening": str(made.uid), "mark": made.mark, "renamed": renamed}


@deed("measuring.copy")
def copy(body: Body, done: Done) -> Mapping[str, Any]:
    """A copy of an opening, without its readings: ``{"appointment", "opening", "copy": uid}``."""
    made = services.copy_opening(
        opening=_opening(body, done), by=done.by, visit=_visit(body, done), uid=_uid(body["copy"])
    )
    return {"opening": str(made.uid), "mark": made.mark}


@deed("measuring.order")
def order(body: Body, done: Done) -> Mapping[str, Any]:
    """Openings of a room as they are walked: ``{"room", "openings": [uid, ..]}``."""
    place = _room(body, done)
    keys = {str(one.uid): one.pk for one in place.openings.all()}
    wanted = [keys[str(uid)] for uid in body["openings"] if str(uid) in keys]
    services.reorder_openings(room=place, openings=wanted, by=done.by)
    return {}


@deed("measuring.reading")
def reading(body: Body, done: Done) -> Mapping[str, Any]:
    """``{"opening", "place", "turn", "typed", "with_case", "tape", "grade", "seen"}``."""
    now = _opening(body, done)
    seen = body.get("seen", ANY)
    made = services.record_reading(
        opening=now,
        place=str(body["place"]),
        typed=str(body["typed"]),
        turn=int(body.get("turn", 1)),
        with_case=bool(body.get("with_case")),
        tape=_tape(body, done),
        grade=str(body.get("grade", "final")),
        seen=ANY if seen is ANY else _uid(seen) if seen else None,
        visit=visit_at(now),
        by=done.by,
        taken_at=done.at,
        uid=done.deed_id,
    )
    return {"reading": str(made.uid), "ticks": made.value.ticks, "conflict": made.conflict_with_id is not None}


@deed("measuring.same")
def same(body: Body, done: Done) -> Mapping[str, Any]:
    """Read again, the same: ``{"reading"}``."""
    services.confirm_reading(reading=_reading(body, done), by=done.by, at=done.at)
    return {}


@deed("measuring.keep")
def keep(body: Body, done: Done) -> Mapping[str, Any]:
    """Of several readings this one stands: ``{"reading"}``."""
    services.keep_reading(reading=_reading(body, done), by=done.by)
    return {}


@deed("measuring.back")
def back(body: Body, done: Done) -> Mapping[str, Any]:
    """A reading taken back: ``{"reading"}``."""
    services.withdraw_reading(reading=_reading(body, done), by=done.by)
    return {}


def _reading(body: Body, done: Done) -> Any:
    if not done.by.has_role(*access.MEASURES):
        raise PermissionDenied
    return access.reading_for(done.by, _uid(body["reading"]))


@deed("measuring.facts")
def facts(body: Body, done: Done) -> Mapping[str, Any]:
    """``{"opening", "facts", "seen"}``; a fact somebody else set meanwhile is kept beside."""
    now = _opening(body, done)
    before = now.fact_conflicts.count()
    services.change_opening(opening=now, by=done.by, facts=dict(body["facts"]), seen=body.get("seen"))
    return {"conflict": now.fact_conflicts.count() > before}


@deed("measuring.settle")
def settle(body: Body, done: Done) -> Mapping[str, Any]:
    """Which of two answers stands: ``{"conflict": key, "offered": true|false}``."""
    conflict = access.conflict_for(done.by, int(body["conflict"]))
    services.settle_fact(conflict=conflict, take_offered=bool(body.get("offered")), by=done.by)
    return {}


@deed("measuring.obstruction")
def obstruction(body: Body, done: Done) -> Mapping[str, Any]:
    """``{"opening", "kind", "projection", "at", "side", "from_top"}``."""
    made = services.add_obstruction(
        opening=_opening(body, done),
        kind=str(body["kind"]),
        projection=str(body["projection"]),
        at=str(body.get("at", "path")),
        side=str(body.get("side", "")),
        from_top=str(body.get("from_top") or ""),
        by=done.by,
        uid=done.deed_id,
    )
    return {"obstruction": str(made.uid)}


@deed("measuring.clear")
def clear(body: Body, done: Done) -> Mapping[str, Any]:
    """It is not in the way: ``{"obstruction"}``."""
    if not done.by.has_role(*access.MEASURES):
        raise PermissionDenied
    services.remove_obstruction(
        obstruction=access.obstruction_for(done.by, _uid(body["obstruction"])), by=done.by
    )
    return {}


@deed("measuring.photo")
def photo(body: Body, done: Done) -> Mapping[str, Any]:
    """``{"opening", "data": base64, "caption"}``."""
    try:
        data = base64.b64decode(str(body["data"]), validate=True)
    except binascii.Error:
        raise Refused("the photo did not come through whole", field="photo") from None
    made = services.add_photo(
        opening=_opening(body, done),
        data=data,
        caption=str(body.get("caption", "")),
        by=done.by,
        taken_at=done.at,
        uid=done.deed_id,
    )
    return {"photo": str(made.uid)}


@deed("measuring.options")
def options(body: Body, done: Done) -> Mapping[str, Any]:
    """For every unit of the opening that is not released: ``{"opening", "options"}``."""
    services.set_options_of_opening(opening=_opening(body, done), options=dict(body["options"]), by=done.by)
    return {}


@deed("measuring.state")
def state(body: Body, done: Done) -> Mapping[str, Any]:
    """``{"opening", "to": cannot|not_reached|drop|again, "reason"}``."""
    now, to, reason = _opening(body, done), str(body["to"]), str(body.get("reason", ""))
    if to == "cannot":
        services.mark_cannot(opening=now, reason=reason, by=done.by)
    elif to == "not_reached":
        services.mark_not_reached(opening=now, reason=reason, by=done.by)
    elif to == "drop":
        services.drop_opening(opening=now, reason=reason, by=done.by)
    elif to == "again":
        services.take_up_again(opening=now, by=done.by)
    else:
        raise Refused(f"{to[:20]} is not known", field="to")
    return {}


@deed("measuring.close")
def close(body: Body, done: Done) -> Mapping[str, Any]:
    """The close-out: ``{"appointment", "in_part", "note"}``; done twice it is done."""
    visit = _visit(body, done)
    if not visit.is_closed():
        visit = services.close_visit(
            visit=visit,
            by=done.by,
            in_part=bool(body.get("in_part")),
            note_text=str(body.get("note", "")),
            at=done.at,
        )
    return {"outcome": visit.outcome}
