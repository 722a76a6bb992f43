"""The way in: `deepnotch`, `python -m deepnotch`, or this file by its path.

Owns: that the program's rooms (`rf`, `protocol`, `visit`, `tui`, `fixtures`) come from the folder of this file,
whatever folders of the same names lie in the current folder or on PYTHONPATH; one line for a system that cannot run it.
Refuses: everything else; the command line is `tui.cli`.
"""

from __future__ import annotations

import signal
import sys
from collections.abc import Sequence
from importlib.machinery import PathFinder
from pathlib import Path

ROOMS = ("rf", "protocol", "visit", "tui", "fixtures")
FOLDER = str(Path(__file__).resolve().parent)
NO_SERIAL_LINES = (
    "deepnotch: this system has no termios and fcntl, through which the program reaches serial lines and the terminal; "
    "run it on Linux (on Windows: in a Linux of its own, such as WSL 2, with the USB device passed through)"
)


def own_rooms_first(path: Sequence[str], module_path: str | None = None) -> list[str]:
    """The search path on which every room is found in `FOLDER`.

    `module_path` is what `python -m` put in front (the current folder), or None: it is left out, unless it is `FOLDER`,
    because nothing that lies there by chance is part of the program. Entries that hold something of a room's name go
    behind `FOLDER`; all else keeps its order, so that the standard library still comes before any library.
    """
    kept = list(path)
    if module_path is not None and kept[:1] == [module_path]:
        del kept[0]
    clashing = [entry for entry in kept if not _is_own(entry) and _holds_a_room(entry)]
    others = [entry for entry in kept if entry not in clashing]
    if not any(_is_own(entry) for entry in others):
        others.append(FOLDER)
    return others + clashing


def _is_own(entry: str) -> bool:
    return str(Path(entry).resolve()) == FOLDER


def _holds_a_room(entry: str) -> bool:
    return any(PathFinder.find_spec(room, [entry]) is not None for room in ROOMS)


def repair_path(*, as_module: bool = False) -> None:
    """Repair `sys.path` before any room is imported. `as_module`: started by `python -m`."""
    in_front = sys.path[0] if as_module and sys.path and not sys.flags.safe_path else None
    sys.path[:] = own_rooms_first(sys.path, in_front)


def lacks_serial_lines() -> bool:
    """Whether this system's Python is without the two modules that serial lines and terminals need."""
    try:
        import fcntl  # noqa: F401, PLC0415 - only whether they are there
        import termios  # noqa: F401, PLC0415
    except ImportError:
        return True
    return False


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line; status 2 and one line where the system cannot. Until a command listens Ctrl-C ends the
    process without a word: nothing was begun, and a traceback out of the loading of a library tells nobody anything."""
    if arguments is None and signal.getsignal(signal.SIGINT) is signal.default_int_handler:
        signal.signal(signal.SIGINT, signal.SIG_DFL)
    from tui.cli import main as run  # noqa: PLC0415 - after the path was repaired
    from tui.commands.exit_status import ExitStatus  # noqa: PLC0415

    if lacks_serial_lines():
        sys.stderr.write(NO_SERIAL_LINES + "\n")
        return ExitStatus.USAGE
    return run(arguments)


repair_path(as_module=__name__ == "__main__" and bool(__spec__))

if __name__ == "__main__":
    sys.exit(main())
