"""What tables of this room can hold: jobs with their customers and sites, customers and sites alone, crews."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Mapping
from typing import Any, Final

from django.utils.dateparse import parse_time

from jobs.models import Crew, Customer, Job, PostcodePlace, Purpose, Site
from jobs.ports import ports
from jobs.rules.columns import EMAIL, PHONE, Cells, Column
from jobs.services import booking, crews
from jobs.services.imports import Importing, Kind, Taken, WrongCells, add

PLACED: Final = "place taken from its address"
CUSTOMER: Final = (
    Column("customer", "who pays", ("name", "customer name", "client", "account", "bill to", "full name"), True),
    Column("phone", "", ("telephone", "tel", "mobile", "cell", "phone number"), looks=PHONE),
    Column("email", "", ("e-mail", "mail", "email address"), looks=EMAIL),
)
SITE: Final = (
    Column("street", "", ("address", "street address", "address 1", "address line 1", "site address")),
    Column("line2", "unit or floor", ("unit", "address 2", "address line 2", "apt", "suite")),
    Column("town", "", ("city", "place", "locality")),
    Column("postcode", "", ("zip", "zip code", "postal code", "post code")),
    Column("latitude", "degrees, with longitude", ("lat",)),
    Column("longitude", "degrees, with latitude", ("lon", "lng", "long")),
    Column("year_built", "", ("built", "year")),
    Column("children", "yes or no; yes when empty", ("kids",)),
    Column("contact", "who opens, if not the payer", ("site contact", "contact name", "on site", "superintendent")),
    Column("contact_phone", "", ("site phone", "site contact phone", "contact tel")),
    Column("access_note", "how to get in", ("access", "directions")),
)
JOB: Final = (
    Column("openings", "how many are expected; 1 when empty", ("windows", "window count", "qty", "number of windows")),
    Column("product", "family most of them ask for", ("product type", "covering")),
    Column("rooms", "", ("room",)),
    Column("title", "", ("job name", "project", "description")),
    Column("note", "", ("notes", "comment", "comments", "remarks")),
    Column("visit", "yes: a measure visit, unplaced; no: none; yes when empty", ("measure",)),
)
NEEDED: Final = {"street", "town"}


def _customer(cells: Cells) -> dict[str, Any]:
    return {"name": cells.text("customer"), "phone": cells.text("phone"), "email": cells.text("email")}


def _site(cells: Cells) -> dict[str, Any]:
    return {
        **{name: cells.text(name) for name in ("street", "line2", "town", "postcode", "access_note")},
        "latitude": cells.number("latitude", 90),
        "longitude": cells.number("longitude", 180),
        "year_built": cells.whole("year_built", 1600, 2200),
        "children": cells.truth("children", usual=True),
        "door_contact": cells.text("contact"),
        "door_phone": cells.text("contact_phone"),
    }


def _job(cells: Cells) -> dict[str, Any]:
    return {
        "openings_expected": cells.whole("openings", 1, 999) or 1,
        "product_expected": cells.one_of("product", dict(ports.families)),
        "rooms_expected": cells.text("rooms"),
        "title": cells.text("title"),
        "note": cells.text("note"),
    }


FIELDS: Final = {
    "name": "customer", "door_contact": "contact", "door_phone": "contact_phone", "openings_expected": "openings",
    "product_expected": "product", "rooms_expected": "rooms",
}  # fmt: skip
"""Columns that go by another name than their field."""


def _hold_against(to: Importing, cells: Cells, customer: Any, site: Any, job: Mapping[str, Any] | None) -> None:
    """What booking would refuse of these values, beside what is wrong with the cells already."""
    faults = booking.faults(branch=to.branch, by=to.by, customer=customer, site=site, job=job)
    if cells.wrong:
        faults.pop("__all__", None)  # a row that lacks what could not be read
    for name, problem in faults.items():
        cells.wrong.setdefault(FIELDS.get(name, name).replace("__all__", ""), problem)


def _known(to: Importing, cells: Cells) -> tuple[Customer | None, Site | None]:
    customer = Customer.objects.filter(branch=to.branch, name__iexact=cells.text("customer")).first()
    if customer is None:
        return None, None
    site = Site.objects.filter(
        customer=customer, street__iexact=cells.text("street"), town__iexact=cells.text("town"),
        line2__iexact=cells.text("line2"),
    ).first()  # fmt: skip
    return customer, site


def _words(to: Importing, cells: Cells, customer: Customer | None, site: Site | None) -> list[str]:
    """How a line would find its customer and site; from then on they are known to the lines below."""
    name = cells.text("customer").lower()
    place = (name, *(cells.text(part).lower() for part in ("street", "town", "line2")))
    words = ["known customer" if customer is not None or (name,) in to.seen else "new customer"]
    words.append("known site" if site is not None or place in to.seen else "new site")
    to.seen |= {(name,), place}
    return words


def _made(customer: Customer | None, site: Site | None, made: Site) -> list[Customer | Site]:
    """The customer and the site of a line, where it made them."""
    return [*([] if customer else [made.customer]), *([] if site else [made])]


def look_at_job(to: Importing, cells: Cells) -> str:
    customer, site = _known(to, cells)
    asked = _site(cells)
    cells.truth("visit", usual=True)
    _hold_against(to, cells, customer or _customer(cells), site or asked, _job(cells))
    words = _words(to, cells, customer, site)
    if (site.place_from or site.latitude is None) if site is not None else asked["latitude"] is None:
        words.append(PLACED if to.branch.latitude is not None else "no coordinates yet")
    return f"a job: {', '.join(words)}"


def take_job(to: Importing, cells: Cells) -> Taken:
    customer, site = _known(to, cells)
    asked, job = (_customer(cells), _site(cells)), _job(cells)
    purpose = Purpose.MEASURE if cells.truth("visit", usual=True) else None
    if cells.wrong:
        raise WrongCells(cells.wrong)
    words = ["known customer" if customer else "new customer", "known site" if site else "new site"]
    made: Job = booking.book_job(
        branch=to.branch, by=to.by, customer=customer or asked[0], site=site or asked[1], job=job, purpose=purpose
    )
    if made.site.place_from or made.site.latitude is None:
        words.append(PLACED if made.site.place_from else "no coordinates yet")
    rows = [*_made(customer, site, made.site), made, *made.appointments.all()]
    return Taken(f"job {made.number}: {', '.join(words)}", rows, made)


def look_at_customer(to: Importing, cells: Cells) -> str:
    customer, site = _known(to, cells)
    if cells.text("street") or cells.text("town"):
        cells.demand(*NEEDED)
        _hold_against(to, cells, customer or _customer(cells), site or _site(cells), None)
        return ", ".join(_words(to, cells, customer, site))
    _hold_against(to, cells, customer or _customer(cells), None, None)
    return _words(to, cells, customer, None)[0]


def take_customer(to: Importing, cells: Cells) -> Taken:
    words = look_at_customer(to, cells)
    if cells.wrong:
        raise WrongCells(cells.wrong)
    known, there = _known(to, cells)
    customer = known or booking.new_customer(branch=to.branch, by=to.by, **_customer(cells), note=cells.text("note"))
    rows: list[Customer | Site] = [] if known else [customer]
    if cells.text("street") and there is None:
        rows.append(booking.new_site(customer=customer, by=to.by, **_site(cells)))
    return Taken(words, rows)


# -- postcodes -------------------------------------------------------------------------------------


def _postcode(cells: Cells) -> dict[str, Any]:
    code, found = "".join(cells.text("postcode").upper().split()), {}
    if len(code) > 20:
        cells.wrong["postcode"] = f"{len(code)} characters; at most 20"
    for name, most in (("latitude", 90), ("longitude", 180)):
        found[name] = cells.number(name, most)
    return {"code": code, **found}


def look_at_postcode(to: Importing, cells: Cells) -> str:
    asked = _postcode(cells)
    cells.demand("postcode", "latitude", "longitude")
    is_known = PostcodePlace.objects.filter(branch=to.branch, code=asked["code"]).exists()
    if is_known or (asked["code"],) in to.seen:
        cells.wrong.setdefault("postcode", f"{asked['code']} is there already")
    to.seen.add((asked["code"],))
    return "a postcode"


def take_postcode(to: Importing, cells: Cells) -> Taken:
    look_at_postcode(Importing(to.branch, to.by), cells)
    if cells.wrong:
        raise WrongCells(cells.wrong)
    return Taken("a postcode", [PostcodePlace.objects.create(branch=to.branch, **_postcode(cells))])


# -- crews -----------------------------------------------------------------------------------------

DAYS: Final = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")


def _purposes(cells: Cells) -> list[str]:
    """``measure, install``; none is for anything."""
    words = filter(None, map(str.strip, re.split(r"[,;/+&]| and ", cells.text("purposes"))))
    found = [Cells({"purposes": word}, cells.wrong).one_of("purposes", dict(Purpose.choices)) for word in words]
    return [one for one in found if one]


def _days(cells: Cells) -> list[int]:
    """
    Weekdays, 0 is Monday: ``Mon-Fri``, ``Mon Tue Thu``; Monday to Friday where the cell is empty.

    >>> _days(Cells({"days": "Mon-Wed, Sat"}))
    [0, 1, 2, 5]
    """
    text, found = cells.text("days").lower() or "mon-fri", set[int]()
    for begin, end in re.findall(r"([a-z]+)(?:\s*[-\u2013]\s*([a-z]+))?", text):
        if begin[:3] not in DAYS or (end and end[:3] not in DAYS):
            cells.wrong["days"] = f"{cells.text('days')} names no days such as Mon-Fri"
            return []
        first = DAYS.index(begin[:3])
        last = DAYS.index(end[:3]) if end else first
        found |= set(range(first, last + 1)) if last >= first else {*range(first, 7), *range(last + 1)}
    return sorted(found)


def _clock(cells: Cells, name: str, usual: dt.time) -> dt.time:
    text = cells.text(name)
    if not text:
        return usual
    try:
        found = parse_time(text if ":" in text else f"{text}:00")
    except ValueError:
        found = None
    if found is None:
        cells.wrong[name] = f"{text} is no time such as 8:00"
    return found or usual


def _crew(cells: Cells) -> dict[str, Any]:
    starts, ends = _clock(cells, "starts", dt.time(8)), _clock(cells, "ends", dt.time(17))
    if ends <= starts:
        cells.wrong.setdefault("ends", "it ends before it begins")
    return {
        "name": cells.text("crew"), "people": cells.whole("people", 1, 20) or 1, "purposes": _purposes(cells),
        "days": _days(cells), "starts": starts, "ends": ends,
    }  # fmt: skip


def look_at_crew(to: Importing, cells: Cells) -> str:
    asked = _crew(cells)
    name = asked["name"].lower()
    if len(name) > 60:
        cells.wrong["crew"] = f"{len(name)} characters; at most 60"
    if (name,) in to.seen or Crew.objects.filter(branch=to.branch, name__iexact=name).exists():
        cells.wrong.setdefault("crew", f"there is a crew {asked['name']} already")
    to.seen.add((name,))
    return "a new crew"


def take_crew(to: Importing, cells: Cells) -> Taken:
    look_at_crew(Importing(to.branch, to.by), cells)
    if cells.wrong:
        raise WrongCells(cells.wrong)
    made = crews.set_up_crew(branch=to.branch, by=to.by, **_crew(cells))
    return Taken("a new crew", [made, *made.hours.all()])


def register() -> None:
    """Called once, when the apps are ready."""
    at_site = tuple(Column(c.name, c.help, c.also, c.name in NEEDED, c.looks) for c in SITE)
    add(Kind("jobs", "Jobs", (*CUSTOMER, *at_site, *JOB), look_at_job, take_job, name_of="customer"))
    note = next(one for one in JOB if one.name == "note")
    add(
        Kind(
            "customers",
            "Customers and sites",
            (*CUSTOMER, *SITE, note),
            look_at_customer,
            take_customer,
            name_of="customer",
        )
    )
    columns = (
        Column("crew", "its name", ("name", "team"), True),
        Column("people", "1 when empty", ("size", "crew size")),
        Column("purposes", "such as measure, install; empty: anything", ("purpose", "does", "work")),
        Column("days", "such as Mon-Fri", ("working days", "weekdays")),
        Column("starts", "such as 8:00", ("start", "from")),
        Column("ends", "such as 17:00", ("end", "until", "to")),
    )
    middle = tuple(
        Column(c.name, c.help, c.also, True) for c in SITE if c.name in {"postcode", "latitude", "longitude"}
    )
    add(Kind("postcodes", "Postcodes and their places", middle, look_at_postcode, take_postcode, name_of="postcode"))
    add(Kind("crews", "Crews", columns, look_at_crew, take_crew, name_of="crew"))
