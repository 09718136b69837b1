"""
Faults put into one place each: what that page, document or answer alone then shows otherwise.

Patching is the point here. Each plant changes the source of one place, is looked at with that place's own reader
and must be named by the comparison.
"""

from __future__ import annotations

import copy
import datetime as dt
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from typing import Any

import pytest

import fabrication.services.buying
import fabrication.views.buying
import fabrication.views.stock
import fabrication.views.units
import installs.adapters.packet
import installs.views.loads
import installs.views.stops
import jobs.documents
import jobs.ics
import jobs.schedule.board
import jobs.views.appointments
import jobs.views.board
import jobs.views.crews
import jobs.views.jobs
import jobs.views.plan
from fabrication.api.stock import StockSerializer
from fabrication.api.units import UnitMakeSerializer
from fabrication.models import UnitMake
from installs.api.loads import LoadLineSerializer
from installs.api.stops import VisitUnitSerializer
from jobs.api.appointments import AppointmentSerializer
from jobs.api.jobs import JobSerializer
from measuring.api.units import UnitSerializer
from shared import documents
from shared.lengths import Length
from tests.agreement import dates, stock, units, visits
from tests.agreement.compare import Seen
from tests.agreement.firm import TODAY
from tests.agreement.pages import Eyes

EIGHTH = Length.inches("1/8")
Patch = Callable[[pytest.MonkeyPatch], None]
Reader = Callable[[Eyes], Iterable[Seen]]


@dataclass(frozen=True)
class Plant:
    """Where it is planted, and who reads that place."""

    fact: str
    place: str
    reader: Reader
    patch: Patch

    def __str__(self) -> str:
        return f"{self.fact} @ {self.place}"


def answer(owner: Any, name: str, change: Callable[[Any], Any]) -> Patch:
    """What a function of one module answers, changed for that module only."""

    def patch(monkeypatch: pytest.MonkeyPatch) -> None:
        right = getattr(owner, name)
        monkeypatch.setattr(owner, name, lambda *sent, **named: change(right(*sent, **named)))

    return patch


def sooner(now: Any) -> Any:
    """The day that one in ten keeps."""
    return now and replace(now, outlook=replace(now.outlook, floor=10))


def _doubted(found: Any) -> Any:
    """Every promise kept on 51 of 100 days."""
    return {
        pk: replace(one, chance=replace(one.chance, on_time=0.51)) if one.chance is not None else one
        for pk, one in found.items()
    }


def field(serializer: Any, name: str, change: Callable[[Any], Any]) -> Patch:
    """One field of an API's answer."""

    def change_field(shown: dict[str, Any]) -> dict[str, Any]:
        return {**shown, name: change(shown[name])} if shown.get(name) not in (None, "") else shown

    return answer(serializer, "to_representation", change_field)


def document(kind_key: str, change: Callable[[dict[str, Any]], Any]) -> Patch:
    """What one kind of document gathers; `change` alters its values in place."""

    def patch(monkeypatch: pytest.MonkeyPatch) -> None:
        kind = documents.kind_of(kind_key)

        def gather(subject: Any) -> Any:
            gathered = kind.gather(subject)
            change(gathered.context if isinstance(gathered, documents.Content) else gathered)
            return gathered

        monkeypatch.setitem(documents._kinds, kind_key, replace(kind, gather=gather))

    return patch


def later(text: Any) -> str:
    """An instant of the API, an hour later."""
    return (dt.datetime.fromisoformat(str(text).replace("Z", "+00:00")) + dt.timedelta(hours=1)).isoformat()


def wider(sent: dict[str, Any]) -> dict[str, Any]:
    return {**sent, "ticks": sent["ticks"] + EIGHTH.ticks}


def each(key: str, name: str, change: Callable[[Any], Any]) -> Callable[[dict[str, Any]], None]:
    """One name of every row under a key."""

    def alter(values: dict[str, Any]) -> None:
        for row in values[key]:
            row[name] = change(row[name])

    return alter


def each_label(values: dict[str, Any], side: str) -> None:
    for sheet in values["sheets"]:
        for label in filter(None, sheet):
            label[side] = label[side] and label[side] + EIGHTH


def each_unit(values: dict[str, Any], name: str, change: Callable[[Any], Any]) -> dict[str, Any]:
    for stop in values.get("stops", [values]):
        for unit in stop["units"]:
            unit[name] = change(unit[name])
    return values


def another_options(make: UnitMake) -> UnitMake:
    make.unit.options = make.unit.options | {"colour": "Marl stripe"}
    return make


def longer(item: Any) -> Any:
    item.length = item.length and item.length + EIGHTH
    return item


def of_jobs(reader: Callable[[Eyes, int], Iterable[Seen]]) -> Reader:
    """A reader of one job, for the first whose units it shows."""
    from measuring.models import Unit

    return lambda eyes: reader(eyes, Unit.objects.order_by("pk").values_list("opening__job", flat=True)[0])


def of_makes(eyes: Eyes) -> Iterable[Seen]:
    return units.workroom(eyes, UnitMake.objects.order_by("pk").values_list("pk", flat=True)[0])


def of_visits(reader: Callable[[Eyes, Any], Iterable[Seen]], *, by_key: bool = False) -> Reader:
    """A reader of one visit, for the first that is promised."""

    def read(eyes: Eyes) -> Iterable[Seen]:
        from django.urls import reverse

        rows = eyes.rows("dispatcher", reverse("api:appointment-list"))
        row = min((row for row in rows if row["promised_from"]), key=lambda row: row["id"])
        return reader(eyes, row["id"] if by_key else row)

    return read


def of_api(eyes: Eyes) -> Iterable[Seen]:
    from django.urls import reverse

    yield from visits.api(eyes, eyes.rows("dispatcher", reverse("api:appointment-list")))
    yield from units.api(
        eyes.rows("dispatcher", reverse("api:unit-list")), eyes.rows("workroom", reverse("api:make-list"))
    )
    yield from stock.api(eyes.rows("workroom", reverse("api:stock-list")))


def of_installs(eyes: Eyes) -> Iterable[Seen]:
    from django.urls import reverse

    yield from visits.stops(eyes, eyes.rows("dispatcher", reverse("api:appointment-list")))
    yield from units.stops(eyes)


def of_pieces(eyes: Eyes) -> Iterable[Seen]:
    from fabrication.models import StockItem

    pk = StockItem.objects.filter(cuts__isnull=False, width=None).order_by("pk").values_list("pk", flat=True)[0]
    yield from stock.stock_page(eyes, pk)
    yield from stock.label(eyes, pk)


def today(reader: Callable[[Eyes, dt.date], Iterable[Seen]]) -> Reader:
    return lambda eyes: reader(eyes, TODAY)


def _brackets(monkeypatch: pytest.MonkeyPatch) -> None:
    right = jobs.schedule.board._bracket

    def shifted(block: Any, *more: Any) -> Any:
        row = copy.copy(block.row)
        for name in ("promised_from", "promised_until") if row.promised_from else ():
            setattr(row, name, getattr(row, name) + dt.timedelta(minutes=40))
        return right(replace(block, row=row), *more)

    monkeypatch.setattr(jobs.schedule.board, "_bracket", shifted)


PLANTS = (
    # jobs: the calendar
    Plant(
        "visit's start",
        "board",
        today(visits.board),
        answer(jobs.schedule.board, "clock", lambda text: text.replace(":00 ", ":05 ")),
    ),
    Plant("visit's window", "board's ink", today(visits.board), _brackets),
    Plant(
        "visit's start",
        "board's CSV",
        today(visits.board_csv),
        answer(jobs.views.board, "local_text", lambda text: text.replace(":00", ":10")),
    ),
    Plant(
        "visit's chance",
        "visit page",
        of_visits(visits.visit_page, by_key=True),
        answer(jobs.views.appointments, "outlooks", _doubted),
    ),
    Plant(
        "visit's window",
        "text to copy",
        of_visits(visits.visit_page, by_key=True),
        answer(jobs.views.appointments, "copy_text", lambda text: text.replace("10:00 am", "11:00 am")),
    ),
    Plant(
        "visit's window",
        "confirmation",
        of_visits(visits.documents),
        answer(jobs.documents, "window_text", lambda text: text.replace("10:00 am", "11:00 am")),
    ),
    Plant(
        "visit's window",
        "calendar file",
        of_visits(visits.documents),
        answer(jobs.ics, "visit_file", lambda text: text.replace(b"T100000", b"T110000")),
    ),
    Plant(
        "visit's minutes",
        "crew's calendar",
        visits.feeds,
        answer(jobs.views.crews, "feed_file", lambda text: text.replace(b"T100000", b"T101500")),
    ),
    Plant("visit's start", "API", of_api, field(AppointmentSerializer, "starts_at", later)),
    Plant("visit's minutes", "API", of_api, field(AppointmentSerializer, "duration_min", lambda n: n + 5)),
    Plant(
        "visit's start",
        "proposal's CSV",
        visits.proposals,
        answer(jobs.views.plan, "local_text", lambda text: text.replace(":00", ":20")),
    ),
    # installs: the day
    Plant(
        "visit's window",
        "stop page",
        of_installs,
        answer(installs.views.stops, "promise_text", lambda text: text and "6:00 am to 7:00 am"),
    ),
    Plant(
        "visit's minutes",
        "packet's stop",
        visits.packets,
        document("installs.packet", each("stops", "minutes", lambda n: n + 5)),
    ),
    Plant(
        "unit's mount",
        "stop page",
        of_installs,
        answer(
            installs.views.stops, "stop_values", lambda values: each_unit(values, "mount", lambda _: "outside mount")
        ),
    ),
    Plant(
        "unit's finished size",
        "packet",
        units.packets,
        answer(
            installs.adapters.packet,
            "packet_values",
            lambda values: each_unit(values, "width", lambda one: one + EIGHTH),
        ),
    ),
    Plant(
        "unit's outcome",
        "API of stops",
        of_installs,
        field(VisitUnitSerializer, "outcome", lambda _: "installed"),
    ),
    Plant(
        "truck's hardware",
        "packet",
        units.packets,
        document("installs.packet", lambda values: [row.update(quantity=9) for row in values["load"]["hardware"]]),
    ),
    Plant(
        "truck's to go",
        "loads page",
        units.loads,
        answer(installs.views.loads, "render", lambda page: _all_to_go(page)),
    ),
    Plant(
        "unit's packages",
        "stop page",
        of_installs,
        answer(installs.views.stops, "packages_on", lambda found: {key: ["1 of 2: tube"] for key in found}),
    ),
    Plant("unit's load", "API of loads", units.loads, field(LoadLineSerializer, "checked", lambda _: 9)),
    # measuring: sizes
    Plant("unit's order size", "API", of_api, field(UnitSerializer, "order_width", lambda one: _wider(one))),
    Plant("unit's state", "API", of_api, field(UnitSerializer, "state", lambda _: "draft")),
    Plant(
        "unit's order size",
        "measure record",
        of_jobs(units.record),
        document(
            "measuring.record",
            lambda values: [
                unit.update(width=unit["width"] and unit["width"] + EIGHTH)
                for room in values["rooms"]
                for opening in room["openings"]
                for unit in opening["units"]
            ],
        ),
    ),
    # jobs: the one date
    Plant("job's date", "job page", dates.see_dates, answer(jobs.views.jobs, "date_now", sooner)),
    Plant("job's told", "API of jobs", dates.see_dates, field(JobSerializer, "installed_by", lambda _: "2027-01-09")),
    # fabrication: the workroom
    Plant(
        "unit's finished size",
        "label",
        units.batches,
        document("fabrication.labels", lambda values: each_label(values, "width")),
    ),
    Plant(
        "unit's finished size",
        "work order",
        of_makes,
        document(
            "fabrication.work_order", lambda values: values["label"].update(width=values["label"]["width"] + EIGHTH)
        ),
    ),
    Plant("unit's colour", "unit page", of_makes, answer(fabrication.views.units, "make_for", another_options)),
    Plant(
        "unit's colour",
        "purchase CSV",
        units.purchases,
        answer(
            fabrication.views.buying,
            "purchase_rows",
            lambda rows: [{**row, "options": row["options"] | {"colour": "white"}} for row in rows],
        ),
    ),
    Plant(
        "unit's finished size",
        "purchase sheet",
        units.purchases,
        document("fabrication.purchase", each("lines", "width", lambda one: one and one + EIGHTH)),
    ),
    Plant("unit's bench", "API of makes", of_api, field(UnitMakeSerializer, "state", lambda _: "cutting")),
    # fabrication: stock
    Plant("piece's length", "stock page", of_pieces, answer(fabrication.views.stock, "stock_for", longer)),
    Plant(
        "piece's length",
        "stock label",
        of_pieces,
        document("fabrication.stock_label", lambda values: each_label(values, "length")),
    ),
    Plant(
        "piece's free",
        "buying list",
        stock.buying,
        answer(
            fabrication.services.buying,
            "shortages",
            lambda found: [
                replace(one, need=one.need and replace(one.need, there=one.need.there + EIGHTH)) for one in found
            ],
        ),
    ),
    Plant("piece's shelf", "API", of_api, field(StockSerializer, "shelf", lambda _: "rack 9")),
    Plant(
        "piece's shelf",
        "cut list",
        stock.cut_lists,
        document(
            "fabrication.cuts",
            lambda values: [cut.update(place="rack 9") for plan in values["plans"] for cut in plan["cuts"]],
        ),
    ),
)


def _wider(sent: Any) -> Any:
    return wider(sent) if isinstance(sent, dict) else Length.parse(str(sent)) + EIGHTH


def _all_to_go(page: Any) -> Any:
    page.content = re.sub(rb'(data-label="To check"[^>]*>)\d+', rb"\g<1>99", page.content)
    return page
