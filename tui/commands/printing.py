"""What commands print: data on stdout, words for people on stderr. Every line leaves through here and is harmless.

Owns: both streams. Refuses: to know what a line says. Untrusted words (names, notes, identities, file names) may
stand in any line, so each is made harmless here and not where it is put together.
"""

from __future__ import annotations

import contextlib
import io
import sys
from collections.abc import Iterable

from protocol.files.harmless import harmless


def data(lines: Iterable[object]) -> None:
    """Lines of data on stdout."""
    for line in lines:
        print(harmless(line), flush=True)  # noqa: T201 - data


def row(*cells: object) -> None:
    """One line of cells parted by tabs on stdout."""
    print("\t".join(harmless(cell) for cell in cells), flush=True)  # noqa: T201 - data


def say(line: object) -> None:
    """A line for people."""
    show(harmless(line) + "\n")


def show(text: str) -> None:
    """Our own text for people, as it is; a terminal that is gone must not end what is being measured."""
    with contextlib.suppress(OSError):
        print(text, end="", file=sys.stderr, flush=True)  # noqa: T201 - for people


def plain_streams() -> None:
    """A letter that the terminal's alphabet does not have becomes `?` instead of a fault."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")
