"""
Screws, anchors, drill and bit by what the wall is made of, held against the load.

Into wood the withdrawal formula of the NDS proves a screw. No public formula covers anchors:
those count only against an allowable load that the firm entered from their maker.

References
----------
.. [1] NDS for Wood Construction 12.2.2: W = 2850 G² D, lb per inch of thread in the side grain of
       dry wood, W' = W C_D C_M C_t. Read; the specific gravities and diameters are from memory.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal

from installs.rules.brackets import BracketPlan
from installs.rules.clearance import Projection
from installs.rules.data import Fastener, HardwareRules, Item, Substrate
from installs.rules.findings import Finding
from installs.rules.units import InstallUnit, SiteFacts
from shared.formats.mass import pounds_text
from shared.lengths import INCH, TICKS_PER_INCH, ZERO, Length
from shared.records import Record

CENT = Decimal("0.01")


@dataclass(frozen=True)
class Fixing(Record):
    """
    One kit for the brackets of a unit.

    `thread` is what of the screw's thread is in the member; `demand_lb` what each bracket is
    pulled with, the safety factor in it; `allowed_lb` what its screws may take (None: unknown).
    """

    kit: str
    name: str
    screw: str
    per_bracket: int
    drill: str
    bit: str
    thread: Length
    demand_lb: Decimal
    allowed_lb: Decimal | None
    why: str
    anchor: str = ""
    is_proven: bool = False


@dataclass(frozen=True)
class FixingPlan(Record):
    """The kits to bring (two where the wall is unknown) and what is to be said about them."""

    kits: tuple[Fixing, ...]
    findings: tuple[Finding, ...] = ()
    needs_backing: bool = False


def withdrawal_lb_per_inch(
    gravity: Decimal, diameter_in: Decimal, factor: Decimal, duration_factor: Decimal = Decimal(1)
) -> Decimal:
    """
    Allowable withdrawal of one wood screw, pounds per inch of thread in side grain [1]_.

    Never for end grain. `factor` is 2850 in inches and pounds.

    Examples
    --------
    >>> round(withdrawal_lb_per_inch(Decimal("0.45"), Decimal("0.190"), Decimal(2850)), 2)
    Decimal('109.65')
    """
    return factor * gravity * gravity * diameter_in * duration_factor


def pull_on_bracket(
    unit: InstallUnit, plan: BracketPlan, projection: Projection, rules: HardwareRules
) -> tuple[Decimal, str]:
    """
    Pounds that pull at the screws of the bracket that carries most.

    Into a ceiling or the head of a recess the load pulls straight. On a wall, casing or door it
    pries: load × reach / lever, the lever taken as half the bracket's height (the screws in its
    middle, turning about its lower edge). Shear is not computed: it is small beside the prying.
    """
    load = plan.load_lb
    if unit.mount == "inside" or unit.fixed_to in {"ceiling", "jamb"}:
        return load, f"{pounds_text(load)} straight"
    height = rules.clearance.extension_height if projection.way == "extension" else plan.size.height
    lever = Length(height.ticks // 2)
    pull = (load * projection.reach.ticks / lever.ticks).quantize(CENT)
    pull = max(pull, load)
    return pull, f"{pounds_text(load)} at {projection.reach} off the wall over a lever of {lever} = {pounds_text(pull)}"


def plan_fixings(
    unit: InstallUnit, site: SiteFacts, plan: BracketPlan, projection: Projection, rules: HardwareRules
) -> FixingPlan:
    """The kits for the unit's substrate, or why none may be used."""
    wall = rules.substrates[unit.substrate]
    refusal = _refusal(unit, site, wall)
    if refusal is not None:
        return FixingPlan((), (refusal,))
    pull, pull_why = pull_on_bracket(unit, plan, projection, rules)
    kits, findings, problems, backing = [], [], {}, False
    for wanted in wall.kits:
        name = kit_used(wanted, rules)
        if name != wanted:
            findings.append(_no_allowable(rules.fasteners[wanted]))
            backing = backing or takes_board(unit, rules)
        fixing, problem = _choose(unit, name, plan, projection, pull, pull_why, rules)
        if fixing is None:
            problems[name] = problem
            continue
        kits.append(fixing)
        findings += _unproven(fixing)
    for name, problem in problems.items():
        if kits:  # of two kits for an unknown wall the other is left
            findings.append(Finding("kit_missing", problem, "check", f"fasteners.{name}"))
        else:
            findings.append(Finding("no_screw", problem, rules.severity(), "obstructions", cannot=True))
    if unit.substrate == "unknown":
        findings.append(Finding("substrate_unknown", wall.advice, "check", "substrate"))
    return FixingPlan(tuple(kits), tuple(findings), backing)


def least_screw(kit: Fastener, plate: Length, layer: Length, usual: bool, rules: HardwareRules) -> Item | None:
    """The shortest screw of the kit's first gauge with its bite, no spacers; None if none reaches."""
    return next(
        (
            item
            for item in _screws(kit, rules)
            if _thread(kit, item, plate + layer, rules) >= kit.bite
            and (not usual or _length(item) >= (kit.usual or ZERO))
        ),
        None,
    )


def kit_used(name: str, rules: HardwareRules) -> str:
    """The kit itself, or the one used otherwise while no allowable load is entered for it."""
    kit = rules.fasteners[name]
    return kit.otherwise if kit.otherwise and kit.allowable_lb is None else name


def takes_board(unit: InstallUnit, rules: HardwareRules) -> bool:
    """Whether a backing board goes behind the brackets: no anchor may be used, outside, on a wall."""
    names = rules.substrates[unit.substrate].kits
    swapped = any(kit_used(name, rules) != name and rules.fasteners[name].board for name in names)
    return swapped and unit.mount == "outside" and unit.fixed_to != "ceiling"


def layer_of(unit: InstallUnit, rules: HardwareRules) -> Length:
    """What a screw passes before it holds: the wall's surface, and a backing board."""
    layer = rules.substrates[unit.substrate].layer
    return layer + rules.backing.thickness if takes_board(unit, rules) else layer


def screw_needed(unit: InstallUnit, kit: Fastener, plate: Length, stack: Length, rules: HardwareRules) -> Length | None:
    """The least length of screw: that without spacers, and longer by their stack."""
    short = least_screw(kit, plate, layer_of(unit, rules), _takes_usual(unit), rules)
    return None if short is None else _length(short) + stack


def screw_item(unit: InstallUnit, kit: str, plate: Length, rules: HardwareRules) -> str | None:
    """The kit's shortest screw for something small with nothing under it, such as a tension device."""
    item = least_screw(rules.fasteners[kit], plate, rules.substrates[unit.substrate].layer, False, rules)
    return item.key if item is not None else None


def board_screw(unit: InstallUnit, kit: str, rules: HardwareRules) -> str | None:
    """The screw that holds a backing board: through the board and the wall's surface into the stud."""
    item = least_screw(
        rules.fasteners[kit], rules.backing.thickness, rules.substrates[unit.substrate].layer, True, rules
    )
    return item.key if item is not None else None


def screw_allows(kit: str, screw: str, count: int, rules: HardwareRules) -> Decimal | None:
    """Pounds that `count` screws take at the least bite of their kit; None where no figure is entered."""
    fastener = rules.fasteners[kit]
    return _allowed(fastener, rules.item(screw), count, fastener.bite, rules)[0]


# -- choosing --------------------------------------------------------------------


def _refusal(unit: InstallUnit, site: SiteFacts, wall: Substrate) -> Finding | None:
    if wall.never:
        return Finding("substrate_never", wall.never, "stop", "substrate", cannot=True)
    if wall.never_unscanned and not site.slab_scanned:
        return Finding("slab_not_scanned", wall.never_unscanned, "stop", "substrate", cannot=True)
    return None


def _no_allowable(kit: Fastener) -> Finding:
    text = f"no allowable load is entered for {kit.name}, so none are used: fix into studs or framing" + (
        ", over a backing board" if kit.board else ""
    )
    return Finding("anchor_load_missing", text, "check", "substrate")


def _unproven(fixing: Fixing) -> list[Finding]:
    if fixing.is_proven:
        return []
    if fixing.allowed_lb is not None:
        takes, asked = pounds_text(fixing.allowed_lb), pounds_text(fixing.demand_lb)
        text = f"the fixing takes {takes} a bracket, {asked} is asked: {fixing.why}"
        return [Finding("fixing_weak", text, "check", "substrate")]
    text = (
        f"each bracket asks {pounds_text(fixing.demand_lb)} of its {fixing.name} (safety factor in it); "
        "no allowable load is entered: compare with the maker's"
    )
    return [Finding("fixing_unproven", text, "note", "substrate")]


def _takes_usual(unit: InstallUnit) -> bool:
    """Near glass, or where not deep, the shortest screw that bites is taken, not the usual one."""
    return "glass_close" not in unit.facts and unit.solid_depth is None


def _choose(
    unit: InstallUnit,
    name: str,
    plan: BracketPlan,
    projection: Projection,
    pull: Decimal,
    pull_why: str,
    rules: HardwareRules,
) -> tuple[Fixing | None, str]:
    """The fewest, shortest, thinnest screws that are proven, else the usual ones; or why there are none."""
    kit = rules.fasteners[name]
    outside = plan.size.plate + projection.stack
    through = outside + layer_of(unit, rules)
    least = screw_needed(unit, kit, plan.size.plate, projection.stack, rules)
    stack = f" and a stack of {projection.stack}" if projection.stack else ""
    if least is None:
        return None, f"no screw of the kit {kit.name} bites {kit.bite} past {through}"
    demand = (pull * rules.withdrawal.safety_factor).quantize(CENT)
    first: Fixing | None = None
    for count, item in _candidates(kit, plan.size.screws, least, rules):
        thread = _thread(kit, item, through, rules)
        if thread < kit.bite or _goes_too_deep(unit, item, outside):
            continue
        allowed, why = _allowed(kit, item, count, thread, rules)
        is_proven = allowed is not None and allowed >= demand
        asked = f"{pull_why}, × {rules.withdrawal.safety_factor} = {pounds_text(demand)}"
        text = f"{asked}; {why} (pull only, shear not reckoned)"
        fixing = Fixing(
            name, kit.name, item.key, count, kit.drill, kit.bit, thread, demand, allowed, text, kit.anchor, is_proven
        )
        if is_proven or allowed is None:
            return fixing, ""
        first = first or fixing
    deep = f", and goes no deeper than {unit.solid_depth}" if unit.solid_depth is not None else ""
    return first, f"no screw of the kit {kit.name} bites {kit.bite} past {through}{stack}{deep}"


def _goes_too_deep(unit: InstallUnit, item: Item, outside: Length) -> bool:
    return unit.solid_depth is not None and _length(item) - outside > unit.solid_depth


def _candidates(kit: Fastener, screws: int, least: Length, rules: HardwareRules) -> Iterator[tuple[int, Item]]:
    """Screws a little longer or thicker before more of them; the longest last."""
    items = [item for item in _screws(kit, rules) if _length(item) >= least]
    items.sort(key=lambda item: (_length(item).ticks, _diameter(item, rules)))
    near = [item for item in items if _length(item) <= least + INCH]
    far = [item for item in items if _length(item) > least + INCH]
    for chosen in (near, far):
        for count in range(screws, screws + rules.withdrawal.most_screws_more + 1):
            yield from ((count, item) for item in chosen)


def _allowed(kit: Fastener, item: Item, count: int, thread: Length, rules: HardwareRules) -> tuple[Decimal | None, str]:
    """Pounds that `count` screws in one bracket may take; None where nobody entered a figure."""
    if not kit.wood:
        if kit.allowable_lb is None:
            return None, f"no allowable load entered for {kit.name}"
        allowed = (kit.allowable_lb * count).quantize(CENT)
        return allowed, f"{count} × {pounds_text(kit.allowable_lb)} entered = {pounds_text(allowed)}"
    rule = rules.withdrawal
    per_inch = withdrawal_lb_per_inch(rule.gravity, rule.diameters[item.gauge], rule.factor, rule.duration_factor)
    allowed = (per_inch * thread.ticks * count / TICKS_PER_INCH).quantize(CENT)
    inches = Decimal(thread.ticks) / TICKS_PER_INCH
    return allowed, (
        f"{count} × {pounds_text(per_inch, places=1)} per inch ({rule.wood}, G {rule.gravity}, #{item.gauge}) "
        f"× {inches:.2f} in of thread = {pounds_text(allowed)}"
    )


def _screws(kit: Fastener, rules: HardwareRules) -> list[Item]:
    """Of the first gauge by length, then the thicker ones."""
    items = [rules.item(key) for key in kit.screws]
    gauges = list(dict.fromkeys(item.gauge for item in items))
    return sorted(items, key=lambda item: (gauges.index(item.gauge), _length(item).ticks))


def _thread(kit: Fastener, item: Item, through: Length, rules: HardwareRules) -> Length:
    """Thread in the member: what is past plate, board and blocks, and no more than is threaded."""
    past = _length(item) - through
    if not kit.wood:
        return max(past, ZERO)
    threaded = Length(int(_length(item).ticks * rules.withdrawal.thread_share))
    return max(min(past, threaded), ZERO)


def _length(item: Item) -> Length:
    return item.length or ZERO


def _diameter(item: Item, rules: HardwareRules) -> Decimal:
    return rules.withdrawal.diameters.get(item.gauge, Decimal(0))
