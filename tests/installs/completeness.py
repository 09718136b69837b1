"""
Whether a hardware list is complete: a second look that shares no counting with the first.

It starts again from the unit and the rules, and reads the list only for what is in it.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from itertools import pairwise

from installs.rules.brackets import unit_weight
from installs.rules.data import Fastener, HardwareRules
from installs.rules.hardware import HardwareList
from installs.rules.units import LOOP_CONTROLS, InstallUnit
from shared.lengths import TICKS_PER_FOOT, ZERO, Length


def incomplete(hardware: HardwareList, unit: InstallUnit, rules: HardwareRules) -> list[str]:
    """
    What is missing from a list, in words; empty for a complete one.

    Each unit has brackets enough for its width and load, each bracket its fixings for the
    substrate, each loop its tension device, each spacer its longer screw, each strip pair its
    lengths. What the list says "cannot" about is not asked for: the unit does not go up.

    Examples
    --------
    >>> from installs.rules.data import starting_rules
    >>> from installs.rules.hardware import hardware_list
    >>> from installs.rules.units import SiteFacts
    >>> unit = InstallUnit(
    ...     "A1", "roller", Length.inches(36), Length.inches(60), "inside", "jamb", "wood", control="chain"
    ... )
    >>> incomplete(hardware_list(unit, SiteFacts(), starting_rules()), unit, starting_rules())
    []
    """
    said = {finding.code for finding in hardware.findings if finding.cannot}
    counts: Counter[str] = Counter()
    for line in hardware.lines:
        counts[line.item] += line.quantity
    missing = _brackets(hardware, unit, rules, counts, said)
    missing += _projection(hardware, unit, rules, counts, said)
    missing += _fixings(hardware, unit, rules, said)
    missing += _loops(hardware, unit, rules, counts)
    missing += _strips(hardware, unit, rules)
    missing += _trims(hardware, unit, rules, counts)
    missing += _motor(unit, rules, counts)
    missing += [f"{line.item}: no derivation" for line in hardware.lines if not line.why]
    missing += [f"{line.item} is not an item" for line in hardware.lines if not _is_item(line.item, rules)]
    return missing


def _is_item(key: str, rules: HardwareRules) -> bool:
    try:
        rules.item(key)
    except KeyError:
        return False
    return True


def _brackets(
    hardware: HardwareList, unit: InstallUnit, rules: HardwareRules, counts: Counter[str], said: set[str]
) -> list[str]:
    out: list[str] = []
    at = hardware.brackets_at
    if len(at) < 2:
        return [f"{len(at)} bracket places, at least 2"]
    placed = Counter(place.item for place in hardware.brackets.places)
    out += [f"{counts[item]} of {item}, {number} placed" for item, number in placed.items() if counts[item] < number]
    if list(at) != sorted(set(at)) or at[0] < ZERO or at[-1] > unit.width:
        out.append("bracket places out of order or off the unit")
    _, rule = rules.bracket_rule(unit.family, unit.variant or ("motor" if unit.motor else ""))
    weight, _ = unit_weight(unit, rules)
    span = rule.span_for(weight * TICKS_PER_FOOT / unit.width.ticks)
    by_hand = any(finding.code == "bracket_place" for finding in hardware.findings)
    wanted = 2 + len(set(unit.splits))
    if span is None and len(at) != wanted:
        out.append(f"{len(at)} brackets on tubes that take {wanted}")
    if span is not None and not by_hand:
        out += _too_far_apart(at, unit, span, rule.end_distance + rule.end_distance)
    size = hardware.brackets.size
    if size.most_lb is not None and hardware.brackets.load_lb > size.most_lb and "bracket_load" not in said:
        out.append(f"a bracket carries {hardware.brackets.load_lb} lb, over {size.most_lb} lb")
    if not by_hand:
        out += _in_the_way(hardware, unit, rules, said)
    return out


def _too_far_apart(at: Sequence[Length], unit: InstallUnit, span: Length, overhang: Length) -> list[str]:
    gaps = [second - first for first, second in pairwise(at)]
    out = [f"a gap of {gap} over the {span} span" for gap in gaps if gap > span]
    over = max(at[0], unit.width - at[-1])
    return [*out, f"an end hangs over by {over}"] if over > overhang else out


def _in_the_way(hardware: HardwareList, unit: InstallUnit, rules: HardwareRules, said: set[str]) -> list[str]:
    half = Length(hardware.brackets.size.foot.ticks // 2)
    out = []
    for place in hardware.brackets.places:
        is_fixed = place.role == "joint" or (place.role == "end" and place.at in {ZERO, unit.width})
        out += [
            f"the bracket at {place.at} sits on the {spot.what} at {spot.at}"
            for spot in unit.keep_off
            if not is_fixed and abs(place.at - spot.at) < half + rules.placing.keep_off
        ]
        out += [
            f"the bracket at {place.at} sits in the seam at {seam}"
            for seam in unit.seams
            if abs(place.at - seam) < half + rules.placing.seam_clear and "bracket_on_seam" not in said
        ]
    return out


def _projection(
    hardware: HardwareList, unit: InstallUnit, rules: HardwareRules, counts: Counter[str], said: set[str]
) -> list[str]:
    if unit.mount == "inside" or unit.fixed_to == "ceiling" or not unit.obstructions or "projection" in said:
        return []
    needed = max(entry.projection for entry in unit.obstructions) + rules.clearance.hand[unit.family]
    brackets = len(hardware.brackets_at)
    stack = ZERO
    for key in rules.clearance.spacers:
        each, rest = divmod(counts[key], brackets)
        if rest:
            return [f"{counts[key]} of {key} do not go evenly on {brackets} brackets"]
        stack += (rules.item(key).length or ZERO) * each
    reach = hardware.brackets.size.standoff + stack
    for key in rules.clearance.extensions:
        if counts[key] >= brackets:
            reach += rules.item(key).length or ZERO
    return (
        []
        if reach >= needed or not any(e.projection for e in unit.obstructions)
        else [f"{reach} off the wall, {needed} needed"]
    )


def _fixings(hardware: HardwareList, unit: InstallUnit, rules: HardwareRules, said: set[str]) -> list[str]:
    if said & {"substrate_never", "slab_not_scanned", "no_screw"}:
        return []
    out = []
    wall = rules.substrates[unit.substrate]
    kits = {line.kit for line in hardware.lines if line.group == "screw"}
    said_missing = {finding.field for finding in hardware.findings if finding.code == "kit_missing"}
    if not hardware.fixings:
        return [f"no fixings at all for {wall.name}"]
    for name in wall.kits:
        kit = rules.fasteners[name]
        if kit.otherwise and kit.allowable_lb is None:
            board = kit.board and unit.mount == "outside" and unit.fixed_to != "ceiling"
            name, kit = kit.otherwise, rules.fasteners[kit.otherwise]
            if board:
                out += _board(hardware, unit, rules)
        if f"fasteners.{name}" in said_missing:
            continue
        if name not in kits:
            out.append(f"no fixings of the kit {name} for {wall.name}")
            continue
        out += _kit(hardware, rules, name, kit, wall.layer)
    return out


def _kit(hardware: HardwareList, rules: HardwareRules, name: str, kit: Fastener, layer: Length) -> list[str]:
    out = []
    brackets, size = len(hardware.brackets_at), hardware.brackets.size
    lines = [line for line in hardware.lines if line.kit == name]
    screws = [line for line in lines if line.item in kit.screws]
    count = sum(line.quantity for line in screws)
    if count < brackets * size.screws:
        out.append(f"{count} screws for {brackets} brackets of {size.screws}")
    if kit.anchor and sum(line.quantity for line in lines if line.item == kit.anchor) < count:
        out.append(f"fewer anchors than screws in the kit {name}")
    through = size.plate + layer + hardware.projection.stack
    for line in screws:
        length = rules.item(line.item).length or ZERO
        if length < through + kit.bite:
            out.append(f"a screw of {length} does not bite {kit.bite} past {through}")
    return out


def _board(hardware: HardwareList, unit: InstallUnit, rules: HardwareRules) -> list[str]:
    pieces = [length for line in hardware.lines if line.item == rules.backing.item for length in line.lengths]
    long_enough = sum(piece.ticks for piece in pieces) >= unit.width.ticks
    screwed = any(line.kit.startswith("board ") for line in hardware.lines)
    return [] if long_enough and screwed else ["no backing board of the unit's width with its screws"]


def _loops(hardware: HardwareList, unit: InstallUnit, rules: HardwareRules, counts: Counter[str]) -> list[str]:
    wanted = Counter(loop.kind for loop in unit.loops)
    if not unit.loops and unit.control in LOOP_CONTROLS:
        wanted[LOOP_CONTROLS[unit.control]] = 1
    items = {"chain": rules.controls.chain_tension, "cord": rules.controls.cord_tension}
    out = [
        f"{counts[items[kind]]} tension devices for {number} {kind} loops"
        for kind, number in wanted.items()
        if counts[items[kind]] < number
    ]
    if len(hardware.tension) < sum(wanted.values()):
        out.append("a loop without its device's place")
    if unit.control == "cord" and not counts[rules.controls.cleat]:
        out.append("a cord without its cleat")
    if hardware.fixings and wanted and not any(line.kit.startswith("tension ") for line in hardware.lines):
        out.append("tension devices without screws")
    return out


def _strips(hardware: HardwareList, unit: InstallUnit, rules: HardwareRules) -> list[str]:
    if not unit.gap_strips or unit.mount != "inside" or unit.family not in rules.strips.families:
        return []
    lines = [line for line in hardware.lines if line.item == rules.strips.item]
    lengths = [length for line in lines for length in line.lengths]
    wanted = unit.height - rules.strips.shorter
    return (
        []
        if lengths == [wanted, wanted] and sum(line.quantity for line in lines) == 2
        else [f"gap strips of {[str(length) for length in lengths]}, a pair of {wanted} wanted"]
    )


def _trims(hardware: HardwareList, unit: InstallUnit, rules: HardwareRules, counts: Counter[str]) -> list[str]:
    out = []
    downs = counts[rules.hold_downs.item] + counts[rules.hold_downs.magnetic]
    comes = "hold_downs" in unit.comes_with and "steel_door" not in unit.facts
    on_door = unit.is_door and unit.family in {"slat", "cellular", "pleated"}
    wanted = (on_door or unit.hold_downs) and unit.family != "vertical"  # vanes have no rail to hold
    if wanted and downs < rules.hold_downs.count and not comes:
        out.append(f"{downs} hold-downs, {rules.hold_downs.count} wanted")
    if unit.valance is not None and "valance" not in unit.comes_with:
        clips, rule = counts[rules.valance.clip], rules.valance
        reach = rule.span * (clips - 1) + rule.end_distance * 2
        if clips < 2 or reach < unit.valance.length:
            out.append(f"{clips} valance clips for {unit.valance.length}")
        if unit.mount == "outside" and counts[rule.return_item] != 2:
            out.append(f"{counts[rule.return_item]} returns, 2 wanted")
    return out


def _motor(unit: InstallUnit, rules: HardwareRules, counts: Counter[str]) -> list[str]:
    if unit.motor is None:
        return []
    rule, wanted = rules.motors, []
    if unit.motor.power == "battery":
        wanted += [rule.charger] if "battery" in unit.comes_with else [rule.battery, rule.charger]
    elif unit.motor.power == "plug":
        wanted.append(rule.plug)
    if unit.motor.remote:
        wanted.append(rule.remote)
    return [f"no {item} for the motor" for item in wanted if not counts[item]]
