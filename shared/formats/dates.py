"""Days and times of day as people read them; everything that shows one asks here."""

from __future__ import annotations

import datetime as dt


def short_day(day: dt.date | None) -> str:
    """
    A day of the weeks around now.

    >>> short_day(dt.date(2027, 4, 5))
    'Mon 5 Apr'
    """
    return f"{day:%a} {day.day} {day:%b}" if day else ""


def long_day(day: dt.date | None) -> str:
    """
    The same in whole words.

    >>> long_day(dt.date(2027, 4, 5))
    'Monday 5 April'
    """
    return f"{day:%A} {day.day} {day:%B}" if day else ""


def month_day(day: dt.date | None) -> str:
    """
    A day whose weekday says nothing.

    >>> month_day(dt.date(2027, 4, 5))
    '5 Apr'
    """
    return f"{day.day} {day:%b}" if day else ""


def short_day_year(day: dt.date | None) -> str:
    """
    A day that may lie far off.

    >>> short_day_year(dt.date(2027, 4, 5))
    'Mon 5 Apr 2027'
    """
    return f"{short_day(day)} {day.year}" if day else ""


def long_day_year(day: dt.date | None) -> str:
    """
    As a heading.

    >>> long_day_year(dt.date(2027, 4, 5))
    'Monday 5 April 2027'
    """
    return f"{long_day(day)} {day.year}" if day else ""


def month_day_year(day: dt.date | None) -> str:
    """
    A day kept for years.

    >>> month_day_year(dt.date(2027, 4, 5))
    '5 Apr 2027'
    """
    return f"{month_day(day)} {day.year}" if day else ""


def month_year(day: dt.date) -> str:
    """
    Over a month.

    >>> month_year(dt.date(2027, 4, 5))
    'April 2027'
    """
    return f"{day:%B} {day.year}"


def short_weekday(day: dt.date) -> str:
    """
    Over a column of weeks.

    >>> short_weekday(dt.date(2027, 4, 5))
    'Mon'
    """
    return f"{day:%a}"


def weekday(day: dt.date) -> str:
    """
    >>> weekday(dt.date(2027, 4, 5))
    'Monday'
    """
    return f"{day:%A}"


def weekday_day(day: dt.date | None) -> str:
    """
    Over a column of a week.

    >>> weekday_day(dt.date(2027, 4, 5))
    'Mon 5'
    """
    return f"{day:%a} {day.day}" if day else ""


def hour(when: dt.time | dt.datetime) -> str:
    """
    On an axis.

    >>> hour(dt.time(13)), hour(dt.time(0))
    ('1 pm', '12 am')
    """
    return f"{when.hour % 12 or 12} {'am' if when.hour < 12 else 'pm'}"


def clock(when: dt.time | dt.datetime | None) -> str:
    """
    A time of day as it stands; an instant is to be on the branch's clocks already.

    >>> clock(dt.time(8, 30)), clock(dt.time(12, 5)), clock(dt.time(0, 15))
    ('8:30 am', '12:05 pm', '12:15 am')
    """
    return f"{when.hour % 12 or 12}:{when.minute:02d} {'am' if when.hour < 12 else 'pm'}" if when else ""


def hands(when: dt.time | dt.datetime) -> str:
    """
    A time of day beside an axis that says before or after noon.

    >>> hands(dt.time(13, 5))
    '1:05'
    """
    return f"{when.hour % 12 or 12}:{when.minute:02d}"


def clocks(begin: dt.time | dt.datetime, end: dt.time | dt.datetime) -> str:
    """
    A stretch of a day.

    >>> clocks(dt.time(8), dt.time(17))
    '8:00 am to 5:00 pm'
    """
    return f"{clock(begin)} to {clock(end)}"
