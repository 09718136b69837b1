"""
Demo data: each app registers a loader in ``AppConfig.ready``; the command calls them, lowest first.

A loader gets the `Demo` and adds rows through services, or in bulk where there are many.
What it made for the loaders after it goes into ``demo.made`` under a name of its own.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass, field
from random import Random
from typing import Any, Final

PASSWORD: Final = "measure twice"
"""Of every demo account, and printed by ``./run demo``: never give it to a real person."""


@dataclass(slots=True)
class Demo:
    """What a loader works with. The same seed and day give the same data."""

    jobs: int
    seed: int
    today: dt.date
    random: Random
    made: dict[str, Any] = field(default_factory=dict)
    say: Callable[[str], None] = print


ZONE: Final = "America/Chicago"
"""The demo firm's time zone: its "today" is the day there."""

Loader = Callable[[Demo], None]
_loaders: list[tuple[int, Loader]] = []


def add(loader: Loader, *, position: int) -> None:
    """Register a loader; lower positions run first (jobs 10, measuring 20, fabrication 30, installs 40)."""
    if (position, loader) not in _loaders:
        _loaders.append((position, loader))
        _loaders.sort(key=lambda one: one[0])


def load(*, jobs: int, seed: int, today: dt.date, say: Callable[[str], None] = print) -> Demo:
    """Run every loader."""
    demo = Demo(jobs=jobs, seed=seed, today=today, random=Random(seed), say=say)
    for _, loader in _loaders:
        loader(demo)
    return demo
