"""A device turned round: the full correction; and what a failed closing check says of the runs before it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tests.benchtop import make_unit
from tests.visit.stations import table
from visit.site.presets import wide


def test_turned_round_the_mismatch_is_gone(tmp_path: Path) -> None:
    """Check a2 on the bench: with both orientations loss and both matches are the circuit's own."""
    with table(tmp_path, "demo-450", "U6", "--floor", "-85", raw=True) as bench:
        settings = wide(bench.site)
        bench.calibrate(settings)
        bench.measure("A>L", settings, 10)
        bench.measure("L>A", settings, 10)
        (line,) = bench.station.visit.together()
        assert "A>L and L>A at 450.0000 MHz, corrected both ways" in line
        truth = make_unit("U6").s(np.array([450e6]))[0]
        words = line.replace(",", "").split()
        loss = float(words[words.index("READING") + 1])
        assert loss == pytest.approx(-20 * np.log10(abs(truth[1, 0])), abs=0.08)
        matches = [float(word) for word in words[words.index("match") + 4 :] if word[0].isdigit()][:2]
        for seen, port in zip(matches, (0, 1), strict=True):
            assert 10 ** (-seen / 20) == pytest.approx(abs(truth[port, port]), abs=0.02)


def test_runs_since_the_last_good_check_are_named(tmp_path: Path) -> None:
    """Scenario 32: a closing check 0.3 dB off marks all since the last good one."""
    with table(tmp_path, "demo-450", "U6", raw=True) as bench:
        settings = wide(bench.site)
        bench.calibrate(settings)
        good = bench.measure("thru", settings, 5)
        assert good is not None and bench.station.visit.calibrator.read_known("thru", good).good
        between = bench.measure("A>L", settings, 5)
        assert not any("doubtful" in line for line in bench.station.visit.together())
        bench.bench.say("pad 2 0.3")
        bench.bench.say("connect thru")
        closing = bench.measure_as_hung("thru", settings, 5)
        assert closing is not None and not bench.station.visit.calibrator.read_known("thru", closing).good
        (line,) = [line for line in bench.station.visit.together() if "doubtful" in line]
        assert line.startswith(f"doubtful: run {between}: the check after it failed (thru reads -0.30 dB")
