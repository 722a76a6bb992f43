"""The way from plug to first figure by keys, on one of the invented consoles; key presses are counted.

Owns: serving the console behind a link that stays when its device node changes, and the keys a technician presses.
Refuses: to judge a figure; whoever drives it does.
"""

from __future__ import annotations

import contextlib
import os
import re
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

from tests.tui.terminal import ROOT, Terminal

MOST_KEYS = 25
LEARNING_S = 240.0
FIGURE_S = 90.0
FIGURE = re.compile(r"(?:READING|AT LEAST) [-+]?\d")
SITE = ("Heron Bank", "450", "455,5")


@contextlib.contextmanager
def served(name: str, link: Path, folder: Path, speed: float = 1.0, other_than: str = "") -> Iterator[str]:
    """Serve a console; gives its node, which differs from `other_than`."""
    what = ["serve", "--seed", name] if name.isdigit() else ["handwritten", name]
    bench = folder / "bench"
    bench.write_text("open")
    taken: list[tuple[int, int]] = []
    while other_than and other_than not in {os.ttyname(pair[1]) for pair in taken}:  # the number differs from last time
        taken.append(os.openpty())
    process = subprocess.Popen(
        [sys.executable, "-m", "tests.strangers", *what, "--speed", f"{speed:g}",
         "--log", str(folder / "log"), "--bench", str(bench)],
        cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    assert process.stdin is not None and process.stdout is not None
    try:
        node = process.stdout.readline().strip()
        assert node != other_than
        link.unlink(missing_ok=True)
        link.symlink_to(node)
        yield node
    finally:
        process.stdin.close()
        process.terminate()
        process.wait()
        process.stdout.close()
        for descriptor in (end for pair in taken for end in pair):
            os.close(descriptor)


class Journey:
    """Keys into one terminal. `show` is handed every screen before it is answered."""

    def __init__(self, screen: Terminal, show: Callable[[str], object] | None = None) -> None:
        self.screen, self.count, self._show = screen, 0, show

    def press(self, *keys: str) -> None:
        """Key presses that count."""
        for key in keys:
            self.count += 1
            if self._show is not None:
                self._show(f"{self.screen.text}\n--- key {self.count}: {key!r}")
            self.screen.type(key)

    def write(self, words: str) -> None:
        """A name or a frequency: not counted."""
        self.screen.type(words)
        self.screen.wait_for(words)

    def plug_to_figure(self, link: Path, bench: Path) -> None:
        """Plug, learn, site, first figure."""
        screen = self.screen
        screen.wait_for("ENTER")
        self.press("p")
        screen.wait_for("Name of the port")
        screen.type(str(link))
        self.press("\r")
        screen.wait_for("ENTER  learn this analyzer")
        self.press("\r")
        screen.wait_for("Enter begin")
        self.press("\r")
        self._learn(bench)
        screen.wait_for("SITE  a new one")
        for words in SITE:
            self.write(words)
            self.press("\r")
        self.press("h")
        screen.wait_for("= high")
        self.press("\r")
        screen.wait_for("ENTER  go on")
        bench.write_text("device")
        self.press("\r")
        self._figure()

    def next_day(self) -> None:
        """One Enter."""
        self.screen.wait_for(f"ENTER  go on as last time: {SITE[0]}")
        self.press("\r")
        self._figure()

    def leave(self) -> None:
        """End the program; the key counts no more."""
        self.screen.type("q\r")
        assert self.screen.wait_for_end() == 0

    def _figure(self) -> None:
        """The live screen with a figure and its interval: sweeps came and were understood."""
        self.screen.wait_for(lambda text: FIGURE.search(text) is not None and "SAVED" in text, FIGURE_S)
        if self._show is not None:
            self._show(self.screen.text)

    def _learn(self, bench: Path) -> None:
        """Words as they stand, deeds done, questions not known, until it is learned."""
        screen, seen = self.screen, ""
        while True:
            screen.wait_for(lambda text, before=seen: text != before and _asks(text), LEARNING_S)  # type: ignore[misc]
            while screen.read(0.3):
                pass
            seen = screen.text
            assert "NOT LEARNED" not in seen, seen
            if " DO  " in seen:
                _do(seen, bench)
            self.press("2" if "switched on" in seen else "\r")
            if "LEARNED" in seen:
                return


def _do(asked: str, bench: Path) -> None:
    """What the hands do: the bench follows the words of the deed."""
    words = " ".join(asked.lower().split())
    joined = any(text in words for text in ("join", "together", "one lead between", "port 1 to port 2"))
    bench.write_text("joined" if joined else "open")


def _asks(text: str) -> bool:
    return any(words in text for words in ("LEARNED", " ?  ", " DO  ", "WORDS  of the console"))
