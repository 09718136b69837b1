"""Rows read as the rules of the install day need them; nothing here writes."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache, lru_cache
from typing import Final

from django.db.models import QuerySet

from installs.models import HardwareRules, VisitUnit
from installs.rules.choices import install_unit
from installs.rules.cords import CordRule
from installs.rules.data import HardwareRules as Rules
from installs.rules.data import starting_rules
from installs.rules.findings import Finding
from installs.rules.hardware import HardwareList, JobHardware, hardware_list, job_hardware
from installs.rules.units import InstallUnit, Obstruction, SiteFacts
from jobs.models import Appointment, Job, Site
from measuring.adapters.evaluation import cord_rules_of, in_the_way
from measuring.models import Opening, Unit
from shared.contracts import ContractError
from shared.lengths import Length, LengthError, LengthUnit, parse_length
from shared.models import Branch

MULLION_SEAMS: Final = ("seams", "mullion_seams")
"""Names under which an opening's facts hold joints between mullions, as lengths from the left."""


# -- rules -------------------------------------------------------------------------------


@cache
def _rules(pk: int, saved_at: dt.datetime) -> Rules:
    """A revision is never changed, so reading it once is enough."""
    row = HardwareRules.objects.get(pk=pk)
    return Rules.from_json({**row.definition, "revision": row.revision})


def rules_row(branch: Branch) -> HardwareRules | None:
    """The branch's current rules; None for a branch that still has the starting ones."""
    return HardwareRules.objects.filter(branch=branch, is_current=True).first()


def rules_of(branch: Branch) -> Rules:
    """The branch's current rules, else those that are shipped."""
    return rules_in(rules_row(branch))


def rules_in(row: HardwareRules | None) -> Rules:
    """The rules that a branch's row holds; without one those that are shipped."""
    return rules_at(row) if row is not None else starting_rules()


def rules_at(row: HardwareRules) -> Rules:
    """One revision."""
    return _rules(row.pk, row.saved_at)


# -- units -------------------------------------------------------------------------------

UNIT_NEEDS: Final = ("product", "make", "opening__room", "opening__job__site", "opening__job__branch", "opening__group")


def with_needs(units: QuerySet[Unit]) -> QuerySet[Unit]:
    """Units with what reading them needs, in a fixed number of queries."""
    return units.select_related(*UNIT_NEEDS).prefetch_related("opening__obstructions")


def cord_rule_of(branch: Branch) -> CordRule | None:
    """What the branch's place says of cords; None where the firm has not loaded it."""
    place = cord_rules_of(branch)
    return CordRule.of(place) if place is not None else None


def site_facts(site: Site, branch: Branch, cords: CordRule | None) -> SiteFacts:
    """What the rules ask of a building, and its place's cord rule."""
    return SiteFacts(
        year_built=site.year_built,
        children=site.children,
        jurisdiction=branch.jurisdiction or "US",
        cords=cords,
        has_lift=site.has_lift,
        floor=site.floor,
    )


def read_unit(unit: Unit, rules: Rules) -> InstallUnit:
    """
    A unit as it goes on the wall: finished size and weight as made, the opening's facts, what was chosen.

    Raises
    ------
    shared.contracts.ContractError
        For a control no rule knows, or a value out of bounds.
    """
    opening, make = unit.opening, getattr(unit, "make", None)
    width, height = size_of(unit)
    if width is None or height is None:
        raise ContractError("size", f"{unit.code} has no size yet", "sized")
    made = make.figures.get("made", {}) if make is not None else {}
    facts = opening.site_facts or {}
    return install_unit(
        code=unit.code,
        product=unit.product.key,
        family=unit.product.family,
        mount=unit.mount,
        fixed_to=opening.fixed_to,
        substrate=opening.substrate,
        width=width,
        height=height,
        options=unit.options,
        rules=rules,
        weight_g=make.weight_g if make is not None else None,
        places={name: [_made_length(at) for at in places] for name, places in (made.get("places") or {}).items()},
        parts=[part["name"] for part in made.get("parts") or () if part.get("name")],
        remote=opening.room.name,
        channel=None,
        obstructions=_obstructions(opening),
        seams=_seams(facts, width, opening.job.branch.unit),
        is_door=opening.is_door,
        reach_height=opening.reach_height,
        facts=tuple(sorted(key for key in facts if key not in (*MULLION_SEAMS, "take_down", "disposal"))),
        take_down=facts.get("take_down") not in (None, "", "no", "customer"),
    )


def size_of(unit: Unit) -> tuple[Length | None, Length | None]:
    """Width and height as made, once it is in the workroom; else as ordered."""
    make = getattr(unit, "make", None)
    if make is not None:
        return make.finished_width, make.finished_height
    return unit.order_width, unit.order_height


def _obstructions(opening: Opening) -> tuple[Obstruction, ...]:
    return tuple(
        Obstruction(kind, projection, side if side in {"left", "right"} else "")
        for kind, projection, _, side in in_the_way(opening)
        if projection <= Length.inches(24)
    )


def _made_length(text: object) -> Length:
    from shared.records import read_length

    return read_length(str(text))


def _seams(facts: Mapping[str, object], width: Length, unit: LengthUnit) -> tuple[Length, ...]:
    """Lengths from the left end, typed one after the other; what can't be read is left out."""
    seams: list[Length] = []
    for name in MULLION_SEAMS:
        for text in str(facts.get(name) or "").replace(";", ",").split(","):
            try:
                at = parse_length(text.strip(), unit) if text.strip() else None
            except LengthError:
                continue
            if at is not None and at <= width:
                seams.append(at)
    return tuple(sorted(set(seams)))


@lru_cache(maxsize=4096)
def _listed(unit: InstallUnit, site: SiteFacts, revision: str, rules: _Held, show: LengthUnit) -> HardwareList:
    return hardware_list(unit, site, rules.rules, show)


@dataclass(frozen=True, slots=True)
class _Held:
    """Rules as a key of a cache: equal by their content's hash."""

    rules: Rules = field(compare=False, hash=False)


@dataclass(frozen=True, slots=True)
class Worked:
    """A unit with its hardware, or with why there is none."""

    unit: Unit
    read: InstallUnit | None
    hardware: HardwareList | None
    problem: str = ""
    site: SiteFacts | None = None
    on_hold: str = ""
    """What is in question, where the caller has asked."""

    @property
    def cannot(self) -> list[str]:
        """Why it can't go up as it stands; empty when it can."""
        held = [f"on hold: {self.on_hold}"] if self.on_hold else []
        if self.hardware is None:
            return [*held, self.problem]
        return [*held, *(finding.text for finding in self.hardware.cannot)]

    @property
    def findings(self) -> tuple[Finding, ...]:
        return self.hardware.findings if self.hardware else ()


def summed_of(worked: Iterable[Worked], rules: Rules) -> JobHardware:
    """The hardware of all units that have some, equal items on one line."""
    pairs = [(one.read, one.hardware) for one in worked if one.read is not None and one.hardware is not None]
    return job_hardware([read for read, _ in pairs], [hardware for _, hardware in pairs], rules)


def work_out(units: Iterable[Unit], rules: Rules, cords: dict[int, CordRule | None] | None = None) -> list[Worked]:
    """
    Each unit's hardware by these rules, as things stand; never raises for a unit that can't be read.

    `cords` are cord rules by branch as far as they were read: one dict for many calls reads each once.
    """
    token = rules_token(rules)
    out = []
    cords = {} if cords is None else cords
    for unit in units:
        job = unit.opening.job
        try:
            read = _numbered(unit, read_unit(unit, rules))
        except (ContractError, KeyError) as error:
            text = f"{unit.code}: {error.problem} ({error.field})" if isinstance(error, ContractError) else str(error)
            out.append(Worked(unit, None, None, text))
            continue
        if job.branch_id not in cords:
            cords[job.branch_id] = cord_rule_of(job.branch)
        facts = site_facts(job.site, job.branch, cords[job.branch_id])
        hardware = _listed(read, facts, token, _Held(rules), job.branch.unit)
        out.append(Worked(unit, read, hardware, site=facts))
    return out


def _numbered(unit: Unit, read: InstallUnit) -> InstallUnit:
    """A motor's channel: as chosen, else by the unit's place among those of its room."""
    if read.motor is None or read.motor.channel is not None:
        return read
    from dataclasses import replace

    order = unit.opening.order * 10 + unit.number
    channel = unit.options.get("motor_channel") or min(order % 90 + 1, 99)
    try:
        return replace(read, motor=replace(read.motor, channel=int(channel)))
    except (ValueError, TypeError):
        return read


_tokens: dict[int, str] = {}


def rules_token(rules: Rules) -> str:
    """A hash of the rules' content, worked out once for each."""
    known = _tokens.get(id(rules))
    if known is None:
        known = hashlib.sha256(json.dumps(rules.to_json(), sort_keys=True).encode()).hexdigest()
        _tokens[id(rules)] = known
        _kept.append(rules)
    return known


_kept: list[Rules] = []
"""Rules whose token is known are kept, so that no other object takes their place in memory."""


def inputs_hash(read: InstallUnit, site: SiteFacts, revision: int) -> str:
    """What a stored list was worked out from."""
    text = json.dumps([read.to_json(), site.to_json() if hasattr(site, "to_json") else str(site), revision])
    return hashlib.sha256(text.encode()).hexdigest()


# -- visits ------------------------------------------------------------------------------


def visit_units(appointment: Appointment) -> list[VisitUnit]:
    """The units a visit is for, in walking order, with all that pages and documents need."""
    return visit_units_of([appointment]).get(appointment.pk, [])


def visit_units_of(appointments: Sequence[Appointment]) -> dict[int, list[VisitUnit]]:
    """The same for several visits in a fixed number of queries."""
    rows = (
        VisitUnit.objects.filter(appointment__in=[row.pk for row in appointments])
        .select_related("appointment", "marked_by", *(f"unit__{name}" for name in UNIT_NEEDS), "unit__replaces")
        .prefetch_related("unit__opening__obstructions")
        .order_by("unit__opening__room__order", "unit__opening__order", "unit__number", "pk")
    )
    found: dict[int, list[VisitUnit]] = {}
    for row in rows:
        found.setdefault(row.appointment_id, []).append(row)
    return found


LIVE_TO_INSTALL: Final = (
    Unit.State.RELEASED,
    Unit.State.IN_WORKROOM,
    Unit.State.MADE,
    Unit.State.LOADED,
    Unit.State.NOT_INSTALLED,
)
"""Units that somebody still has to put up."""


def units_to_install(job: Job | int) -> QuerySet[Unit]:
    """Units of a job that are released and not up yet, and in no visit still to come."""
    waiting = VisitUnit.objects.filter(outcome=VisitUnit.Outcome.TO_DO).exclude(
        appointment__state__in=[Appointment.State.CANCELLED, Appointment.State.DONE]
    )
    return (
        Unit.objects.live().filter(opening__job=job, state__in=LIVE_TO_INSTALL).exclude(pk__in=waiting.values("unit"))
    )


def units_of_job(job: Job) -> list[Unit]:
    rows = with_needs(Unit.objects.live().filter(opening__job=job))
    states = [Unit.State.DRAFT, Unit.State.SIZED, Unit.State.APPROVED]
    return list(rows.exclude(state__in=states).order_by("opening__room__order", "opening__order", "number", "pk"))
