"""What hangs between the leads, judged from one averaged sweep: is it the hook-up that was declared, and if not, which?

Owns: the signature of every usual mistake in S11 and S21 at both channels (study, part 4), and the words for mistake
and cure. Refuses: to call a hook-up wrong on a signature it does not know; that is "not recognised", and nothing
more.
"""

from __future__ import annotations

import enum
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rf.values.decibel import level_db

MATCHED_DB, REFLECTING_DB = -10.0, -5.0
"""S11 below the first is a match, above the second a total reflection behind some loss; between them a poor load or
a unit off tune (study, part 4)."""

GOOD_LOAD_DB = -20.0
"""A match worse than this at the other channel speaks of a load that is not one."""

PASS_DB = -6.0
"""S21 above this is a pass, with cables and a pad's worth to spare."""

CONTRAST_DB = 15.0
"""A side passes one channel by so much more than the other."""

NOTCH_CONTRAST_DB = 30.0
"""Between a pass and the notch of even a small unit lies more than this."""

GAP = "GAP IN THE PATH"
GAP_DB, GAP_DEEPEST_DB = -6.0, -35.0
"""A small series capacitance at port 2 passes between these levels: 1 pF 12 dB down at 450 MHz, 22 at 150."""

LARGEST_LOSS_DB = 2.0
"""Loss of a usual unit with its leads, in what is missing beside a pad."""

ON_PLAN_WITHIN_DB = 12.0
"""A unit half its notch's width off the plan loses more contrast than this at the channels."""

SAME_DB = 1.5
"""Two sweeps of one port with nothing moved in between agree within this: mismatch of lead 2 against a load."""

TOTAL_DB = -1.0
"""S11 above this everywhere: port 1 sees nothing that takes power."""


class State(enum.Enum):
    """How the hook-up looks."""

    RIGHT = "right"
    NOTE = "right, with a note"
    WRONG = "wrong"
    UNSEEN = "not recognised"


@dataclass(frozen=True, slots=True)
class HookUpCheck:
    """`short` fits the screen's HOOK field; `cure` is one sentence, empty when all is right; `seen` the hook-up that
    the data show ("A>L", "L>H", ...), empty when none is recognised; `doubt` why levels re the thru are not believed
    (empty: they are)."""

    state: State
    short: str
    cure: str = ""
    seen: str = ""
    doubt: str = ""

    @property
    def asks(self) -> bool:
        """Whether a note asks for something to be done at the leads before more is measured."""
        return bool(self.doubt) or self.cure.startswith("put ")


@dataclass(frozen=True, slots=True)
class _Look:
    """Levels in dB that the signatures are made of."""

    s11_low: float
    s11_high: float
    s21_low: float
    s21_high: float
    s11_best: float
    s11_worst: float
    s21_all: NDArray[np.float64]
    floor_db: float
    off_plan_hz: float | None
    """How far from the plan the pair of a pass and a notch lies that fits best; None where none is within the sweep."""
    on_plan: bool
    """Pass and notch are as far apart at the plan as anywhere: there the unit is, however badly it is matched."""
    taken_hz: float | None = None
    """Where port 1 is matched best although nothing arrives at port 2: a third port takes it; None: nowhere."""


def check_hookup(
    frequency_hz: NDArray[np.float64],
    s11: NDArray[np.complex128],
    s21: NDArray[np.complex128],
    noise_power: float,
    low_hz: float,
    high_hz: float,
    declared: str,
    third: str,
    returned_db: float | None = None,
    *,
    rows: bool = False,
) -> HookUpCheck:
    """Compare what is seen with what was declared, e.g. "A>L" with port `third` = "H" loaded; "loads" for a survey.

    Arrays (K,); `noise_power` E|n|^2 of the averaged S21 re thru. Both channels must lie in the sweep, else UNSEEN.
    `returned_db`: S11 in dB at the third port's pass channel, as the antenna port showed it when lead 2 hung on that
    port; None: nobody saw it. `rows`: each side is a row of resonators, which off tune looks like a gap in the path.
    """
    if not (frequency_hz[0] <= low_hz and high_hz <= frequency_hz[-1]):
        return HookUpCheck(State.UNSEEN, "not checked", "the sweep does not cover both channels: sweep wider")
    look = _look(frequency_hz, s11, s21, noise_power, low_hz, high_hz)
    found = _judged(look, declared, third, returned_db)
    if rows and found.short == GAP:
        cure = "its channel is not matched: resonators off tune (x tells), or a gap at port 2: look at the pins"
        return HookUpCheck(State.UNSEEN, "NOT MATCHED", cure)
    return found


def _judged(look: _Look, declared: str, third: str, returned_db: float | None) -> HookUpCheck:
    whole = _whole_span(look, declared)
    if whole is not None:
        return whole
    if declared == "loads":
        return _wrong("NOT ON LOADS", "a device is between the leads: take both off the duplexer and put loads on", "")
    passes_low, passes_high = _passes(look.s21_low, look.s21_high), _passes(look.s21_high, look.s21_low)
    if passes_low or passes_high:
        return _one_side(look, "L" if passes_low else "H", declared, third, returned_db)
    return _no_pass(look, declared)


def _look(
    f: NDArray[np.float64],
    s11: NDArray[np.complex128],
    s21: NDArray[np.complex128],
    noise_power: float,
    low_hz: float,
    high_hz: float,
) -> _Look:
    reflected, through = level_db(s11), level_db(s21)
    low, high = int(np.argmin(np.abs(f - low_hz))), int(np.argmin(np.abs(f - high_hz)))
    fits = _best_offset(f, reflected, through, low_hz, high_hz)
    return _Look(
        float(reflected[low]), float(reflected[high]), float(through[low]), float(through[high]),
        float(reflected.min()), float(reflected.max()), through, 10.0 * math.log10(noise_power) + 7.0,
        fits, _on_plan(f, np.maximum(through, 10.0 * math.log10(noise_power) + 7.0), low_hz, high_hz),
        _taken(f, reflected, through),
    )  # fmt: skip


def _taken(f: NDArray[np.float64], reflected: NDArray[np.float64], through: NDArray[np.float64]) -> float | None:
    """The best match among frequencies at which next to nothing arrives at port 2. Driven from a side what its cavities
    hold back comes back; only the antenna port has a second way on."""
    there = (reflected < MATCHED_DB) & (through < PASS_DB - CONTRAST_DB)
    return float(f[int(np.argmin(np.where(there, reflected, np.inf)))]) if there.any() else None


def _best_offset(
    f: NDArray[np.float64],
    reflected: NDArray[np.float64],
    through: NDArray[np.float64],
    low_hz: float,
    high_hz: float,
) -> float | None:
    """Offset at which both channels are matched best while one passes and the other is held back; 0 within a tenth of
    the spacing."""
    step = float(f[1] - f[0])
    apart = round((high_hz - low_hz) / step)
    first, second = slice(0, f.size - apart), slice(apart, f.size)
    passing = np.maximum(through[first], through[second])
    contrast = np.abs(through[first] - through[second])
    fits = (passing > PASS_DB) & (contrast > NOTCH_CONTRAST_DB)
    if not fits.any():
        return None
    match = np.where(fits, reflected[first] + reflected[second], np.inf)
    offset = float(f[int(np.argmin(match))]) - low_hz
    return 0.0 if abs(offset) < 0.1 * (high_hz - low_hz) else offset


def _on_plan(f: NDArray[np.float64], through: NDArray[np.float64], low_hz: float, high_hz: float) -> bool:
    """Whether no pair of frequencies as far apart as the channels parts a pass from a notch much better than they do;
    `through` (K,) in dB, no lower than the floor."""
    apart = round((high_hz - low_hz) / float(f[1] - f[0]))
    contrast = np.abs(through[: f.size - apart] - through[apart:])
    return bool(contrast[int(np.argmin(np.abs(f[: f.size - apart] - low_hz)))] > contrast.max() - ON_PLAN_WITHIN_DB)


def _passes(here: float, there: float) -> bool:
    return here > PASS_DB and here - there > CONTRAST_DB


def _wrong(short: str, cure: str, seen: str = "") -> HookUpCheck:
    return HookUpCheck(State.WRONG, short, cure, seen)


def _whole_span(look: _Look, declared: str) -> HookUpCheck | None:
    """Signatures that look alike at every frequency."""
    nothing_through = float(np.median(look.s21_all)) < max(look.floor_db, -50.0)
    nothing_anywhere = float(look.s21_all.max()) < max(look.floor_db + 6.0, -50.0)
    if look.s11_best > TOTAL_DB and nothing_anywhere:
        return _wrong("PORT 1 OPEN", "nothing takes power at port 1: lead 1 is off, open or shorted")
    if look.s11_worst < GOOD_LOAD_DB and float(np.ptp(look.s21_all)) < 0.6 and abs(float(look.s21_all.mean())) < 0.6:
        return _wrong("LEADS JOINED", "the leads are joined (thru): put the duplexer between them", "thru")
    if look.s11_worst < GOOD_LOAD_DB and nothing_through and nothing_anywhere:
        if declared == "loads":
            return HookUpCheck(State.RIGHT, "both on loads", seen="loads")
        return _wrong("ON LOADS", "both leads are on loads: fit for a survey, not for a duplexer", "loads")
    if look.s11_worst < GOOD_LOAD_DB + 1.0 and not nothing_anywhere and float(look.s21_all.max()) < GAP_DEEPEST_DB:
        cure = (
            "S11 is low everywhere: a pad on port 1 hides the hook-up, or the profile swaps S11 and S21; take it off,"
            " or look with open leads"
        )
        return HookUpCheck(State.UNSEEN, "HIDDEN BY A PAD", cure, doubt=cure)
    return None


def _pad(look: _Look, side: str, missing_db: float, declared: str) -> HookUpCheck:
    """A matched path that is too far down: a pad nobody declared, at the port that S11 allows.

    A pad of p dB at port 1 leaves no reflection above -2p anywhere; at port 2 it leaves S11 as it was. Driven from a
    side something always comes back whole, so S11 then tells; from the antenna a good unit may be matched everywhere.
    """
    hidden = look.s11_worst < -2.0 * (missing_db - LARGEST_LOSS_DB)
    from_side = declared.endswith(">A")
    port = "port 2" if not hidden else "port 1" if from_side else "port 1 or port 2"
    say = {"port 1": "pad1=DB", "port 2": "pad2=DB"}.get(port, "pad1=DB or pad2=DB")
    cure = f"matched, but {missing_db:.0f} dB down: a pad at {port}? take it out, or declare it ({say})"
    seen = f"{side}>A" if from_side else f"A>{side}"
    short = "PAD IN THE PATH?" if " or " in port else f"PAD AT {port.upper()}?"
    return HookUpCheck(State.NOTE, short, cure, seen, doubt=cure)


def _one_side(look: _Look, side: str, declared: str, third: str, returned_db: float | None) -> HookUpCheck:
    """One channel passes: the read or driven side is `side`."""
    own, other = (look.s11_low, look.s11_high) if side == "L" else (look.s11_high, look.s11_low)
    passed = look.s21_low if side == "L" else look.s21_high
    from_antenna, from_side = f"A>{side}", f"{side}>A"
    open_third = 2.0 * passed  # what an open third port sends back has passed it twice [study, F19]
    third_port = "H" if side == "L" else "L"
    if own > REFLECTING_DB:
        return _wrong(GAP, "S21 passes but the pass channel is not matched: broken pin or bad plug at port 2?")
    seen_before = returned_db is not None and abs(other - returned_db) < SAME_DB
    if declared == from_antenna and other > MATCHED_DB and seen_before:
        # A lead ends that port as well as a load does: what comes back is the side's, not the load's.
        cure = f"side {third_port} is off tune, not its load: as much came back with a lead on {third_port}"
        return HookUpCheck(State.NOTE, f"{declared} ok, {third_port} OFF TUNE", cure, from_antenna)
    if other > REFLECTING_DB:
        if abs(other - open_third) < abs(other - 0.3 * passed):
            if declared == from_side:
                return HookUpCheck(
                    State.NOTE, f"{declared} ok", f"{third_port} can't be seen from this side", from_side
                )
            return _wrong(
                f"{third_port} NOT LOADED",
                f"port {third_port} is open: put a load on it (S11 {other:.1f} dB there), or is its side far off tune?",
                from_antenna,
            )  # fmt: skip
        if declared == from_side:
            cure = f"the load on {third_port} can't be seen from this side: drive the antenna port to see it"
            return HookUpCheck(State.NOTE, f"{declared} ok", cure, from_side)
        if declared == from_antenna and look.taken_hz is not None:
            at = f"{look.taken_hz / 1e6:.1f} MHz"
            cure = f"{third_port} takes its power at {at}, off the plan: check the pair in the site file"
            return HookUpCheck(State.NOTE, f"{third_port} OFF PLAN", cure, from_antenna)
        return _wrong(
            "LEADS EXCHANGED", f"port 1 is on {side}, port 2 on A: S21 holds, S11 is {side}'s; exchange the leads",
            from_side,
        )  # fmt: skip
    off = 0.0 if look.on_plan else look.off_plan_hz
    if declared == from_antenna and off is not None and off != 0.0 and min(own, other) > GOOD_LOAD_DB - 5.0:
        cure = f"pass, notch and match lie {off / 1e6:+.1f} MHz off the plan: check the pair in the site file first"
        return HookUpCheck(State.NOTE, f"OFF PLAN {off / 1e6:+.1f} MHz", cure, from_antenna)
    if declared == from_antenna:
        if other > GOOD_LOAD_DB and other > MATCHED_DB - 10.0:
            cure = f"put a good load on {third}: it returns {-other:.0f} dB, the rejection may be off by a decibel"
            return HookUpCheck(State.NOTE, f"{third} POOR LOAD", cure, from_antenna)
        return HookUpCheck(State.RIGHT, f"{declared} ok, {third} loaded", seen=from_antenna)
    if declared == from_side and other > MATCHED_DB:
        cure = f"the load on {third} can't be seen from this side: drive the antenna port to see it"
        return HookUpCheck(State.NOTE, f"{declared} ok", cure, from_side)
    if declared == from_side:
        return _wrong("LEADS EXCHANGED", "port 1 is on A: exchange the leads, or declare it so", from_antenna)
    return _wrong(
        f"{from_antenna}, NOT {declared}", f"this is {from_antenna}: move lead 2, or declare it so", from_antenna
    )


def _no_pass(look: _Look, declared: str) -> HookUpCheck:
    """Neither channel passes."""
    reject = max(look.s21_low, look.s21_high) < -40.0
    matched = (look.s11_low < MATCHED_DB, look.s11_high < MATCHED_DB)
    if reject and matched == (True, False):
        return _sides(look.s11_high, "L", "H", declared)
    if reject and matched == (False, True):
        return _sides(look.s11_low, "H", "L", declared)
    if "A" in declared and float(look.s21_all.max()) < look.floor_db + 6.0:
        cure = "nothing arrives at port 2 anywhere in this sweep: a lead is off, or no pass lies in it (sweep wider)"
        return HookUpCheck(State.NOTE, "NOTHING ARRIVES", cure)
    if reject and matched == (False, False) and min(look.s11_low, look.s11_high) > REFLECTING_DB:
        return _wrong("A OPEN", "sides only, and the antenna port is open: put a load on A", "L>H")
    passed, held = max(look.s21_low, look.s21_high), min(look.s21_low, look.s21_high)
    side, own, other = (
        ("L", look.s11_low, look.s11_high) if look.s21_low > look.s21_high else ("H", look.s11_high, look.s11_low)
    )
    from_side = declared.endswith(">A")
    if GAP_DEEPEST_DB < passed < GAP_DB and passed - held > NOTCH_CONTRAST_DB and (other < MATCHED_DB or from_side):
        if own > GAP_DB:
            cure = f"series gap suspected at port 2 or {side}: {-passed:.0f} dB are missing and come back to port 1"
            return _wrong(GAP, f"{cure}; look at the centre pins, this is not the duplexer's loss")
        if own < MATCHED_DB + 2.0:
            return _pad(look, side, -passed, declared)
    where = "none lies within the sweep: sweep wider"
    if look.off_plan_hz is not None:
        where = f"nearest pass-like point at {look.off_plan_hz / 1e6:+.1f} MHz"
    cure = f"no pass found at the plan; {where}; check the pair in the site file first"
    return HookUpCheck(State.UNSEEN, "NOT RECOGNISED", cure)


def _sides(reflecting: float, driven: str, other: str, declared: str) -> HookUpCheck:
    """One side's channel matched, the other reflecting: side to side, or a lead that hangs off the antenna's far
    side."""
    seen = f"{driven}>{other}"
    told = declared in (seen, f"{other}>{driven}")
    # Many cavities of low Q take up to 9 dB of what a side sends back at the channel that it holds back.
    if told or reflecting > TOTAL_DB:
        if told:
            return HookUpCheck(State.RIGHT, f"{declared} ok", seen=seen)
        return _wrong(f"{seen}, NOT {declared}", f"this is {seen}: move the leads, or declare it so", seen)
    return _wrong(f"NOTHING ON {other}", f"lead 2 is off, and {other} is open: put lead 2 on {other}")
