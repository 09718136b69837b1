"""
Code 128 for labels that a bar-code wedge must read; phones read the QR code beside it.

Short codes themselves, with their check symbol, are in `shared.codes`.
"""

from __future__ import annotations

from typing import Final

STARTS: Final = {"A": 103, "B": 104, "C": 105}
STOP: Final = 106
QUIET_MODULES: Final = 10
"""Light modules on each side (ISO/IEC 15417; from memory)."""

_TABLE: Final = (
    "212222 222122 222221 121223 121322 131222 122213 122312 132212 221213 221312 231212 112232 122132 122231 "
    "113222 123122 123221 223211 221132 221231 213212 223112 312131 311222 321122 321221 312212 322112 322211 "
    "212123 212321 232121 111323 131123 131321 112313 132113 132311 211313 231113 231311 112133 112331 132131 "
    "113123 113321 133121 313121 211331 231131 213113 213311 213131 311123 311321 331121 312113 312311 332111 "
    "314111 221411 431111 111224 111422 121124 121421 141122 141221 112214 112412 122114 122411 142112 142211 "
    "241211 221114 413111 241112 134111 111242 121142 121241 114212 124112 124211 411212 421112 421211 212141 "
    "214121 412121 111143 111341 131141 114113 114311 411113 411311 113141 114131 311141 411131 211412 211214 "
    "211232 2331112"
)
WIDTHS: Final = tuple(_TABLE.split())
"""Bars and spaces of each symbol in modules, by value; the last is the stop."""


def check_value(values: list[int]) -> int:
    """
    The check symbol: (start + Σ place × value) modulo 103, places from 1.

    Parameters
    ----------
    values
        The start symbol's value, then those of the data.

    Examples
    --------
    >>> check_value(code128_values("PJJ123C", code_set="A")[:-2])
    54
    """
    start, *data = values
    return (start + sum(place * value for place, value in enumerate(data, 1))) % 103


def code128_values(text: str, *, code_set: str = "") -> list[int]:
    """
    Symbol values of a text, from start to stop, check symbol included.

    Parameters
    ----------
    text
        Printable ASCII; set A has no lower case, set C is pairs of digits.
    code_set
        ``A``, ``B`` or ``C``; left out: C for an even number of digits, else B.

    Raises
    ------
    ValueError
        For a character the set does not have, naming it.

    Examples
    --------
    >>> code128_values("1234")
    [105, 12, 34, 82, 106]
    """
    if not text:
        raise ValueError("nothing to encode")
    is_pairs = text.isascii() and text.isdigit() and len(text) % 2 == 0
    chosen = code_set or ("C" if is_pairs else "B")
    if chosen == "C":
        if not is_pairs:
            raise ValueError(f"{text!r} is no even number of digits, as set C needs")
        data = [int(text[place : place + 2]) for place in range(0, len(text), 2)]
    else:
        highest = "_" if chosen == "A" else "~"
        for char in text:
            if not " " <= char <= highest:
                raise ValueError(f"{char!r} is not in set {chosen} (space to {highest!r})")
        data = [ord(char) - 32 for char in text]
    values = [STARTS[chosen], *data]
    return [*values, check_value(values), STOP]


def code128_modules(text: str, *, code_set: str = "") -> str:
    """
    Dark and light modules as ``1`` and ``0``, without the quiet zones.

    Examples
    --------
    >>> code128_modules("1234")[:11]
    '11010011100'
    """
    bars = []
    for value in code128_values(text, code_set=code_set):
        for place, width in enumerate(WIDTHS[value]):
            bars.append(("1" if place % 2 == 0 else "0") * int(width))
    return "".join(bars)
