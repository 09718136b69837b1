"""Records of the workroom: of numbers and lengths that say no bounds of their own, none is negative."""

from __future__ import annotations

from typing import ClassVar

from shared import records


class Record(records.Record):
    """`shared.records.Record` whose numbers and lengths are at least 0 unless they say so."""

    UNSAID: ClassVar[records.Within | None] = records.Within(0)
