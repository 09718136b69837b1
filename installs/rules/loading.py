"""
The load list of one truck and day: long pieces by rack, the rest in reverse order of stops.

The last stop is loaded first and lies deepest; each unit's packages lie together. Hardware is
summed over the day with its spares; what a job shares (a charger, a remote) counts once a job.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated, Final

from installs.rules.data import HardwareRules
from installs.rules.findings import Finding, Tool
from installs.rules.hardware import HardwareList, by_item, job_hardware
from installs.rules.spares import day_spares
from installs.rules.tools import merge_tools
from installs.rules.trims import Line
from installs.rules.units import InstallUnit
from shared.lengths import ZERO, Length
from shared.records import Record, Within

LONG_RACK: Final = "long rack"
OWN: Final = "own:"
"""How the item of a line begins that is a customer's own material."""
HARDWARE: Final = "hardware"
SPARES: Final = "spares"
TOOLS: Final = "tools"


@dataclass(frozen=True)
class Package(Record):
    """What a unit is carried as; `number` of `of`, with its longest side."""

    unit: str
    number: Annotated[int, Within(1, 20)]
    of: Annotated[int, Within(1, 20)]
    what: str
    length: Length
    weight_g: int = 0

    @property
    def label(self) -> str:
        """``1 of 2: head``"""
        return f"{self.number} of {self.of}: {self.what}"


@dataclass(frozen=True)
class GoesBack:
    """What remains of the customer's own material, by the code of its piece."""

    code: str
    text: str


@dataclass(frozen=True)
class StopLoad:
    """One stop of the day in driving order, with its units, their lists and packages."""

    number: int
    job: str
    units: tuple[InstallUnit, ...]
    lists: tuple[HardwareList, ...]
    packages: tuple[Package, ...]
    goes_back: tuple[GoesBack, ...] = ()
    parts: str = ""
    """Of a service call, as the office wrote them."""


@dataclass(frozen=True)
class LoadEntry(Record):
    """One line to check off: a package, or an item of hardware, or a tool."""

    order: int
    section: str
    text: str
    quantity: int = 1
    unit: str = ""
    package: str = ""
    item: str = ""
    stop: int | None = None
    length: Length | None = None
    why: str = ""


@dataclass(frozen=True)
class LoadPlan(Record):
    """Everything to put on the truck, in the order it is put on."""

    entries: tuple[LoadEntry, ...]
    findings: tuple[Finding, ...] = ()
    weight_g: int = 0


def packages_of(unit: InstallUnit, weight_g: int, rules: HardwareRules) -> tuple[Package, ...]:
    """
    The packages of a unit by its family's table, a valance as one more; each as long as its part.

    A soft or hard covering travels across its width; vanes travel down their height. The weight is
    laid on the first package, as nobody weighs them apart.
    """
    rule = rules.loading
    names = [*rule.packages[unit.family]]
    if unit.valance is not None:
        names.append(rule.valance_package)
    out = []
    for number, name in enumerate(names, start=1):
        length = unit.height if name == "vanes" else unit.width
        if name == rule.valance_package and unit.valance is not None:
            length = unit.valance.length
        out.append(Package(unit.code, number, len(names), name, length, weight_g if number == 1 else 0))
    return tuple(out)


def load_list(stops: Sequence[StopLoad], rules: HardwareRules, truck_longest: Length | None = None) -> LoadPlan:
    """
    The load list in the order of loading.

    Parameters
    ----------
    stops
        In driving order; the list turns them round.
    truck_longest
        The longest package the truck takes; None where not known, and then a note asks.
    """
    long_from = rules.loading.long_from
    packages = [(stop, package) for stop in stops for package in stop.packages]
    long_ones = [pair for pair in packages if pair[1].length >= long_from]
    short_ones = [pair for pair in packages if pair[1].length < long_from]
    long_ones.sort(key=lambda pair: (-pair[1].length.ticks, -pair[0].number, pair[1].unit, pair[1].number))
    short_ones.sort(key=lambda pair: (-pair[0].number, pair[1].unit, pair[1].number))
    entries = [_package(LONG_RACK, stop, package) for stop, package in long_ones]
    entries += [_package(f"stop {stop.number}", stop, package) for stop, package in short_ones]
    entries += [_goes_back(stop, one) for stop in reversed(stops) for one in stop.goes_back]
    entries += [_parts(stop) for stop in reversed(stops) if stop.parts]
    hardware = day_hardware(stops, rules)
    units = [unit for stop in stops for unit in stop.units]
    entries += [_hardware(HARDWARE, entry) for entry in hardware]
    entries += [_hardware(SPARES, entry) for entry in day_spares(hardware, units, rules)]
    entries += [_tool(tool) for tool in merge_tools(one.tools for stop in stops for one in stop.lists)]
    numbered = tuple(LoadEntry(**{**vars(entry), "order": number}) for number, entry in enumerate(entries, start=1))
    weight = sum(package.weight_g for _, package in packages)
    return LoadPlan(numbered, tuple(_too_long(packages, truck_longest)), weight)


def day_hardware(stops: Sequence[StopLoad], rules: HardwareRules) -> tuple[Line, ...]:
    """Hardware of all stops, one line an item, with how many for which stop; spares not in it."""
    return tuple(
        by_item(
            (entry, f"stop {stop.number}")
            for stop in stops
            for entry in job_hardware(stop.units, stop.lists, rules).lines
        )
    )


def _package(section: str, stop: StopLoad, package: Package) -> LoadEntry:
    return LoadEntry(
        0,
        section,
        f"{stop.job} {package.unit}, {package.label}",
        1,
        package.unit,
        package.label,
        stop=stop.number,
        length=package.length,
        why=f"{package.length} long, stop {stop.number}",
    )


def _goes_back(stop: StopLoad, one: GoesBack) -> LoadEntry:
    text = f"{stop.job} customer's own material, goes back: {one.text}"
    return LoadEntry(
        0, f"stop {stop.number}", text, item=f"{OWN}{one.code}", stop=stop.number, why=f"{one.code}, the customer's"
    )


def _parts(stop: StopLoad) -> LoadEntry:
    text = f"{stop.job} parts for the service call: {stop.parts}"
    return LoadEntry(0, f"stop {stop.number}", text[:160], item=f"parts:{stop.job}", stop=stop.number, why=stop.parts)


def _hardware(section: str, entry: Line) -> LoadEntry:
    return LoadEntry(0, section, entry.name, entry.quantity, item=entry.item, why=entry.why)


def _tool(tool: Tool) -> LoadEntry:
    return LoadEntry(0, TOOLS, tool.name, 1, item=tool.key, why=tool.why)


def _too_long(packages: Sequence[tuple[StopLoad, Package]], longest: Length | None) -> list[Finding]:
    if longest is None:
        most = max((package.length for _, package in packages), default=ZERO)
        text = f"the truck's longest package is not entered; the longest today is {most}"
        return [Finding("truck_longest", text, "note", "truck_longest")] if packages else []
    return [
        Finding(
            "too_long_for_truck",
            f"{stop.job} {package.unit}, {package.label}: {package.length}, the truck takes {longest}",
            "check",
            "truck_longest",
            cannot=True,
        )
        for stop, package in packages
        if package.length > longest
    ]
