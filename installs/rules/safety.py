"""
Cautions that come with the wall, the building and the motor. They warn and defer: local code,
the product's own instructions and licensed trades come first. Nothing here is legal advice.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from math import pi
from typing import Final

from installs.rules.data import HardwareRules
from installs.rules.findings import Caution, Tool
from installs.rules.units import InstallUnit, SiteFacts
from shared.lengths import TICKS_PER_INCH
from shared.records import Record

SILICA_SOURCE: Final = "29 CFR 1926.1153(c) Table 1 (vii), handheld drills including rotary hammers"
SILICA_STATUS: Final = "R2"
SILICA_TOOLS: Final = (
    ("drill-shroud", "drill shroud with dust collection", "collects at the hole, air flow as the maker says"),
    ("hepa-vacuum", "HEPA vacuum, filter 99 % or better", "dust collection, and cleaning the holes"),
)


@dataclass(frozen=True)
class LeadAnswer(Record):
    """Whether work is within the minor-repair limit; `disturbed_sq_ft` as reckoned."""

    applies: bool
    is_minor: bool
    disturbed_sq_ft: Decimal
    limit_sq_ft: Decimal
    text: str
    verdict: str = ""
    """The text without the area, which differs from unit to unit."""


def silica_controls(substrate: str, rules: HardwareRules) -> tuple[Caution | None, tuple[Tool, ...]]:
    """
    The table's line for drilling masonry, concrete or tile: shroud and HEPA vacuum, no respirator.

    Examples
    --------
    >>> from installs.rules.data import starting_rules
    >>> silica_controls("wood", starting_rules())
    (None, ())
    >>> [tool.key for tool in silica_controls("concrete", starting_rules())[1]]
    ['drill-shroud', 'hepa-vacuum']
    """
    wall = rules.substrates[substrate]
    if not wall.silica:
        return None, ()
    text = (
        f"Drilling {wall.name} may free silica dust: shroud or cowling with dust collection, filter 99 % or better, "
        "HEPA vacuum for the holes. With them the table asks for no respirator, up to 4 hours or beyond."
    )
    tools = tuple(Tool(key, name, why) for key, name, why in SILICA_TOOLS)
    return Caution("silica", text, SILICA_SOURCE, SILICA_STATUS), tools


def drilled_sq_ft(holes: int, rules: HardwareRules) -> Decimal:
    """Painted area that so many holes disturb, each with a rim; square feet to a thousandth."""
    radius = (rules.lead.hole.ticks / 2 + rules.lead.around_hole.ticks) / TICKS_PER_INCH
    return Decimal(holes * pi * radius**2 / 144).quantize(Decimal("0.001"))


def lead_answer(site: SiteFacts, disturbed_sq_ft: Decimal, rules: HardwareRules, *, inside: bool = True) -> LeadAnswer:
    """
    Minor repair, or renovation that needs a certified firm: target housing built before 1978.

    `disturbed_sq_ft` is per room inside, or in all outside. An unknown year counts as old. Source:
    40 CFR 745.82, 745.83 (read); what else is never minor there (a window replaced, painted areas demolished)
    no covering needs.
    """
    limit = rules.lead.inside_sq_ft if inside else rules.lead.outside_sq_ft
    if site.year_built is not None and site.year_built >= rules.lead.built_before:
        text = f"built {site.year_built}, not before {rules.lead.built_before}: the rule does not apply"
        return LeadAnswer(False, True, disturbed_sq_ft, limit, text)
    is_minor = disturbed_sq_ft <= limit
    year = f"built {site.year_built}" if site.year_built is not None else "year not known, taken as old"
    bound = f"{limit} sq ft {'a room inside' if inside else 'outside'} is the limit"
    verdict = "minor repair" if is_minor else "renovation: lead-safe rules and a certified firm"
    return LeadAnswer(
        True,
        is_minor,
        disturbed_sq_ft,
        limit,
        f"{year}: {disturbed_sq_ft} sq ft of paint disturbed, {bound}: {verdict}",
        f"{year}: {verdict}, {bound}",
    )


def site_cautions(unit: InstallUnit, site: SiteFacts, holes: int, rules: HardwareRules) -> tuple[Caution, ...]:
    """Every caution of one unit at its site, the weightiest first."""
    out: list[Caution] = []
    out += _mains(unit)
    out += _paint(site, holes, rules)
    silica, _ = silica_controls(unit.substrate, rules)
    out += [silica] if silica else []
    out += _ceiling(unit, site, rules)
    if holes:
        out.append(Caution("drilling", rules.cautions["drilling"]))
    if rules.substrates[unit.substrate].advice:
        out.append(Caution("wall", rules.substrates[unit.substrate].advice))
    for fact in unit.facts:
        if fact != "textured_ceiling":
            out.append(Caution(fact, rules.cautions.get(fact, f"Noted on site: {fact.replace('_', ' ')}.")))
    return tuple(out)


def _mains(unit: InstallUnit) -> list[Caution]:
    if unit.motor is None or unit.motor.power != "hard_wired":
        return []
    text = (
        "Mains-voltage motor: wiring is a licensed electrician's work under local law. "
        "Do not open, connect or test the supply; leave the unit unpowered until the electrician has been."
    )
    return [Caution("mains", text, "state and local licence law; NEC, from memory", "M")]


def _paint(site: SiteFacts, holes: int, rules: HardwareRules) -> list[Caution]:
    answer = lead_answer(site, drilled_sq_ft(holes, rules), rules)
    if not answer.applies or not holes:
        return []
    text = f"Old paint may hold lead ({answer.verdict}). Wet the spot, catch the dust, no dry sanding."
    area = f"{answer.disturbed_sq_ft} sq ft"
    return [Caution("lead", text, rules.lead.source, rules.lead.status, area)]


def _ceiling(unit: InstallUnit, site: SiteFacts, rules: HardwareRules) -> list[Caution]:
    textured = "textured_ceiling" in unit.facts
    old = site.year_built is None or site.year_built <= rules.asbestos.built_until
    if not textured or not old:
        return []
    text = rules.cautions.get("textured_ceiling", "Textured ceiling: ask about asbestos before drilling.")
    return [Caution("asbestos", text, rules.asbestos.source, rules.asbestos.status)]
