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
from fabrication.rules.cutting.reading import (
    Answer,
    BarDocument,
    Document,
    Request,
    RollDocument,
    document_json,
    plan_json,
    read_answer,
    read_request,
)
from fabrication.rules.cutting.solving import first_fit, solve
from fabrication.rules.cutting.verify import verify
from fabrication.rules.cutting.watch import Progress

__all__ = [
    "Answer",
    "BarDocument",
    "BarPiece",
    "BarProblem",
    "BarStock",
    "Certificate",
    "Cut",
    "Document",
    "Flaw",
    "Pattern",
    "Plan",
    "PlanWrong",
    "Problem",
    "Progress",
    "Request",
    "RollDocument",
    "RollPiece",
    "RollProblem",
    "RollStock",
    "Unplaced",
    "document_json",
    "first_fit",
    "plan_json",
    "read_answer",
    "read_request",
    "solve",
    "verify",
]
