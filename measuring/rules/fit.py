"""Whether a product fits an opening: depth, light, limits, weight, the way in; and which others do."""

from __future__ import annotations

import dataclasses
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, Any, Final

from measuring.rules.families import FAMILIES, MOUNTS, SHAPES, SIDES, TABLE, WIDTHS, named, shown
from measuring.rules.finding import CHECK, NOTE, STOP, Finding, finding
from measuring.rules.findings import shape_findings
from measuring.rules.opening import Obstruction, Opening, groups_read
from measuring.rules.safety import CONTROL_UNCHOSEN, FORMS, Control, Jurisdiction, Site, safety_findings
from measuring.rules.shapes import SKYLIGHT, is_figure
from measuring.rules.sizing import OPENING_SIZE, OrderSize, order_size
from shared.contracts import ContractError
from shared.formats.mass import mass_upwards
from shared.lengths import LengthUnit
from shared.records import OneOf, Ticks, Within

_SITE: Final = TABLE["site"]
_BLOCKING: Final = frozenset(TABLE["blocking"])
FitUnit = Annotated[str, OneOf("in", "mm")]
SIDES_LIT: Final = ("idle", "control", "motor")
AS_THEY_ARE: Final = (
    "mounts", "min_depth", "flush_depth", "head_height", "narrowing", "swing_depth", "tubes", "coupled_most",
    "support_span", "packed_by_height", "sold_as", "controls", "confirmed", "shapes",
)  # fmt: skip
"""What a row of the range and `ProductFit` have under the same name."""
_DEPTH: Final[Mapping[str, str]] = TABLE["depth_texts"]


@dataclass(frozen=True, slots=True)
class Tube:
    """A tube a roller can be made on, and how wide it usually carries, in ticks."""

    name: str
    most: Ticks


@dataclass(frozen=True)
class Row:
    """A row of the range; what else it says is for people."""

    key: str
    name: str
    family: Annotated[str, OneOf(*FAMILIES)]
    fit: Mapping[str, Any]
    source: Any = None
    options: Any = None
    basis: Any = None


@dataclass(frozen=True)
class Both:
    """Of the width and of the height."""

    width: Ticks | None = None
    height: Ticks | None = None


@dataclass(frozen=True)
class Span:
    """From the least to the most."""

    least: Ticks | None = None
    most: Ticks | None = None


@dataclass(frozen=True)
class Gap:
    """The light that passes at each side."""

    idle: Ticks | None = None
    control: Ticks | None = None
    motor: Ticks | None = None


@dataclass(frozen=True)
class Weight:
    """What a unit weighs by its area and by its width."""

    grams_per_m2: Annotated[int, Within(0, 100_000)] = 0
    grams_per_m: Annotated[int, Within(0, 100_000)] = 0


@dataclass(frozen=True, kw_only=True)
class Fit:
    """A product's needs as its row has them; see `ProductFit`."""

    unit: FitUnit = "in"
    basis: str = ""
    mounts: Annotated[tuple[str, ...], OneOf(*MOUNTS)] = MOUNTS
    min_depth: Ticks
    flush_depth: Ticks
    head_height: Ticks
    clearance: Both | None = None
    gap: Gap | None = None
    width: Span | None = None
    height: Span | None = None
    weight: Weight | None = None
    narrowing: Ticks | None = None
    swing_depth: Ticks | None = None
    hand_clearance: Ticks | None = None
    tubes: tuple[Tube, ...] = ()
    coupled_most: Ticks | None = None
    support_span: Ticks | None = None
    support_end: Ticks | None = None
    package_extra: Ticks | None = None
    packed_by_height: bool = False
    sold_as: Annotated[str, OneOf("custom", "stock")] = "custom"
    controls: tuple[Control, ...] = ()
    confirmed: bool = False
    shapes: Annotated[tuple[str, ...], OneOf(*SHAPES)] = ()

    def check(self) -> None:
        """Flush is deeper than mounted at all."""
        if self.flush_depth < self.min_depth:
            raise ContractError("flush_depth", "less than the depth to mount", "at least min_depth")


@dataclass(frozen=True, slots=True)
class ProductFit:
    """
    What one product of the range needs of an opening; lengths in ticks, weights in grams.

    Two depths: `min_depth` to mount at all, `flush_depth` to sit flush. Both are the product's own:
    its recipe knows how far the roll stands out, and nothing of bracket, fascia or valance before
    it. `gaps` is the light that passes inside, per side (``idle``, ``control``, ``motor``).
    `narrowing` is how far jambs may close in before the hem bar rubs. `confirmed` says that the
    firm has made the figures its own; until then none of them stops anything. `shapes` are those it is made
    for beside rectangles; a skylight among them says that it is held at both sides.
    """

    key: str
    name: str
    family: str
    mounts: tuple[str, ...] = MOUNTS
    min_depth: int = 0
    flush_depth: int = 0
    head_height: int = 0
    clearance_width: int = 0
    clearance_height: int = 0
    gaps: Mapping[str, int] = dataclasses.field(default_factory=dict)
    narrowing: int | None = None
    swing_depth: int | None = None
    hand_clearance: int = 0
    least_width: int = 0
    most_width: int | None = None
    least_height: int = 0
    most_height: int | None = None
    tubes: tuple[Tube, ...] = ()
    coupled_most: int | None = None
    support_span: int | None = None
    support_end: int = 0
    grams_per_m2: int = 0
    grams_per_m: int = 0
    package_extra: int = 0
    packed_by_height: bool = False
    sold_as: str = "custom"
    controls: tuple[Control, ...] = ()
    confirmed: bool = False
    shapes: tuple[str, ...] = ()

    @classmethod
    def from_json(cls, values: Mapping[str, object]) -> ProductFit:
        """
        From a row of the range: ``{"key", "name", "family", "fit": {..}}``, lengths as text.

        Raises
        ------
        ContractError
            With field, problem and bound.
        """
        row = FORMS["in"].read(Row, values)
        unit = FORMS["in"].read_field(FitUnit, {"unit": "in", **row.fit}, "unit", "fit")
        fit = FORMS[unit].read(Fit, row.fit, "fit")
        clearance, weight = fit.clearance or Both(), fit.weight or Weight()
        width, height = fit.width or Span(), fit.height or Span()
        return cls(
            key=row.key,
            name=row.name,
            family=row.family,
            clearance_width=clearance.width or 0,
            clearance_height=clearance.height or 0,
            gaps={} if fit.gap is None else {side: getattr(fit.gap, side) or 0 for side in SIDES_LIT},
            hand_clearance=fit.hand_clearance or 0,
            least_width=width.least or 0,
            most_width=width.most,
            least_height=height.least or 0,
            most_height=height.most,
            support_end=fit.support_end or 0,
            grams_per_m2=weight.grams_per_m2,
            grams_per_m=weight.grams_per_m,
            package_extra=fit.package_extra or 0,
            **{name: getattr(fit, name) for name in AS_THEY_ARE},
        )

    def to_json(self) -> dict[str, object]:
        """The row again, lengths in inches."""
        lengths = ["min_depth", "flush_depth", "head_height", "narrowing", "swing_depth", "hand_clearance"]
        lengths += ["coupled_most", "support_span", "support_end", "package_extra"]
        fit: dict[str, object] = {"unit": "in", "confirmed": self.confirmed, "mounts": list(self.mounts)}
        fit.update({name: _in_inches(getattr(self, name)) for name in lengths})
        fit["clearance"] = {
            "width": _in_inches(self.clearance_width),
            "height": _in_inches(self.clearance_height),
        }
        fit["gap"] = {side: _in_inches(ticks) for side, ticks in self.gaps.items()} or None
        fit["width"] = {"least": _in_inches(self.least_width), "most": _in_inches(self.most_width)}
        fit["height"] = {"least": _in_inches(self.least_height), "most": _in_inches(self.most_height)}
        fit["weight"] = {"grams_per_m2": self.grams_per_m2, "grams_per_m": self.grams_per_m}
        fit["tubes"] = [{"name": tube.name, "most": _in_inches(tube.most)} for tube in self.tubes]
        fit["shapes"] = list(self.shapes)
        fit["packed_by_height"], fit["sold_as"] = self.packed_by_height, self.sold_as
        fit["controls"] = [control.to_json() for control in self.controls]
        return {"key": self.key, "name": self.name, "family": self.family, "fit": fit}

    def control(self, key: str) -> Control | None:
        """The control of this key."""
        return next((control for control in self.controls if control.key == key), None)

    def possible_controls(self, key: str) -> tuple[Control, ...]:
        """The control chosen; every control there is where nobody chose one of them."""
        chosen = self.control(key)
        return (chosen,) if chosen is not None else self.controls


def _in_inches(ticks: int | None) -> str | None:
    return None if ticks is None else shown(ticks, "in")


def usual_fit(family: str) -> ProductFit:
    """What a family usually needs, from the table, where no product is chosen yet; never confirmed."""
    row = TABLE["families"][family]
    return ProductFit(
        key="",
        name=f"the usual {family}",
        family=family,
        min_depth=row["depth_least"],
        flush_depth=row["depth_flush"],
        head_height=row["head_height"],
        gaps={side: row[f"gap_{side}"] for side in ("idle", "control", "motor")},
        hand_clearance=row["hand_clearance"],
    )


def finished_size(size: OrderSize, product: ProductFit) -> tuple[int, int]:
    """Width and height in ticks after the product's clearance, which comes off an opening size only."""
    if size.basis != OPENING_SIZE:
        return size.width.ticks, size.height.ticks
    return size.width.ticks - product.clearance_width, size.height.ticks - product.clearance_height


def grams(width_ticks: int, height_ticks: int, product: ProductFit) -> int:
    """
    Weight of a unit of this finished size, in whole grams, rounded down.

    Examples
    --------
    >>> one = ProductFit("k", "n", "slat", grams_per_m2=3600, grams_per_m=500)
    >>> grams(320 * 1000, 320 * 1500, one)
    5900
    """
    width_mm, height_mm = width_ticks // 320, height_ticks // 320
    return width_mm * height_mm * product.grams_per_m2 // 1_000_000 + width_mm * product.grams_per_m // 1000


def fit_findings(
    opening: Opening, size: OrderSize, product: ProductFit, *, control: str = "", site: Site | None = None
) -> list[Finding]:
    """
    What this product says to this opening.

    Parameters
    ----------
    opening, size
        The readings and the order size reached from them.
    product
        The product tried; its family may differ from the opening's only when the opening was
        sized for it (`alternatives` does so).
    control
        Key of the control chosen; it may be any of the product's where empty.
    site
        For the way in and lifting above the head.

    Returns
    -------
    list[Finding]
        A limit of a product not `confirmed` is a ``check`` where it would be a ``stop``.
    """
    return list(_fit_findings(opening, size, product, product.possible_controls(control), site))


def _fit_findings(
    opening: Opening, size: OrderSize, product: ProductFit, controls: Sequence[Control], site: Site | None
) -> Iterator[Finding]:
    if opening.mount not in product.mounts:
        yield limit(product, "mount_lacking", "mount", what=product.name, mount=opening.mount)
    yield from _shape(opening, product, controls)
    yield from _door(opening, site)
    if opening.mount == "inside":
        yield from _over_floor(opening, product)
        yield from depth_findings(opening, product)
        yield from gap_findings(opening, product, controls)
        yield from _narrowing(opening, product)
    else:
        yield from _standing_off(opening, product)
    yield from _limits(opening, size, product)
    yield from _weight(opening, size, product, site)
    yield from _way_in(opening, size, product, site)


def _shape(opening: Opening, product: ProductFit, controls: Sequence[Control]) -> Iterator[Finding]:
    """A rectangle inside an opening that is none; what a skylight asks of a product and its control."""
    words = {"what": product.name, "shape": SHAPES[opening.shape]["article"]}
    if is_figure(opening.shape) and opening.mount == "inside" and opening.shape not in product.shapes:
        yield finding("shape_product", "shape", **words)
    if opening.shape != SKYLIGHT:
        return
    if opening.mount != "inside":
        yield finding("skylight_inside", "mount")
    if SKYLIGHT not in product.shapes:
        yield finding("skylight_hold", "shape", **words)
    if controls and all(control.cord != "none" for control in controls):
        yield finding("skylight_cord", "control")
    elif not any(control.power for control in controls):
        yield finding("skylight_reach", "control")


def limit(product: ProductFit, code: str, at: str, **words: Any) -> Finding:
    """A finding that rests on a product's figure: it stops only what the firm has confirmed."""
    found = finding(code, at, **words)
    if product.confirmed or found.severity != STOP:
        return found
    return dataclasses.replace(found, severity=CHECK, text=found.text + TABLE["unconfirmed"])


def _left_before(thing: Obstruction, depth: int, product: ProductFit) -> int:
    """What is left of the depth before it, a hand's clearance kept; below 0 where it takes more than there is."""
    return depth - thing.projection_ticks - _hand(thing, product)


def _hand(thing: Obstruction, product: ProductFit) -> int:
    return product.hand_clearance if thing.at == "path" else 0


def depth_findings(opening: Opening, product: ProductFit) -> Iterator[Finding]:
    """Fits flush, fits and stands proud by so much, or does not fit; and what eats the depth."""
    read, unit = opening.readings.get("depth"), opening.unit
    if read is None:
        return
    depth, nearest = read, None
    for thing in opening.obstructions:
        left = _left_before(thing, read, product)
        if left < product.flush_depth:
            yield _in_the_way(thing, read, product, unit)
        if left < depth:
            depth, nearest = left, thing
    words = {
        "depth": _depth_message(read, nearest, product, unit),
        "left": _some(depth, unit),
        "what": product.name,
        "flush": named(product.flush_depth, unit),
    }
    if depth < product.min_depth:
        yield limit(product, "depth_short", "depth", least=named(product.min_depth, unit), **words)
    elif depth < product.flush_depth:
        yield finding("depth_proud", "depth", x=named(product.flush_depth - depth, unit), **words)
    else:
        yield finding("depth_flush", "depth", **words)
    if product.swing_depth is not None and depth < product.swing_depth:
        yield finding("swing", "depth", need=named(product.swing_depth, unit), **words)


def _in_the_way(thing: Obstruction, depth: int, product: ProductFit, unit: str) -> Finding:
    hand = _hand(thing, product)
    words = {"kind": thing.kind, "projection": named(thing.projection_ticks, unit), "depth": named(depth, unit)}
    words["left"] = _some(depth - thing.projection_ticks, unit)
    words["keeps"] = _DEPTH["keeps"].format(what=product.name, hand=named(hand, unit)) if hand else ""
    return finding("in_the_way", "obstructions", **words)


def _depth_message(depth: int, nearest: Obstruction | None, product: ProductFit, unit: str) -> str:
    """The depth as it was read, and what is taken off it and why."""
    read = named(depth, unit)
    if nearest is None:
        return _DEPTH["read"].format(read=read)
    hand, projection = _hand(nearest, product), named(nearest.projection_ticks, unit)
    left = _some(_left_before(nearest, depth, product), unit)
    taken = _DEPTH["taken_clear"].format(projection=projection, hand=named(hand, unit)) if hand else projection
    return _DEPTH["before"].format(read=read, left=left, kind=nearest.kind, taken=taken)


def _some(ticks: int, unit: str) -> str:
    return named(ticks, unit) if ticks > 0 else _DEPTH["nothing"]


def gap_findings(opening: Opening, product: ProductFit, controls: Sequence[Control]) -> Iterator[Finding]:
    """The most light that the possible controls leave beside a roller, solar or sheer: said, never refused."""
    if not product.gaps or not TABLE["families"][product.family]["shows_light_gap"]:
        return
    words_of = sorted({"motor" if control.power else "control" for control in controls}) or ["control"]
    idle, other = product.gaps["idle"], max(product.gaps[word] for word in words_of)
    usual, unit = TABLE["usual_gap"], opening.unit
    code = "gap_wide" if max(idle, other) > usual else "gap"
    words = {"idle": named(idle, unit), "control": named(other, unit), "usual": named(usual, unit)}
    yield finding(code, "mount", what=product.name, control_word=" or ".join(words_of), **words)


def _narrowing(opening: Opening, product: ProductFit) -> Iterator[Finding]:
    read = [opening.readings[spot] for spot in WIDTHS if spot in opening.readings]
    if product.narrowing is None or opening.rule.width != "top" or not read:
        return
    closes = read[0] - min(read)
    if closes > product.narrowing:
        words = {"x": named(closes, opening.unit), "limit": named(product.narrowing, opening.unit)}
        yield limit(product, "narrows_past", "widths", **words)


def _standing_off(opening: Opening, product: ProductFit) -> Iterator[Finding]:
    for thing in opening.obstructions:
        need = thing.projection_ticks + product.hand_clearance
        words = {"projection": named(thing.projection_ticks, opening.unit), "need": named(need, opening.unit)}
        yield finding("clear_by", "obstructions", kind=thing.kind, **words)


def _door(opening: Opening, site: Site | None) -> Iterator[Finding]:
    """A leaf that swings in passes an outside mount; one that slides is covered from the fixed panel."""
    if site is not None and site.door == "in" and opening.mount == "outside":
        yield finding("door_in", "door_swing")
    elif site is not None and site.door == "slides":
        yield finding("door_slides", "door_swing")


def _over_floor(opening: Opening, product: ProductFit) -> Iterator[Finding]:
    """An inside size is the opening's: the product takes its clearance, which must be the floor's too."""
    lacking = opening.over_floor - product.clearance_height
    if lacking > 0:
        words = {"floor": TABLE["floors"][opening.floor]["name"], "over": named(opening.over_floor, opening.unit)}
        off = named(product.clearance_height, opening.unit)
        yield finding("over_floor", "sill", what=product.name, x=named(lacking, opening.unit), off=off, **words)


def _limits(opening: Opening, size: OrderSize, product: ProductFit) -> Iterator[Finding]:
    width, height = finished_size(size, product)
    unit, what = opening.unit, product.name
    x = named(width, unit)
    if width < product.least_width:
        yield limit(product, "too_narrow", "order_width", what=what, limit=named(product.least_width, unit), x=x)
    if product.tubes:
        yield from _tubes(width, x, product)
    elif product.most_width is not None and width > product.most_width:
        words = {"limit": named(product.most_width, unit), "count": -(-width // product.most_width)}
        yield limit(product, "too_wide", "order_width", what=what, x=x, **words)
    y = named(height, unit)
    if height < product.least_height:
        yield limit(product, "too_short", "order_height", what=what, limit=named(product.least_height, unit), x=y)
    if product.most_height is not None and height > product.most_height:
        yield limit(product, "too_tall", "order_height", what=what, limit=named(product.most_height, unit), x=y)
    count = supports(width, product)
    if count > 2:
        yield finding("support", "order_width", x=x, count=count)


def supports(width_ticks: int, product: ProductFit) -> int:
    """
    Supports along a headrail, end brackets included: ceil((width − 2 × end) / span) + 1, at least 2.

    Examples
    --------
    >>> rail = ProductFit("k", "n", "slat", support_span=48 * 8128, support_end=5 * 8128)
    >>> [supports(8128 * inches, rail) for inches in (40, 58, 59)]
    [2, 2, 3]
    """
    if product.support_span is None:
        return 2
    return max(2, -(-(width_ticks - 2 * product.support_end) // product.support_span) + 1)


def _tubes(width: int, x: str, product: ProductFit) -> Iterator[Finding]:
    first, last = product.tubes[0], product.tubes[-1]
    if width <= first.most:
        return
    for tube in product.tubes:
        if width <= tube.most:
            yield finding("bigger_tube", "order_width", x=x, tube=first.name, next=tube.name)
            return
    if product.coupled_most is not None and width <= product.coupled_most:
        yield finding("coupled", "order_width", x=x)
    else:
        yield finding("two_units", "order_width", x=x, count=-(-width // last.most))


def _weight(opening: Opening, size: OrderSize, product: ProductFit, site: Site | None) -> Iterator[Finding]:
    width, height = finished_size(size, product)
    weight = grams(width, height, product)
    text = mass_upwards(weight, LengthUnit(opening.unit))
    if width >= _SITE["two_people_wide"] or weight > _SITE["two_people_grams"]:
        yield finding("two_people", "order_width", weight=text, x=named(width, opening.unit))
    reach = site.reach_ticks if site else None
    if reach is not None and reach > _SITE["overhead_over"] and weight > _SITE["overhead_grams"]:
        yield finding("overhead", "order_width", weight=text)


def _way_in(opening: Opening, size: OrderSize, product: ProductFit, site: Site | None) -> Iterator[Finding]:
    if site is None:
        return
    width, height = finished_size(size, product)
    longest = (max(width, height) if product.packed_by_height else width) + product.package_extra
    for way, room in site.way_in.items():
        if longest > room:
            words = {"x": named(longest, opening.unit), "limit": named(room, opening.unit)}
            yield finding("package", "order_width", way=f"the {way}", **words)


# -- alternatives -----------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Alternative:
    """One product of the range tried on an opening, and what came of it."""

    key: str
    name: str
    family: str
    mount: str
    fits: bool
    findings: tuple[Finding, ...]
    size: OrderSize | None

    def why(self) -> list[str]:
        """Why it fits or doesn't, in sentences: what is in its way first."""
        return [found.text for found in sorted(self.findings, key=_weight_of) if found.code not in _SHAPE]

    def to_json(self, unit: str) -> dict[str, object]:
        """Keys key, name, family, mount, fits, why, findings, and the size where there is one."""
        return {
            "key": self.key,
            "name": self.name,
            "family": self.family,
            "mount": self.mount,
            "fits": self.fits,
            "why": self.why(),
            "findings": [found.to_json() for found in self.findings],
            "size": self.size.to_json(unit) if self.size else None,
        }


_SEVERITY_ORDER: Final = {STOP: 0, CHECK: 1, NOTE: 2}
_SHAPE: Final = frozenset({"diagonals_wanted", "read_twice", "depth_unread"})


def _weight_of(found: Finding) -> int:
    return _SEVERITY_ORDER[found.severity]


def alternatives(
    opening: Opening,
    products: Iterable[ProductFit],
    *,
    site: Site | None = None,
    place: Jurisdiction | None = None,
) -> list[Alternative]:
    """
    Every product of the range tried on this opening at every mount it is made for, best first.

    An outside trial covers the least of the table on each side, and the head above. What fits
    comes first; among those fewest stops, checks and notes, then the opening's own family and
    mount, then the order of the range.

    Examples
    --------
    >>> doc = {"id": "A", "family": "roller", "mount": "inside", "depth": "1", "widths": {"top": "36"},
    ...        "heights": {"left": "60", "center": "60", "right": "60"}}
    >>> roller = ProductFit("r", "deep roller", "roller", min_depth=2 * 8128, flush_depth=3 * 8128)
    >>> [(one.mount, one.fits) for one in alternatives(Opening.from_json(doc, "in"), [roller])]
    [('outside', True), ('inside', False)]
    """
    tried = [
        _try(opening, product, mount, site, place)
        for product in products
        for mount in MOUNTS
        if mount in product.mounts
    ]
    ranked = sorted(enumerate(tried), key=lambda pair: (*_rank(pair[1], opening), pair[0]))
    return [one for _, one in ranked]


def _rank(one: Alternative, opening: Opening) -> tuple[bool, int, int, int, bool, bool]:
    found = Counter(finding.severity for finding in one.findings)
    other = one.family != opening.family, one.mount != opening.mount
    return (not one.fits, found[STOP], found[CHECK], found[NOTE], *other)


def _try(
    opening: Opening, product: ProductFit, mount: str, site: Site | None, place: Jurisdiction | None
) -> Alternative:
    trial = _as_if(opening, product, mount)
    lacking = _lacking(trial)
    found: list[Finding]
    size = None
    if lacking:
        words = {"what": product.name, "spots": ", ".join(lacking)}
        found = [finding("readings_lacking", lacking[0], **words)]
    else:
        size = order_size(trial)
        found = shape_findings(trial, size) + fit_findings(trial, size, product, site=site)
        cautions = safety_findings(size, product.controls, site, place, product.sold_as)
        found += [one for one in cautions if one.code != CONTROL_UNCHOSEN]
    fits = not any(one.code in _BLOCKING for one in found)
    return Alternative(product.key, product.name, product.family, mount, fits, tuple(found), size)


def _as_if(opening: Opening, product: ProductFit, mount: str) -> Opening:
    """The same opening, as if this product were to cover it at this mount."""
    if mount == "inside":
        return dataclasses.replace(
            opening, family=product.family, mount=mount, cover=None, cloth_extra_ticks=None, chosen=None, bay=None
        )
    least = TABLE["cover"]["least"]
    cover = opening.cover
    if opening.mount != "outside" or cover is None:
        cover = dict.fromkeys(SIDES, least)
        cover["top"] = max(least, product.head_height + TABLE["cover"]["above_head"])
    return dataclasses.replace(opening, family=product.family, mount=mount, cover=cover)


def _lacking(opening: Opening) -> Sequence[str]:
    lacking = [name for name in opening.rule.needs if name not in opening.readings]
    if lacking or opening.chosen is not None:
        return lacking
    groups = [pair for pair in groups_read(opening.shape) if not (pair[0] == "widths" and opening.bay)]
    return [name for name, spots in groups if not any(spot in opening.readings for spot in spots)]
