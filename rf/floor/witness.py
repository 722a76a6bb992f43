"""A second witness of a rejection: what a source and a receiver show of it, and whether it contradicts the first.

Owns: rejection by substitution from levels in dBm, with floor, leak, scale and mismatch; holding two figures against
each other. Refuses: to cancel a leak (only its size is known), and a reading where nobody looked at the leak.

The powers of signal and noise add, so noise is taken off as power; a leak adds as a vector in any phase. Mismatch lies
within 20 lg (1 +- |G1 G2|) at each port (Pozar, "Microwave Engineering", 4th ed., section 2.6).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from rf.values.combine import as_inferred
from rf.values.decibel import amplitude, amplitude_db
from rf.values.figure import Figure, Kind, at_least, cant_say, reading

SCALE_DB = 1.5
"""Error of a receiver's scale over its range, where nobody typed another (common practice)."""
STEADY_DB = 0.3
"""A level is read to this."""
PAD_DB = 0.3
MATCH_DB = 20.0
"""Return loss of source and receiver behind their pads (common practice: 6 to 10 dB at each lead)."""
LESS = (
    "CONTRADICTION: the witness sees less rejection than the analyzer: a lead, a load or a screw has moved, the"
    " receiver hears another signal, or the proof is wrong"
)
MORE = (
    "CONTRADICTION: the witness sees more rejection than the analyzer read: what it read is a leak or came over the"
    " air, or the source was off the channel"
)
ABOVE_NOISE_DB = 3.0
"""With the source on the level has risen by this, or it is a bound."""


@dataclass(frozen=True, slots=True)
class Levels:
    """Levels in dBm: `thru_dbm` leads joined over a pad of `pad_db`, `device_dbm` the duplexer between them, `off_dbm`
    the same with the source off, `loads_dbm` source on and both leads on loads; None: not taken."""

    thru_dbm: float | None = None
    pad_db: float = 0.0
    device_dbm: float | None = None
    off_dbm: float | None = None
    loads_dbm: float | None = None
    scale_db: float = SCALE_DB


def witnessed(levels: Levels) -> Figure:
    """Rejection in dB that the levels show: READING with floor and leak looked at, AT LEAST where one of them covers
    the signal, INFERRED while the leak was not looked at."""
    if levels.thru_dbm is None or levels.device_dbm is None:
        return cant_say("dB", "levels are missing: leads joined, and the duplexer between them")
    if levels.off_dbm is None:
        return cant_say("dB", "the level with the source off is missing: it may be the receiver's own noise")
    whole_dbm = levels.thru_dbm + levels.pad_db
    plain_db = whole_dbm - levels.device_dbm
    half_db = _half_db(levels)
    if plain_db <= 0.0:
        return cant_say("dB", "more comes through the duplexer than through the joined leads: levels exchanged?")
    noise = 10.0 ** ((levels.off_dbm - levels.device_dbm) / 10.0)
    if levels.device_dbm - levels.off_dbm < ABOVE_NOISE_DB:
        return at_least(plain_db - half_db, "dB", limited_by="random", why="the source is not told from the noise")
    spread = 10.0 ** (STEADY_DB / 10.0)
    signal_db = [10.0 * math.log10(max(level - noise * n, 1e-3)) for level, n in
                 ((1.0, 1.0), (1.0 / spread, spread), (spread, 1.0 / spread))]  # fmt: skip
    value, low, high = plain_db - signal_db[0], plain_db - signal_db[2], plain_db - signal_db[1]
    low, high = low - half_db, high + half_db
    if levels.loads_dbm is None:
        seen = reading(value, low, high, "dB", limited_by="leak not looked at")
        return as_inferred(seen, "nobody looked what leaks with both leads on loads")
    leak = amplitude(levels.loads_dbm + STEADY_DB - whole_dbm)
    through = amplitude(-value)
    low = -amplitude_db(amplitude(-low) + leak)
    if leak >= 0.5 * through:
        return at_least(low, "dB", limited_by="leakage", why="what leaks past the duplexer may be all that is seen")
    high = -amplitude_db(max(amplitude(-high) - leak, 1e-12))
    limit = "leakage" if leak > 0.1 * through else "scale"
    return reading(value, min(low, value), max(high, value), "dB", limited_by=limit)


def _half_db(levels: Levels) -> float:
    """Scale, steadiness of the thru's level, the pad, mismatch of both leads at a port that returns nearly all."""
    mismatch = amplitude_db(1.0 + amplitude(-MATCH_DB)) * math.sqrt(2.0)
    pad = PAD_DB if levels.pad_db else 0.0
    return math.sqrt(levels.scale_db**2 + STEADY_DB**2 + pad**2 + mismatch**2)


@dataclass(frozen=True, slots=True)
class Agreement:
    """What two figures of the same thing say to each other. `agrees`: None where nothing can be held against
    anything."""

    agrees: bool | None
    says: str


def compared(proof: Figure, witness: Figure) -> Agreement:
    """Whether the witness contradicts the analyzer's figure: where their intervals, open ends included, do not meet."""
    if not proof.known or not witness.known:
        return Agreement(None, "nothing to hold against each other yet")
    if proof.low > witness.high:
        return Agreement(False, LESS)
    if witness.low > proof.high:
        return Agreement(False, MORE)
    if Kind.AT_LEAST in (proof.kind, witness.kind):
        higher = max(proof.low, witness.low)
        shown = math.floor(higher * 10.0) / 10.0
        return Agreement(True, f"they do not contradict each other; together AT LEAST {shown:.1f} dB")
    return Agreement(True, "they agree")


def against_sheet(measured: Figure, sheet_db: float, *, most: bool) -> Agreement:
    """A measured figure against the maker's: a rejection shall be as much or more, a loss (`most`) as much or less."""
    if not measured.known:
        return Agreement(None, "nothing measured to hold against it")
    short, good = (measured.high, measured.low) if not most else (-measured.low, -measured.high)
    wanted = sheet_db if not most else -sheet_db
    if short < wanted:
        return Agreement(False, "WORSE than the maker's")
    return Agreement(True, "as the maker's or better") if good >= wanted else Agreement(None, "not decided")
