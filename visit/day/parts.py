"""The further two-ports of a visit as figures at both channels, and the chains that they make.

Owns: from a Touchstone text or from two runs to figures, each path put together. Refuses: to believe a file below a
floor that nobody told, and what a run does not show.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from protocol.errors import RequestError
from protocol.files.touchstone import parse_touchstone
from rf.floor.bound import rejection_figure
from rf.repeater.chain import Link, cascade, chained
from rf.repeater.passband import Residuals, local_fit, loss_at, return_loss_at
from rf.values.decibel import amplitude, amplitude_db
from rf.values.figure import Figure, at_least, cant_say, inferred
from visit.figures.averaging import FEWEST_POINTS, Complex, floor_of
from visit.figures.replay import Replay
from visit.record.opening import damaged
from visit.record.parts import PLACES, StoredPart, parts_of
from visit.record.visit_file import VisitFile

FILE_HALF_DB = 0.3
"""Correction of whoever measured the file (common practice)."""
FILE_FLOOR_DB = 80.0
"""So far whoever measured the file could see (common practice): near it ends widen, below it stands a bound."""
FILE_DIRECTIVITY_DB = 35.0
RECIPROCAL = ("preselector", "combiner", "filter", "cable")
"""Kinds that let through the same both ways."""
SHOWN_DB = 40.0
"""A loss above this is a rejection: floor and leak decide, not the correction."""


@dataclass(frozen=True, slots=True)
class Part:
    """One part with its figures at the lower and the higher channel."""

    stored: StoredPart
    low: Link
    high: Link

    @property
    def noise_figure(self) -> Figure | None:
        """None for a passive one."""
        noise = self.stored.noise_figure_db
        if self.stored.kind != "preamplifier":
            return None
        if noise is None:
            return inferred(2.0, 0.5, 4.0, "dB", limited_by="assumed")
        return inferred(noise, max(noise - 0.5, 0.0), noise + 0.5, "dB", limited_by="noise figure")


@dataclass(frozen=True, slots=True)
class PartPath:
    """The parts of one place in the signal's order, and the chain that they make at both channels; None without any.
    `exact`: all phases were known."""

    place: str
    parts: tuple[Part, ...]
    low: Link | None
    high: Link | None
    exact: bool = False


def paths_of(replay: Replay) -> dict[str, PartPath]:
    """Both paths by place. Raises RecordError."""
    made = [_part(replay, stored) for stored in parts_of(replay.visit)]
    return {place: _path(replay, place, tuple(p for p in made if p.stored.place == place)) for place in PLACES}


def _path(replay: Replay, place: str, parts: tuple[Part, ...]) -> PartPath:
    if not parts:
        return PartPath(place, (), None, None)
    if len(parts) > 1 and all(part.stored.touchstone for part in parts):
        links = [_exact(replay, parts, hz) for hz in (replay.site.low_hz, replay.site.high_hz)]
        if links[0] is not None and links[1] is not None:
            return PartPath(place, parts, links[0], links[1], exact=True)
    return PartPath(place, parts, chained([p.low for p in parts]), chained([p.high for p in parts]))


def _exact(replay: Replay, parts: tuple[Part, ...], hz: float) -> Link | None:
    """The cascade of files, all phases known; None where one does not reach the channel. The files' own intervals are
    added as they stand."""
    found = [_at(*_table(replay.visit, part.stored), hz) for part in parts]
    known = [s for s in found if s is not None]
    if len(known) < len(found):
        return None
    s = cascade([np.asarray(one[None], np.complex128) for one in known])[0]
    return _link_of_file(s, half_db=FILE_HALF_DB * len(parts))


def _part(replay: Replay, stored: StoredPart) -> Part:
    low, high = (_link(replay, stored, hz) for hz in (replay.site.low_hz, replay.site.high_hz))
    return Part(stored, low, high)


def _link(replay: Replay, stored: StoredPart, hz: float) -> Link:
    if not stored.touchstone:
        return _link_of_runs(replay, stored, hz)
    s = _at(*_table(replay.visit, stored), hz)
    if s is None:
        return _nothing(f"the file of {stored.name} does not reach {hz / 1e6:.4f} MHz")
    return _link_of_file(s)


def _table(visit: VisitFile, stored: StoredPart) -> tuple[NDArray[np.float64], Complex]:
    try:
        return parse_touchstone(stored.touchstone.encode("latin-1", "replace"), Path("part.s2p"), "a part", 2)
    except RequestError as error:
        raise damaged(visit.path, error, f"the file of {stored.name}") from None


def _at(frequency_hz: NDArray[np.float64], s: Complex, hz: float) -> Complex | None:
    """S (2, 2) between the two nearest points; None outside the file."""
    if not frequency_hz[0] <= hz <= frequency_hz[-1]:
        return None
    flat = s.reshape(frequency_hz.size, 4)
    real = [np.interp(hz, frequency_hz, flat[:, k].real) for k in range(4)]
    imaginary = [np.interp(hz, frequency_hz, flat[:, k].imag) for k in range(4)]
    return (np.array(real) + 1j * np.array(imaginary)).reshape(2, 2)


def _link_of_file(s: Complex, half_db: float = FILE_HALF_DB) -> Link:
    return Link(
        _through(abs(s[1, 0]), half_db), _through(abs(s[0, 1]), half_db), _match(abs(s[0, 0])), _match(abs(s[1, 1]))
    )


def _through(size: float, half_db: float) -> Figure:
    """A transmission by a file: INFERRED, for nobody here measured it; near its floor only a bound."""
    floor = amplitude(-FILE_FLOOR_DB)
    if size <= 2.0 * floor:
        bound = -amplitude_db(size + floor) - half_db
        return at_least(bound, "dB", limited_by="file", why="the file's own floor is not known")
    ends = -amplitude_db(size + floor) - half_db, -amplitude_db(size - floor) + half_db
    return inferred(-amplitude_db(size), *ends, "dB", limited_by="file")


def _match(size: float) -> Figure:
    error = amplitude(-FILE_DIRECTIVITY_DB)
    if size <= 2.0 * error:
        return at_least(-amplitude_db(size + error), "dB", limited_by="file")
    low, high = (max(-amplitude_db(end), 0.0) for end in (size + error, size - error))
    return inferred(max(-amplitude_db(size), 0.0), low, high, "dB", limited_by="file")


def _nothing(why: str) -> Link:
    return Link(*(cant_say("dB", why),) * 4)


def _link_of_runs(replay: Replay, stored: StoredPart, hz: float) -> Link:
    """From a run with port 1 at the part's input, and one with it turned round. What lets through the same both ways
    needs no second run for its way back."""
    there = _of_run(replay, stored.run, hz, stored.name)
    if stored.back is not None:
        back = _of_run(replay, stored.back, hz, stored.name)
        return Link(there[0], back[0], there[1], back[1])
    unknown = cant_say("dB", f"{stored.name} was not measured turned round")
    return Link(there[0], there[0] if stored.kind in RECIPROCAL else unknown, there[1], unknown)


def _of_run(replay: Replay, run_id: int | None, hz: float, name: str) -> tuple[Figure, Figure]:
    """Loss and return loss of the input at a channel."""
    run = next((run for run in replay.runs if run.id == run_id), None)
    made = None if run is None else replay.figures_of.averaged(run)
    if run is None or made is None or made.frequency_hz.size < FEWEST_POINTS:
        return (cant_say("dB", f"the run of {name} kept no sweep"),) * 2
    known = replay.figures_of.known(run)
    why = known.uncorrected or known.axis_doubt
    if made.s21.too_busy or made.s11.too_busy or why:
        return (cant_say("dB", why or "too many bursts"),) * 2
    power21, power11 = (floor_of(one).averaged_power for one in (made.s21, made.s11))
    match = return_loss_at(made.frequency_hz, made.s11.mean, power11, hz, known.residuals).figure
    residuals = known.residuals or Residuals()
    fit = local_fit(made.frequency_hz, made.s21.mean, power21, hz)
    if fit is not None and -amplitude_db(max(abs(fit.value), 1e-12)) > SHOWN_DB:
        leak, off_db = known.leak_at(hz), residuals.tracking_db
        return rejection_figure(fit.value, fit.noise**2, leakage=leak, systematic_db=off_db), match
    near = match.value if match.known else 10.0
    return loss_at(made.frequency_hz, made.s21.mean, power21, hz, near, residuals).figure, match
