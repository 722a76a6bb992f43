"""What the columns are, told by physics: both leads open, so S11 is a total reflection behind a line, S21 is a leak.

Owns: index and frequency columns, the form of a complex number and its scale, which pair is S11, the delay of the open
lead. Refuses: to name a pair that fits nothing, or to choose between two that fit alike.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from protocol.learn.sweeps.shape import Shape

UNITS: tuple[tuple[str, float], ...] = (("hz", 1.0), ("10hz", 10.0), ("khz", 1e3), ("mhz", 1e6), ("ghz", 1e9))
REFLECTS = (0.72, 1.1)
"""|S11| of an open lead, its loss and the analyzer's own errors included."""
LEAKS = 0.12
"""|S21| with nothing between the ports is below this."""
FAINTEST_DB = -190.0
"""No receiver sees less; a smaller number counts in parts of a decibel."""
RETURN_LOSS = re.compile(r"\bRL\b|(?i:\breturn loss\b|\bloss\b)")
"""Words that say that decibels of a reflection count how much is lost."""
_ONE = re.compile(r"(?i)(?<![\w.])(?:0x)?([0-9A-F]{4,8}) ?(?:=|is|means|stands for) ?\+?1(?:\.0+)?(?![\w.]\d|\w)")
LEAST_LOSS_DB = 0.03
"""A lead loses more, there and back; smaller numbers may be no decibels."""
STILL = 0.01
"""A column whose angles all lie within this, in radians, holds none."""
DELAY_S = (0.2e-9, 120e-9)
"""Delay of an open lead, there and back."""

Complex = NDArray[np.complex128]


@dataclass(frozen=True)
class Kind:
    """One way to write a complex number in two columns."""

    first: str
    second: str
    divisors: tuple[float, float]
    other: str = ""
    """The first of S21's two columns, where it is written otherwise: return loss beside gain; "" for the same."""

    @property
    def through(self) -> Kind:
        """How S21 is written."""
        return replace(self, first=self.other, other="") if self.other else self

    def complex(self, pair: NDArray[np.float64]) -> Complex:
        """The pair (N, 2) as complex numbers."""
        a, b = pair[:, 0] / self.divisors[0], pair[:, 1] / self.divisors[1]
        if self.first == "re":
            return a + 1j * b
        decibels = {"db": a, "loss": -a}.get(self.first)
        size = a if decibels is None else np.power(10.0, np.clip(decibels, -400, 100) / 20)
        angle = {"deg": np.deg2rad(b), "rad": b, "turn": 2 * np.pi * b}[self.second]
        return np.asarray(size * np.exp(1j * angle), dtype=np.complex128)

    def turns_once(self, pair: NDArray[np.float64]) -> bool:
        """Whether all angles lie within one turn, from minus half to half or from none to a whole."""
        if self.first == "re":
            return True
        turn = {"deg": 360.0, "rad": 2 * np.pi, "turn": 1.0}[self.second] * 1.01
        low, high = (float(end) / self.divisors[1] for end in (pair[:, 1].min(), pair[:, 1].max()))
        return (low >= -turn / 2 and high <= turn / 2) or (low >= -0.01 * turn and high <= turn)

    def fields(self, trace: str) -> tuple[str, str]:
        """Names of the two columns in a profile."""
        return (
            _divided(f"{trace}_{self.first}", self.divisors[0]),
            _divided(f"{trace}_{self.second}", self.divisors[1]),
        )


def _divided(name: str, divisor: float) -> str:
    return name if divisor == 1 else f"{name}/{divisor:.15g}"


_SCALES = (1.0, 1e3, 1e4, 32767.0, 1e5, 1e6, 8388608.0, 4194304.0, 2097152.0,
           16384.0, 8192.0, 4096.0, 2048.0, 65536.0, 1e7, 1e8,
           2147483648.0, 16777216.0, 524288.0, 1e9)  # fmt: skip
POWERS: tuple[Kind, ...] = tuple(Kind("re", "im", (2.0**bits, 2.0**bits)) for bits in range(7, 32))
"""What hexadecimal numbers count in: always a power of two, never of ten."""
KINDS: tuple[Kind, ...] = (
    *(Kind("re", "im", (scale, scale)) for scale in _SCALES),
    Kind("db", "deg", (1, 1)), Kind("mag", "deg", (1, 1)), Kind("db", "rad", (1, 1)), Kind("mag", "rad", (1, 1)),
    Kind("mag", "deg", (1e4, 10)), Kind("mag", "deg", (1e3, 10)), Kind("mag", "deg", (1e4, 100)),
    Kind("mag", "deg", (1e5, 100)), Kind("mag", "deg", (1e4, 1)), Kind("mag", "deg", (1e3, 1)),
    Kind("mag", "deg", (1e6, 1e3)), Kind("mag", "deg", (100, 1)),
    Kind("db", "deg", (10, 10)), Kind("db", "deg", (100, 10)),
    Kind("db", "deg", (100, 100)), Kind("db", "deg", (1e3, 1e3)), Kind("db", "turn", (256, 65536)),
    Kind("loss", "deg", (1, 1)), Kind("loss", "rad", (1, 1)), Kind("loss", "deg", (10, 10)),
    Kind("loss", "deg", (100, 100)),
    Kind("loss", "deg", (1, 1), "db"), Kind("loss", "rad", (1, 1), "db"),
)  # fmt: skip


@dataclass(frozen=True)
class Delay:
    """A phase fitted by a straight line: delay in seconds (positive where the phase falls), worst error in radians."""

    seconds: float
    error: float


def delay_of(trace: Complex, frequency_hz: NDArray[np.float64]) -> Delay:
    """The delay of a trace. Least squares on the unwrapped phase."""
    phase = np.unwrap(np.angle(trace))
    slope, offset = np.polyfit(frequency_hz - frequency_hz[0], phase, 1)
    rest = phase - (offset + slope * (frequency_hz - frequency_hz[0]))
    return Delay(float(-slope / (2 * np.pi)), float(np.percentile(np.abs(rest), 90)))


def hinted(kind: Kind, told: str) -> bool:
    """Whether the console's own words speak for a kind."""
    text = told.lower()
    scales = [float(number) for number in re.findall(r"\d{3,}", text)]
    if kind.first == "re":
        said = "re" in re.findall(r"[a-z]+", text) or "real" in text
        return said and (kind.divisors[0] in scales or (kind.divisors[0] == 1 and not scales))
    if "0.1 deg" in text and kind.divisors[1] != 10:
        return False
    angle = {"deg": "deg", "rad": "rad", "turn": "turn"}[kind.second]
    return angle in text and (("db" in text) == (kind.first in ("db", "loss")))


def _whole(told: str, *, hexed: bool) -> float:
    """What stands for one, where words tell it: `000F4240 = 1.000000`; 0 where none do."""
    found = {int(text, 16 if hexed else 10) for text in _ONE.findall(told) if hexed or text.isdigit()}
    return float(found.pop()) if len(found) == 1 and min(found) > 1 else 0.0


def reflecting(
    pair: NDArray[np.float64], frequency_hz: NDArray[np.float64], told: str = "", *, hexed: bool = False
) -> list[Kind]:
    """Kinds in which a pair of columns is the reflection of an open lead, the likeliest first. `hexed`: both are
    hexadecimal."""
    found = []
    losing = RETURN_LOSS.search(told) is not None and float(np.median(pair[:, 0])) > 0
    one = _whole(told, hexed=hexed)
    counted = (Kind("re", "im", (one, one)),) if one else POWERS
    for kind in (*counted, *(other for other in KINDS if other.first != "re")) if hexed or one else KINDS:
        unsaid = kind.first == "loss" and (kind.divisors != (1, 1) or float(np.median(pair[:, 0])) < LEAST_LOSS_DB)
        if (kind.other or (losing and kind.first == "db") or unsaid) and not (losing and kind.first == "loss"):
            continue  # the sign of so small a number is told by words only
        trace = kind.complex(pair)
        if not np.all(np.isfinite(trace)):
            continue
        size = np.abs(trace)
        if not reflects(trace):
            continue
        if kind.first != "re" and (np.ptp(pair[:, 1]) < 1e-9 or not kind.turns_once(pair)):
            continue
        delay = delay_of(trace, frequency_hz)
        if delay.error > 0.3 or not DELAY_S[0] / 3 < abs(delay.seconds) < 3e3 * DELAY_S[1]:
            continue
        # a kind that is not the true one wobbles: measure how far the size is from flat, as a
        # part of it (a scale too large would look the flatter), and the phase from straight
        found.append(
            (
                not hinted(kind, told),
                kind.first == "loss" and not losing,  # unless words say so, what does not grow is a size
                round(float(np.std(size) / np.median(size)) + 3 * delay.error, 2),
                abs(float(np.median(size)) - 0.95),
                kind,
            )
        )
    return [kind for *_, kind in sorted(found, key=lambda entry: entry[:4])]


def reflects(trace: Complex) -> bool:
    """Whether a trace is as large as an open lead's reflection."""
    size = np.abs(trace)
    return bool(np.percentile(size, 5) > REFLECTS[0] and np.percentile(size, 95) < REFLECTS[1])


def leaking(pair: NDArray[np.float64], kind: Kind) -> bool:
    """Whether a pair of columns in this kind is a transmission through nothing."""
    size = float(np.median(pair[:, 0])) / kind.divisors[0]
    if (kind.first == "db" and size < FAINTEST_DB) or (kind.first == "loss" and -size < FAINTEST_DB):
        return False
    if kind.second != "im" and np.ptp(np.angle(kind.complex(pair))) < STILL:
        return False  # no angle: what leaks turns, or is noise
    return bool(np.percentile(np.abs(kind.complex(pair)), 90) < LEAKS)


def lopsided(pair: NDArray[np.float64], kind: Kind) -> bool:
    """Whether of a real and an imaginary part one moves and the other hardly does: then one may be none of them."""
    moves = sorted(float(np.std(pair[:, at])) for at in (0, 1))
    return kind.first == "re" and moves[0] < 0.1 * moves[1]


def index_column(values: NDArray[np.float64]) -> bool:
    """Whether a column counts the points."""
    return len(values) > 2 and bool(np.array_equal(values, np.arange(len(values)) + values[0])) and values[0] in (0, 1)


def frequency_unit(values: NDArray[np.float64], start_hz: float, stop_hz: float) -> str:
    """The unit in which a column holds the frequencies from start to stop; "" where it does not."""
    if len(values) < 3 or not np.all(np.diff(values) > 0):
        return ""
    slack = max((stop_hz - start_hz) / (len(values) - 1) * 0.6, 2e3, 0.03 * (stop_hz - start_hz))
    for unit, scale in UNITS:
        if abs(values[0] * scale - start_hz) <= slack and abs(values[-1] * scale - stop_hz) <= slack:
            return unit
    return ""


def rising(values: NDArray[np.float64]) -> bool:
    """Whether a column could hold frequencies: rising in even steps from above zero."""
    steps = np.diff(values)
    return (
        len(values) > 3
        and values[0] > 0
        and bool(np.all(steps > 0))
        and float(np.ptp(steps)) < 0.3 * float(steps.mean())
    )


def value_columns(shape: Shape) -> list[int]:
    """Columns that are neither index nor rising like a frequency in front."""
    found: list[int] = []
    for at in range(shape.values.shape[1]):
        column = shape.values[:, at]
        if index_column(column) or (rising(column) and at <= 1 and float(column[-1]) > 0 and not found):
            continue
        found.append(at)
    return found
