"""Units that were measured again after their release and whose size the office has yet to decide."""

from __future__ import annotations

from collections.abc import Iterable

from measuring.models import SizeChange
from shared.lengths import LengthUnit


def in_question(units: Iterable[int]) -> dict[int, SizeChange]:
    """The open change of each of these units (keys of `Unit`) that has one."""
    open_changes = SizeChange.objects.filter(unit__in=set(units), state=SizeChange.State.OPEN)
    return {change.unit_id: change for change in open_changes.select_related("unit")}


def said(change: SizeChange, unit: LengthUnit) -> str:
    """What is in question, for a page or a paper of the workroom."""
    size = f"{change.new_width.text(unit)} × {change.new_height.text(unit)} {unit.value}"
    old = f"{change.old_width.text(unit)} × {change.old_height.text(unit)}"
    return f"measured again: order size {size}, not {old}. Leave it until the office has decided."
