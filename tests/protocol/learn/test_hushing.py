"""A console that sends sweeps from power-on is stopped by a word of its own list, where it takes lines."""

from __future__ import annotations

import asyncio
from typing import cast

import pytest

from protocol.learn.words.hushing import hushed, listed_to_stop
from protocol.learn.words.opening import hinted
from protocol.learn.words.talk import Talk

FLOW = b"".join(b"%d 0.%d -1.5\r\n" % (at, at) for at in range(5))
LIST = b"> halt   end the data\r\n> lo X   lower end\r\n> drop   stops all and forgets\r\n> save   keeps it\r\n"


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("> halt   end the data", ["halt"]),
        ("pause .... pauses the stream", ["pause"]),
        ("SILENCE - stops printing", ["SILENCE"]),
        ("stop   stop sweep frequency in kHz", []),
        ("stop f   stops the sweep there", []),
        ("erase   stops the data", []),
        ("hold   stops sweeping, resets all", []),
        ("hold   the last trace", []),
    ],
)
def test_a_list_names_the_word_that_stops_what_comes_by_itself(line: str, words: list[str]) -> None:
    assert listed_to_stop([line]) == words


class _Flowing:
    """A console that sends without end; `keys` are answered without a line end."""

    def __init__(self, *, keys: bool = False) -> None:
        self.keys, self.quiet, self.sent = keys, False, list[bytes]()
        self.out_end = b"\r"

    def permit(self, *words: str) -> None:
        """Nothing is refused here."""

    async def listen(self, _seconds: float) -> bytes:
        return b"" if self.quiet else FLOW

    async def raw(self, data: bytes, _first_s: float, _longest_s: float) -> bytes:
        self.sent.append(data)
        line = data.strip(b"\r\n")
        self.quiet = self.quiet or line == b"halt"
        if line == b"?":
            return FLOW + LIST + FLOW
        if self.keys or data.endswith(b"\r"):
            return FLOW + b"> eh\r\n" + FLOW
        return FLOW


def test_it_is_asked_for_its_list_among_the_data_and_stopped_by_it() -> None:
    console = _Flowing()
    assert asyncio.run(hushed(cast("Talk", console), (b"\r",), hinted)) == "halt"


def test_where_a_sign_acts_without_a_line_end_no_word_is_sent() -> None:
    console = _Flowing(keys=True)
    assert asyncio.run(hushed(cast("Talk", console), (b"\r",), hinted)) == ""
    assert all(sent.strip(b"\r") in (b"", b"*") for sent in console.sent)
