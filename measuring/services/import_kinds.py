"""What tables of this room can hold: openings with measurements or a builder's window schedule, and products."""

from __future__ import annotations

from typing import Any, Final

from jobs.models import Job
from jobs.rules.columns import Cells, Column
from jobs.services.imports import Importing, Kind, Taken, WrongCells, add
from jobs.services.stages import lock_open_job
from measuring.adapters.facts import About, clean_facts, read_entry
from measuring.models import Family, Mount, Opening, Product, Reading
from measuring.rules.range import starting_rows
from measuring.services.openings import add_opening, add_room
from measuring.services.range import save_product
from measuring.services.readings import record_reading
from shared.errors import Refused
from shared.roles import OWNER

SPOTS: Final = {
    # column: where it was read, and other headings
    "width": ("widths.middle", ("w", "rough width", "ro width", "opening width", "plan width")),
    "width_top": ("widths.top", ("top width", "width top", "w top")),
    "width_middle": ("widths.middle", ("middle width", "width middle", "w middle")),
    "width_bottom": ("widths.bottom", ("bottom width", "width bottom", "w bottom")),
    "height": ("heights.center", ("h", "rough height", "ro height", "opening height", "plan height")),
    "height_left": ("heights.left", ("left height", "height left", "h left")),
    "height_center": ("heights.center", ("center height", "height center", "centre height", "h center")),
    "height_right": ("heights.right", ("right height", "height right", "h right")),
    "depth": ("depth", ("jamb depth", "d")),
}
MOST_ALIKE: Final = 200
"""Openings that one line of a schedule may stand for."""


def _job(to: Importing, cells: Cells) -> Job | None:
    """The job a line is of: the one its cell names, else the one the table is of."""
    number = cells.text("job")
    if not number:
        if to.job is None:
            cells.wrong["job"] = "is empty; name the job's number, or choose one job for the table"
        return to.job
    found = Job.objects.filter(branch=to.branch, number__iexact=number).first()
    if found is None:
        cells.wrong["job"] = f"there is no job {number}"
    return found


def _marks(cells: Cells) -> list[str]:
    """One mark for each opening of a line: W3, or W3-1, W3-2 … where it stands for several."""
    count = cells.whole("count", 1, MOST_ALIKE) or 1
    mark = cells.text("mark")
    return [mark] if count == 1 else [f"{mark}-{at}" for at in range(1, count + 1)]


def _facts(to: Importing, cells: Cells, about: About) -> dict[str, object]:
    """What is known of a line's openings, fit to keep, but for the mark."""
    kind, sent = cells.text("type"), {name: cells.text(name) for name in ("product", "note") if cells.text(name)}
    if mount := cells.one_of("mount", dict(Mount.choices)):
        sent["mount"] = mount
    named = Product.objects.filter(branch=to.branch, is_active=True)
    if kind and "product" not in sent:
        product = named.filter(name__iexact=kind).first() or named.filter(key=kind).first()
        if product is not None:
            sent["product"] = product.key
    elif "product" in sent and (product := named.filter(name__iexact=sent["product"]).first()) is not None:
        sent["product"] = product.key
    if kind and "product" not in sent:
        sent["note"] = ". ".join(part for part in (f"Type {kind}", sent.get("note", "")) if part)
    for mark in _marks(cells):
        _, problems = clean_facts({"mark": mark, **sent}, about)
        cells.wrong |= problems
    return dict(sent)


def _readings(to: Importing, cells: Cells) -> dict[str, str]:
    """What is typed at each spot; a spot is named once."""
    found: dict[str, str] = {}
    for name, (spot, _) in SPOTS.items():
        typed = cells.text(name)
        if not typed:
            continue
        if spot in found:
            cells.wrong[name] = "the same place has two columns"
        try:
            read_entry(typed, to.branch.unit, name)
        except Refused as refusal:
            cells.wrong[name] = refusal.problem
        found[spot] = typed
    return found


def look_at_opening(to: Importing, cells: Cells) -> str:
    job, marks = _job(to, cells), _marks(cells)
    floor, room = cells.text("floor"), cells.text("room")
    if len(room) > 60:
        cells.wrong["room"] = f"{len(room)} characters; at most 60"
    if len(floor) > 20:
        cells.wrong["floor"] = f"{len(floor)} characters; at most 20"
    _facts(to, cells, About(to.branch.unit, job.pk if job else 0, to.branch.pk))
    readings = _readings(to, cells)
    cells.one_of("grade", dict(Reading.Grade.choices))
    there = Opening.objects.filter(job=job, room__floor=floor, room__name=room).exclude(state=Opening.State.DROPPED)
    taken = set(there.values_list("mark", flat=True)) if job else set()
    for mark in marks:
        place = (str(job.pk if job else 0), floor, room, mark)
        if mark in taken or place in to.seen:
            cells.wrong.setdefault("mark", f"{room} has an opening {mark} already")
        to.seen.add(place)
    count = "an opening" if len(marks) == 1 else f"{len(marks)} openings"
    return count + (f", {len(readings)} measurements each" if readings else "")


def take_opening(to: Importing, cells: Cells) -> Taken:
    job = _job(to, cells)
    words = look_at_opening(Importing(to.branch, to.by, to.job), cells)
    if cells.wrong or job is None:
        raise WrongCells(cells.wrong)
    job = lock_open_job(job)
    facts = _facts(to, cells, About(to.branch.unit, job.pk, to.branch.pk))
    readings, grade = _readings(to, cells), cells.one_of("grade", dict(Reading.Grade.choices), Reading.Grade.ROUGH)
    rooms = {room.pk for room in job.rooms.all()}
    room = add_room(job=job, name=cells.text("room"), floor=cells.text("floor"), by=to.by)
    rows: list[Any] = [] if room.pk in rooms else [room]
    for mark in _marks(cells):
        opening = add_opening(room=room, by=to.by, facts={"mark": mark, **facts})
        for spot, typed in readings.items():
            record_reading(opening=opening, spot=spot, typed=typed, by=to.by, grade=grade)
        rows += [opening, *opening.readings.all(), *opening.units.all()]
    return Taken(f"{job.number}: {words}", rows, job)


# -- products ----------------------------------------------------------------------------------------

SOURCES: Final = dict(Product.Source.choices)


def _fit(family: str) -> dict[str, Any]:
    """Mounting needs a product begins with: those of the starting range's first of its family."""
    return next((dict(row["fit"]) for row in starting_rows("products") if row["family"] == family), {})


def look_at_product(to: Importing, cells: Cells) -> str:
    name = cells.text("product")
    cells.demand("family")
    cells.one_of("family", dict(Family.choices))
    cells.one_of("source", SOURCES)
    if len(name) > 80:
        cells.wrong["product"] = f"{len(name)} characters; at most 80"
    if (name.lower(),) in to.seen or Product.objects.filter(branch=to.branch, name__iexact=name).exists():
        cells.wrong.setdefault("product", f"there is a product {name} already")
    to.seen.add((name.lower(),))
    return "a new product, mounting needs as in the starting range"


def take_product(to: Importing, cells: Cells) -> Taken:
    words = look_at_product(Importing(to.branch, to.by), cells)
    if cells.wrong:
        raise WrongCells(cells.wrong)
    family = cells.one_of("family", dict(Family.choices))
    made = save_product(
        branch=to.branch, by=to.by, name=cells.text("product"), family=family, fit=_fit(family),
        source=cells.one_of("source", SOURCES, Product.Source.MADE),
    )  # fmt: skip
    return Taken(words, [made])


def register() -> None:
    """Called once, when the apps are ready."""
    openings = (
        Column("job", "its number; or choose one job for the table", ("job number", "job no", "order", "project")),
        Column("floor", "", ("level", "storey", "story")),
        Column("room", "", ("location", "area", "space", "unit"), True),
        Column("mark", "the plan's mark, such as W-204", ("window", "plan mark", "tag", "id", "no", "opening"), True),
        Column("type", "as the plan names it; a product of that name is taken", ("window type", "model")),
        Column("product", "name of one of your products", ("covering", "treatment")),
        Column("mount", "inside or outside", ("im om", "mounting")),
        Column("count", "how many alike; 1 when empty", ("qty", "quantity", "number")),
        Column("note", "", ("notes", "remarks", "comments")),
        *(Column(name, "", also) for name, (_, also) in SPOTS.items()),
        Column("grade", "final or rough; rough when empty: somebody measures before anything is made", ("quality",)),
    )
    add(Kind("openings", "Openings or a window schedule", openings, look_at_opening, take_opening, name_of="mark"))
    products = (
        Column("product", "its name", ("name", "product name", "style", "line"), True),
        Column("family", ", ".join(dict(Family.choices).values()), ("type", "category", "kind"), True),
        Column("source", ", ".join(SOURCES.values()), ("made", "made or bought")),
    )
    add(Kind("products", "Products", products, look_at_product, take_product, roles=(OWNER,), name_of="product"))
