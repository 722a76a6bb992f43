"""All three ports of the duplexer from several hook-ups: isolation between the sides, with a load and with the antenna.

Owns: gathering the hook-ups into one matrix at both channels, and what it says. Refuses: to guess a hook-up that is
missing; it is named.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from rf.calibration.three_port import PORTS, Taken, assemble, isolation, isolation_any_phase
from rf.floor.bound import rejection_figure
from rf.repeater.antenna import reflection_at
from rf.values.decibel import amplitude_db
from rf.values.figure import Figure
from rf.values.words import text
from visit.calibration.corrector import Calibration
from visit.figures.averaging import Averaged, Complex
from visit.figures.two_states import latest, quiet, value_at
from visit.record.visit_file import RunRow
from visit.site.hookup import ANTENNA, HookUp
from visit.site.site import Site


class Runs(Protocol):
    """The runs of a visit, their averages and what corrects them."""

    @property
    def runs(self) -> Sequence[RunRow]:
        """In the order in which they were begun."""

    @property
    def site(self) -> Site:
        """The site."""

    def averaged(self, run: RunRow) -> Averaged | None:
        """A run averaged and corrected."""

    def calibration(self, run: RunRow) -> Calibration | None:
        """The calibration that corrects a run."""


def three_ports(runs: Runs) -> list[str]:
    """Isolation between the sides, with a load and with the antenna (study, scenario 40)."""
    found = assembled(runs)
    if isinstance(found, str):
        return [found] if found else []
    s, power, loads, names = found
    lines = [f"three ports from {', '.join(names)}; loads {loads}"]
    measured = latest(runs, HookUp(ANTENNA, ANTENNA, ""))
    for index, channel in enumerate((runs.site.low_hz, runs.site.high_hz)):
        at = f"{channel / 1e6:.4f} MHz"
        plain = abs(complex(isolation(s)[index]))
        lines.append(f"  isolation at {at}, load on A: {text(_isolation(plain, power[index]))}")
        antenna = None if measured is None else measured[1]
        if antenna is None or not antenna.frequency_hz[0] <= channel <= antenna.frequency_hz[-1]:
            continue
        gamma = reflection_at(antenna.frequency_hz, antenna.s11.mean, channel)
        closed = abs(complex(isolation(s, gamma)[index]))
        low, high = (float(edge[index]) for edge in isolation_any_phase(s, abs(gamma)))
        worst = text(_isolation(high, power[index]))
        lines.append(
            f"  with the measured antenna ({-amplitude_db(abs(gamma)):.1f} dB return loss):"
            f" {text(_isolation(closed, power[index]))}; worst at any phase {worst}, best"
            f" {-amplitude_db(max(low, 1e-12)):.1f} dB"
        )
    return lines


def _isolation(size: float, power: float) -> Figure:
    return rejection_figure(complex(size), power, leakage=None, systematic_db=0.1)


def assembled(runs: Runs) -> tuple[NDArray[np.complex128], NDArray[np.float64], str, list[str]] | str:
    """S (2, 3, 3) at both channels, E|n|^2 of S_HL (2,), words on the loads, hook-ups used; or what is missing, "" when
    no side-to-side hook-up was measured."""
    channels = (runs.site.low_hz, runs.site.high_hz)
    load = latest(runs, HookUp("load", "load", ""))
    taken: dict[str, Taken] = {}
    power = np.zeros(2)
    for driven in PORTS:
        for read in PORTS:
            if driven == read:
                continue
            values = [_corner(runs, HookUp(driven, read), channel) for channel in channels]
            known = [value for value in values if value is not None]
            if len(known) < len(channels):
                continue
            third = [
                0j if load is None else _interpolated(load[1].frequency_hz, load[1].s11.mean, hz) for hz in channels
            ]
            columns = np.array([value[:3] for value in known]).T
            taken[f"{driven}>{read}"] = Taken(columns[0], columns[1], columns[2], np.array(third))
            if {driven, read} == {"L", "H"}:
                power = np.array([value[3] for value in known]).real
    if not any({name[0], name[2]} == {"L", "H"} for name in taken):
        return ""
    try:
        s = assemble(taken)
    except ValueError as error:
        return f"three ports: {error}"
    words = "taken as perfect (measure yours as hook-up load)" if load is None else "as measured"
    return s, power, words, list(taken)


def _corner(runs: Runs, hookup: HookUp, channel_hz: float) -> tuple[complex, complex, complex, float] | None:
    """S11, S21, port 2's match and the noise of S21 at a channel, from the run that holds the least noise there."""
    best: tuple[complex, complex, complex, float] | None = None
    for run in reversed(runs.runs):
        found = quiet(runs, run) if run.hookup == hookup else None
        pooled = value_at(runs.site, found, channel_hz) if found is not None else None
        if found is None or pooled is None or (best is not None and pooled.power >= best[3]):
            continue
        calibration = runs.calibration(run)
        match = 0j
        if calibration is not None:
            terms = calibration.terms
            match = _interpolated(terms.frequency_hz, terms.load_match, channel_hz)
        s11 = _interpolated(found.frequency_hz, found.s11.mean, channel_hz)
        # The corrector took port 2 out of S11; the assembly wants what one orientation reads.
        best = (s11 + match * pooled.value**2, pooled.value, match, pooled.power)
    return best


def _interpolated(frequency_hz: NDArray[np.float64], values: Complex, at_hz: float) -> complex:
    real = np.interp(at_hz, frequency_hz, values.real)
    return complex(real, np.interp(at_hz, frequency_hz, values.imag))
