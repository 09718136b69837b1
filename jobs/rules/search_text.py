"""What of a customer and a site is found, and what a typed line asks for: words, short forms, telephone numbers."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Sequence
from difflib import SequenceMatcher
from typing import Final

import phonenumbers

_ALIKE: Final = (
    "street st str", "saint st", "avenue ave av", "road rd", "lane ln", "drive dr", "court ct", "place pl",
    "square sq", "boulevard blvd", "highway hwy", "parkway pkwy pky", "terrace ter terr", "circle cir", "trail trl",
    "turnpike tpke", "expressway expy", "crescent cres", "close cl", "gardens gdns", "heights hts", "mount mt",
    "mountain mtn", "point pt", "ridge rdg", "crossing xing", "alley aly", "center centre ctr", "apartment apt",
    "building bldg", "suite ste", "floor fl", "north n", "south s", "east e", "west w", "northeast ne",
    "northwest nw", "southeast se", "southwest sw", "first 1st", "second 2nd", "third 3rd", "fourth 4th",
    "fifth 5th", "sixth 6th", "seventh 7th", "eighth 8th", "ninth 9th", "tenth 10th",
)  # fmt: skip
SHORT_FORMS: Final = {word: tuple(g for g in _ALIKE if word in g.split()) for line in _ALIKE for word in line.split()}
"""By a street's word in any of its forms, the groups of forms it may stand for."""

CONTACT: Final = "|"
"""Between what everybody may find a site by and the customer's telephone numbers and e-mail."""
MOST_WORDS: Final = 8
"""Words of a line that are read."""
LEAST_DIGITS: Final = 4
"""Digits from which on a number is looked for inside others: the last four of a telephone number."""
LEAST_LETTERS: Final = 4
"""Letters from which on typing mistakes are forgiven."""
ALIKE: Final = 0.7
"""How alike two words are at the least, of 1, for one to stand for the other mistyped."""
_PHONE: Final = re.compile(r"\+?\(?\d[\d\s().+/-]{4,}\d")

Asked = list[tuple[str, ...]]
"""Every one must stand in the text, in one of its spellings."""


def words(text: str) -> list[str]:
    """
    The words of a text, lower case, without accents and apostrophes.

    Examples
    --------
    >>> words("Zoë O'Brien, 12-B Kiln St.")
    ['zoe', 'obrien', '12', 'b', 'kiln', 'st']
    """
    folded = unicodedata.normalize("NFKD", text.casefold())
    plain = "".join(letter for letter in folded if not unicodedata.combining(letter))
    return re.findall(r"[^\W_]+", re.sub(r"['’`]", "", plain))


def phones(text: str, region: str) -> list[str]:
    """
    The telephone numbers in a field as digits, with the country's in front where they are whole.

    Parameters
    ----------
    region
        Two letters of the country whose numbers are written without its own, such as US.

    Examples
    --------
    >>> phones("(312) 555-0147 or +44 20 7946 0018", "US"), phones("555-0147 ext. 3", "US")
    (['13125550147', '442079460018'], ['5550147'])
    """
    found = phonenumbers.PhoneNumberMatcher(text, region, leniency=phonenumbers.Leniency.POSSIBLE)
    return [_digits(match.number) for match in found] or [
        digits for run in _PHONE.findall(text) if len(digits := re.sub(r"\D", "", run)) >= LEAST_DIGITS
    ]


def _digits(number: phonenumbers.PhoneNumber) -> str:
    own = phonenumbers.national_significant_number(number)
    is_whole = phonenumbers.is_possible_number_with_reason(number) == phonenumbers.ValidationResult.IS_POSSIBLE
    return f"{number.country_code}{own}" if is_whole else own


def search_text(named: Iterable[str], contact: Iterable[str], numbers: Iterable[str], region: str) -> str:
    """
    The line a customer's site is found in; every word has a space before and after it.

    Parameters
    ----------
    named
        Names and address; a street's words stand in every usual form.
    contact
        E-mail.
    numbers
        Telephone numbers as they were typed.

    Examples
    --------
    >>> search_text(["Ann Lee", "12 Kiln Ave"], ["ann@example.org"], ["312 555 0147"], "US")
    ' ann lee 12 kiln ave avenue av | ann example org 13125550147 '
    """
    found = list(dict.fromkeys(form for text in named for word in words(text) for form in _forms(word)))
    reached = [word for text in contact for word in words(text)]
    reached += [number for text in numbers if text for number in phones(text, region)]
    return f" {' '.join([*found, CONTACT, *dict.fromkeys(reached)])} "


def _forms(word: str) -> list[str]:
    return [word, *(form for group in SHORT_FORMS.get(word, ()) for form in group.split() if form != word)]


def name_words(text: str) -> set[str]:
    """The words of a search text that a mistyped one may have meant."""
    return {word for word in text.split() if word.isalpha() and len(word) >= LEAST_LETTERS}


def readings(text: str, region: str) -> list[Asked]:
    """
    What a typed line may ask for, the likeliest reading first: with telephone numbers in it, then word by word.

    Examples
    --------
    >>> readings("lee (312) 555-0147", "US")[0]
    [('13125550147', '3125550147', ' 5550147 '), (' lee',)]
    >>> readings("12 Kiln", "US")
    [[(' 12',), (' kiln',)]]
    """
    plain: Asked = _word_by_word(text)
    runs = [run for run in _PHONE.findall(text) if len(re.sub(r"\D", "", run)) >= 7]
    if not runs:
        return [plain] if plain else []
    rest = text
    asked: Asked = []
    for run in runs:
        rest = rest.replace(run, " ")
        for digits in phones(run, region):
            # without the country's code it may be another country's; some are kept by their last seven alone
            asked.append(tuple(dict.fromkeys([digits, re.sub(r"\D", "", run), f" {digits[-7:]} "])))
    asked += _word_by_word(rest)
    return [asked, plain]


def _word_by_word(text: str) -> Asked:
    return [(_spelling(word),) for word in words(text)[:MOST_WORDS]]


def _spelling(word: str) -> str:
    if word.isdigit() and len(word) >= LEAST_DIGITS:
        return word
    return f" {word}" if len(word) > 1 else f" {word} "


def is_met(text: str, asked: Asked) -> bool:
    """Whether every asked word stands in the text."""
    return all(any(spelling in text for spelling in spellings) for spellings in asked)


def most_alike(word: str, known: Iterable[str], most: int = 8) -> list[str]:
    """
    The known words that a mistyped one may have meant, the likest first.

    Examples
    --------
    >>> most_alike("elery", ["ellery", "emery", "hale"])
    ['ellery', 'emery']
    """
    likeness = {other: SequenceMatcher(None, word, other).ratio() for other in known}
    return sorted((one for one in likeness if likeness[one] >= ALIKE), key=lambda one: (-likeness[one], one))[:most]


def trigrams(word: str) -> list[str]:
    """
    The threes of letters of a word with two spaces before it and one after.

    Examples
    --------
    >>> trigrams("lee")
    ['  l', ' le', 'lee', 'ee ']
    """
    padded = f"  {word} "
    return [padded[at : at + 3] for at in range(len(padded) - 2)]


def number_spellings(text: str, prefix: str) -> Sequence[str]:
    """
    How the number in a typed line may be kept.

    Examples
    --------
    >>> number_spellings("#1042", "J"), number_spellings("b 7", "B")
    (['#1042', '1042', 'J-1042'], ['b 7', 'B7', 'B-7', 'B-0007'])
    """
    tidy = "".join(text.upper().split()).lstrip("#")
    found = [text.strip(), tidy]
    if parted := re.fullmatch(r"([A-Z]*)-?(\d+)", tidy):
        letters, digits = parted.groups()
        found += [f"{letters or prefix}-{digits}", f"{letters or prefix}-{digits:0>4}"]
    return list(dict.fromkeys(found))
