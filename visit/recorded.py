"""Recorded sweeps from Touchstone files, as if they had just come from an analyzer.

Owns: reading two-port files through scikit-rf and saying in one line what is wrong with one. Refuses: other file kinds.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from protocol.errors import RequestError
from visit.record import StoredSweep

LARGEST_BYTES = 50_000_000
"""A recorded sweep takes some hundred kilobytes; a larger file is some other thing."""


def read_recorded(paths: Sequence[Path]) -> list[StoredSweep]:
    """Read the files in the given order. Raises RequestError naming the file that can't be used."""
    return [_read(path, number) for number, path in enumerate(paths)]


def _read(path: Path, number: int) -> StoredSweep:
    from skrf import Network  # noqa: PLC0415 - scikit-rf loads only where files are read

    try:
        if path.stat().st_size > LARGEST_BYTES:
            raise RequestError(
                f"{path}: larger than {LARGEST_BYTES} bytes, so not a recorded sweep; give the right file"
            )
        network = Network(str(path))
        matrix, frequency = np.asarray(network.s, np.complex128), np.asarray(network.f, np.float64)
    except OSError as error:
        raise RequestError(f"{path}: {error.strerror or error}; check the name of the file") from None
    except RequestError:
        raise
    except Exception as error:
        raise RequestError(
            f"{path}: not readable as Touchstone ({type(error).__name__}: {error}); give a .s2p file"
        ) from None
    if matrix.shape[1:] != (2, 2):
        raise RequestError(f"{path}: has {matrix.shape[1]} port(s), a hook-up needs 2; give a .s2p file")
    if frequency.size < 33 or not (np.isfinite(matrix).all() and (np.diff(frequency) > 0).all()):
        raise RequestError(f"{path}: needs 33 points or more, rising in frequency, all finite; record the sweep again")
    return StoredSweep(number + 1, frequency, matrix[:, 0, 0].copy(), matrix[:, 1, 0].copy(), 0.0, 0.0)
