"""Templates of openings that are no plain shape: made, sent, returned, kept, each with its number."""

from __future__ import annotations

import datetime as dt
import uuid as uuids
from typing import Final

from django.db import transaction
from django.db.models import Max
from django.utils import timezone

from measuring.models import Opening, Shape, ShapeTemplate
from measuring.services.base import lock_opening, note, touch
from measuring.services.sizes import size_locked
from shared import audit
from shared.errors import Refused
from shared.models import User

State = ShapeTemplate.State
FROM: Final = {
    State.SENT: (State.MADE, State.RETURNED, State.KEPT),
    State.RETURNED: (State.SENT,),
    State.KEPT: (State.MADE, State.RETURNED),
    State.DISCARDED: (State.MADE, State.SENT, State.RETURNED, State.KEPT),
}
"""From where a template gets to each state."""
BLANK: Final[dict[State, dict[str, object]]] = {
    State.SENT: {"sent_to": "", "sent_at": None},
    State.RETURNED: {"returned_at": None},
    State.KEPT: {"kept_where": "", "kept_at": None},
    State.DISCARDED: {"reason": ""},
}
"""What is blank again once a state is taken back."""


@transaction.atomic
def make_template(
    *,
    opening: Opening,
    by: User,
    size_is: str = ShapeTemplate.SizeIs.OPENING,
    is_marked: bool = False,
    position: int | None = None,
    at: dt.datetime | None = None,
    uid: uuids.UUID | None = None,
) -> ShapeTemplate:
    """
    Its outline is traced, and TOP, ROOM SIDE and its number are written on it.

    Parameters
    ----------
    is_marked
        TOP and ROOM SIDE stand on it: without them it can be cut as its mirror image.
    position
        As a phone numbered it; the next of the job where that is taken.

    Raises
    ------
    Refused
        Of a rectangle (field ``opening``), or while it is not marked (field ``is_marked``).
    """
    opening = lock_opening(opening)
    if uid is not None and (known := ShapeTemplate.objects.filter(uid=uid, opening=opening).first()):
        return known
    if opening.shape == Shape.RECTANGLE:
        raise Refused("a rectangle needs no template; say its shape first", field="opening")
    if not is_marked:
        raise Refused("write TOP and ROOM SIDE on it, then tick it", field="is_marked")
    if size_is not in ShapeTemplate.SizeIs.values:
        raise Refused(f"{size_is[:20]} is not known", field="size_is", bound="opening, finished")
    rows = ShapeTemplate.objects.filter(job=opening.job_id)
    if not position or not 1 <= position <= 9_999 or rows.filter(position=position).exists():
        position = (rows.aggregate(last=Max("position"))["last"] or 0) + 1
    made = ShapeTemplate(
        job=opening.job, opening=opening, position=position, size_is=size_is, made_by=by, made_at=at or timezone.now()
    )
    if uid is not None:
        made.uid = uid
    made.save()
    note(by, "made a template", made, opening, {"number": [None, made.number], "size_is": [None, size_is]})
    touch(opening)
    size_locked(opening, by)
    return made


def send_template(*, template: ShapeTemplate, by: User, to: str, at: dt.datetime | None = None) -> ShapeTemplate:
    """It left for whoever makes the covering."""
    if not to.strip():
        raise Refused("say to whom it is sent", field="to")
    return _move(template, State.SENT, by, sent_to=to.strip()[:80], sent_at=at or timezone.now())


def note_returned(*, template: ShapeTemplate, by: User, at: dt.datetime | None = None) -> ShapeTemplate:
    """It came back."""
    return _move(template, State.RETURNED, by, returned_at=at or timezone.now())


def keep_template(
    *, template: ShapeTemplate, by: User, where: str = "", at: dt.datetime | None = None
) -> ShapeTemplate:
    """It lies with the firm, for a remake."""
    return _move(template, State.KEPT, by, kept_where=where.strip()[:80], kept_at=at or timezone.now())


def discard_template(*, template: ShapeTemplate, by: User, reason: str) -> ShapeTemplate:
    """It is torn, lost or wrong: the opening needs another."""
    if not reason.strip():
        raise Refused("say why, in a few words", field="reason")
    return _move(template, State.DISCARDED, by, reason=reason.strip()[:240])


def note_where(*, template: ShapeTemplate, to: str, by: User, said: str = "") -> ShapeTemplate:
    """
    Where it is now, by the name of the state, or ``before`` to take the last back.

    `said` is to whom it is sent, where it is kept, or why it is discarded.
    """
    if to == State.SENT:
        return send_template(template=template, to=said, by=by)
    if to == State.RETURNED:
        return note_returned(template=template, by=by)
    if to == State.KEPT:
        return keep_template(template=template, where=said, by=by)
    if to == State.DISCARDED:
        return discard_template(template=template, reason=said, by=by)
    return take_back(template=template, by=by)


@transaction.atomic
def take_back(*, template: ShapeTemplate, by: User) -> ShapeTemplate:
    """The last that was said of it is not so: it is where it was before."""
    row, opening = _locked(template)
    if row.state == State.MADE:
        raise Refused("it is made; discard it, and say why", field="state")
    for name, value in BLANK[State(row.state)].items():
        setattr(row, name, value)
    stamps = {State.SENT: row.sent_at, State.RETURNED: row.returned_at, State.KEPT: row.kept_at}
    row.state = max((at, state) for state, at in {State.MADE: row.made_at, **stamps}.items() if at is not None)[1]
    changes = audit.changed(row, ["state"])
    row.save()
    note(by, "took it back", row, opening, changes)
    _changed(opening, by)
    return row


@transaction.atomic
def _move(template: ShapeTemplate, to: str, by: User, **values: object) -> ShapeTemplate:
    row, opening = _locked(template)
    if row.state == to:
        return row
    if row.state not in FROM[State(to)]:
        raise Refused(f"{row.number} is {row.where}", field="state", bound=f"not to be {State(to).label} from there")
    for name, value in values.items():
        setattr(row, name, value)
    row.state = to
    fields = ["state", *values]
    changes = audit.changed(row, fields)
    row.save(update_fields=fields)
    note(by, f"template {row.number} {State(to).label}", row, opening, changes, row.reason)
    _changed(opening, by)
    return row


def _locked(template: ShapeTemplate) -> tuple[ShapeTemplate, Opening]:
    opening = lock_opening(template.opening)
    row = ShapeTemplate.objects.select_for_update(of=("self",)).select_related("job").get(pk=template.pk)
    return row, opening


def _changed(opening: Opening, by: User) -> None:
    touch(opening)
    size_locked(opening, by)
