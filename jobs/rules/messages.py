"""
Messages to customers: their starting words and how blanks are filled, by what they go, when, and when again.

The minutes are common practice, no published source.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Final

import phonenumbers

BLANK: Final = re.compile(r"\{([^{}]*)\}")
ALWAYS: Final = ("customer", "address", "number", "contact", "link")
OF_A_VISIT: Final = (*ALWAYS, "what", "window", "stay")
RETRIES_MIN: Final = (1, 1, 2, 4, 8, 15, 30, 60)
"""Minutes after each try that failed; after the last it is given up."""
LEAVING_MIN: Final = 20
"""Minutes that the expected arrival of a crew under way is said to take."""


@dataclass(frozen=True, slots=True)
class Words:
    """What a message says: by e-mail under a subject, and as a text message in `short`. Blanks stand in braces."""

    subject: str
    body: str
    short: str


@dataclass(frozen=True, slots=True)
class Sort:
    """One kind of message: its starting words, the blanks it may have, and whether it goes as a text message first."""

    words: Words
    blanks: tuple[str, ...] = OF_A_VISIT
    text_first: bool = False


_END: Final = "\nJob {number}. {contact}."
_LINK: Final = "\nSee your visit: {link}"

SORTS: Final[Mapping[str, Sort]] = {
    "confirmation": Sort(
        Words(
            "Your appointment: {window}",
            "{customer}: we'll {what} on {window}.\nAddress: {address}.\nIt takes about {stay}." + _END + _LINK,
            "We'll {what} on {window}. Job {number}. {contact}." + _LINK,
        )
    ),
    "change": Sort(
        Words(
            "New time for your appointment: {window}",
            "{customer}: the time of our visit has changed. We'll {what} on {window}.\nAddress: {address}.\n"
            "It takes about {stay}." + _END + _LINK,
            "New time: we'll {what} on {window}. Job {number}. {contact}." + _LINK,
        )
    ),
    "cancellation": Sort(
        Words(
            "Your appointment is canceled: {window}",
            "{customer}: our visit to {what} on {window} is canceled." + _END,
            "Our visit on {window} is canceled. Job {number}. {contact}.",
        )
    ),
    "reminder": Sort(
        Words(
            "Reminder: {window}",
            "{customer}: we'll {what} on {window}.\nAddress: {address}.\nIt takes about {stay}. Please clear the "
            "area in front of the windows." + _END + _LINK,
            "Reminder: we'll {what} on {window}. Job {number}. {contact}." + _LINK,
        ),
        text_first=True,
    ),
    "leaving": Sort(
        Words(
            "We are leaving now",
            "{customer}: we are leaving now and expect to be with you {expected}." + _END,
            "We are leaving now and expect to be with you {expected}. Job {number}. {contact}.",
        ),
        blanks=(*OF_A_VISIT, "expected"),
        text_first=True,
    ),
    "done": Sort(
        Words(
            "Your window coverings are installed",
            "{customer}: our work at {address} is done for today. The completion record is attached: what was "
            "installed, how to care for it, and who to call." + _END,
            "Our work at {address} is done for today. Questions? Job {number}. {contact}.",
        )
    ),
    "serviced": Sort(
        Words(
            "Our service call is done",
            "{customer}: our service call at {address} is done for today. The record is attached: what was wrong, what "
            "we did, and who to call." + _END,
            "Our service call at {address} is done for today. Questions? Job {number}. {contact}.",
        )
    ),
    "return_trip": Sort(
        Words(
            "We'll come back to finish job {number}",
            "{customer}: we have to come back to {what}. We'll call you with a time." + _END,
            "We have to come back to {what}. We'll call you with a time. Job {number}. {contact}.",
        ),
        blanks=(*ALWAYS, "what"),
    ),
    "approval": Sort(
        Words(
            "Your approval for job {number}",
            "{customer}: before we make your window coverings we need your approval of sizes and options. Please "
            "call us." + _END,
            "We need your approval before we make your window coverings. Please call. Job {number}. {contact}.",
        ),
        blanks=ALWAYS,
    ),
    "deposit": Sort(
        Words(
            "Your deposit for job {number}",
            "{customer}: before we order and make your window coverings we need your deposit. Please call us." + _END,
            "We need your deposit before we make your window coverings. Please call. Job {number}. {contact}.",
        ),
        blanks=ALWAYS,
    ),
}


def fill(text: str, values: Mapping[str, str]) -> str:
    """
    The text with its blanks filled; a blank that has no value here stays as it is.

    A line with a link is left out where there is no link.

    Examples
    --------
    >>> fill("Job {number}, {window}.\\nSee {link}", {"number": "J-7", "link": ""})
    'Job J-7, {window}.'
    """
    if values.get("link") == "":
        text = "\n".join(line for line in text.split("\n") if "{link}" not in line)
    return BLANK.sub(lambda found: values.get(found[1], found[0]), text)


def unknown_blanks(text: str, known: Collection[str]) -> list[str]:
    """
    Blanks in a text that nothing fills, as they are written.

    Examples
    --------
    >>> unknown_blanks("{customer}: {windo}", ["customer", "window"])
    ['{windo}']
    """
    return [found[0] for found in BLANK.finditer(text) if found[1] not in known]


def channel_of(kind: str, *, by_email: bool, by_text: bool) -> str:
    """
    By what a message goes: ``email``, ``text``, or nothing where the customer can't be reached by either.

    Examples
    --------
    >>> channel_of("leaving", by_email=True, by_text=True), channel_of("done", by_email=True, by_text=True)
    ('text', 'email')
    """
    able = {"email": by_email, "text": by_text}
    order = ("text", "email") if SORTS[kind].text_first else ("email", "text")
    return next((one for one in order if able[one]), "")


def after_quiet(at: dt.datetime, begins: dt.time, ends: dt.time) -> dt.datetime:
    """
    When a message of this local moment may go: at once, or when the quiet hours are over.

    Both the same: there are none. They may lie across midnight.

    Examples
    --------
    >>> after_quiet(dt.datetime(2026, 3, 2, 21, 30), dt.time(20), dt.time(8))
    datetime.datetime(2026, 3, 3, 8, 0)
    >>> after_quiet(dt.datetime(2026, 3, 2, 9, 30), dt.time(20), dt.time(8))
    datetime.datetime(2026, 3, 2, 9, 30)
    """
    now = at.time()
    across = begins > ends
    if not (now >= begins or now < ends if across else begins <= now < ends):
        return at
    day = at.date() + dt.timedelta(days=across and now >= begins)
    return dt.datetime.combine(day, ends, tzinfo=at.tzinfo)


def retry_after(tries: int) -> dt.timedelta | None:
    """
    How long after so many tries that failed it is tried again; None: never.

    Examples
    --------
    >>> retry_after(1), retry_after(9)
    (datetime.timedelta(seconds=60), None)
    """
    return dt.timedelta(minutes=RETRIES_MIN[tries - 1]) if tries <= len(RETRIES_MIN) else None


def dialled(text: str, region: str) -> str:
    """
    The first whole telephone number of a field as a gateway dials it; empty where there is none.

    Examples
    --------
    >>> dialled("(312) 555-0147 or 555-0148", "US"), dialled("555-0142", "US")
    ('+13125550147', '')
    """
    for found in phonenumbers.PhoneNumberMatcher(text, region, leniency=phonenumbers.Leniency.POSSIBLE):
        known = phonenumbers.is_possible_number_with_reason(found.number)
        if known == phonenumbers.ValidationResult.IS_POSSIBLE:
            return str(phonenumbers.format_number(found.number, phonenumbers.PhoneNumberFormat.E164))
    return ""
