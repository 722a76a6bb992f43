"""From plug to first figure on a console that nobody here has seen, in a terminal of 80 by 24; key presses counted.

Use: plug_to_figure.py pewter morrow [--show] [--tmux] [--through "ssh -tt -p 2222 HOST cd FOLDER &&"]
Serves each console of `tests/strangers` behind a pseudo-terminal, drives `deepnotch live` by keys: learn, site, first
figure; then the next day: the console restarted under another port number, one Enter. Names, frequencies and the port's
name are typed and not counted.
"""

from __future__ import annotations

import argparse
import shlex
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
sys.path[:0] = [str(ROOT)]

from tests.tui.plugging import MOST_KEYS, Journey, served  # noqa: E402
from tests.tui.terminal import Terminal  # noqa: E402


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("names", nargs="+", help="consoles by name, or by the number of a drawn one")
    parser.add_argument("--show", action="store_true", help="print every screen that was answered")
    parser.add_argument("--tmux", action="store_true", help="inside tmux")
    parser.add_argument("--through", default="", help="words before the command: an ssh call; the command follows")
    parser.add_argument("--speed", type=float, default=1.0, help="of the console; 0 is as fast as can be")
    options = parser.parse_args()
    bad = 0
    for name in options.names:
        with tempfile.TemporaryDirectory() as folder:
            bad += not _one(name, Path(folder), options)
    return 1 if bad else 0


def _one(name: str, folder: Path, options: argparse.Namespace) -> bool:
    home = {"XDG_DATA_HOME": str(folder / "share"), "XDG_STATE_HOME": str(folder / "state")}
    link = folder / "analyzer"
    words = ["env", *(f"{key}={value}" for key, value in home.items()), sys.executable, "-m", "tui", "live"]
    if options.tmux:
        words = ["tmux", "-f", "/dev/null", "-L", f"plug{folder.name}", "new", shlex.join(words)]
    if options.through:
        words = [*shlex.split(options.through), f"cd {shlex.quote(str(ROOT))} &&", shlex.join(words)]

    def screen() -> Terminal:
        return Terminal((), command=words)

    show = print if options.show else None
    try:
        with served(name, link, folder, options.speed) as node:
            first = Journey(screen(), show)
            began = time.monotonic()
            try:
                first.plug_to_figure(link, folder / "bench")
                took = time.monotonic() - began
                first.leave()
            finally:
                first.screen.close()
        with served(name, link, folder, options.speed, node):
            second = Journey(screen(), show)
            try:
                second.next_day()
                second.leave()
            finally:
                second.screen.close()
    except AssertionError as fault:
        print(f"{name}: STOPPED\n{fault}")
        return False
    good = first.count <= MOST_KEYS and second.count == 1
    print(f"{name}: {first.count} keys in {took:.0f} s to the first figure; the next day {second.count}")
    return good


if __name__ == "__main__":
    sys.exit(main())
