"""Where a unit's sizes, mount, colour and state stand, and how each is read there."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterable, Iterator
from typing import Any

from django.urls import reverse

from fabrication.models import Batch, Purchase, UnitMake
from installs.models import Load, cause_words
from jobs.models import INSTALLING, Appointment, Job
from measuring.models import Mount, Unit
from tests.agreement.compare import Seen
from tests.agreement.pages import LENGTH, Eyes, Node, size, ticks

OFFICE, WORKROOM, CREW = "dispatcher", "workroom", "installer"
CODE = re.compile(r"\b[0-9A-Z]{7}\b")
MADE = ("made", "loaded", "installed", "not installed")
OUT = ("installed", "not installed")
HARDWARE = ("hardware", "spares")
PACKAGE = re.compile(r"\d+ of \d+: [\w -]+?(?=, | installed|$| \d+ of )")


def see_units(eyes: Eyes) -> Iterator[Seen]:
    """Everything that shows a unit."""
    rows = [row for row in eyes.rows(OFFICE, reverse("api:unit-list")) if row["state"] not in ("cancelled", "replaced")]
    makes = eyes.rows(WORKROOM, reverse("api:make-list"))
    yield from api(rows, makes)
    yield from loads(eyes)
    for job in sorted({row["job"] for row in rows}):
        yield from sizes_page(eyes, job)
        yield from job_panels(eyes, job)
        yield from record(eyes, job)
        yield from completion(eyes, job)
    for make in makes:
        yield from workroom(eyes, make["id"])
    yield from batches(eyes)
    yield from checking(eyes)
    yield from purchases(eyes)
    yield from stops(eyes)
    yield from packets(eyes)


def _shown(place: str, code: str, **facts: str) -> Iterator[Seen]:
    for fact, value in facts.items():
        yield Seen(f"unit's {fact.replace('_', ' ')}", code, place, value)


def _state(place: str, code: str, state: str) -> Iterator[Seen]:
    """The unit's own word, and what follows from it for who makes and who hangs it."""
    made, hung = state in MADE, state == "installed"
    yield from _shown(place, code, state=state, made=_yes(made), hung=_yes(hung))


def _bench(place: str, code: str, state: str) -> Iterator[Seen]:
    yield from _shown(place, code, bench=state, made=_yes(state == "made"))


def _making(place: str, code: str, node: Node) -> Iterator[Seen]:
    """The unit's state in the workroom, and beside it how far it is on the bench."""
    state = node.one("span", "state").text
    yield from _state(place, code, state)
    yield from _shown(place, code, bench=node.one("small", "bench").text or ("made" if state in MADE else ""))
    yield from _hold(place, code, node.text)


def _yes(is_so: bool) -> str:
    return "yes" if is_so else "no"


def _hold(place: str, code: str, text: str) -> Iterator[Seen]:
    """Whether the place says that the unit waits for a decision about a change."""
    yield from _shown(place, code, hold=_yes("on hold" in text.lower()))


def _outcome(place: str, code: str, visit: int, word: str) -> Iterator[Seen]:
    """What became of it at one stop: it may have been at several."""
    yield Seen("unit's outcome", f"{code} at {visit}", place, word if word in OUT else "to do")
    if word == "installed":
        yield from _shown(place, code, hung="yes")


def colour(text: str) -> str:
    """After the word colour (or what a page calls it) up to the next mark."""
    found = re.search(r"colou?r(?: or (?:cloth|fabric))?:? (?P<which>[\w ]+?)(?:$|[·;,<]|  )", text)
    return found["which"].strip() if found else ""


def _paired(node: Node, *names: str) -> str:
    return next((said for name in names if (said := node.fact(name))), "")


def _in_line(node: Node, *names: str) -> str:
    """What a paragraph says in a row of names and values: ``color white · weight 12 oz``."""
    said = re.compile(rf"(?:^|· )(?:{'|'.join(names)}) (.+?)(?: ·|$)")
    return next((found[1].strip() for p in node.all("p") if (found := said.search(" ".join(p.text.split())))), "")


COLOUR = ("colour or cloth", "colour", "color", "colour or fabric", "color or fabric")


# -- in the office -----------------------------------------------------------------------------


def api(rows: list[dict[str, Any]], makes: list[dict[str, Any]]) -> Iterator[Seen]:
    states, mounts = dict(Unit.State.choices), dict(Mount.choices)
    for row in rows:
        yield from _shown(
            "API", row["code"], order_size=_sent(row["order_width"], row["order_height"]), mount=mounts[row["mount"]],
            colour=row["options"].get("colour", ""),
        )  # fmt: skip
        yield from _state("API", row["code"], str(states[row["state"]]))
    bench = dict(UnitMake.State.choices)
    for make in makes:
        yield from _shown(
            "API of makes", make["code"], finished_size=_sent(make["finished_width"], make["finished_height"])
        )
        yield from _bench("API of makes", make["code"], str(bench[make["state"]]))
        yield from _shown("API of makes", make["code"], state=str(states[make["unit_state"]]))


def _sent(width: Any, height: Any) -> str:
    if isinstance(width, dict):
        return ticks(width, height)
    return size(f"{width} × {height}".replace(" in", "")) if width and height else ""


def sizes_page(eyes: Eyes, job: int) -> Iterator[Seen]:
    page = eyes.page(OFFICE, reverse("measuring:sizes", args=[job]))
    for row in page.one("table", "sizes").all("tr"):
        code = row.cell("unit").text
        if not code:
            continue
        what = next(cell.text for cell in row.all("td") if cell.all("small") and not cell["data-label"])
        yield from _shown(
            "sizes page", code, order_size=size(row.cell("order size").text), colour=colour(what), mount=_mount(what)
        )
        states = [one.text for one in row.all("span", "state")]
        yield from _state("sizes page", code, states[0])
        yield from _hold("sizes page", code, row.text)


def _mount(text: str) -> str:
    """The first of the two words a person looks for."""
    found = re.search(r"\b(inside|outside)\b", text)
    return f"{found[1]} mount" if found and "mount" in str(dict(Mount.choices)["inside"]) else found[1] if found else ""


def job_panels(eyes: Eyes, job: int) -> Iterator[Seen]:
    """The three rooms' panels on the job's page."""
    page = eyes.page(OFFICE, reverse("measuring:job_units", args=[job]))
    held = " ".join(one.text for one in page.all("p", "caution") if "on hold" in one.text)
    for row in page.all("tr"):
        if code := CODE.match(row.one("th").text):
            yield from _shown("job page", code[0], order_size=size(row.cell("order size").text))
            yield from _state("job page", code[0], row.one("span", "state").text)
            yield from _hold("job page", code[0], f"on hold {held}" if code[0] in held else "")
    for row in eyes.page(WORKROOM, reverse("fabrication:units_of_job", args=[job])).all("tr"):
        if code := CODE.match(row.one("th").text):
            yield from _shown("workroom's panel", code[0], finished_size=size(row.cell("Finished").text))
            yield from _making("workroom's panel", code[0], row.cell("State"))
    panel = eyes.page(OFFICE, reverse("installs:job_panel", args=[job]))
    for row in panel.one("table").all("tr"):
        if code := CODE.match(row.one("th").text):
            yield from _state("install's panel", code[0], row.cell("State").one("span", "state").text)
    trucks = {load.get_absolute_url(): _truck(load) for load in Load.objects.all()}
    for row in panel.one("ul", "to-load").all("li"):
        package, code = PACKAGE.search(row.text), row.one("strong").text
        assert package is not None, row.text
        yield from _loaded("install's panel", code, trucks[row.one("a")["href"]], package[0], is_on=False)


def record(eyes: Eyes, job: int) -> Iterator[Seen]:
    """The measure record, as a document."""
    document = eyes.document("measuring.record", Job.objects.select_related("branch", "site", "customer").get(pk=job))
    for opening in document.all("section", "record-opening"):
        mount = _mount(opening.one("h3").text)
        for line in opening.all("p", "record-size"):
            if code := CODE.search(line.text):
                yield from _shown(
                    "measure record", code[0], order_size=size(line.text), colour=colour(line.text), mount=mount
                )


def completion(eyes: Eyes, job: int) -> Iterator[Seen]:
    """What the customer keeps."""
    about = Job.objects.select_related("branch", "site", "customer").get(pk=job)
    document = eyes.document("installs.completion", about)
    for row in document.one("table").all("tr"):
        cells = row.all("td")
        if len(cells) == 4 and (code := CODE.search(cells[3].text)):
            yield from _shown("completion record", code[0], finished_size=size(cells[2].text), hung="yes")


# -- in the workroom ---------------------------------------------------------------------------


def workroom(eyes: Eyes, pk: int) -> Iterator[Seen]:
    """The unit's page and its work order."""
    page = eyes.page(WORKROOM, reverse("fabrication:unit", args=[pk]))
    code = page.one("h1").text.split(" ")[0]
    yield from _shown(
        "unit page", code, finished_size=size(page.one("p", "huge").text), colour=_paired(page, *COLOUR),
        mount=_mount(page.one("span", "state").text + " " + _beside(page)),
    )  # fmt: skip
    yield from _making("unit page", code, page)
    make = UnitMake.objects.select_related("unit__opening__job__branch", "unit__opening__room", "unit__product").get(
        pk=pk
    )
    document = eyes.document("fabrication.work_order", make)
    yield from _shown(
        "work order", code, finished_size=size(document.one("p", "huge").text), colour=_in_line(document, *COLOUR),
        mount=_mount(document.all("p")[4].text + " " + " ".join(one.text for one in document.all("p"))),
        hold=_yes(any("Leave it until" in one.text for one in document.all("p", "caution"))),
    )  # fmt: skip


def _beside(page: Node) -> str:
    """The line with the unit's state."""
    return next((one.text for one in page.all("p") if one.all("span", "state")), "")


def batches(eyes: Eyes) -> Iterator[Seen]:
    for batch in Batch.objects.exclude(state=Batch.State.CANCELLED).select_related("branch"):
        page = eyes.page(WORKROOM, reverse("fabrication:batch", args=[batch.pk]))
        for row in page.all("tr"):
            if row.cell("Finished").text and (code := CODE.match(row.one("th").text)):
                yield from _shown("batch page", code[0], finished_size=size(row.cell("Finished").text))
                yield from _making("batch page", code[0], row.cell("State"))
        for label in eyes.document("fabrication.labels", batch).all("div", "label"):
            if code := CODE.search(label.one("div", "label-code").text):
                yield from _shown("label", code[0], finished_size=size(label.one("p", "label-size").text))


def checking(eyes: Eyes) -> Iterator[Seen]:
    for row in eyes.page(WORKROOM, reverse("fabrication:checking")).all("tr"):
        if code := CODE.match(row.one("th").text):
            yield from _shown("checking", code[0], finished_size=size(row.cell("Finished").text))
            yield from _making("checking", code[0], row.cell("State"))


def purchases(eyes: Eyes) -> Iterator[Seen]:
    """Units bought in: the page, the sheet to the supplier and its CSV."""
    for purchase in Purchase.objects.select_related("branch", "supplier"):
        url = reverse("fabrication:purchase", args=[purchase.pk])
        page = eyes.page(WORKROOM, url).text
        for found in re.finditer(rf"({CODE.pattern})(?:(?!{CODE.pattern}).)*?({LENGTH} × {LENGTH})", page):
            yield from _shown("purchase page", found[1], finished_size=size(found[2]))
        for row in eyes.document("fabrication.purchase", purchase).all("tr"):
            cells = [cell.text for cell in row.all("td")]
            if cells and CODE.match(cells[1]):
                yield from _shown("purchase sheet", cells[1], finished_size=size(cells[3]), colour=colour(cells[4]))
        for line in eyes.table_of(WORKROOM, f"{url}sheet.csv"):
            if line["code"]:
                yield from _shown(
                    "purchase CSV", line["code"], finished_size=size(f"{line['width']} × {line['height or length']}"),
                    colour=colour(line["options"]),
                )  # fmt: skip


# -- on the truck and at the stop ----------------------------------------------------------------


def stops(eyes: Eyes) -> Iterator[Seen]:
    """A stop's page, its panel on the visit's page, its order and the API's answer."""
    visits = Appointment.objects.filter(purpose__in=INSTALLING, day__isnull=False).exclude(
        state__in=["unplaced", "cancelled", "held"]
    )
    for visit in visits.select_related("job__branch", "job__customer", "job__site", "crew"):
        page = eyes.page(OFFICE, reverse("installs:stop", args=[visit.pk]))
        for unit in page.all("article", "unit"):
            code = unit.one("span", "unit-code").text
            said = next((one.text for one in unit.all("p") if one.all("span", "big-size")), "")
            yield from _shown(
                "stop page", code, finished_size=size(said), mount=_mount(said), colour=_paired(unit, *COLOUR)
            )
            yield from _carried("stop page", code, _truck(visit), PACKAGE.findall(unit.one("p", "packages").text))
            yield from _outcome("stop page", code, visit.pk, unit.one("p", "outcome").one("span", "state").text)
            yield from _cause("stop page", code, visit.pk, unit.one("p", "outcome").one("span", "cause").text)
            yield from _behind("stop page", code, _truck(visit), unit.one("p", "packages").text)
            yield from _hold("stop page", code, unit.text)
        document = eyes.document("installs.work_order", visit)
        yield from _blocks(document, "install order", _truck(visit))
        for row in eyes.page(OFFICE, reverse("installs:visit_panel", args=[visit.pk])).all("li"):
            if (code := CODE.match(row.text)) and row.all("span", "state"):
                yield from _outcome("visit's panel", code[0], visit.pk, row.one("span", "state").text)
                yield from _cause("visit's panel", code[0], visit.pk, row.one("span", "cause").text)
                yield from _behind("visit's panel", code[0], _truck(visit), row.text)
    for row in eyes.rows(OFFICE, reverse("api:stop-list")):
        for unit in row["units"]:
            yield from _outcome("API of stops", unit["code"], row["id"], unit["outcome"].replace("_", " "))
            yield from _cause(
                "API of stops", unit["code"], row["id"], cause_words(unit["cause"]) if unit["cause"] else ""
            )


def _cause(place: str, code: str, visit: int, words: str) -> Iterator[Seen]:
    """Why it did not go up at one stop."""
    if words:
        yield Seen("unit's cause", f"{code} at {visit}", place, words)


def _behind(place: str, code: str, truck: str, text: str) -> Iterator[Seen]:
    """Whether its truck left without a piece of it."""
    yield Seen("unit left behind", f"{code} of {truck}", place, _yes("not on the truck" in text))


def packets(eyes: Eyes) -> Iterator[Seen]:
    for load in Load.objects.select_related("crew__branch").order_by("day", "crew"):
        document = eyes.document("installs.packet", load)
        yield from _blocks(document, "packet", _truck(load))
        cover = next(one.text for one in document.all("p") if " of driving" in one.text)
        packages = re.search(r" in (\d+) package", cover)
        assert packages is not None, cover
        rows = [row for one in document.all("ul", "of-the-day") for row in one.all("li")]
        hardware = [("hardware", row.one("span", "item").text, row.one("strong").text) for row in rows]
        hardware += [
            ("spares", row.one("span", "item").text, row.one("span", "spare").text.removesuffix(" spare"))
            for row in rows
        ]
        hardware = [one for one in hardware if one[2]]
        yield from _of_truck("packet", load, hardware, weight=_mass(cover), packages=packages[1])


def _blocks(document: Node, place: str, truck: str) -> Iterator[Seen]:
    for block in document.all("div", "unit-block"):
        lines = block.all("p")
        code = CODE.search(lines[0].text)
        assert code is not None, lines[0].text
        yield from _shown(
            place, code[0], finished_size=size(block.one("span", "unit-size").text), mount=_mount(lines[1].text),
            colour=colour(lines[2].text),
        )  # fmt: skip
        yield from _carried(place, code[0], truck, PACKAGE.findall(block.one("p", "ticks").text))
        yield from _behind(place, code[0], truck, block.one("p", "ticks").text)
        yield from _hold(place, code[0], block.text)


def _truck(load: Load | Appointment) -> str:
    """Whose truck on which day."""
    return f"crew {load.crew_id} on {load.day}"


def _carried(place: str, code: str, truck: str, packages: Iterable[str]) -> Iterator[Seen]:
    yield Seen("unit's packages", f"{code} of {truck}", place, ", ".join(sorted(packages)))


def _loaded(place: str, code: str, truck: str, package: str, is_on: bool) -> Iterator[Seen]:
    yield Seen("unit's load", f"{code} {package} of {truck}", place, "on" if is_on else "to go")


def _of_truck(place: str, load: Load, hardware: Iterable[tuple[str, str, str]], **facts: str) -> Iterator[Seen]:
    """Pieces of hardware by section and name, and what a list says as a whole."""
    for section, name, quantity in hardware:
        yield Seen("truck's hardware", f"{section} {name} of {_truck(load)}", place, quantity)
    for fact, value in facts.items():
        yield Seen(f"truck's {fact.replace('_', ' ')}", _truck(load), place, value)


def _mass(text: str) -> str:
    found = re.search(r"about ([\d.,]+ \w+)", text)
    return found[1] if found else ""


def loads(eyes: Eyes) -> Iterator[Seen]:
    """What is on each truck and to go, by its page (its crew's, or the owner's for one of nobody), list and answer."""
    for load in Load.objects.select_related("crew__branch").order_by("day", "crew"):
        yield from load_page(eyes, load)
        yield from load_api(eyes, load)
        yield from load_list(eyes, load)
    for day in sorted(set(Load.objects.values_list("day", flat=True))):
        yield from loads_page(eyes, day)


def load_page(eyes: Eyes, load: Load) -> Iterator[Seen]:
    is_theirs = load.crew.members.filter(user=eyes.firm.user(CREW)).exists()
    page = eyes.page(CREW if is_theirs else "owner", reverse("installs:load", args=[load.pk]))
    hardware, packages, behind = [], dict[str, list[str]](), dict[str, str]()
    for section in page.all("section", "load-part"):
        for line in section.all("li"):
            what = line.one("span", "what")
            if code := line["data-code"]:
                package = what.text.partition(what.one("small").text)[0].removeprefix(code).strip()
                behind[code] = behind.get(code, "") + what.text
                packages.setdefault(code, []).append(package)
                yield from _loaded("load page", code, _truck(load), package, "✓" in line.one("span", "box").text)
            elif section["aria-label"] in HARDWARE:
                hardware.append((section["aria-label"], line["data-text"], line["data-quantity"]))
    for code, several in packages.items():
        yield from _carried("load page", code, _truck(load), several)
        yield from _behind("load page", code, _truck(load), behind[code])
        yield from _hold("load page", code, behind[code])
    count = page.one("p", "load-count").text
    to_go = re.match(r"(\d+) of (\d+) still", count)
    yield from _of_truck(
        "load page", load, hardware, weight=_mass(count), to_go=f"{to_go[1]} of {to_go[2]}" if to_go else "",
        packages=str(sum(map(len, packages.values()))),
    )  # fmt: skip


def load_api(eyes: Eyes, load: Load) -> Iterator[Seen]:
    rows = eyes.json(OFFICE, reverse("api:load-detail", args=[load.pk]))["lines"]
    packages = dict[str, list[str]]()
    for row in rows:
        if row["unit"]:
            packages.setdefault(row["unit"], []).append(row["package"])
            is_on = row["checked"] >= row["quantity"]
            yield from _loaded("API of loads", row["unit"], _truck(load), row["package"], is_on)
    for code, several in packages.items():
        yield from _carried("API of loads", code, _truck(load), several)
    yield from _of_truck(
        "API of loads", load, [(row["section"], row["text"], str(row["quantity"])) for row in rows
                               if row["section"] in HARDWARE],
        to_go=f"{sum(row['checked'] < row['quantity'] for row in rows)} of {len(rows)}",
        packages=str(sum(map(len, packages.values()))),
    )  # fmt: skip


def load_list(eyes: Eyes, load: Load) -> Iterator[Seen]:
    """The document to tick off by hand."""
    document = eyes.document("installs.load_list", load)
    hardware, packages, behind = [], dict[str, list[str]](), dict[str, str]()
    for title, table in zip(document.all("h2"), document.all("table"), strict=True):
        for row in table.all("tr")[1:]:
            what = row.all("td")[1]
            if code := CODE.search(what.text):
                behind[code[0]] = behind.get(code[0], "") + row.text
                packages.setdefault(code[0], []).append(what.text.partition(f"{code[0]}, ")[2])
            elif title.text.lower() in HARDWARE:
                many = what.one("strong").text
                hardware.append(
                    (title.text.lower(), what.text.removeprefix(many).strip(), many.partition(" ")[0] or "1")
                )
    for code, several in packages.items():
        yield from _carried("load list", code, _truck(load), several)
        yield from _behind("load list", code, _truck(load), behind[code])
        yield from _hold("load list", code, behind[code])
    yield from _of_truck(
        "load list", load, hardware, weight=_mass(next(p.text for p in document.all("p") if " goes on" in p.text)),
        packages=str(sum(map(len, packages.values()))),
    )  # fmt: skip


def loads_page(eyes: Eyes, day: dt.date) -> Iterator[Seen]:
    """The office's page of all trucks of a day."""
    by_address = {load.get_absolute_url(): load for load in Load.objects.filter(day=day)}
    for row in eyes.page(OFFICE, f"{reverse('installs:loads')}?day={day}").all("tr"):
        if load := by_address.get(row.one("th").one("a")["href"]):
            yield from _of_truck("loads page", load, (), to_go=row.cell("To check").text)
