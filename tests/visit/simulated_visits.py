"""Visit files made of simulated sweeps, written straight into the file: no wire, no analyzer, thousands of runs.

The unit holds back exactly what is told, read through the worst mismatch and fit error that the proof allows for, so
that nothing but chance keeps a proof from being false.
"""

from __future__ import annotations

import contextlib
import functools
import math
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any
from unittest import mock

import numpy as np

from protocol.sweep import Applied, SweepSettings
from rf.floor.bound import upper_limit
from rf.floor.pool import Bottom, BottomShape, planned_bias_db
from rf.floor.proof import Limits
from rf.floor.third_port import COMMON_LOAD_DB, ThirdLoad
from rf.notch.notch import NotchPlace, find_notch
from rf.values.verdict import Verdict
from tests.benchtop import IDEAL, make_unit, take
from visit.figures.replay import Replay
from visit.figures.run_figures import RunFigures
from visit.record.visit_file import VisitFile
from visit.site.hookup import HookUp
from visit.site.site import load_site

SITE = load_site(Path(__file__).parents[2] / "fixtures/sites/demo-450.toml")
GOAL_DB, TRUTH_DB = 90.0, 89.99
UNIT_HZ = 455e6 / (2 * 950)
BOTTOM = Bottom(244e3, BottomShape(3 / UNIT_HZ, 3 / UNIT_HZ**2))
"""U6's, (x + j)^3."""
SPARED_DB = Limits(None, 20.0, third_port_db=ThirdLoad(COMMON_LOAD_DB).limit_db).systematic_db + planned_bias_db(BOTTOM)
"""What the proof allows for mismatch, load and fit: the reading is made better by all of it."""
FLOOR = 1e-7
"""E|n|^2 of a point of one sweep, -70 dB; pooled over the zoom -90 dB."""
POINTS = 101
WIDE = SweepSettings(442.5e6, 462.5e6, 201, 1000.0)
ZOOM = SweepSettings(455e6 - 28e3, 455e6 + 28e3, POINTS, 1000.0)
A_TO_L = HookUp("A", "L")


@functools.cache
def _wide_sweeps() -> tuple[np.ndarray, np.ndarray]:
    """The same for all visits, so that they are fitted once."""
    sweeps = take(make_unit("U6"), (WIDE.start_hz, WIDE.stop_hz), 3, points=WIDE.points, seed=1, **IDEAL)
    return np.array([sweep.s11 for sweep in sweeps]), np.array([sweep.s21 for sweep in sweeps])


@contextlib.contextmanager
def fitted_once() -> Iterator[None]:
    """The fit of the wide run, a pure function that takes a second, is remembered; all else goes the whole way."""
    remembered: dict[bytes, NotchPlace] = {}

    def remembering(frequency_hz: np.ndarray, mean: np.ndarray, *args: Any, **options: Any) -> NotchPlace:
        if frequency_hz.size != WIDE.points:
            return find_notch(frequency_hz, mean, *args, **options)
        key = mean.tobytes() + repr(options).encode()
        if key not in remembered:
            remembered[key] = find_notch(frequency_hz, mean, *args, **options)
        return remembered[key]

    with mock.patch("visit.figures.assess.find_notch", remembering):
        yield


class SimulatedVisit:
    """One visit at 450/455 MHz with a wide run that told the notch's width and was too short for a look."""

    def __init__(self, path: Path, seed: int, truth_db: float = TRUTH_DB, leak_db: float | None = -200.0) -> None:
        self.file = VisitFile.create(path, SITE, "demo", 1e9)
        self.file._connection.execute("pragma synchronous = off")
        self.rng = np.random.default_rng(seed)
        self.level = 10.0 ** (-(truth_db + SPARED_DB) / 20.0)
        self.now_s = 1e9
        if leak_db is not None:
            self.file.add_row("told_leak", {"at_s": self.now_s, "amplitude": 10.0 ** (leak_db / 20.0)})
        self.write(WIDE, None, *_wide_sweeps())

    def write(
        self,
        settings: SweepSettings,
        planned: int | None,
        s11: np.ndarray,
        s21: np.ndarray,
        *,
        watched: bool = True,
        run_id: int | None = None,
        hookup: HookUp = A_TO_L,
    ) -> int:
        """A run of sweeps (N, K), or more sweeps of one that goes on; returns its row."""
        self.now_s += 1000.0
        if run_id is None:
            applied = Applied(settings, settings)
            purpose = "live" if watched else "check"
            run_id = self.file.begin_run(purpose, hookup, applied, planned, None, self.now_s, watched=watched)
        grid = settings.frequency_hz().astype("<f8").tobytes()
        first = self.file.kept(run_id)[1]
        with self.file.writing() as connection:
            connection.execute(
                "insert or ignore into grid (digest, frequency_hz) values (?, ?)", (str(hash(grid)), grid)
            )
            (grid_id,) = connection.execute("select id from grid where frequency_hz = ?", (grid,)).fetchone()
            connection.executemany(
                "insert into sweep (run_id, sequence, started_s, duration_s, grid_id, s11, s21) values (?,?,?,?,?,?,?)",
                [
                    (run_id, first + n, self.now_s + n, 0.5, grid_id, a.tobytes(), b.tobytes())
                    for n, (a, b) in enumerate(zip(s11, s21, strict=True))
                ],
            )
        return run_id

    def zoom_sweeps(self, count: int) -> tuple[np.ndarray, np.ndarray]:
        """S11 and S21 (N, K) of the bottom."""
        noise = self.rng.normal(size=(4, count, POINTS)) * math.sqrt(FLOOR / 2.0)
        turned = self.level * np.exp(2j * math.pi * self.rng.random())
        return 0.1 + noise[0] + 1j * noise[1], turned + noise[2] + 1j * noise[3]

    def zoom(self, planned: int, *, watched: bool = True, stop: Callable[[np.ndarray], int] | None = None) -> int:
        """A zoom run of `planned` sweeps, ended early after `stop` of them."""
        s11, s21 = self.zoom_sweeps(planned)
        taken = planned if stop is None else stop(s21)
        return self.write(ZOOM, planned, s11[:taken], s21[:taken], watched=watched)

    def verdict(self, figures: RunFigures | None = None) -> Verdict:
        """What the report says of the rejection now. `figures`: what is made of the runs already."""
        shown = Replay(self.file, figures=figures).figures(A_TO_L)
        assert shown is not None
        return next(goal.verdict for goal in shown.assessment.goals if goal.name == "rejection")

    def passes_within(self, runs: int, sweeps: int, *, watched: bool = True) -> bool:
        """Zoom runs of so many sweeps until the report passes, so many at most."""
        figures = RunFigures(self.file)
        for _ in range(runs):
            self.zoom(sweeps, watched=watched)
            figures.refresh()
            if self.verdict(figures) is Verdict.PASS:
                return True
        return False


def when_it_clears(s21: np.ndarray) -> int:
    """Sweeps after which somebody stops who waits for the 95 % bound on the screen to clear the goal; all of them where
    it never does."""
    counts = np.arange(1, len(s21) + 1)
    value = np.abs(s21.mean(axis=1).cumsum() / counts)
    bound_db = -20.0 * np.log10(upper_limit(value, FLOOR / POINTS / counts)) - SPARED_DB
    clears = np.flatnonzero((bound_db >= GOAL_DB) & (counts >= 5))
    return int(counts[clears[0]]) if clears.size else len(s21)
