"""One level read from a receiver over SCPI: one question, one number.

Owns: which questions may be asked, and the number of the answer. Refuses: everything but a plain question, so that
nothing is set, switched on or reset (queries end in a question mark, IEEE 488.2; READ? and FETCh? are measurement
instructions of SCPI-1999, volume 2, section 3).
"""

from __future__ import annotations

import math
import re

from protocol.errors import AnalyzerError, RequestError
from protocol.files.harmless import harmless
from protocol.wire.link import SerialLink

QUESTION = re.compile(r"[:*]?[A-Za-z]+[0-9]*(:[A-Za-z]+[0-9]*)*\?( [0-9]{1,3})?")
LONGEST_S, GAP_S = 20.0, 1.0
MOST_BYTES = 200


def check_question(question: str) -> None:
    """Raises RequestError for a line that is no plain question."""
    if len(question) > 60 or not QUESTION.fullmatch(question):
        raise RequestError(
            f"{harmless(question, 60)!r} is no plain question; one such as READ? or FETCh? is asked, and nothing else"
        )


async def read_level(port: str, question: str) -> float:
    """Ask the receiver at a port; its answer in dBm as it is set. Raises RequestError, AnalyzerError."""
    check_question(question)
    link = await SerialLink.open(port)
    try:
        await link.send(question.encode() + b"\n")
        came = b""
        while b"\n" not in came and len(came) < MOST_BYTES:
            try:
                came += await link.receive(LONGEST_S if not came else GAP_S)
            except TimeoutError:
                break
    finally:
        await link.close()
    return _number(port, question, came)


def _number(port: str, question: str, came: bytes) -> float:
    if not came:
        raise AnalyzerError(f"{port}: no answer to {question} within {LONGEST_S:.0f} s; type the level instead")
    line = next(
        (part for part in came.decode("ascii", "replace").split("\n") if part.strip() not in ("", question)), ""
    )
    try:
        value = float(line.split(",")[0])
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise AnalyzerError(f"{port}: {harmless(line, 60)!r} is no level; type the level instead")
    return value
