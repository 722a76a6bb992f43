"""Nothing on the live screen is cut, whatever the state and the numbers: whole rows, or rows that gave way whole.

All in text, without a terminal; the other screens stand in `test_nothing_is_cut`.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import pytest
from textual.geometry import Size

from tests.tui.states import states, words
from tui.drawing.marks import MarkSet
from tui.drawing.rows import Row
from tui.drawing.wrapping import FIGURE, wrapped
from tui.screens import live_rows
from tui.screens.live_screen import LiveScreen, key_row
from tui.screens.panel import DRAWN, WEIGHTS, laid_out
from visit.figures.assessment import Role
from visit.run.conductor import Phase
from visit.run.live import LiveState

FEWER = 40
"""Large pictures take long to draw."""
SIZES = [Size(80, 24), Size(72, 20), Size(72, 24), Size(120, 40)]


def blocks(state: LiveState, width: int) -> Iterator[tuple[str, list[Row]]]:
    """The text blocks from top to bottom, before they are wrapped."""
    yield "head", [live_rows.head_row(state, width)]
    yield "notch", live_rows.notch_rows(state)
    yield "pass", [live_rows.pass_row(state)]
    yield "floor", [live_rows.floor_row(state)]
    yield "sweeps", [live_rows.sweeps_row(state)]
    yield "path", [live_rows.path_row(state, width)]
    yield "next", live_rows.next_rows(state, width)
    yield "message", live_rows.message_rows(state, width)


@pytest.fixture(autouse=True)
def _the_clock_stands(monkeypatch: pytest.MonkeyPatch) -> None:
    """An age in minutes is the same in all that is laid out."""
    monkeypatch.setattr("tui.screens.live_rows.time.time", lambda: 1.8e9)


def letters(rows: list[Row]) -> str:
    return "".join("".join(words(row) for row in rows).split())


@pytest.mark.parametrize("marks", [MarkSet.BRAILLE, MarkSet.ASCII])
@pytest.mark.parametrize("size", SIZES)
def test_every_row_stands_whole_or_gives_way_whole(size: Size, marks: MarkSet) -> None:
    keys = key_row(LiveScreen.BINDINGS, size.width, demo=True)
    for state in states()[: FEWER if size.height > 24 else None]:
        made = laid_out(state, keys, marks, size)
        assert sum(len(rows) for rows in made.values()) == size.height - 1, "the last row is the cautions'"
        lines = [words(row) for rows in made.values() for row in rows]
        assert max(len(line.rstrip()) for line in lines) <= size.width
        for name, block in blocks(state, size.width):
            assert letters(made[name]) == letters(live_rows.plain_rows(block, marks)) or (
                not made[name] and name in WEIGHTS
            ), (name, made[name])
        for name in made.keys() - set(DRAWN):
            for line in map(words, made[name]):
                assert not line.rstrip().endswith(("READING", "AT LEAST", "INFERRED")), line
        assert "? help" in words(made["keys"][0]) and "q quit" in words(made["keys"][0])


def test_at_the_usual_size_the_loss_and_the_next_deed_always_stand() -> None:
    for state in states():
        made = laid_out(state, [("", "")], MarkSet.BRAILLE, SIZES[0])
        assert made["pass"] and made["next"] and made["notch"] and made["reject"], [
            words(r) for b in made.values() for r in b
        ]


def test_a_fault_however_long_is_read_to_its_end() -> None:
    fault = " ".join(f"word{number}" for number in range(60))
    state = states()[0]
    state = replace(state, progress=replace(state.progress, phase=Phase.FAULT, message=fault))
    assert fault.replace(" ", "") in letters(laid_out(state, [("", "")], MarkSet.ASCII, SIZES[1])["message"])


def test_a_wrapped_figure_keeps_word_number_and_unit_together() -> None:
    row: Row = [(" NOTCH   ", ""), ("mean of cavities and what else there is to be said INFERRED", "bold")]
    row += [(" +1234.5 (1200.1..1300.9) kHz", ""), (" off 150.600 MHz", "")]
    lines = [words(one) for one in wrapped(row, 80)]
    assert len(lines) == 2
    found = FIGURE.search(lines[1])
    assert found is not None and found.group() == "INFERRED +1234.5 (1200.1..1300.9) kHz"
    assert lines[1].startswith(" " * 9) and "bold" in [style for _, style in wrapped(row, 80)[0]]


@pytest.mark.parametrize("width", [80, 72])
def test_reasons_beside_the_digits_stand_whole(width: int) -> None:
    for state in states():
        a = state.assessment
        channel = a.channel(Role.REJECT) if a is not None else None
        if channel is None or state.hookup.alone:
            continue
        rows = live_rows.reject_rows(state, width, MarkSet.ASCII)
        beside = " ".join(words(row)[12:] for row in rows[1:-1])
        assert all(word in beside for word in channel.transmission.why.split()), (channel.transmission.why, rows)
