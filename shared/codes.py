"""
Short codes for labels: read aloud, typed with gloves, checked before they are looked up.

31 symbols (no I, L, O, 0, 1, so nothing looks like another) and a check symbol: since 31
is prime and the weights differ, every single wrong symbol and every swap of two is caught.
"""

from __future__ import annotations

import secrets
from typing import Final

from django.utils.crypto import salted_hmac

ALPHABET: Final = "23456789ABCDEFGHJKMNPQRSTUVWXYZ"
BODY: Final = 6


def check_symbol(body: str) -> str:
    """
    The symbol that closes a code: the weighted sum of the body's places, modulo 31.

    Examples
    --------
    >>> check_symbol("234567")
    'S'
    """
    total = sum(weight * ALPHABET.index(symbol) for weight, symbol in enumerate(body, 2))
    return ALPHABET[total % len(ALPHABET)]


def new_code() -> str:
    """A fresh code of seven symbols; some 887 million differ, so ask the table before use."""
    body = "".join(secrets.choice(ALPHABET) for _ in range(BODY))
    return body + check_symbol(body)


def read_code(typed: str) -> str | None:
    """
    The code somebody typed, tidied; None where its check symbol does not fit.

    Examples
    --------
    >>> read_code(" 234-567 s ")
    '234567S'
    >>> read_code("243567S") is None
    True
    """
    code = "".join(typed.upper().replace("-", " ").split())
    if len(code) != BODY + 1 or any(symbol not in ALPHABET for symbol in code):
        return None
    return code if check_symbol(code[:-1]) == code[-1] else None


def read_package_code(typed: str) -> tuple[str, int | None] | None:
    """
    The code of a unit and which of its packages, as a package's label has it: the code, a dash and a number.

    Examples
    --------
    >>> read_package_code("234567S-2"), read_package_code("234-567 s"), read_package_code("234567T-2")
    (('234567S', 2), ('234567S', None), None)
    """
    if (code := read_code(typed)) is not None:
        return code, None
    before, _, number = typed.strip().rpartition("-")
    code = read_code(before)
    return (code, int(number)) if code is not None and number.isdecimal() and len(number) <= 2 else None


# -- codes that open something -------------------------------------------------------

SECRET_GROUPS: Final = 3


def new_secret_code() -> str:
    """A one-time code of three groups of four symbols: 59 random bits, typed or read aloud."""
    return "-".join("".join(secrets.choice(ALPHABET) for _ in range(4)) for _ in range(SECRET_GROUPS))


def secret_hash(typed: str) -> str:
    """
    What is kept of a secret code, however it was typed; without the site's secret key it tells nothing.

    Examples
    --------
    >>> secret_hash("abcd efgh-jkmn") == secret_hash("ABCD-EFGH-JKMN")        # doctest: +SKIP
    True
    """
    plain = "".join(typed.upper().replace("-", " ").split())
    return salted_hmac("shared.codes", plain, algorithm="sha256").hexdigest()
