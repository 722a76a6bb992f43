"""Tells S11 from S21 where an analyzer's traces have no such names.

Owns: the rule. Refuses: to decide where what hangs on the leads is not known: then the order is an assumption, and is
said to be one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

REFLECTS = 0.5
"""Open leads reflect nearly all; raw bridges lose and gain some of it."""
PASSES = 0.2
"""What gets from one open lead to the other is small against that."""


@dataclass(frozen=True, slots=True)
class Order:
    """`turned`: the second trace is S11. `assumed`: nothing showed which is which. `why` is the evidence."""

    turned: bool
    assumed: bool
    why: str


def order_of(first: NDArray[np.complex128], second: NDArray[np.complex128], *, open_leads: bool) -> Order:
    """Which of two traces is S11, each of shape (points,). `open_leads`: nothing is connected to the leads."""
    sizes = [float(np.median(np.abs(trace))) for trace in (first, second)]
    levels = " and ".join(f"{20 * np.log10(max(size, 1e-9)):.0f}" for size in sizes)
    if open_leads:
        for turned, (reflected, passed) in ((False, sizes), (True, sizes[::-1])):
            if reflected > REFLECTS and passed < PASSES * reflected:
                which = "second" if turned else "first"
                return Order(turned, False, f"with open leads they were {levels} dB: the {which} reflects nearly all")
    return Order(False, True, f"assumed: taken in their order; they were {levels} dB")
