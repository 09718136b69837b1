"""Random things that people do, most of them through the pages they do them on."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any, TypeVar

from django.test import Client
from django.urls import reverse

import installs.services.loads
import installs.services.returns
import jobs.services.accepting
import jobs.services.appointments
import jobs.services.crews
from fabrication.models import Batch, CutPlan, Part, PlannedCut, Purchase, PurchaseLine, StockItem, Supplier, UnitMake
from fabrication.services.batches import open_batch
from fabrication.services.buying import Shortage, line_for, shortages
from fabrication.services.deliveries import inspect_line, receive_line
from fabrication.services.planning import plan_batch
from installs.models import Load, ReturnOwed, VisitUnit
from jobs.models import Appointment, Crew, Proposal, Purpose
from jobs.tasks import let_go_lapsed
from measuring.models import Opening, SizeChange, Unit
from measuring.services import readings, sizes
from shared.errors import Refused
from shared.lengths import Length
from tests.agreement import firm as firms
from tests.agreement.firm import TODAY, Firm
from tests.factories import at

T = TypeVar("T")
Draw = Callable[[int, int], int]
"""``draw(least, most)``: a whole number, both ends included."""


@dataclass
class Hands:
    """Does things in a firm, and keeps a journal of them."""

    firm: Firm
    draw: Draw
    pass_time: Callable[[dt.timedelta], None] = lambda _: None
    journal: list[str] = field(default_factory=list)
    clients: dict[int, Client] = field(default_factory=dict)

    def pick(self, rows: Sequence[T]) -> T | None:
        return rows[self.draw(0, len(rows) - 1)] if rows else None

    def wrote(self, what: str) -> None:
        self.journal.append(what)

    def post(self, role: str, name: str, *keys: Any, **values: Any) -> None:
        """Sends a page's form; what the page refuses is in the journal, and nothing happened."""
        user = self.firm.user(role)
        if user.pk not in self.clients:
            self.clients[user.pk] = Client()
            self.clients[user.pk].force_login(user)
        answer = self.clients[user.pk].post(reverse(name, args=keys), values)
        assert answer.status_code in (200, 302, 409, 422), f"{name} {keys} {values}: {answer.status_code}"
        self.wrote(f"{role} {name} {list(keys)} {values}: {answer.status_code}")

    def call(self, what: Callable[..., Any], **values: Any) -> None:
        """A service where no page is as short; what it refuses is in the journal."""
        try:
            what(**values)
        except Refused as refusal:
            self.wrote(f"{what.__name__}: refused, {refusal.problem}")
        else:
            self.wrote(f"{what.__name__} { ({name: str(value) for name, value in values.items() if name != 'by'}) }")

    # -- what there is ---------------------------------------------------------------------

    def visits(self, *states: str, **more: Any) -> list[Appointment]:
        rows = Appointment.objects.filter(job__branch=self.firm.branch, **more).select_related("job__branch", "crew")
        return list((rows.filter(state__in=states) if states else rows).order_by("pk"))

    def units(self, *states: str) -> list[Unit]:
        rows = Unit.objects.filter(opening__job__branch=self.firm.branch, state__in=states)
        return list(rows.select_related("opening__job").order_by("pk"))

    def any_crew(self, visit: Appointment) -> Crew:
        return self.firm.crew(self.draw(0, 1), "measure" if visit.is_measuring() else "install")

    def a_time(self) -> dt.time:
        quarter = self.draw(30, 66)
        return dt.time(quarter // 4, quarter % 4 * 15)


def book(do: Hands) -> None:
    """A call: a new job, its measure visit unplaced, a window reserved or not."""
    job = firms.a_job(do.firm, do.draw(1, 6))
    do.call(
        jobs.services.appointments.new_appointment, job=job, purpose=Purpose.MEASURE, by=do.firm.user("dispatcher"),
        duration_min=do.draw(2, 12) * 15,
    )  # fmt: skip


def reserve_offer(do: Hands) -> None:
    """The first or a later window of those the page offers."""
    visit = do.pick(do.visits("unplaced", purpose=Purpose.MEASURE))
    if visit is None:
        return
    from tests.agreement.pages import Eyes

    page = Eyes(do.firm).page("dispatcher", reverse("jobs:windows", args=[visit.pk]))
    chosen = do.pick([one["value"] for one in page.all("input", name="window")])
    if chosen:
        do.post("dispatcher", "jobs:windows", visit.pk, window=chosen)


def place(do: Hands) -> None:
    """By hand, on any day of the week, anyway."""
    visit = do.pick(do.visits("unplaced", "planned", "promised"))
    if visit is None:
        return
    do.post(
        "dispatcher", "jobs:move", visit.pk, crew=do.any_crew(visit).pk, time=f"{do.a_time():%H:%M}",
        day=TODAY + dt.timedelta(days=do.draw(0, 2)), anyway="on", version=visit.version,
    )  # fmt: skip


def promise(do: Hands) -> None:
    """The reserved window, or one about the planned start."""
    visit = do.pick(do.visits("planned", "held", "promised"))
    if visit is None or visit.starts_at is None:
        return
    start = visit.starts_at.astimezone(visit.job.branch.tz)
    begin = start - dt.timedelta(minutes=15 * do.draw(0, 4))
    until = start + dt.timedelta(minutes=15 * do.draw(1, 8))
    do.post(
        "dispatcher", "jobs:promise", visit.pk, anyway="1", window_from=f"{begin:%H:%M}", window_until=f"{until:%H:%M}"
    )


def let_go(do: Hands) -> None:
    if visit := do.pick(do.visits("held")):
        do.post("dispatcher", "jobs:let_go", visit.pk)


def lock(do: Hands) -> None:
    if visit := do.pick(do.visits("planned", "promised")):
        do.post("dispatcher", "jobs:lock", visit.pk, locked=str(do.draw(0, 1)))


def undo_move(do: Hands) -> None:
    if visit := do.pick(do.visits("planned", "promised")):
        do.post("dispatcher", "jobs:undo", visit.pk)


def unplace(do: Hands) -> None:
    if visit := do.pick(do.visits("planned", "promised")):
        do.post("dispatcher", "jobs:unplace", visit.pk, anyway="1")


def cancel(do: Hands) -> None:
    if visit := do.pick(do.visits("unplaced", "planned", "promised", "held")):
        do.post("dispatcher", "jobs:appointment_cancel", visit.pk, reason="moves house")


def split(do: Hands) -> None:
    if visit := do.pick(do.visits("planned", "promised", purpose=Purpose.MEASURE)):
        do.post("dispatcher", "jobs:split", visit.pk, first_min=str(max(1, visit.duration_min // 2)))


def swap(do: Hands) -> None:
    kind = "measure" if do.draw(0, 1) else "install"
    one, other = do.firm.crew(0, kind), do.firm.crew(1, kind)
    do.post("dispatcher", "jobs:swap", one=one.pk, other=other.pk, day=TODAY + dt.timedelta(days=do.draw(0, 1)))


def change_minutes(do: Hands) -> None:
    if visit := do.pick(do.visits("planned", "promised", "unplaced")):
        do.post(
            "dispatcher", "jobs:appointment_edit", visit.pk, duration_min=str(15 * do.draw(2, 12)), people="1",
            priority="1", purpose=visit.purpose,
        )  # fmt: skip


def absence(do: Hands) -> None:
    crew = do.firm.crew(do.draw(0, 1), "measure" if do.draw(0, 1) else "install")
    starts = at(do.firm.row, TODAY + dt.timedelta(days=do.draw(0, 2)), f"{do.draw(8, 14)}:00")
    do.call(
        jobs.services.crews.add_absence, crew=crew, starts_at=starts,
        ends_at=starts + dt.timedelta(hours=do.draw(1, 6)), by=do.firm.user("dispatcher"), reason="sick",
    )  # fmt: skip


def tap(do: Hands) -> None:
    """The next of leaving, arrived and done, as the office may tap for a crew."""
    visit = do.pick(do.visits("planned", "promised", "on_the_way", "arrived", day=TODAY))
    if visit is not None:
        steps = {"on_the_way": "arrived", "arrived": "done"}
        do.post("dispatcher", f"jobs:{steps.get(visit.state, 'on_the_way')}", visit.pk)


def wait(do: Hands) -> None:
    """The clock goes on, and what is done by the clock is done."""
    minutes = 10 * do.draw(1, 9)
    do.pass_time(dt.timedelta(minutes=minutes))
    do.wrote(f"{minutes} minutes pass, {let_go_lapsed()} reservations ran out")


# -- measuring -----------------------------------------------------------------------------------


def read(do: Hands) -> None:
    """A length read anew, on any opening that is not on the truck yet."""
    openings = Opening.objects.filter(job__branch=do.firm.branch, units__state__in=["sized", "approved", "released"])
    opening = do.pick(list(openings.distinct().order_by("pk")))
    if opening is None:
        return
    spot = do.pick(["widths.top", "widths.middle", "widths.bottom", "heights.left", "heights.right"])
    assert spot is not None
    whole = do.draw(28, 46) if spot.startswith("widths") else do.draw(44, 70)
    do.call(
        readings.record_reading, opening=opening, spot=spot, typed=f"{whole} {do.draw(1, 7)}/8",
        by=do.firm.user("measurer"),
    )  # fmt: skip


def measure(do: Hands) -> None:
    """One more opening of a job under measure, read and with its options chosen."""
    visit = do.pick(do.visits("planned", "promised", "arrived", purpose=Purpose.MEASURE))
    if visit is None:
        return
    width, height = f"{do.draw(26, 46)} {do.draw(1, 7)}/8", f"{do.draw(40, 72)} {do.draw(1, 7)}/8"
    product = do.pick(["wren", "dunlin_wood", "snipe"]) or "wren"
    firms.a_unit(do.firm, visit.job, width, width, width, height, height, height, "4", product=product, room="Bay")
    do.wrote(f"measured a {product} {width} × {height} at {visit.job.number}")


def choose_colour(do: Hands) -> None:
    unit = do.pick([unit for unit in do.units("sized", "approved") if unit.product.key == "wren"])
    if unit is not None:
        which = do.pick(["Brant white", "Brant sand", "Dusk grey"])
        do.call(sizes.set_options, unit=unit, options=unit.options | {"colour": which}, by=do.firm.user("measurer"))


def approve(do: Hands) -> None:
    if unit := do.pick(do.units("sized")):
        job = unit.opening.job
        do.post("dispatcher", "measuring:approve", job.pk, units=[unit.pk], approved_by="Ida Marl", how="phone")


def release(do: Hands) -> None:
    if unit := do.pick(do.units("approved")):
        due = TODAY + dt.timedelta(days=do.draw(5, 12))
        do.post("dispatcher", "measuring:release", unit.opening.job_id, units=[unit.pk], due_on=due)


def cancel_unit(do: Hands) -> None:
    if unit := do.pick(do.units("sized", "approved")):
        do.post("dispatcher", "measuring:cancel_unit", unit.pk, reason="not wanted")


def ask_change(do: Hands) -> None:
    """Of a unit that is released: it is on hold then."""
    if unit := do.pick(do.units("released", "in_workroom", "made")):
        do.post("dispatcher", "measuring:change_unit", unit.pk, kind="size", reason="the customer asks")


def decide_change(do: Hands) -> None:
    if change := do.pick(list(SizeChange.objects.filter(state="open").order_by("pk"))):
        do.post("dispatcher", "measuring:size_change", change.pk, do="refuse", text="as it was")


# -- the workroom --------------------------------------------------------------------------------


def batch(do: Hands) -> None:
    """What waits, and its cuts planned; once a history, since the solver takes its time."""
    if Batch.objects.filter(branch=do.firm.branch, note="again").exists():
        return
    makes = UnitMake.objects.filter(
        state=UnitMake.State.WAITING, source="made", unit__opening__job__branch=do.firm.branch
    )
    keys = list(makes.values_list("pk", flat=True))
    if not keys:
        return
    by = do.firm.user("workroom")
    row = open_batch(branch=do.firm.row, makes=keys, by=by, note="again")
    plan_batch(batch=row, by=by, seconds=1)
    do.wrote(f"batch {row} of {len(keys)} planned: {firms.do_runs()}")


def _cuts(do: Hands, *states: str) -> list[PlannedCut]:
    rows = PlannedCut.objects.filter(
        plan__state=CutPlan.State.READY, plan__batch__branch=do.firm.branch, state__in=states
    )
    return list(rows.order_by("plan", "order"))


def cut(do: Hands) -> None:
    if one := do.pick(_cuts(do, "to_cut", "begun")):
        do.post("workroom", "fabrication:cut", one.pk)


def cut_piece(do: Hands) -> None:
    if one := do.pick(_cuts(do, "to_cut", "begun")):
        do.post("workroom", "fabrication:cut_piece", one.pk, do.draw(0, len(one.pieces) - 1))


def uncut(do: Hands) -> None:
    if one := do.pick(_cuts(do, "cut", "begun")):
        do.post("workroom", "fabrication:uncut", one.pk)


def miscut(do: Hands) -> None:
    """A spoiled piece, and what is left planned anew."""
    one = do.pick(_cuts(do, "to_cut", "begun"))
    if one is not None and not any("miscut" in line for line in do.journal):
        spoiled = do.draw(0, len(one.pieces) - 1)
        said = {f"piece{position}": "spoiled" if position == spoiled else "not" for position in range(len(one.pieces))}
        said |= {"left1": "20", "width1": "20", "run_off": str(one.length)}
        do.post("workroom", "fabrication:miscut", one.pk, **said, reason="slipped")
        do.wrote(f"planned anew: {firms.do_runs()}")


def _to_pull(do: Hands) -> list[Part]:
    rows = Part.objects.filter(
        state=Part.State.TO_PULL, make__batch__isnull=False, make__unit__opening__job__branch=do.firm.branch
    )
    return list(rows.order_by("pk"))


def pull(do: Hands) -> None:
    for part in _to_pull(do)[: do.draw(1, 12)]:
        do.post("workroom", "fabrication:pull", part.pk)


def put_together(do: Hands) -> None:
    """Whatever is planned is cut and pulled: its units wait for who measures them."""
    for one in _cuts(do, "to_cut", "begun"):
        do.post("workroom", "fabrication:cut", one.pk)
    for part in _to_pull(do):
        do.post("workroom", "fabrication:pull", part.pk)


def check(do: Hands) -> None:
    make = do.pick(
        list(UnitMake.objects.filter(state__in=["assembly", "back"], unit__opening__job__branch=do.firm.branch))
    )
    if make is not None:
        do.post(
            "workroom", "fabrication:check", make.pk, width=str(make.finished_width).removesuffix(" in"),
            height=str(make.finished_height).removesuffix(" in"),
        )  # fmt: skip


def count(do: Hands) -> None:
    items = StockItem.objects.filter(material__branch=do.firm.branch, quantity__gt=0, cuts__isnull=False).distinct()
    if item := do.pick(list(items.order_by("pk"))):
        do.post("workroom", "fabrication:stock_act", item.pk, "count", counted=str(do.draw(1, 9)), reason="counted")


def run_short(do: Hands) -> None:
    """Nothing is left of a material that open parts wait for: somebody counts the rack, and it is empty."""
    parts = Part.objects.filter(
        state=Part.State.TO_CUT, make__unit__opening__job__branch=do.firm.branch, length__isnull=False, width=None
    )
    material = do.pick(list(parts.order_by("material").values_list("material", flat=True).distinct()))
    for item in StockItem.objects.filter(material=material, quantity__gt=0, width=None):
        do.post("workroom", "fabrication:stock_act", item.pk, "count", counted=str(item.reserved), reason="counted")


def buy_stock(do: Hands) -> None:
    """What is short, one material or all."""
    short = shortages(branch=do.firm.row)
    if short:
        ticked = [one.material.pk for one in short[: do.draw(1, len(short))]]
        supplier = Supplier.objects.get(branch=do.firm.branch, name="Fenwater Weavers")
        usual = [(f"m{one.material.pk}-{name}", value) for one in short for name, value in _usual(one).items()]
        do.post("workroom", "fabrication:buy_stock", supplier=supplier.pk, material=ticked, **dict(usual))
        _send(do)


def _usual(short: Shortage) -> dict[str, object]:
    """What the boxes of a short material say, in inches."""
    line = line_for(short)
    width = line.width or (Length.inches(98) if short.material.kind == "cloth" else None)
    sizes = {name: size.text() for name, size in (("length", line.length), ("width", width)) if size is not None}
    return {"quantity": line.quantity, **sizes}


def _send(do: Hands) -> None:
    for purchase in Purchase.objects.filter(branch=do.firm.branch, state="draft").order_by("pk"):
        do.post("workroom", "fabrication:purchase_send", purchase.pk)


def buy_units(do: Hands) -> None:
    makes = UnitMake.objects.filter(
        state=UnitMake.State.WAITING, source="bought", purchase_line=None,
        unit__opening__job__branch=do.firm.branch,
    )  # fmt: skip
    if keys := list(makes.values_list("pk", flat=True)):
        supplier = Supplier.objects.get(branch=do.firm.branch, name="Fenwater Weavers")
        do.post("workroom", "fabrication:buy_units", supplier=supplier.pk, makes=keys)
        _send(do)


def receive(do: Hands) -> None:
    """A line that was ordered comes: stock goes on the rack, a unit waits for who looks it over."""
    lines = PurchaseLine.objects.filter(purchase__branch=do.firm.branch, state__in=["ordered", "acknowledged"])
    if line := do.pick(list(lines.order_by("pk"))):
        do.call(
            receive_line, line=line, packages=max(1, line.packages_expected), shelf="rack 7",
            by=do.firm.user("workroom"),
        )  # fmt: skip


def inspect(do: Hands) -> None:
    lines = PurchaseLine.objects.filter(purchase__branch=do.firm.branch, state="received")
    if line := do.pick(list(lines.order_by("pk"))):
        is_good = do.draw(0, 3) > 0
        do.call(inspect_line, line=line, is_good=is_good, note="as it came", by=do.firm.user("workroom"))


# -- the truck and the stop -------------------------------------------------------------------------


def _loads(do: Hands, *states: str) -> list[Load]:
    return list(
        Load.objects.filter(crew__branch=do.firm.branch, state__in=states).select_related("crew").order_by("pk")
    )


def refresh_load(do: Hands) -> None:
    visit = do.pick(do.visits("planned", "promised", purpose=Purpose.INSTALL))
    if visit is not None and visit.crew is not None and visit.day is not None:
        do.call(installs.services.loads.refresh_load, crew=visit.crew, day=visit.day, by=do.firm.user("dispatcher"))


def load_room(do: Hands) -> None:
    load = do.pick(_loads(do, "open", "checked"))
    visit = do.pick(do.visits("planned", "promised", purpose=Purpose.INSTALL))
    if load is not None and visit is not None:
        do.post("owner", "installs:check_room", load.pk, visit=str(visit.pk))


def load_line(do: Hands) -> None:
    load = do.pick(_loads(do, "open", "checked"))
    line = load and do.pick(list(load.lines.all()))
    if line:
        do.post("owner", "installs:check", line.pk)


def leave_yard(do: Hands) -> None:
    if load := do.pick(_loads(do, "open", "checked")):
        do.post("owner", "installs:leave", load.pk, reason="in the other van")


def come_back(do: Hands) -> None:
    if load := do.pick(_loads(do, "left")):
        do.post("owner", "installs:back", load.pk)


def _open_rows(do: Hands, *outcomes: str) -> list[VisitUnit]:
    rows = VisitUnit.objects.filter(
        appointment__job__branch=do.firm.branch, appointment__state__in=["planned", "promised", "arrived"],
        appointment__day=TODAY, outcome__in=outcomes,
    )  # fmt: skip
    return list(rows.order_by("pk"))


def install(do: Hands) -> None:
    if row := do.pick(_open_rows(do, "to_do")):
        do.post("owner", "installs:installed", row.appointment_id, row.unit_id)


def not_installed(do: Hands) -> None:
    if row := do.pick(_open_rows(do, "to_do")):
        cause = do.pick(["size.too_wide", "size.too_narrow", "make.does_not_run"])
        do.post("owner", "installs:not_installed", row.appointment_id, row.unit_id, cause=cause, note="as it is")


def take_back(do: Hands) -> None:
    if row := do.pick(_open_rows(do, "installed", "not_installed")):
        do.post("owner", "installs:undo", row.appointment_id, row.unit_id)


def close_stop(do: Hands) -> None:
    visit = do.pick(do.visits("arrived", purpose__in=[Purpose.INSTALL, Purpose.RETURN]))
    if visit is not None:
        do.post("owner", "installs:done", visit.pk, note="")


def decide_return(do: Hands) -> None:
    owed = do.pick(list(ReturnOwed.objects.filter(job__branch=do.firm.branch, state="owed").order_by("pk")))
    if owed is not None:
        do.call(
            installs.services.returns.decide_return, owed=owed, by=do.firm.user("dispatcher"),
            remake=bool(do.draw(0, 1)), parts_ready_on=TODAY,
        )  # fmt: skip


def plan_days(do: Hands) -> None:
    """A proposal, and a part of it taken; once a history."""
    by = do.firm.user("dispatcher")
    proposal = Proposal.objects.filter(branch=do.firm.branch).order_by("pk").last()
    if proposal is None:
        return
    moves = list(proposal.moves.filter(state="open", crew__isnull=False))
    if move := do.pick(moves):
        do.call(jobs.services.accepting.accept_moves, proposal=proposal, moves=[move], by=by)


ACTIONS: tuple[Callable[[Hands], None], ...] = (
    book, reserve_offer, place, place, promise, promise, let_go, lock, undo_move, unplace, cancel, split, swap,
    change_minutes, absence, tap, tap, tap, tap, wait, read, measure, choose_colour, approve, approve, release,
    release, cancel_unit, ask_change, decide_change, batch, cut, cut_piece, uncut, miscut, pull, put_together,
    check, count, run_short, run_short, buy_stock, buy_units, receive, inspect, refresh_load, load_room, load_line,
    leave_yard, come_back, install, install, not_installed, take_back, close_stop, decide_return, plan_days,
)  # fmt: skip
