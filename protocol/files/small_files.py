"""Untrusted files read within limits, and files of the user's own written so that nobody else can read them.

Owns: the limits of a read, the modes of what is written. Refuses: any format; TOML and JSON are only guarded against
what their parsers do not catch (depth, endless numbers).
"""

from __future__ import annotations

import contextlib
import errno
import json
import math
import os
import re
import stat
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from protocol.errors import RequestError
from protocol.files.harmless import harmless

MAX_TEXT_BYTES = 100_000
"""A site, kit or profile is a page or two of text; anything larger is some other file."""
DEEPEST = 30
"""Lists and objects within one another; our own have eight."""
_DOTTED = re.compile(r"""(?<![\w-])(?:(?:[\w-]++|"[^"\n]*+"|'[^'\n]*+')[ \t]*+\.[ \t]*+){20}""")
PRIVATE_FILE, PRIVATE_FOLDER = 0o600, 0o700


def read_bytes(path: Path, limit: int, kind: str) -> bytes:
    """At most `limit` bytes of a regular file. Raises RequestError naming it; never waits for a pipe or a device."""
    try:
        with open(path, "rb", opener=_without_waiting) as file:
            data = file.read(limit + 1)
    except OSError as error:
        raise RequestError(f"{path}: {error.strerror or error}; check the name of {kind}") from None
    except ValueError as error:  # a name with a null byte
        raise RequestError(f"{path}: {error}; check the name of {kind}") from None
    if len(data) > limit:
        raise RequestError(f"{path}: larger than {limit} bytes, so not {kind}; give the right file")
    return data


def _without_waiting(path: str, flags: int) -> int:
    descriptor = os.open(path, flags | os.O_NONBLOCK | os.O_CLOEXEC)
    if not stat.S_ISREG(os.fstat(descriptor).st_mode):
        os.close(descriptor)
        raise OSError(errno.EINVAL, "not a regular file")
    return descriptor


def read_text(path: Path, kind: str, limit: int = MAX_TEXT_BYTES) -> str:
    """The whole text of a small file, without the mark that some editors put before it; `kind` says what it should be,
    with its article. Raises RequestError."""
    try:
        return read_bytes(path, limit, kind).decode("utf-8-sig")
    except UnicodeDecodeError:
        raise RequestError(f"{path}: not UTF-8 text, so not {kind}; save it as UTF-8, or give the right file") from None


def toml_table(text: str) -> dict[str, Any]:
    """A TOML text as a table. Raises ValueError with a short line for everything that is wrong with it."""
    if _DOTTED.search(text):  # the parser takes the cube of their number: an hour for a page of dots
        raise ValueError("a key of twenty parts or more")
    try:
        return tomllib.loads(text)
    except RecursionError:
        raise ValueError("nested too deep") from None
    except ValueError as error:  # TOML faults, numbers of thousands of digits, dates that do not exist
        raise ValueError(harmless(error, 200)) from None


def json_data(text: str) -> Any:
    """A JSON text; NaN and infinity are no JSON. Raises ValueError for everything that is wrong with it."""
    try:
        data = json.loads(text, parse_constant=_number, parse_float=_number)
    except RecursionError:
        raise ValueError("nested too deep") from None
    level = [data]
    for _ in range(DEEPEST):
        level = [inner for outer in level for inner in _within(outer)]
        if not level:
            return data
    raise ValueError("nested too deep")


def _within(data: Any) -> list[Any]:
    return list(data.values()) if isinstance(data, dict) else data if isinstance(data, list) else []


def _number(word: str) -> float:
    value = float(word)
    if not math.isfinite(value):
        raise ValueError(f"{word} is no number of JSON")
    return value


@contextlib.contextmanager
def for_the_user_alone() -> Iterator[None]:
    """Files and folders that a library makes within the block are private too."""
    before = os.umask(0o077)
    try:
        yield
    finally:
        os.umask(before)


def private_folder(folder: Path) -> Path:
    """The folder, made for the user alone where it is not there; one that is there keeps its mode."""
    with for_the_user_alone():  # parents too
        folder.mkdir(mode=PRIVATE_FOLDER, parents=True, exist_ok=True)
    return folder


def write_private(path: Path, text: str, *, new: bool = False) -> None:
    """Write a file that only its user can read, whatever the umask; one that is there keeps its mode.

    `new`: raises FileExistsError when the file is there. Other faults are OSError; a new file that could be written in
    part only does not stay, for a part of a sweep looks like a sweep.
    """
    how = os.O_CREAT | os.O_WRONLY | os.O_CLOEXEC | (os.O_EXCL if new else os.O_TRUNC)
    made = new or not os.path.lexists(path)
    descriptor = os.open(path, how, PRIVATE_FILE)
    try:
        with os.fdopen(descriptor, "w", encoding="utf-8", errors="replace") as file:
            file.write(text)
    except OSError:
        if made:
            path.unlink(missing_ok=True)
        raise


def append_private(path: Path, text: str) -> None:
    """Add to a file that only its user can read, made where it is not there. Faults are OSError."""
    how = os.O_CREAT | os.O_WRONLY | os.O_APPEND | os.O_CLOEXEC
    with os.fdopen(os.open(path, how, PRIVATE_FILE), "a", encoding="utf-8", errors="replace") as file:
        file.write(text)
