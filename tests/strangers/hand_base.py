"""Owns the common ground of the hand-written consoles: their facts and a plain column decoder."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from typing import Any, ClassVar

import numpy as np

from .console import Console
from .wire import Wire


class Hand(Console):
    """One hand-written console. Class attributes tell its truth."""

    learn: ClassVar[str] = "alone"
    why: ClassVar[str] = ""
    needs: ClassVar[tuple[str, ...]] = ()
    style: ClassVar[str] = ""
    unit: ClassVar[str] = "Hz"
    words: ClassVar[Mapping[str, str]] = {}
    harmful: ClassVar[Mapping[str, str]] = {}
    settings: ClassVar[tuple[str, ...]] = ("start", "stop", "points")
    sep: ClassVar[str] = r"\s+"
    fields: ClassVar[int] = 2
    skip: ClassVar[Mapping[str, int]] = {"s11": 0, "s21": 0}
    form: ClassVar[str] = "ri"
    scale: ClassVar[float] = 1.0

    def __init__(self, wire: Wire | None) -> None:
        self.key = "hand " + type(self).__name__.lower()
        super().__init__(wire)

    # --- helpers ---------------------------------------------------------------
    def hurt(self, word: str, line: str) -> bool:
        """Log harm when the word is one of the harmful ones."""
        if word in self.harmful:
            self.harm(line, f"{word}: {self.harmful[word]}")
            return True
        return False

    def bad(self, line: str, *reply: str) -> None:
        self.log(line, "none", "not understood")
        self.say(*reply)

    def limits_of(self, what: str) -> tuple[float, float]:
        return {"points": (float(self.nmin), float(self.nmax)), "averages": (1.0, 99.0)}.get(what,
                (self.fmin, self.fmax))

    def place(self, what: str, value: float, line: str, clamp: bool = False) -> bool:
        """Set start, stop, points or averages; False when refused."""
        low, high = self.limits_of(what)
        if not (low <= value <= high):
            if not clamp:
                self.log(line, "none", f"refused: {what} {value:g}")
                return False
            value = min(max(value, low), high)
        setattr(self, what, int(value) if what in ("points", "averages")
                else round(value / self.f_round) * self.f_round)
        if what == "start":
            self.stop = max(self.stop, self.start)
        if what == "stop":
            self.start = min(self.start, self.stop)
        self.log(line, "setting", f"{what} = {value:.10g}")
        return True

    def number(self, text: str) -> float | None:
        try:
            value = float(text)
        except ValueError:
            return None
        return value if math.isfinite(value) else None

    def ask(self, line: str, detail: str, *reply: str) -> None:
        self.log(line, "query", detail)
        self.say(*reply)

    # --- truth -----------------------------------------------------------------
    def facts(self) -> dict[str, Any]:
        return {
            "name": type(self).__name__.lower(), "dimensions": {"style": self.style}, "learnable": self.learn,
            "why not": self.why if self.learn == "not" else "", "needs": list(self.needs), "words": dict(self.words),
            "harmful": dict(self.harmful), "settings": list(self.settings), "frequency unit": self.unit,
            "frequency rounding (Hz)": self.f_round, "min frequency": self.fmin, "max frequency": self.fmax,
            "min points": self.nmin, "max points": self.nmax, "bandwidths": list(self.bandwidths),
            "default": {"start": self.start, "stop": self.stop, "points": self.points},
            "noise floor (dB at 1 kHz)": self.world.floor_db, "leakage (dB)": 20 * math.log10(abs(self.world.leak)),
            "device centre": self.world.centre, "device notch": self.world.notch,
        }

    def value(self, a: float, b: float) -> complex:
        a, b = a / self.scale, b / self.scale
        if self.form == "dbdeg":
            return complex(10 ** (a / 20) * np.exp(1j * np.radians(b)))
        if self.form == "lindeg":
            return complex(a * np.exp(1j * np.radians(b)))
        return complex(a, b)

    def decode(self, text: str, trace: str) -> list[complex]:
        found = []
        for line in re.split(r"[\r\n]+", text):
            parts = [x for x in re.split(self.sep, line.strip()) if x]
            numbers = [self.number(x.replace(",", ".")) for x in parts]
            k = self.skip[trace]
            if len(parts) == self.fields and numbers[k] is not None and numbers[k + 1] is not None:
                found.append(self.value(float(numbers[k] or 0.0), float(numbers[k + 1] or 0.0)))
        return found


def mhz(hz: float) -> str:
    return f"{hz / 1e6:.6f}".rstrip("0").rstrip(".")


def dbdeg(z: complex) -> tuple[float, float]:
    return 20 * math.log10(max(abs(z), 1e-9)), math.degrees(math.atan2(z.imag, z.real))
