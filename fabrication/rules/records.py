"""Records of the workroom: of numbers and lengths that say no bounds of their own, none is negative."""

from __future__ import annotations

from typing import ClassVar, Final

from shared import records

NEVER_NEGATIVE: Final = records.stored_form(records.Within(0))


class Record(records.Record):
    """`shared.records.Record` whose numbers and lengths are at least 0 unless they say so."""

    FORM: ClassVar[records.Form] = NEVER_NEGATIVE
