"""
Days, clocks, sums and lengths in the language that is active: on pages and in messages that customers read.

English says them as every page of the firm does; other languages as Babel has them.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from contextlib import contextmanager
from decimal import Decimal
from typing import Final

from babel.dates import format_date, format_time
from babel.numbers import format_currency, format_decimal
from django.utils import translation
from django.utils.translation import gettext, pgettext

from shared.errors import Refused
from shared.formats import dates
from shared.formats.money import cents, money_text
from shared.lengths import Length, LengthUnit

PEOPLES: Final = {"es": "es", "fr": "fr-ca"}
"""The language that somebody is kept with, as Django and the catalogs call it."""
LOCALES: Final = {"es": "es_US", "fr-ca": "fr_CA"}
"""The same as Babel calls it: Spanish as it is written in the United States, French as in Canada."""
DAYS: Final = {"es": "EEEE d 'de' MMMM", "fr-ca": "EEEE d MMMM"}


@contextmanager
def in_language(key: str) -> Iterator[None]:
    """Within it, what is said is said in a person's language; that of the pages where none is kept."""
    with translation.override(PEOPLES.get(key, "en-us")):
        yield


def _locale() -> str:
    return LOCALES.get(translation.get_language() or "", "")


def _plain(text: str) -> str:
    """Without the spaces that some fonts lack, and the full stops that would end a sentence twice."""
    return text.replace("\u202f", "\u00a0").replace("a.m.", "am").replace("p.m.", "pm")


def said_day(day: dt.date | None) -> str:
    """
    A day of the weeks around now.

    >>> with in_language("fr"):
    ...     said_day(dt.date(2027, 4, 5))
    'lundi 5 avril'
    """
    if day is None or not (locale := _locale()):
        return dates.long_day(day)
    return format_date(day, DAYS[translation.get_language() or ""], locale=locale)


def said_date(day: dt.date | None) -> str:
    """
    A day kept for years.

    >>> with in_language("es"):
    ...     said_date(dt.date(2027, 4, 5))
    '5 de abril de 2027'
    """
    if day is None or not (locale := _locale()):
        return dates.month_day_year(day)
    return format_date(day, "long", locale=locale)


def said_clock(when: dt.time | dt.datetime) -> str:
    """
    A time of day as it stands; an instant is to be on the branch's clocks already.

    >>> with in_language("fr"):
    ...     said_clock(dt.time(13, 5))
    '13 h 05'
    """
    if not (locale := _locale()):
        return dates.clock(when)
    stands = when.time() if isinstance(when, dt.datetime) else when
    return _plain(format_time(stands.replace(tzinfo=None), "short", locale=locale))


def said_clocks(begin: dt.time | dt.datetime, end: dt.time | dt.datetime) -> str:
    r"""
    A stretch of a day.

    >>> with in_language("es"):
    ...     said_clocks(dt.time(8), dt.time(17))
    'de 8:00\xa0am a 5:00\xa0pm'
    """
    return gettext("%(begin)s to %(end)s") % {"begin": said_clock(begin), "end": said_clock(end)}


def said_money(value: Decimal | None, currency: str) -> str:
    r"""
    A sum in a currency, by its three letters.

    >>> with in_language("fr"):
    ...     said_money(Decimal("1204.5"), "USD")
    '1\xa0204,50\xa0$\xa0US'
    """
    if value is None:
        return ""
    if not (locale := _locale()):
        return money_text(value, currency)
    return _plain(format_currency(cents(value), currency, locale=locale)).replace("-", "\u2212")


def said_length(value: Length, unit: LengthUnit) -> str:
    """
    A length with its unit; fractions stay fractions.

    >>> with in_language("fr"):
    ...     said_length(Length.inches("283/8"), LengthUnit.INCH), said_length(Length.mm("1809/2"), LengthUnit.MM)
    ('35 3/8 po', '904,5 mm')
    """
    text = value.text(unit)
    if (locale := _locale()) and "." in text:
        text = format_decimal(Decimal(text), locale=locale, group_separator=False)
    inches = pgettext("inches", "in")
    return f"{text} {inches if unit == LengthUnit.INCH else 'mm'}"


def said_refusal(refusal: Refused) -> str:
    """
    What was refused, as a sentence of its own; what no catalog says asks to call, rather than to read English.

    >>> with in_language("es"):
    ...     said_refusal(Refused("the crew is on its way"))
    'Eso no se puede hacer aquí. Por favor, llámenos.'
    """
    text = refusal.problem
    if _locale() and (said := gettext(text)) != text:
        text = said
    elif _locale():
        text = gettext("That can't be done here. Please call us.")
    text = text[:1].upper() + text[1:]
    return text if text.endswith((".", "!", "?")) else f"{text}."
