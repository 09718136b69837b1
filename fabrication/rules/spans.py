"""Supports along a length: how many, and where."""

from __future__ import annotations

from math import ceil

from shared.lengths import SIXTEENTH, Length


def span_count(length: Length, end: Length, span: Length) -> int:
    """
    Supports no more than `span` apart with the outer ones `end` from the ends; at least two.

    ceil((length − 2 × end) / span) + 1.

    Examples
    --------
    >>> span_count(Length.inches(36), Length.inches(5), Length.inches(22))
    3
    """
    return max(ceil((length - end * 2).ratio(span)), 1) + 1


def evenly_spaced(length: Length, end: Length, span: Length, grid: Length = SIXTEENTH) -> tuple[Length, ...]:
    """
    Places of those supports from the left end, on the grid, mirrored from both ends.

    On a piece too short for two `end` distances they stand at a quarter from each end.

    Examples
    --------
    >>> [str(place) for place in evenly_spaced(Length.inches(36), Length.inches(5), Length.inches(22))]
    ['5 in', '18 in', '31 in']
    """
    if length < end * 4:
        end = min(end, Length(length.ticks // 4).down(grid))
    number = span_count(length, end, span)
    inner = length - end * 2
    places = [end + Length(inner.ticks * turn // (number - 1)).down(grid) for turn in range((number + 1) // 2)]
    mirrored = [length - place for place in reversed(places[: number // 2])]
    return tuple(places + mirrored)
