"""What the trace itself says at one frequency: the level of one point with its word.

Owns: `Traces`, the averaged traces of a run with their noise, and the level at a marker. Refuses: a level of a point
that is under the floor (only a bound follows), of one that a carrier touches, and of a trace that nobody corrected.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rf.floor.average import Average
from rf.floor.bound import rejection_figure
from rf.floor.floor import Floor
from rf.floor.proof import Limits
from rf.repeater.passband import Residuals, return_loss_at
from rf.values.decibel import level_db
from rf.values.figure import Figure, cant_say

S21, S11 = "S21", "S11"
RESTLESS = "not the same from sweep to sweep here"


@dataclass(frozen=True, slots=True)
class Trace:
    """One parameter: mean (K,) complex re thru, power of its noise (K,), `held` points (K,) that nothing may be read
    from, degrees of freedom behind the noise."""

    mean: NDArray[np.complex128]
    noise_power: NDArray[np.float64]
    held: NDArray[np.bool_]
    floor: Floor

    @property
    def level_db(self) -> NDArray[np.float64]:
        """(K,) dB re thru."""
        return level_db(self.mean)


@dataclass(frozen=True, slots=True)
class Traces:
    """The traces of a run by name; `doubt` why none of their levels is believed (empty: they are); `residuals` what
    the correction leaves."""

    frequency_hz: NDArray[np.float64]
    traces: dict[str, Trace]
    residuals: Residuals
    doubt: str = ""

    def names(self) -> tuple[str, ...]:
        """Those that are there, S21 first."""
        return tuple(name for name in (S21, S11) if name in self.traces)

    def nearest(self, hz: float) -> int:
        """The measured point beside a frequency."""
        return int(np.argmin(np.abs(self.frequency_hz - hz)))

    def loss_at(self, name: str, hz: float, leakage: float | None = None) -> Figure:
        """How far the trace lies under 0 dB at the point nearest to `hz`, in positive dB: a transmission's loss or a
        return loss. `leakage` as in `rf.floor.bound`."""
        trace = self.traces.get(name)
        if trace is None:
            return cant_say("dB", f"this hook-up has no {name}")
        if self.doubt:
            return cant_say("dB", self.doubt, limited_by="correction")
        at = self.nearest(hz)
        if trace.held[at] or not np.isfinite(trace.mean[at]):
            return cant_say("dB", RESTLESS, limited_by="ingress")
        if name == S11:
            through = self.traces.get(S21)
            passing = 0.0 if through is None else float(np.abs(through.mean[at]))
            calm = ~trace.held
            return return_loss_at(
                self.frequency_hz[calm], trace.mean[calm], trace.noise_power[calm], float(self.frequency_hz[at]),
                self.residuals, passing,
            ).figure  # fmt: skip
        left = self.residuals
        spread_db = Limits(None, left.port2_return_loss_db).systematic_db + left.tracking_db + left.drift_db
        return rejection_figure(
            complex(trace.mean[at]), float(trace.noise_power[at]), trace.floor.dof, leakage=leakage,
            systematic_db=spread_db,
        )  # fmt: skip


def trace_of(average: Average, floor: Floor, held: NDArray[np.bool_] | None = None) -> Trace:
    """One parameter of an average; what bursts or carriers hit is held back."""
    touched = average.too_busy_points
    return Trace(average.mean, floor.averaged_power, touched if held is None else touched | held, floor)
