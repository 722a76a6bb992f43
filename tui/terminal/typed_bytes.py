"""From the bytes that a terminal sends to keys: whatever is typed, pasted or made by noise on the line.

Owns: decoding, one parser and its replacement when it is confused. Refuses: to fail. Bytes that are no UTF-8 become
U+FFFD, a sequence that the parser cannot take is dropped, a paste that never ends is given up, one that is too long is
passed over to its end. So much text in one piece as nobody types is a paste without marks: its letters are no keys.
"""

from __future__ import annotations

import codecs
from collections.abc import Iterable

from textual._xterm_parser import XTermParser
from textual.events import Paste
from textual.message import Message

PASTE_BEGINS, PASTE_ENDS = "\x1b[200~", "\x1b[201~"
PASTE_PAUSE_S = 2.0
"""A paste arrives in one go: after such a pause its end will not come any more (its beginning was noise)."""
MARK_PAUSE_S = 1.0
"""A mark that has begun is waited for so long outside a paste."""
LEAST_OF_A_MARK = 3
"""Outside a paste an escape, and an escape with a bracket, may be keys."""
LONGEST_PASTE = 100_000
"""Letters; a site file is a page of text."""
LEAST_BURST, LEAST_UNLIKE = 64, 8
"""Letters that come at once, and how many of them differ: neither a held key nor what a stalled line had kept back."""
BURST_PAUSE_S = 0.3
"""The rest of it comes within that time."""


class TypedBytes:
    """Bytes in, messages out. Times are seconds of one clock that only goes forward."""

    def __init__(self) -> None:
        self._decode = codecs.getincrementaldecoder("utf-8")("replace").decode
        self._parser = XTermParser()
        self._held = ""
        """What may be the beginning of a paste's mark: it goes to the parser whole, or a slow line would break it."""
        self._tail = ""
        """The last letters that the parser was given: a mark may lie across two pieces all the same."""
        self._pasting = 0
        """Letters since a paste began; 0: none is under way."""
        self._heard_s = 0.0
        self._burst_s = float("-inf")
        """When the last piece of a paste without marks came."""
        self._passing = False
        """The rest of a paste that was too long."""
        self.dropped = 0
        """How often the parser was replaced."""

    def feed(self, data: bytes, now_s: float, *, final: bool = False) -> list[Message]:
        """What these bytes mean."""
        text = self._decode(data, final)
        if not text:
            return []
        self._heard_s = now_s
        if self._passing:
            text = self._behind_the_end(text)
        text = self._held + text
        if burst := self._burst(text, now_s):
            return burst
        pasting = self._is_pasting_after(self._tail + text)
        held = _mark_begun(text, 1 if pasting else LEAST_OF_A_MARK)
        self._held = text[len(text) - held :]
        return self._given(text[: len(text) - held])

    def tick(self, now_s: float) -> list[Message]:
        """Time goes by: an escape that nothing follows is a key; a paste that does not go on is none."""
        messages: list[Message] = []
        if now_s > self._heard_s + PASTE_PAUSE_S:
            self._passing = False
        if self._pasting and now_s > self._heard_s + PASTE_PAUSE_S:
            self._anew()
        elif self._held and not self._pasting and now_s > self._heard_s + MARK_PAUSE_S:
            text, self._held = self._held, ""
            messages = self._given(text)
        return messages + self._taken(self._parser.tick())

    def _behind_the_end(self, text: str) -> str:
        """What comes behind the mark with which a paste ends; its beginning may have come before."""
        whole = self._tail + text
        self._tail = whole[-(len(PASTE_ENDS) - 1) :]
        if PASTE_ENDS not in whole:
            return ""
        self._passing, self._tail = False, ""
        return whole.partition(PASTE_ENDS)[2]

    def _burst(self, text: str, now_s: float) -> list[Message]:
        """What this means as a piece of a paste that has no marks; empty where it is none. Enter by itself behind one
        is a key: it takes the line. So is that of a line that was sent whole."""
        if not text or self._pasting or "\x1b" in text:
            return []
        goes_on = now_s < self._burst_s + BURST_PAUSE_S and text != "\r"
        if not goes_on and (len(text) < LEAST_BURST or len(set(text)) < LEAST_UNLIKE):
            return []
        self._burst_s, self._held = now_s, ""
        line = text.removesuffix("\r")
        if goes_on or "\r" in line or "\n" in line:
            return [Paste(text)]
        return [Paste(line), *self._given(text[len(line) :])]

    def _is_pasting_after(self, text: str) -> bool:
        begun, ended = text.rfind(PASTE_BEGINS), text.rfind(PASTE_ENDS)
        return begun > ended or (bool(self._pasting) and ended < 0)

    def _given(self, text: str) -> list[Message]:
        if not text:
            return []
        seen = self._tail + text
        self._tail = seen[-(len(PASTE_BEGINS) - 1) :]
        self._pasting = self._pasting + len(text) if self._is_pasting_after(seen) else 0
        messages = self._taken(self._parser.feed(text))
        if self._pasting > LONGEST_PASTE:
            self._anew()
            self._passing = True
        return messages

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
        self._parser, self._pasting, self._held, self._tail = XTermParser(), 0, "", ""
        self.dropped += 1


def _mark_begun(text: str, least: int) -> int:
    """Letters at the end of a text with which a paste's mark may begin; 0: none, or fewer than `least`."""
    for length in range(len(PASTE_BEGINS) - 1, least - 1, -1):
        if text.endswith((PASTE_BEGINS[:length], PASTE_ENDS[:length])):
            return length
    return 0
