"""What a text message from a customer asks: to stop, to go on, or anything else."""

from __future__ import annotations

import re
from typing import Final

STOP: Final = frozenset({
    "stop", "stopall", "stop all", "unsubscribe", "cancel", "end", "quit", "opt out", "optout", "revoke", "remove me",
    "alto", "parar", "baja", "arret", "arrêt", "arreter", "arrêter",
})  # fmt: skip
START: Final = frozenset({"start", "unstop", "subscribe", "iniciar", "alta", "debut", "début"})


def wish_of(text: str) -> str:
    """
    ``stop``, ``start``, or nothing: a stop word by itself, or before anything else where it is plain ``stop``.

    Examples
    --------
    >>> [wish_of(text) for text in ("STOP", "Stop!  texting me", "Can you stop at noon?", "start", "ARRÊT.")]
    ['stop', 'stop', '', 'start', 'stop']
    """
    said = " ".join(re.sub(r"[^\w\s]", " ", text.casefold()).split())
    if said in STOP or said.split(" ")[0] in {"stop", "stopall"}:
        return "stop"
    return "start" if said in START else ""
