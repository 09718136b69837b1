"""
Entries of phones: taken, refused, or parked when a fault of ours kept one from being taken.

A refusal is an answer. Whatever else a service raises is our fault and not the phone's: it is
logged, and the entry is parked. Its place in the order is used up, its body kept, and it is run
again by itself, ever less often; later entries on the same subjects wait behind it, others go on.
Only what the database could not do just now (`shared.errors.AWAY`) is for the phone to send again.

What an entry writes and its reply are one transaction, so a process may die at any line and the
entry is still done once; of two workers the second passes over a row the first has locked.
"""

from __future__ import annotations

import datetime as dt
import logging
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from django.core.exceptions import PermissionDenied
from django.db import transaction
from django.db.models import QuerySet
from django.http import Http404
from django.utils import timezone

from shared import audit
from shared.contracts import ContractError
from shared.devices.kinds import B, Done, Kind, Touches, kind_of
from shared.devices.models import DeviceEntry, FieldDevice, ParkedEntry
from shared.errors import AWAY, Refused
from shared.models import User

log = logging.getLogger("jambwise.entries")


FIRST_WAIT: Final = dt.timedelta(seconds=15)
LONGEST_WAIT: Final = dt.timedelta(minutes=10)
NOTIFIED_AFTER: Final = dt.timedelta(hours=1)
"""The office is notified of what is not taken for so long."""
TOO_OLD: Final = dt.timedelta(days=14)
"""What a phone brings later than this after it was made is not taken before the office says so."""
MOST_FAILURES: Final = 200
"""A sweep that met so many leaves the rest to the next one."""
FAILURES_WITH_A_PARCEL: Final = 10
"""The same while a phone waits for its answer."""
REASON_LENGTH: Final = 240


# -- taking one ----------------------------------------------------------------------


def take(row: DeviceEntry, body: Mapping[str, object]) -> DeviceEntry:
    """
    Do an entry, or park it; its row is saved with its reply.

    Call it in the transaction that holds the device's row. Raises one of `AWAY` with nothing written.
    """
    kind = kind_of(row.kind)
    if kind is None:
        return _reply(row, 400, {"problem": f"nobody does {row.kind} here", "field": "kind"})
    try:
        read = kind.read(body)
    except ContractError as error:
        return _reply(row, 400, {"problem": error.problem, "field": error.field, "bound": error.bound})
    if row.received_at - row.done_at > TOO_OLD:
        return _park(row, body, _touches(kind, read, row), needs_yes=True)
    held = _held(ParkedEntry.objects.unsettled())
    if held and not held.isdisjoint((touches := _touches(kind, read, row)).waits):
        return _park(row, body, touches)
    try:
        status, reply = _answer(kind, read, row)
    except AWAY:
        raise
    except Exception as error:
        log.exception("entry %s (%s) failed and is parked", row.entry_id, row.kind)
        return _park(row, body, _touches(kind, read, row), error)
    return _reply(row, status, reply)


def _reply(row: DeviceEntry, status: int, reply: Mapping[str, object]) -> DeviceEntry:
    row.reply_status, row.reply = status, dict(reply)
    row.save()
    return row


def _answer(kind: Kind[B], body: B, row: DeviceEntry) -> tuple[int, dict[str, object]]:
    """Do it in a savepoint: what is refused leaves nothing but its answer. Raises what is neither."""
    done = Done(by=row.device.user, at=min(row.done_at, row.received_at), entry_id=row.entry_id)
    try:
        with transaction.atomic(), audit.done_at(done.at):
            return 200, dict(kind.function(body, done))
    except Refused as refusal:
        return 409, {"problem": refusal.problem, "field": refusal.field, "bound": refusal.bound}
    except Http404:
        return 404, {"problem": "it is not there, or not yours any more"}
    except PermissionDenied:
        return 403, {"problem": "your role does not do this"}


def _touches(kind: Kind[B], body: B, row: DeviceEntry) -> Touches:
    """What it is about; everything of its device, where a fault of ours keeps us from knowing."""
    own = f"device:{row.device_id}"
    try:
        with transaction.atomic():
            found = kind.touches(body, row.entry_id)
    except AWAY:
        raise
    except Exception:
        log.exception("what entry %s (%s) is about can't be told", row.entry_id, row.kind)
        return Touches(frozenset({own}), frozenset({own}))
    return Touches(found.waits | {own}, found.holds, found.job, found.where)


def _held(rows: QuerySet[ParkedEntry]) -> set[str]:
    return {subject for holds in rows.values_list("holds", flat=True) for subject in holds}


def holder_of(subject: str) -> ParkedEntry | None:
    """The last parked entry that holds a subject: what it makes is not in its own table yet."""
    rows = ParkedEntry.objects.unsettled().defer("body").order_by("-pk")
    return next((row for row in rows if subject in row.holds), None)


# -- parking and running again -----------------------------------------------------------


def _park(
    row: DeviceEntry,
    body: Mapping[str, object],
    touches: Touches,
    error: Exception | None = None,
    *,
    needs_yes: bool = False,
) -> DeviceEntry:
    _reply(row, DeviceEntry.PARKED, {"problem": "kept at the office, not taken yet"})
    parked = ParkedEntry(
        entry=row,
        body=dict(body),
        waits=sorted(touches.waits),
        holds=sorted(touches.holds),
        job_id=touches.job,
        where=touches.where[:200],
        parked_at=row.received_at,
        needs_yes=needs_yes,
    )
    if error is not None:
        _note_failure(parked, error)
    parked.save()
    return row


def _note_failure(parked: ParkedEntry, error: Exception) -> None:
    now = timezone.now()
    parked.tries += 1
    wait = min(FIRST_WAIT * 2 ** min(parked.tries - 1, 10), LONGEST_WAIT)
    parked.failed = f"the program failed on it ({type(error).__name__}); the log has the details"
    parked.failed_at, parked.next_at = now, now + wait


def retry(*, device: FieldDevice | None = None, hurry: bool = False, most: int = MOST_FAILURES) -> int:
    """
    Run parked entries again that are due and wait for no earlier one; how many were settled.

    Parameters
    ----------
    device
        Only entries of this device's person.
    hurry
        Also those whose next time has not come.
    most
        Stop after so many failures.
    """
    now, held, failures, settled = timezone.now(), set[str](), 0, 0
    rows = ParkedEntry.objects.unsettled().select_related("entry__device").defer("body")
    for row in rows:
        is_asked = device is None or row.entry.device.user_id == device.user_id
        is_due = not row.needs_yes and (hurry or row.next_at is None or row.next_at <= now)
        if is_asked and is_due and failures < most and held.isdisjoint(row.waits):
            if run_again(row.pk):
                settled += 1
                continue
            failures += 1
        held.update(row.holds)
    return settled


def run_again(pk: int) -> bool:
    """Run one parked entry; whether it is settled now, by us or by somebody else."""
    try:
        with transaction.atomic():
            rows = ParkedEntry.objects.unsettled().select_for_update(of=("self",), skip_locked=True)
            parked = rows.select_related("entry__device__user__branch").filter(pk=pk, needs_yes=False).first()
            if parked is not None:
                return _run_locked(parked)
        return not ParkedEntry.objects.unsettled().filter(pk=pk).exists()
    except AWAY as error:
        log.warning("parked entry %s is left for later: %s", pk, error)
        return False


def _run_locked(parked: ParkedEntry) -> bool:
    earlier = ParkedEntry.objects.unsettled().filter(pk__lt=parked.pk)
    if not _held(earlier).isdisjoint(parked.waits):
        return False
    try:
        status, reply = _read_and_answer(parked)
    except AWAY:
        raise
    except Exception as error:
        log.exception("entry %s (%s) failed again", parked.entry.entry_id, parked.entry.kind)
        _note_failure(parked, error)
        parked.save(update_fields=["tries", "failed", "failed_at", "next_at"])
        return False
    _settle(parked, status, reply)
    return True


def _read_and_answer(parked: ParkedEntry) -> tuple[int, dict[str, object]]:
    kind = kind_of(parked.entry.kind)
    if kind is None:
        raise LookupError(f"nobody does {parked.entry.kind} here")
    return _answer(kind, kind.read(parked.body), parked.entry)


def _settle(parked: ParkedEntry, status: int, reply: Mapping[str, object]) -> None:
    """Its reply from now on, under every token its phone has had."""
    entries = DeviceEntry.objects.filter(
        device__user=parked.entry.device.user_id, entry_id=parked.entry.entry_id, reply_status=DeviceEntry.PARKED
    )
    entries.update(reply_status=status, reply=dict(reply))
    parked.settled_at = timezone.now()
    if status == 200:
        parked.body = {}  # what it wrote is where it belongs; what was not taken stays readable
    parked.save(update_fields=["settled_at", "body", "dropped_by", "dropped_why"])


# -- what the office does -------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Untaken:
    """A parked entry that waits for no other, and how many wait behind it."""

    row: ParkedEntry
    title: str
    behind: int


def untaken(user: User, now: dt.datetime | None = None) -> list[Untaken]:
    """What waits for the office's yes, or is not taken for an hour or more, as this person may see it; oldest first."""
    until = (now or timezone.now()) - NOTIFIED_AFTER
    rows = ParkedEntry.objects.visible_to(user).filter(settled_at=None).order_by("pk")
    fronts: dict[int, ParkedEntry] = {}
    behind: dict[int, int] = {}
    first_of: dict[str, int] = {}
    for row in rows.select_related("entry__device__user").defer("body"):
        before = [first_of[subject] for subject in row.waits if subject in first_of]
        front = min(before, default=row.pk)
        if before:
            behind[front] += 1
        else:
            fronts[front], behind[front] = row, 0
        for subject in row.holds:
            first_of.setdefault(subject, front)
    return [
        Untaken(row, _title(row), behind[pk]) for pk, row in fronts.items() if row.needs_yes or row.parked_at <= until
    ]


def _title(row: ParkedEntry) -> str:
    kind = kind_of(row.entry.kind)
    return kind.title if kind is not None else row.entry.kind


def try_again(*, parked: ParkedEntry, by: User) -> bool:
    """
    Run it now, and what waits behind it; whether it is settled.

    Of one that waits for the office's yes this is the yes: to all that the same person made too long ago on that job.
    """
    if parked.needs_yes:
        alike = ParkedEntry.objects.unsettled().filter(
            needs_yes=True, job_id=parked.job_id, entry__device__user=parked.entry.device.user_id
        )
        alike.update(needs_yes=False)
    audit.record(by=by, action="had an entry run again", subject=parked, job=parked.job_id, note=parked.where)
    if not run_again(parked.pk):
        return False
    retry()
    return True


@transaction.atomic
def drop(*, parked: ParkedEntry, by: User, reason: str) -> ParkedEntry:
    """
    Give an entry up: its phone shows it as refused, with the reason; what waits behind it goes on.

    Raises
    ------
    Refused
        Without a reason (field ``reason``), or when it was taken meanwhile.
    """
    reason = reason.strip()
    if not reason:
        raise Refused("say why, in a few words", field="reason")
    if len(reason) > REASON_LENGTH:
        raise Refused(f"{len(reason)} characters", field="reason", bound=f"at most {REASON_LENGTH}")
    waiting = ParkedEntry.objects.unsettled().select_for_update(of=("self",))
    row: ParkedEntry | None = waiting.filter(pk=parked.pk).first()
    if row is None:
        raise Refused("this entry is not waiting any more")
    row.dropped_by, row.dropped_why = by, reason
    _settle(row, 409, {"problem": f"the office dropped it: {reason}", "field": "", "bound": ""})
    audit.record(by=by, action="dropped an entry of a phone", subject=row, job=row.job_id, note=reason)
    transaction.on_commit(retry)
    return row
