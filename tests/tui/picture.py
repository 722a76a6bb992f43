"""Pictures of a measurement without an analyzer, for tests of what the screen makes of them."""

from __future__ import annotations

from concurrent.futures import Future
from pathlib import Path
from typing import Any, cast

from protocol.errors import RequestError
from protocol.profiles.profile import load_profile
from protocol.sweep import Applied, SweepSettings
from tests.benchtop import IDEAL, make_unit, take
from visit.figures.assessor import Assessor
from visit.run.conductor import Phase, Progress, RunOrder
from visit.run.live import LiveState
from visit.run.station import Station
from visit.run.tool import Tool
from visit.site.hookup import HookUp
from visit.site.presets import wide
from visit.site.site import Site, load_site

SITES = Path(__file__).parents[2] / "fixtures/sites"


def load(name: str = "demo-450") -> Site:
    return load_site(SITES / f"{name}.toml")


def picture(
    sweeps: int = 30, hookup: str = "A>L", site: Site | None = None, unit: str = "U6", **options: Any
) -> LiveState:
    """A run of `sweeps` sweeps, complete."""
    site = site or load()
    settings = wide(site)
    made = RunOrder(HookUp.parse(hookup), settings, 100)
    assessor = Assessor(site, made.hookup, 1)
    options = {"seed": 4, **IDEAL, **options}
    for sweep in take(make_unit(unit), (settings.start_hz, settings.stop_hz), sweeps, hookup=hookup, **options):
        assessor.add(sweep)
    progress = Progress(
        phase=Phase.SWEEPING,
        identity="Invented Instruments Bench Two-Port SIM-0001 1.0",
        run_id=1,
        order=made,
        applied=Applied(settings, settings),
        done=sweeps,
        sweep_time_s=0.52,
        saved_at_s=None,
    )
    return LiveState(site, made.hookup, progress, assessor.assess(), True, "/dev/ttyUSB9", "windmill-ridge.visit")


class StillStation:
    """A station that shows one picture and writes down what it was asked."""

    def __init__(self, state: LiveState) -> None:
        self.shown = state
        self.orders: list[RunOrder] = []
        self.running = True
        self.stops = 0

    def state(self) -> LiveState:
        return self.shown

    def order(self, order: RunOrder) -> Future[None]:
        self.orders.append(order)
        self.running = True
        return _done()

    def stop_run(self) -> Future[None]:
        self.stops += 1
        self.running = False
        return _done()


def _done() -> Future[None]:
    future: Future[None] = Future()
    future.set_result(None)
    return future


class StillBench:
    """A bench that writes down what it was told and refuses nonsense."""

    def __init__(self) -> None:
        self.told: list[str] = []

    def say(self, line: str) -> str:
        if line == "nonsense":
            raise RequestError("no such word: nonsense")
        self.told.append(line)
        return "done so"


def make_tool(state: LiveState, bench: StillBench | None = None) -> tuple[Tool, StillStation]:
    station = StillStation(state)
    return Tool(state.site, load_profile("scpi"), cast(Station, station), bench), station


def first_order(state: LiveState) -> RunOrder:
    order = state.progress.order
    assert order is not None
    return order


def settings_of(order: RunOrder) -> SweepSettings:
    return order.settings
