"""Readings, what is in the way, photos: what somebody found at the opening."""

from __future__ import annotations

import datetime as dt
import uuid as uuids
from typing import Any, Final

from django.db import transaction
from django.utils import timezone

from measuring.adapters.facts import read_entry
from measuring.models import MeasureVisit, Obstruction, Opening, Photo, Reading, Spot, Tape
from measuring.rules.families import TABLE
from measuring.services.base import lock_opening, note, restage, touch
from measuring.services.sizes import size_locked
from shared.errors import Refused
from shared.lengths import READING_GRID, ZERO, Length
from shared.models import User
from shared.pictures import keep_picture

ANY: Final[Any] = object()
"""For `seen`: whoever sends it looked at what stands."""

MAY_BE_ZERO: Final = frozenset(TABLE["may_be_zero"])


@transaction.atomic
def record_reading(
    *,
    opening: Opening,
    spot: str,
    typed: str,
    by: User,
    visit: MeasureVisit | None = None,
    tape: Tape | None = None,
    with_case: bool = False,
    turn: int = 1,
    grade: str = Reading.Grade.FINAL,
    seen: uuids.UUID | None = ANY,
    taken_at: dt.datetime | None = None,
    uid: uuids.UUID | None = None,
) -> Reading:
    """
    One length read off a tape at one spot.

    The value goes down to the mark a tape is read to (1/8 in or 1 mm). Measured with the
    tape's case standing in the opening, the case's own length is added and both are kept.
    The reading before it is superseded, not changed.

    Parameters
    ----------
    typed
        As the person wrote it, in the branch's unit unless it names another.
    turn
        2 when the same spot is read a second time.
    seen
        The reading the sender saw standing at this spot (None: no reading). When another
        stands by now and says something else, both are kept side by side for somebody to
        settle, and the one that stood goes on counting.

    Raises
    ------
    Refused
        Not a length, below the least or above the most, no case length known; the field is
        the spot.

    References
    ----------
    .. [1] Down to 1/8 in: common practice, no published source.
    """
    opening = lock_opening(opening)
    _refuse_unknown(opening, spot, turn, grade)
    value, case = _value(opening, spot, typed, tape, with_case)
    standing = _standing(opening, spot, turn)
    made = Reading(
        opening=opening,
        visit=visit,
        spot=spot,
        turn=turn,
        typed=typed.strip()[:40],
        case_added=case,
        value=value,
        grade=grade,
        tape=tape,
        taken_by=by,
        taken_at=taken_at or timezone.now(),
    )
    if uid is not None:
        made.uid = uid
    before = None if standing is None else standing.value
    if standing is not None and seen is not ANY and seen != standing.uid and standing.value != value:
        made.conflict_with = standing
        made.save()
        note(by, "kept two readings side by side", made, opening, {spot: [before, value]})
    else:
        if standing is not None:
            Reading.objects.filter(pk=standing.pk).update(superseded_at=timezone.now())
        made.save()
        note(by, "recorded a reading", made, opening, {_label(spot, turn): [before, value]})
    _after_reading(opening, by)
    return made


def _refuse_unknown(opening: Opening, spot: str, turn: int, grade: str) -> None:
    if spot not in Spot.values:
        raise Refused(f"{spot[:30]} is no place of an opening", field="spot", bound=", ".join(Spot.values))
    if turn not in (1, 2):
        raise Refused("a place is read once or twice", field="turn", bound="1 or 2")
    if grade not in Reading.Grade.values:
        raise Refused(f"{grade[:20]} is no grade", field="grade", bound="rough, final")
    if opening.state in (Opening.State.CANNOT, Opening.State.DROPPED):
        raise Refused(f"{opening} is {opening.get_state_display()}; take it up again first", field=spot)


def _value(opening: Opening, spot: str, typed: str, tape: Tape | None, with_case: bool) -> tuple[Length, Length | None]:
    unit = opening.job.branch.unit
    grid = READING_GRID[unit]
    least = ZERO if spot in MAY_BE_ZERO or with_case else None
    read = read_entry(typed, unit, spot, least=least)
    if not with_case:
        return read.down(grid), None
    if tape is None or not tape.case_length:
        raise Refused("choose the tape first: its case length is not known", field=spot)
    value = (read + tape.case_length).down(grid)
    return value, tape.case_length


def _standing(opening: Opening, spot: str, turn: int) -> Reading | None:
    return Reading.objects.filter(opening=opening, spot=spot, turn=turn, superseded_at=None, conflict_with=None).first()


def _label(spot: str, turn: int) -> str:
    return Spot(spot).label + (", second time" if turn == 2 else "")


def _after_reading(opening: Opening, by: User) -> None:
    touch(opening)
    is_begun_now = opening.state in (Opening.State.TO_MEASURE, Opening.State.NOT_REACHED)
    if is_begun_now:
        opening.state, opening.reason = Opening.State.UNDER_WAY, ""
        opening.save(update_fields=["state", "reason"])
    size_locked(opening, by)
    if is_begun_now:
        restage(opening.job_id, by)


@transaction.atomic
def confirm_reading(*, reading: Reading, by: User, at: dt.datetime | None = None) -> Reading:
    """Read again after a doubt, and it is the same."""
    opening = lock_opening(reading.opening)
    reading = Reading.objects.get(pk=reading.pk)
    if not reading.is_current():
        raise Refused("this reading was superseded; look at the one that stands", field=reading.spot)
    reading.confirmed_at = at or timezone.now()
    reading.save(update_fields=["confirmed_at"])
    note(by, "read it again, the same", reading, opening)
    touch(opening)
    size_locked(opening, by)
    return reading


@transaction.atomic
def withdraw_reading(*, reading: Reading, by: User) -> Reading:
    """
    Take a reading back that was taken at the wrong spot; it stays readable.

    Where one other reading of the spot is left, it counts: there is nothing to settle any more.
    """
    opening = lock_opening(reading.opening)
    reading = Reading.objects.get(pk=reading.pk)
    if reading.superseded_at is None:
        reading.superseded_at = timezone.now()
        reading.save(update_fields=["superseded_at"])
        _let_the_last_one_count(opening, reading)
        note(by, "took a reading back", reading, opening, {reading.spot: [reading.value, None]})
        touch(opening)
        size_locked(opening, by)
    return reading


def _let_the_last_one_count(opening: Opening, gone: Reading) -> None:
    left = list(Reading.objects.filter(opening=opening, spot=gone.spot, turn=gone.turn, superseded_at=None)[:2])
    if len(left) == 1 and left[0].conflict_with_id is not None:
        left[0].conflict_with = None
        left[0].save(update_fields=["conflict_with"])


@transaction.atomic
def keep_reading(*, reading: Reading, by: User) -> Reading:
    """Which of several readings of one spot stands; the others are superseded and stay readable."""
    opening = lock_opening(reading.opening)
    reading = Reading.objects.get(pk=reading.pk)
    if reading.superseded_at is not None:
        raise Refused("this reading was superseded already", field=reading.spot)
    rivals = Reading.objects.filter(opening=opening, spot=reading.spot, turn=reading.turn, superseded_at=None).exclude(
        pk=reading.pk
    )
    beaten = [str(rival.value) for rival in rivals]
    if not beaten:
        raise Refused("there is no other reading of this place", field=reading.spot)
    rivals.update(superseded_at=timezone.now(), conflict_with=None)
    reading.conflict_with = None
    reading.save(update_fields=["conflict_with"])
    note(by, "settled two readings", reading, opening, {reading.spot: [", ".join(beaten), reading.value]})
    touch(opening)
    size_locked(opening, by)
    return reading


# -- what is in the way ------------------------------------------------------------


@transaction.atomic
def add_obstruction(
    *,
    opening: Opening,
    kind: str,
    projection: str,
    by: User,
    at: str = "path",
    side: str = "",
    from_top: str = "",
    note_text: str = "",
    uid: uuids.UUID | None = None,
) -> Obstruction:
    """
    Something the covering must clear; how far it stands out goes up to the mark.

    `at` is ``head`` where it eats the depth to mount in, ``path`` where slats, vanes or cloth hang.
    """
    opening = lock_opening(opening)
    unit = opening.job.branch.unit
    kind = kind.strip()
    if not kind:
        raise Refused("say what it is: crank, handle, trim …", field="kind")
    if len(kind) > 30:
        raise Refused(f"{len(kind)} characters", field="kind", bound="at most 30")
    if at not in ("head", "path"):
        raise Refused(f"{at[:20]} is not known", field="at", bound="head, path")
    if side not in ("", "left", "right", "top", "bottom"):
        raise Refused(f"{side[:20]} is no side", field="side", bound="left, right, top, bottom")
    made = Obstruction(
        opening=opening,
        kind=kind,
        projection=read_entry(projection, unit, "projection").up(READING_GRID[unit]),
        from_top=read_entry(from_top, unit, "from_top").down(READING_GRID[unit]) if from_top else None,
        at=at,
        side=side,
        note=note_text.strip()[:120],
    )
    if uid is not None:
        made.uid = uid
    made.save()
    note(by, "recorded something in the way", made, opening, {made.kind: [None, made.projection]})
    touch(opening)
    size_locked(opening, by)
    return made


@transaction.atomic
def remove_obstruction(*, obstruction: Obstruction, by: User) -> Obstruction:
    """It is not there, or not any more."""
    opening = lock_opening(obstruction.opening)
    if obstruction.removed_at is None:
        obstruction.removed_at = timezone.now()
        obstruction.save(update_fields=["removed_at"])
        note(by, "took something out of the way", obstruction, opening)
        touch(opening)
        size_locked(opening, by)
    return obstruction


# -- photos ------------------------------------------------------------------------


@transaction.atomic
def add_photo(
    *,
    opening: Opening,
    data: bytes,
    by: User,
    caption: str = "",
    taken_at: dt.datetime | None = None,
    uid: uuids.UUID | None = None,
) -> Photo:
    """A photo of the opening, re-encoded, its location and everything else it carried left behind."""
    name = keep_picture("photos", data)
    opening = lock_opening(opening)
    made = Photo(opening=opening, caption=caption.strip()[:160], taken_by=by)
    if taken_at is not None:
        made.taken_at = taken_at
    if uid is not None:
        made.uid = uid
    made.file = name
    made.save()
    note(by, "took a photo", made, opening)
    touch(opening)
    return made


@transaction.atomic
def show_photo(*, photo: Photo, is_shown: bool, by: User) -> Photo:
    """Whether the customer sees it on their page."""
    opening = lock_opening(photo.opening)
    if photo.for_customer != is_shown:
        photo.for_customer = is_shown
        photo.save(update_fields=["for_customer"])
        note(by, "showed the customer a photo" if is_shown else "hid a photo from the customer", photo, opening)
    return photo


@transaction.atomic
def remove_photo(*, photo: Photo, by: User) -> Photo:
    """Not shown any more."""
    opening = lock_opening(photo.opening)
    if photo.removed_at is None:
        photo.removed_at = timezone.now()
        photo.save(update_fields=["removed_at"])
        note(by, "took a photo away", photo, opening)
        touch(opening)
    return photo
