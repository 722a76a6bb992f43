"""Every quirky SCPI analyzer works with the shipped profile and with the learned one, or says why it can't."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from protocol.analyzer import Analyzer
from protocol.errors import AnalyzerError
from protocol.learn.dialogue import Nobody
from protocol.learn.learner import learn
from protocol.profiles.profile import Profile, load_profile
from protocol.sweep import SweepSettings
from tests.scpi_quirks import truth
from tests.scpi_quirks.catalog import BOXES

QUICK = ("dogwood", "willow")
"""One of each way of speaking; the rest takes minutes."""
NO_DATA = {"jasmine": "without phase", "kerria": "-230"}
TURNED = ("rush", "sedge")
"""Only open leads show which trace is S11."""
names = pytest.mark.parametrize(
    "name",
    [name if name in QUICK else pytest.param(name, marks=pytest.mark.long) for name in BOXES if name not in NO_DATA],
)


@pytest.fixture
def served(tmp_path: Path, name: str) -> Iterator[str]:
    (tmp_path / "bench").write_text("device", encoding="utf-8")
    command = [sys.executable, "-m", "tests.scpi_quirks", "serve", name, "--log", str(tmp_path / "log")]
    with subprocess.Popen(
        [*command, "--bench", str(tmp_path / "bench")], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None and process.stdin is not None
        yield process.stdout.readline().strip()
        process.stdin.close()
        process.wait(10)
    log = [json.loads(line) for line in (tmp_path / "log").read_text(encoding="utf-8").splitlines()]
    assert log and not [line for line in log if line["effect"] == "HARM"]


async def measured(port: str, profile: Profile, name: str) -> None:
    box = BOXES[name]
    bandwidth = box.bw0 if box.bw_words == "none" else 1000.0
    tolerance = 6 * truth.noise(name, bandwidth) + 2e-3
    analyzer = await Analyzer.open(port, profile)
    try:
        for part, points in ((0.1, 51), (0.5, 101), (0.7, 201)):
            start = round(box.fmin + part * (box.fmax - box.fmin), -6)
            await analyzer.apply(SweepSettings(start, start + 40e6, points, 1000.0))
            sweep = await analyzer.sweep()
            wanted = truth.response(name, "device", np.linspace(start, start + 40e6, points))
            assert np.abs(sweep.s11 - wanted[0]).max() < tolerance
            assert np.abs(sweep.s21 - wanted[1]).max() < tolerance
            assert sweep.frequency_hz == pytest.approx(np.linspace(start, start + 40e6, points), abs=1e3)
    finally:
        await analyzer.close()


@names
async def test_the_shipped_profile_finds_its_way(served: str, name: str) -> None:
    if name in TURNED:
        analyzer = await Analyzer.open(served, load_profile("scpi"))
        applied = await analyzer.apply(SweepSettings(400e6, 440e6, 51, 1000.0))
        await analyzer.close()
        assert any("order alone" in change for change in applied.changes)
        return
    await measured(served, load_profile("scpi"), name)


@pytest.mark.long
@names
async def test_the_learned_profile_measures(served: str, name: str, tmp_path: Path) -> None:
    (tmp_path / "bench").write_text("open", encoding="utf-8")
    learned = await learn(served, Nobody())
    (tmp_path / "bench").write_text("device", encoding="utf-8")
    assert not any("which of its traces" in sentence for sentence in learned.unknown)
    scpi = learned.profile.scpi
    assert scpi is not None and not scpi.traces_assumed
    if name in TURNED:
        assert scpi.layout == "interleaved turned" or scpi.traces == ("2", "1")
        assert any("whether its leads were open" in sentence for sentence in learned.unknown)
    await measured(served, learned.profile, name)


@pytest.mark.long
@pytest.mark.parametrize("name", ["rush"])
async def test_learned_without_open_leads_the_order_is_said_to_be_assumed(served: str, tmp_path: Path) -> None:
    (tmp_path / "bench").write_text("p1load", encoding="utf-8")
    learned = await learn(served, Nobody())
    assert any("which of its traces is S11: taken in their order" in sentence for sentence in learned.unknown)
    assert learned.profile.scpi is not None and learned.profile.scpi.traces_assumed


class Clears(Nobody):
    """Takes everything off the leads when asked to."""

    def __init__(self, bench: Path) -> None:
        self.bench, self.asked = bench, list[str]()

    async def deed(self, text: str) -> bool:
        self.asked.append(text)
        self.bench.write_text("open", encoding="utf-8")
        return True


@pytest.mark.long
@pytest.mark.parametrize("name", ["rush"])
async def test_leads_that_are_cleared_when_asked_tell_the_order(served: str, tmp_path: Path) -> None:
    (tmp_path / "bench").write_text("p1load", encoding="utf-8")
    person = Clears(tmp_path / "bench")
    learned = await learn(served, person)
    assert len(person.asked) == 1 and "off both leads" in person.asked[0]
    assert learned.profile.scpi is not None and not learned.profile.scpi.traces_assumed


@pytest.mark.long
@pytest.mark.parametrize("name", ["nettle"])
async def test_a_bandwidth_that_cannot_be_set_is_said_to_be_unknown(served: str, tmp_path: Path) -> None:
    (tmp_path / "bench").write_text("open", encoding="utf-8")
    learned = await learn(served, Nobody())
    assert any("its bandwidth: it can't be set" in sentence for sentence in learned.unknown)
    assert not any("Hz was taken" in line for line in learned.text.splitlines() if "bandwidth" in line)
    assert learned.profile.timing.bandwidth_factor == 0.0
    analyzer = await Analyzer.open(served, learned.profile)
    applied = await analyzer.apply(SweepSettings(100e6, 140e6, 51, 100.0))
    await analyzer.close()
    assert "bandwidth_hz" not in applied.verified
    assert any("bandwidth can't be set and is not known" in change for change in applied.changes)


@pytest.mark.long
@pytest.mark.parametrize("name", NO_DATA)
async def test_no_complex_data_is_said_with_the_reason(served: str, name: str) -> None:
    with pytest.raises(AnalyzerError, match=NO_DATA[name]):
        await Analyzer.open(served, load_profile("scpi"))
