"""Consoles that give their points by number, so many at a time."""

from __future__ import annotations

import pytest

from protocol.analyzer import Analyzer
from protocol.errors import RequestError
from protocol.learn.dialogue import Nobody, Role, Word
from protocol.learn.learner import learn
from protocol.learn.sweeps.pieces import in_pieces
from protocol.profiles.profile import parse_profile
from protocol.sweep import SweepSettings
from tests.protocol.learn.bench_console import BenchConsole

WORDS = {"start": "lift", "stop": "sink", "points": "dots", "s11": "rowr", "s21": "rowt", "identity": "wexo"}
LISTED = """lift X     bottom frequency, kHz
sink X     top frequency, kHz
dots N     number of points
rowr A,B   fetch reflected points A..B (max 20)
rowt A,B   same, port 1 to 2
wexo       version
"""


@pytest.mark.parametrize(
    ("usage", "description", "told"),
    [
        ("rowr A,B", "fetch points A..B (max 20)", ("rowr {first},{last}", 20)),
        ("rowr <from> <to>", "points, at most 64", ("rowr {first} {last}", 64)),
        ("rowr k", "point k: re im", ("rowr {first}", 1)),
        ("rowr n", "slot n", None),
        ("rowr", "all points", None),
    ],
)
def test_numbers_of_points_are_told_from_other_arguments(
    usage: str, description: str, told: tuple[str, int] | None
) -> None:
    assert in_pieces(Word(1, "rowr", usage, description, Role.DATA, "")) == told


async def test_a_console_that_gives_points_in_pieces_is_learned_and_driven() -> None:
    async with BenchConsole(WORDS, LISTED, "help", most=20) as console:
        learned = await learn(console.port, Nobody())
        assert 'command = "rowr {first},{last}"' in learned.text and "piece = 20" in learned.text
        analyzer = await Analyzer.open(console.port, learned.profile)
        try:
            await analyzer.apply(SweepSettings(300e6, 400e6, 47, learned.profile.limits.bandwidths_hz[0]))
            console.lines.clear()
            sweep = await analyzer.sweep()
        finally:
            await analyzer.close()
        assert [line for line in console.lines if line.startswith("rowr")] == ["rowr 1,20", "rowr 21,40", "rowr 41,47"]
        assert sweep.s11.size == 47 and abs(abs(sweep.s11[30]) - 0.96) < 1e-6
        broken = learned.text.replace("piece = 20", "piece = 0", 1)
        with pytest.raises(RequestError, match="piece: goes with a command that holds"):
            parse_profile(broken, "broken")
