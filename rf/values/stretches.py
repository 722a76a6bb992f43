"""Unbroken runs of True among flags.

Owns: their ends. Refuses: to join runs or to choose among them.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray


def stretches(flags: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Index ranges [first, last) of the unbroken runs of True in `flags` (K,), in their order."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], flags, [False])).astype(np.int8)))
    return [(int(first), int(last)) for first, last in zip(edges[::2], edges[1::2], strict=True)]
