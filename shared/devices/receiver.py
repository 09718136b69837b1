"""
Entries made without signal: a phone sends them later, in order, each exactly once.

A room registers its kinds (`shared.devices.kinds`). The phone gives every entry an id of its own
and a place in its order. What it got as reply is kept: a repeat gets the same reply, the same id
with another body is refused, and an entry that comes before its turn is sent back. An entry the
service refuses keeps its place and its reply, so that it never holds up the ones behind it; the
phone shows it to the person. One that a fault of ours keeps from being taken is parked
(`shared.devices.entries`): 202 until it is settled.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import secrets
import uuid
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from django.db import transaction
from django.db.models import Max
from django.utils import timezone
from django.utils.dateparse import parse_datetime

from shared import audit
from shared.devices import entries
from shared.devices.kinds import Done, entry, kinds
from shared.devices.models import DeviceEntry, FieldDevice
from shared.errors import Refused
from shared.models import User

__all__ = ["Done", "entry", "kinds"]

MOST_AT_ONCE: Final = 200
LARGEST_BODY: Final = 8 * 1024 * 1024


# -- devices ---------------------------------------------------------------------------


def _hash(token: str) -> str:
    return hashlib.sha256(token.encode()).hexdigest()


@transaction.atomic
def register_device(*, user: User, name: str = "") -> tuple[FieldDevice, str]:
    """A device of this person and its token, which is told once and kept as a hash."""
    token = secrets.token_urlsafe(32)
    made = FieldDevice.objects.create(user=user, name=name.strip()[:80], token_hash=_hash(token))
    audit.record(by=user, action="registered a device", subject=made)
    return made, token


@transaction.atomic
def revoke_device(*, device: FieldDevice, by: User) -> FieldDevice:
    """Nothing it sends from now on is taken; what it sent stays."""
    if device.revoked_at is None:
        device.revoked_at = timezone.now()
        device.save(update_fields=["revoked_at"])
        audit.record(by=by, action="revoked a device", subject=device)
    return device


def device_of(token: str) -> FieldDevice | None:
    """The device of a token, unless it was revoked or its person's account is closed."""
    found = FieldDevice.objects.select_related("user__branch").filter(token_hash=_hash(token)).first()
    if found is None or found.revoked_at is not None or not found.user.is_active:
        return None
    return found


# -- taking entries in ---------------------------------------------------------------------


def receive(*, device: FieldDevice, sent: Sequence[object]) -> list[dict[str, object]]:
    """
    Take entries in, in their order; one reply each: ``{"id", "status", "reply"}``.

    Stops at the first entry that comes out of turn (409 with ``expected``): what lies behind
    it waits for the phone to send what is missing.
    """
    FieldDevice.objects.filter(pk=device.pk).update(last_seen_at=timezone.now())
    entries.retry(device=device, hurry=bool(sent), most=entries.FAILURES_WITH_A_PARCEL)
    replies: list[dict[str, object]] = []
    for one in sent[:MOST_AT_ONCE]:
        reply = take_in(device=device, sent=one)
        replies.append(reply)
        if reply["status"] == 409 and "expected" in reply["reply"]:
            break
    return replies


def answers(*, device: FieldDevice, ids: Sequence[uuid.UUID]) -> list[dict[str, Any]]:
    """The replies, as they are by now, of entries this device's person sent before."""
    rows = DeviceEntry.objects.filter(device__user=device.user_id, entry_id__in=ids[:MOST_AT_ONCE])
    found = {row.entry_id: _reply(str(row.entry_id), row.reply_status, row.reply) for row in rows}
    return list(found.values())


@dataclass(frozen=True, slots=True)
class _Sent:
    entry_id: uuid.UUID
    position: int
    kind: str
    body: Mapping[str, Any]
    done_at: dt.datetime
    body_hash: str


def _read(sent: object) -> _Sent:
    if not isinstance(sent, Mapping):
        raise Refused("an entry is an object", field="entries")
    try:
        entry_id = uuid.UUID(str(sent.get("id")))
    except ValueError:
        raise Refused("an entry has an id of its own, a UUID", field="id") from None
    position = sent.get("place")  # the key that phones keep it under
    if isinstance(position, bool) or not isinstance(position, int) or not 1 <= position < 2**31:
        raise Refused("an entry has a place in its device's order", field="place", bound="1 and up")
    body = sent.get("body")
    if not isinstance(body, Mapping):
        raise Refused("an entry has a body, an object", field="body")
    done_at = parse_datetime(str(sent.get("done_at") or ""))
    if done_at is None or done_at.tzinfo is None:
        raise Refused("an entry says when it was done, with its zone", field="done_at")
    text = json.dumps([sent.get("kind"), body], sort_keys=True, separators=(",", ":"))
    if len(text) > LARGEST_BODY:
        raise Refused("the entry is too large", field="body", bound=f"at most {LARGEST_BODY // 1048576} MB")
    return _Sent(
        entry_id, position, str(sent.get("kind"))[:40], body, done_at, hashlib.sha256(text.encode()).hexdigest()
    )


def take_in(*, device: FieldDevice, sent: object) -> dict[str, Any]:
    """One entry: done now, or the reply it got when it was."""
    try:
        one = _read(sent)
    except (Refused, ValueError) as error:
        found = sent.get("id") if isinstance(sent, Mapping) else None
        return _reply(str(found), 400, _problem(error))
    with transaction.atomic():
        FieldDevice.objects.select_for_update().only("pk").get(pk=device.pk)
        earlier = list(DeviceEntry.objects.filter(device__user=device.user_id, entry_id=one.entry_id))
        own = next((row for row in earlier if row.device_id == device.pk), None)
        if own is not None:
            return _reply(str(one.entry_id), *_answered(own, one))
        last = DeviceEntry.objects.filter(device=device).aggregate(last=Max("position"))["last"] or 0
        if one.position != last + 1:
            problem = {"problem": f"entry {last + 1} of this device comes first", "expected": last + 1}
            return _reply(str(one.entry_id), 409, problem)
        row = DeviceEntry(
            device=device,
            entry_id=one.entry_id,
            position=one.position,
            kind=one.kind,
            body_hash=one.body_hash,
            done_at=one.done_at,
        )
        if earlier:  # sent under a token that the phone had before and lost: done once all the same
            row.reply_status, row.reply = _answered(earlier[0], one)
            row.save()
        else:
            entries.take(row, one.body)
        return _reply(str(one.entry_id), row.reply_status, row.reply)


def _answered(earlier: DeviceEntry, one: _Sent) -> tuple[int, dict[str, object]]:
    """The reply this entry got when it came before."""
    if earlier.body_hash != one.body_hash:
        return 422, {"problem": "another entry came under this id already", "field": "id"}
    return earlier.reply_status, earlier.reply


def _problem(error: Exception) -> dict[str, object]:
    if isinstance(error, Refused):
        return {"problem": error.problem, "field": error.field, "bound": error.bound}
    return {"problem": "the entry can't be read"}


def _reply(entry_id: str, status: int, reply: Mapping[str, object]) -> dict[str, object]:
    return {"id": entry_id, "status": status, "reply": dict(reply)}
