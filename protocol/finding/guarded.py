"""The one gate for bytes to an analyzer of which little is known: a link that sends only lines that a rule allows.

Owns: the parting of bytes into lines, the refusal. Refuses: to know the rule; it is given. Whatever is sent while
learning, searching or trying a profile goes through a link of this kind, so no path around the rule exists.
"""

from __future__ import annotations

import re
from collections.abc import Callable

from protocol.wire.link import Link, Patience

LINE_ENDS = re.compile(rb"[\r\n]")


class UnsafeError(Exception):
    """A bug of the caller: it wanted to send a line that the rule forbids. Nothing of it was sent."""


class GuardedLink:
    """A `Link` that refuses whole sendings with a forbidden line in them."""

    def __init__(self, link: Link, allowed: Callable[[str], bool]) -> None:
        self._link, self._allowed = link, allowed
        self._open_line = b""

    @property
    def name(self) -> str:
        """The port's name."""
        return self._link.name

    def _check(self, data: bytes) -> None:
        lines = LINE_ENDS.split(self._open_line + data)
        for raw in lines:
            line = raw.decode("latin-1")
            if not (line.isascii() and (line.isprintable() or not line)) or not self._allowed(line):
                raise UnsafeError(f"{line!r} must not be sent: it may change more than a sweep")
        self._open_line = lines[-1]  # a line may go out in two pieces

    async def send(self, data: bytes) -> None:
        """Send what the rule allows. Raises UnsafeError."""
        self._check(data)
        await self._link.send(data)

    def send_now(self, data: bytes) -> int:
        """Nothing goes without the check, which needs whole sendings."""
        return 0

    async def receive(self, timeout_s: float) -> bytes:
        """As the link below."""
        return await self._link.receive(timeout_s)

    async def feed(self, sink: Callable[[bytes], bool | Patience], patience: Patience) -> None:
        """As the link below."""
        await self._link.feed(sink, patience)

    def discard(self) -> bytes:
        """As the link below."""
        return self._link.discard()

    async def close(self) -> None:
        """As the link below."""
        await self._link.close()
