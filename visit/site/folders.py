"""Where the program keeps its own files: a folder of the user's for what was measured, one for what it remembers.

Owns: the folders, and replacing a small file whole. Refuses: names of files in them; whoever writes one chooses.
"""

from __future__ import annotations

import os
from pathlib import Path

import platformdirs

from protocol.errors import RequestError
from protocol.files.small_files import private_folder, write_private


def data_folder() -> Path:
    """The user's data folder, made when it is not there. Raises RequestError."""
    return _made(Path(platformdirs.user_data_dir("deepnotch")))


def state_folder() -> Path:
    """The user's folder for what the program remembers from one day to the next. Raises RequestError."""
    return _made(Path(platformdirs.user_state_dir("deepnotch")))


def replace_private(path: Path, text: str) -> None:
    """Write a private file whole or not at all: a power cut leaves the former one. Faults are OSError."""
    private_folder(path.parent)
    beside = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        write_private(beside, text)
        beside.replace(path)
    finally:
        beside.unlink(missing_ok=True)


def _made(folder: Path) -> Path:
    try:
        private_folder(folder)
    except OSError as error:
        raise RequestError(
            f"can't make {folder}: {error.strerror}; nothing can be kept there: set XDG_DATA_HOME and XDG_STATE_HOME to"
            " folders that you may write to"
        ) from None
    return folder
