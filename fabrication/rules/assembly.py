"""Which steps of assembly are asked of a unit."""

from __future__ import annotations

from collections.abc import Collection


def is_asked(text: str, control: str, controls: Collection[str]) -> bool:
    """
    Whether a step is for a unit with this control; one that begins with controls is for those alone.

    Parameters
    ----------
    control
        The unit's own.
    controls
        All that the firm's products have, by key.

    Examples
    --------
    >>> is_asked("chain: tension device packed", "spring", {"chain", "spring"})
    False
    >>> is_asked("raised twice: level at the top", "spring", {"chain", "spring"})
    True
    """
    head, colon, _ = text.partition(":")
    named = {one.strip() for one in head.split(",")}
    return not colon or not named <= set(controls) or control in named
