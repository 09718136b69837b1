"""A finding: something about an opening to be said, checked or settled, in the table's words."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from measuring.rules.families import TABLE

NOTE: Final = "note"
CHECK: Final = "check"
STOP: Final = "stop"
SEVERITIES: Final = (NOTE, CHECK, STOP)
_MESSAGES: Final[Mapping[str, Mapping[str, str]]] = TABLE["messages"]


@dataclass(frozen=True, slots=True)
class Finding:
    """Something about an opening to be said, checked or settled."""

    code: str
    severity: str
    field: str
    text: str
    todo: str
    more: Mapping[str, Any] = dataclasses.field(default_factory=dict)

    def to_json(self) -> dict[str, object]:
        """The contract's finding, and `todo`: what to do about it."""
        out = {"code": self.code, "severity": self.severity, "field": self.field}
        return {**out, **self.more, "text": self.text, "todo": self.todo}

    def for_shape(self, shape: str) -> Finding:
        """The same; without the outside mount where the opening is covered inside only."""
        if shape not in TABLE["inside_only"]["shapes"]:
            return self
        todo = self.todo
        for words in TABLE["inside_only"]["left_out"]:
            todo = todo.replace(words, "")
        return dataclasses.replace(self, todo=todo)


def finding(code: str, at: str, **words: object) -> Finding:
    """A finding in the table's words."""
    row = _MESSAGES[code]
    return Finding(
        code=code,
        severity=row["severity"],
        field=at,
        text=row["text"].format(**words),
        todo=row["todo"].format(**words),
    )
