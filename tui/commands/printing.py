"""What commands print: data on stdout, words for people on stderr. Every line leaves through here and is harmless.

Owns: both streams. Refuses: to know what a line says. Untrusted words (names, notes, identities, file names) may
stand in any line, so each is made harmless here and not where it is put together.
"""

from __future__ import annotations

import contextlib
import io
import os
import sys
from collections.abc import Iterable
from typing import TextIO

from protocol.errors import MachineError
from protocol.files.harmless import harmless


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


def plain_streams() -> None:
    """A letter that the terminal's alphabet does not have becomes `?` instead of a fault."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")
