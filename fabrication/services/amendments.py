"""What is asked of a supplier after the order: a unit that is changed or cancelled, and what they answer."""

from __future__ import annotations

from django.db import transaction

from fabrication.models import Purchase, PurchaseLine, UnitMake
from fabrication.services.deliveries import close_purchase, locked_line
from measuring.models import Product
from shared.audit import record
from shared.errors import Refused
from shared.models import User

State = PurchaseLine.State


def ask_supplier(*, make: UnitMake, what: str, by: User) -> bool:
    """Marks the line a unit is ordered on as in question, saying what; whether it is ordered at all."""
    line = PurchaseLine.objects.select_for_update().filter(make=make).select_related("purchase").first()
    if line is None:
        return False
    if line.purchase.state == Purchase.State.DRAFT:
        _change_draft(line, make, what, by)
        return False
    line.state, line.differences = State.ASKED, [what[:240]]
    line.save(update_fields=["state", "differences"])
    record(by=by, action="asked the supplier for a change", subject=line.purchase, note=what)
    return True


def _change_draft(line: PurchaseLine, make: UnitMake, what: str, by: User) -> None:
    """It was not sent yet: the line follows its unit, or goes where that is not bought any more."""
    record(by=by, action="changed before it was sent", subject=line.purchase, note=what)
    make.refresh_from_db()
    if make.source != Product.Source.BOUGHT or make.state == UnitMake.State.CANCELLED:
        line.delete()
        return
    line.width, line.length, line.mount = make.finished_width, make.finished_height, make.unit.mount
    line.save(update_fields=["width", "length", "mount"])


@transaction.atomic
def supplier_answered(*, line: PurchaseLine, is_taken: bool, by: User, note: str = "") -> PurchaseLine:
    """
    What a supplier says to a change that was asked.

    Parameters
    ----------
    is_taken
        They make it as it is now: the line takes its size, and is to be acknowledged anew. Else the line
        is cancelled; a unit that is still wanted can be ordered anew, or made here.
    note
        What they charge or credit, and who said so.
    """
    line = locked_line(line)
    make = line.make
    if line.state != State.ASKED or make is None:
        raise Refused(f"{line} is {line.get_state_display()}: no change of it was asked", field="answer")
    if is_taken and (make.source != Product.Source.BOUGHT or make.state == UnitMake.State.CANCELLED):
        raise Refused(f"{line} is not bought any more: its line can only be cancelled", field="answer")
    asked = "; ".join(line.differences)
    if is_taken:
        line.width, line.length, line.mount = make.finished_width, make.finished_height, make.unit.mount
        line.state, line.acknowledged, line.differences, line.answers = State.ORDERED, {}, [], {}
        line.packages_received, line.received_at = 0, None
    line.note = note.strip()[:240] or line.note
    line.save()
    if not is_taken:
        _let_go(line)
    action = "the supplier took the change" if is_taken else "cancelled the purchase line"
    record(by=by, action=action, subject=line.purchase, note=f"{asked} {note}".strip()[:240])
    close_purchase(line.purchase)
    return line


def _let_go(line: PurchaseLine) -> None:
    """The line is cancelled and for no unit any more; it still says for which it was."""
    line.claims.filter(closed_at=None).update(line=None)
    line.was_for, line.make, line.state = line.make, None, State.CANCELLED
    line.save(update_fields=["was_for", "make", "state"])
