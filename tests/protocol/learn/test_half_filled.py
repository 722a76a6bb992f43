"""A console that can't be learned: what was found is finished by somebody who has only the file and the wire log, and
measures. Wrong lines are told with what came instead."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from protocol.analyzer import Analyzer
from protocol.learn.dialogue import Nobody
from protocol.learn.learner import NotLearnedError, learn
from protocol.profiles.profile import Profile, parse_profile
from protocol.sweep import SweepSettings
from protocol.trial.line_check import Outcome, at_port, in_log, plan
from protocol.wire import wire_log
from protocol.wire.link import SerialLink
from tests.strangers import truth
from tests.tui.plugging import served

FINISHED = (
    ("# MISSING: start_hz = ...", "start_hz = 1000000"),
    ("# MISSING: stop_hz = ...", "stop_hz = 1300000000"),
    ("# MISSING: min_points = ...", "min_points = 25"),
    ("# MISSING: max_points = ...", "max_points = 25"),
    ('identify = "index"', 'identify = "plate"'),
    ('# MISSING: start = "... {start_hz}"', 'span = "span {start_hz} {stop_hz} {points}"'),
    ('# MISSING: stop = "... {stop_hz}"', 'sweep = "arm"\npoll = "arm?"'),
    ('# MISSING: points = "... {points}"\n', ""),
    ('axis = "unconfirmed"', 'axis = "read-back"\nready = "1"'),
    (
        "# MISSING: [[console.reads]]",
        '[[console.reads]]\ncommand = "rows 0 24"\n'
        'line = "{index} {frequency_hz} {s11_re} {s11_im} {s21_re} {s21_im}"\n'
        '[[console.readback]]\ncommand = "span"\nlines = ["{start_hz} {stop_hz} {points}"]\n',
    ),
)


async def tried(port: str, profile: Profile) -> list[Outcome]:
    link = await SerialLink.open(port, profile.serial)
    try:
        return await at_port(profile, link, plan(profile))
    finally:
        await link.close()


@pytest.mark.timeout(150)
async def test_half_of_a_profile_is_finished_from_a_wire_log_and_measures(tmp_path: Path) -> None:
    log = tmp_path / "wire.txt"
    with served("trestle", tmp_path / "analyzer", tmp_path, speed=0) as port:
        with pytest.raises(NotLearnedError) as failed:
            await learn(port, Nobody())
        half = failed.value.half
        assert "rows A..B of the last sweep, at most 25" in half, "what the console printed is evidence"
        text = half
        for marked, filled in FINISHED:
            assert marked in text
            text = text.replace(marked, filled)
        wrong = parse_profile(text.replace("rows 0 24", "rows 1 25").replace('{stop_hz} {points}"]', '{points}"]'))
        told = {one.key: one for one in await tried(port, wrong)}
        assert told["reads"].verdict == "unlike" and "24 lines" in told["reads"].note
        assert told["readback"].verdict == "unlike" and "{start_hz} {points}" in told["readback"].note
        profile = parse_profile(text)
        wire_log.begin(log)
        try:
            assert all(one.good for one in await tried(port, profile))
        finally:
            wire_log.end()
        assert all(one.good for one in in_log(profile, wire_log.read(log)))
        analyzer = await Analyzer.open(port, profile)
        try:
            await analyzer.apply(SweepSettings(440e6, 460e6, 50, 1000.0))
            sweep = await analyzer.sweep()
            assert analyzer.doubt == ""
        finally:
            await analyzer.close()
    assert sweep.frequency_hz == pytest.approx(np.linspace(440e6, 460e6, 50), abs=1e3)
    s11, s21 = truth.build("trestle").world.response("open", sweep.frequency_hz)
    assert np.abs(sweep.s11 - s11).max() < 0.03 and np.abs(sweep.s21 - s21).max() < 0.03
    assert '"HARM"' not in (tmp_path / "log").read_text()
