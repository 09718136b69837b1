"""The conditions that a phone is used in: its screen, whether there is signal, how slow its line is, and itself."""

from __future__ import annotations

import asyncio
import os
import threading
from dataclasses import dataclass, replace
from itertools import product
from typing import Any
from urllib.parse import urlsplit

import pytest

SCREENS = [(360, 616), (390, 664), (664, 390)]
"""What is left of a screen under the browser's own bars: two phones upright, and one on its side."""

BYTES_A_S = 50_000
ONE_WAY_S = 0.2
"""Slow 3G: 400 kbit/s each way, 400 ms there and back."""


@dataclass(frozen=True)
class Condition:
    """One of them; what takes ``slower`` 4 times as long is the page's own thread."""

    screen: tuple[int, int] = (390, 844)
    has_signal: bool = True
    is_slow: bool = False
    slower: int = 1

    def __str__(self) -> str:
        signal, line = "signal" if self.has_signal else "none", "3g" if self.is_slow else "fast"
        return f"{self.screen[0]}x{self.screen[1]}-{signal}-{line}-cpu{self.slower}"


EVERY = [Condition(*one) for one in product(SCREENS, (True, False), (False, True), (1, 4))]
PAIRS = [
    Condition(SCREENS[0], True, False, 1), Condition(SCREENS[0], False, True, 4),
    Condition(SCREENS[1], True, False, 4), Condition(SCREENS[1], False, True, 1),
    Condition(SCREENS[2], True, True, 1), Condition(SCREENS[2], False, False, 4),
]  # fmt: skip
"""Of every two of the four, each answer of one with each of the other."""


def under(*rows: int, signal: bool | None = None) -> Any:
    """
    The test runs under these rows of `PAIRS`; under all there are with ``JAMBWISE_FIELD=all``, as the bench does.

    With `signal`, the test itself is about having it or not.
    """
    chosen = EVERY if os.environ.get("JAMBWISE_FIELD") == "all" else [PAIRS[row] for row in rows]
    if signal is not None:
        chosen = list(dict.fromkeys(replace(one, has_signal=signal) for one in chosen))
    return pytest.mark.parametrize("condition", chosen, indirect=True, ids=str)


class Line:
    """A proxy of a browser: what goes over it can be slow, or nothing gets through."""

    def __init__(self) -> None:
        self.is_slow = self.is_cut = False
        self._free = {"up": 0.0, "down": 0.0}
        self._open: set[asyncio.StreamWriter] = set()
        self._loop = asyncio.new_event_loop()
        self._over = asyncio.Event()
        listens = threading.Event()
        self._thread = threading.Thread(target=self._loop.run_until_complete, args=[self._listen(listens)], daemon=True)
        self._thread.start()
        listens.wait()

    async def _listen(self, listens: threading.Event) -> None:
        server = await asyncio.start_server(self._serve, "127.0.0.1", 0)
        self.address = f"127.0.0.1:{server.sockets[0].getsockname()[1]}"
        listens.set()
        await self._over.wait()
        server.close()
        passing = asyncio.all_tasks() - {asyncio.current_task()}
        for task in passing:
            task.cancel()
        await asyncio.gather(*passing, return_exceptions=True)

    def cut(self) -> None:
        """From now on nothing gets through; what is under way is gone."""
        self.is_cut = True
        self._loop.call_soon_threadsafe(lambda: [writer.transport.abort() for writer in self._open])

    def stop(self) -> None:
        self._loop.call_soon_threadsafe(self._over.set)
        self._thread.join()
        self._loop.close()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """One connection of the browser: its first line names the site that all of it goes to."""
        self._open.add(writer)
        try:
            head = await reader.readuntil(b"\r\n")
            to = urlsplit(head.split()[1].decode())
            if self.is_cut or to.hostname != "localhost":
                return
            there, out = await asyncio.open_connection("127.0.0.1", to.port)
            self._open.add(out)
            try:
                await self._pass(head, out, "up", 0.0)
                await asyncio.gather(self._pipe(reader, out, "up"), self._pipe(there, writer, "down"))
            finally:
                self._open.discard(out)
                out.close()
        except (OSError, asyncio.IncompleteReadError, asyncio.CancelledError):
            pass
        finally:
            self._open.discard(writer)
            writer.close()

    async def _pipe(self, source: asyncio.StreamReader, sink: asyncio.StreamWriter, way: str) -> None:
        last = 0.0
        while chunk := await source.read(4096):
            last = await self._pass(chunk, sink, way, last)
        sink.close()

    async def _pass(self, chunk: bytes, sink: asyncio.StreamWriter, way: str, last: float) -> float:
        """Hand a piece on when a slow line has it there, after those before it; when that was."""
        if self.is_slow:
            now = self._loop.time()
            begins = now + ONE_WAY_S if now - last > 0.05 else now  # one more piece of the same answer
            self._free[way] = max(self._free[way], begins) + len(chunk) / BYTES_A_S
            await asyncio.sleep(self._free[way] - now)
        sink.write(chunk)
        await sink.drain()
        return self._loop.time()
