"""Recorded sweeps from Touchstone files, as if they had just come from an analyzer.

Owns: which of a file's numbers are a sweep, and saying in one line what is wrong with one. Refuses: other file kinds.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from protocol.errors import RequestError
from protocol.files.touchstone import read_touchstone
from visit.record.visit_file import StoredSweep

FEWEST_POINTS = 33


def read_recorded(paths: Sequence[Path]) -> list[StoredSweep]:
    """Read the files in the given order. Raises RequestError naming the file that can't be used."""
    return [_read(path, number) for number, path in enumerate(paths)]


def _read(path: Path, number: int) -> StoredSweep:
    frequency, s = read_touchstone(path, "a recorded sweep", 2)
    if frequency.size < FEWEST_POINTS:
        raise RequestError(f"{path}: needs {FEWEST_POINTS} points or more; record the sweep again")
    return StoredSweep(number + 1, frequency, s[:, 0, 0].copy(), s[:, 1, 0].copy(), 0.0, 0.0)
