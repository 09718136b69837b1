"""From released sizes to units as they are made: finished sizes, parts, weights, by the current recipe."""

from __future__ import annotations

import json
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from decimal import Decimal
from functools import lru_cache
from itertools import groupby
from math import ceil
from types import MappingProxyType
from typing import Final

from django.db import transaction
from django.db.models import QuerySet

from fabrication.adapters.costs import PartCost, cost_of, cost_of_parts
from fabrication.adapters.supplied import steps_shown, supplied_columns, supplied_size
from fabrication.models import Material, OwnCloth, Part, Purchase, PurchaseLine, RecipeRevision, Tolerance, UnitMake
from fabrication.rules import recipes as rules
from fabrication.rules.bench import COLOR
from fabrication.rules.cords import LoopRule, loop_rule, pull_rule
from fabrication.rules.own_cloth import as_own
from fabrication.services.amendments import ask_supplier
from measuring.adapters.changes import differences
from measuring.adapters.evaluation import fit_of, jurisdiction_of
from measuring.models import RELEASED_OR_LATER, Group, Product, SizeChange, Unit
from shared.audit import Changes, entry, record, record_all
from shared.errors import Refused
from shared.formats.dates import short_day
from shared.formats.money import money_text
from shared.lengths import Length, total
from shared.models import Branch, User
from shared.records import length_text

CUT = {Material.Kind.BAR, Material.Kind.STRIP, Material.Kind.CLOTH}
OWN: Final = "own-"
"""How keys of materials begin that are one customer's cloth."""


# -- reading what the rules need -----------------------------------------------------


_recipes: dict[tuple[int, object], rules.Recipe] = {}
"""Revisions as they were read: one is never changed, so once is enough."""


def recipe_from(revision: RecipeRevision) -> rules.Recipe:
    """A revision as the rules read it."""
    key = (revision.pk, revision.saved_at)
    if key not in _recipes:
        _recipes[key] = rules.Recipe.from_json(revision.definition | {"revision": revision.number})
    return _recipes[key]


def recipe_of(product: Product) -> RecipeRevision | None:
    return RecipeRevision.objects.filter(product=product, is_current=True).first()


def materials_of(branch: Branch) -> Mapping[str, rules.Material]:
    """The branch's materials as the rules read them."""
    return _read(_range_of(branch))


def _range_of(branch: Branch) -> QuerySet[Material]:
    """The materials recipes are made of: all but customers' own cloth, whose weight nobody knows."""
    return Material.objects.filter(branch=branch).exclude(key__startswith=OWN)


def _read(rows: Iterable[Material]) -> Mapping[str, rules.Material]:
    return _as_read(json.dumps([material_json(row) for row in rows]))


@lru_cache(maxsize=16)
def _as_read(text: str) -> Mapping[str, rules.Material]:
    """Every unit of a job asks for them at its release, and a firm seldom changes one."""
    return MappingProxyType(rules.materials_from_json(json.loads(text)))


def material_json(row: Material) -> dict[str, object]:
    lengths = {"kerf": row.kerf, "trim": row.trim, "keep": row.keep}
    shown = {name: length_text(length) for name, length in lengths.items() if length is not None}
    return {"key": row.key, "name": row.name, "kind": row.kind, "facts": row.facts, **shown}


def order_of(unit: Unit, recipe: rules.Recipe, chosen: Mapping[str, str] | None = None) -> rules.Order:
    """A unit as the recipe's order; what the recipe has no option for is left out, a value never is."""
    width, height, longest = unit.order_width, unit.order_height, unit.longest_height
    if width is None or height is None:
        raise Refused(f"{unit.code} has no order size yet", field="unit")
    chosen = unit.options if chosen is None else chosen
    loop = loop_rule_of(unit, recipe, chosen)
    return rules.Order(
        width=width,
        height=height,
        mount=unit.mount,
        basis=unit.basis,
        longest_height=max(longest or height, height),
        options={option.key: chosen[option.key] for option in recipe.options if chosen.get(option.key)},
        loop_limit=loop.limit,
        loop_rule=loop.rule,
        loop_warning=loop.warning,
        code=unit.code,
    )


def _kept(units: Iterable[Unit]) -> dict[int, Mapping[str, str]]:
    """What the parts of units in the workroom were worked out from: they keep it, whatever the lists say now."""
    there = [unit.pk for unit in units if unit.state in RELEASED_OR_LATER]
    makes = UnitMake.objects.filter(unit__in=there).values_list("unit", "figures") if there else ()
    return {pk: figures["made"]["options"] for pk, figures in makes if figures.get("made")}


def loop_rule_of(unit: Unit, recipe: rules.Recipe, options: Mapping[str, str]) -> LoopRule:
    """
    How far the unit's control loop or pull may hang by the rules of the branch's place.

    The figures of a place bind every loop there, whoever lives behind the window: children visit.
    No rule where the control is neither, or the firm has no rules of the place loaded.
    """
    hanging = getattr(recipe.trade, "loop", None), getattr(recipe.trade, "pull", None)
    chosen = str(options.get("control") or "")
    loop, pull = (rule is not None and chosen in rule.control for rule in hanging)
    place = jurisdiction_of(unit.opening.job) if loop or pull else None
    if place is None:
        return LoopRule()
    if pull:
        return pull_rule(place, unit=unit.product.branch.unit)
    control = fit_of(unit.product).control(chosen) if unit.product.fit else None
    return loop_rule(
        place,
        has_device=control is not None and control.device,
        head_height=unit.opening.reach_height,
        unit=unit.product.branch.unit,
    )


# -- at the release ------------------------------------------------------------------


def release_checks(unit: Unit) -> Iterator[str]:
    """Why the workroom can't make a unit: no recipe, or a size the recipe refuses."""
    if unit.product.source == Product.Source.BOUGHT:
        if (problem := _not_supplied(unit)) is not None:
            yield problem
        return
    revision = recipe_of(unit.product)
    if revision is None:
        yield f"{unit.product.name} has no recipe yet"
        return
    try:
        made = worked_out(unit, revision, materials_of(unit.product.branch))
    except rules.CannotMake as error:
        yield f"{unit.code} can't be made: {error.problem} ({error.bound})"
    else:
        yield from (remark.text for remark in made.remarks if remark.severity == "stop")


def worked_out(unit: Unit, revision: RecipeRevision, materials: Mapping[str, rules.Material]) -> rules.UnitMake:
    """One unit by itself, or as its place on a head it shares asks."""
    recipe, show = recipe_from(revision), unit.product.branch.unit
    head = head_of(unit)
    if len(head) < 2:
        order = order_of(unit, recipe, _kept([unit]).get(unit.pk))
        return rules.make_unit(recipe, order, materials, unit=show)
    made = make_head(head, recipe, materials)
    return made[[other.pk for other in head].index(unit.pk)]


@transaction.atomic
def make_units(units: Sequence[Unit], by: User) -> list[UnitMake]:
    """
    The release hook: a `UnitMake` with its parts for each unit just released.

    Units of one room are worked out together, so that their cloth lies one way and a pattern
    is matched across them; units on one head share it.
    """
    rows = sorted(units, key=lambda unit: (unit.opening.room_id, unit.opening_id, unit.number))
    made: list[UnitMake] = []
    stores: dict[int, _Store] = {}
    for _, room in groupby(rows, key=lambda unit: unit.opening.room_id):
        made += _make_room(list(room), stores)
    record_all(
        entry(by=by, action="worked out the parts", subject=make.unit, job=make.unit.opening.job_id) for make in made
    )
    return made


class _Store:
    """A branch's materials, read once: as rows by their key, and as the rules read them."""

    def __init__(self, branch: Branch) -> None:
        self.rows = {row.key: row for row in _range_of(branch)}
        self.materials = _read(self.rows.values())


def _make_room(units: Collection[Unit], stores: dict[int, _Store]) -> list[UnitMake]:
    bought = [unit for unit in units if unit.product.source == Product.Source.BOUGHT]
    ours: list[tuple[Unit, RecipeRevision]] = []
    for unit in units:
        if unit in bought:
            continue
        current = recipe_of(unit.product)
        if current is None:
            raise Refused(f"{unit.product.name} has no recipe yet", field="units")
        ours.append((unit, current))
    made = [_bought_in(unit) for unit in bought]
    if not ours:
        return made
    branch = ours[0][0].product.branch
    if branch.pk not in stores:
        stores[branch.pk] = _Store(branch)
    materials, keys = stores[branch.pk].materials, stores[branch.pk].rows
    alone = [(unit, revision) for unit, revision in ours if len(head_of(unit)) < 2]
    orders = [(recipe := recipe_from(revision), order_of(unit, recipe)) for unit, revision in alone]
    try:
        answers = {
            unit.pk: answer
            for (unit, _), answer in zip(alone, rules.make_room(orders, materials, unit=branch.unit), strict=True)
        }
        for unit, revision in ours:
            if unit.pk not in answers:
                answers[unit.pk] = worked_out(unit, revision, materials)
    except rules.CannotMake as error:
        raise Refused(f"{error.problem}", field="units", bound=error.bound) from None
    for unit, revision in ours:
        made.append(keep_make(unit, revision, answers[unit.pk], keys, tolerance_of(branch, unit)))
    return made


# -- several units on one head -------------------------------------------------------


def head_of(unit: Unit) -> list[Unit]:
    """The units that share a head with this one, itself included, left to right; one alone shares nothing."""
    group = unit.opening.group
    if group is None or group.kind != Group.Kind.HEAD:
        return [unit]
    units = (
        Unit.objects.live()
        .filter(opening__group=group, order_width__isnull=False)
        .select_related("product__branch", "opening__job__branch", "opening__group", "opening__room")
        .order_by("opening__order", "opening__pk", "number", "pk")
    )
    found = [unit if other.pk == unit.pk else other for other in units]
    return found if any(other.pk == unit.pk for other in found) else [unit]


def make_head(
    units: Sequence[Unit], recipe: rules.Recipe, materials: Mapping[str, rules.Material]
) -> tuple[rules.UnitMake, ...]:
    """
    Units side by side under one head, which is cut once and stands with the first.

    Raises
    ------
    CannotMake
        Where their products, mounts, heights, controls or colors differ.
    """
    first = units[0]
    kept = _kept(units)
    orders = [order_of(unit, recipe, kept.get(unit.pk)) for unit in units]
    show = first.product.branch.unit
    for name, values in (
        ("product", {unit.product_id for unit in units}),
        ("mount", {order.mount for order in orders}),
        ("height", {order.height for order in orders}),
        ("control", {order.options.get("control") for order in orders}),
        ("color", {order.options.get(COLOR) for order in orders}),
    ):
        if len(values) > 1:
            codes = ", ".join(unit.code for unit in units)
            raise rules.CannotMake(name, f"{codes} are on one head and differ in {name}", f"one {name} for all")
    whole = replace(
        orders[0],
        width=total(order.width for order in orders),
        longest_height=max(order.longest_height or order.height for order in orders),
        code=first.code,
    )
    widths = rules.shared_widths(recipe, whole, [order.width for order in orders])
    made = rules.make_on_one_head(recipe, whole, widths, materials, unit=show)
    return tuple(replace(one, code=unit.code) for one, unit in zip(made, units, strict=True))


# -- what is bought in ------------------------------------------------------------------


def _not_supplied(unit: Unit) -> str | None:
    try:
        supplied_size(unit)
    except Refused as refusal:
        return refusal.problem
    return None


def _bought_in(unit: Unit) -> UnitMake:
    """A unit that comes from a supplier: the size it is ordered at, no parts."""
    return UnitMake.objects.create(unit=unit, **supplied_columns(unit, supplied_size(unit)))


def tolerance_of(branch: Branch, unit: Unit) -> dict[str, list[int]]:
    """Under and over in ticks; nothing is allowed where the branch has no row for the family."""
    row = Tolerance.objects.filter(branch=branch, family=unit.product.family).first()
    if row is None:
        return {"width": [0, 0], "height": [0, 0]}
    over = row.width_over_inside if unit.mount == "inside" else row.width_over
    return {
        "width": [row.width_under.ticks, over.ticks],
        "height": [row.height_under.ticks, row.height_over.ticks],
    }


def keep_make(
    unit: Unit,
    revision: RecipeRevision,
    made: rules.UnitMake,
    materials: Mapping[str, Material],
    tolerance: dict[str, list[int]],
) -> UnitMake:
    """Writes what the rules worked out; of a unit made up before, what is cut and still fits stays its own."""
    make, _ = UnitMake.objects.update_or_create(
        unit=unit, defaults=make_columns(revision, made, unit.product.branch, tolerance)
    )
    rows, kept = _beside_what_fits(make, made, materials)
    make.parts.filter(done=0).delete()
    make.parts.exclude(pk__in=kept).update(state=Part.State.CANCELLED)  # what is cut stays in the books
    Part.objects.bulk_create(rows)
    return make


def _beside_what_fits(
    make: UnitMake, made: rules.UnitMake, materials: Mapping[str, Material]
) -> tuple[list[Part], set[int]]:
    """The rows that are to be made, and the keys of the parts begun already that are just as wanted."""
    parts = list(make.parts.select_related("material"))
    own = {part.name: part.material for part in parts if part.material.key.startswith(OWN)}
    begun = [part for part in parts if part.done and part.state != Part.State.CANCELLED]
    anew: list[Part] = []
    kept: set[int] = set()
    for row in part_rows(make, made, materials):
        if row.kind == Material.Kind.CLOTH and row.name in own:
            row.material, row.may_turn = own[row.name], False
        fits = (part for part in begun if part.pk not in kept and _is_like(part, row))
        if (part := next(fits, None)) is not None:
            kept.add(part.pk)
        else:
            anew.append(row)
    return anew, kept


def _is_like(part: Part, other: Part) -> bool:
    """Whether two parts are the same pieces: what a cut one need not be cut again for."""
    names = ("name", "kind", "material_id", "quantity", "length", "width", "may_turn")
    return all(getattr(part, name) == getattr(other, name) for name in names)


# -- cloth of the customer's own ------------------------------------------------------


def own_material_key(cloth: OwnCloth) -> str:
    """The key of the material that only this customer's cloth is."""
    return f"{OWN}{cloth.pk}"


def cloths_of(makes: Iterable[UnitMake]) -> dict[int, dict[str, OwnCloth]]:
    """By make: the product's cloths (by their key) that are cut from a customer's own."""
    parts = Part.objects.filter(make__in=[make.pk for make in makes], material__key__startswith=OWN)
    found: dict[int, dict[str, OwnCloth]] = {}
    for part in parts.exclude(state=Part.State.CANCELLED).select_related("make", "material"):
        cloth = OwnCloth.objects.filter(pk=part.material.key.removeprefix(OWN)).first()
        alike = (one.material for one in _made(part.make).parts if (one.name, one.kind) == (part.name, part.kind))
        if cloth is not None and (key := next(alike, "")):
            found.setdefault(part.make_id, {})[key] = cloth
    return found


def with_own(materials: Mapping[str, rules.Material], own: Mapping[str, OwnCloth]) -> Mapping[str, rules.Material]:
    """The range, with the customers' own cloth in the place of the product's."""
    return {
        **materials,
        **{
            key: as_own(materials[key], name=cloth.name, width=cloth.width, repeat=cloth.repeat)
            for key, cloth in own.items()
            if cloth.width is not None and key in materials
        },
    }


def materials_for(unit: Unit) -> Mapping[str, rules.Material]:
    """What a unit that is made up already is made of: the branch's range, and the customer's cloth it is cut from."""
    make = UnitMake.objects.filter(unit=unit).first()
    found = materials_of(unit.product.branch)
    return with_own(found, cloths_of([make]).get(make.pk, {})) if make is not None else found


def _made(make: UnitMake) -> rules.UnitMake:
    return rules.UnitMake.from_json(make.figures["made"])


def products_cloth(part: Part) -> tuple[Material, bool]:
    """The product's cloth for a part that was to be cut from the customer's, and whether it may be turned on it."""
    one = next(one for one in _made(part.make).parts if one.name == part.name and one.kind == part.kind)
    return Material.objects.get(branch=part.material.branch_id, key=one.material), one.may_turn


def make_columns(
    revision: RecipeRevision, made: rules.UnitMake, branch: Branch, tolerance: dict[str, list[int]]
) -> dict[str, object]:
    """The columns of a `UnitMake` for what the rules worked out."""
    return {
        "recipe": revision,
        "source": revision.product.source,
        "finished_width": made.finished_width,
        "finished_height": made.finished_height,
        "steps": steps_shown(made.steps, branch),
        "figures": {
            "tolerance": tolerance,
            "shown": [{"what": figure.name, "value": figure.text} for figure in made.figures],
            "remarks": [remark.to_json() for remark in made.remarks],
            "made": made.to_json(),
        },
        "weight_g": ceil(made.weight_g),
        "packages": [{"name": one.what, "longest": one.longest.ticks} for one in made.packages],
    }


def part_rows(make: UnitMake, made: rules.UnitMake, materials: Mapping[str, Material]) -> Iterable[Part]:
    """The rows of a unit's parts."""
    for part in made.parts:
        yield Part(
            make=make,
            name=part.name,
            kind=part.kind,
            material=materials[part.material],
            quantity=part.quantity,
            length=part.length,
            width=part.width,
            may_turn=part.may_turn,
            derivation=part.derivation,
            weight_g=ceil(part.weight_g),
            state=Part.State.TO_CUT if part.kind in CUT else Part.State.TO_PULL,
        )


def take_back(unit: Unit, by: User) -> None:
    """
    A released unit that only waits leaves the workroom with its parts.

    Raises
    ------
    Refused
        It is in a batch, ordered, or something of it is cut.
    """
    make = UnitMake.objects.select_for_update(of=("self",)).select_related("batch").filter(unit=unit).first()
    if make is None:
        return
    if make.batch is not None:
        raise Refused(f"{unit.code} is in {make.batch}: take it out of the batch first")
    line = PurchaseLine.objects.filter(make=make).select_related("purchase").first()
    if line is not None:
        raise Refused(f"{unit.code} is ordered on {line.purchase}; its options were ordered")
    if make.state != UnitMake.State.WAITING or make.parts.filter(done__gt=0).exists():
        raise Refused(f"{unit.code} is begun: pieces of it are cut; its options were ordered")
    make.delete()


# -- a change after the release ----------------------------------------------


def change_effects(unit: Unit, wanted: Unit | None) -> Iterator[str]:
    """
    What a change of a released unit would do, given the unit as it would be (None: it is cancelled).

    What is cut or ordered already, what that and the new parts cost, what is planned anew, which
    batch and head it touches.
    """
    make = UnitMake.objects.filter(unit=unit).select_related("recipe", "batch", "unit").first()
    if make is None or (wanted is not None and _is_as_made(unit, wanted)):
        return
    if wanted is None:
        lost = list(lost_of(make, cost_of(make).parts))
        yield from lost or ["nothing of it is cut or pulled yet"]
    elif wanted.product.source == Product.Source.BOUGHT:
        try:
            size = supplied_size(wanted)
        except Refused as refusal:
            yield f"it can't be ordered so: {refusal.problem}"
            return
        yield _becomes(make, size.width, size.height)
        yield from lost_of(make, cost_of(make).parts)
    else:
        revision = make.recipe if wanted.product_id == unit.product_id else recipe_of(wanted.product)
        if revision is None:
            return
        try:
            made = worked_out(wanted, revision, materials_for(unit))
        except rules.CannotMake as error:
            yield f"it can't be made so: {error.problem} ({error.bound})"
            return
        yield _becomes(make, made.finished_width, made.finished_height)
        yield from _new_parts(make, made)
    yield from _what_moves(make)
    mates = [other.code for other in head_of(unit) if other.pk != unit.pk]
    if mates:
        yield f"{', '.join(mates)} share its head, which is made anew with it"


def _is_as_made(unit: Unit, wanted: Unit) -> bool:
    names = ("product_id", "order_width", "order_height", "options")
    same = all(getattr(unit, name) == getattr(wanted, name) for name in names)
    return same and (unit.longest_height or unit.order_height) == wanted.longest_height


def _becomes(make: UnitMake, width: Length, height: Length) -> str:
    show = make.unit.product.branch.unit
    old = f"{make.finished_width.text(show)} × {make.finished_height.text(show)}"
    if (make.finished_width, make.finished_height) == (width, height):
        return f"finished size {old} stays"
    return f"finished size {old} becomes {width.text(show)} × {height.text(show)}"


def _new_parts(make: UnitMake, made: rules.UnitMake) -> Iterator[str]:
    """What of the parts begun is of no use for what is wanted, and what the rest of it costs."""
    keys = {row.key: row for row in Material.objects.filter(branch=make.unit.product.branch_id)}
    anew, kept = _beside_what_fits(make, made, keys)
    yield from lost_of(make, [row for row in cost_of(make).parts if row.part.pk not in kept])
    cost = cost_of_parts([part for part in anew if not _is_waiting(make, part)])
    if cost.total:
        currency = make.unit.product.branch.currency
        yield f"new parts: {money_text(cost.total, currency)} of material at stock prices, waste left out"
    if cost.unpriced:
        yield f"without a price: {', '.join(cost.unpriced)}"


def _is_waiting(make: UnitMake, row: Part) -> bool:
    """Whether the unit has just such a part now, nothing of it begun."""
    return any(not part.done and _is_like(part, row) for part in make.parts.all())


def lost_of(make: UnitMake, rows: Iterable[PartCost]) -> Iterator[str]:
    """What is cut or pulled of these parts of a unit, and what it cost; nothing where nothing is."""
    begun = [row for row in rows if row.part.done and row.part.state != Part.State.CANCELLED]
    if count := sum(row.part.done for row in begun):
        lost = sum((row.cut for row in begun if row.cut is not None), Decimal(0))
        worth = f", {money_text(lost, make.unit.product.branch.currency)} of material at stock prices" if lost else ""
        yield f"cut or pulled already and of no use any more: {_pieces(count)}{worth}"


def remake_effects(make: UnitMake) -> list[str]:
    """What making a unit anew costs and moves: pieces and material lost, lots, batch, dates."""
    cost = cost_of(make)
    currency = make.unit.product.branch.currency
    pieces = sum(row.part.done for row in cost.parts)
    lines = []
    if pieces:
        lines.append(
            f"cut or pulled already: {_pieces(pieces)}, {money_text(cost.cut, currency)} of material at stock prices"
        )
    lines.append(f"material for another one: {money_text(cost.total, currency)} at stock prices, waste left out")
    if cost.unpriced:
        lines.append(f"without a price: {', '.join(cost.unpriced)}")
    cut_from = make.parts.select_related("material").exclude(lot="")
    lots = sorted({f"{part.material.name} lot {part.lot}" for part in cut_from})
    if lots:
        lines.append(f"to match the room it must be cut from {', '.join(lots)}")
    return [*lines, *_what_moves(make)]


def _pieces(count: int) -> str:
    return "1 piece" if count == 1 else f"{count} pieces"


def _what_moves(make: UnitMake) -> Iterator[str]:
    from fabrication.services.batches import plans_with

    if make.batch is not None:
        due = f", due {short_day(make.batch.due_on)}" if make.batch.due_on else ""
        anew = ", ".join(plan.material.name for plan in plans_with(make))
        yield f"it leaves {make.batch}{due}; planned anew there: {anew or 'nothing'}"
    line = PurchaseLine.objects.filter(make=make).select_related("purchase__supplier").first()
    if line is not None and line.purchase.state == Purchase.State.DRAFT:
        yield f"it is on {line.purchase} to {line.purchase.supplier}, not sent yet: the line changes with it"
    elif line is not None:
        yield (
            f"it is on {line.purchase} to {line.purchase.supplier} ({line.get_state_display()}): the supplier must be "
            "asked, and may charge it"
        )
    if make.state == UnitMake.State.MADE:
        yield "it is made already and must be made again"
    if make.unit.due_on:
        yield f"it is due on {short_day(make.unit.due_on)} and goes back to waiting for a batch"


def remake_after_change(unit: Unit, change: SizeChange, by: User) -> None:
    """
    The accepted change: the unit's parts anew, out of its batch; what was cut and does not fit any more is gone.

    Units that share its head are made anew too where the change reaches them.
    """
    make = UnitMake.objects.filter(unit=unit).select_related("batch", "recipe", "unit__opening").first()
    if make is None:
        return
    old = Length(change.old_width.ticks), Length(change.old_height.ticks)
    changes: dict[str, list[object]] = {}
    if change.is_measured or change.kind == SizeChange.Kind.SIZE:
        changes = {"order width": [old[0], unit.order_width], "order height": [old[1], unit.order_height]}
    what = differences(change)
    if what:  # it is made by what is chosen now, not by what it was made of
        UnitMake.objects.filter(pk=make.pk).update(figures={})
        if change.new_product is not None:
            make.recipe = None
    _make_anew(unit, make, by, changes, "; ".join(what) or "has a new size")
    for other in head_of(unit):
        mate = UnitMake.objects.filter(unit=other).select_related("batch", "recipe", "unit__opening").first()
        if other.pk != unit.pk and mate is not None and mate.recipe is not None and _differs(other, mate):
            _make_anew(other, mate, by, {}, f"shares the head of {unit.code}")


def _differs(unit: Unit, make: UnitMake) -> bool:
    assert make.recipe is not None
    made = worked_out(unit, make.recipe, materials_for(unit))
    stands = rules.UnitMake.from_json(make.figures["made"]) if make.figures.get("made") else None
    return stands is None or stands.parts != made.parts


def _make_anew(unit: Unit, make: UnitMake, by: User, changes: Changes, why: str) -> None:
    if make.batch is not None:
        _leave(make, by, f"{unit.code} {why}")
    if unit.product.source == Product.Source.BOUGHT:
        _order_anew(unit, make, by, changes, why)
        return
    revision = make.recipe or recipe_of(unit.product)
    if revision is None:
        raise Refused(f"{unit.product.name} has no recipe yet")
    branch = unit.product.branch
    try:
        made = worked_out(unit, revision, materials_for(unit))
    except rules.CannotMake as error:
        raise Refused(error.problem, field="size", bound=error.bound) from None
    keys = {row.key: row for row in Material.objects.filter(branch=branch)}
    keep_make(unit, revision, made, keys, tolerance_of(branch, unit))
    _waits_again(make, unit)
    ask_supplier(make=make, what=f"{unit.code} is made here now", by=by)
    record(by=by, action="worked out the parts anew", subject=unit, job=unit.opening.job_id, changes=changes)


def _leave(make: UnitMake, by: User, why: str) -> None:
    from fabrication.services.batches import leave_batch

    leave_batch(make=make, by=by, why=why)


def _waits_again(make: UnitMake, unit: Unit) -> None:
    UnitMake.objects.filter(pk=make.pk).update(
        state=UnitMake.State.WAITING, batch=None, checked_width=None, checked_height=None, checked_at=None
    )
    make.steps_done.all().delete()
    Unit.objects.filter(pk=unit.pk).update(state=Unit.State.RELEASED, made_at=None)


def _order_anew(unit: Unit, make: UnitMake, by: User, changes: Changes, why: str) -> None:
    """A unit that is bought in takes its new size and options; where it is ordered, the supplier is asked."""
    size = supplied_size(unit)
    make.parts.filter(done=0).delete()
    make.parts.update(state=Part.State.CANCELLED)
    UnitMake.objects.filter(pk=make.pk).update(**supplied_columns(unit, size), recipe=None, figures={})
    _waits_again(make, unit)
    show = unit.product.branch.unit
    asked = f"{why}: {size.width.text(show)} × {size.height.text(show, symbol=True)}"
    if ask_supplier(make=make, what=asked, by=by):
        Unit.objects.filter(pk=unit.pk).update(state=Unit.State.IN_WORKROOM)
    record(by=by, action="worked out the size to order anew", subject=unit, job=unit.opening.job_id, changes=changes)


def cancel_make(unit: Unit, by: User) -> None:
    """A cancelled unit leaves its batch, whose plans are made without it; its supplier is asked to cancel it."""
    make = UnitMake.objects.filter(unit=unit).select_related("batch", "unit__opening").first()
    if make is None:
        return
    if make.batch is not None:
        _leave(make, by, f"{unit.code} is cancelled")
    make.parts.update(state=Part.State.CANCELLED)
    UnitMake.objects.filter(pk=make.pk).update(state=UnitMake.State.CANCELLED)
    ask_supplier(make=make, what=f"{unit.code} is cancelled", by=by)
