"""All three ports of the duplexer from several hook-ups: isolation between the sides, with a load and with the antenna.

Owns: gathering the hook-ups into one matrix at both channels, and what it says. Refuses: to guess a hook-up that is
missing; it is named.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from rf.calibration.three_port import PORTS, Taken, assemble, isolation, isolation_any_phase
from rf.floor.bound import rejection_figure
from rf.floor.pool import Pooled
from rf.floor.proof import Limits
from rf.floor.third_port import third_port_db
from rf.repeater.antenna import reflection_at
from rf.repeater.passband import Residuals
from rf.values.decibel import amplitude, amplitude_db
from rf.values.figure import Figure, cant_say
from rf.values.words import text
from visit.calibration.corrector import Calibration
from visit.figures.assessment import Assessment
from visit.figures.averaging import Averaged, Complex
from visit.figures.known import Known
from visit.figures.third_load import MEASURED, third_load
from visit.figures.two_states import latest, quiet, value_at
from visit.figures.unsurveyed import NOT_SURVEYED, unsurveyed
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

    def known(self, run: RunRow) -> Known:
        """Everything that is known of a run."""

    def assess(self, run: RunRow) -> Assessment | None:
        """The figures of a run by itself."""


GAMMA_SHARE = 0.1
"""Share of its own size by which port 1's match of 20 dB bends what is read of an antenna."""


@dataclass(frozen=True, slots=True)
class _Path:
    """What is wrong about the transmission between two ports at a channel, as amplitudes re thru: E|n|^2 (`power`),
    what may `leak` past it and whether that was `surveyed`, what mismatch, loads and correction may do (`systematic`).
    `hides` says why nothing is known of it (empty: something is)."""

    power: float = 0.0
    leak: float = 0.0
    systematic: float = 0.0
    surveyed: bool = True
    hides: str = ""

    def worse(self, other: _Path) -> _Path:
        """Both hook-ups of one pair of ports were measured: no better than the worse one."""
        return _Path(
            max(self.power, other.power), max(self.leak, other.leak), max(self.systematic, other.systematic),
            self.surveyed and other.surveyed, self.hides or other.hides,
        )  # fmt: skip


def three_ports(runs: Runs) -> list[str]:
    """Isolation between the sides, with a load and with the antenna (study, scenario 40)."""
    found = assembled(runs)
    if isinstance(found, str):
        return [found] if found else []
    s, paths, loads, names = found
    condition = "" if all(one.surveyed for pair in paths.values() for one in pair) else f"; {NOT_SURVEYED}"
    lines = [f"three ports from {', '.join(names)}; loads {loads}{condition}"]
    measured = latest(runs, HookUp(ANTENNA, ANTENNA, ""))
    for index, channel in enumerate((runs.site.low_hz, runs.site.high_hz)):
        at = f"{channel / 1e6:.4f} MHz"
        across = paths[frozenset("LH")][index]
        lines.append(f"  isolation at {at}, load on A: {text(_isolation(abs(complex(isolation(s)[index])), across))}")
        antenna = None if measured is None else measured[1]
        if antenna is None or not antenna.frequency_hz[0] <= channel <= antenna.frequency_hz[-1]:
            continue
        gamma = reflection_at(antenna.frequency_hz, antenna.s11.mean, channel)
        closed = abs(complex(isolation(s, gamma)[index]))
        low, high = (float(edge[index]) for edge in isolation_any_phase(s, abs(gamma)))
        around = _around(s[index], abs(gamma), across, paths[frozenset("AL")][index], paths[frozenset("AH")][index])
        worst, best = (text(_isolation(size, around)) for size in (high, low))
        lines.append(
            f"  with the measured antenna ({-amplitude_db(abs(gamma)):.1f} dB return loss):"
            f" {text(_isolation(closed, around))}; worst at any phase {worst}, best {best}"
        )
    return lines


def _isolation(size: float, path: _Path) -> Figure:
    """An isolation of so large an amplitude, with all that may be wrong about it."""
    if path.hides:
        return cant_say("dB", path.hides)
    steady = path.systematic + path.leak * (1.0 if path.surveyed else 0.0)
    figure = rejection_figure(complex(size), path.power, leakage=steady)
    if figure.limited_by == "leakage" and path.systematic > steady / 2.0:
        figure = replace(figure, limited_by="mismatch")
    return figure if path.surveyed else unsurveyed(figure, path.leak)


def _around(s: NDArray[np.complex128], gamma: float, across: _Path, low: _Path, high: _Path) -> _Path:
    """What is wrong about S_HL + S_HA G S_AL / (1 - S_AA G) at one channel, `s` (3, 3): to first order each factor's
    own errors times the others, at the worst phase."""
    bent = gamma / max(1.0 - abs(s[0, 0]) * gamma, 0.1)
    to_low, to_high = bent * float(abs(s[0, 1])), bent * float(abs(s[2, 0]))
    through = to_low * float(abs(s[2, 0]))
    # The antenna's own reading, and the match of port A beside it: as return losses near 20 dB are known, and better.
    reflected = amplitude(-Residuals().directivity_db) + gamma * GAMMA_SHARE
    return _Path(
        power=across.power + high.power * to_low**2 + low.power * to_high**2,
        leak=across.leak + high.leak * to_low + low.leak * to_high,
        systematic=across.systematic + high.systematic * to_low + low.systematic * to_high
        + through * min(reflected / max(gamma, 1e-6), 1.0),
        surveyed=across.surveyed and low.surveyed and high.surveyed,
        hides=across.hides or low.hides or high.hides,
    )  # fmt: skip


def assembled(runs: Runs) -> tuple[NDArray[np.complex128], dict[frozenset[str], list[_Path]], str, list[str]] | str:
    """S (2, 3, 3) at both channels, what is wrong about each pair of ports there, words on the loads, hook-ups used; or
    what is missing, "" when no side-to-side hook-up was measured."""
    channels = (runs.site.low_hz, runs.site.high_hz)
    load = latest(runs, HookUp("load", "load", ""))
    taken: dict[str, Taken] = {}
    paths: dict[frozenset[str], list[_Path]] = {}
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
            pair = frozenset((driven, read))
            mine = [_path(runs, *value[3:], channel) for value, channel in zip(known, channels, strict=True)]
            paths[pair] = [one.worse(other) for one, other in zip(mine, paths.get(pair, mine), strict=True)]
    if not any({name[0], name[2]} == {"L", "H"} for name in taken):
        return ""
    try:
        s = assemble(taken)
    except ValueError as error:
        return f"three ports: {error}"
    words = "taken as perfect (measure yours as hook-up load)" if load is None else "as measured"
    return s, paths, words, list(taken)


def _corner(runs: Runs, hookup: HookUp, channel_hz: float) -> tuple[complex, complex, complex, RunRow, Pooled] | None:
    """S11, S21 and port 2's match at a channel, from the run that holds the least noise there; and that run."""
    best: tuple[complex, complex, complex, RunRow, Pooled] | None = None
    for run in reversed(runs.runs):
        found = quiet(runs, run) if run.hookup == hookup else None
        pooled = value_at(runs.site, found, channel_hz) if found is not None else None
        if found is None or pooled is None or (best is not None and pooled.power >= best[4].power):
            continue
        calibration = runs.calibration(run)
        match = 0j
        if calibration is not None:
            terms = calibration.terms
            match = _interpolated(terms.frequency_hz, terms.load_match, channel_hz)
        s11 = _interpolated(found.frequency_hz, found.s11.mean, channel_hz)
        # The corrector took port 2 out of S11; the assembly wants what one orientation reads.
        best = (s11 + match * pooled.value**2, pooled.value, match, run, pooled)
    return best


def _path(runs: Runs, run: RunRow, pooled: Pooled, channel_hz: float) -> _Path:
    """What is wrong about the transmission of one run at a channel, and whether its own figure says anything there."""
    known, made = runs.known(run), runs.assess(run)
    found = [] if made is None else [one for one in made.channels if one.frequency_hz == channel_hz]
    if not found or not found[0].transmission.known:
        return _Path(hides=found[0].transmission.why if found else f"nothing known of {run.hookup.name} there")
    residuals = known.residuals or Residuals()
    load = third_load(runs.site, run.hookup, known, channel_hz, found[0].return_loss)
    # A load that was measured is taken out; what its own measurement leaves is not.
    left_db = 0.0 if load is None else load.limit_db
    if load is not None and load.source == MEASURED:
        left_db = third_port_db(residuals.directivity_db, load.share)
    limits = Limits(None, residuals.port2_return_loss_db, residuals.tracking_db + abs(pooled.bias_db), left_db)
    leak = known.leak_at(channel_hz)
    return _Path(
        power=pooled.power,
        leak=known.worst_leak if leak is None else leak,
        systematic=abs(pooled.value) * (amplitude(limits.systematic_db) - 1.0),
        surveyed=leak is not None,
    )


def _interpolated(frequency_hz: NDArray[np.float64], values: Complex, at_hz: float) -> complex:
    real = np.interp(at_hz, frequency_hz, values.real)
    return complex(real, np.interp(at_hz, frequency_hz, values.imag))
