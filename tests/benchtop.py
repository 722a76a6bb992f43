"""Repeated sweeps of a simulated duplexer for tests of what is computed from them.

The physics come from `protocol.simulated`, which shares no code with the fitted model in `rf`. No wire is involved
here; tests of the whole path go through a pty (see tests/protocol/test_end_to_end.py).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from protocol.simulated.control import Control
from protocol.simulated.duplexer import Duplexer, load_unit
from protocol.simulated.hookup import HookUp
from protocol.simulated.instrument import Instrument, InstrumentOptions
from visit.record.visit_file import StoredSweep

IDEAL: dict[str, Any] = {"gain_jitter": 0.0, "warm_up_db": 0.0}
"""An instrument that adds nothing but noise (and the small residuals of its own correction)."""


def make_unit(name: str, low_errors_hz: Sequence[float] = ()) -> Duplexer:
    """A unit of the study, the low side's notches displaced."""
    unit = load_unit(name)
    for number, error in enumerate(low_errors_hz, 1):
        unit.turn("L", number, error)
    return unit


def take(
    unit: Duplexer,
    span_hz: tuple[float, float],
    sweeps: int,
    *,
    points: int = 401,
    bandwidth_hz: float = 1000.0,
    hookup: str = "A>L",
    bench: Sequence[str] = (),
    **options: Any,
) -> list[StoredSweep]:
    """`sweeps` sweeps of one hook-up as the visit file would give them back; `bench`: control lines first."""
    driven, read = hookup.split(">")
    instrument = Instrument(InstrumentOptions(**options), unit, HookUp(driven, read))
    instrument.start_hz, instrument.stop_hz = span_hz
    instrument.points, instrument.bandwidth_hz = points, bandwidth_hz
    for line in bench:
        Control(instrument)(line)
    taken = []
    for number in range(1, sweeps + 1):
        sweep = instrument.sweep()
        taken.append(StoredSweep(number, sweep.frequency_hz, sweep.s11, sweep.s21, float(number), sweep.duration_s))
    return taken


def exact(unit: Duplexer, frequency_hz: Sequence[float] | np.ndarray, to: int = 1) -> np.ndarray:
    """What a perfect instrument reads from A to port `to` (1: L, 2: H), others loaded."""
    return np.asarray(unit.s(np.asarray(frequency_hz, float))[:, to, 0])


def take_on_loads(count: int, **options: Any) -> list[StoredSweep]:
    """Sweeps of a survey: both leads on loads."""
    instrument = Instrument(InstrumentOptions(seed=5, **options), make_unit("U6"), HookUp(on_loads=True))
    instrument.start_hz, instrument.stop_hz, instrument.points = 442.5e6, 462.5e6, 401
    taken = []
    for number in range(1, count + 1):
        sweep = instrument.sweep()
        taken.append(StoredSweep(number, sweep.frequency_hz, sweep.s11, sweep.s21, float(number), sweep.duration_s))
    return taken
