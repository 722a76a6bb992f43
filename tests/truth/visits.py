"""A truth bench measured the way a visit is measured: gate, visit file, figures, zoom, ledger.

Owns: writing the sweeps of a bench into a visit file and asking the program's own service for their figures. Refuses:
to judge them; `tests.truth.judging` does.
"""

from __future__ import annotations

import dataclasses
import sqlite3
import time
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from protocol.errors import RequestError
from protocol.sweep import Applied, Sweep, SweepSettings
from tests.truth.bench import Bench
from tests.truth.cases import Case
from visit.calibration.corrector import Corrector
from visit.figures.assessment import Assessment
from visit.figures.run_figures import RunFigures
from visit.record.visit_file import VisitFile
from visit.run.gate import Gate, KeyedError
from visit.site.hookup import HookUp
from visit.site.presets import wide, zoom
from visit.site.site import KINDS, Site, parse_site

BANDWIDTH_HZ = 1000.0
SURVEY_SWEEPS = 16
FEWEST_ZOOM_SWEEPS = 8
BEGAN_S = 1.7e9
PAUSE_S = 600.0
MEMORY = Path("/dev/shm")
"""A folder in memory; each file there has a name of its own."""
GATED = 8
"""A gate judges every sweep; so many tell what it makes of a hook-up, and save time."""


def site_of(case: Case, cavities: int | None, rejection_db: float = 85.0) -> Site:
    """The site file of a case, as its owner would write it."""
    kind = case.kind if case.kind in KINDS else "band-reject"
    lines = [
        'name = "truth"', f"low_hz = {case.low_hz!r}", f"high_hz = {case.high_hz!r}", 'transmit = "low"',
        f'kind = "{kind}"', *([] if cavities is None else [f"cavities = {cavities}"]),
        "[goals]", f"rejection_db = {rejection_db!r}",
    ]  # fmt: skip
    return parse_site("\n".join(lines) + "\n", Path("truth.toml"))


@dataclass
class Measured:
    """One run: its figures (None: a carrier stopped it), what the gate said of the hook-up in `stopped` (the technician
    then says that it is as declared, and goes on), the sweeps of the bench that it holds, and what it cost."""

    assessment: Assessment | None
    settings: SweepSettings
    first: int
    last: int
    run_id: int = 0
    stopped: str = ""
    seconds: float = 0.0


@dataclass
class TruthVisit:
    """One visit to one bench. `path` a file that does not exist yet, in memory if possible."""

    site: Site
    path: Path
    now_s: float = BEGAN_S
    figures: RunFigures = field(init=False)
    file: VisitFile = field(init=False)
    sequence: int = 0

    def __post_init__(self) -> None:
        self.file = VisitFile.create(self.path, self.site, "truth.toml", self.now_s)
        connection: sqlite3.Connection = self.file._connection
        connection.execute("pragma synchronous = off")
        self.figures = RunFigures(self.file)

    def close(self) -> None:
        """The file goes with it."""
        self.file.close()
        for end in ("", "-wal", "-shm"):
            self.path.with_name(self.path.name + end).unlink(missing_ok=True)

    def measure(
        self,
        bench: Bench,
        hookup: HookUp,
        settings: SweepSettings,
        sweeps: int,
        purpose: str = "measure",
        *,
        obeyed: bool = False,
    ) -> Measured:
        """A run of so many sweeps through the gate, planned and unwatched, and its figures. `obeyed`: where the gate
        says that the hook-up is wrong nothing more is measured."""
        run_id = self.file.begin_run(
            purpose, hookup, Applied(settings, settings), sweeps, None, self.now_s, watched=False
        )
        gate: Gate | None = Gate(self.site, hookup, Corrector(None, hookup.path), levels=hookup.third == "load")
        f = settings.frequency_hz()
        done = Measured(None, settings, bench.sweeps, bench.sweeps, run_id)
        take = bench.survey if hookup.survey else bench.sweep
        for number in range(sweeps):
            done.last = bench.sweeps
            s11, s21 = take(f)
            self.sequence += 1
            self.now_s += 1.0
            sweep = Sweep(settings, f, s11, s21, self.sequence, self.now_s, 1.0)
            try:
                wrong = gate.judge(sweep) if gate is not None and number < GATED else None
            except KeyedError as error:
                done.stopped = f"keyed: {error}"
                return done
            if wrong is not None:
                done.stopped, gate = f"hook-up: {wrong.short}", None
                if obeyed:
                    return done
            self.file.add_sweep(run_id, sweep)
        self.file.end_run(run_id, "complete", self.now_s)
        self.now_s += PAUSE_S
        self.figures.refresh()
        began = time.process_time()
        done.assessment = self.figures.assess(self.file.run(run_id))
        done.seconds = time.process_time() - began
        return done

    def wide(self, bench: Bench, hookup: HookUp, sweeps: int, *, obeyed: bool = False) -> Measured:
        """The preset over both channels."""
        return self.measure(bench, hookup, wide(self.site, None, BANDWIDTH_HZ), sweeps, obeyed=obeyed)

    def survey(self, bench: Bench) -> Measured:
        """Both leads on loads."""
        return self.measure(bench, HookUp.parse("loads"), wide(self.site, None, BANDWIDTH_HZ), SURVEY_SWEEPS, "survey")

    def zoom(self, bench: Bench, hookup: HookUp, channel_hz: float, width_hz: float, sweeps: int) -> Measured:
        """The preset around a channel whose bottom is so wide."""
        count = max(sweeps, FEWEST_ZOOM_SWEEPS)
        return self.measure(bench, hookup, zoom(channel_hz, width_hz, BANDWIDTH_HZ), count, "zoom")


def declared(case: Case, bench: Bench) -> HookUp:
    """The hook-up as the technician tells it, pads that are not in the normalisation with it."""
    e = bench.errors
    words = [case.hookup]
    if not e.pads_in_cal:
        words += [f"pad1={e.pad1_db:g}"] if e.pad1_db else []
        words += [f"pad2={e.pad2_db:g}"] if e.pad2_db else []
    return HookUp.parse(" ".join(words))


def beside(bench: Bench, hookup: str, seed: int) -> Bench:
    """The same unit and errors in another hook-up, at rest."""
    other = Bench(bench.unit_at(), hookup, np.random.default_rng(seed), **dataclasses.asdict(bench.errors))
    other.errors = dataclasses.replace(other.errors, screw_at=None, drift_k=0.0)
    return other


def fits(measured: Measured) -> bool:
    """Whether the wide run gave a notch that is trusted."""
    a = measured.assessment
    return a is not None and a.notch is not None and a.notch.trusted


__all__ = ["MEMORY", "Measured", "RequestError", "TruthVisit", "beside", "declared", "fits", "site_of"]
