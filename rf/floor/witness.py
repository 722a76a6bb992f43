"""A second witness of a rejection: what a source and a receiver show of it, and whether it contradicts the first.

Owns: rejection from levels in dBm, by substitution or by what sheets say of source, receiver and leads, with floor,
leak, scale and mismatch; holding two figures against each other. Refuses: to cancel a leak (only its size is known),
and a reading where nobody looked at the leak.

The powers of signal and noise add, so noise is taken off as power; a leak adds as a vector in any phase. Mismatch lies
within 20 lg (1 +- |G1 G2|) at each port (Pozar, "Microwave Engineering", 4th ed., section 2.6). Two readings contradict
each other where they lie farther apart than the root of the sum of their squared half-widths (the E_n number of
ISO 13528 and ISO/IEC 17043: |E_n| > 1).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from rf.values.combine import as_inferred
from rf.values.decibel import amplitude, amplitude_db
from rf.values.figure import Figure, Kind, at_least, at_most, cant_say, inferred, reading

SCALE_DB = 1.5
"""Error of a receiver's scale over its range, where nobody typed another (common practice)."""
STEADY_DB = 0.3
"""A level is read to this."""
PAD_DB = 0.3
MATCH_DB = 20.0
"""Return loss of source and receiver behind their pads (common practice: 6 to 10 dB at each lead)."""
SOURCE_DB, LEADS_DB = 1.0, 0.3
"""Errors of a source's level and of what leads were said to lose, where nobody typed others (common practice)."""
CLEAR_OF_FLOOR_DB = 10.0
"""Over a floor that only the sheet tells; nearer to it the level is a bound, for the real noise may be less."""
TOO_WIDE_DB = 5.0
"""Two readings that agree within more than this prove nothing to each other."""
LOUDEST_DBM = 20.0
"""No signal generator or tracking source gives much more (common practice)."""
QUIETEST_DBM = -150.0
"""kT at 290 K in 250 Hz, without any noise figure; what reads less is no level at a receiver's input."""
BELIEVED_DB = 120.0
"""Leads, plugs and cases on one bench leak as much as that (common practice: double-screened cable 90 to 120 dB)."""
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
class BySheet:
    """In place of joined leads: `source_dbm` at the source, `leads_db` what both leads lose together, `correction_db`
    what the receiver's curve adds to its reading at the channel; a known pad of `known_db` that the same set read as
    `read_db`, good to `known_error_db`; `floor_dbm` of the receiver. None: not told."""

    source_dbm: float | None = None
    source_error_db: float = SOURCE_DB
    leads_db: float | None = None
    leads_error_db: float = LEADS_DB
    correction_db: float = 0.0
    known_db: float | None = None
    read_db: float | None = None
    known_error_db: float = PAD_DB
    floor_dbm: float | None = None


@dataclass(frozen=True, slots=True)
class Levels:
    """Levels in dBm: `thru_dbm` leads joined over a pad of `pad_db`, `device_dbm` the duplexer between them, `off_dbm`
    the same with the source off, `loads_dbm` source on and both leads on loads; None: not taken. `match_db` is the
    return loss of source and receiver as the duplexer sees them. Joined leads count before a sheet."""

    thru_dbm: float | None = None
    pad_db: float = 0.0
    device_dbm: float | None = None
    off_dbm: float | None = None
    loads_dbm: float | None = None
    scale_db: float = SCALE_DB
    match_db: float = MATCH_DB
    sheet: BySheet = BySheet()

    @property
    def whole_dbm(self) -> float | None:
        """What would arrive with nothing between the leads."""
        if self.thru_dbm is not None:
            return self.thru_dbm + self.pad_db
        sheet = self.sheet
        if sheet.source_dbm is None or sheet.leads_db is None:
            return None
        return sheet.source_dbm - sheet.leads_db - sheet.correction_db


def witnessed(levels: Levels) -> Figure:
    """Rejection in dB that the levels show: READING with floor and leak looked at, AT LEAST where one of them covers
    the signal, INFERRED while the leak was not looked at."""
    sheet, whole_dbm = levels.sheet, levels.whole_dbm
    if whole_dbm is None or levels.device_dbm is None:
        return cant_say("dB", "levels are missing: leads joined (or source and leads by sheet), and the duplexer")
    if (sheet.known_db is None) != (sheet.read_db is None):
        return cant_say("dB", "of the known pad its loss or what was read of it is missing")
    if sheet.known_db is not None and sheet.read_db is not None:
        off_db = abs(sheet.read_db - sheet.known_db)
        if off_db > sheet.known_error_db:
            why = f"source and receiver read a known pad {off_db:.1f} dB wrong: look at both before they witness"
            return cant_say("dB", why)
    plain_db = whole_dbm - levels.device_dbm
    half_db = _half_db(levels)
    if plain_db <= 0.0:
        return cant_say("dB", "more comes through the duplexer than through the joined leads: levels exchanged?")
    if levels.off_dbm is None:
        return _over_sheet_floor(levels, plain_db, half_db)
    if levels.device_dbm - levels.off_dbm < ABOVE_NOISE_DB:
        return at_least(plain_db - half_db, "dB", limited_by="random", why="the source is not told from the noise")
    noise = 10.0 ** ((levels.off_dbm - levels.device_dbm) / 10.0)
    spread = 10.0 ** (STEADY_DB / 10.0)
    signal_db = [10.0 * math.log10(max(level - noise * n, 1e-3)) for level, n in
                 ((1.0, 1.0), (1.0 / spread, spread), (spread, 1.0 / spread))]  # fmt: skip
    value, low, high = plain_db - signal_db[0], plain_db - signal_db[2], plain_db - signal_db[1]
    return _past_leak(levels, value, low - half_db, high + half_db)


def hardly(levels: Levels, seen: Figure) -> tuple[str, ...]:
    """What of the levels can hardly be, a sentence each: nothing follows from it but to look again."""
    found = []
    whole_dbm = levels.whole_dbm
    if whole_dbm is not None and whole_dbm > LOUDEST_DBM:
        how = f" ({levels.thru_dbm:g} dBm behind {levels.pad_db:g} dB)" if levels.thru_dbm is not None else ""
        found.append(
            f"a source of {whole_dbm:+.0f} dBm{how} can hardly be, few give more than {LOUDEST_DBM:+.0f}: was the pad"
            " really there, and would the receiver stand it?"
        )
    low = [dbm for dbm in (levels.device_dbm, levels.off_dbm, levels.loads_dbm) if dbm is not None]
    if low and min(low) < QUIETEST_DBM:
        found.append(f"{min(low):g} dBm can hardly be: thermal noise alone is more in any receiver; look at the scale")
    if seen.known and seen.low > BELIEVED_DB:
        found.append(
            f"more than {BELIEVED_DB:g} dB can hardly be shown on one bench: leads and cases leak as much; take the"
            " levels again with the leads moved, and believe none that moves with them"
        )
    return tuple(found)


def _over_sheet_floor(levels: Levels, plain_db: float, half_db: float) -> Figure:
    """Where nobody turned the source off: the noise is anything up to the sheet's floor."""
    floor_dbm, device_dbm = levels.sheet.floor_dbm, levels.device_dbm
    if floor_dbm is None or device_dbm is None:
        return cant_say("dB", "the level with the source off is missing: it may be the receiver's own noise")
    if device_dbm - floor_dbm < CLEAR_OF_FLOOR_DB:
        why = f"within {CLEAR_OF_FLOOR_DB:g} dB of the receiver's floor by its sheet: turn the source off and look"
        return at_least(plain_db - half_db, "dB", limited_by="random", why=why)
    most_db = -10.0 * math.log10(1.0 - 10.0 ** ((floor_dbm - device_dbm) / 10.0))
    return _past_leak(levels, plain_db, plain_db - half_db, plain_db + half_db + most_db)


def _past_leak(levels: Levels, value: float, low: float, high: float) -> Figure:
    whole_dbm = levels.whole_dbm
    if levels.loads_dbm is None or whole_dbm is None:
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
    """Mismatch of both leads at a port that returns nearly all, the receiver's scale; then steadiness of the thru's
    level and the pad, or what the sheets leave open, root of the sum of squares."""
    mismatch = amplitude_db(1.0 + amplitude(-levels.match_db)) * math.sqrt(2.0)
    if levels.thru_dbm is not None:
        return math.hypot(levels.scale_db, STEADY_DB, PAD_DB if levels.pad_db else 0.0, mismatch)
    sheet = levels.sheet
    known = 0.0 if sheet.known_db is None else sheet.known_error_db
    return math.hypot(levels.scale_db, sheet.source_error_db, sheet.leads_error_db, known, mismatch)


NOTHING = cant_say("dB", "nothing to put together")


@dataclass(frozen=True, slots=True)
class Agreement:
    """What two figures of the same thing say to each other. `agrees`: None where neither confirms nor contradicts the
    other. `together`: what both show, only where they do not contradict each other."""

    agrees: bool | None
    says: str
    together: Figure = NOTHING


BOUNDS = (Kind.AT_LEAST, Kind.AT_MOST)


def compared(proof: Figure, witness: Figure) -> Agreement:
    """Whether the witness confirms or contradicts the analyzer's figure. Two readings by their E_n; a bound is broken
    where the whole other interval lies beyond it and confirmed where the witness's whole interval keeps it; a
    witness's bound confirms nothing."""
    if not proof.known or not witness.known:
        return Agreement(None, "nothing to hold against each other yet")
    if proof.kind not in BOUNDS and witness.kind not in BOUNDS:
        return _two_readings(proof, witness)
    if proof.low > witness.high:
        return Agreement(False, LESS)
    if witness.low > proof.high:
        return Agreement(False, MORE)
    together, shown = _higher_bound(proof, witness)
    kept = proof.low <= witness.low and witness.high <= proof.high
    if proof.kind in BOUNDS and witness.kind not in BOUNDS and kept:
        return Agreement(True, f"they agree: all of the witness keeps the bound{shown}", together)
    if proof.kind in BOUNDS and witness.kind in BOUNDS:
        return Agreement(None, f"they do not contradict each other; two bounds do not confirm one{shown}", together)
    if witness.kind in BOUNDS:
        return Agreement(
            None, f"they do not contradict each other; a bound does not confirm a reading{shown}", together
        )
    return Agreement(None, f"not decided: the bound lies within what the witness leaves open{shown}", together)


def _two_readings(proof: Figure, witness: Figure) -> Agreement:
    apart = witness.value - proof.value
    first = proof.high - proof.value if apart > 0.0 else proof.value - proof.low
    second = witness.value - witness.low if apart > 0.0 else witness.high - witness.value
    both = math.hypot(first, second)
    if abs(apart) > both:
        return Agreement(False, MORE if apart > 0.0 else LESS)
    if both > TOO_WIDE_DB:
        return Agreement(None, f"nothing shown: both together are only good to {both:.1f} dB")
    halves = [max((one.high - one.low) / 2.0, 1e-3) for one in (proof, witness)]
    weights = [half**-2 for half in halves]
    value = (proof.value * weights[0] + witness.value * weights[1]) / sum(weights)
    half = sum(weights) ** -0.5
    together = inferred(value, value - half, value + half, "dB", limited_by="both")
    return Agreement(True, f"they agree; together INFERRED {value:.1f} dB +- {half:.1f}", together)


def _higher_bound(proof: Figure, witness: Figure) -> tuple[Figure, str]:
    """What both show together where one of them is a bound, and its words; of what is INFERRED no bound is made."""
    told = [one for one in (proof, witness) if one.kind is not Kind.INFERRED]
    if Kind.AT_MOST in (proof.kind, witness.kind):
        high = min(one.high for one in told)
        return at_most(high, "dB"), f"; together AT MOST {math.ceil(high * 10.0) / 10.0:.1f} dB"
    low = max(one.low for one in told)
    return at_least(low, "dB"), f"; together AT LEAST {math.floor(low * 10.0) / 10.0:.1f} dB"


def against_sheet(measured: Figure, sheet_db: float, *, most: bool) -> Agreement:
    """A measured figure against the maker's: a rejection shall be as much or more, a loss (`most`) as much or less."""
    if not measured.known:
        return Agreement(None, "nothing measured to hold against it")
    short, good = (measured.high, measured.low) if not most else (-measured.low, -measured.high)
    wanted = sheet_db if not most else -sheet_db
    if short < wanted:
        return Agreement(False, "WORSE than the maker's")
    return Agreement(True, "as the maker's or better") if good >= wanted else Agreement(None, "not decided")
