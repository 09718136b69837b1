"""
Cut plans for bars and rolls: least cost, with a proof.

`solve(problem, seconds, seed)` plans, `verify(problem, plan)` checks without sharing code
with the search, `first_fit(problem)` is the plain rule to compare with. As a process of
its own: ``python -m fabrication.rules.cutting``.
"""

from fabrication.rules.cutting.problem import (
    BarPiece,
    BarProblem,
    BarStock,
    Certificate,
    Cut,
    Flaw,
    Pattern,
    Plan,
    PlanWrong,
    Problem,
    RollPiece,
    RollProblem,
    RollStock,
    Unplaced,
)
from fabrication.rules.cutting.reading import Request, plan_json, read_request
from fabrication.rules.cutting.solving import first_fit, solve
from fabrication.rules.cutting.verify import verify
from fabrication.rules.cutting.watch import Progress

__all__ = [
    "BarPiece",
    "BarProblem",
    "BarStock",
    "Certificate",
    "Cut",
    "Flaw",
    "Pattern",
    "Plan",
    "PlanWrong",
    "Problem",
    "Progress",
    "Request",
    "RollPiece",
    "RollProblem",
    "RollStock",
    "Unplaced",
    "first_fit",
    "plan_json",
    "read_request",
    "solve",
    "verify",
]
