"""Tension devices for loops, cleats, wands, poles, and what a motor needs."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from installs.rules.cords import CordRule
from installs.rules.data import HardwareRules
from installs.rules.findings import Caution, Finding, ToDo
from installs.rules.trims import Line, line
from installs.rules.units import LOOP_CONTROLS, UNKNOWN_CONTROL, InstallUnit, Loop, SiteFacts
from shared.formats.mass import pounds_text
from shared.lengths import ZERO, Length
from shared.records import Record


@dataclass(frozen=True)
class Tension(Record):
    """One loop's device: `below_head` where it is fixed, `above_floor` None where not known."""

    item: str
    kind: str
    side: str
    below_head: Length
    above_floor: Length | None
    least_height: Length | None
    why: str


@dataclass(frozen=True)
class ControlPlan(Record):
    """Lines, devices and words about the way a unit is worked."""

    lines: tuple[Line, ...] = ()
    tension: tuple[Tension, ...] = ()
    findings: tuple[Finding, ...] = ()
    cautions: tuple[Caution, ...] = ()
    to_do: tuple[ToDo, ...] = ()


def loops_of(unit: InstallUnit, rules: HardwareRules) -> tuple[tuple[Loop, ...], str]:
    """The loops as entered; a chain or cord-loop unit with none entered has one of the usual drop."""
    if unit.loops:
        return unit.loops, ""
    kind = LOOP_CONTROLS.get(unit.control)
    if kind is None:
        return (), ""
    share = rules.controls.loop_share
    drop = loop_drop(unit.height, rules)
    return (Loop(drop, kind, unit.control_side),), f"drop not entered: {share} of the height"


def loop_drop(height: Length, rules: HardwareRules) -> Length:
    """The usual drop of a loop for a unit this high, on the marking grid."""
    return Length(int(height.ticks * rules.controls.loop_share)).nearest(rules.placing.grid)


def plan_control(unit: InstallUnit, site: SiteFacts, rules: HardwareRules) -> ControlPlan:
    """Everything about how the unit is worked, for its control kind and its place."""
    by_cord = [_tension(unit, site, rules), _cord(unit, site, rules), _unknown(unit, site)]
    plans = [*by_cord, _reach(unit, rules), _motor(unit, rules)]
    return ControlPlan(
        tuple(entry for plan in plans for entry in plan.lines),
        tuple(entry for plan in plans for entry in plan.tension),
        tuple(entry for plan in plans for entry in plan.findings),
        tuple(entry for plan in plans for entry in plan.cautions),
        tuple(entry for plan in plans for entry in plan.to_do),
    )


# -- loops and cords -------------------------------------------------------------


def _tension(unit: InstallUnit, site: SiteFacts, rules: HardwareRules) -> ControlPlan:
    loops, note = loops_of(unit, rules)
    if not loops:
        return ControlPlan()
    rule = site.cords
    items = {"chain": rules.controls.chain_tension, "cord": rules.controls.cord_tension}
    devices = tuple(_device(unit, loop, items[loop.kind], rule, note) for loop in loops)
    lines = []
    for item in dict.fromkeys(device.item for device in devices):
        mine = [device for device in devices if device.item == item]
        why = f"{len(mine)} for {len(mine)} loop{'s' if len(mine) > 1 else ''}: " + "; ".join(d.why for d in mine)
        lines.append(line(rules, item, len(mine), why))
    findings = [finding for device in devices for finding in _height_findings(device, rule)]
    if rule is None:
        text = f"no cord rule is entered for {site.jurisdiction}: look it up before the loops are fixed"
        findings.append(Finding("cord_rule_missing", text, "check", "jurisdiction"))
    return ControlPlan(tuple(lines), devices, tuple(findings), (_child_caution(site, rule, HELD),))


def _device(unit: InstallUnit, loop: Loop, item: str, rule: CordRule | None, note: str) -> Tension:
    above = None if unit.reach_height is None else unit.reach_height - loop.drop
    least = rule.height if rule is not None else None
    where = f"{loop.kind} loop at the {loop.side}, taut, {loop.drop} below the head"
    if above is not None:
        where += f", {above} above the floor"
    if least is not None:
        where += f" (least {least.as_mm():.0f} mm)"
    return Tension(item, loop.kind, loop.side, loop.drop, above, least, where + (f"; {note}" if note else ""))


def _height_findings(device: Tension, rule: CordRule | None) -> list[Finding]:
    if rule is None or rule.height is None:
        return _loop_findings(device, rule)
    may_block = rule.status == "R" and not rule.lower_if_held
    if device.above_floor is None:
        text = f"height of the head not known: {rule.text} ({rule.source})"
        return [Finding("loop_height_unknown", text, "check", "reach_height")]
    if device.above_floor >= rule.height:
        return []
    if rule.lower_if_held:
        held = f" it must hold {pounds_text(rule.hold_lb)}" if rule.hold_lb is not None else " it must stay held"
        low = f"the loop ends {device.above_floor} above the floor, lower than {rule.height.as_mm():.0f} mm"
        text = f"{low}:{held}. {rule.text}"
        return [Finding("loop_low", f"{text} ({rule.source})", "check", "loops")]
    text = f"the loop ends {device.above_floor} above the floor, lower than {rule.height.as_mm():.0f} mm. {rule.text}"
    return [Finding("loop_low", f"{text} ({rule.source})", "stop" if may_block else "check", "loops")]


def _loop_findings(device: Tension, rule: CordRule | None) -> list[Finding]:
    if rule is None or rule.largest_loop is None:
        return []
    text = f"{rule.text} Try it with the device fixed ({rule.source})"
    return [Finding("loop_size", text, "check", "loops")]


HELD: Final = "a loop that hangs free can strangle. Fix every tension device before leaving; never leave one off."
TIED: Final = "a cord that hangs free can strangle. Fix the cleat before leaving, and show how the cord is tied up."
UNSEEN: Final = "a cord or chain that hangs free can strangle. What holds it is fixed before leaving."


def _child_caution(site: SiteFacts, rule: CordRule | None, what: str) -> Caution:
    who = "Children live or visit here" if site.children else "Children may visit"
    text = f"{who}: {what}"
    if rule is None or what == TIED:
        return Caution("cords", text)  # what a place says of loops is not about a lift cord
    return Caution("cords", f"{text} {rule.text}".strip(), rule.source, rule.status)


def _cord(unit: InstallUnit, site: SiteFacts, rules: HardwareRules) -> ControlPlan:
    if unit.control != "cord":
        return ControlPlan()
    rule = site.cords
    height = rule.cleat_height if rule is not None else None
    where = f"at {height.as_mm():.0f} mm above the floor or higher" if height else "as high as the user reaches"
    lines = (line(rules, rules.controls.cleat, 1, f"1 for the lift cord, {where}"),)
    text = "a free cord: many places no longer allow one on a new covering; check before it goes up"
    cautions = (_child_caution(site, rule, TIED),)
    return ControlPlan(lines, (), (Finding("free_cord", text, "check", "control"),), cautions)


def _unknown(unit: InstallUnit, site: SiteFacts) -> ControlPlan:
    """Nobody chose a control: what a cord would ask for is said, and nothing is listed."""
    if unit.control != UNKNOWN_CONTROL:
        return ControlPlan()
    text = "no control is chosen: see how it is worked before it goes up, and bring what a cord or chain needs"
    found = Finding("control_unknown", text, "check", "options.control")
    return ControlPlan(findings=(found,), cautions=(_child_caution(site, site.cords, UNSEEN),))


# -- by hand ---------------------------------------------------------------------


def _reach(unit: InstallUnit, rules: HardwareRules) -> ControlPlan:
    rule = rules.controls
    if unit.control == "crank":
        return ControlPlan((line(rules, rule.crank_item, 1, "1 for the crank"),))
    if unit.control == "wand":
        return _wand(unit, rules)
    if unit.control in {"cordless", "spring"} and unit.reach_height is not None and unit.reach_height > rule.most_reach:
        wanted = unit.reach_height - rule.most_reach
        pole = _shortest(rule.poles, wanted, rules)
        if pole is None:
            text = f"raised, its bar is {unit.reach_height} up: no pole is long enough; a motor is wanted"
            return ControlPlan(findings=(Finding("out_of_reach", text, "check", "reach_height"),))
        why = f"1: raised, its bar is {unit.reach_height} up, {wanted} over the {rule.most_reach} a hand reaches"
        return ControlPlan((line(rules, pole, 1, why, shared="pole"),))
    return ControlPlan()


def _wand(unit: InstallUnit, rules: HardwareRules) -> ControlPlan:
    rule = rules.controls
    if unit.reach_height is None:
        wanted, why = (
            Length(unit.height.ticks // 2),
            f"half the height of {unit.height}, as the head's height is not known",
        )
    else:
        wanted = unit.reach_height - rule.hand_height
        why = f"head at {unit.reach_height} − hand at {rule.hand_height} = {max(wanted, ZERO)}"
    wand = _shortest(rule.wands, wanted, rules)
    if wand is not None and "wand" in unit.comes_with:
        return ControlPlan()
    if wand is None:
        longest = max(rule.wands, key=lambda key: rules.item(key).length or ZERO)
        text = f"a wand of {wanted} is wanted, longer than any: the longest is listed, a motor would be better"
        return ControlPlan(
            (line(rules, longest, 1, f"1: {why}; the longest there is"),),
            findings=(Finding("wand_short", text, "check", "reach_height"),),
        )
    return ControlPlan((line(rules, wand, 1, f"1: {why}"),))


def _shortest(keys: Iterable[str], wanted: Length, rules: HardwareRules) -> str | None:
    fitting = [(rules.item(key).length or ZERO, key) for key in keys if (rules.item(key).length or ZERO) >= wanted]
    return min(fitting)[1] if fitting else None


# -- motors ----------------------------------------------------------------------


def _motor(unit: InstallUnit, rules: HardwareRules) -> ControlPlan:
    motor = unit.motor
    if motor is None:
        return ControlPlan()
    rule = rules.motors
    lines: list[Line] = []
    to_do: list[ToDo] = []
    findings: list[Finding] = []
    if motor.power == "battery":
        if "battery" not in unit.comes_with:
            lines.append(line(rules, rule.battery, 1, "1 for the motor"))
        lines.append(line(rules, rule.charger, 1, "1 for all battery motors of the job", shared="charger"))
        to_do.append(ToDo("before loading", "charge the battery full and write the time on the package"))
    elif motor.power == "plug":
        clips = -(-unit.height.ticks // rule.lead_clip_every.ticks) + 1
        lines.append(line(rules, rule.plug, 1, "1 for the motor"))
        lines.append(
            line(
                rules,
                rule.lead_clip,
                clips,
                f"{clips} clips: lead down {unit.height}, one every {rule.lead_clip_every}",
            )
        )
    else:
        to_do.append(ToDo("before loading", "ask that the licensed electrician's supply is ready and switched off"))
        text = "hard-wired motor: a licensed electrician connects it"
        findings.append(Finding("electrician", text, "check", "motor"))
    to_do.append(ToDo("on site", "set the upper and lower limits"))
    if motor.remote:
        lines.append(line(rules, rule.remote, 1, f"1 for the remote {motor.remote}", shared=f"remote {motor.remote}"))
        if rule.batteries_a_remote:
            why = f"{rule.batteries_a_remote} for the remote {motor.remote}"
            lines.append(
                line(
                    rules,
                    rule.remote_battery,
                    rule.batteries_a_remote,
                    why,
                    shared=f"batteries of remote {motor.remote}",
                )
            )
    channel = "channel to choose" if motor.channel is None else f"channel {motor.channel}"
    if motor.channel is None:
        findings.append(Finding("channel_missing", "no remote channel is chosen", "check", "motor"))
    remote = f"the remote {motor.remote}" if motor.remote else "a remote, to choose"
    to_do.append(ToDo("on site", f"teach {remote}, {channel}; write it on the completion record"))
    return ControlPlan(tuple(lines), (), tuple(findings), (), tuple(to_do))
