"""Any keys in any order at the live screen and at all that opens from it, pasted texts and other sizes among them: no
screen fails. What is open counts, not what is measured."""

from __future__ import annotations

import os
import random
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import pytest
from textual.events import Paste
from textual.pilot import Pilot

from tests.tui.test_calibration_screen import make_app
from tests.visit.stations import table
from tui.screens.live_screen import LiveScreen
from tui.screens.too_small import TooSmall

SECONDS = float(os.environ.get("DEEPNOTCH_SECONDS", "300"))
OPEN = [*"wznekcvpgxamdyftorhsbu", "question_mark", "space"]
MOVE = [
    *["enter"] * 6, *["escape"] * 3, "tab", "shift+tab", "up", "down", "left", "right", "backspace", "home", "end",
    "pageup", "pagedown", "delete",
]  # fmt: skip
TYPE = [
    *"0123456789eALHkMGµ€", "full_stop", "comma", "minus", "plus", "greater_than_sign", "equals_sign", "space",
    "left_square_bracket", "quotation_mark", "backslash", "\u202e",
]  # fmt: skip
SELDOM = ["q", "ctrl+c", "ctrl+z", "f1", "ctrl+p", "paste", "small", "large"]
LEAVES = ("q", "ctrl+c")
PASTED = ("450e6", "x" * 500, "\x1b[31m\n\n[red]", "A>L pad1=3")


def key_of(draw: random.Random) -> str:
    """Mostly what opens something or goes on in it."""
    return draw.choice(draw.choices((OPEN, MOVE, TYPE, SELDOM), (42, 33, 20, 5))[0])


async def press(pilot: Pilot[bool], key: str, draw: random.Random) -> None:
    if key == "paste":
        pilot.app.screen.post_message(Paste(draw.choice(PASTED)))
        await pilot.pause()
    elif key == "small":
        await pilot.resize_terminal(draw.choice((20, 72, 80)), draw.choice((5, 20, 24)))
    elif key == "large":
        await pilot.resize_terminal(120, 40)
    else:
        await pilot.press(key)


@pytest.fixture
def no_signals(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """The pilot shares its loop with pytest; the program's own signal handlers stay out of it."""
    monkeypatch.setattr("asyncio.unix_events._UnixSelectorEventLoop.add_signal_handler", lambda *_: None)
    yield


@pytest.mark.long
@pytest.mark.timeout(0)
@pytest.mark.usefixtures("no_signals")
async def test_any_keys_in_any_order(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)  # where pages are written
    seed = time.time_ns()
    draw, until, seen, last = random.Random(seed), time.monotonic() + SECONDS, Counter[str](), list[str]()
    with table(tmp_path, "demo-450", "U6", raw=True) as bench:
        while time.monotonic() < until:
            app = make_app(bench)
            try:
                async with app.run_test(size=(80, 24)) as pilot:
                    await pilot.pause()
                    while app.is_running and time.monotonic() < until:
                        small = isinstance(app.screen, TooSmall) and draw.random() < 0.3
                        key = "large" if small else key_of(draw)
                        if key in LEAVES and isinstance(app.screen, LiveScreen):
                            continue
                        seen[type(app.screen).__name__] += 1
                        last = [*last[-20:], f"{type(app.screen).__name__} {key}"]
                        await press(pilot, key, draw)
            except Exception as error:
                raise AssertionError(f"seed {seed}, behind {last}") from error
    print(f"{seen.total()} keys: {dict(seen)}")
    assert len(seen) > 3
