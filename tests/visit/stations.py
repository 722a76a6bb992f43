"""A station on a simulated bench in a process of its own, for tests of whole hook-ups."""

from __future__ import annotations

import contextlib
import dataclasses
from collections.abc import Iterator
from importlib.resources import files
from pathlib import Path

from protocol.profiles.profile import load_profile
from protocol.simulated.bench import Bench, start_bench
from protocol.sweep import SweepSettings
from tui.screens.bench_words import bench_lines
from visit.run.conductor import RunOrder, new_visit
from visit.run.station import Station
from visit.site.hookup import HookUp
from visit.site.kit import load_kit
from visit.site.site import Site, load_site

ROOT = Path(__file__).parents[2]
KIT = load_kit(Path(str(files("fixtures") / "kits" / "bench.toml")))


def site(name: str) -> Site:
    return load_site(ROOT / f"fixtures/sites/{name}.toml")


@dataclasses.dataclass
class Table:
    """Bench and station together, as a technician's hands and eyes."""

    bench: Bench
    station: Station
    site: Site

    def measure(self, hookup: str, settings: SweepSettings, sweeps: int, *, trusted: bool = False) -> int | None:
        """Hang the leads as declared and measure; the run's row, None when nothing was stored."""
        told = HookUp.parse(hookup)
        for line in bench_lines(told, self.site):
            self.bench.say(line)
        return self.measure_as_hung(hookup, settings, sweeps, trusted=trusted)

    def measure_as_hung(
        self, hookup: str, settings: SweepSettings, sweeps: int, *, trusted: bool = False
    ) -> int | None:
        self.station.measure(RunOrder(HookUp.parse(hookup), settings, sweeps, "check", trusted))
        return self.station.state().progress.run_id

    def calibrate(self, settings: SweepSettings) -> None:
        for kind in ("short", "open", "load", "thru"):
            run_id = self.measure(kind, settings, 10)
            assert run_id is not None
            assert self.station.visit.calibrator.judge(kind, run_id).fits
            self.station.visit.calibrator.keep(kind)
        self.station.visit.calibrator.finish()


@contextlib.contextmanager
def table(
    folder: Path,
    site_name: str,
    unit: str,
    *options: str,
    raw: bool = False,
    watched: bool = False,
    plan: Site | None = None,
) -> Iterator[Table]:
    """A fresh visit on a fresh bench; `raw`: the analyzer does not correct itself; `plan`: another site."""
    words = ["--speed", "0", "--seed", "4", "--unit", unit, *(["--raw"] if raw else []), *options]
    profile = dataclasses.replace(load_profile("scpi"), corrects_itself=not raw)
    chosen = plan or site(site_name)
    with start_bench(words) as bench:
        visit = new_visit(folder / "a.visit", chosen, "demo")
        with Station(bench.node, profile, chosen, visit, HookUp("A", "L"), watched=watched, kit=KIT) as station:
            try:
                yield Table(bench, station, chosen)
            finally:
                station.close()
                visit.close()
