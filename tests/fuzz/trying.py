"""One document tried on its engine: what came of it, and what should not have."""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

from fabrication.rules.cutting.process import answer as cut_answer
from fabrication.rules.cutting.reading import read_request
from jobs.rules.routing.command import answer as route_answer
from measuring.management.commands.size import size_answers
from shared.contracts import ContractError
from tests.fuzz.documents import document

SPARE_S = 2.0
"""How much longer than asked an engine may take."""


@dataclass(frozen=True, slots=True)
class Tried:
    """What became of a document: ``answer`` or ``refusal``, or what went wrong."""

    engine: str
    seed: int
    became: str
    seconds: float
    wrong: str = ""


def _cut(text: str) -> Any:
    began = time.monotonic()
    return cut_answer(read_request(text), began)


def _size(text: str) -> Any:
    return list(size_answers(text))


ENGINES: dict[str, Callable[[str], Any]] = {"cut": _cut, "route": route_answer, "size": _size}


def tried(engine: str, seed: int) -> Tried:
    """The document of this seed in this process."""
    text = document(engine, seed)
    began, worked = time.monotonic(), time.process_time()
    try:
        said, became = ENGINES[engine](text), "answer"
    except ContractError as error:
        said, became = error.as_json(), "refusal"
    except Exception as error:
        return Tried(engine, seed, "traceback", time.monotonic() - began, f"{type(error).__name__}: {error}")
    took = min(time.monotonic() - began, time.process_time() - worked)  # others may have had the machine
    wrong = "; ".join(_wrongs(text, said, became, took))
    return Tried(engine, seed, became, took, wrong)


def _wrongs(text: str, said: Any, became: str, took: float) -> Iterator[str]:
    json.dumps(said, ensure_ascii=False).encode()
    if became == "refusal" and not (said["error"]["field"] and said["error"]["problem"]):
        yield f"an error that names nothing: {said}"
    if became == "answer" and took > _asked(text) + SPARE_S:
        yield f"late: {took:.1f} s"


def _asked(text: str) -> float:
    return float(json.loads(text).get("seconds", 10))
