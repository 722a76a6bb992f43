"""Is the analyzer good enough for this duplexer, and how long will it take: before any lead is screwed on, or later.

Owns: the forecast for wide sweep, zoom and pool, for the notch's place and for the proof, what ends each, what would
help most. Refuses: laws of its own (floors, readings, proofs, settings and places come from the functions that plans
and figures use), and more than INFERRED.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

from protocol.errors import RequestError
from rf.values.decibel import amplitude
from rf.values.figure import Figure, inferred
from visit.day.day import Day
from visit.day.instrument import AMPLIFIER_DB, KnownInstrument, amplified_db, known_instrument
from visit.day.seen_instrument import seen_instrument
from visit.day.side_forecast import SPARES_DB, WAYS, Proof, SideForecast, Way
from visit.figures.replay import Replay
from visit.site.hookup import HookUp, Side
from visit.site.site import Site

WINDOW = "window"
WINDOW_MIN = 30.0
"""Time for the averages of one side, where no window was typed (common practice)."""
LEADS_DB = 20.0
"""What double-shielded leads and clean plugs take from a leak past the unit (common practice)."""
JUMPER_DB = 25.0
"""By how much a half-wave jumper and leads that lie still part signal and leak (own simulation: 22 dB and more)."""
WORTH_DB = 1.0
BETTER_DB = (12.0, 15.0, 20.0, 30.0)
"""Units so much better than their goal are rare; they are looked at where no usual one can be proved."""


@dataclass(frozen=True, slots=True)
class Help:
    """What would be gained by something, in dB of the bound."""

    name: str
    gain: Figure
    says: str


@dataclass(frozen=True, slots=True)
class Suits:
    """All of it. `verdict`: "yes", "perhaps", "no" or "can't say"; `proofs` of a good, a usual and a scarce unit;
    `place` standard deviation of the mean notch and `holds` by how much it may move before 3 dB are lost, both in
    hertz; `helps` the most helpful first."""

    site: Site
    known: KnownInstrument
    window_min: float
    verdict: str
    says: str
    ways: tuple[Way, ...]
    proofs: tuple[Proof, ...]
    place: Figure
    holds: Figure
    helps: tuple[Help, ...]
    condition: str = ""
    """What all of it rests on until somebody has looked; empty: nothing of the kind."""

    @property
    def proof(self) -> Proof:
        """Of a usual unit."""
        return self.proofs[1]


def suits(
    site: Site, known: KnownInstrument, *, window_min: float = WINDOW_MIN, unloaded_q: float | None = None
) -> Suits:
    """The forecast for one side; the other differs by the channel's place only. `unloaded_q`: where it is known. Raises
    RequestError where nothing is known of the analyzer."""
    if known.ability is None:
        raise RequestError(known.why)
    case = SideForecast.of(site, known, known.ability, window_min, unloaded_q)
    ways = tuple(case.way(name) for name in WAYS)
    proofs = tuple(case.proof(spare) for spare in SPARES_DB)
    verdict, says = _verdict(site, ways[-1], proofs, window_min)
    condition = "" if verdict == "no" or case.leak_known else _condition(case)
    if condition:
        verdict = "perhaps"
    if verdict == "no":
        says += _of_better(case, window_min)
    return Suits(site, known, window_min, verdict, says, ways, proofs, *case.place(),
                 tuple(_helps(case, ways[-1], proofs[1])), condition)  # fmt: skip


def suits_of(replay: Replay, site: Site, unloaded_q: float | None = None) -> Suits:
    """Of a visit, for the window that was typed. Raises RequestError, RecordError."""
    window = Day(replay.visit).value(WINDOW)
    known = _known(replay)
    return suits(site, known, window_min=window if window else WINDOW_MIN, unloaded_q=unloaded_q)


def suits_if_known(replay: Replay) -> Suits | None:
    """Of a visit that is replayed; None where nothing is known of its analyzer. Raises RequestError, RecordError."""
    if _known(replay).ability is None:
        return None
    return suits_of(replay, replay.site, fitted_q(replay))


def _known(replay: Replay) -> KnownInstrument:
    """What was typed, else its card, else what its runs show."""
    known = known_instrument(replay.visit)
    if known.ability is not None:
        return known
    seen = seen_instrument(replay.figures_of)
    return known if seen.ability is None else seen


def fitted_q(replay: Replay) -> float | None:
    """The unloaded Q that a fit of this visit told; None without one. Raises RecordError."""
    for side in Side:
        found = replay.figures(HookUp("A", side.value))
        notch = None if found is None else found.assessment.notch
        if notch is not None and notch.trusted and notch.unloaded_q.known:
            return notch.unloaded_q.value
    return None


def _verdict(site: Site, pool: Way, proofs: tuple[Proof, ...], window_min: float) -> tuple[str, str]:
    goal, (good, usual, _) = f"{site.goals.rejection_db:g} dB", proofs
    in_time = f"in {window_min:g} minutes a side"
    if usual.minutes.known and usual.minutes.high <= window_min:
        return "yes", f"{goal} can be shown {in_time} of a unit that is {usual.spare_db:g} dB better"
    if usual.minutes.known and usual.minutes.low <= window_min:
        return (
            "perhaps",
            f"{goal} of a unit that is {usual.spare_db:g} dB better takes about {window_min:g} minutes a side",
        )
    if good.minutes.known and good.minutes.low <= window_min:
        return "perhaps", f"{goal} can be shown {in_time} only of a unit that is {good.spare_db:g} dB better"
    return "no", f"{goal} can't be shown {in_time} of a unit that is {good.spare_db:g} dB better: {pool.ends} ends it"


def _condition(case: SideForecast) -> str:
    """Nothing deep is believed of an analyzer whose leak nobody knows (`visit.figures.unsurveyed`)."""
    most_db = case.most_leak_db()
    depth = "" if most_db is None else f", at most -{most_db:g} dB,"
    looked = "is not known" if case.able.leak is None else "is not bounded so low yet"
    return f"if the leak lies low enough{depth} which {looked}: survey it on loads, or type it"


def _of_better(case: SideForecast, window_min: float) -> str:
    """How good a unit would have to be."""
    for spare in BETTER_DB:
        minutes = case.proof(spare).minutes
        if minutes.known and minutes.low <= window_min:
            return f"; of one that is {spare:g} dB better it could be"
    return f"; nor of one that is {BETTER_DB[-1]:g} dB better"


def _helps(case: SideForecast, pool: Way, proof: Proof) -> Iterator[Help]:
    """The most helpful first; what helps by less than WORTH_DB is left out."""
    found = [*_against_leak(case, pool), *_against_noise(case, pool, proof)]
    yield from sorted((one for one in found if one.gain.value >= WORTH_DB), key=lambda one: -one.gain.value)


def _against_leak(case: SideForecast, pool: Way) -> Iterator[Help]:
    able = case.able
    if able.leak_found and able.leak is not None:
        without = replace(case, able=replace(able, leak=None, leak_found=False)).way("pool")
        gain = min(without.shows.value - pool.shows.value, JUMPER_DB)
        high = max(without.shows.high - pool.shows.low, gain)
        yield Help("jumper test", inferred(gain, min(0.0, gain), high, "dB", limited_by="model"),
                   "a half-wave jumper parts leak and signal (jumper=half)")  # fmt: skip
        quieter = replace(case, able=replace(able, leak=able.leak * amplitude(-LEADS_DB))).way("pool")
        gain = quieter.shows.value - pool.shows.value
        yield Help("other leads", inferred(gain, 0.0, max(min(high, LEADS_DB), gain), "dB", limited_by="model"),
                   f"double-shielded, plugs cleaned: where the leak is theirs and not the box's; {LEADS_DB:g} dB less:"
                   " common practice")  # fmt: skip
    else:
        gain = pool.shows.high - able.floor_half_db - pool.shows.value
        name = "a longer survey" if able.leak is not None else "a survey"
        yield Help(name, inferred(gain, 0.0, 2.0 * gain, "dB", limited_by="model"),
                   "on loads, longer than the proof: it bounds the leak no better than its own noise")  # fmt: skip


def _against_noise(case: SideForecast, pool: Way, proof: Proof) -> Iterator[Help]:
    setting, usual = proof.setting, proof.usual
    if setting is not None and usual is not None and setting != usual:
        gain = 10.0 * math.log10(usual.seconds / setting.seconds)
        yield Help("narrower bandwidth", inferred(gain, 0.5 * gain, 1.5 * gain, "dB", limited_by="model"),
                   f"{setting.points} points at {setting.bandwidth_hz:g} Hz, for {usual.points} at"
                   f" {usual.bandwidth_hz:g} Hz; the plan (p) takes it by itself")  # fmt: skip
    if pool.ends == "leak":
        return
    figure = case.known.noise_figure_db
    says = "before port 2: lifts the signal over the receiver's noise; a pad at port 1 keeps it from overload"
    if figure is not None:
        gain = figure - amplified_db(figure)
        if gain > 0.0:
            yield Help("amplifier", inferred(gain, max(gain - 3.0, 0.0), gain + 1.0, "dB", limited_by="model"), says)
    else:
        yield Help("amplifier", inferred(AMPLIFIER_DB / 2.0, 0.0, AMPLIFIER_DB, "dB", limited_by="model"),
                   f"{says}; how much is told once the source's level is typed (--level)")  # fmt: skip
