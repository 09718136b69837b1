"""Tools, ladder and people of one unit; those of a visit are the sum without repeats."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from decimal import Decimal

from installs.rules.brackets import BracketPlan
from installs.rules.data import HardwareRules
from installs.rules.findings import Tool
from installs.rules.fixings import FixingPlan
from installs.rules.ladders import LadderPlan, plan_ladder
from installs.rules.lifting import Lift, weight_limit
from installs.rules.safety import silica_controls
from installs.rules.units import InstallUnit
from shared.formats.mass import pounds_text
from shared.records import Record


@dataclass(frozen=True)
class People(Record):
    """How many people a unit takes, and every reason that asks for a second."""

    count: int
    why: tuple[str, ...] = ()


def people_needed(unit: InstallUnit, weight_lb: Decimal, rules: HardwareRules) -> People:
    """
    Two for a wide, heavy or high unit, or where the lift off the floor is over the recommended limit.

    The lifting equation speaks of the lift to carrying height only: on a ladder it does not apply,
    and there the weights of the firm's own rule stand alone.
    """
    rule = rules.people
    is_high = unit.reach_height is None or unit.reach_height > rule.overhead
    height = "height not known" if unit.reach_height is None else f"{unit.reach_height} up"
    reasons = []
    if unit.width >= rule.width:
        reasons.append(f"{unit.width} wide, {rule.width} or more")
    if weight_lb > rule.weight_lb:
        reasons.append(f"{pounds_text(weight_lb)}, over {rule.weight_lb}")
    if is_high and weight_lb > rule.overhead_lb:
        reasons.append(f"{pounds_text(weight_lb)} above the head ({height}), over {rule.overhead_lb}")
    from_ladders = unit.reach_height is None or unit.reach_height > rules.ladders.floor_reach
    if from_ladders and unit.width > rule.ladders_width:
        reasons.append(f"{unit.width} wide, over {rule.ladders_width}, so held from two ladders ({height})")
    lift = rule.lift
    limit = weight_limit(
        Lift(
            float(lift.horizontal_in),
            float(lift.vertical_in),
            float(lift.distance_in),
            float(lift.asymmetry_deg),
            float(lift.per_minute),
            float(lift.hours),
            lift.coupling,
        )
    )
    if float(weight_lb) > limit.pounds:
        reasons.append(
            f"{pounds_text(weight_lb)}, over the recommended {pounds_text(limit.pounds, places=1)} "
            "of one person's lift to carrying height (NIOSH lifting equation; on a ladder it does not apply)"
        )
    return People(2 if reasons else 1, tuple(reasons))


def ladder_of(unit: InstallUnit, weight_lb: Decimal, rules: HardwareRules) -> LadderPlan:
    """The ladder to the top of the opening, with this unit in the hands."""
    return plan_ladder(unit.reach_height, weight_lb, rules)


def tools_of(
    unit: InstallUnit,
    plan: BracketPlan,
    fixings: FixingPlan,
    ladder: LadderPlan,
    people: People,
    rules: HardwareRules,
) -> tuple[Tool, ...]:
    """Everything to bring for one unit, each with why."""
    tools = [
        Tool("tape", "tape", "to set out the brackets"),
        Tool("level", "level", "to set the brackets"),
        Tool("screwdriver", "screwdriver and bit set", "to fix the brackets"),
        Tool("detector", "detector for studs, pipes and wires", "before every hole"),
        Tool("glasses", "eye protection", "for drilling"),
    ]
    for kit in fixings.kits:
        if kit.drill:
            tools.append(Tool(_key(kit.drill), kit.drill, f"for {kit.name}"))
        if kit.bit and not kit.bit.startswith("none"):
            tools.append(Tool(_key(f"bit {kit.bit}"), f"bit: {kit.bit}", f"for {kit.name}"))
    tools += silica_controls(unit.substrate, rules)[1]
    if "glass_close" in unit.facts:
        tools.append(Tool("depth-stop", "depth stop", "a screw could reach the glass"))
    if ladder.kind == "stepladder" and ladder.size is not None:
        feet = ladder.size.ticks // rules.ladders.step.ticks
        count = 2 if people.count > 1 and plan.places and unit.width > rules.people.ladders_width else 1
        name = f"stepladder {feet} ft" + (f", rating {ladder.rating}" if ladder.rating else "")
        tools.append(Tool(_key(f"stepladder {feet} ft"), name + (", two" if count == 2 else ""), ladder.why))
    elif ladder.kind == "stepladder":
        tools.append(Tool("stepladder", "stepladder, size by the height", ladder.why))
    elif ladder.kind == "higher":
        tools.append(Tool("platform", "tower, platform or lift", ladder.why))
    if unit.motor is not None:
        tools.append(Tool("motor-setter", "charger lead and setting key for motors", "limits and channel"))
    return tuple(tools)


def merge_tools(lists: Iterable[Iterable[Tool]]) -> tuple[Tool, ...]:
    """
    The tools of a visit or a day, each once, in the order they first appear.

    Of several stepladders all sizes stay: a short one is used indoors where a tall one can't stand.
    """
    seen: dict[str, Tool] = {}
    for tools in lists:
        for tool in tools:
            seen.setdefault(tool.key, tool)
            if ", two" in tool.name:
                seen[tool.key] = tool
    return tuple(seen.values())


def _key(text: str) -> str:
    return "-".join("".join(char if char.isalnum() else " " for char in text.lower()).split())[:60]
