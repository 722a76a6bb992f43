"""What commands print: data on stdout, words for people on stderr. Every line leaves through here and is harmless.

Owns: both streams. Refuses: to know what a line says. Untrusted words (names, notes, identities, file names) may
stand in any line, so each is made harmless here and not where it is put together.
"""

from __future__ import annotations

import contextlib
import io
import os
import sys
import time
from collections.abc import Iterable
from typing import TextIO

from protocol.errors import MachineError
from protocol.files.harmless import harmless

LARGE_BYTES = 30_000_000
"""Takes more than a second to be checked and read."""
BAR_EVERY_S, LINE_EVERY_S = 0.3, 5.0


def data(lines: Iterable[object]) -> bool:
    """Lines of data on stdout; False when whoever read them has closed it (`| head`), which is no fault. Raises
    MachineError when it can't take them: its disk is full."""
    return all(_out(harmless(line)) for line in lines)


def row(*cells: object) -> bool:
    """One line of cells parted by tabs on stdout; as `data`."""
    return _out("\t".join(harmless(cell) for cell in cells))


def _out(line: str) -> bool:
    try:
        print(line, flush=True)  # noqa: T201 - data
    except BrokenPipeError:
        nothing_more(sys.stdout)
        return False
    except OSError as error:
        nothing_more(sys.stdout)
        raise MachineError(output_words(error)) from None
    return True


def output_words(error: OSError) -> str:
    """One line for an output that takes nothing more."""
    return f"the output takes no more ({error.strerror}): make room, or send it elsewhere; what was measured is kept"


def nothing_more(stream: TextIO) -> None:
    """Let go of a stream that takes nothing: what it still holds must not fail again when the program ends."""
    with contextlib.suppress(OSError, ValueError):
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, stream.fileno())
        os.close(nowhere)


def say(line: object) -> None:
    """A line for people."""
    show(harmless(line) + "\n")


def show(text: str) -> None:
    """Our own text for people, as it is; a terminal that is gone must not end what is being measured."""
    with contextlib.suppress(OSError):
        print(text, end="", file=sys.stderr, flush=True)  # noqa: T201 - for people


COPIED = "copied"
"""What is told of a copy, which has pages and not sweeps."""


class Bar:
    """How far a long reading is, on stderr: a bar on a terminal, otherwise a line now and then. Short ones say
    nothing. A file so large that it will take a while is named at once."""

    def __init__(self, name: object) -> None:
        self._name, self._began = harmless(name, 200), time.monotonic()
        self._told = self._began
        self._drawn = False
        self._terminal = sys.stderr is not None and sys.stderr.isatty()

    def __enter__(self) -> Bar:
        return self

    def __exit__(self, *_: object) -> None:
        self.clear()

    def tell(self, what: str, done: int, of: int) -> None:
        """So much of it is done."""
        now = time.monotonic()
        if done == 0 and of >= LARGE_BYTES:
            say(f"deepnotch: {what} {self._name}, {of / 1e6:.0f} MB")
        elif of > 0 and done > 0 and now - self._told > (BAR_EVERY_S if self._terminal else LINE_EVERY_S):
            self._told = now
            count = f"{done} of {of} pages" if what == COPIED else f"{what}, {done} of {of} sweeps"
            if self._terminal:
                filled = round(30 * done / of)
                show(f"\r[{'#' * filled}{'.' * (30 - filled)}] {count} ")
                self._drawn = True
            else:
                say(count)

    def clear(self) -> None:
        """Take the bar away."""
        if self._drawn:
            show("\r" + " " * 75 + "\r")
            self._drawn = False


def plain_streams() -> None:
    """A letter that the terminal's alphabet does not have becomes `?` instead of a fault."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")
