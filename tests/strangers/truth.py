"""Owns the way into the truth: build a console by seed or name, its noise-free response, its facts."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from .console import Console
from .drawn import Drawn
from .hand import HAND
from .physics import Complex
from .wire import Wire


def names() -> list[str]:
    """The hand-written consoles."""
    return list(HAND)


def build(which: int | str, wire: Wire | None = None) -> Console:
    """Console number `which`, or the hand-written one of that name."""
    if isinstance(which, int) or str(which).isdigit():
        return Drawn(int(which), wire)
    return HAND[str(which)](wire)


def response(which: int | str, bench: str, freqs_hz: npt.ArrayLike) -> tuple[Complex, Complex]:
    """S11 and S21 without noise."""
    return build(which).world.response(bench, np.asarray(freqs_hz, dtype=np.float64))


def facts(which: int | str) -> dict[str, Any]:
    """Dimensions, words, units, limits, learnability."""
    return build(which).facts()


def recipe(which: int | str, start: float, stop: float, points: int, trace: str) -> list[str]:
    """Strings to send one after another; the reply to the last one holds the trace."""
    return build(which).recipe(start, stop, points, trace)


def decode(which: int | str, text: str, trace: str) -> list[complex]:
    """The trace out of that reply."""
    return build(which).decode(text, trace)
