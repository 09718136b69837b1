"""
What the crew's paper says: gathered once from the books, for the packet and its kin.

Plain values only, so that their hash says when the paper is stale. The door's code or the place of
a key is never among them: that is shown on the day, on the crew's own screen.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Final

from django.conf import settings
from django.urls import reverse

from installs.adapters.evaluation import Worked, rules_of, size_of, summed_of, visit_units_of, work_out
from installs.adapters.truck import NOT_ON, left_behind, lines_of, packages_on
from installs.drawings import head_drawing, opening_with_brackets
from installs.models import Load, LoadLine, VisitUnit
from installs.rules import packet_pages
from installs.rules.cords import CordRule
from installs.rules.data import HardwareRules as Rules
from installs.rules.findings import with_amounts
from installs.rules.hardware import HardwareList, JobHardware
from installs.services.loads import goes_up, packages_for
from jobs.drawings import route_map
from jobs.models import Appointment, Crew, Purpose, ServiceCall, Site
from jobs.schedule.day import DaySchedule, moment, read_day
from jobs.schedule.handovers import fetched
from jobs.schedule.words import clock, promise_text
from measuring.adapters.changes import in_question, said
from measuring.adapters.options import options_shown
from measuring.adapters.shapes import template_lines
from measuring.adapters.summaries import bays_among
from measuring.models import Opening, Photo, Reading, SizeChange, Unit
from shared.drawings import Svg
from shared.formats.dates import clocks, long_day
from shared.formats.mass import GRAMS_PER_POUND, mass
from shared.formats.money import money_text
from shared.lengths import Length, LengthUnit

DEAD = (Unit.State.CANCELLED, Unit.State.REPLACED)


@dataclass(slots=True)
class StopSummary:
    """One stop with its units and their hardware."""

    number: int
    visit: Appointment
    rows: list[VisitUnit]
    worked: list[Worked]
    summed: JobHardware
    rules: Rules
    drive_min: int = 0
    expected: dt.datetime | None = None
    leaves: dt.datetime | None = None
    openings: list[tuple[Opening, list[Worked]]] = field(default_factory=list)

    @property
    def good(self) -> list[Worked]:
        return [one for one in self.worked if one.hardware is not None and one.read is not None]


def stop_summary(
    visit: Appointment, rows: Sequence[VisitUnit], rules: Rules, number: int = 1,
    cords: dict[int, CordRule | None] | None = None, questioned: Mapping[int, SizeChange] | None = None,
) -> StopSummary:  # fmt: skip
    """One visit, whatever became of its units since; `cords` as `work_out` has them, `questioned` as `in_question`."""
    worked = work_out([row.unit for row in rows if row.unit.state not in DEAD], rules, cords)
    questioned = in_question(one.unit.pk for one in worked) if questioned is None else questioned
    worked = [
        replace(one, on_hold=said(questioned[one.unit.pk], visit.job.branch.unit)) if one.unit.pk in questioned else one
        for one in worked
    ]
    summed = summed_of(worked, rules)
    openings: dict[int, tuple[Opening, list[Worked]]] = {}
    for one in worked:
        openings.setdefault(one.unit.opening_id, (one.unit.opening, []))[1].append(one)
    return StopSummary(number, visit, list(rows), worked, summed, rules, openings=list(openings.values()))


@dataclass(slots=True)
class DaySummary:
    """A crew-day for paper, with the list of its truck."""

    load: Load
    lines: list[LoadLine]
    schedule: DaySchedule | None
    stops: list[StopSummary]
    rules: Rules
    starts: dt.datetime | None = None
    back: dt.datetime | None = None
    drive_min: int = 0


def day_summary(load: Load) -> DaySummary:
    """The crew's install visits of the day with drive and times as planned, and what is on the truck."""
    crew = load.crew
    schedule = read_day(crew, load.day)
    visits = [row for row in schedule.appointments if goes_up(row)]
    rules = rules_of(crew.branch)
    by_visit = visit_units_of(visits)
    cords: dict[int, CordRule | None] = {}
    questioned = in_question(row.unit_id for rows in by_visit.values() for row in rows)
    stops = [
        stop_summary(visit, by_visit.get(visit.pk, []), rules, number, cords, questioned)
        for number, visit in enumerate(visits, 1)
    ]
    read_openings(stops)
    summary = DaySummary(load, lines_of(load), None, stops, rules)
    if visits:
        summary.schedule = schedule
        summary.drive_min = round(schedule.timeline.drive / 60)
        summary.starts, summary.back = moment(schedule.timeline.depart), moment(schedule.timeline.back)
        for stop in stops:
            found = schedule.stops.get(stop.visit.pk)
            if found is not None:
                stop.drive_min, stop.expected = round(found.driving / 60), stop.visit.starts_at
                stop.leaves = moment(found.leave)
    return summary


def read_openings(stops: Iterable[StopSummary]) -> None:
    """Readings of all openings in one query, put where drawing them looks."""
    openings = {opening.pk: opening for stop in stops for opening, _ in stop.openings}
    found: dict[int, list[Reading]] = {pk: [] for pk in openings}
    for reading in Reading.objects.filter(opening__in=list(openings)).select_related("tape", "taken_by"):
        found[reading.opening_id].append(reading)
    for stop in stops:
        for opening, several in stop.openings:
            for one in [opening, *(worked.unit.opening for worked in several)]:
                cache = getattr(one, "_prefetched_objects_cache", None) or {}
                one._prefetched_objects_cache = {**cache, "readings": found[opening.pk]}  # type: ignore[attr-defined]  # Django's own


@dataclass(frozen=True, slots=True)
class Left:
    """What the measurer left for whoever installs at an opening."""

    notes: list[str]
    photos: list[Photo]


def left_by_measurer(stop: StopSummary) -> dict[int, Left]:
    """Notes and photos by opening; one query."""
    photos: dict[int, list[Photo]] = {opening.pk: [] for opening, _ in stop.openings}
    for photo in Photo.objects.filter(opening__in=list(photos), removed_at=None):
        photos[photo.opening_id].append(photo)
    return {
        opening.pk: Left([text for text in (opening.access_note, opening.note) if text], photos[opening.pk])
        for opening, _ in stop.openings
    }


# -- words and plain values ----------------------------------------------------------------


def page_of_stop(visit: Appointment) -> str:
    """What a document's QR says: the stop's own page."""
    return f"{settings.SITE_URL}{reverse('installs:stop', args=[visit.pk])}"


def access_words(site: Site) -> str:
    """How to get in, without what opens the door."""
    words = {
        Site.Access.MET: "met at the door",
        Site.Access.KEY: "with a key; where it is, is on the stop's page on the day",
        Site.Access.CODE: "with a code; it is on the stop's page on the day",
        Site.Access.DESK: "through the front desk",
    }[Site.Access(site.access)]
    return f"{words}. {site.access_note}".strip(". ") + "."


def facts_of_site(visit: Appointment) -> list[list[str]]:
    """What the crew must know of the place; empty facts are left out."""
    site, job = visit.job.site, visit.job
    hours = clocks(site.hours_from, site.hours_until) if site.hours_from and site.hours_until else ""
    lift = "lift" if site.has_lift else "stairs only"
    floor = f"floor {site.floor}, {lift}" if site.floor else ""
    call = ServiceCall.objects.filter(appointment=visit).first() if visit.purpose == Purpose.SERVICE else None
    rows = [
        *(call_facts(call, job.branch.currency) if call is not None else ()),
        ("on the way", "; ".join(fetched([visit]).get(visit.pk, []))),
        ("access", access_words(site)),
        ("contact", f"{job.customer.name}, {job.customer.phone}".strip(", ")),
        ("opens", f"{site.door_contact}, {site.door_phone}".strip(", ") if site.door_contact else ""),
        ("notice", site.notice_needed),
        ("parking", site.parking),
        ("floor", floor),
        ("hours", hours),
        ("dock or lift", site.dock_note),
        ("certificate", site.certificate_note),
        ("pets", site.pets),
        ("children", "live or visit here" if site.children else "none, the customer says"),
        ("built", str(site.year_built) if site.year_built else "not known, taken as old"),
        ("note", visit.note),
    ]
    return [[name, text] for name, text in rows if text]


def call_facts(call: ServiceCall, currency: str) -> list[tuple[str, str]]:
    """What a service call is about."""
    charge = "" if call.trip_charge is None else money_text(call.trip_charge, currency)
    return [("service", str(call)), ("wrong", call.fault), ("parts", call.parts), ("trip charge", charge)]


def unit_values(one: Worked, show: LengthUnit, options: Sequence[tuple[str, str]], rules: Rules) -> dict[str, Any]:
    """One unit for a table: what it is, its finished size, how it is held, what to mind."""
    unit, hardware = one.unit, one.hardware
    width, height = size_of(unit)
    templates, old = template_lines(unit.opening), _old_covering(unit.opening)
    return {
        "code": unit.code,
        "opening": str(unit.opening),
        "product": unit.product.name,
        "family": unit.product.family,
        "mount": unit.get_mount_display(),
        "fixed_to": unit.opening.get_fixed_to_display(),
        "substrate": unit.opening.get_substrate_display(),
        "width": width,
        "height": height,
        "options": [list(pair) for pair in options],
        **(_held_by(hardware, show) if hardware else NOT_HELD),
        "kits": _kits(one, rules),
        "findings": [finding.text for finding in one.findings],
        "cannot": one.cannot,
        "is_remake_of": unit.replaces.code if unit.replaces is not None else "",
        **({"old": old} if old else {}),
        **({"templates": templates} if templates else {}),  # what was printed before there were any keeps its hash
    }


def _old_covering(opening: Opening) -> str:
    """Who takes down what hangs there, what becomes of it, and what to do first."""
    facts = opening.site_facts or {}
    who = facts.get("take_down") or "no"
    if who == "no":
        return ""
    if who == "customer":
        return "Old covering: the customer takes it down. Is it still there? Call the office."
    ways = {"leave": "leave it with the customer", "away": "take it away"}
    goes = ways.get(facts.get("disposal", ""), "ask where it goes")
    return f"Old covering: photograph damage and holes first, then take it down and {goes}."


NOT_HELD: Final[dict[str, Any]] = {
    "weight": "",
    "brackets": "",
    "brackets_at": [],
    "brackets_text": "",
    "projection": "",
    "fixings": [],
    "tension": [],
    "to_do": [],
}


def _held_by(hardware: HardwareList, show: LengthUnit) -> dict[str, Any]:
    return {
        "weight": mass(hardware.brackets.weight_lb * GRAMS_PER_POUND, show),
        "brackets": hardware.brackets.why,
        "brackets_at": [at.ticks for at in hardware.brackets_at],
        "brackets_text": ", ".join(at.text(show) for at in hardware.brackets_at),
        "projection": hardware.projection.why if hardware.projection.way != "none" else "",
        "fixings": [f"{kit.name}: {kit.why}" for kit in hardware.fixings],
        "tension": [entry.why for entry in hardware.tension],
        "to_do": [f"{entry.when}: {entry.text}" for entry in hardware.to_do],
    }


def _kits(one: Worked, rules: Rules) -> list[str]:
    """How each kit goes in: screws a bracket, drill and bit; two where the wall is not known."""
    hardware = one.hardware
    if hardware is None:
        return []
    out = []
    for kit in hardware.fixings:
        parts = [f"{kit.per_bracket} × {rules.item(kit.screw).name} a bracket"]
        parts += [rules.item(kit.anchor).name] if kit.anchor else []
        parts += [kit.drill] if kit.drill else []
        parts += [f"bit {kit.bit}"] if kit.bit and not kit.bit.startswith("none") else []
        out.append(f"{kit.name}: {', '.join(parts)}" + ("" if kit.is_proven else "; load not proven by our formula"))
    return out


def hardware_values(summed: JobHardware) -> list[dict[str, Any]]:
    return [
        {
            "item": line.item,
            "name": line.name,
            "group": line.group,
            "quantity": line.quantity,
            "why": line.why,
            "lengths": list(line.lengths),
        }
        for line in summed.lines
    ]


def caution_values(summed: JobHardware, units: int) -> list[dict[str, Any]]:
    """Each kind of caution once, in the words of the first unit it is for; ladders differ by a pound or two."""
    kinds: dict[str, dict[str, Any]] = {}
    for caution in summed.cautions:
        key = caution.code if caution.code == "ladder" else f"{caution.code} {caution.text}"
        row = kinds.setdefault(
            key, {"code": caution.code, "text": caution.text, "amounts": list(caution.amounts), "units": []}
        )
        row["units"] += [unit for unit in caution.units if unit not in row["units"]]
    return [
        {
            **row,
            "said": with_amounts(row["text"], row["amounts"]),
            "units": "all units" if len(row["units"]) == units > 1 else ", ".join(row["units"]),
        }
        for row in kinds.values()
    ]


def stop_values(
    stop: StopSummary, packages: Mapping[int, list[str]], options: Mapping[int, Sequence[tuple[str, str]]] | None = None
) -> dict[str, Any]:
    """
    One stop in plain values, without its drawings.

    `packages` of its units, as `packages_on` has them; their `options`, where the caller has them.
    """
    visit = stop.visit
    show = visit.job.branch.unit
    tz = visit.job.branch.tz
    if options is None:
        options = options_shown(one.unit for one in stop.worked)
    return {
        "number": stop.number,
        "visit": visit.pk,
        "job": visit.job.number,
        "customer": visit.job.customer.name,
        "purpose": visit.get_purpose_display(),
        "address": visit.job.site.address,
        "window": promise_text(visit),
        "expected": clock(stop.expected, tz) if stop.expected else "",
        "leaves": clock(stop.leaves, tz) if stop.leaves else "",
        "drive_min": stop.drive_min,
        "minutes": visit.duration_min,
        "people": max(stop.summed.people, visit.people),
        "facts": facts_of_site(visit),
        "units": [
            unit_values(one, show, options[one.unit.pk], stop.rules) | {"packages": packages.get(one.unit.pk, [])}
            for one in stop.worked
        ],
        "has_cords": any(one.read is not None and one.read.may_hang_a_cord for one in stop.worked),
        "has_tension": any(one.hardware is not None and one.hardware.tension for one in stop.worked),
        "hardware": hardware_values(stop.summed),
        "tools": [{"name": tool.name, "why": tool.why} for tool in stop.summed.tools],
        "cautions": caution_values(stop.summed, len(stop.worked)),
        "remotes": [
            {"remote": entry.remote, "channel": entry.channel, "units": list(entry.units)}
            for entry in stop.summed.remotes
        ],
        "url": page_of_stop(visit),
    }


def draw_stop(stop: StopSummary, values: dict[str, Any]) -> None:
    """Puts the stop's drawings beside its values: each opening once, each head once."""
    show = stop.visit.job.branch.unit
    by_code = {unit["code"]: unit for unit in values["units"]}
    values["openings"] = []
    for opening, worked in stop.openings:
        units = [by_code[one.unit.code] for one in worked]
        for one, unit in zip(worked, units, strict=True):
            if one.hardware is not None and one.read is not None:
                spots = [spot.at for spot in one.read.keep_off]
                unit["head"] = head_drawing(one.hardware, one.read.width, show, keep_off=spots)
                values["has_crosses"] = values.get("has_crosses", False) or bool(spots)
        values["openings"].append(
            {"name": str(opening), "drawing": opening_with_brackets(opening, worked), "units": units}
        )
    plans = bays_among([opening for opening, _ in stop.openings])
    values["plans"] = [{"name": str(group), "drawing": drawing} for group, drawing in plans]


def give_pages(cover: Mapping[str, Any], stops: Sequence[dict[str, Any]]) -> None:
    """Says of each stop, drawn already, whether it begins a page of its own."""
    blocks = []
    for stop in stops:
        openings = [[_unit_text(unit) for unit in opening["units"]] for opening in stop["openings"]]
        cautions = [len(one["said"]) + len(one["units"]) for one in stop["cautions"]]
        blocks.append(packet_pages.stop_blocks(cautions, openings, _said(stop["hardware"]), len(stop["remotes"])))
    changed = len(cover["changes"]["rows"]) if cover["changes"] else 0
    said, load = [len(one["text"]) + 10 for one in cover["cautions"]], cover["load"]
    where = [len(stop["address"]) for stop in stops]
    tall = packet_pages.cover_mm(
        where, said, _said(load["hardware"]), len(load["tools"]), changed, cover["map"] is not None
    )
    for stop, is_own in zip(stops, packet_pages.own_pages(tall, blocks), strict=True):
        stop["has_own_page"] = is_own


def _said(items: Iterable[Mapping[str, Any]]) -> list[int]:
    """How much is printed of each item; its name is larger than the rest."""
    return [round(len(one["name"]) * 1.2) + len(one["why"]) + (10 if one.get("spare") else 3) for one in items]


def _unit_text(unit: Mapping[str, Any]) -> packet_pages.UnitText:
    options = sum(len(name) + len(text) + 4 for name, text in unit["options"])
    large = [len(unit["brackets"]) + len(unit["brackets_text"]) + 24, *map(len, unit["kits"])]
    small = [*([len(unit["projection"])] if unit["projection"] else []), *map(len, unit["tension"] + unit["to_do"])]
    return packet_pages.UnitText(options, large, small, [len(text) for text in unit["cannot"]], "head" in unit)


def packet_values(summary: DaySummary) -> dict[str, Any]:
    """The whole packet in plain values, without drawings: what its hash is taken of."""
    load, crew, lines = summary.load, summary.load.crew, summary.lines
    tz = crew.branch.tz
    worked = [one for stop in summary.stops for one in stop.worked]
    options, packages = (
        options_shown(one.unit for one in worked),
        packages_on(load, lines, worked, [stop.visit for stop in summary.stops]),
    )
    stops = [stop_values(stop, packages, options) for stop in summary.stops]
    return {
        "crew": crew.name,
        "people": names_of(crew, load.day),
        "day": long_day(load.day),
        "base": crew.branch.address.replace("\n", ", "),
        "starts": clock(summary.starts, tz) if summary.starts else "",
        "back": clock(summary.back, tz) if summary.back else "",
        "drive_min": summary.drive_min,
        "stops": stops,
        "unit_count": sum(len(stop["units"]) for stop in stops),
        "packages": sum(1 for line in lines if line.unit_id),
        "weight_g": load.weight_g,
        "load": _load_summary(lines, worked),
        "left_behind": left_behind(lines),
        "gap_reason": load.gap_reason,
        "findings": [finding["text"] for finding in load.findings],
        "cautions": _cautions_of_day(stops),
        "where": [[stop.visit.job.site.latitude, stop.visit.job.site.longitude] for stop in summary.stops],
    }


def _cautions_of_day(stops: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """Each caution of the stops once, with its amounts and stops; what every wall asks for is left to the stops."""
    gathered: dict[str, dict[str, list[Any]]] = {}
    for stop in stops:
        for caution in stop["cautions"]:
            if caution["code"] not in {"drilling", "wall"}:
                row = gathered.setdefault(caution["text"], {"amounts": [], "stops": []})
                row["amounts"] += caution["amounts"]
                row["stops"].append(stop["number"])
    return [{"text": with_amounts(text, row["amounts"]), "stops": row["stops"]} for text, row in gathered.items()]


def names_of(crew: Crew, day: dt.date) -> list[str]:
    """Who is in the crew that day."""
    rows = crew.members.filter(from_on__lte=day).select_related("user")
    return [str(row.user) for row in rows if row.until_on is None or row.until_on >= day]


def _load_summary(lines: Sequence[LoadLine], worked: Iterable[Worked]) -> dict[str, Any]:
    """Long pieces one by one, the rest counted, hardware and spares together, tools once."""
    lengths = {(one.unit.pk, each.label): each.length for one in worked for each in packages_for(one.unit, one.read)}
    longs = [line for line in lines if line.section == "long rack"]
    hardware: dict[str, dict[str, Any]] = {}
    for line in lines:
        if line.section in {"hardware", "spares"}:
            item = line.key.partition(":")[2]
            row = hardware.setdefault(item, {"name": line.text, "quantity": 0, "spare": 0, "why": ""})
            row["quantity" if line.section == "hardware" else "spare"] += line.quantity
            if line.section == "hardware":
                row["why"] = line.why
    return {
        "long": [{"text": line.text, "length": lengths.get((line.unit_id or 0, line.package))} for line in longs],
        "short": sum(1 for line in lines if line.section.startswith("stop ")),
        "hardware": list(hardware.values()),
        "tools": [line.text for line in lines if line.section == "tools"],
    }


FEWEST_DRAWN: Final = 5
"""A map of fewer stops says no more than their list."""
LEAST_IN_MAP: Final = 14.0
"""7 points where the map is 118 mm wide on paper."""


def day_map(summary: DaySummary) -> Svg | None:
    """The route drawn, where it has turns to show and any stop has coordinates; its numbers are those of the stops."""
    if summary.schedule is None or len(summary.stops) < FEWEST_DRAWN:
        return None
    wanted = {stop.visit.pk for stop in summary.stops}
    drawn = summary.schedule.of(one for one in summary.schedule.standing if one.pk in wanted)
    return route_map(drawn, least=LEAST_IN_MAP)


# -- what changed -----------------------------------------------------------------------------


def summary_lines(values: dict[str, Any]) -> dict[str, str]:
    """What a packet says, as one line each, by what the line is about."""
    lines = {"people": ", ".join(values["people"]), "start": values["starts"]}
    if values["left_behind"]:
        lines[NOT_ON] = "; ".join(values["left_behind"])
    for stop in values["stops"]:
        job = f"{stop['job']} {stop['purpose']}"
        lines[f"{job}: place in the day"] = f"stop {stop['number']} of {len(values['stops'])}"
        lines[f"{job}: promised"] = stop["window"] or "nothing promised"
        lines[f"{job}: expected"] = stop["expected"]
        lines[f"{job}: people"] = str(stop["people"])
        for name, text in stop["facts"]:
            lines[f"{job}: {name}"] = text
        for unit in stop["units"]:
            name = f"{job}: {unit['opening']} {unit['code']}"
            lines[name] = f"{unit['product']}, {_size(unit)}, {unit['mount']}, {unit['substrate']}"
            lines[f"{name} brackets"] = unit["brackets_text"]
        for line in stop["hardware"]:
            lines[f"{job}: {line['name']}"] = str(line["quantity"])
        for caution in stop["cautions"]:
            lines[f"{job}: caution {caution['code']}"] = caution["units"]
    return lines


def _size(unit: dict[str, object]) -> str:
    sides = [side for side in (unit["width"], unit["height"]) if isinstance(side, Length)]
    return " × ".join(str(side) for side in sides)


def changes_between(before: dict[str, str], after: dict[str, str], most: int = 24) -> list[list[str]]:
    """What differs, in the order of the newer: what, what it was, what it is."""
    rows = [[name, before.get(name, ""), text] for name, text in after.items() if before.get(name) != text]
    rows += [[name, text, ""] for name, text in before.items() if name not in after]
    if len(rows) > most:
        rows = [*rows[:most], [f"and {len(rows) - most} more lines", "", ""]]
    return rows
