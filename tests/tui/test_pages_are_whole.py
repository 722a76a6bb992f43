"""The pages beside the duplexer stand whole at 80x24 and at the smallest size, whatever was measured and typed: feeder,
gains, desense test, further parts; what they are there for never gives way.
"""

from __future__ import annotations

import dataclasses
import itertools
from collections.abc import Sequence
from pathlib import Path
from typing import cast

import numpy as np
import pytest
from textual.pilot import Pilot

from rf.repeater.cables import CABLES
from rf.repeater.chain import Link
from rf.repeater.desense_levels import STATES
from rf.repeater.fault_distance import Echo
from rf.repeater.gain import Between, Outcome, Radios
from rf.values.figure import Figure, at_least, cant_say, inferred, reading
from rf.values.match import Velocity
from tests.tui.picture import StillStation
from tests.tui.states import WHYS, a_figure, states
from tests.tui.test_nothing_is_cut import LONG, SIZES, a_tool, own_world, shown
from tests.tui.whole import faults
from tui.drawing.plain import Plain
from tui.screens.app import DeepnotchApp
from tui.screens.desense_screen import DesenseScreen
from tui.screens.feeder_screen import FeederScreen
from tui.screens.gain_screen import GainScreen
from tui.screens.page_screen import PageScreen
from tui.screens.parts_screen import PartsScreen
from visit.day.desense_test import WHENS, line_of
from visit.day.gains import At, Gains, Seen
from visit.day.parts import Part, PartPath
from visit.day.radios import KnownRadios
from visit.figures.feeder import NO_LOSS, ChannelMatch, FeederSight, Place
from visit.record.parts import KINDS, PLACES, StoredPart
from visit.record.sheet import write
from visit.report.parts_page import parts_lines
from visit.run.conductor import Phase
from visit.run.live import LiveState
from visit.run.tool import Tool
from visit.site.hookup import HookUp

__all__ = ["own_world"]
ROUNDS = 20
PLACES_SAID = (
    "the end of the feeder: the antenna",
    "behind the end: inside the antenna, seen twice, or the velocity is another one",
    "the antenna if the feeder is so long; else a joint or a fault",
)


async def looked_at(app: DeepnotchApp, pilot: Pilot[bool], *stand: str) -> str:
    """What the page says once it is drawn; nothing is cut, and `stand` stands there."""
    screen = cast(PageScreen, app.screen)
    screen.draw()
    await pilot.pause()
    text = str(screen.query_one("#text", Plain).content)
    assert faults(app) == [], text
    for words in stand:
        assert words in text, f"{words} gave way:\n{text}"
    return text


async def every_question(app: DeepnotchApp, pilot: Pilot[bool], keys: Sequence[str]) -> None:
    """Each key that asks for a line."""
    screen = cast(PageScreen, app.screen)
    for key in keys:
        await pilot.press(key)
        await looked_at(app, pilot, "Esc: no")
        await pilot.press("escape")
        assert not screen.typing


def with_run(state: LiveState, hookup: str, phase: Phase) -> LiveState:
    order = state.progress.order
    assert order is not None
    hangs = HookUp.parse(hookup)
    message = LONG if phase is Phase.FAULT else ""
    progress = dataclasses.replace(
        state.progress, order=dataclasses.replace(order, hookup=hangs), phase=phase, message=message, done=12345
    )
    return dataclasses.replace(state, hookup=hangs, progress=progress)


def show(tool: Tool, state: LiveState) -> None:
    cast(StillStation, tool.station).shown = state


def metres(rng: np.random.Generator) -> Figure:
    value = float(10.0 ** rng.uniform(-1.0, 2.7))
    return inferred(value, 0.8 * value, 1.2 * value, "m") if rng.random() < 0.8 else cant_say("m", str(WHYS[-1]))


def a_sight(rng: np.random.Generator) -> FeederSight:
    """A feeder of which as much is known as can be, or little."""
    site = states()[0].site
    channels = tuple(
        ChannelMatch(hz, a_figure(rng, "dB"), reading(12.34, 11.2, 99.9, ""), *(a_figure(rng, "dB") for _ in range(3)))
        for hz in (site.low_hz, site.high_hz)
    )
    places = tuple(
        Place(Echo(metres(rng), a_figure(rng, "dB"), 1e-7, 12.3, 45.6, 789.0), cant_say("dB", NO_LOSS)
              if rng.random() < 0.5 else a_figure(rng, "dB"), str(rng.choice(PLACES_SAID)))
        for _ in range(int(rng.integers(1, 5)))
    )  # fmt: skip
    return FeederSight(
        Velocity(0.845, 0.825, 0.865), LONG, CABLES[int(rng.integers(len(CABLES)))], 123.4, -45.6,
        {"antenna": 12, "feeder-open": 13}, channels, None, None, places, metres(rng),
        tuple(rng.choice(WHYS[1:], int(rng.integers(3)))),
    )  # fmt: skip


@pytest.mark.parametrize("size", SIZES)
async def test_the_feeder(size: tuple[int, int], tmp_path: Path) -> None:
    rng = np.random.default_rng(31)
    with a_tool(tmp_path) as tool:
        plain = tool.station.state()
        async with shown(FeederScreen(tool), size) as (app, pilot):
            await app.workers.wait_for_complete()
            screen = cast(FeederScreen, app.screen)
            await looked_at(app, pilot, "POWER")
            for phase, round_ in itertools.product(Phase, range(ROUNDS // 4)):
                state = with_run(plain, ("antenna", "feeder-short")[round_ % 2], phase)
                show(tool, state)
                screen._seen = (state.progress.run_id, state.progress.done, phase)  # no news to read from the file
                screen.made, screen.said = a_sight(rng), f"! {LONG}" if round_ % 3 == 0 else ""
                fault = ("FAULT",) if phase is Phase.FAULT else ()
                await looked_at(app, pilot, "POWER", "MATCH", "s short end", *fault)
            screen.said = ""
            await every_question(app, pilot, "pcmv")


def some_gains(rng: np.random.Generator) -> Gains:
    figures = [a_figure(rng, "dB") for _ in range(24)]
    noise = cant_say("dBm", LONG)
    radios = Radios(reading(47.0, 46.0, 48.0, "dBm"), *figures[:3])
    sources = (f"transmitter noise: ASSUMED {LONG}", f"receiver's own noise: ASSUMED {LONG}", f"power: {LONG}")
    times = [
        At(
            when,
            Between(*figures[4:8]),
            Outcome(*figures[8 + at : 15 + at]),
            figures[17],
            figures[18],
            figures[16],
            noise,
            LONG,
        )
        for at, when in enumerate(("as found", "measured last"))
    ]
    seen = tuple(Seen(when, "desense with antenna", 12.5, False, LONG) for when in ("before", "before", "after"))
    known = KnownRadios(radios, sources, True, noise, figures[19])
    return Gains(
        known, times[0] if rng.random() < 0.8 else None, times[1], figures[20],
        reading(12.0, -30.0, 45.0, "%"), figures[21], seen, (figures[22], figures[23]),
    )  # fmt: skip


@pytest.mark.parametrize("size", SIZES)
async def test_the_gains(size: tuple[int, int], tmp_path: Path) -> None:
    rng = np.random.default_rng(32)
    with a_tool(tmp_path) as tool:
        async with shown(GainScreen(tool), size) as (app, pilot):
            await app.workers.wait_for_complete()
            screen = cast(GainScreen, app.screen)
            for round_ in range(ROUNDS):
                screen.made, screen.said = some_gains(rng), f"! {LONG}" if round_ % 3 == 0 else ""
                await looked_at(app, pilot, "HEARS", "MEASURED LAST", "c chain")
            screen.said = ""
            await every_question(app, pilot, "pnsfb")


@pytest.mark.parametrize("size", SIZES)
async def test_the_desense_test(size: tuple[int, int], tmp_path: Path) -> None:
    """Every number of levels, whatever they say, explained by the duplexer and not."""
    explained = {"before": reading(0.3, 0.1, 0.6, "dB"), "after": at_least(12.0, "dB")}
    levels = list(itertools.product(("-118.5", "-99"), repeat=4))
    with a_tool(tmp_path) as tool:
        async with shown(DesenseScreen(tool, explained), size) as (app, pilot):
            screen = cast(DesenseScreen, app.screen)
            for when in WHENS:
                screen._when, screen._off, screen.said = when, False, f"! {LONG}"
                await looked_at(app, pilot, "SET UP", "NOW")
                screen._off, screen.said = True, ""
                for state, level in zip(STATES, levels[0], strict=True):
                    await looked_at(app, pilot, "NOW")
                    write(tool.visit.file, line_of(when, state), level)
                for one in levels:
                    for state, level in zip(STATES, one, strict=True):
                        write(tool.visit.file, line_of(when, state), level)
                    await looked_at(app, pilot, "with the antenna")


def some_parts(rng: np.random.Generator) -> dict[str, PartPath]:
    def link() -> Link:
        return Link(*(a_figure(rng, "dB") for _ in range(4)))

    def part(number: int, place: str) -> Part:
        kind = str(rng.choice(KINDS))
        return Part(StoredPart(f"part-of-a-long-name-{number}", kind, place, "", number, None, 1.5), link(), link())

    counts = rng.integers(0, 4, 2)
    return {
        place: PartPath(
            place, tuple(part(n, place) for n in range(count)), link() if count else None, link() if count else None
        )
        for place, count in zip(PLACES, counts, strict=True)
    }


@pytest.mark.parametrize("size", SIZES)
async def test_the_further_parts(size: tuple[int, int], tmp_path: Path) -> None:
    rng = np.random.default_rng(33)
    with a_tool(tmp_path) as tool:
        plain = tool.station.state()
        async with shown(PartsScreen(tool), size) as (app, pilot):
            await app.workers.wait_for_complete()
            screen = cast(PartsScreen, app.screen)
            for phase, _ in itertools.product(Phase, range(ROUNDS // 4)):
                state = with_run(plain, "part", phase)
                show(tool, state)
                screen.ordered = state.progress.order
                paths = some_parts(rng)
                screen._page = 0
                screen.made, screen._runs = parts_lines(paths, tool.site), {"part": 1234, "part-back": 1235}
                seen = [await looked_at(app, pilot, "ON LEADS", "n name it")]
                for _ in range(40):
                    await pilot.press("down")
                    seen.append(await looked_at(app, pilot, "ON LEADS", "n name it"))
                    if seen[-1] == seen[-2]:
                        break
                shown_lines = " ".join(" ".join(seen).split())
                for line in screen.made:
                    assert " ".join(line.split()) in shown_lines, f"{line} stands on no page"
            show(tool, plain)
            await every_question(app, pilot, "n")
