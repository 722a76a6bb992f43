"""A console that knows nothing of this program, from plug to first figure; the next day, restarted under another
number, one Enter."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.tui.plugging import MOST_KEYS, Journey, served
from tests.tui.terminal import terminal


@pytest.mark.timeout(180)
@pytest.mark.parametrize(
    ("name", "days"), [("pewter", 1), *(pytest.param(name, 2, marks=pytest.mark.long) for name in ("morrow", "mangle"))]
)
def test_a_stranger_from_plug_to_first_figure(tmp_path: Path, name: str, days: int) -> None:
    link = tmp_path / "analyzer"
    home = {"XDG_DATA_HOME": str(tmp_path / "share"), "XDG_STATE_HOME": str(tmp_path / "state")}
    with served(name, link, tmp_path, speed=4) as node, terminal("live", environment=home) as screen:
        journey = Journey(screen)
        journey.plug_to_figure(link, tmp_path / "bench")
        journey.leave()
        assert journey.count <= MOST_KEYS
    assert '"HARM"' not in (tmp_path / "log").read_text()
    if days == 1:
        return
    with served(name, link, tmp_path, speed=4, other_than=node), terminal("live", environment=home) as screen:
        journey = Journey(screen)
        journey.next_day()
        journey.leave()
        assert journey.count == 1
