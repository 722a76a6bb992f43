"""From the bytes that a terminal sends to keys: whatever is typed, pasted or made by noise on the line.

Owns: decoding, one parser and its replacement when it is confused. Refuses: to fail. Bytes that are no UTF-8 become
U+FFFD, a sequence that the parser cannot take is dropped, a paste that never ends is given up.
"""

from __future__ import annotations

import codecs
from collections.abc import Iterable

from textual._xterm_parser import XTermParser
from textual.message import Message

PASTE_BEGINS, PASTE_ENDS = "\x1b[200~", "\x1b[201~"
PASTE_PAUSE_S = 2.0
"""A paste arrives in one go: after such a pause its end will not come any more (its beginning was noise)."""
LONGEST_PASTE = 100_000
"""Letters; a site file is a page of text."""


class TypedBytes:
    """Bytes in, messages out. Times are seconds of one clock that only goes forward."""

    def __init__(self) -> None:
        self._decode = codecs.getincrementaldecoder("utf-8")("replace").decode
        self._parser = XTermParser()
        self._tail = ""
        self._pasting = 0
        """Letters since a paste began; 0: none is under way."""
        self._heard_s = 0.0
        self.dropped = 0
        """How often the parser was replaced."""

    def feed(self, data: bytes, now_s: float, *, final: bool = False) -> list[Message]:
        """What these bytes mean."""
        text = self._decode(data, final)
        if not text:
            return []
        self._heard_s = now_s
        seen = self._tail + text
        self._tail = seen[-(len(PASTE_BEGINS) - 1) :]
        begun, ended = seen.rfind(PASTE_BEGINS), seen.rfind(PASTE_ENDS)
        if begun > ended:
            self._pasting = len(seen) - begun
        elif ended >= 0:
            self._pasting = 0
        elif self._pasting:
            self._pasting += len(text)
        messages = self._taken(self._parser.feed(text))
        if self._pasting > LONGEST_PASTE:
            self._anew()
        return messages

    def tick(self, now_s: float) -> list[Message]:
        """Time goes by: an escape that nothing follows is a key; a paste that does not go on is none."""
        if self._pasting and now_s > self._heard_s + PASTE_PAUSE_S:
            self._anew()
        return self._taken(self._parser.tick())

    def end(self) -> list[Message]:
        """No more bytes will come."""
        return self._taken(self._parser.feed(""))

    def _taken(self, messages: Iterable[Message]) -> list[Message]:
        taken: list[Message] = []
        try:
            taken.extend(messages)
        except Exception:  # a library's parser and hostile bytes: the next key must work whatever these were
            self._anew()
        return taken

    def _anew(self) -> None:
        self._parser, self._pasting, self._tail = XTermParser(), 0, ""
        self.dropped += 1
