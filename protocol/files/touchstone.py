"""Touchstone files from anybody: numbers in, through scikit-rf, and nothing else of the file is looked at.

Owns: the door to scikit-rf's reader. Its `Network` would first try to unpickle a file (and run what somebody wrote),
its port names come from patterns that take for ever on a comment made for it, and it believes the number of ports in a
file's name: so the text is read and thinned here, and only the parser gets it. Refuses: other file kinds, comments,
noise parameters.
"""

from __future__ import annotations

import io
import re
import warnings
from itertools import pairwise
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from protocol.errors import RequestError
from protocol.files.harmless import harmless
from protocol.files.small_files import read_bytes

LARGEST_BYTES = 50_000_000
"""A recorded sweep takes some hundred kilobytes; a larger file is some other thing."""
KEYWORDS = (
    "[version]", "[number of ports]", "[two-port data order]", "[number of frequencies]", "[reference]",
    "[matrix format]", "[network data]", "[end]", "[begin information]", "[end information]",
)  # fmt: skip
"""Keywords of version 2 that a sweep of one or two ports has use for; the others are dropped with their line."""
_PORTS = re.compile(r"\[number of ports\]\s*([0-9]{1,4})\s*", re.IGNORECASE)
_LINE_END = re.compile(r"\r\n|\r|\n")
_NAME = re.compile(r"\.s([0-9]{1,4})p", re.IGNORECASE)


def read_touchstone(path: Path, what: str, *ports: int) -> tuple[NDArray[np.float64], NDArray[np.complex128]]:
    """Frequency (K,) in hertz, rising, and S (K, n, n), n one of `ports`, all finite. `what` names the kind of the
    file, with its article. Raises RequestError naming the file."""
    return parse_touchstone(read_bytes(path, LARGEST_BYTES, what), path, what, *ports)


def parse_touchstone(
    data: bytes, path: Path, what: str, *ports: int
) -> tuple[NDArray[np.float64], NDArray[np.complex128]]:
    """The same from the bytes of a file; `path` only names it (its ending tells the ports of version 1)."""
    ending = _NAME.fullmatch(path.suffix)
    lines = _thinned(data)
    told = [int(match[1]) for match in map(_PORTS.fullmatch, lines) if match] or ([int(ending[1])] if ending else [])
    give = f"give a .s{ports[0]}p file"
    if not told:
        raise RequestError(f"{path}: not readable as Touchstone (by its name it is none); {give}")
    count = told[-1]
    if not set(told) <= set(ports):
        wanted = " or ".join(map(str, ports))
        raise RequestError(f"{path}: has {count} port(s), {what} has {wanted}; {give}")
    from skrf.io.touchstone import Touchstone  # noqa: PLC0415 - scikit-rf loads only where files are read

    text = io.StringIO("\n".join(_rising(lines, count)) + "\n")
    text.name = f"sweep.s{count}p"  # scikit-rf takes the number of ports from it
    try:
        with warnings.catch_warnings(), np.errstate(all="ignore"):
            warnings.simplefilter("ignore")  # numbers that overflow are told below
            reader = Touchstone(text)
            s, frequency = np.asarray(reader.s, np.complex128), np.asarray(reader.f, np.float64)
    except Exception as error:
        why = harmless(f"{type(error).__name__}: {error}", 120)
        raise RequestError(f"{path}: not readable as Touchstone ({why}); {give}") from None
    if not frequency.size or s.shape != (frequency.size, count, count):
        raise RequestError(f"{path}: the numbers do not fill their points; record the sweep again")
    if not (np.isfinite(s).all() and np.isfinite(frequency).all() and (np.diff(frequency) > 0).all()):
        raise RequestError(f"{path}: must be rising in frequency, all numbers finite; record the sweep again")
    return frequency, s


def _rising(lines: list[str], ports: int) -> list[str]:
    """The lines with those of the data turned round where every one of them is a whole point and the frequencies fall:
    an analyzer that sweeps downwards, which scikit-rf takes for noise parameters behind the first point."""
    data = [line for line in lines if line[0] not in "#["]
    try:
        points = [[float(word) for word in line.split()] for line in data]
    except ValueError:
        return lines
    whole = len(points) > 1 and all(len(point) == 1 + 2 * ports**2 for point in points)
    if not whole or not all(first[0] > second[0] for first, second in pairwise(points)):
        return lines
    turned = iter(reversed(data))
    return [line if line[0] in "#[" else next(turned) for line in lines]


def _thinned(data: bytes) -> list[str]:
    """Lines without comments and without keywords of no use; a byte that is no text can only stand in a comment."""
    kept = []
    for line in _LINE_END.split(data.decode("latin-1").removeprefix("\xef\xbb\xbf")):
        text = line.partition("!")[0].strip()
        if text and (text[0] != "[" or text.lower().startswith(KEYWORDS)):
            kept.append(text)
    return kept
