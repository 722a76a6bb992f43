"""Rows, sweeps and fits that tests of single rules tell instead of measuring them."""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path as FilePath
from typing import Any

import numpy as np

from protocol.sweep import SweepSettings
from rf.notch.notch import NotchPlace
from rf.values.figure import cant_say, inferred
from visit.record.visit_file import RunRow, StoredSweep
from visit.site.hookup import HookUp
from visit.site.site import load_site

SITE = load_site(FilePath(__file__).parents[2] / "fixtures/sites/demo-450.toml")
A_TO_L, LOADS = HookUp("A", "L"), HookUp.parse("loads")
WIDE, ZOOM = SweepSettings(442.5e6, 462.5e6, 401, 1000.0), SweepSettings(454.97e6, 455.03e6, 101, 1000.0)
FIRST = 0.05 * 6.0 / math.pi**2
"""Share of the first run (Lan and DeMets; rf/floor/sequential.py)."""


def run(number: int, settings: SweepSettings = ZOOM, hookup: HookUp = A_TO_L, **options: Any) -> RunRow:
    given: dict[str, Any] = {"purpose": "live", "planned_sweeps": 50, "started_s": 100.0 * number, "watched": True}
    given |= options
    return RunRow(number, hookup=hookup, settings=settings, changes=(), outcome=None, **given)


class Rows:
    """A visit file that answers with the rows it was told, by a word of the question."""

    def __init__(self, runs: list[RunRow] | None = None, **told: Any) -> None:
        self.told, self.its_runs, self.path = told, runs or [], FilePath("told.visit")
        self.counts: dict[int, int] = {}
        self.taken: list[tuple[int, int]] = []

    def rows(self, statement: str, values: tuple[object, ...] = ()) -> list[tuple[Any, ...]]:
        for name in ("stage", "look", "remark", "told_leak", "known_part", "sweep", "sums", "entry"):
            if f"from {name} " in f"{statement} ":
                answer = self.told.get(name)
                if callable(answer):
                    return list(answer(values))
                return (
                    answer if answer is not None else [(None,)] if "(" in statement.split("from", maxsplit=1)[0] else []
                )
        raise AssertionError(statement)

    def site(self) -> Any:
        return SITE

    def runs(self) -> list[RunRow]:
        return self.its_runs

    def sweep_counts(self) -> dict[int, int]:
        return self.counts

    def sweeps(self, run_id: int, limit: int = -1) -> list[StoredSweep]:
        self.taken.append((run_id, limit))
        return [sweep(number) for number in range(1, limit + 1)]

    def each_sweep(self, run_id: int, after_id: int = 0, limit: int = -1) -> Iterator[StoredSweep]:
        return iter(self.sweeps(run_id, limit))


def sweep(number: int = 1, s21: np.ndarray | None = None, f: np.ndarray | None = None) -> StoredSweep:
    f = ZOOM.frequency_hz() if f is None else f
    s21 = np.full(f.size, 1e-3 + 0j) if s21 is None else s21
    return StoredSweep(number, f, np.full(f.size, 0.1 + 0j), s21, float(number), 0.5)


def notch(centre_hz: float = 455.01e6, **options: Any) -> NotchPlace:
    nothing = cant_say("dB", "told")
    given: dict[str, Any] = {
        "centre": inferred(centre_hz, centre_hz - 1e3, centre_hz + 1e3, "Hz"), "depth": nothing,
        "unloaded_q": inferred(950.0, 900.0, 1000.0, ""), "rejection_at": (nothing,),
        "singles_limit_hz": 0.0, "bottom_width_hz": 2.4e5, "shapes_at": (), "trusted": True,
        "departure": 0.6, "misfit": 1e-3, "p_value": 0.5, "model": None, "why": "", "ended": np.arange(3.0),
    }  # fmt: skip
    return NotchPlace(**(given | options))
