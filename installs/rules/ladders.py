"""
Which ladder, and what it must carry.

References
----------
.. [1] 29 CFR 1926.1053(b)(13): the top and the top step of a stepladder are no steps (R2).
.. [2] ANSI A14 series duty ratings IAA 375, IA 300, I 250, II 225, III 200 lb: person, clothes,
       tools and load (M, high).
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from typing import Final

from installs.rules.data import HardwareRules
from shared.formats.mass import pounds_text
from shared.lengths import TICKS_PER_FOOT, ZERO, Length
from shared.records import Record

DUTY_RATINGS: Final = (
    ("III", Decimal(200)),
    ("II", Decimal(225)),
    ("I", Decimal(250)),
    ("IA", Decimal(300)),
    ("IAA", Decimal(375)),
)


@dataclass(frozen=True)
class LadderPlan(Record):
    """`kind`: none, stepladder or higher (tower, platform, lift); `size` its length, None where not known."""

    kind: str
    size: Length | None
    rating: str
    why: str


def duty_rating(load_lb: Decimal) -> str:
    """
    The lightest rating that carries person, clothes, tools and load [2]_; empty beyond the heaviest.

    Examples
    --------
    >>> duty_rating(Decimal(260)), duty_rating(Decimal(250)), duty_rating(Decimal(400))
    ('IA', 'I', '')
    """
    return next((name for name, most in DUTY_RATINGS if load_lb <= most), "")


def plan_ladder(reach_height: Length | None, load_lb: Decimal, rules: HardwareRules) -> LadderPlan:
    """
    The stepladder from which hands work at `reach_height` (floor to the top of the opening).

    Standing height = reach height − what a person reaches above the step; the ladder is the next
    size whose highest real step is that high [1]_. `load_lb` is what is held up there.
    """
    rule = rules.ladders
    total_lb = rule.person_lb + rule.tools_lb + load_lb
    rating = duty_rating(total_lb)
    carried = f"{pounds_text(total_lb, places=0)} with person, tools and load: " + (
        f"rating {rating}" if rating else "over every rating, so two people or a platform"
    )
    if reach_height is None:
        return LadderPlan("stepladder", None, rating, f"height not known, ask before the day; {carried}")
    if reach_height <= rule.floor_reach:
        return LadderPlan("none", None, "", f"{reach_height} is within reach from the floor ({rule.floor_reach})")
    standing = max(reach_height - rule.reach_above, ZERO)
    unused = rule.step * rule.steps_not_used
    for size in sorted(rule.sizes):
        if size - unused >= standing:
            feet = size.ticks / TICKS_PER_FOOT
            why = (
                f"{reach_height} up − {rule.reach_above} reach = stand at {standing}; "
                f"{feet:g} ft without its top {rule.steps_not_used} steps gives {size - unused}; {carried}"
            )
            return LadderPlan("stepladder", size, rating, why)
    why = f"stand at {standing}, beyond the tallest stepladder: tower, platform or lift; {carried}"
    return LadderPlan("higher", None, rating, why)
