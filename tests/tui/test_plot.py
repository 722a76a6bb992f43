"""The trace as text: gaps stay gaps, a clipped band shows no response, marks stand where they belong."""

from __future__ import annotations

import numpy as np
import pytest

from tui.drawing.marks import MarkSet, choose_marks, plain
from tui.drawing.plot import AXIS_WIDTH, Mark, Plot, plot_rows, ruler_row

ALL = list(MarkSet)


def make(level: np.ndarray, **more: object) -> Plot:
    frequency = np.linspace(450e6, 460e6, level.size)
    return Plot(frequency, level, 0.0, -100.0, **more)  # type: ignore[arg-type]


def lines(plot: Plot, marks: MarkSet, width: int = 80, height: int = 10) -> list[str]:
    rows = ["".join(text for text, _ in row) for row in plot_rows(plot, width, height, marks)]
    assert [len(row) for row in rows] == [width] * height
    return rows


@pytest.mark.parametrize("marks", ALL)
def test_a_flat_trace_is_one_row(marks: MarkSet) -> None:
    rows = lines(make(np.full(401, -42.0)), marks)
    drawn = [y for y, row in enumerate(rows) if row[AXIS_WIDTH:].strip()]
    assert drawn == [4]
    assert " " not in rows[4][AXIS_WIDTH:]


@pytest.mark.parametrize("marks", ALL)
@pytest.mark.parametrize("hole", [np.nan, -np.inf])
def test_what_was_not_measured_stays_a_gap(marks: MarkSet, hole: float) -> None:
    level = np.full(401, -42.0)
    level[200:240] = hole
    row = lines(make(level), marks)[4][AXIS_WIDTH:]
    assert row[38:43].strip() == ""
    assert row[30].strip()
    assert row[50].strip()


@pytest.mark.parametrize("marks", ALL)
def test_a_clipped_band_shows_no_response(marks: MarkSet) -> None:
    rng = np.random.default_rng(1)
    level = np.full(401, -30.0)
    level[160:240] = -70 + rng.normal(0, 4, 80)
    rows = lines(make(level, floor_db=-66.0, clipped_hz=(454e6, 456e6)), marks)
    inside = [row[AXIS_WIDTH + 31 : AXIS_WIDTH + 43] for row in rows]
    signs = set("".join(inside)) - set("no information")
    assert signs <= {"/", "╱", "-", "┄"}
    assert "no information" in "".join(rows)


@pytest.mark.parametrize("marks", ALL)
def test_channel_and_goal_marks(marks: MarkSet) -> None:
    plot = make(np.full(401, -42.0), marks=(Mark(450e6, "L"), Mark(455e6, "H", -90.0), Mark(470e6, "X")))
    rows = lines(plot, marks)
    assert rows[9][AXIS_WIDTH + 36] in "G◆"
    ruler = "".join(text for text, _ in ruler_row(plot, 80))
    assert ruler[AXIS_WIDTH + 36] == "H"
    assert "X" not in ruler
    assert "450.000" in ruler
    assert "460.000 MHz" in ruler


def test_ascii_rows_hold_ascii_only() -> None:
    plot = make(np.full(401, -42.0), floor_db=-66.0, clipped_hz=(454e6, 456e6), marks=(Mark(455e6, "H", -90.0),))
    for row in lines(plot, MarkSet.ASCII):
        assert plain(row, MarkSet.ASCII).isascii()


@pytest.mark.parametrize(("width", "height"), [(5, 10), (80, 1), (0, 0)])
def test_no_room_no_plot(width: int, height: int) -> None:
    assert all(row == [("", "")] for row in plot_rows(make(np.full(401, -42.0)), width, height, MarkSet.ASCII))


@pytest.mark.parametrize(
    ("wish", "environment", "encoding", "expected"),
    [
        (None, {}, "utf-8", MarkSet.BRAILLE),
        (None, {"TERM": "linux"}, "UTF-8", MarkSet.BLOCKS),
        (None, {"TERM": "dumb"}, "utf-8", MarkSet.ASCII),
        (None, {}, "ANSI_X3.4-1968", MarkSet.ASCII),
        (None, {}, "latin-1", MarkSet.ASCII),
        (None, {}, "no such code", MarkSet.ASCII),
        ("blocks", {}, "ascii", MarkSet.BLOCKS),
    ],
)
def test_choice_of_signs(wish: str | None, environment: dict[str, str], encoding: str, expected: MarkSet) -> None:
    assert choose_marks(wish, environment, encoding) is expected


@pytest.mark.parametrize(
    ("environment", "expected"),
    [
        ({"LC_ALL": "C"}, MarkSet.ASCII),
        ({"LANG": "POSIX"}, MarkSet.ASCII),
        ({"LANG": "C", "LC_CTYPE": "C.UTF-8"}, MarkSet.ASCII),  # what Python makes of LANG=C
        ({"LANG": "C.UTF-8"}, MarkSet.BRAILLE),
        ({"LANG": "C", "LC_ALL": "C.UTF-8"}, MarkSet.BRAILLE),
        ({}, MarkSet.BRAILLE),
    ],
)
def test_the_plain_locale_gets_plain_signs(environment: dict[str, str], expected: MarkSet) -> None:
    assert choose_marks(None, environment, "utf-8") is expected


def test_no_mark_stands_amid_the_words_where_there_is_one_row_only() -> None:
    for at in np.linspace(450e6, 460e6, 41):
        plot = make(
            np.full(401, -42.0), floor_db=-90.0, clipped_hz=(453e6, 457e6), marks=(Mark(float(at), "H", -99.0),)
        )
        rows = lines(plot, MarkSet.ASCII)
        assert any("no information" in row for row in rows), at
