"""Where a visit's start, expected time, window, chance, crew, minutes and state stand, and how each is read there."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterator
from typing import Any

from django.urls import reverse

from installs.models import Load
from jobs.ics import feed_token
from jobs.models import INSTALLING, Appointment, CalendarFeed, Proposal
from tests.agreement.compare import Seen
from tests.agreement.pages import CLOCK, Eyes, Node, clock, day, instant, instants, minutes, moment, span

OFFICE = "dispatcher"
NONE = "none"
"""No outcome is shown: a place that leaves one out differs from the others."""
PLACED = ("planned", "promised", "held", "on_the_way", "arrived", "done")


def see_visits(eyes: Eyes) -> Iterator[Seen]:
    """Everything that shows a visit."""
    rows = eyes.rows(OFFICE, reverse("api:appointment-list"))
    yield from api(eyes, rows)
    days = sorted({dt.date.fromisoformat(row["day"]) for row in rows if row["day"] and row["state"] in PLACED})
    for one in days:
        yield from board(eyes, one)
        yield from board_list(eyes, one)
        yield from board_csv(eyes, one)
        yield from crews_day(eyes, one)
    yield from week(eyes, days)
    for row in rows:
        if row["state"] != "cancelled":
            yield from visit_page(eyes, row["id"])
            yield from move_form(eyes, row)
            yield from documents(eyes, row)
    for job in sorted({row["job"] for row in rows}):
        yield from job_page(eyes, job)
    yield from feeds(eyes)
    yield from stops(eyes, rows)
    yield from proposals(eyes)
    yield from packets(eyes)


def _visit_of(link: str) -> str:
    found = re.search(r"/(?:visits|stops)/(\d+)/", link)
    return found[1] if found else ""


def _span(on: dt.date | None, text: str) -> str:
    """A window on the page's day, unless it names its own."""
    return span(day(text) or on, text)


def _shown(place: str, visit: str | int, **facts: str) -> Iterator[Seen]:
    for fact, value in facts.items():
        yield Seen(f"visit's {fact}", str(visit), place, value)


# -- the board ----------------------------------------------------------------------------------

LABEL = re.compile(
    rf"(?P<job>J-\d+), (?P<customer>.+?), (?P<what>[\w -]+), (?P<street>.+?), (?P<begin>{CLOCK}) to (?P<end>{CLOCK}), "
    r"(?P<state>[\w ]+?)(?:: (?P<outcome>[\w ]+?))?"
    rf"(?:, (?:promised|held for) (?P<window>(?:\w+day [\w ,]+?, )?{CLOCK} to {CLOCK}))?"
    rf"(?:, expected (?P<expected>{CLOCK}))?(?:, locked)?(?:, (?P<late>misses its promise|nobody comes))?$"
)


def board(eyes: Eyes, on: dt.date) -> Iterator[Seen]:
    """The drawing: what a screen reader says of a block, what its script moves, and where its ink is."""
    page = eyes.page(OFFICE, f"{reverse('jobs:calendar')}?day={on}")
    for lane in page.all("g", "lane"):
        yield from _blocks(lane, eyes.firm.row.tz, "board")


def week(eyes: Eyes, days: list[dt.date]) -> Iterator[Seen]:
    for monday in sorted({one - dt.timedelta(days=one.weekday()) for one in days}):
        page = eyes.page(OFFICE, f"{reverse('jobs:calendar')}?day={monday}&view=week")
        for lane in page.all("g", "lane"):
            yield from _blocks(lane, eyes.firm.row.tz, "week's board")


def _blocks(lane: Node, tz: dt.tzinfo, place: str) -> Iterator[Seen]:
    on = dt.date.fromisoformat(lane["data-day"])
    bracket: Node | None = None
    for mark in lane.inner:
        if not isinstance(mark, Node):
            continue
        if mark.tag == "path" and "bracket" in mark["class"]:
            bracket = mark
        if mark.tag != "a" or "block" not in mark["class"]:
            continue
        said = LABEL.match(mark["aria-label"])
        assert said is not None, mark["aria-label"]
        begin, end = clock(said["begin"]), clock(said["end"])
        assert begin is not None
        assert end is not None
        long = (end.hour - begin.hour) * 60 + end.minute - begin.minute
        yield from _shown(
            place, mark["data-pk"], start=moment(on, said["begin"]), crew=lane["data-name"], minutes=str(long),
            state=said["state"], window=_span(on, said["window"] or ""), outcome=said["outcome"] or NONE,
            expected=moment(on, said["expected"] or ""),
        )  # fmt: skip
        yield from _shown(f"{place}'s script", mark["data-pk"], start=instant(mark["data-start"], tz))
        if place == "board":
            yield from _drawn(lane, mark, bracket, tz)
        bracket = None


def _drawn(lane: Node, block: Node, bracket: Node | None, tz: dt.tzinfo) -> Iterator[Seen]:
    """Ink to whole minutes, by the lane's own scale; a bracket that runs off the sheet says no time."""
    left, wide, whole = (float(lane[name]) for name in ("data-left", "data-wide", "data-minutes"))
    begins = dt.datetime.fromisoformat(lane["data-begin"])

    def at(x: float) -> dt.datetime:
        return begins + dt.timedelta(minutes=int((x - left) / wide * whole + 0.1))

    box = block.one("rect")
    x, width = float(box["x"]), float(box["width"])
    yield from _shown(
        "board's ink", block["data-pk"], start=instant(at(x), tz), minutes=str(round(width / wide * whole))
    )
    if bracket is None:
        return
    begin, end = (float(one) for one in re.findall(r"M([\d.]+) .*H([\d.]+)V", bracket["d"])[0])
    if left < begin and end < left + wide:
        yield from _shown("board's ink", block["data-pk"], window=instants(at(begin), at(end), tz))


def board_list(eyes: Eyes, on: dt.date) -> Iterator[Seen]:
    """The same day as a list, for narrow screens and for reading aloud; the promises that are not safe."""
    page = eyes.page(OFFICE, f"{reverse('jobs:calendar')}?day={on}")
    for lane in page.one("div", "lanes").all("section"):
        for row in lane.all("li"):
            link, said = row.one("a"), row.one("small").text
            chance = re.search(r"\d+% on time(?:: likely late)?", said.split(",", 1)[-1])
            state, _, outcome = (said.split(", ")[1] if ", " in said else "").partition(": ")
            yield from _shown(
                "board's list", _visit_of(link["href"]), start=moment(on, link.text), crew=lane["aria-label"],
                state=state, chance=chance[0].strip() if chance else "", outcome=outcome or NONE,
            )  # fmt: skip
    for row in page.one("section", aria_label="Appointments at risk").all("li"):
        said = row.text.partition(", ")[2]
        crew, _, rest = said.partition(", ")
        yield from _shown(
            "not safe",
            _visit_of(row.one("a")["href"]),
            crew=crew,
            window=_span(on, rest),
            chance=rest.partition(": ")[2],
        )


def board_csv(eyes: Eyes, on: dt.date) -> Iterator[Seen]:
    keys = _keys(eyes)
    for row in eyes.table_of(OFFICE, f"{reverse('jobs:calendar')}?day={on}&format=csv"):
        begin, end = (dt.datetime.fromisoformat(row[name]) for name in ("starts", "ends"))
        promised = row["promised from"] and f"{row['promised from']} to {row['until'][-5:]}"
        yield from _shown(
            "board's CSV", keys[row["job"], row["visit"], row["starts"]], start=row["starts"], crew=row["crew"],
            minutes=str(round((end - begin).total_seconds() / 60)), state=row["state"], window=promised,
            outcome=row["outcome"] or NONE,
        )  # fmt: skip


def _keys(eyes: Eyes) -> dict[tuple[str, str, str], str]:
    """Visits by what a CSV says of them, since it names no key: job, purpose and, of twins, the day."""
    found: dict[tuple[str, str, str], str] = {}

    class Loose(dict[tuple[str, str, str], str]):
        def __missing__(self, key: tuple[str, str, str]) -> str:
            near = [pk for (job, what, when), pk in found.items() if (job, what) == key[:2]]
            same = [pk for (job, what, when), pk in found.items() if (job, what, when[:10]) == (*key[:2], key[2][:10])]
            return (same or near or ["?"])[0] if len(same or near) == 1 else "?"

    words = dict(Appointment._meta.get_field("purpose").choices or ())
    for row in eyes.rows(OFFICE, reverse("api:appointment-list")):
        if row["state"] != "cancelled":
            when = instant(row["starts_at"], eyes.firm.row.tz)
            found[row["job_number"], words[row["purpose"]], when] = str(row["id"])
    return Loose(found)


# -- pages of the visit ------------------------------------------------------------------------


def visit_page(eyes: Eyes, pk: int) -> Iterator[Seen]:
    page = eyes.page(OFFICE, reverse("jobs:appointment", args=[pk]))
    promised = page.one("p", "promised-window").text
    crew, _, about = page.fact("Crew").partition(", ")
    on = day(about) or day(promised)
    yield from _shown(
        "visit page", pk, window=span(day(promised), promised), crew="" if crew == "none yet" else crew,
        minutes=minutes(page.fact("On site")), state=page.one("span", "state").text, chance=page.fact("On time"),
        start=moment(on, about), outcome=page.one("small", "outcome").text or NONE,
        expected=moment(on, page.fact("Expected")),
    )  # fmt: skip
    copied = page.one("textarea").text
    yield from _shown("text to copy", pk, window=span(day(_about_day(copied)), copied))


def _about_day(text: str) -> str:
    found = re.search(r" on (\w+day \d{1,2} \w+|\w+, \w+ \d{1,2})", text)
    return found[1] if found else ""


def move_form(eyes: Eyes, row: dict[str, Any]) -> Iterator[Seen]:
    """What the form says before anybody moves anything."""
    if row["state"] not in ("planned", "promised"):
        return
    page = eyes.page(OFFICE, reverse("jobs:move", args=[row["id"]]))
    on, at = page.one("input", name="day")["value"], page.one("input", name="time")["value"]
    chosen = next((one.text for one in page.one("select", name="crew").all("option") if "selected" in one.attrs), "")
    yield from _shown("move form", row["id"], start=f"{on} {at[:5]}" if on and at else "", crew=chosen)


def job_page(eyes: Eyes, job: int) -> Iterator[Seen]:
    page = eyes.page(OFFICE, reverse("jobs:job", args=[job]))
    for row in page.one("section", aria_label="Visits").all("tr"):
        link = row.one("a")["href"]
        if not (visit := _visit_of(link)):
            continue
        stands = row.cell("Day").text
        yield from _shown(
            "job page", visit, start=moment(day(stands), stands), window=_span(day(stands), row.cell("Promised").text),
            crew=row.cell("Crew").text, minutes=row.cell("Minutes").text,
            state=row.cell("State").one("span", "state").text,
            outcome=row.cell("State").one("small", "outcome").text or NONE,
        )  # fmt: skip


# -- the crew ----------------------------------------------------------------------------------


def crews_day(eyes: Eyes, on: dt.date) -> Iterator[Seen]:
    """The day as who drives it sees it; the crew stands above when it is one."""
    for role in ("measurer", "installer"):
        page = eyes.page(role, f"{reverse('jobs:today')}?day={on}")
        crew = page.one("p", "where").text
        for call in page.all("article", "call"):
            at = call.one("p", "call-time")
            link = _visit_of(call.one("a")["href"]) or _measured(call.one("a")["href"])
            told = next((one.text for one in call.all("p") if one.text.startswith("Promised")), "")
            where = next((one.text for one in call.all("p") if "on site" in one.text), "")
            yield from _shown(
                "crew's day", link, start=moment(on, at.text), state=at.one("span", "state").text,
                minutes=minutes(where.rpartition("·")[2]), window=_span(on, told), crew=crew,
                outcome=at.one("small", "outcome").text or NONE,
            )  # fmt: skip


def _measured(link: str) -> str:
    found = re.search(r"/measure/(\d+)/", link)
    return found[1] if found else ""


def stops(eyes: Eyes, rows: list[dict[str, Any]]) -> Iterator[Seen]:
    """An install's own page, on the crew's phone."""
    for row in rows:
        if row["purpose"] not in INSTALLING or row["state"] in ("unplaced", "cancelled", "held"):
            continue
        page = eyes.page(OFFICE, reverse("installs:stop", args=[row["id"]]))
        told = page.one("div", id="stop").one("p").text or next(
            (one.text for one in page.all("p") if "promised" in one.text or one.text.startswith("about")), ""
        )
        told = next((one.text for one in page.all("p") if one.all("span", "huge")), told)
        on = dt.date.fromisoformat(row["day"])
        state = page.one("span", "state").text
        yield from _shown(
            "stop page", row["id"], window=_span(on, told) if "promised" in told else "",
            start=moment(on, told) if told.startswith("about") else "", state=state,
            outcome=page.one("small", "outcome").text or NONE,
        )  # fmt: skip


# -- out of the house --------------------------------------------------------------------------


def api(eyes: Eyes, rows: list[dict[str, Any]]) -> Iterator[Seen]:
    tz = eyes.firm.row.tz
    crews = {row["id"]: row["name"] for row in eyes.rows(OFFICE, reverse("api:crew-list"))}
    words = dict(Appointment.State.choices)
    for row in rows:
        yield from _shown(
            "API", row["id"], start=instant(row["starts_at"], tz), crew=crews.get(row["crew"], ""),
            window=instants(row["promised_from"], row["promised_until"], tz), minutes=str(row["duration_min"]),
            state=words[row["state"]], outcome=row["outcome"] or NONE, expected=instant(row["expected_at"], tz),
        )  # fmt: skip
    for row in eyes.rows(OFFICE, reverse("api:stop-list")):
        yield from _shown(
            "API of stops", row["id"], start=instant(row["starts_at"], tz), crew=crews.get(row["crew"], ""),
            window=instants(row["promised_from"], row["promised_until"], tz), state=words[row["state"]],
        )  # fmt: skip


def feeds(eyes: Eyes) -> Iterator[Seen]:
    """Each crew's calendar address, and the customer's file."""
    tz = eyes.firm.row.tz
    keys = {str(uid): str(pk) for pk, uid in Appointment.objects.values_list("pk", "uid")}
    for feed in CalendarFeed.objects.filter(crew__isnull=False, revoked_at=None).select_related("crew"):
        for event in eyes.events(reverse("jobs:feed", args=[feed_token(feed)])):
            if str(event.get("status")) == "CANCELLED":
                continue
            begin, end = event["dtstart"].dt, event["dtend"].dt
            yield from _shown(
                "crew's calendar", keys[str(event["uid"]).partition("@")[0]], start=instant(begin, tz),
                minutes=str(round((end - begin).total_seconds() / 60)), crew=str(feed.crew),
            )  # fmt: skip


def documents(eyes: Eyes, row: dict[str, Any]) -> Iterator[Seen]:
    """The confirmation, the customer's calendar file, the install's work order."""
    subject = Appointment.objects.select_related("job__branch", "job__customer", "job__site", "crew").get(pk=row["id"])
    tz = eyes.firm.row.tz
    if row["promised_from"] and row["state"] != "held":
        promised = eyes.document("jobs.confirmation", subject).one("p", "huge").text
        yield from _shown("confirmation", row["id"], window=span(day(promised), promised))
        event = eyes.events(reverse("jobs:ics", args=[row["id"]]))[0]
        yield from _shown("calendar file", row["id"], window=instants(event["dtstart"].dt, event["dtend"].dt, tz))
    if row["purpose"] in INSTALLING and row["day"]:
        told = next(one.text for one in eyes.document("installs.work_order", subject).all("p") if "on site" in one.text)
        when = next((part for part in told.split(" · ") if day(part)), "")
        promised = next((part for part in told.split(" · ") if part.startswith("promised ")), "")
        on = dt.date.fromisoformat(row["day"])
        yield from _shown(
            "install order", row["id"], window=span(day(when), when) or _span(on, promised),
            start=moment(day(when), when) if "about" in when else "",
            minutes=minutes(next(part for part in told.split(" · ") if "on site" in part)),
        )  # fmt: skip


def packets(eyes: Eyes) -> Iterator[Seen]:
    """The route packet's cover and stops, from its sheet; the PDF's words are checked beside it."""
    for load in Load.objects.select_related("crew__branch").order_by("day", "crew"):
        document = eyes.document("installs.packet", load)
        keys = [_visit_of(url) for url in _codes(load)]
        tables = [table for table in document.all("table") if "Expected" in table.one("tr").text]
        for key, row in zip(keys, tables[0].all("tr")[1:] if tables else [], strict=False):
            expected, promised = row.all("td")[1], row.all("td")[2]
            yield from _shown(
                "packet's cover", key, start=moment(load.day, expected.text), window=_span(load.day, promised.text),
                crew=document.one("h1").text.partition(",")[0],
            )  # fmt: skip
        for key, part in zip(keys, document.all("section", "stop"), strict=True):
            told = next(one.text for one in part.all("p") if "on site" in one.text)
            bits = {bit.split(" ")[0]: bit for bit in told.split(" · ")}
            yield from _shown(
                "packet's stop", key, start=moment(load.day, bits.get("expected", "")),
                window=_span(load.day, bits.get("promised", "")),
                minutes=minutes(next(bit for bit in told.split(" · ") if "on site" in bit)),
            )  # fmt: skip


def _codes(load: Load) -> list[str]:
    """The stops' addresses as the packet's codes say them, in its order."""
    from installs.documents import route_packet

    return [stop["url"] for stop in route_packet(load).context["stops"]]


def proposals(eyes: Eyes) -> Iterator[Seen]:
    """What a plan says stands now, for every visit it would move."""
    tz = eyes.firm.row.tz
    for found in Proposal.objects.all():
        keys = _keys(eyes)
        page = eyes.page(OFFICE, reverse("jobs:proposal", args=[found.pk]))
        for row in page.all("tr"):
            visit = _visit_of(row.one("a")["href"])
            now = row.cell("Now").text
            if not visit or not now or now == "not scheduled" or row.cell("Answer").text:
                continue
            crew, _, when = now.partition(", ")
            promised = row.cell("Confirmed").text
            yield from _shown(
                "proposal", visit, start=moment(day(when), when), crew=crew, window=span(day(promised), promised)
            )
        for line in eyes.table_of(OFFICE, f"{reverse('jobs:proposal', args=[found.pk])}?format=csv"):
            if line["starts now"]:
                key = keys[line["job"], line["visit"], line["starts now"]]
                yield from _shown("proposal's CSV", key, start=line["starts now"], crew=line["crew now"])
    assert tz
