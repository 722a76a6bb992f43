"""The ends of a range: believed where one beyond was refused and one within was followed, and nowhere else."""

from __future__ import annotations

import pytest

from protocol.learn.dialogue import Role, Word
from protocol.learn.sweeps.bounds import LADDER_HZ, Bounds, find_range
from protocol.learn.sweeps.setters import Setter, Setters, Source
from protocol.learn.sweeps.trials import Trials
from protocol.learn.sweeps.trying import Outcome
from protocol.learn.words.talk import Talk
from tests.protocol.test_patience import MemoryLink


class Console(Trials):
    """Sweeps from `low` to `high`; beyond `refused` it says no, between it says nothing and goes on as before."""

    low, high = 1e6, 1.3e9
    refused = (0.0, 1e12)
    reads = False

    async def holds(self, role: Role, value: float) -> Outcome:
        within = self.low <= value <= self.high if self.reads else self.refused[0] <= value <= self.refused[1]
        return Outcome(within, understood=within)

    async def follows(self, end_hz: float, up: bool) -> bool:
        return self.low <= end_hz <= self.high

    def told_ranges(self) -> list[tuple[float, float]]:
        return []


def console(*, reads: bool, refused: tuple[float, float]) -> Console:
    found = Console(Setters(Talk(MemoryLink(lambda data: b"")), (), ()))
    for role in (Role.START, Role.STOP):
        word = Word(1, role.value, "", "", role, "")
        found.setters.found[role] = Setter(role, word, "{v}", Source("read", "{v}") if reads else None)
    found.reads, found.refused, found.refuses = reads, refused, refused != (0.0, 1e12)
    found.low_hz, found.high_hz = 100e6, 160e6
    return found


@pytest.mark.parametrize(
    ("reads", "refused", "assumed"),
    [
        (True, (1e6, 1.3e9), False),
        (False, (1e6, 1.3e9), False),
        (False, (0.0, 1.3e9), True),  # the lower end is ignored without a word
        (False, (1e6, 1e12), True),  # the upper one is
        (False, (0.0, 6e9), True),  # refused, but far beyond what it follows
    ],
)
async def test_an_end_stands_where_values_were_followed(
    reads: bool, refused: tuple[float, float], assumed: bool
) -> None:
    trials, bounds = console(reads=reads, refused=refused), Bounds()
    await find_range(trials, bounds, trials.follows)
    assert (bounds.start_hz, bounds.stop_hz) == (1e6, 1.3e9)
    assert bounds.assumed is assumed


async def test_where_nothing_follows_the_range_is_what_was_swept() -> None:
    trials, bounds = console(reads=False, refused=(0.0, 6e9)), Bounds()

    async def never(end_hz: float, up: bool) -> bool:
        return False

    await find_range(trials, bounds, never)
    assert (bounds.start_hz, bounds.stop_hz, bounds.assumed) == (100e6, 160e6, True)


async def test_what_is_read_back_but_never_refused_is_swept_before_it_is_believed() -> None:
    trials, bounds = console(reads=True, refused=(0.0, 1e12)), Bounds()
    trials.low, trials.high = 0.0, 1e12  # it shows every value
    asked = list[float]()

    async def to_three_gigahertz(end_hz: float, up: bool) -> bool:
        asked.append(end_hz)
        return 5e5 <= end_hz <= 3e9

    await find_range(trials, bounds, to_three_gigahertz)
    assert (bounds.start_hz, bounds.stop_hz, bounds.assumed) == (5e5, 3e9, True)
    assert len(asked) < len(LADDER_HZ) / 2
