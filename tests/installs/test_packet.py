"""The packet read back from its PDF: every unit, size, item, window and QR; stale and reprinted with what changed."""

from __future__ import annotations

import datetime as dt
import os
import re
from collections.abc import Callable
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path
from typing import Any

import pypdfium2
import pytest
from django.db import connection
from django.template.loader import render_to_string
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from pypdf import PdfReader

from installs.adapters.packet import _cautions_of_day, changes_between, day_summary, packet_values, summary_lines
from installs.documents import PACKET
from installs.models import Load, PrintedPacket
from installs.services import loads, returns, stops
from jobs.models import Site
from measuring.models import Unit
from shared.documents import Content, kind_of, render, request_document, standing
from shared.models import Branch, Document, Run, User
from tests.factories import make_branch, make_cast, make_job, make_user
from tests.installs.makers import a_day, make_crew, make_unit, make_visit, stock_up, today
from tests.installs.paper import faults

pytestmark = pytest.mark.django_db


def print_packet(load: Load, by: User, do_runs: Callable[[], list[str]]) -> Document:
    asked = request_document(kind=PACKET, subject=load, by=by)
    if isinstance(asked, Run):
        assert do_runs() == ["done"]
        asked = request_document(kind=PACKET, subject=load, by=by)
    assert isinstance(asked, Document)
    return asked


def words(reader: PdfReader) -> str:
    """The paper's text with all white space made one."""
    return re.sub(r"\s+", " ", " ".join(page.extract_text() for page in reader.pages))


@dataclass
class Printed:
    """A packet as it came out, and what the books say."""

    reader: PdfReader
    pdf: bytes
    words: str
    values: dict[str, Any]


SMALL_DAY = ((8, ("roller", "slat")), (11, ("vertical", "roller", "cellular")), (15, ("slat",)))
FULL_DAY = tuple((hour, ("roller", "slat", "vertical", "cellular", "roman")) for hour in range(7, 19))
DAY = FULL_DAY if os.environ.get("JAMBWISE_FULL_PACKET") else SMALL_DAY
"""``JAMBWISE_FULL_PACKET=1`` prints twelve stops and sixty units, which takes as long as it takes."""


@pytest.fixture(scope="module")
def load(module_rows: None) -> Load:
    """Three stops, six units of several families, one of them at a site with a door code."""
    cast = make_cast(make_branch())
    dispatcher = cast["dispatcher"]
    branch = dispatcher.branch
    assert branch is not None
    stock_up(branch)
    crew = make_crew(branch, cast["installer"])
    for hour, families in DAY:
        job = make_job(branch, by=dispatcher)
        for family in families:
            make_unit(job, family=family, product=f"{family}-of-ours", options={"control": "cordless"}, width="49 3/8")
        make_visit(job, crew, hour=hour)
    site = Site.objects.order_by("-pk").first()
    site.access, site.access_secret = "code", "4471 at the gate"
    site.save()
    return loads.refresh_load(crew=crew, day=today(branch), by=dispatcher)


@pytest.fixture(scope="module")
def printed(load: Load) -> Printed:
    """Printed once for all that read it."""
    kind = kind_of(PACKET)
    content = kind.content(load)
    pdf, _ = render(kind, load, content, revision=1, by=None)
    reader = PdfReader(BytesIO(pdf))
    return Printed(reader, pdf, words(reader), packet_values(day_summary(load)))


def test_the_packet_read_back_says_what_the_books_say(printed: Printed) -> None:
    text, values = printed.words, printed.values
    assert len(values["stops"]) == len(DAY)
    assert values["unit_count"] == sum(len(families) for _, families in DAY)
    for stop in values["stops"]:
        assert stop["address"] in text
        assert stop["job"] in text
        assert stop["window"] in text
        for unit in stop["units"]:
            assert unit["code"] in text
            assert unit["brackets"] in text
            assert unit["product"] in text
        for line in stop["hardware"]:
            assert line["name"] in text
    for line in values["load"]["hardware"]:
        assert line["name"] in text


def test_a_crew_that_is_early_is_expected_when_its_work_begins(printed: Printed) -> None:
    """Of the stop at 11 it printed the arrival after the drive from the first, soon after 9."""
    expected = [f"{hour % 12 or 12}:00 {'am' if hour < 12 else 'pm'}" for hour, _ in DAY]

    assert [stop["expected"] for stop in printed.values["stops"]] == expected
    for time in expected:
        assert f"expected {time}" in printed.words


def test_a_day_of_four_stops_and_twelve_units_is_read_in_a_hallway(branch: Branch, dispatcher: User) -> None:
    """Ten pages of which four nearly empty, figures of 2 to 4 pt, and what had stayed behind still on the list."""
    stock_up(branch)
    crew = make_crew(branch)
    for hour in (8, 10, 13, 15):
        job = make_job(branch, by=dispatcher)
        for family in ("roller", "slat", "vertical"):
            make_unit(job, family=family, product=f"{family}-of-ours", options={"control": "cordless"}, width="49 3/8")
        make_visit(job, crew, hour=hour)
    load = loads.refresh_load(crew=crew, day=today(branch), by=dispatcher)
    first, *rest = load.lines.exclude(unit=None).order_by("order")
    loads.check_counts(load=load, counts={line.pk: line.quantity for line in rest}, by=dispatcher)
    loads.leave_yard(load=load, by=dispatcher, reason="it is not glued yet")
    load.refresh_from_db()
    kind = kind_of(PACKET)
    content = kind.content(load)

    pdf, pages = render(kind, load, content, revision=1, by=None)

    assert faults(pdf, content.made_from) == []
    assert pages <= 7
    text = words(PdfReader(BytesIO(pdf)))
    assert f"{first.package}, not on the truck" in text
    assert "Left without, because: it is not glued yet" in text
    assert text.index("Tools of the day") < text.index("stop 1 of 4")


def test_the_door_code_is_never_printed(printed: Printed) -> None:
    assert "4471" not in printed.words
    assert "with a code" in printed.words


def test_every_qr_of_the_packet_leads_to_its_stop(printed: Printed) -> None:
    zxing = pytest.importorskip("zxingcpp", reason="no QR reader is installed")

    found = []
    for page in pypdfium2.PdfDocument(printed.pdf):
        found += [code.text for code in zxing.read_barcodes(page.render(scale=2).to_pil())]

    assert sorted(found) == sorted(stop["url"] for stop in printed.values["stops"])


def test_the_packet_is_tagged(printed: Printed) -> None:
    catalog: Any = printed.reader.trailer["/Root"]

    assert catalog["/MarkInfo"]["/Marked"]
    assert "/StructTreeRoot" in catalog
    assert catalog["/Lang"] == "en"


def test_every_page_says_at_its_head_whose_stop_it_begins_with(printed: Printed) -> None:
    heads = [re.search(rf"stop (\d+) of {len(DAY)}|Route packet", page.extract_text()) for page in printed.reader.pages]

    assert [head is not None for head in heads] == [True] * len(heads)
    numbers = [int(head[1] or 0) for head in heads if head]
    assert numbers == sorted(numbers)


@pytest.fixture
def dispatcher_of_load(load: Load) -> User:
    return make_user("dispatcher", branch=load.crew.branch)


def test_a_change_makes_the_packet_stale_and_the_reprint_says_what_changed(
    load: Load, dispatcher_of_load: User, do_runs: Callable[[], list[str]]
) -> None:
    dispatcher = dispatcher_of_load
    first = print_packet(load, dispatcher, do_runs)
    assert standing(PACKET, load).fresh
    visit = load.lines.exclude(appointment=None).first().appointment
    visit.promised_until += dt.timedelta(minutes=30)
    visit.save()

    found = standing(PACKET, load)
    stale, why = not found.fresh, found.why
    second = print_packet(load, dispatcher, do_runs)

    assert stale
    assert (first.revision, second.revision) == (1, 2)
    text = words(PdfReader(second.file.path))
    assert "Changed since revision 1" in text
    assert f"{visit.job.number} install: promised" in why
    assert f"{visit.job.number} install: promised" in text
    assert PrintedPacket.objects.count() == 2
    assert Path(first.file.path).exists()


def test_what_the_crew_does_on_the_day_does_not_make_its_packet_stale(load: Load, dispatcher_of_load: User) -> None:
    before = packet_values(day_summary(load))
    unit = Unit.objects.filter(opening__job__branch=load.crew.branch).order_by("pk").first()
    visit = unit.visit_units.get().appointment

    stops.mark_installed(appointment=visit, units=[unit], by=dispatcher_of_load)

    kind = kind_of(PACKET)
    after = packet_values(day_summary(load))
    assert kind.hash_of(Content({}, after)) == kind.hash_of(Content({}, before))


def test_changes_are_listed_in_the_order_of_the_newer_paper() -> None:
    rows = changes_between({"a": "1", "b": "2", "c": "3"}, {"b": "2", "a": "9", "d": "4"})

    assert rows == [["a", "1", "9"], ["d", "", "4"], ["c", "3", ""]]


def test_a_stop_for_two_names_both_on_its_own_page(load: Load) -> None:
    """Its page said how many; who they are stood on the cover alone, which stays in the van."""
    stop = packet_values(day_summary(load))["stops"][0] | {"people": 2, "openings": [], "plans": []}
    two = {"stop": stop, "of": 1, "symbol": "in", "people": ["Ann Weir", "Ben Marl"]}

    page = " ".join(render_to_string("installs/documents/_stop_body.html", two).split())

    assert "2 people: Ann Weir and Ben Marl</p>" in page


def test_what_is_on_hold_is_asked_once_for_a_whole_day(load: Load) -> None:
    with CaptureQueriesContext(connection) as asked:
        day_summary(load)

    assert sum("measuring_sizechange" in one["sql"] for one in asked) == 1


def test_the_summary_names_every_unit_and_item(load: Load) -> None:
    values = packet_values(day_summary(load))

    lines = summary_lines(values)

    for stop in values["stops"]:
        for unit in stop["units"]:
            assert any(unit["code"] in name for name in lines)
        for line in stop["hardware"]:
            assert lines[f"{stop['job']} {stop['purpose']}: {line['name']}"] == str(line["quantity"])


def test_the_cover_gives_an_equal_caution_once_with_the_amounts_of_every_stop() -> None:
    def stop(number: int, amount: str) -> dict[str, Any]:
        return {"number": number, "cautions": [{"code": "lead", "text": "Wet the spot.", "amounts": [amount]}]}

    assert _cautions_of_day([stop(1, "0.1 sq ft"), stop(3, "0.2 sq ft")]) == [
        {"text": "Wet the spot. Here: 0.1 sq ft, 0.2 sq ft.", "stops": [1, 3]}
    ]


@pytest.mark.parametrize("kind", ["installs.work_order", "installs.completion", "installs.load_list"])
def test_the_other_papers_print(branch: Branch, dispatcher: User, installer: User, kind: str) -> None:
    job, visit = a_day(branch, dispatcher, installer)
    load = loads.refresh_load(crew=visit.crew, day=visit.day, by=dispatcher)
    stops.mark_all_installed(appointment=visit, by=installer)
    subject = {"installs.work_order": visit, "installs.completion": job, "installs.load_list": load}[kind]
    what = kind_of(kind)

    pdf, pages = render(what, subject, what.content(subject), revision=1, by=dispatcher)

    text = " ".join(page.extract_text() for page in PdfReader(BytesIO(pdf)).pages)
    assert pages >= 1
    assert all(unit.code in text for unit in Unit.objects.filter(opening__job=job))


def test_a_corded_job_warns_on_its_completion_record(branch: Branch, dispatcher: User, installer: User) -> None:
    stock_up(branch)
    job = make_job(branch, by=dispatcher)
    make_unit(job, options={"control": "chain"}, state=Unit.State.INSTALLED)

    content = kind_of("installs.completion").content(job).context

    assert content["corded"]
    assert content["loops"]
    assert content["care"][0]["family"] == "roller"


def test_the_return_order_says_what_is_next(branch: Branch, dispatcher: User, installer: User) -> None:
    _, visit = a_day(branch, dispatcher, installer)
    unit = visit.visit_units.first().unit
    owed = returns.open_return(unit=unit, cause_key="damage.on_arrival", by=dispatcher, note="a dent")

    content = kind_of("installs.return_order").content(owed).context

    assert (content["cause"], content["next_by"], content["note"]) == (
        "damaged: damaged when unpacked", "workroom", "a dent"
    )  # fmt: skip


@pytest.mark.parametrize(("cause", "again"), [("size.too_narrow", True), ("damage.on_arrival", False)])
def test_a_return_is_measured_again_where_its_cause_asks_for_it(
    branch: Branch, dispatcher: User, installer: User, cause: str, again: bool
) -> None:
    _, visit = a_day(branch, dispatcher, installer, units=1)

    owed = returns.open_return(unit=visit.visit_units.get().unit, cause_key=cause, by=dispatcher)

    assert owed.remeasure is again


def test_a_return_visit_grows_with_what_it_is_for(branch: Branch, dispatcher: User, installer: User) -> None:
    _, visit = a_day(branch, dispatcher, installer)

    owed = [
        returns.open_return(unit=row.unit, cause_key="damage.on_arrival", by=dispatcher)
        for row in visit.visit_units.all()
    ]

    assert owed[0].appointment == owed[1].appointment
    assert owed[1].appointment.duration_min == 20 + 2 * 15  # its fixed part and two rollers, by the starting table


def test_the_return_order_names_the_unit_by_its_code(branch: Branch, dispatcher: User, installer: User) -> None:
    _, visit = a_day(branch, dispatcher, installer)
    unit = visit.visit_units.first().unit
    owed = returns.open_return(unit=unit, cause_key="damage.on_arrival", by=dispatcher)
    what = kind_of("installs.return_order")

    pdf, _ = render(what, owed, what.content(owed), revision=1, by=dispatcher)

    assert unit.code in PdfReader(BytesIO(pdf)).pages[0].extract_text()


def test_the_completion_record_shows_the_signature_as_it_was_drawn(
    branch: Branch, dispatcher: User, installer: User, as_user: Callable[[User], Client]
) -> None:
    job, visit = a_day(branch, dispatcher, installer)
    stops.sign(appointment=visit, by=installer, name="Ada Ashdown", strokes=[[[0, 500], [1000, 500]], [[500, 0]]])

    drawn = str(kind_of("installs.completion").content(job).context["signature"])

    assert 'points="0,50 250,50"' in drawn
    assert "<circle" in drawn
    assert drawn in as_user(installer).get(reverse("installs:stop", args=[visit.pk])).content.decode()
