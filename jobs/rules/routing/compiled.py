"""`njit` where numba is installed; without it the same functions run as plain (slow) Python."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

try:
    import numba

    HAS_NUMBA = True
except ImportError:  # pragma: no cover - the optional accelerator is not there
    HAS_NUMBA = False


def compiled(function: Callable[..., Any]) -> Callable[..., Any]:
    """Compiled on first use, kept on disk, and free of the interpreter lock while it runs."""
    if not HAS_NUMBA:
        return function
    return numba.njit(cache=True, nogil=True, boundscheck=False, error_model="numpy")(function)  # type: ignore[no-any-return]


def inlined(function: Callable[..., Any]) -> Callable[..., Any]:
    """The same for small functions of inner loops: written into their callers."""
    if not HAS_NUMBA:
        return function
    return numba.njit(inline="always", boundscheck=False, error_model="numpy")(function)  # type: ignore[no-any-return]
