"""From an opening's rows to the rules and back: what is asked, what is missing, size and findings."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from django.db.models import Case, Exists, OuterRef, Prefetch, When

from jobs.models import Job
from measuring.models import Group, Jurisdiction, Mount, Opening, Product, Reading, Unit
from measuring.rules import fit, safety
from measuring.rules import opening as rules
from measuring.rules.answers import all_findings
from measuring.rules.families import SIDES, TABLE, WALL, rule_for
from measuring.rules.finding import Finding
from measuring.rules.findings import diagonals_wanted, known_text
from measuring.rules.misreads import Alike, alike
from measuring.rules.shapes import RECTANGLE, is_figure, spots_of
from measuring.rules.side_by_side import Share, SideBySide, shares, side_findings
from measuring.rules.sizing import OrderSize, order_size
from measuring.rules.visit import CHOSEN, Ask, Gap, asks, in_doubt, settled, unread
from shared.lengths import READING_GRID, Length, LengthError, LengthUnit, parse_length
from shared.models import Branch


@dataclass(slots=True)
class Evaluation:
    """What an opening's readings come to."""

    size: OrderSize | None = None
    steps: list[dict[str, Any]] = field(default_factory=list)
    findings: list[dict[str, Any]] = field(default_factory=list)
    gaps: list[Gap] = field(default_factory=list)
    is_begun: bool = False
    """Some reading of it stands."""
    is_rough: bool = False
    shares: list[Share] = field(default_factory=list)
    """The order width of each unit side by side, from the left."""
    evidence: Evidence | None = None

    def findings_at(self, width: Length, options: Mapping[str, object]) -> list[dict[str, object]]:
        """The findings of one unit: of this width, with these options; nothing before there is a size."""
        return self._findings((width,), options)

    def findings_of_all(self, options: Mapping[str, object]) -> list[dict[str, object]]:
        """The findings of all its units: of the widest, and what else the narrowest has to say."""
        widths = [share.ticks for share in self.shares]
        return self._findings((Length(max(widths)), Length(min(widths))), options) if widths else []

    def _findings(self, widths: Sequence[Length], options: Mapping[str, object]) -> list[dict[str, object]]:
        if self.size is None or self.evidence is None:
            return []
        return self.evidence.findings(self.size, widths, options)


@dataclass(frozen=True, slots=True)
class Evidence:
    """What findings stand on, gathered once for all units of an opening."""

    asked_of: rules.Opening
    product: fit.ProductFit
    site: safety.Site
    place: safety.Jurisdiction | None
    alikes: list[rules.Opening]
    confirmed: frozenset[str]
    """Spots read again, the same."""
    side: SideBySide
    is_traced: bool
    """A template of it is made."""

    def findings(
        self, size: OrderSize, widths: Sequence[Length], options: Mapping[str, object]
    ) -> list[dict[str, object]]:
        """What readings, product and site say of units of these widths, each thing once; JSON, what stops first."""
        found = list(side_findings(self.side, self.asked_of, size.width.ticks, self.product))
        for width in dict.fromkeys(widths):
            said = {one.code for one in found} if width != widths[0] else set()
            found += [
                one
                for one in self._findings_at(dataclasses.replace(size, width=width), options)
                if one.code not in said
            ]
        ranked = sorted(found, key=lambda one: SEVERITY_ORDER.index(one.severity))
        return settled([one.to_json() for one in ranked], self.confirmed, is_traced=self.is_traced)

    def _findings_at(self, size: OrderSize, options: Mapping[str, object]) -> list[Finding]:
        return all_findings(
            self.asked_of,
            size,
            product=self.product,
            control=str(options.get("control") or ""),
            site=self.site,
            place=self.place,
            alikes=self.alikes,
        )


def current(readings: Iterable[Reading]) -> dict[tuple[str, int], Reading]:
    """The readings that count, by spot and turn."""
    return {(reading.spot, reading.turn): reading for reading in readings if reading.is_current()}


def alike_of(opening: Opening) -> Alike | None:
    """What its readings that count have to say about the job's other openings; None where nothing is read."""
    now = current(opening.readings.all())
    return alike(as_rules(opening, now), is_near=False) if now else None


def asked(opening: Opening, readings: Mapping[tuple[str, int], Reading]) -> list[Ask]:
    """Where to hold the tape for this opening, in order; nowhere before a product is chosen."""
    if opening.product is None:
        return []
    why = _diagonals_why(opening, opening.product.family, readings) if opening.mount == Mount.INSIDE else ""
    return asks(
        opening.product.family,
        opening.mount,
        readings.keys(),
        why,
        on_floor=opening.sill == Opening.Sill.FLOOR,
        shape=opening.shape,
        in_bay=in_bay(opening),
    )


def in_bay(opening: Opening) -> bool:
    """Whether it hangs between the corners of a bay, which only a rectangle does."""
    return bool(opening.bay) and opening.shape == RECTANGLE


def _diagonals_why(opening: Opening, family: str, readings: Mapping[tuple[str, int], Reading]) -> str:
    rule = rule_for(family, opening.mount, opening.shape)
    if any((spot, 1) not in readings for spot in rule.needs):
        return ""
    return diagonals_wanted(as_rules(opening, readings))


def _family(opening: Opening) -> str:
    if opening.product is None:
        raise ValueError(f"no product is chosen for {opening}")
    return opening.product.family


def as_rules(opening: Opening, readings: Mapping[tuple[str, int], Reading], family: str = "") -> rules.Opening:
    """
    The opening as the rules take it.

    Readings go in as they were typed with the tape's case beside them, so that the derivation
    tells of both; where readings were taken with cases of two lengths, their values go in.
    """
    unit = opening.job.branch.unit
    case, laser = _tools(readings.values())
    taken: dict[str, int] = {}
    cased: set[str] = set()
    again: dict[str, int] = {}
    for spot in spots_of(opening.shape):
        reading = readings.get((spot, 1))
        if reading is not None:
            taken[spot] = _taken(reading, unit, case).ticks
            if case is not None and reading.case_added:
                cased.add(spot)
        second = readings.get((spot, 2))
        if second is not None:
            again[spot] = second.value.ticks
    outside = opening.mount == Mount.OUTSIDE
    cover = {side: readings[f"cover.{side}", 1].value.ticks for side in SIDES if (f"cover.{side}", 1) in readings}
    chosen = tuple(readings[spot, 1].value.ticks for spot in CHOSEN if (spot, 1) in readings)
    return rules.Opening(
        id=str(opening.pk),
        family=family or _family(opening),
        mount=opening.mount,
        unit=unit.value,
        taken=taken,
        case_ticks=case.ticks if case else None,
        laser_ticks=laser.ticks if laser else None,
        by_laser=frozenset(
            spot for (spot, turn), one in readings.items() if turn == 1 and one.tape is not None and one.tape.is_laser
        ),
        cased=frozenset(cased),
        cover=cover if outside and cover else None,
        chosen=(chosen[0], chosen[1]) if outside and len(chosen) == 2 else None,
        again=again,
        obstructions=tuple(rules.Obstruction(kind, length.ticks, at) for kind, length, at, _ in in_the_way(opening)),
        stops_on={side: rules.Stop(stop["on"], stop["limit"]) for side, stop in opening.stops_on.items()},
        floor=floor_of(opening),
        to_come=opening.to_come,
        room=opening.room.name,
        shape=opening.shape,
        bay=_between_corners(opening, readings),
    )


def _between_corners(opening: Opening, readings: Mapping[tuple[str, int], Reading]) -> rules.Bay | None:
    """Its wall of a bay and the set-backs that stand with the opening; None before the wall is read."""
    wall = readings.get((WALL, 1))
    if wall is None or not in_bay(opening) or "waits" in opening.bay:
        return None
    backs = {side: rules.SetBack(**opening.bay[side]) for side in rules.ENDS if side in opening.bay}
    return rules.Bay(wall.value.ticks, backs, opening.bay.get("meets", ""))


def in_the_way(opening: Opening) -> Iterator[tuple[str, Length, str, str]]:
    """Kind, projection, where and side; with a door's handle and, outside, a sill that it does not stop on."""
    for thing in opening.obstructions.all():
        if thing.removed_at is None:
            yield thing.kind, thing.projection, thing.at, thing.side
    if opening.is_door and opening.handle_projection:
        yield "handle", opening.handle_projection, "path", ""
    stops = opening.stops_on.get("bottom", {}).get("on")
    if opening.mount == Mount.OUTSIDE and opening.sill_projection and stops != "sill":
        yield "sill", opening.sill_projection, "path", ""


def floor_of(opening: Opening) -> str:
    """The kind of floor it ends on, as the rules take it."""
    if opening.sill != Opening.Sill.FLOOR:
        return ""
    return opening.floor_type if opening.floor_type in rules.FLOORS else "unknown"


def _tools(readings: Iterable[Reading]) -> tuple[Length | None, Length | None]:
    """The tape's case that was added, or could have been forgotten; the laser's own length likewise."""
    rows = list(readings)
    cases = {reading.case_added for reading in rows if reading.case_added}
    tapes = {reading.tape for reading in rows if reading.tape_id and reading.tape is not None}
    if not cases:
        cases = {tape.case_length for tape in tapes if not tape.is_laser}
    lasers = {tape.case_length for tape in tapes if tape.is_laser}
    return (cases.pop() if len(cases) == 1 else None, lasers.pop() if len(lasers) == 1 else None)


def _taken(reading: Reading, unit: LengthUnit, case: Length | None) -> Length:
    """The reading as it was typed, where that still leads to its value."""
    try:
        typed = parse_length(reading.typed, unit)
    except LengthError:
        typed = reading.value
    added = reading.case_added
    if added and case is None:
        return reading.value
    total = typed + added if added else typed
    if total.down(READING_GRID[unit]) != reading.value:
        return reading.value - added if added else reading.value
    return typed


def missing(opening: Opening, readings: Mapping[tuple[str, int], Reading]) -> list[Gap]:
    """What is asked for and not there."""
    if opening.product is None:
        return [Gap("product", "product")]
    gaps = unread(asked(opening, readings), readings.keys())
    waits = opening.bay.get("waits")
    if (
        waits
        and in_bay(opening)
        and opening.mount == Mount.OUTSIDE
        and not any((spot, 1) in readings for spot in CHOSEN)
    ):
        gaps.append(Gap("bay", "group", words={"why": waits}))
    return gaps


def gaps_of(opening: Opening, readings: Iterable[Reading]) -> list[Gap]:
    """What is not read, and where two readings stand: all there is to say before findings are worked out."""
    rows = list(readings)
    rivals = [row for row in rows if row.superseded_at is None and row.conflict_with_id is not None]
    return missing(opening, current(rows)) + [Gap("rivals", row.spot, row.turn) for row in rivals]


def evaluate(
    opening: Opening, readings: Iterable[Reading] | None = None, options: Mapping[str, object] | None = None
) -> Evaluation:
    """
    Size, steps, findings and gaps of an opening as it stands.

    The size is given whenever the readings suffice, whatever the findings.

    Parameters
    ----------
    readings
        The opening's, where the caller has them.
    options
        What is chosen for its units, where the caller has them; else those of the first.
    """
    if readings is None:
        readings = opening.readings.filter(superseded_at=None).select_related("tape")
    rows = list(readings)
    now = current(rows)
    out = Evaluation(gaps=gaps_of(opening, rows), is_begun=any(row.superseded_at is None for row in rows))
    out.is_rough = bool(opening.to_come) or any(reading.grade == Reading.Grade.ROUGH for reading in now.values())
    if any(gap.holds_size for gap in out.gaps):
        return out
    asked_of = as_rules(opening, now)
    out.size = order_size(asked_of)
    unit = opening.job.branch.unit
    out.steps = [step.to_json(unit.value) for step in out.size.steps]
    chosen = options_of(opening) if options is None else options
    out.evidence = _evidence(opening, asked_of, now)
    out.shares = shares(out.evidence.side, asked_of, out.size.width.ticks)
    out.findings = out.findings_of_all(chosen)
    out.gaps += in_doubt(out.findings)
    return out


def known_of(opening: Opening, readings: Mapping[tuple[str, int], Reading]) -> str:
    """Radius or angles of an opening that is no rectangle, in words; empty where its readings don't agree."""
    return known_text(as_rules(opening, readings)) if opening.product else ""


def options_of(opening: Opening) -> Mapping[str, object]:
    """What is chosen for the opening's units: the first one's, and nothing where there is none."""
    live = [unit for unit in opening.units.all() if unit.state not in (Unit.State.CANCELLED, Unit.State.REPLACED)]
    first = min(live, key=lambda unit: (unit.number, unit.pk), default=None)
    return first.options if first is not None else {}


def _evidence(opening: Opening, asked_of: rules.Opening, now: Mapping[tuple[str, int], Reading]) -> Evidence:
    assert opening.product is not None
    return Evidence(
        asked_of=asked_of,
        product=fit_of(opening.product),
        site=site_of(opening),
        place=jurisdiction_of(opening.job),
        alikes=look_alikes(opening),
        confirmed=frozenset(
            spot for (spot, turn), reading in now.items() if turn == 1 and reading.confirmed_at is not None
        ),
        side=side_of(opening),
        is_traced=is_figure(opening.shape) and any(one.stands() for one in opening.templates.all()),
    )


def side_of(opening: Opening) -> SideBySide:
    """How units share the opening; on one head the workroom keeps what is between."""
    usual = 0 if opening.lapping else int(TABLE["unit_gap"][opening.job.branch.unit.value])
    gap = opening.unit_gap.ticks if opening.unit_gap is not None else usual
    on_one_head = opening.group is not None and opening.group.kind == Group.Kind.HEAD
    return SideBySide(
        count=opening.units_wanted,
        between=0 if on_one_head else -gap if opening.lapping else gap,
        split=tuple(opening.split),
        mullions=tuple(opening.mullions),
    )


SEVERITY_ORDER: Final = ("stop", "check", "note")


MOST_ALIKE: Final = TABLE["misreads"]["most_alike"]
"""A job of more openings lends this many as evidence; more would say no more."""


def look_alikes(opening: Opening) -> list[rules.Opening]:
    """The other openings of the job as they were read, the room's first: evidence about this one's readings."""
    if opening.pk is None:
        return []
    standing = Reading.objects.filter(superseded_at=None).select_related("tape")
    rows = (
        Opening.objects.filter(job=opening.job_id, product__isnull=False)
        .filter(Exists(Reading.objects.filter(opening=OuterRef("pk"), superseded_at=None, conflict_with=None)))
        .exclude(pk=opening.pk)
        .exclude(state__in=TABLE["states"]["passed_over"])
        .order_by(Case(When(room__name=opening.room.name, then=0), default=1), "uid")
        .select_related("product", "room")
        .only(
            "mount",
            "shape",
            "stops_on",
            "sill",
            "floor_type",
            "to_come",
            "is_door",
            "handle_projection",
            "sill_projection",
            "bay",
            "job",
            "room__name",
            "product__family",
        )
        .prefetch_related(Prefetch("readings", standing), "obstructions")[:MOST_ALIKE]
    )
    found = []
    for row in rows:
        row.job = opening.job
        found.append(as_rules(row, current(row.readings.all())))
    return found


def fit_of(product: Product) -> fit.ProductFit:
    """The product's mounting needs as the rules take them."""
    key = (product.pk, product.revision, product.name)
    if key not in _fits or product.pk is None:
        if len(_fits) > 2000:
            _fits.clear()
        _fits[key] = fit.ProductFit.from_json(
            {"key": product.key, "name": product.name, "family": product.family, "fit": product.fit}
        )
    return _fits[key]


_fits: dict[tuple[Any, ...], fit.ProductFit] = {}


def site_of(opening: Opening) -> safety.Site:
    """What was seen around the opening, as the rules take it."""
    site = opening.job.site
    ways = {"lift": site.longest_in_lift if site.has_lift else None, "stair": site.longest_on_stair}
    return safety.Site(
        children="live" if site.children else "none",
        built=site.year_built,
        substrate=opening.substrate,
        reach_ticks=opening.reach_height.ticks if opening.reach_height else None,
        power=opening.power if opening.power in TABLE["powers"] else "unknown",
        door=TABLE["door_swings"].get(opening.door_swing, "") if opening.is_door else "",
        way_in={way: length.ticks for way, length in ways.items() if length},
    )


def jurisdiction_of(job: Job) -> safety.Jurisdiction | None:
    """The cord rules of the job's branch."""
    return cord_rules_of(job.branch)


def cord_rules_of(branch: Branch) -> safety.Jurisdiction | None:
    """The cord rules of the branch's place; none where the firm has not loaded them."""
    key = branch.jurisdiction.lower()
    row = Jurisdiction.objects.filter(key=key).first() if key else None
    return safety.Jurisdiction.from_json(row.rules) if row is not None else None


def alternatives_for(opening: Opening) -> list[fit.Alternative]:
    """Every product of the range tried on this opening, best first."""
    now = current(opening.readings.filter(superseded_at=None))
    family = opening.product.family if opening.product else "roller"
    products = [fit_of(one) for one in Product.objects.filter(branch=opening.job.branch_id, is_active=True)]
    trial = as_rules(opening, now, family)
    return fit.alternatives(trial, products, site=site_of(opening), place=jurisdiction_of(opening.job))
