"""
Who drives when: plans crews' days and says why not.

Pure calculation: plain values in and out, no Django. `solve` plans, `verify` is the
independent referee.
"""

from jobs.rules.routing.model import (
    Crew,
    CrewDay,
    Lunch,
    Objective,
    Plan,
    Problem,
    ProblemError,
    Route,
    Stop,
    Unplaced,
    Visit,
)  # fmt: skip
from jobs.rules.routing.pipeline import Progress, solve
from jobs.rules.routing.reasons import Reason
from jobs.rules.routing.regret import regret_plan
from jobs.rules.routing.repair import Spread, crew_drops_out, fit_in
from jobs.rules.routing.timing import orders_of, plan_of
from jobs.rules.routing.verify import Fault, PlanBroken, check, verify
from jobs.rules.routing.why import explain, why_not

__all__ = [
    "Crew",
    "CrewDay",
    "Fault",
    "Lunch",
    "Objective",
    "Plan",
    "PlanBroken",
    "Problem",
    "ProblemError",
    "Progress",
    "Reason",
    "Route",
    "Spread",
    "Stop",
    "Unplaced",
    "Visit",
    "check",
    "crew_drops_out",
    "explain",
    "fit_in",
    "orders_of",
    "plan_of",
    "regret_plan",
    "solve",
    "verify",
    "why_not",
]
