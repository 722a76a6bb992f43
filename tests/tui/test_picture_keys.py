"""The picture looked at closer: zoom and pan, S11, and a marker whose level never stands without its word."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from textual.geometry import Size

from rf.floor.bound import upper_limit
from rf.values.figure import Kind, at_least, cant_say, reading
from rf.values.words import level_text
from tests.tui.picture import picture
from tests.tui.states import states, words
from tests.tui.test_live_screen import make_app, no_signals
from tests.tui.whole import cells, faults
from tui.drawing.marks import MarkSet
from tui.drawing.plot import plot_rows, ruler_row
from tui.drawing.view import View, next_place, panned, stepped, zoomed
from tui.screens.live_screen import LiveScreen, key_row
from tui.screens.panel import laid_out
from tui.screens.picture_rows import marker_rows, plot_of, whole_span
from visit.figures.assessment import Role
from visit.figures.marker import S11, S21
from visit.run.live import LiveState

pytestmark = pytest.mark.usefixtures("no_signals")
__all__ = ["no_signals"]
WHOLE = (440e6, 460e6)


@pytest.fixture(scope="module")
def state() -> LiveState:
    return picture(8)


def test_zoom_and_pan_stay_within_the_sweep_and_come_back() -> None:
    view, step = View(marker_hz=441e6), 50e3
    for _ in range(3):
        view = zoomed(view, WHOLE, step, 2.0)
    assert view.window_hz == (440e6, 442.5e6)
    for _ in range(40):
        view = panned(view, WHOLE, 0.25)
    assert view.window_hz == (457.5e6, 460e6)
    view = panned(view, WHOLE, -0.25)
    assert view.window_hz is not None and view.window_hz[0] == pytest.approx(456.875e6)
    for _ in range(30):
        view = zoomed(view, WHOLE, step, 2.0)
    assert view.window_hz is not None and view.window_hz[1] - view.window_hz[0] == pytest.approx(4 * step)
    for _ in range(30):
        view = zoomed(view, WHOLE, step, 0.5)
    assert view.window_hz is None and panned(view, WHOLE, 0.25) == view
    # Another sweep: a part that it does not cover is no part of it.
    assert View((440e6, 441e6)).within((150e6, 151e6)) == (150e6, 151e6)


def test_the_marker_steps_by_a_column_and_by_a_point_when_near() -> None:
    view = stepped(View(), WHOLE, 50e3, 75, 1)
    assert view.marker_hz == 450e6
    assert stepped(view, WHOLE, 50e3, 75, 1).marker_hz == pytest.approx(450e6 + 20e6 / 74)
    assert stepped(dataclasses.replace(view, window_hz=(449e6, 451e6)), WHOLE, 50e3, 75, -1).marker_hz == 449.95e6
    assert stepped(dataclasses.replace(view, marker_hz=460e6), WHOLE, 50e3, 75, 1).marker_hz == 460e6
    places = (455e6, 450.1e6)
    near = next_place(View((441e6, 442e6)), WHOLE, places)
    assert near.marker_hz == 455e6 and near.window_hz == (454.5e6, 455.5e6)
    assert next_place(near, WHOLE, places).marker_hz == 450.1e6
    assert next_place(next_place(near, WHOLE, places), WHOLE, places).marker_hz is None


def test_a_level_says_what_a_loss_says() -> None:
    assert level_text(reading(62.3, 61.9, 62.8, "dB")) == "READING -62.3 (-62.8..-61.9) dB"
    assert level_text(at_least(98.37, "dB")) == "AT MOST -98.3 dB"
    assert level_text(cant_say("dB", "no")) == "CAN'T SAY"


def test_under_the_floor_the_marker_says_at_most(state: LiveState) -> None:
    a = state.assessment
    assert a is not None and a.traces is not None and a.clipped is not None
    middle = (a.clipped.low_hz + a.clipped.high_hz) / 2.0
    row = words(marker_rows(state, View(marker_hz=middle))[0])
    assert "S21 AT MOST -" in row and f"{a.frequency_hz[a.traces.nearest(middle)] / 1e6:.6f} MHz" in row
    trace = a.traces.traces[S21]
    at = a.traces.nearest(middle)
    limit = 20 * math.log10(float(upper_limit(abs(trace.mean[at]), trace.noise_power[at], trace.floor.dof)))
    said = float(row.split("AT MOST ")[1].split()[0])
    assert said >= limit, "a bound never promises more than was shown"
    assert said - limit < 2.0


def test_the_marker_agrees_with_the_channels(state: LiveState) -> None:
    """The level at the channel that passes holds the loss that stands on the screen, and the match the match."""
    a = state.assessment
    assert a is not None and a.traces is not None
    channel = a.channel(Role.PASS)
    assert channel is not None
    mine = a.traces.loss_at(S21, channel.frequency_hz)
    assert mine.kind is Kind.READING and mine.low <= channel.transmission.value <= mine.high
    assert a.traces.loss_at(S11, channel.frequency_hz).kind is channel.return_loss.kind


def test_no_level_of_what_is_not_believed(state: LiveState) -> None:
    a = state.assessment
    assert a is not None and a.traces is not None
    doubted = dataclasses.replace(a, traces=dataclasses.replace(a.traces, doubt="analyzer uncorrected: calibrate it"))
    row = words(marker_rows(dataclasses.replace(state, assessment=doubted), View(marker_hz=450e6))[0])
    assert "S21 CAN'T SAY: analyzer uncorrected" in row and "dB" not in row
    trace = a.traces.traces[S21]
    held = dataclasses.replace(trace, held=np.ones_like(trace.held))
    restless = dataclasses.replace(a.traces, traces={S21: held})
    assert restless.loss_at(S21, 450e6).kind is Kind.CANT_SAY
    assert restless.loss_at(S11, 450e6).why == "this hook-up has no S11"
    nothing = dataclasses.replace(a, traces=None, cautions=("seems L>H, not A>H",))
    row = words(marker_rows(dataclasses.replace(state, assessment=nothing), View(marker_hz=450e6))[0])
    assert row.endswith("CAN'T SAY: seems L>H, not A>H")


def test_a_part_of_the_picture_is_drawn_larger_and_keeps_its_scales(state: LiveState) -> None:
    whole = plot_of(state)
    part = plot_of(state, View((449e6, 451e6), marker_hz=450.5e6))
    assert whole is not None and part is not None
    assert part.top_db - part.bottom_db < whole.top_db - whole.bottom_db
    rows = ["".join(text for text, _ in row) for row in plot_rows(part, 80, 12, MarkSet.ASCII)]
    assert all(len(row) == 80 for row in rows) and sum(":" in row for row in rows) >= 6
    assert any("*" in row for row in rows)
    ruler = words(ruler_row(part, 80))
    assert ruler.startswith(" S21  449.000") and ruler.rstrip().endswith("451.000 MHz") and "M" in ruler[6:70]
    reflected = plot_of(state, View(trace=S11))
    assert reflected is not None and reflected.clipped_hz is None and reflected.name == "S11"
    assert reflected.level_db.max() <= 1.0
    goal = next(mark.goal_db for mark in reflected.marks if math.isfinite(mark.goal_db))
    assert goal == -state.site.goals.return_loss_db


def test_every_view_of_every_state_fits() -> None:
    rng = np.random.default_rng(9)
    for number, state in enumerate(states()[:60]):
        a = state.assessment
        if a is None:
            continue
        low, high = whole_span(a)
        ends = sorted(rng.uniform(low, high, 2))
        window = (ends[0], ends[1]) if number % 3 else None
        view = View(window, S11 if number % 2 else S21, float(rng.uniform(low, high)))
        for size in (Size(80, 24), Size(72, 20)):
            keys = key_row(LiveScreen.BINDINGS, size.width, demo=False)
            made = laid_out(state, keys, MarkSet.ASCII, size, view)
            assert sum(len(rows) for rows in made.values()) == size.height - 1
            assert max(len(words(row).rstrip()) for rows in made.values() for row in rows) <= size.width
            said = " ".join(words(row) for row in made["marker"])
            assert "MARKER" in said and any(word in said for word in ("READING", "AT MOST", "CAN'T SAY", "AT LEAST"))


async def test_the_keys_on_the_screen(state: LiveState) -> None:
    app, station = make_app(state)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("j", "plus", "plus", "comma")
        await pilot.pause()
        page = "\n".join(cells(app))
        assert "MARKER  455.000000 MHz  S21 AT MOST" in page and faults(app) == []
        await pilot.press("i", "right")
        await pilot.pause()
        page = "\n".join(cells(app))
        assert "\n S11 " in page and "455.0" in page and "MARKER  455.000000" not in page
        await pilot.press("minus", "minus", "minus", "j", "i")
        await pilot.pause()
        page = "\n".join(cells(app))
        assert "MARKER" not in page and "\n S21 " in page
    assert len(station.orders) == 1, "the sweep stays as it is"


async def test_where_there_is_one_trace_only_the_key_says_so() -> None:
    state = states()[4]  # both leads on loads
    app, _ = make_app(state)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("i")
        assert [str(one.message) for one in app._notifications] == ["there is one trace only here"]
