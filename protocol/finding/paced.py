"""A link that leaves silence after each line, for analyzers that are deaf for a while after a command.

Owns: the pause. Refuses: to know what the lines say.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable

from protocol.wire.link import Link, Patience


class PacedLink:
    """A `Link` that sends one line at a time, `pause_s` after the line before and after the last byte that came."""

    def __init__(self, link: Link, end: bytes, pause_s: float) -> None:
        self._link, self._end, self._pause_s = link, end, pause_s
        self._moved = 0.0

    @property
    def name(self) -> str:
        """The port's name."""
        return self._link.name

    async def send(self, data: bytes) -> None:
        """Send line by line."""
        parts = data.split(self._end)
        lines = [part + self._end for part in parts[:-1]] + ([parts[-1]] if parts[-1] else [])
        for line in lines:
            wait = self._moved + self._pause_s - time.monotonic()
            if wait > 0:
                await asyncio.sleep(wait)
            await self._link.send(line)
            self._moved = time.monotonic()

    def send_now(self, data: bytes) -> int:
        """Nothing goes without the pause."""
        return 0

    async def receive(self, timeout_s: float) -> bytes:
        """As the link below."""
        data = await self._link.receive(timeout_s)
        self._moved = time.monotonic()
        return data

    async def feed(self, sink: Callable[[bytes], bool | Patience], patience: Patience) -> None:
        """As the link below."""

        def noted(piece: bytes) -> bool | Patience:
            self._moved = time.monotonic()
            return sink(piece)

        await self._link.feed(noted, patience)

    def discard(self) -> bytes:
        """As the link below."""
        return self._link.discard()

    async def close(self) -> None:
        """As the link below."""
        await self._link.close()
