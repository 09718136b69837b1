"""What comes back of a purchase: acknowledgement, deliveries in parts, inspection, claims."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Final

from django.db import transaction
from django.utils import timezone

from fabrication.models import Claim, Purchase, PurchaseLine, UnitMake
from fabrication.services.buying import DONE, ON_ITS_WAY, acknowledge_shipping
from fabrication.services.stock import STANDS_ALONE, receive_stock
from jobs.services.stages import lock_job, recompute_stage
from measuring.models import Mount, Unit
from measuring.rules.options import named
from measuring.services.releases import record_approval
from shared.audit import record
from shared.errors import Refused
from shared.lengths import Length
from shared.models import User

ACCEPTED: Final = "accepted"
REFUSED: Final = "refused"
OPTION: Final = "option_"
"""What the key of a difference of an option begins with."""
MOST_ROLLS: Final = 200
"""Rolls that are put on the rack one by one at once."""


# -- the acknowledgement ---------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Acknowledged:
    """How a supplier read a line; empty mount and basis: not said."""

    width: Length
    height: Length
    options: Mapping[str, str]
    mount: str = ""
    basis: str = ""


@dataclass(frozen=True, slots=True)
class Difference:
    """One thing that was acknowledged otherwise, and what was answered: accepted, refused, or nothing yet."""

    key: str
    text: str
    answer: str = ""
    why: str = ""

    @property
    def is_option(self) -> bool:
        """Whether it is something that the customer chose."""
        return self.key.startswith(OPTION)


@transaction.atomic
def acknowledge(*, line: PurchaseLine, said: Acknowledged, by: User) -> PurchaseLine:
    """The supplier's acknowledgement beside what was ordered; differences are named and stop the line."""
    line = locked_line(line)
    if line.make is None:
        raise Refused("only a unit is acknowledged by size and options", field="line")
    _demand(line, (PurchaseLine.State.ORDERED, PurchaseLine.State.DIFFERS, PurchaseLine.State.ACKNOWLEDGED))
    line.acknowledged = {
        "width": said.width.ticks, "height": said.height.ticks, "options": dict(said.options),
        "mount": said.mount, "basis": said.basis,
    }  # fmt: skip
    line.answers = {}
    found = differences_of(line)
    line.differences = [one.text for one in found]
    line.state = PurchaseLine.State.DIFFERS if found else PurchaseLine.State.ACKNOWLEDGED
    line.save(update_fields=["acknowledged", "differences", "answers", "state"])
    action = "found the acknowledgement to differ" if found else "checked the acknowledgement"
    unit = line.make.unit
    record(by=by, action=action, subject=unit, job=unit.opening.job_id, note="; ".join(line.differences))
    return line


def differences_of(line: PurchaseLine) -> list[Difference]:
    """What the acknowledgement says otherwise than the line, with what was answered to each."""
    said = line.acknowledged
    if not said or line.make is None:
        return []
    unit, show = line.make.unit, line.purchase.branch.unit
    pairs: list[tuple[str, str, str, str]] = [
        # key, word, ordered, acknowledged
        (name, name, ordered.text(show, symbol=True), Length(said[name]).text(show, symbol=True))
        for name, ordered in (
            ("width", line.width or line.make.finished_width),
            ("height", line.length or line.make.finished_height),
        )
        if ordered.ticks != said[name]
    ]
    if said.get("mount") and line.mount and said["mount"] != line.mount:
        pairs.append(("mount", "mount", line.get_mount_display(), str(Mount(said["mount"]).label)))
    if said.get("basis") and line.basis and said["basis"] != line.basis:
        pairs.append(("basis", "size is", line.basis, said["basis"]))
    pairs += [
        (f"{OPTION}{key}", named(key), str(ordered), said["options"][key] or "nothing")
        for key, ordered in unit.options.items()
        if key in said["options"] and said["options"][key] != ordered
    ]
    found = []
    for key, word, ordered, acknowledged in pairs:
        answer = line.answers.get(key, {})
        text = f"{word}: ordered {ordered}, acknowledged {acknowledged}"
        found.append(Difference(key, text, answer.get("answer", ""), answer.get("why", "")))
    return found


@transaction.atomic
def answer_difference(
    *, line: PurchaseLine, key: str, answer: str, by: User, why: str = "", approved_by: str = ""
) -> PurchaseLine:
    """
    One difference is accepted, and the unit will be as acknowledged; or refused, and the supplier is to correct it.

    Once all are answered the line goes on: refused ones wait for another acknowledgement.

    Parameters
    ----------
    approved_by
        Who said yes for the customer, kept as their next approval; needed where an option is accepted.

    Raises
    ------
    Refused
        No such difference, accepted without saying why, or an option without the customer's yes.
    """
    if line.make is not None:
        lock_job(line.make.unit.opening.job_id)
    line = locked_line(line)
    _demand(line, (PurchaseLine.State.DIFFERS,))
    difference = next((one for one in differences_of(line) if one.key == key), None)
    if difference is None:
        raise Refused("no such difference on this line", field="key")
    if answer not in {ACCEPTED, REFUSED}:
        raise Refused("accept it or refuse it", field="answer", bound=f"{ACCEPTED}, {REFUSED}")
    if answer == ACCEPTED and not why.strip():
        raise Refused("say why it may be so, and who agreed", field="why")
    if answer == ACCEPTED and key.startswith(OPTION) and not approved_by.strip():
        raise Refused("say who said yes for the customer, who approved it otherwise", field="approved_by")
    assert line.make is not None  # only units have differences
    unit = line.make.unit
    said = {"answer": answer, "why": why.strip()[:160], "by": by.pk, "approved_by": approved_by.strip()[:120]}
    line.answers = {**line.answers, key: said}
    record(
        by=by, action=f"{answer} a difference", subject=unit, job=unit.opening.job_id,
        note=f"{difference.text}; {why.strip()}".strip("; ")[:240],
    )  # fmt: skip
    open_ones = [one for one in differences_of(line) if not one.answer]
    if not open_ones:
        _settle(line, by)
    line.save()
    return line


def _settle(line: PurchaseLine, by: User) -> None:
    """All is answered: what was accepted is what comes; with one refused, the supplier must acknowledge again."""
    if any(one.answer == REFUSED for one in differences_of(line)):
        line.state = PurchaseLine.State.ORDERED
        return
    assert line.make is not None
    said, make = line.acknowledged, line.make
    line.width, line.length = Length(said["width"]), Length(said["height"])
    line.mount, line.basis = said.get("mount") or line.mount, said.get("basis") or line.basis
    UnitMake.objects.filter(pk=make.pk).update(finished_width=line.width, finished_height=line.length)
    unit, before = make.unit, make.unit.options
    unit.options = {**before, **{key: value for key, value in said["options"].items() if value}}
    unit.save(update_fields=["options"])
    if unit.options != before:
        agreed = dict.fromkeys(row["approved_by"] for key, row in line.answers.items() if key.startswith(OPTION))
        record_approval(
            job=unit.opening.job, rows=[unit], approved_by=", ".join(agreed), how="as the supplier makes it", by=by
        )
    line.state = PurchaseLine.State.ACKNOWLEDGED


# -- what comes in ---------------------------------------------------------------------


@transaction.atomic
def receive_line(
    *,
    line: PurchaseLine,
    by: User,
    packages: int = 1,
    pieces: int | None = None,
    shelf: str = "",
    lot: str = "",
    length: Length | None = None,
    width: Length | None = None,
    sure: bool = True,
) -> PurchaseLine:
    """
    A delivery, whole or in part: of a unit packages, which then waits for its inspection; of stock pieces, on the rack.

    Parameters
    ----------
    pieces
        Of stock: how many came; all that are still to come where nobody says.
    length, width
        What came, where it is not what was ordered; each roll stands by itself.
    sure
        False where nobody has said yet that more than was ordered is right.
    """
    line = locked_line(line)
    if line.state in {PurchaseLine.State.RECEIVED, PurchaseLine.State.INSPECTED}:
        return line
    if line.purchase.state != Purchase.State.ORDERED:
        raise Refused(f"{line.purchase} is {line.purchase.get_state_display()}")
    if line.state == PurchaseLine.State.DIFFERS:
        raise Refused(f"{line} was acknowledged otherwise: {'; '.join(line.differences)}")
    if line.state in {PurchaseLine.State.ASKED, PurchaseLine.State.CANCELLED}:
        raise Refused(f"{line}: {line.get_state_display()}; note first what the supplier answered")
    if packages < 1:
        raise Refused("say how many packages came", field="packages", bound="1 or more")
    line.packages_received += packages
    if line.make is None:
        note = _take_stock(line, pieces, length, width, lot=lot, shelf=shelf, by=by, sure=sure)
    else:
        note = f"{line.packages_received} of {line.packages_expected} packages"
        if line.packages_received >= line.packages_expected:
            line.state = PurchaseLine.State.RECEIVED
    if line.state not in ON_ITS_WAY:
        line.received_at = timezone.now()
    line.save(update_fields=["packages_received", "pieces_received", "state", "received_at"])
    record(by=by, action="received", subject=line, note=note)
    close_purchase(line.purchase)
    return line


def _take_stock(
    line: PurchaseLine,
    pieces: int | None,
    length: Length | None,
    width: Length | None,
    *,
    lot: str,
    shelf: str,
    by: User,
    sure: bool,
) -> str:
    """Puts what came on the rack; the line is done when no piece is left to come."""
    material, left = line.material, line.pieces_to_come
    assert material is not None  # a line is a unit or a material
    came = left if pieces is None else pieces
    if came < 1:
        raise Refused("say how many came", field="pieces", bound="1 or more")
    if came > left and not sure:
        raise Refused(f"{came} came, {left} of {line.quantity} were still to come: is that right?", field="sure")
    alone = material.kind in STANDS_ALONE
    if alone and came > MOST_ROLLS:
        raise Refused(f"{came} rolls at once", field="pieces", bound=f"{MOST_ROLLS} at most")
    for quantity in [1] * came if alone else [came]:
        receive_stock(
            material=material, quantity=quantity, length=length or line.length, width=width or line.width,
            lot=lot, shelf=shelf, price=line.price, note=line.purchase.number, by=by,
        )  # fmt: skip
    line.pieces_received += came
    if line.pieces_received >= line.quantity:
        line.state = PurchaseLine.State.INSPECTED
    return f"{came}, {line.pieces_received} of {line.quantity} so far"


@transaction.atomic
def inspect_line(
    *, line: PurchaseLine, is_good: bool, by: User, note: str = "", kind: str = Claim.Kind.DEFECT
) -> PurchaseLine:
    """A unit that came in is good and counts as made; or goes back, with a claim on its supplier."""
    if line.make is not None:
        lock_job(line.make.unit.opening.job_id)
    line = locked_line(line)
    if line.state != PurchaseLine.State.RECEIVED or line.make is None:
        raise Refused(f"{line} is {line.get_state_display()}; only a unit that is all here is inspected")
    if not is_good and not note.strip():
        raise Refused("say what is wrong with it", field="note")
    line.state = PurchaseLine.State.INSPECTED if is_good else PurchaseLine.State.REFUSED
    line.note = note[:240]
    line.save(update_fields=["state", "note"])
    make = line.make
    job = make.unit.opening.job_id
    if is_good:
        UnitMake.objects.filter(pk=make.pk).update(state=UnitMake.State.MADE)
        Unit.objects.filter(pk=make.unit_id).update(state=Unit.State.MADE, made_at=timezone.now())
    else:
        _open_claim(line, kind, note, 1, by)
    record(by=by, action="inspected" if is_good else "sent back", subject=make.unit, job=job, note=note)
    recompute_stage(job=job, by=by)
    close_purchase(line.purchase)
    return line


# -- claims ------------------------------------------------------------------------------


def tell_by(line: PurchaseLine) -> dt.date | None:
    """The last day to report freight damage of what came; None where it has not come or its supplier did not say."""
    days = line.purchase.supplier.claim_days
    if line.received_at is None or days is None:
        return None
    return line.received_at.astimezone(line.purchase.branch.tz).date() + dt.timedelta(days=days)


@transaction.atomic
def open_claim(*, line: PurchaseLine, kind: str, note: str, by: User, quantity: int = 1) -> Claim:
    """
    Something that came is damaged, wrong or missing.

    A unit is claimed from its inspection on, and goes back; of stock so many are claimed.
    """
    line = locked_line(line)
    if line.make is not None and line.state == PurchaseLine.State.RECEIVED:
        inspect_line(line=line, is_good=False, note=note, kind=kind, by=by)
        return Claim.objects.filter(line=line).latest("pk")
    if line.make is not None or not (line.pieces_received or kind == Claim.Kind.SHORT):
        raise Refused(f"{line} is {line.get_state_display()}: nothing of it can be claimed", field="line")
    most = line.quantity if kind == Claim.Kind.SHORT else line.pieces_received
    if not 1 <= quantity <= most:
        why = f"{most} were ordered" if kind == Claim.Kind.SHORT else f"{most} came"
        raise Refused(why, field="quantity", bound=f"1 to {most}")
    return _open_claim(line, kind, note, quantity, by)


def _open_claim(line: PurchaseLine, kind: str, note: str, quantity: int, by: User) -> Claim:
    if kind not in Claim.Kind.values:
        raise Refused("say what kind of claim", field="kind", bound=", ".join(Claim.Kind.values))
    if not note.strip():
        raise Refused("say what is wrong with it", field="note")
    what = str(line) if line.material is None else f"{quantity} × {line.material.name}"
    claim = Claim.objects.create(
        purchase=line.purchase, line=line, what=what[:120], kind=kind, quantity=quantity,
        note=note.strip()[:240], tell_by=tell_by(line), opened_by=by,
    )  # fmt: skip
    record(by=by, action="opened a claim", subject=line.purchase, note=f"{claim.what}: {claim.note}"[:240])
    return claim


@transaction.atomic
def report_claim(*, claim: Claim, by: User) -> Claim:
    """The supplier was told."""
    row = _open(claim)
    row.reported_at = timezone.now()
    row.save(update_fields=["reported_at"])
    record(by=by, action="reported a claim", subject=row.purchase, note=row.what)
    return row


@transaction.atomic
def remake_claim(*, claim: Claim, remake_number: str, by: User, ships_on: dt.date | None = None) -> Claim:
    """The supplier makes it again under a number of theirs: the line waits for it."""
    row = _open(claim)
    if not remake_number.strip():
        raise Refused("write the supplier's remake number", field="remake_number")
    line = locked_line(row.line) if row.line is not None else None
    if line is None:
        raise Refused("its line is on the purchase no more", field="claim")
    line.state = PurchaseLine.State.ACKNOWLEDGED if line.acknowledged else PurchaseLine.State.ORDERED
    line.packages_received, line.received_at = 0, None
    if row.kind != Claim.Kind.SHORT:
        line.pieces_received = max(0, line.pieces_received - row.quantity)
    line.note = f"remake {remake_number.strip()}"[:240]
    line.save(update_fields=["state", "packages_received", "pieces_received", "received_at", "note"])
    purchase = line.purchase
    purchase.state = Purchase.State.ORDERED
    purchase.save(update_fields=["state"])
    if ships_on is not None:
        acknowledge_shipping(purchase=purchase, ships_on=ships_on, by=by)
    row.remake_number = remake_number.strip()
    return _shut(row, Claim.Outcome.REMAKE, by, f"remake {row.remake_number}")


@transaction.atomic
def credit_claim(*, claim: Claim, credit: Decimal, by: User) -> Claim:
    """The supplier credits it instead; a unit may then be ordered again, there or elsewhere."""
    row = _open(claim)
    if credit < 0:
        raise Refused("a credit is 0 or more", field="credit", bound="0 or more")
    row.credit = credit
    line = locked_line(row.line) if row.line is not None else None
    if line is not None and line.make is not None:
        unit = line.make.unit
        lock_job(unit.opening.job_id)
        row.line = None
        row.save(update_fields=["line"])
        line.delete()
        Unit.objects.filter(pk=unit.pk).update(state=Unit.State.RELEASED)
        record(by=by, action="is to be ordered again", subject=unit, job=unit.opening.job_id, note=row.note)
        recompute_stage(job=unit.opening.job_id, by=by)
    elif line is not None and row.kind == Claim.Kind.SHORT:
        line.quantity = max(line.pieces_received, line.quantity - row.quantity)
        if line.pieces_received >= line.quantity:
            line.state, line.received_at = PurchaseLine.State.INSPECTED, line.received_at or timezone.now()
        line.save(update_fields=["quantity", "state", "received_at"])
    close_purchase(row.purchase)
    return _shut(row, Claim.Outcome.CREDIT, by, str(credit))


@transaction.atomic
def withdraw_claim(*, claim: Claim, why: str, by: User) -> Claim:
    """It was none; a unit that was sent back is inspected again."""
    row = _open(claim)
    if not why.strip():
        raise Refused("say why it is withdrawn", field="why")
    line = locked_line(row.line) if row.line is not None else None
    if line is not None and line.state == PurchaseLine.State.REFUSED:
        line.state = PurchaseLine.State.RECEIVED
        line.save(update_fields=["state"])
        Purchase.objects.filter(pk=line.purchase_id).update(state=Purchase.State.ORDERED)
    return _shut(row, Claim.Outcome.NONE, by, why)


def _open(claim: Claim) -> Claim:
    row = Claim.objects.select_for_update(of=("self",)).select_related("purchase__branch").get(pk=claim.pk)
    if row.closed_at is not None:
        raise Refused(f"{row} is {row.get_outcome_display()} already", field="claim")
    return row


def _shut(claim: Claim, outcome: str, by: User, note: str) -> Claim:
    claim.outcome, claim.closed_at = outcome, timezone.now()
    claim.save(update_fields=["outcome", "closed_at", "remake_number", "credit", "line"])
    record(
        by=by, action=f"claim {claim.get_outcome_display()}", subject=claim.purchase, note=f"{claim.what}: {note}"[:240]
    )
    return claim


# -- lines and purchases -------------------------------------------------------------------


def _demand(line: PurchaseLine, states: Iterable[str]) -> None:
    if line.purchase.state != Purchase.State.ORDERED:
        raise Refused(f"{line.purchase} is {line.purchase.get_state_display()}", field="line")
    if line.state not in states:
        raise Refused(f"{line} is {line.get_state_display()}", field="line")


def locked_line(line: PurchaseLine) -> PurchaseLine:
    """The line as it stands, held."""
    return (
        PurchaseLine.objects.select_for_update(of=("self",))
        .select_related("purchase__branch", "purchase__supplier", "make__unit__opening", "material")
        .get(pk=line.pk)
    )


def close_purchase(purchase: Purchase) -> None:
    """Closed once nothing on it is waited for."""
    if not purchase.lines.exclude(state__in=DONE).exists():
        purchase.state = Purchase.State.CLOSED
        purchase.save(update_fields=["state"])
