"""A technician with nothing but the screen comes to the honest end of each day, whatever is wrong on the bench."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.tui.bench_hand import deed_in
from tests.tui.day_hand import DayHand
from tests.tui.driven_days import DAYS, drive


def test_the_first_minutes_of_a_day(tmp_path: Path) -> None:
    """Leads hung the wrong way round: from the first screen to the words that name it, and on once they hang right."""
    day = next(day for day in DAYS if day.get("exchanged"))
    went = DayHand(tmp_path, day, speed=0.01, most_deeds=1).run()
    assert "exchange the leads" in went.deeds[0] and deed_in(went.deeds[1]) == "" and "A>H" in went.deeds[1]
    assert went.keys < 20


@pytest.mark.long
@pytest.mark.timeout(1800)
@pytest.mark.parametrize("day", DAYS, ids=[day["name"] for day in DAYS])
def test_a_day_comes_to_its_honest_end(tmp_path: Path, day: dict[str, object]) -> None:
    judged = drive(tmp_path, day)
    print(f"{day['name']}: {judged.went.keys} keys, {judged.went.turns} turns, {judged.went.bench_min:.0f} min")
    assert not judged.faults, "\n".join([*judged.faults, *judged.went.deeds])
