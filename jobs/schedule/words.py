"""Words about appointments: windows, the confirmation's text, what is asked ahead."""

from __future__ import annotations

import datetime as dt

from jobs.models import Appointment, CustomerLink, Job, MessageKind, MessageWords, ReadinessAnswer
from jobs.rules.message_languages import LANGUAGES, Language
from jobs.rules.messages import LEAVING_MIN, SORTS, Words, fill
from shared.formats import dates
from shared.formats.dates import long_day
from shared.formats.durations import minutes_text
from shared.models import Branch


def clock(when: dt.datetime, tz: dt.tzinfo) -> str:
    """A time of day: ``8:30 am``."""
    return dates.clock(when.astimezone(tz))


def window_text(row: Appointment, language: Language | None = None) -> str:
    """The promised (or reserved) window, else the planned start; empty when it stands nowhere."""
    tz = row.job.branch.tz
    times, start = promised_times(row), row.promised_from if row.promised_until else row.starts_at
    if start is None:
        return ""
    if language is not None:
        end = clock(row.promised_until, tz) if times and row.promised_until is not None else ""
        return language.window(start.astimezone(tz).date(), clock(start, tz), end)
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
    "measure": "measure your windows",
    "check_measure": "measure your windows again",
    "install": "install your window coverings",
    "return": "finish the work on your window coverings",
    "take_down": "take down the old window coverings",
    "delivery": "deliver your window coverings",
    "service": "look at your window coverings and repair them",
}


def copy_text(row: Appointment) -> str:
    """
    A confirmation to copy into a message, or that it is called off; no key, no code, no other customer.

    Empty when the visit stands nowhere, while its window is only held, and when it is done: nobody is coming then.
    """
    if not window_text(row) or row.state in {Appointment.State.RESERVED, Appointment.State.DONE}:
        return ""
    is_off = row.state == Appointment.State.CANCELLED
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
    return Words(*(fill(text, blanks) for text in (words.subject, words.body, words.short)))


def blanks_of(
    job: Job, row: Appointment | None, expected: dt.datetime | None = None, language: str = ""
) -> dict[str, str]:
    """What stands in the blanks of a message in a language."""
    branch, own = job.branch, LANGUAGES.get(language)
    found = {
        "customer": job.customer.name,
        "address": job.site.address,
        "number": job.number,
        "contact": f"{branch.name}{', ' + branch.phone if branch.phone else ''}",
        "link": CustomerLink.of(job).address,
    }
    if row is not None:
        what = own.what if own is not None else WHAT
        found |= {"what": what[row.purpose], "window": window_text(row, own), "stay": stay_text(row)}
    if expected is not None:
        found["expected"] = expected_text(expected, branch.tz, own)
    return found


def expected_text(expected: dt.datetime, tz: dt.tzinfo, language: Language | None = None) -> str:
    """When a crew under way is expected: ``between 9:05 am and 9:25 am``."""
    if language is not None:
        return language.arrival(clock(expected, tz), clock(expected + dt.timedelta(minutes=LEAVING_MIN), tz))
    return f"between {clock(expected, tz)} and {clock(expected + dt.timedelta(minutes=LEAVING_MIN), tz)}"


def late_text(row: Appointment, expected: dt.datetime | None) -> str:
    """What to tell a customer whose window will be missed."""
    if expected is None:
        return ""
    tz = row.job.branch.tz
    return (
        f"{row.job.customer.name}: we are running late and expect to be with you about {clock(expected, tz)}. "
        f"Does that still suit you? Job {row.job.number}, {row.job.branch.name}"
        f"{', ' + row.job.branch.phone if row.job.branch.phone else ''}."
    )


def stay_text(row: Appointment) -> str:
    """What a customer is told of how long it takes: what 85 of 100 such visits keep, up to the next quarter hour."""
    return minutes_text(-(-(row.duration_safe_min or row.duration_min) // 15) * 15)


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
