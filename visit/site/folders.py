"""Where the program keeps its own files: one folder of the user's.

Owns: the folder. Refuses: names of files in it; whoever writes one chooses.
"""

from __future__ import annotations

from pathlib import Path

import platformdirs

from protocol.errors import RequestError
from protocol.files.small_files import private_folder


def data_folder() -> Path:
    """The user's data folder, made when it is not there. Raises RequestError."""
    folder = Path(platformdirs.user_data_dir("deepnotch"))
    try:
        private_folder(folder)
    except OSError as error:
        raise RequestError(f"can't make {folder}: {error.strerror}; name a file in another folder") from None
    return folder
