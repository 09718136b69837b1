"""`njit` where numba is installed; where it is not, the compiled search is not on offer."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

try:
    import numba
except ImportError:  # pragma: no cover - the optional accelerator is not there
    numba = None  # type: ignore[assignment]  # the module or nothing


def compiled(function: Callable[..., object]) -> Callable[..., Any]:
    """Compiled on first use, kept on disk, and free of the interpreter lock while it runs."""
    if numba is None:
        return function
    return numba.njit(cache=True, nogil=True, error_model="numpy")(function)


def inlined(function: Callable[..., object]) -> Callable[..., Any]:
    """The same for small functions of inner loops: written into their callers."""
    if numba is None:
        return function
    return numba.njit(forceinline=True, nogil=True, error_model="numpy")(function)
