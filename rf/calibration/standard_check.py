"""Does a calibration standard look like what it claims, and does a calibrated analyzer read what it should?

Owns: the signatures of short, open, load, thru and both leads on loads, and the verification of a calibration on known
parts. Refuses: to tell a short from an open by level alone; their phases and the kit's definitions decide.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rf.calibration.standards import Kit
from rf.values.decibel import level_db
from rf.values.figure import Figure, reading

Complex = NDArray[np.complex128]

LARGEST_RIPPLE_DB = 6.0
"""A standard is smooth over the span of a duplexer; a duplexer is not."""
LOAD_BELOW_DB = 12.0
"""Raw directivity of the worst bridge of this class leaves a load so far below a short."""
THRU_ABOVE_DB = -20.0
"""The thru's level against the short's: receivers of one analyzer differ by a few decibels, open leads by tens."""
LOADS_BELOW_DB = 40.0
TURNED_RAD = math.radians(60.0)

THRU_WITHIN_DB = 0.1
LOAD_BELOW_THRU_DB = -30.0
PAD_WITHIN_DB = 0.3
"""What a verified calibration reads on a thru, a load and a known pad (study, step 17)."""
CLOSING_WITHIN_DB = 0.2
"""A closing check farther off than this puts all since the last good check in doubt (study, scenario 32)."""
COMPRESSED_DB = 0.5
"""A pad that reads so much less than it is speaks of a receiver that was driven too hard without it."""


@dataclass(frozen=True, slots=True)
class StandardCheck:
    """`fits`; `says` what was seen; `cure` what to do, empty when it fits."""

    fits: bool
    says: str
    cure: str = ""


def check_standard(
    kind: str, frequency_hz: NDArray[np.float64], s11: Complex, s21: Complex, taken: Mapping[str, Complex], kit: Kit
) -> StandardCheck:
    """Judge the raw averages (K,) of `kind` ("short", "open", "load", "thru", "isolation").

    `taken` are the raw averages so far: S11 of "short", "open", "load", S21 of "thru".
    """
    level, ripple = float(np.median(level_db(s11))), float(np.ptp(level_db(s11)))
    if kind in ("short", "open"):
        return _total_reflection(kind, frequency_hz, s11, level, ripple, taken, kit)
    full = max((float(np.median(level_db(taken[name]))) for name in ("short", "open") if name in taken), default=0.0)
    if kind == "load":
        below = full - float(level_db(s11).max())
        if below < LOAD_BELOW_DB:
            return StandardCheck(
                False, f"reflects only {below:.0f} dB less than short and open", "is the load on lead 1, and tight?"
            )
        return StandardCheck(True, f"{below:.0f} dB below short and open, before correction")
    through = float(np.median(level_db(s21))) - full
    if kind == "thru":
        if through < THRU_ABOVE_DB:
            return StandardCheck(False, f"only {through:.0f} dB come through", "join both leads by the thru")
        if float(np.ptp(level_db(s21))) > LARGEST_RIPPLE_DB:
            return StandardCheck(False, "what comes through is not flat", "a device is between the leads: take it out")
        return StandardCheck(True, f"comes through at {through:+.1f} dB against the short, before correction")
    reference = float(np.median(level_db(taken["thru"]))) if "thru" in taken else full
    below = reference - float(np.median(level_db(s21)))
    if below < LOADS_BELOW_DB:
        return StandardCheck(False, f"only {below:.0f} dB below the thru", "put a load on each lead, nothing between")
    return StandardCheck(True, f"{below:.0f} dB below the thru")


def _total_reflection(
    kind: str,
    frequency_hz: NDArray[np.float64],
    s11: Complex,
    level: float,
    ripple: float,
    taken: Mapping[str, Complex],
    kit: Kit,
) -> StandardCheck:
    if ripple > LARGEST_RIPPLE_DB:
        return StandardCheck(False, f"the reflection varies by {ripple:.0f} dB", f"is the {kind} itself on lead 1?")
    other = "open" if kind == "short" else "short"
    if other not in taken:
        if level < -25.0:
            return StandardCheck(False, f"reflects only {level:.0f} dB", f"is the {kind} on lead 1, and tight?")
        told = f"reflects {level:.1f} dB, flat within {ripple:.1f} dB, before correction"
        return StandardCheck(True, f"{told}; short or open: the next step tells")
    against = level - float(np.median(level_db(taken[other])))
    if abs(against) > 3.0:
        return StandardCheck(False, f"reflects {against:+.0f} dB against the {other}", f"is the {kind} on, and tight?")
    measured = s11 / taken[other]
    model = kit.part(kind).reflection(frequency_hz) / kit.part(other).reflection(frequency_hz)
    off = np.angle(measured / model)
    turned = float(np.median(np.abs(off)))
    if turned > TURNED_RAD:
        cure = f"one of them was on twice: put the {kind} on lead 1, or measure the {other} anew (r)"
        return StandardCheck(False, f"reads like the {other}", cure)
    exchanged = float(np.median(np.abs(np.angle(measured * model))))
    if exchanged < turned / 3.0 and turned > math.radians(2.0):
        return StandardCheck(False, "short and open look exchanged", "measure the short again, then the open")
    return StandardCheck(True, f"turned by {180 - math.degrees(turned):.0f}° against the {other}")


@dataclass(frozen=True, slots=True)
class Verified:
    """One known part read through the correction: what it should read, what it reads (a READING in dB), and the
    words."""

    part: str
    expected_db: float
    seen: Figure
    good: bool
    says: str


def verify(part: str, s11: Complex, s21: Complex, pad_db: float = 0.0, noise_db: float = 0.0) -> Verified:
    """Judge corrected averages (K,) of a known `part`: "thru" (S21 0 dB), "load" (S11 at most -30 dB), "open" and
    "short" (|S11| 0 dB), "pad" of `pad_db` (S21). `noise_db` widens the interval."""
    if part == "load":
        worst = float(level_db(s11).max())
        seen = reading(worst, worst - noise_db, worst + noise_db, "dB")
        return Verified(part, LOAD_BELOW_THRU_DB, seen, worst <= LOAD_BELOW_THRU_DB, f"S11 of the load {worst:.1f} dB")
    levels = level_db(s21) if part in ("thru", "pad") else level_db(s11)
    expected = -pad_db if part == "pad" else 0.0
    allowed = PAD_WITHIN_DB if part == "pad" else THRU_WITHIN_DB
    worst = float(levels[int(np.argmax(np.abs(levels - expected)))])
    typical = float(np.median(levels))
    if part == "pad" and expected + COMPRESSED_DB < typical:
        says = f"the {pad_db:g} dB pad reads {-typical:.1f}: receiver compressed: lower the level or leave a pad in"
        return Verified(part, expected, reading(typical, levels.min(), levels.max(), "dB"), False, says)
    says = f"{part} reads {typical:+.2f} dB, worst {worst:+.2f}, should be {expected:+.1f} ± {allowed:g}"
    low, high = float(levels.min()) - noise_db, float(levels.max()) + noise_db
    return Verified(
        part, expected, reading(typical, low, high, "dB"), abs(worst - expected) <= allowed + noise_db, says
    )
