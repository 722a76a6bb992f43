"""The words of the live screen: every figure carries its word, a clipped response has no lowest point, 80 columns
do."""

from __future__ import annotations

import dataclasses
import re

import numpy as np
import pytest

from rf.repeater.fault_distance import strongest_echo
from tests.benchtop import IDEAL, make_unit, take, take_on_loads
from tests.tui.picture import load, picture
from tui.drawing.marks import MarkSet
from tui.drawing.plot import plot_rows
from tui.drawing.rows import Row
from tui.drawing.wrapping import wrapped
from tui.screens import live_rows as rows
from tui.screens.framed import safety_row
from tui.screens.picture_rows import plot_of
from visit.figures.assessor import Assessor
from visit.run.conductor import Phase, Progress
from visit.run.live import LiveState
from visit.site.hookup import HookUp

WORDS = ("READING", "AT LEAST", "INFERRED", "CAN'T SAY")


def text(row: Row) -> str:
    return "".join(part for part, _ in row)


def texts(state: LiveState, width: int) -> list[str]:
    block = [rows.head_row(state, width), *rows.reject_rows(state, width, MarkSet.BRAILLE)]
    block += [line for row in rows.notch_rows(state) for line in wrapped(row, width)]
    block += [rows.pass_row(state), rows.floor_row(state), rows.sweeps_row(state), rows.path_row(state, width)]
    return [text(row) for row in [*block, safety_row(width), *rows.message_rows(state, width)]]


@pytest.fixture(scope="module")
def clipped() -> LiveState:
    return picture()


def test_all_rows_fit_80_columns(clipped: LiveState) -> None:
    assert [line for line in texts(clipped, 80) if len(line.rstrip()) > 80] == []


def test_every_figure_in_decibels_carries_a_word(clipped: LiveState) -> None:
    for line in texts(clipped, 80)[6:]:
        for found in re.finditer(r"-?\d+(\.\d+)?( ±\d+(\.\d+)?)? dB", line):
            before = line[: found.start()]
            # The goal is a demand and "-3 dB in" a wish; all else is a figure.
            if line[found.start() :].startswith("-3 dB in"):
                continue
            assert any(before.rstrip().endswith(word) for word in WORDS), line


def test_a_clipped_response_shows_a_bound_and_no_lowest_point(clipped: LiveState) -> None:
    shown = "\n".join(texts(clipped, 80))
    assert "AT LEAST" in shown
    assert "no information" in shown
    assert "lowest" not in shown.lower()
    assert "INFERRED" in text(rows.notch_rows(clipped)[0])


def test_the_notch_is_told_in_kilohertz_against_the_target(clipped: LiveState) -> None:
    line = text(rows.notch_rows(clipped)[0])
    assert re.search(r"mean of cavities INFERRED [+-]\d+ ±\d+ kHz off 455\.000 MHz", line), line


def test_side_to_side_has_no_pass(clipped: LiveState) -> None:
    state = picture(6, "L>H")
    assert "no channel passes in this hook-up" in text(rows.pass_row(state))


@pytest.mark.parametrize("span_hz", [100e6, 2.4e6])
def test_the_feeders_echo_stands_on_the_screen_with_its_words(clipped: LiveState, span_hz: float) -> None:
    """An echo 80 m away at the foam's 0.84 (closed form exp(-j 4 pi f d / v)); a narrow span says which is needed."""
    f = np.linspace(450e6, 450e6 + span_hz, 101)
    echo = strongest_echo(f, 0.6 * np.exp(-4j * np.pi * f * 80.0 / (0.84 * 299_792_458.0)))
    assert clipped.assessment is not None
    shown = dataclasses.replace(clipped.assessment, echo=echo)
    state = dataclasses.replace(clipped, hookup=HookUp.parse("antenna"), assessment=shown)
    lines = [text(row) for row in rows.reject_rows(state, 80, MarkSet.BRAILLE)]
    assert len(lines) == 5 and max(map(len, lines)) <= 80
    if span_hz > 50e6:
        assert "INFERRED 80 (62..85) m" in lines[1] and "READING 4.4" in lines[2] and "126 m" in lines[3]
    else:
        assert "CAN'T SAY" in lines[1] and "sweep 25 MHz or more" in lines[2]


def test_a_busy_site_says_so_in_words() -> None:
    state = picture(60, burst_rate=0.5)
    shown = "\n".join(texts(state, 80))
    assert "CAN'T SAY" in shown
    assert "busy" in shown


def test_before_the_first_sweep() -> None:
    state = LiveState(load(), picture(3).hookup, Progress())
    shown = texts(state, 80)
    assert any("waiting for the first sweep" in line for line in shown)
    assert any("nothing saved yet" in line for line in shown)
    long = dataclasses.replace(state, taken_in="5120 of 100000 sweeps")
    (row,) = rows.next_rows(long, 80)
    assert text(row) == " NEXT    wait for the first figures: 5120 of 100000 sweeps are averaged"


def test_a_fault_takes_the_message_row(clipped: LiveState) -> None:
    broken = dataclasses.replace(clipped.progress, phase=Phase.FAULT, message="the port is gone")
    assert text(rows.message_rows(dataclasses.replace(clipped, progress=broken), 80)[0]).startswith(
        " FAULT   the port is gone"
    )


def test_a_quiet_clamp_is_told(clipped: LiveState) -> None:
    clamped = dataclasses.replace(clipped.progress, changes=("asked for 2001 points, the analyzer took 1001",))
    assert "took 1001" in text(rows.message_rows(dataclasses.replace(clipped, progress=clamped), 80)[0])


@pytest.mark.parametrize("marks", list(MarkSet))
@pytest.mark.parametrize("width", [80, 120])
def test_the_trace_hatches_the_clipped_band(clipped: LiveState, marks: MarkSet, width: int) -> None:
    figure = plot_of(clipped)
    assert figure is not None
    drawn = [text(row) for row in rows.plain_rows(plot_rows(figure, width, 8, marks), marks)]
    assert all(len(line) == width for line in drawn)
    assert any("no info" in line or "/" in line or "╱" in line for line in drawn)
    if marks is MarkSet.ASCII:
        assert "".join(drawn).isascii()


def test_colour_is_never_the_only_carrier(clipped: LiveState) -> None:
    """With every style thrown away, the kinds, the goal, the verdict and the band can still be read."""
    shown = "\n".join(texts(clipped, 80))
    for needed in ("AT LEAST", "READING", "INFERRED", "goal 90 dB", "[can't say]", "no information", "SAFETY"):
        assert needed in shown


@pytest.mark.parametrize(("seconds", "shown"), [(0.2, "0:01"), (59.0, "0:59"), (61.0, "1:01"), (3661.0, "1:01:01")])
def test_clock(seconds: float, shown: str) -> None:
    assert rows.clock(seconds) == shown


def survey_picture(leakage_db: float | None, sweeps: int = 40) -> LiveState:
    site = load()
    assessor = Assessor(site, HookUp.parse("loads"), 1)
    for sweep in take_on_loads(sweeps, leakage_db=leakage_db):
        assessor.add(sweep)
    state = picture(3)
    return dataclasses.replace(state, hookup=HookUp.parse("loads"), assessment=assessor.assess())


@pytest.mark.parametrize(
    ("leakage_db", "says"), [(-85.0, "LEAKAGE over the whole sweep READING -8"), (None, "sweep AT LEAST")]
)
def test_a_survey_shows_leakage_and_what_averaging_is_worth(leakage_db: float | None, says: str) -> None:
    shown = texts(survey_picture(leakage_db), 80)
    assert any(says in line for line in shown)
    assert any("no leak above" in line for line in shown)
    assert any("averaging" in line for line in shown)
    assert max(len(line.rstrip()) for line in shown) <= 80
    assert not any("REJECT" in line for line in shown)


def test_a_fault_in_the_figures_is_shown(clipped: LiveState) -> None:
    broken = dataclasses.replace(clipped, figures_fault="figures failed (ValueError: x); sweeps go on and are kept")
    assert "sweeps go on" in text(rows.message_rows(broken, 80)[0])


def test_a_read_bottom_is_shown_with_its_place() -> None:
    unit = make_unit("U6")
    for cavity in unit.sides["L"]:
        cavity.unloaded_q, cavity.resistance_ohm = 400.0, 6.0
    assessor = Assessor(load(), HookUp.parse("A>L"), 1)
    for sweep in take(unit, (440e6, 470e6), 50, seed=1, **IDEAL):
        assessor.add(sweep)
    state = dataclasses.replace(picture(3), assessment=assessor.assess())
    assert re.search(r"deepest READING \d+.* dB at READING [+-]\d+", text(rows.notch_rows(state)[1]))


def test_a_wrong_hook_up_is_named_with_its_cure() -> None:
    state = picture(6, bench=("close H open",))
    shown = texts(state, 80)
    assert any("HOOK H NOT LOADED" in line for line in shown)
    assert any("HOOK-UP port H is open: put a load on it" in line for line in shown)
    assert any("no figure while the hook-up is wrong" in line for line in shown)
    assert not any("READING" in line and "loss" in line for line in shown)
    off = dataclasses.replace(state, progress=dataclasses.replace(state.progress, phase=Phase.FAULT))
    assert "HOOK A>L not seen now" in text(rows.head_row(off, 80))


def test_a_survey_is_not_called_too_short_that_will_be_long_enough() -> None:
    state = survey_picture(None, 6)
    assert state.assessment is not None and state.progress.order is not None
    needed = next(int(found[1]) for words in state.assessment.cautions if (found := re.search(r"survey (\d+)", words)))
    for planned, told in ((needed, False), (needed - 1, True)):
        order = dataclasses.replace(state.progress.order, planned_sweeps=planned)
        going = dataclasses.replace(state.progress, order=order, phase=Phase.SWEEPING, changes=())
        shown = text(rows.message_rows(dataclasses.replace(state, progress=going), 80)[0])
        assert ("too short" in shown) is told
