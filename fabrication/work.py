"""The workroom's long work, as thin shells round services."""

from __future__ import annotations

from fabrication.services import planning
from shared import runs


@runs.long_work("fabrication.plan_cuts", title="Cut plan")
def plan_cuts(ctx: runs.Context) -> None:
    """Plans one material of one batch."""
    planning.plan_cuts(ctx)
