"""Labelled texts wrap beside their label with figures whole, and whole blocks give way where rows are few."""

from __future__ import annotations

import numpy as np

from rf.values.figure import cant_say, inferred, reading
from tests.visit.test_tuning import at, turned
from tui.drawing.blocks import WIDTH, Block, labelled, stacked
from visit.day.cavities import track
from visit.day.tuning import advise, cavity_lines, spread_words

REJECT_HZ = 150.6e6


def test_a_figure_is_never_parted() -> None:
    text = "you moved cavity 2 by INFERRED -26 ±4 kHz; cavity 2 was at INFERRED -109 ±4 kHz"
    lines = labelled("LAST", text)
    assert lines == [
        " LAST   you moved cavity 2 by INFERRED -26 ±4 kHz; cavity 2 was at",
        "        INFERRED -109 ±4 kHz",
    ]
    assert labelled("LAST", "") == []
    assert labelled("a long label", "text")[0] == " a long label text"


def test_the_least_weighty_block_gives_way_whole_and_the_cautions_never() -> None:
    blocks = [Block(("title",)), Block(("a", "b"), 5), Block(("c",), 1), Block(("SAFETY",))]
    assert stacked(blocks, 5) == ["title", "a", "b", "c", "SAFETY"]
    assert stacked(blocks, 4) == ["title", "a", "b", "SAFETY"]
    assert stacked(blocks, 2) == ["title", "SAFETY"]


def test_every_line_of_the_tuning_advice_fits_whatever_the_numbers() -> None:
    rng = np.random.default_rng(3)
    for _ in range(200):
        rows = []
        for _ in range(int(rng.integers(0, 7))):
            was_hz, by_hz = 10.0 ** rng.uniform(2, 5.3, 2) * rng.choice([-1.0, 1.0], 2)
            rows.append(
                turned(int(rng.integers(1, 4)), float(was_hz), float(by_hz), float(rng.uniform(0.01, 3.0)),
                       str(rng.choice(["clockwise", "in", "a little towards the wall", "anticlockwise"])),
                       seen=bool(rng.random() < 0.6), misfit=float(rng.choice([1.0, 9.0], p=[0.9, 0.1])))
            )  # fmt: skip
        level = float(rng.uniform(20.0, 110.0))
        measured = reading(level, level - 3.25, level + 12.75, "dB") if rng.random() < 0.5 else cant_say("dB", "no")
        half = float(10.0 ** rng.uniform(2, 5))
        off = float(rng.uniform(-3e5, 3e5))
        mean = inferred(off, off - half, off + half, "Hz")
        now = at(track(rows, REJECT_HZ, 3, mean), level, measured=measured, offset=mean)
        advice = advise(now)
        said = {"DO": advice.do, "WHY": advice.why, "EXPECT": advice.expect, "": spread_words(now)}
        for label, text in [*said.items(), *(("CAVITY", line) for line in cavity_lines(now))]:
            lines = labelled(label, text)
            assert all(len(line) <= WIDTH for line in lines)
            assert "".join("".join(lines).split()) == "".join(f"{label}{text}".split()) or not text
            assert not any(line.rstrip().endswith(("INFERRED", "READING", "±")) for line in lines)
