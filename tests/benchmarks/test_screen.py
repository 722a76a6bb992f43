"""What the screen costs, by hand: `make bench`. Processor time of the thread that draws, of the process that shows a
run at sweeps of half a second, and of the same run without a screen (which makes its figures at the end only).
"""

from __future__ import annotations

from typing import Any

import pytest

from scripts.speed_table import WATCHED_S, demo, look, without_screen

MOST_SHARE = 0.05
"""Of one core, for drawing."""


@pytest.mark.timeout(200)
@pytest.mark.benchmark(group="processor time of the screen")
def test_share_of_a_core(benchmark: Any) -> None:
    def run() -> tuple[float, float, float]:
        with demo("--sweeps", "100000") as (screen, _):
            look(screen, 5)
            *_, drawing, whole = look(screen, WATCHED_S)
        return drawing / 60, whole / 60, without_screen() / 60

    drawing, whole, plain = benchmark.pedantic(run, rounds=1)
    print(f"\nscreen: {drawing:.1%} of a core to draw, {whole:.1%} with the figures, {plain:.1%} without a screen")
    assert drawing <= MOST_SHARE
