"""Recorded sweeps from Touchstone files, as if they had just come from an analyzer.

Owns: which of a file's numbers are a sweep, and saying in one line what is wrong with one. Refuses: other file kinds.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from protocol.errors import RequestError
from protocol.files.touchstone import read_touchstone
from visit.record.visit_file import StoredSweep

FEWEST_POINTS = 33
HEAD = 8
"""Samples that are compared before all are."""
SAME = 1e-5
"""Six digits, as few as a format may keep."""
LARGEST_ZERO_SHARE = 0.05


def read_recorded(paths: Sequence[Path]) -> list[StoredSweep]:
    """Read the files in the given order. Raises RequestError naming the file that can't be used: a copy of an earlier
    one among them, whatever its name and format."""
    sweeps = [_read(path, number) for number, path in enumerate(paths)]
    heads = np.array([sweep.s21[:HEAD] for sweep in sweeps])
    for number, sweep in enumerate(sweeps):
        apart = np.abs(heads[:number] - heads[number]) > SAME * np.abs(heads[number])
        for which in map(int, np.flatnonzero(~apart.any(axis=1))):
            path, other = paths[which], sweeps[which]
            if _same(sweep, other):
                raise RequestError(
                    f"{paths[number]}: the same samples as {path}: a copy of a sweep holds no new noise and lowers no"
                    " floor; give each sweep once"
                )
    return sweeps


def _same(sweep: StoredSweep, other: StoredSweep) -> bool:
    """Whether S21 is the same but for the rounding of another format: two sweeps never share their noise."""
    if sweep.s21.shape != other.s21.shape:
        return False
    return bool(np.allclose(sweep.s21, other.s21, rtol=SAME, atol=0.0))


def _read(path: Path, number: int) -> StoredSweep:
    frequency, s = read_touchstone(path, "a recorded sweep", 2)
    if frequency.size < FEWEST_POINTS:
        raise RequestError(f"{path}: needs {FEWEST_POINTS} points or more; record the sweep again")
    zeros = int((s[:, 1, 0] == 0).sum())
    if zeros > LARGEST_ZERO_SHARE * frequency.size:
        raise RequestError(
            f"{path}: S21 is exactly zero at {zeros} of {frequency.size} points: that is no measured sweep (noise is"
            " never zero); record S21 too"
        )
    return StoredSweep(number + 1, frequency, s[:, 0, 0].copy(), s[:, 1, 0].copy(), 0.0, 0.0)
