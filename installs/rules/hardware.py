"""
From one unit and its site to all the hardware it needs, every line with how it was reached.

`hardware_list` is the whole calculation; its pieces stand in the modules beside this one. The
answer is complete in the sense of `tests.installs.completeness.incomplete`, or says under
`cannot` why the unit can't go up as it stands.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Final

from installs.rules.brackets import BracketPlan, plan_brackets
from installs.rules.clearance import Projection, plan_projection, projection_needed
from installs.rules.controls import ControlPlan, Tension, plan_control
from installs.rules.data import HardwareRules
from installs.rules.findings import Caution, Finding, ToDo, Tool
from installs.rules.fixings import Fixing, FixingPlan, board_screw, plan_fixings, screw_allows, screw_item
from installs.rules.ladders import LadderPlan
from installs.rules.readable import in_unit
from installs.rules.safety import site_cautions
from installs.rules.tools import People, ladder_of, merge_tools, people_needed, tools_of
from installs.rules.trims import Line, gap_strips, hold_downs, is_held_down, line, shims, valance
from installs.rules.units import InstallUnit, SiteFacts
from shared.formats.mass import pounds_text
from shared.lengths import ZERO, Length, LengthUnit
from shared.records import Record

GROUPS: Final = (
    "bracket",
    "spacer",
    "shim",
    "screw",
    "anchor",
    "board",
    "strip",
    "clip",
    "hold_down",
    "tension",
    "control",
    "motor",
    "spare",
)
"""Groups of items in the order a list shows them."""


@dataclass(frozen=True)
class HardwareList(Record):
    """All that one unit needs on the wall, by one revision of the rules."""

    unit: str
    revision: int
    lines: tuple[Line, ...]
    brackets: BracketPlan
    projection: Projection
    fixings: tuple[Fixing, ...]
    tension: tuple[Tension, ...]
    findings: tuple[Finding, ...]
    cautions: tuple[Caution, ...]
    tools: tuple[Tool, ...]
    to_do: tuple[ToDo, ...]
    people: People
    ladder: LadderPlan

    @property
    def brackets_at(self) -> tuple[Length, ...]:
        """Middles of the brackets from the left end, for the drawing."""
        return tuple(place.at for place in self.brackets.places)

    @property
    def cannot(self) -> tuple[Finding, ...]:
        """What keeps the unit from going up as it stands."""
        return tuple(finding for finding in self.findings if finding.cannot)

    def count(self, item: str) -> int:
        """How many of an item, over all lines."""
        return sum(entry.quantity for entry in self.lines if entry.item == item)

    def as_columns(self) -> dict[str, object]:
        """What the row of a unit's hardware keeps: lines, brackets_at (ticks), cautions, cannot, tools."""
        return {
            "lines": [entry.to_json() for entry in self.lines],
            "brackets_at": [at.ticks for at in self.brackets_at],
            "cautions": [entry.to_json() for entry in self.cautions],
            "cannot": [entry.to_json() for entry in self.cannot],
            "tools": [entry.to_json() for entry in self.tools],
        }


def hardware_list(
    unit: InstallUnit, site: SiteFacts, rules: HardwareRules, show: LengthUnit = LengthUnit.INCH
) -> HardwareList:
    """
    The complete hardware of one unit; `show` is the unit its texts speak in.

    Returns
    -------
    HardwareList
        Lines in the order of `GROUPS`, each with its derivation. What is impossible or unproven
        is a finding, never an exception.

    Examples
    --------
    >>> from installs.rules.data import starting_rules
    >>> unit = InstallUnit(
    ...     "A1", "slat", Length.inches(74), Length.inches(60), "inside", "jamb", "wood", weight_g=11000
    ... )
    >>> answer = hardware_list(unit, SiteFacts(year_built=1995), starting_rules())
    >>> answer.brackets.why
    '3 brackets: 2 ends + 1 because 74 in is over the 48 in span'
    >>> [(entry.item, entry.quantity) for entry in answer.lines]
    [('box-bracket', 2), ('centre-support', 1), ('wood-screw-8x1-1_2', 6)]
    """
    plan = plan_brackets(unit, rules)
    projection, projection_findings = unit_projection(unit, plan.size.standoff, rules)
    fixings = plan_fixings(unit, site, plan, projection, rules)
    control = plan_control(unit, site, rules)
    strips, strip_findings = gap_strips(unit, rules)
    packing, shim_findings = shims(unit, plan, rules)
    downs, down_findings = hold_downs(unit, rules)
    lines = [
        *_bracket_lines(plan, rules),
        *_projection_lines(plan, projection, rules),
        *_fixing_lines(unit, site, plan, fixings, control, rules),
        *strips,
        *valance(unit, rules),
        *packing,
        *downs,
        *control.lines,
    ]
    people = people_needed(unit, plan.weight_lb, rules)
    ladder = ladder_of(unit, plan.weight_lb, rules)
    findings = [
        *plan.findings,
        *projection_findings,
        *fixings.findings,
        *control.findings,
        *strip_findings,
        *shim_findings,
        *down_findings,
    ]
    holes = max((kit.per_bracket for kit in fixings.kits), default=0) * len(plan.places)
    answer = HardwareList(
        unit=unit.code,
        revision=rules.revision,
        lines=in_order(lines),
        brackets=plan,
        projection=projection,
        fixings=fixings.kits,
        tension=control.tension,
        findings=tuple(sorted(findings, key=lambda finding: _WEIGHT[finding.severity])),
        cautions=(*site_cautions(unit, site, holes, rules), *control.cautions, *_people_caution(people, ladder)),
        tools=tools_of(unit, plan, fixings, ladder, people, rules),
        to_do=control.to_do,
        people=people,
        ladder=ladder,
    )
    return in_unit(answer, show)


_WEIGHT: Final = {"stop": 0, "check": 1, "note": 2}


def unit_projection(unit: InstallUnit, standoff: Length, rules: HardwareRules) -> tuple[Projection, list[Finding]]:
    """
    Spacers or an extension bracket past what stands in the way of an outside mount.

    Inside a recess nothing is built out: the brackets are set forward, and a note says how far.
    """
    hand = rules.clearance.hand[unit.family]
    needed = projection_needed((entry.projection for entry in unit.obstructions), hand)
    names = ", ".join(f"{entry.kind} {entry.projection}" for entry in unit.obstructions)
    if unit.mount == "inside" or unit.fixed_to == "ceiling":
        projection = Projection("none", needed, standoff, why="set forward in the recess, nothing is built out")
        if not needed:
            return Projection("none", needed, standoff, why="nothing stands out"), []
        text = f"set the brackets so that the covering hangs {needed} or more in front of the frame ({names} + {hand})"
        return projection, [Finding("set_forward", text, "note", "obstructions")]
    rule = rules.clearance
    projection = plan_projection(
        needed, standoff, _sized(rule.spacers, rules), rule.most_stack, _sized(rule.extensions, rules)
    )
    if projection.way != "cannot":
        return projection, []
    text = f"can't clear {names}: {projection.why}"
    return projection, [Finding("projection", text, rules.severity(), "obstructions", cannot=True)]


def _sized(keys: Iterable[str], rules: HardwareRules) -> list[tuple[str, Length]]:
    return [(key, rules.item(key).length or ZERO) for key in keys]


# -- lines -----------------------------------------------------------------------


def _bracket_lines(plan: BracketPlan, rules: HardwareRules) -> list[Line]:
    out = []
    for item in dict.fromkeys(place.item for place in plan.places):
        mine = [place for place in plan.places if place.item == item]
        at = ", ".join(str(place.at) for place in mine)
        out.append(line(rules, item, len(mine), f"{plan.why}; this one at {at} from the left end"))
    return out


def _projection_lines(plan: BracketPlan, projection: Projection, rules: HardwareRules) -> list[Line]:
    count = len(plan.places)
    if projection.way == "extension":
        return [line(rules, projection.extension, count, f"1 at each of {count} brackets; {projection.why}")]
    return [
        line(rules, block.item, block.count * count, f"{block.count} at each of {count} brackets; {projection.why}")
        for block in projection.blocks
    ]


def _fixing_lines(
    unit: InstallUnit,
    site: SiteFacts,
    plan: BracketPlan,
    fixings: FixingPlan,
    control: ControlPlan,
    rules: HardwareRules,
) -> list[Line]:
    out: list[Line] = []
    brackets = len(plan.places)
    cleats = sum(1 for entry in control.lines if entry.item == rules.controls.cleat)
    devices = len(control.tension) + cleats
    is_on_wall = is_held_down(unit, rules) and not unit.is_door and "steel_door" not in unit.facts
    downs = rules.hold_downs.count if is_on_wall else 0
    for kit in fixings.kits:
        count = brackets * kit.per_bracket
        either = " (one of two kits: the wall is not known)" if len(fixings.kits) > 1 else ""
        why = f"{brackets} brackets × {kit.per_bracket}{either}; {kit.why}"
        out += _with_anchors(kit, kit.screw, count, why, kit.kit, rules)
        small = screw_item(unit, kit.kit, plan.size.plate, rules) or kit.screw
        if devices:
            each = rules.controls.screws_each
            what = "tension device" if control.tension else "cleat"
            why = f"{devices} {what}{'s' if devices > 1 else ''} × {each}{either}" + _held(
                site, kit, small, each, rules
            )
            out += _with_anchors(kit, small, devices * each, why, f"tension {kit.kit}", rules)
        if downs:
            why = f"{downs} hold-downs × {rules.hold_downs.screws_each}{either}"
            number = downs * rules.hold_downs.screws_each
            out += _with_anchors(kit, small, number, why, f"hold-down {kit.kit}", rules) if number else []
    return out + (_backing(unit, fixings, rules) if fixings.needs_backing else [])


def _with_anchors(kit: Fixing, screw: str, count: int, why: str, label: str, rules: HardwareRules) -> list[Line]:
    out = [line(rules, screw, count, why, kit=label)]
    if kit.anchor:
        out.append(line(rules, kit.anchor, count, "1 for each screw", kit=label))
    return out


def _held(site: SiteFacts, kit: Fixing, screw: str, count: int, rules: HardwareRules) -> str:
    """What a device must hold where the place says so, beside what its screws take in wood."""
    rule = site.cords
    if rule is None or rule.hold_lb is None:
        return ""
    allowed = screw_allows(kit.kit, screw, count, rules)
    takes = "no allowable load entered"
    if allowed is not None:
        takes = f"{pounds_text(allowed)} allowed at the kit's least bite"
    return f"; must hold {pounds_text(rule.hold_lb)} in any direction, {takes}"


def _backing(unit: InstallUnit, fixings: FixingPlan, rules: HardwareRules) -> list[Line]:
    """The board in lengths of stock, and its own screws into the studs."""
    rule = rules.backing
    stock = rules.item(rule.item).length or unit.width
    whole, rest = divmod(unit.width.ticks, stock.ticks)
    lengths = (*(stock for _ in range(whole)), *((Length(rest),) if rest else ()))
    why = f"{unit.width} long behind the brackets, screwed into the studs"
    out = [line(rules, rule.item, len(lengths), why, lengths=lengths)]
    studs = unit.width.ticks // rule.stud_spacing.ticks + 1
    for kit in fixings.kits:
        screw = board_screw(unit, kit.kit, rules) or kit.screw
        count = studs * rule.screws_a_stud
        text = f"board into studs: {studs} studs every {rule.stud_spacing} × {rule.screws_a_stud}"
        out.append(line(rules, screw, count, text, kit=f"board {kit.kit}"))
    return out


def _people_caution(people: People, ladder: LadderPlan) -> list[Caution]:
    out = []
    if people.count > 1:
        out.append(Caution("two_people", "Two people: " + "; ".join(people.why)))
    if ladder.kind != "none":
        out.append(
            Caution(
                "ladder",
                f"Ladder: {ladder.why}. Face it, one hand on it, never on the top two steps.",
                "29 CFR 1926.1053(b)(13), (20)-(22)",
                "R2",
            )
        )
    return out


def in_order(lines: Sequence[Line]) -> tuple[Line, ...]:
    """Lines by group, otherwise as they came."""
    return tuple(sorted(lines, key=lambda entry: GROUPS.index(entry.group) if entry.group in GROUPS else len(GROUPS)))


# -- a whole job or visit ----------------------------------------------------------


@dataclass(frozen=True)
class RemoteChannel(Record):
    """One entry of a remote's map."""

    remote: str
    channel: int | None
    units: tuple[str, ...]


@dataclass(frozen=True)
class SharedCaution(Record):
    """One caution and the units it is for."""

    code: str
    text: str
    units: tuple[str, ...]
    source: str = ""
    status: str = ""
    amounts: tuple[str, ...] = ()


@dataclass(frozen=True)
class JobHardware(Record):
    """What several units of one job need together; shared things are counted once."""

    lines: tuple[Line, ...]
    tools: tuple[Tool, ...]
    remotes: tuple[RemoteChannel, ...]
    findings: tuple[Finding, ...]
    cautions: tuple[SharedCaution, ...]
    people: int


def job_hardware(units: Sequence[InstallUnit], lists: Sequence[HardwareList], rules: HardwareRules) -> JobHardware:
    """
    Units of one job summed: an item is one line, a charger, a remote or a pole there once.

    Parameters
    ----------
    units, lists
        The same units in the same order, and their hardware.
    """
    own: list[tuple[Line, str]] = []
    shared: dict[str, Line] = {}
    for unit_list in lists:
        for entry in unit_list.lines:
            if entry.shared:
                kept = shared.get(entry.shared)
                if kept is None or _bigger(entry, kept, rules):
                    shared[entry.shared] = entry
            else:
                own.append((entry, unit_list.unit))
    remotes, findings = remote_map(units)
    return JobHardware(
        in_order(by_item([*own, *((entry, "") for entry in shared.values())])),
        merge_tools(unit_list.tools for unit_list in lists),
        remotes,
        tuple(findings),
        merge_cautions(lists),
        max((unit_list.people.count for unit_list in lists), default=1),
    )


def merge_cautions(lists: Sequence[HardwareList]) -> tuple[SharedCaution, ...]:
    """Cautions equal but for their amount once, with units and amounts, in the order they first appear."""
    found: dict[Caution, tuple[list[str], list[str]]] = {}
    for unit_list in lists:
        for caution in dict.fromkeys(unit_list.cautions):
            units, amounts = found.setdefault(replace(caution, amount=""), ([], []))
            units.append(unit_list.unit)
            if caution.amount and caution.amount not in amounts:
                amounts.append(caution.amount)
    return tuple(
        SharedCaution(caution.code, caution.text, tuple(units), caution.source, caution.status, tuple(amounts))
        for caution, (units, amounts) in found.items()
    )


def remote_map(units: Sequence[InstallUnit]) -> tuple[tuple[RemoteChannel, ...], list[Finding]]:
    """Which channel of which remote moves which units; a note where two share a channel."""
    found: dict[tuple[str, int | None], list[str]] = {}
    for unit in units:
        if unit.motor is not None:
            found.setdefault((unit.motor.remote, unit.motor.channel), []).append(unit.code)
    entries = [RemoteChannel(remote, channel, tuple(codes)) for (remote, channel), codes in found.items()]
    entries.sort(key=lambda entry: (entry.remote, entry.channel or 0))
    findings = [
        Finding(
            "channel_shared",
            f"{', '.join(entry.units)} move together on channel {entry.channel} of the remote {entry.remote}",
            "note",
            "motor",
        )
        for entry in entries
        if len(entry.units) > 1 and entry.channel is not None
    ]
    return tuple(entries), findings


def _bigger(entry: Line, kept: Line, rules: HardwareRules) -> bool:
    sizes = [(rules.item(one.item).length or ZERO, one.quantity) for one in (entry, kept)]
    return sizes[0] > sizes[1]


def by_item(entries: Iterable[tuple[Line, str]]) -> list[Line]:
    """
    Lines of one item as one, with how many for whom; where nobody is named, the line's own words stand.

    Screws of the brackets and of the tension devices are the same screws to whoever picks them.
    """
    found: dict[str, list[tuple[Line, str]]] = {}
    for entry, who in entries:
        found.setdefault(entry.item, []).append((entry, who))
    return [_as_one(rows) for rows in found.values()]


def _as_one(rows: Sequence[tuple[Line, str]]) -> Line:
    counts: dict[str, int] = {}
    for entry, who in rows:
        if who:
            counts[who] = counts.get(who, 0) + entry.quantity
    whys = [f"{count} for {who}" for who, count in counts.items()] + [entry.why for entry, who in rows if not who]
    lines = [entry for entry, _ in rows]
    return replace(
        lines[0],
        quantity=sum(entry.quantity for entry in lines),
        why=", ".join(whys),
        lengths=tuple(length for entry in lines for length in entry.lengths),
        kit=lines[0].kit if len({entry.kit for entry in lines}) == 1 else "",
        shared=lines[0].shared if len({entry.shared for entry in lines}) == 1 else "",
    )
