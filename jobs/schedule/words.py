"""Words about appointments: windows, the confirmation's text, what is asked ahead."""

from __future__ import annotations

import datetime as dt
from typing import Final

from django.utils.translation import gettext, gettext_noop

from jobs.models import Appointment, CustomerLink, Job, MessageKind, MessageWords, Purpose, ReadinessAnswer, ServiceCall
from jobs.rules.message_languages import LANGUAGES
from jobs.rules.messages import LEAVING_MIN, SORTS, Words, fill
from jobs.schedule.day import lunch_min
from shared.formats import dates
from shared.formats.dates import long_day
from shared.formats.durations import minutes_text
from shared.formats.spoken import in_language, said_clock, said_clocks, said_day, said_money
from shared.models import Branch


def clock(when: dt.datetime, tz: dt.tzinfo) -> str:
    """A time of day: ``8:30 am``."""
    return dates.clock(when.astimezone(tz))


def window_text(row: Appointment) -> str:
    """The promised (or reserved) window, else the planned start; empty when it stands nowhere."""
    tz = row.job.branch.tz
    times, start = promised_times(row), row.promised_from if row.promised_until else row.starts_at
    if start is None:
        return ""
    return f"{long_day(start.astimezone(tz).date())}, {times or 'about ' + clock(start, tz)}"


def promised_times(row: Appointment) -> str:
    """The promised (or reserved) window's edges: ``8:00 am to 10:00 am``; empty when there is none."""
    tz = row.job.branch.tz
    if row.promised_from is None or row.promised_until is None:
        return ""
    return dates.clocks(row.promised_from.astimezone(tz), row.promised_until.astimezone(tz))


def promise_text(row: Appointment) -> str:
    """
    The promised window beside the day the visit stands on: ``8:00 am to 10:00 am``; empty when none is.

    It names its own day where that is another, since the visit was moved and the customer knows it not.
    """
    if row.promised_from is None:
        return ""
    day = row.promised_from.astimezone(row.job.branch.tz).date()
    return promised_times(row) if row.day in {None, day} else window_text(row)


def window_word(row: Appointment) -> str:
    """What its window is as yet: held for the customer, or promised to them."""
    return "held for" if row.state == Appointment.State.RESERVED else "promised"


def state_text(row: Appointment, outcome: str) -> str:
    """The state in one line, and what became of it once it is done: ``done: in part``."""
    return f"{row.get_state_display()}: {outcome}" if outcome else row.get_state_display()


WHAT = {
    "measure": gettext_noop("measure your windows"),
    "check_measure": gettext_noop("measure your windows again"),
    "install": gettext_noop("install your window coverings"),
    "return": gettext_noop("finish the work on your window coverings"),
    "take_down": gettext_noop("take down the old window coverings"),
    "delivery": gettext_noop("deliver your window coverings"),
    "service": gettext_noop("look at your window coverings and repair them"),
}
"""By its purpose, what we come for; said in another language by `what_text`."""


def what_text(row: Appointment) -> str:
    """What we come for, in the language that is active."""
    return gettext(WHAT[row.purpose])


def said_window(row: Appointment) -> str:
    """`window_text` in the language that is active."""
    tz = row.job.branch.tz
    start = row.promised_from if row.promised_until else row.starts_at
    if start is None:
        return ""
    start = start.astimezone(tz)
    if row.promised_from is None or row.promised_until is None:
        times = gettext("about %(time)s") % {"time": said_clock(start)}
    else:
        times = said_clocks(row.promised_from.astimezone(tz), row.promised_until.astimezone(tz))
    return f"{said_day(start.date())}, {times}"


def copy_text(row: Appointment) -> str:
    """
    A confirmation to copy into a message, or that it is called off; no key, no code, no other customer.

    Empty when the visit stands nowhere, while its window is only held, and when it is done: nobody is coming then.
    """
    if not window_text(row) or row.state in {Appointment.State.RESERVED, Appointment.State.DONE}:
        return ""
    is_off = row.state == Appointment.State.CANCELLED
    if row.promised_from is None and not is_off:
        return ""  # a time nobody promised is no news for the customer
    return written(MessageKind.CANCELLATION if is_off else MessageKind.CONFIRMATION, row.job, row).body


def words_of(branch: Branch, kind: str, language: str = "") -> MessageWords:
    """A branch's words of a message in a language: its own, or the starting ones (not saved)."""
    start = LANGUAGES[language].words[kind] if language else SORTS[kind].words
    own = MessageWords.objects.filter(branch=branch, kind=kind, language=language).first()
    return own or MessageWords(
        branch=branch, kind=kind, language=language, subject=start.subject, body=start.body, short=start.short
    )


def written(
    kind: str,
    job: Job,
    row: Appointment | None = None,
    *,
    expected: dt.datetime | None = None,
) -> Words:
    """What a message about this job, or this visit of it, says, in the customer's language; no key, no code."""
    words = words_of(job.branch, kind, job.customer.language)
    blanks = blanks_of(job, row, expected, job.customer.language)
    if row is not None and kind in SAYS_CHARGE:
        with in_language(job.customer.language):
            blanks["what"] = _plain(charged_text(row))
    return Words(*(fill(text, blanks) for text in (words.subject, words.body, words.short)))


def blanks_of(
    job: Job, row: Appointment | None, expected: dt.datetime | None = None, language: str = ""
) -> dict[str, str]:
    """What stands in the blanks of a message in a language."""
    branch = job.branch
    found = {
        "customer": job.customer.name,
        "address": job.site.address,
        "number": job.number,
        "contact": f"{branch.name}{', ' + branch.phone if branch.phone else ''}",
        "link": CustomerLink.of(job).address,
    }
    with in_language(language):
        if row is not None:
            found |= {"what": what_text(row), "window": said_window(row), "stay": stay_text(row)}
        if expected is not None:
            found["expected"] = expected_text(expected, branch.tz)
    return {name: _plain(text) for name, text in found.items()}


def _plain(text: str) -> str:
    """With ordinary spaces: a text message counts the others thrice."""
    return text.replace("\u00a0", " ")


SAYS_CHARGE: Final = (MessageKind.CONFIRMATION, MessageKind.CHANGE, MessageKind.REMINDER)
"""The messages that say what coming costs, where that was agreed."""


def charged_text(row: Appointment) -> str:
    """What we come for, and the trip charge of a service call, in the language that is active."""
    call = ServiceCall.objects.filter(appointment=row).first() if row.purpose == Purpose.SERVICE else None
    if call is None or call.trip_charge is None:
        return what_text(row)
    charge = said_money(call.trip_charge, row.job.branch.currency)
    return gettext("%(what)s (trip charge %(charge)s)") % {"what": what_text(row), "charge": charge}


def expected_text(expected: dt.datetime, tz: dt.tzinfo) -> str:
    """When a crew under way is expected, in the language that is active: ``between 9:05 am and 9:25 am``."""
    begin, end = (said_clock(at.astimezone(tz)) for at in (expected, expected + dt.timedelta(minutes=LEAVING_MIN)))
    return gettext("between %(begin)s and %(end)s") % {"begin": begin, "end": end}


def late_text(row: Appointment, expected: dt.datetime | None, *, is_off_today: bool = False) -> str:
    """What to tell a customer whose window will be missed; to ask for another day where nobody comes on this one."""
    if expected is None:
        return ""
    tz = row.job.branch.tz
    news = f"we are running late and expect to be with you about {clock(expected, tz)}. Does that still suit you?"
    if is_off_today:
        news = "we are sorry, we can't be with you today any more. Which other day suits you?"
    ours = f"{row.job.branch.name}{', ' + row.job.branch.phone if row.job.branch.phone else ''}"
    return f"{row.job.customer.name}: {news} Job {row.job.number}, {ours}."


def told_minutes(minutes: int, safe: int | None) -> int:
    """How long a customer is told that it takes: what 85 of 100 such visits keep, up to the next quarter hour."""
    return -(-(safe or minutes) // 15) * 15


def stay_text(row: Appointment) -> str:
    """The same in words; with the crew's lunch where a long visit stands around it."""
    return minutes_text(told_minutes(row.duration_min, row.duration_safe_min) + lunch_min(row))


def readiness_text(row: Appointment) -> str:
    """What to ask the customer some days ahead."""
    questions = [f"- {label}" for _, label in ReadinessAnswer.Question.choices]
    return "\n".join(
        [
            f"{row.job.customer.name}: we'll {WHAT[row.purpose]} on {window_text(row) or 'a day to be set'}.",
            "Please tell us whether, by then, these are so:",
            *questions,
            f"Job {row.job.number}, {row.job.site.address}. {row.job.branch.name}"
            f"{', ' + row.job.branch.phone if row.job.branch.phone else ''}.",
        ]
    )
