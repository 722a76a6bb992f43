"""A fault of the program itself: one line for the user, the traceback in a private file for whoever mends it.

Owns: the crash files (the newest few are kept) and the line. Refuses: values of variables, which may be a customer's.
"""

from __future__ import annotations

import contextlib
import os
import platform
import sys
import time
import traceback
from pathlib import Path

from protocol.errors import RequestError
from protocol.files.harmless import harmless
from protocol.files.program import program_version
from protocol.files.small_files import private_folder, write_private
from visit.site.folders import state_folder

MOST_FILES = 20
LONGEST_TEXT = 200_000


def crash_line(error: BaseException, what: str = "") -> str:
    """Keep the traceback; one line that says what happened, whose fault it is, where the file lies, what is next."""
    path, why = _kept(error)
    where = f"written to {path}" if path is not None else f"not kept ({why})"
    doing = f" {what}" if what else ""
    return harmless(
        f"a fault of the program itself{doing} ({type(error).__name__}: {harmless(error, 200)}); its traceback is"
        f" {where}; please report it",
        1000,
    )


def _kept(error: BaseException) -> tuple[Path | None, str]:
    """The file, or None and why there is none."""
    said = "".join(traceback.format_exception(error))[-LONGEST_TEXT:]
    head = f"deepnotch {program_version()}, Python {platform.python_version()}, {platform.platform()}\n"
    words = f"{time.strftime('%Y-%m-%d %H:%M:%S %z')}, command {sys.argv[1:2]}\n\n"
    try:
        folder = private_folder(state_folder() / "crashes")
        path = folder / f"{time.strftime('%Y%m%d-%H%M%S')}-{os.getpid()}-{time.monotonic_ns() % 10**6}.txt"
        write_private(path, head + words + said, new=True)
    except RequestError as fault:
        return None, str(fault)
    except OSError as fault:
        return None, str(fault.strerror)
    with contextlib.suppress(OSError):
        for old in sorted(folder.glob("*.txt"))[:-MOST_FILES]:
            old.unlink(missing_ok=True)
    return path, ""
