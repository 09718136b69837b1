"""
Fifty short histories with answers worked out by hand, so that all places cannot agree and be wrong.

Each row is what people do and what every place that shows the fact must then say; how it comes stands beside it.
Figures of the wren: a roller is ordered by its top width and shortest height, cloth by its longest; inside, 1/8 in
comes off the width. Its tube is 1 1/8 in shorter than the finished width (1/2 idle end, 5/8 drive), its exposed hem
bar as long as the tube. Of the dunlin the narrowest width and the longest height count, less 1/2 and 1/4 in. Bars
are 192 in with 1/2 in of trim at both ends and 1/8 in of kerf a piece; offcuts are kept from 24 in.
"""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Callable, Iterator
from typing import Any

import pytest
import time_machine
from django.urls import reverse

from fabrication.models import CutPlan, PlannedCut, StockItem, UnitMake
from fabrication.services.bench import mark_cut, mark_piece, undo_cut, undo_piece
from fabrication.services.miscuts import report_miscut
from fabrication.services.rack import count_stock
from fabrication.services.stock import receive_stock
from installs.services import stops
from jobs.models import Appointment, Crew, Purpose
from jobs.services import appointments as calendar
from jobs.services import feeds
from measuring.models import Unit
from measuring.services import changes, openings, releases, sizes, visits
from measuring.services import readings as reading_services
from shared.lengths import Length
from tests.agreement import firm as firms
from tests.agreement.compare import Seen
from tests.agreement.firm import NOW, TODAY, Firm
from tests.agreement.pages import Eyes
from tests.agreement.stock import see_stock
from tests.agreement.units import see_units
from tests.agreement.visits import see_visits
from tests.factories import at

pytestmark = [pytest.mark.django_db, pytest.mark.page]


@pytest.fixture(autouse=True)
def monday_at_seven() -> Iterator[Any]:
    with time_machine.travel(NOW, tick=False) as clock:
        yield clock


@pytest.fixture(scope="module")
def firm(module_rows: None) -> Firm:
    with time_machine.travel(NOW, tick=False):
        found = firms.found_firm()
        for pk in found.measurers + found.installers:
            crew = Crew.objects.get(pk=pk)
            feeds.open_feed(branch=found.row, by=found.user("dispatcher"), crew=crew)
        return found


def every_place_says(seen: Iterator[Seen], subject: str, wanted: dict[str, str]) -> None:
    """Each fact of the thing as wanted, wherever it stands, and at three places or more."""
    shown: dict[str, dict[str, list[str]]] = defaultdict(lambda: defaultdict(list))
    for one in seen:
        if one.subject == subject and one.value:
            shown[one.fact][one.value].append(one.place)
    for fact, value in wanted.items():
        assert {one: sorted(places) for one, places in shown[fact].items() if one != value} == {}, fact
        if value:
            assert len(shown[fact][value]) >= 3, (fact, dict(shown[fact]))


# -- visits -------------------------------------------------------------------------------------


class Day:
    """A measure visit of 60 minutes and what is done with it."""

    def __init__(self, firm: Firm, clock: Any) -> None:
        self.firm, self.clock, self.by = firm, clock, firm.user("dispatcher")
        self.visit = firms.a_visit(firms.a_job(firm))

    def again(self) -> Appointment:
        self.visit = Appointment.objects.select_related("job__branch", "crew").get(pk=self.visit.pk)
        return self.visit

    def when(self, time: str, day: int = 0) -> dt.datetime:
        return at(self.firm.row, TODAY + dt.timedelta(days=day), time)

    def place(self, time: str, day: int = 0, crew: int = 0) -> None:
        calendar.place(
            appointment=self.again(), crew=self.firm.crew(crew), starts_at=self.when(time, day), by=self.by, anyway=True
        )

    def reserve(self, begin: str, until: str, time: str, crew: int = 0) -> None:
        calendar.reserve_window(
            appointment=self.again(), crew=self.firm.crew(crew), starts_at=self.when(time), by=self.by,
            window=(self.when(begin), self.when(until)), anyway=True,
        )  # fmt: skip

    def promise(self, begin: str = "", until: str = "", day: int = 0) -> None:
        window = (self.when(begin, day), self.when(until, day)) if begin else None
        calendar.promise(appointment=self.again(), by=self.by, window=window, anyway=True)

    def do(self, what: str, **values: Any) -> None:
        getattr(calendar, what)(appointment=self.again(), by=self.by, **values)

    def nobody_home(self) -> None:
        visits.could_not_measure(appointment=self.again(), reason="nobody home", by=self.firm.user("measurer"))

    def measure(self, some: int, *, of: int) -> None:
        """The first openings read, the others not reached; closed out."""
        by = self.firm.user("measurer")
        row = self.again()
        visit = visits.open_visit(appointment=row, by=by)
        for _ in range(some):
            unit = firms.a_unit(self.firm, row.job, "35 3/8", "35 3/8", "35 3/8", "60", "60", "60", "4")
            unit.opening.visit_openings.get_or_create(appointment=row)
        room = openings.add_room(job=row.job, name="Den", by=by)
        for _ in range(of - some):
            opening = openings.add_opening(room=room, by=by, facts={"product": "wren", "mount": "inside"}, visit=visit)
            openings.mark_not_reached(opening=opening, reason="locked", by=by)
        visits.close_visit(visit=visit, in_part=some < of, by=by)

    def swap(self) -> None:
        one, other = self.firm.crew(0), self.firm.crew(1)
        calendar.swap_crews(one=one, other=other, day=TODAY, by=self.by, anyway=True)

    def wait(self, minutes: int) -> None:
        self.clock.shift(dt.timedelta(minutes=minutes))

    def beside(self, time: str, minutes: int = 60) -> None:
        """Another visit of the same crew."""
        firms.a_visit(firms.a_job(self.firm), self.firm.crew(0), TODAY, time, minutes=minutes)


def on(time: str, day: int = 5) -> str:
    return f"2027-04-{day:02} {time}"


VISITS: dict[str, tuple[Callable[[Day], Any], dict[str, str]]] = {
    # placed at 9:00: that is its start, with the first crew, 60 minutes
    "place at 9": (
        lambda d: d.place("9:00"),
        {"start": on("09:00"), "crew": "Heron", "minutes": "60", "state": "planned"},
    ),
    # the second crew, the next day
    "place tomorrow": (
        lambda d: d.place("14:15", 1, 1),
        {"start": on("14:15", 6), "crew": "Wagtail", "state": "planned"},
    ),
    # a promise leaves the start where it is
    "place, promise": (
        lambda d: (d.place("9:00"), d.promise("8:00", "10:00")),
        {"start": on("09:00"), "window": f"{on('08:00')} to 10:00", "state": "promised"},
    ),
    # half an hour later within the window: the promise stands
    "promise, move": (
        lambda d: (d.place("9:00"), d.promise("8:00", "10:00"), d.place("9:30")),
        {"start": on("09:30"), "window": f"{on('08:00')} to 10:00", "minutes": "60", "state": "promised"},
    ),
    # to the other crew at the same time
    "promise, other crew": (
        lambda d: (d.place("9:00"), d.promise("8:00", "10:00"), d.place("9:00", 0, 1)),
        {"start": on("09:00"), "crew": "Wagtail", "window": f"{on('08:00')} to 10:00"},
    ),
    # moved past its window: the customer still knows the old one
    "promise, move too late": (
        lambda d: (d.place("9:00"), d.promise("8:00", "10:00"), d.place("15:00")),
        {"start": on("15:00"), "window": f"{on('08:00')} to 10:00", "state": "promised"},
    ),
    # moved to another day: the promise names its own day
    "promise, move to tomorrow": (
        lambda d: (d.place("9:00"), d.promise("8:00", "10:00"), d.place("11:00", 1)),
        {"start": on("11:00", 6), "window": f"{on('08:00')} to 10:00", "state": "promised"},
    ),
    # promised anew after the move
    "promise, move, promise": (
        lambda d: (d.place("9:00"), d.promise("8:00", "10:00"), d.place("11:00", 1), d.promise("10:00", "12:00", 1)),
        {"start": on("11:00", 6), "window": f"{on('10:00', 6)} to 12:00"},
    ),
    # moved and taken back: 9:00 again
    "move, undo": (
        lambda d: (d.place("9:00"), d.place("13:00"), d.do("undo_move")),
        {"start": on("09:00"), "crew": "Heron"},
    ),
    # moved twice and taken back once: 13:00
    "move twice, undo": (
        lambda d: (d.place("9:00"), d.place("13:00"), d.place("16:00"), d.do("undo_move")),
        {"start": on("13:00")},
    ),
    # a lock moves nothing
    "lock": (lambda d: (d.place("9:00"), d.do("lock")), {"start": on("09:00"), "state": "planned"}),
    # 45 minutes instead of 60
    "fewer minutes": (
        lambda d: (d.place("9:00"), d.do("edit_appointment", duration_min=45)),
        {"start": on("09:00"), "minutes": "45"},
    ),
    # 60 minutes split at 20: 20 are left of the first
    "split": (
        lambda d: (d.place("9:00"), d.do("split_appointment", first_min=20)),
        {"start": on("09:00"), "minutes": "20"},
    ),
    # two crews swap: the second has it, at the same time
    "swap": (lambda d: (d.place("9:00"), d.swap()), {"start": on("09:00"), "crew": "Wagtail"}),
    # locked, it stays with its crew
    "lock, swap": (lambda d: (d.place("9:00"), d.do("lock"), d.swap()), {"start": on("09:00"), "crew": "Heron"}),
    # held from 10 to 12 at 10:30
    "hold": (
        lambda d: d.reserve("10:00", "12:00", "10:30"),
        {"start": on("10:30"), "window": f"{on('10:00')} to 12:00", "state": "held"},
    ),
    # held, then promised
    "hold, promise": (
        lambda d: (d.reserve("10:00", "12:00", "10:30"), d.promise()),
        {"start": on("10:30"), "window": f"{on('10:00')} to 12:00", "state": "promised"},
    ),
    # held and let go: nowhere
    "hold, let go": (
        lambda d: (d.reserve("10:00", "12:00", "10:30"), d.do("let_go")),
        {"start": "", "window": "", "crew": ""},
    ),
    # taken out of the calendar: nowhere, nothing promised
    "promise, take out": (
        lambda d: (d.place("9:00"), d.promise("8:00", "10:00"), d.do("unplace", anyway=True)),
        {"start": "", "window": "", "crew": "", "minutes": "60"},
    ),
    # on the way at 7:00, planned at 9:00: the plan is not rewritten
    "leave": (
        lambda d: (d.place("9:00"), d.promise("8:00", "10:00"), d.do("mark_on_the_way")),
        {"start": on("09:00"), "state": "on the way", "window": f"{on('08:00')} to 10:00"},
    ),
    # arrived at 9:20
    "leave, arrive": (
        lambda d: (d.place("9:00"), d.do("mark_on_the_way"), d.wait(140), d.do("mark_arrived")),
        {"start": on("09:00"), "state": "arrived"},
    ),
    # nobody home at 9:50: over, and the plan is not rewritten
    "couldn't measure": (
        lambda d: (d.place("9:00"), d.wait(170), d.nobody_home()),
        {"start": on("09:00"), "minutes": "60", "state": "done", "outcome": "nothing measured"},
    ),
    # one of two measured, the other was not reached
    "closed in part": (
        lambda d: (d.place("9:00"), d.wait(170), d.measure(1, of=2)),
        {"start": on("09:00"), "state": "done", "outcome": "in part"},
    ),
    "all measured": (
        lambda d: (d.place("9:00"), d.wait(170), d.measure(2, of=2)),
        {"state": "done", "outcome": "all measured"},
    ),
    # a neighbour at 11:00 leaves it alone
    "a neighbour": (lambda d: (d.place("9:00"), d.beside("11:00")), {"start": on("09:00"), "crew": "Heron"}),
    # two o'clock in the afternoon, promised over noon's end: 12:30 pm is half past noon
    "over noon": (
        lambda d: (d.place("12:30"), d.promise("12:00", "13:00")),
        {"start": on("12:30"), "window": f"{on('12:00')} to 13:00"},
    ),
}


@pytest.mark.parametrize("name", VISITS)
def test_a_visit_stands_everywhere_as_worked_out(firm: Firm, monday_at_seven: Any, name: str) -> None:
    do, wanted = VISITS[name]
    day = Day(firm, monday_at_seven)

    do(day)

    facts = {f"visit's {fact}": value for fact, value in wanted.items()}
    every_place_says(see_visits(Eyes(firm)), str(day.visit.pk), facts)


@pytest.mark.parametrize(
    ("do", "says"),
    [
        (lambda d: d.measure(1, of=2), "another visit is needed: 1 of 2 openings to measure"),
        (lambda d: d.nobody_home(), "another visit is needed: nothing was measured (nobody home)"),
    ],
)
def test_what_a_visit_left_is_the_dispatchers_turn(
    firm: Firm, monday_at_seven: Any, do: Callable[[Day], Any], says: str
) -> None:
    """Stuck and its CSV said it was the measurer's turn, and nothing needed a decision."""
    day = Day(firm, monday_at_seven)
    day.place("9:00")
    day.wait(170)

    do(day)

    eyes, job = Eyes(firm), day.visit.job
    books = f"{reverse('jobs:visit_new', args=[job.pk])}?purpose=measure"
    rows = eyes.table_of("dispatcher", f"{reverse('jobs:attention')}?format=csv")
    row = next(one for one in rows if one["job"] == job.number)
    assert (row["next"], row["whose turn"]) == (says, "dispatcher")
    for url in (reverse("jobs:attention"), f"{reverse('jobs:calendar')}?day={TODAY}", job.get_absolute_url()):
        page = eyes.page("dispatcher", url)
        told = [one.text for one in page.all("a") if one["href"] == books]
        assert any(says.lower() in text.lower() for text in told), (url, told)


def test_another_visit_that_is_booked_is_not_asked_for(firm: Firm, monday_at_seven: Any) -> None:
    day = Day(firm, monday_at_seven)
    day.place("9:00")
    day.wait(170)
    day.measure(1, of=2)

    firms.a_visit(day.visit.job, firm.crew(0), TODAY + dt.timedelta(days=1), "9:00")

    assert "another visit" not in Eyes(firm).page("dispatcher", day.visit.job.get_absolute_url()).text.lower()


def test_a_visit_called_off_tells_the_customer_so(firm: Firm, monday_at_seven: Any) -> None:
    """The text to copy still said that we come to measure."""
    day = Day(firm, monday_at_seven)
    day.place("9:00")
    day.promise("8:00", "10:00")
    day.do("cancel_appointment", reason="moved away")

    page = Eyes(firm).page("dispatcher", day.visit.get_absolute_url())

    copied = page.one("textarea", id="copy").text
    assert "we'll" not in copied
    assert "our visit to measure your windows on Monday 5 April, 8:00 am to 10:00 am is canceled" in copied


def test_a_visit_that_is_done_announces_nothing(firm: Firm, monday_at_seven: Any) -> None:
    day = Day(firm, monday_at_seven)
    day.place("9:00")
    day.wait(170)
    day.nobody_home()

    page = Eyes(firm).page("dispatcher", day.visit.get_absolute_url())

    assert page.one("textarea", id="copy").text == ""
    assert "we'll" not in page.text.lower()


def test_a_customer_is_told_one_length_of_stay(firm: Firm, monday_at_seven: Any) -> None:
    """
    The text said 3/4 hour, the calendar file 27 minutes.

    85 of 100 such visits take 40 minutes at most: up to the next quarter hour, 45 min, on the visit's page too.
    """
    day = Day(firm, monday_at_seven)
    day.place("9:00")
    day.promise("8:00", "10:00")
    Appointment.objects.filter(pk=day.visit.pk).update(duration_min=27, duration_safe_min=40)

    eyes, row = Eyes(firm), day.again()
    event = eyes.events(reverse("jobs:ics", args=[row.pk]))[0]

    says = "about 45 min."
    assert says in str(event["description"])
    assert says in eyes.document("jobs.confirmation", row).text
    page = eyes.page("dispatcher", row.get_absolute_url())
    assert says in page.one("textarea", id="copy").text
    assert "27 min, 85% finish within 40 min; the customer is told 45 min" in page.text


# -- units ----------------------------------------------------------------------------------------


def inches(width: str, height: str) -> str:
    return f"{Length.parse(width).ticks} × {Length.parse(height).ticks}"


WREN, DUNLIN, SNIPE = "wren", "dunlin_wood", "snipe"

ORDERED: dict[str, tuple[str, str, str, str]] = {
    # product: six readings (three widths down, three heights across) → order width × height, finished width × height
    "the top width of a roller": (WREN, "35 3/8 35 1/4 35 5/16 60 60 60", "35 3/8 60", "35 1/4 60"),
    "a roller narrower at the top": (WREN, "35 1/4 35 3/8 35 3/8 60 60 60", "35 1/4 60", "35 1/8 60"),
    # the shortest of 60 1/8, 60, 60 1/4
    "the shortest height of a roller": (WREN, "35 3/8 35 3/8 35 3/8 60.125 60 60.25", "35 3/8 60", "35 1/4 60"),
    # a tape is read to 1/8: 35 5/16 goes down to 35 1/4
    "a reading between two marks": (WREN, "35 5/16 35 5/16 35 5/16 60 60 60", "35 1/4 60", "35 1/8 60"),
    # 904 mm = 35.59 in, down to 35 1/2
    "a reading in millimetres": (WREN, "904mm 904mm 904mm 60 60 60", "35 1/2 60", "35 3/8 60"),
    "two feet and eleven": (WREN, "2'11 2'11 2'11 60 60 60", "35 60", "34 7/8 60"),
    # the narrowest of three, the longest of three; less 1/2 and 1/4
    "the narrowest width of a slat": (DUNLIN, "40 1/2 40 3/8 40 5/8 48 48 48", "40 3/8 48", "39 7/8 47 3/4"),
    "the longest height of a slat": (DUNLIN, "40 1/2 40 1/2 40 1/2 48 48 1/4 48 1/8", "40 1/2 48 1/4", "40 48"),
    # bought in, from a supplier who takes the clearance: the opening size is what is ordered
    "what is bought in": (SNIPE, "28 28 28 1/8 40 40 40", "28 40", "28 40"),
    # the longest of 40, 40 1/4, 40 1/8, the narrowest of 28 1/4, 28 1/8, 28
    "bought in, out of square": (SNIPE, "28 1/4 28 1/8 28 40 40 1/4 40 1/8", "28 40 1/4", "28 40 1/4"),
}


def readings(text: str) -> list[str]:
    """Six lengths out of a row's text, and a depth of 4."""
    found: list[str] = []
    for word in text.split():
        if "/" in word:
            found[-1] += f" {word}"
        else:
            found.append(word)
    assert len(found) in (2, 6), found
    return found


@pytest.mark.parametrize("name", ORDERED)
def test_a_size_stands_everywhere_as_worked_out(firm: Firm, name: str) -> None:
    product, read, ordered, finished = ORDERED[name]
    unit = firms.a_unit(firm, firms.a_job(firm), *readings(read), "4", product=product)
    firms.approve(firm, unit)

    makes = firms.release(firm, unit)

    if product == SNIPE:
        firms.buy(firm, makes)
    wanted = {"unit's order size": inches(*readings(ordered)), "unit's finished size": inches(*readings(finished))}
    every_place_says(see_units(Eyes(firm)), unit.code, wanted)


class Bench:
    """A wren of 35 3/8 × 60 and what becomes of it."""

    def __init__(self, firm: Firm) -> None:
        self.firm, self.by = firm, firm.user("dispatcher")
        self.job = firms.a_job(firm)
        self.unit = firms.a_unit(firm, self.job, "35 3/8", "35 3/8", "35 3/8", "60", "60", "60", "4")

    def again(self) -> Unit:
        self.unit = Unit.objects.select_related("opening__job").get(pk=self.unit.pk)
        return self.unit

    def colour(self, which: str) -> None:
        options = self.again().options | {"colour": which}
        sizes.set_options(unit=self.unit, options=options, by=self.firm.user("measurer"))

    def read(self, spot: str, typed: str) -> None:
        reading_services.record_reading(
            opening=self.again().opening, spot=spot, typed=typed, by=self.firm.user("measurer")
        )

    def approve(self) -> None:
        firms.approve(self.firm, self.again())

    def withdraw(self) -> None:
        releases.withdraw_approval(approval=self.again().approvals.get(), by=self.by)

    def release(self) -> None:
        self.approve()
        firms.release(self.firm, self.again())

    def ask(self) -> None:
        """The customer wants it measured again."""
        asked = changes.Asked("size", reason="the trim is off")
        changes.ask_for_change(unit=self.again(), asked=asked, by=self.by)

    def make(self) -> None:
        self.release()
        make = UnitMake.objects.get(unit=self.unit)
        make.parts.filter(state="to_cut").update(state="cut")
        UnitMake.objects.filter(pk=make.pk).update(state=UnitMake.State.ASSEMBLY)
        firms.finish(self.firm, [make])

    def go_up(self, outcome: str) -> None:
        """Made last week, hung (or not) today."""
        with time_machine.travel(NOW - dt.timedelta(days=4), tick=False):
            self.make()
        visit = firms.a_visit(self.job, self.firm.crew(0, "install"), TODAY, "9:00", purpose=Purpose.INSTALL)
        firms.load_up(self.firm, self.firm.crew(0, "install"), TODAY)
        if outcome:
            stops.arrive(appointment=visit, by=self.by)
        if outcome == "installed":
            stops.mark_installed(appointment=visit, units=[self.again()], by=self.by)
        elif outcome:
            stops.mark_not_installed(appointment=visit, unit=self.again(), cause=outcome, by=self.by)


UNITS: dict[str, tuple[Callable[[Bench], Any], dict[str, str]]] = {
    # read and chosen, nobody has said yes
    "measured": (lambda b: None, {"state": "sized", "colour": "Brant sand", "mount": "inside mount", "made": "no"}),
    "approved": (lambda b: b.approve(), {"state": "approved", "order size": inches("35 3/8", "60")}),
    # another colour before the yes
    "another colour": (lambda b: b.colour("Dusk grey"), {"colour": "Dusk grey", "state": "sized"}),
    # another colour after the yes needs another yes
    "approved, another colour": (
        lambda b: (b.approve(), b.colour("Dusk grey")),
        {"colour": "Dusk grey", "state": "sized"},
    ),
    # read again after the yes: 35 1/8, to be approved anew
    "approved, read again": (
        lambda b: (b.approve(), b.read("widths.top", "35 1/8")),
        {"order size": inches("35 1/8", "60"), "state": "sized"},
    ),
    "approved, withdrawn": (lambda b: (b.approve(), b.withdraw()), {"state": "sized"}),
    # in the workroom from the release on
    "released": (
        lambda b: b.release(),
        {"state": "released", "bench": "waiting", "made": "no", "finished size": inches("35 1/4", "60")},
    ),
    # read again after the release: what is being made stays until the office decides
    "released, read again": (
        lambda b: (b.release(), b.read("widths.top", "35 1/8")),
        {"order size": inches("35 3/8", "60"), "finished size": inches("35 1/4", "60")},
    ),
    "made": (lambda b: b.make(), {"state": "made", "bench": "made", "made": "yes", "hung": "no"}),
    "released, asked to change": (lambda b: (b.release(), b.ask()), {"state": "released", "hold": "yes"}),
    "on the load": (lambda b: b.go_up(""), {"state": "made", "hung": "no", "colour": "Brant sand", "hold": "no"}),
    # nothing of it is cut, and it is on a truck's list: every list says so
    "on the load, asked to change": (lambda b: (b.go_up(""), b.ask()), {"state": "made", "hold": "yes"}),
    "installed": (
        lambda b: b.go_up("installed"),
        {"state": "installed", "hung": "yes", "finished size": inches("35 1/4", "60"), "mount": "inside mount"},
    ),
    "not installed": (lambda b: b.go_up("make.does_not_run"), {"state": "not installed", "hung": "no", "made": "yes"}),
}


@pytest.mark.parametrize("name", UNITS)
def test_a_unit_stands_everywhere_as_worked_out(firm: Firm, name: str) -> None:
    do, wanted = UNITS[name]
    bench = Bench(firm)

    do(bench)

    facts = {f"unit's {fact}": value for fact, value in wanted.items()}
    every_place_says(see_units(Eyes(firm)), bench.unit.code, facts)


@pytest.mark.parametrize(
    ("marked", "says"), [("installed", "all installed"), ("make.does_not_run", "nothing installed")]
)
def test_what_became_of_an_install_stands_everywhere(firm: Firm, marked: str, says: str) -> None:
    """The calendar, the job and the API said "done" of both."""
    bench = Bench(firm)
    bench.go_up(marked)
    visit = Appointment.objects.get(job=bench.job, purpose=Purpose.INSTALL)

    stops.close_stop(appointment=visit, by=bench.by)

    every_place_says(see_visits(Eyes(firm)), str(visit.pk), {"visit's state": "done", "visit's outcome": says})


def test_a_return_has_no_day_before_its_remake_is_decided(firm: Firm) -> None:
    """Its visit could stand "at the earliest" a day after the unit was first made; its own page said not known yet."""
    bench = Bench(firm)
    bench.go_up("make.does_not_run")
    stops.close_stop(appointment=Appointment.objects.get(job=bench.job, purpose=Purpose.INSTALL), by=bench.by)
    visit = bench.job.returns_owed.get().appointment

    says = f"parts not known yet: whether {bench.unit.code} is made again is to be decided"
    page = Eyes(firm).page("dispatcher", visit.get_absolute_url())
    windows = Eyes(firm).page("dispatcher", reverse("jobs:windows", args=[visit.pk]))

    assert page.fact("At the earliest") == ""
    assert says in page.text.replace("Parts not", "parts not")
    assert says in windows.text.replace("Parts not", "parts not")


def test_an_installs_order_names_its_day(firm: Firm) -> None:
    """It printed hours under no day at all: its template asked for a name the sheet never had."""
    bench = Bench(firm)
    bench.go_up("")
    visit = Appointment.objects.get(job=bench.job, purpose=Purpose.INSTALL)

    document = Eyes(firm).document("installs.work_order", visit)

    assert "Monday 5 April, about 9:00 am" in document.text


# -- stock ----------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def planned(firm: Firm, module_rows: None) -> Firm:
    """
    Two wrens, 30 1/8 and 46 wide, planned on one bar of each kind.

    Finished 30 and 45 7/8, so tubes and hem bars of 28 7/8 and 44 3/4 in.
    """
    with time_machine.travel(NOW, tick=False):
        job = firms.a_job(firm)
        units = [firms.a_unit(firm, job, width, width, width, "54", "54", "54", "4") for width in ("30 1/8", "46")]
        firms.approve(firm, *units)
        firms.plan(firm, firms.release(firm, *units))
        return firm


class Saw:
    """The tube's cut: both pieces out of one bar of six."""

    def __init__(self, firm: Firm) -> None:
        self.by = firm.user("workroom")
        self.bar = StockItem.objects.get(material__key="tube-38", is_offcut=False)

    @property
    def cut(self) -> PlannedCut:
        plan = CutPlan.objects.get(material__key="tube-38", state=CutPlan.State.READY)
        return plan.cuts.exclude(state=PlannedCut.State.DROPPED).get()

    @property
    def long(self) -> int:
        """The place of the longer piece."""
        return max(range(2), key=lambda place: self.cut.pieces[place]["length"])

    def offcut(self) -> StockItem:
        return StockItem.objects.get(material__key="tube-38", is_offcut=True, quantity__gt=0)

    def miscut(self, *spoiled: int) -> None:
        good = [position for position in range(2) if position not in spoiled]
        report_miscut(cut=self.cut, spoiled=list(spoiled), good=good, left=[], by=self.by, reason="slipped")
        assert set(firms.do_runs()) == {"done"}


BARS: dict[str, tuple[Callable[[Saw], Any], dict[str, str], str]] = {
    # six bars of 192, one of them reserved for the plan
    "planned": (lambda s: None, {"there": "6", "reserved": "1", "length": str(192 * 8128), "shelf": "rack 3"}, ""),
    # 192 - 2 × 1/2 - (28 7/8 + 1/8) - (44 3/4 + 1/8) = 117 1/8
    "cut": (lambda s: mark_cut(cut=s.cut, by=s.by), {"there": "5", "reserved": "0"}, "117 1/8"),
    # taken back: six again, no offcut
    "cut, taken back": (
        lambda s: undo_cut(cut=mark_cut(cut=s.cut, by=s.by), by=s.by),
        {"there": "6", "reserved": "1"},
        "",
    ),
    # the first piece takes the bar off the rack
    "one piece cut": (lambda s: mark_piece(cut=s.cut, position=0, by=s.by), {"there": "5", "reserved": "0"}, ""),
    "one piece cut, taken back": (
        lambda s: undo_piece(cut=mark_piece(cut=s.cut, position=0, by=s.by), position=0, by=s.by),
        {"there": "6", "reserved": "1"},
        "",
    ),
    # the longer piece spoiled: that bar is gone, the shorter piece is good, the longer takes one of the five left
    "miscut": (lambda s: s.miscut(s.long), {"there": "5", "reserved": "1"}, ""),
    # and is cut from it: 192 - 2 × 1/2 - (44 3/4 + 1/8) = 146 1/8
    "miscut, cut anew": (
        lambda s: (s.miscut(s.long), mark_cut(cut=s.cut, by=s.by)),
        {"there": "4", "reserved": "0"},
        "146 1/8",
    ),
    # counted nine: three more, one of them reserved as before
    "counted": (
        lambda s: count_stock(item=s.bar, counted=9, reason="found three", by=s.by),
        {"there": "9", "reserved": "1"},
        "",
    ),
}


@pytest.mark.parametrize("name", BARS)
def test_a_bar_stands_everywhere_as_worked_out(planned: Firm, name: str) -> None:
    do, wanted, left = BARS[name]
    saw = Saw(planned)

    do(saw)

    facts = {f"piece's {fact}": value for fact, value in wanted.items()}
    every_place_says(see_stock(Eyes(planned)), saw.bar.code, facts)
    if left:
        every_place_says(see_stock(Eyes(planned)), saw.offcut().code, {"piece's length": str(Length.parse(left).ticks)})
    else:
        assert not StockItem.objects.filter(material=saw.bar.material, is_offcut=True, quantity__gt=0).exists()


def test_a_rack_run_short_is_short_everywhere(planned: Firm) -> None:
    """Six bars, one promised; counted one, so none is free: of 38 7/8 for one more tube a rest of 30 is there."""
    saw = Saw(planned)
    unit = firms.a_unit(planned, firms.a_job(planned), *["40 1/8"] * 3, *["54"] * 3, "4")
    firms.approve(planned, unit)
    firms.release(planned, unit)

    count_stock(item=saw.bar, counted=1, reason="found one", by=saw.by)
    receive_stock(material=saw.bar.material, by=saw.by, quantity=1, length=Length.inches(30), shelf="rack 3")

    seen = list(see_stock(Eyes(planned)))
    every_place_says(iter(seen), saw.bar.material.name, {"piece's free": str(30 * 8128)})
    assert "buying list" in {one.place for one in seen if one.subject == saw.bar.material.name}
