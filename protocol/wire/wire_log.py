"""The wire log: every byte that goes to and comes from a port, as lines of text that are harmless to read.

Owns: the file (private, mode 0600), its lines and the reading of them. Refuses: any meaning of the bytes. A line is
`<seconds> > <bytes>` for what was sent and `<seconds> < <bytes>` for what came, every byte that is not printable ASCII
written as \\xHH and a backslash doubled.
"""

from __future__ import annotations

import os
import re
import time
from pathlib import Path
from typing import ClassVar, TextIO

from protocol.errors import RequestError

SENT, CAME = ">", "<"
HEADING = "# deepnotch wire log 1: seconds, > sent or < came, bytes"
HIDDEN = b"*****"
"""Stands for a secret, whatever its length."""
LONGEST_ECHO = 400
_ECHO_END = re.compile(rb"[\r\n]")
LIMIT = 64 << 20
"""A longer file is no log of one session."""
_LINE = re.compile(r"(\d+\.\d+) ([<>]) ((?:[ -\[\]-~]|\\\\|\\x[0-9a-f]{2})*)")
_ESCAPED = re.compile(r"\\\\|\\x([0-9a-f]{2})")


class _Current:
    """The log of this process; there is one at most."""

    file: TextIO | None = None
    began: float = 0.0
    secrets: ClassVar[set[bytes]] = set()
    """Lines that are never written in clear, by this process."""
    echo: bytes | None = None
    """What came since a secret was sent, as long as its line has not ended; None elsewhere."""
    held: bytes = b""
    """The end of what came that may be the beginning of a secret."""


def begin(path: Path) -> None:
    """Write all bytes of all ports to a new file from now on. Raises RequestError when it can't be made or is there."""
    end()
    try:
        node = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    except FileExistsError as error:
        raise RequestError(f"{path} is there already; a wire log is never written over: give another name") from error
    except OSError as error:
        raise RequestError(f"the wire log {path} can't be written: {error.strerror}") from error
    _Current.file, _Current.began = os.fdopen(node, "w", encoding="ascii", buffering=1), time.monotonic()
    _Current.file.write(HEADING + "\n")


def hide(secret: str) -> None:
    """Never write this line in clear, nor what comes behind it up to the first line end (its echo, in any manner)."""
    if secret.strip():
        _Current.secrets.add(secret.strip().encode("latin-1", "replace"))


def masked(data: bytes) -> bytes:
    """Bytes with each hidden line in stars, whatever its case."""
    for secret in sorted(_Current.secrets, key=len, reverse=True):
        data = re.sub(re.escape(secret), HIDDEN, data, flags=re.IGNORECASE)
    return data


def end() -> None:
    """Close the log; harmless without one."""
    if _Current.held:
        _write(CAME, b"")
    if _Current.file is not None:
        _Current.file.close()
    _Current.file = None


def note(direction: str, data: bytes) -> None:
    """One line of the log, where there is one. A full disk ends the log, never the measurement."""
    if _Current.file is None or not data:
        return
    if not _Current.secrets:
        _write(direction, data)
    elif direction == SENT:
        if _Current.held:
            _write(CAME, b"")
        _Current.echo = b"" if any(secret == data.strip() for secret in _Current.secrets) else None
        _write(direction, masked(data))
    else:
        _came(data)


def _came(data: bytes) -> None:
    """What came, the echo of a secret in stars, and what may be the beginning of one held back."""
    if _Current.echo is not None:
        _Current.echo += data
        ended = _ECHO_END.search(_Current.echo)
        if ended is None and len(_Current.echo) < LONGEST_ECHO:
            return
        data = HIDDEN + _Current.echo[ended.start() if ended else LONGEST_ECHO :]
        _Current.echo = None
    text = _Current.held + data
    longest = max(map(len, _Current.secrets))
    begun = [
        size for size in range(1, longest)
        if any(secret.lower().startswith(text[-size:].lower()) and size < len(secret) for secret in _Current.secrets)
    ]  # fmt: skip
    keep = len(text) - max(begun, default=0)
    whole, _Current.held = text[:keep], text[keep:]
    if whole:
        _put(CAME, masked(whole))


def _write(direction: str, data: bytes) -> None:
    held, _Current.held = _Current.held, b""
    if held:
        _put(CAME, HIDDEN)
    if data:
        _put(direction, data)


def _put(direction: str, data: bytes) -> None:
    if _Current.file is None:
        return
    try:
        _Current.file.write(f"{time.monotonic() - _Current.began:.4f} {direction} {escaped(data)}\n")
    except OSError:
        _Current.file = None


def escaped(data: bytes) -> str:
    """Bytes as printable ASCII that can be turned back."""
    return "".join("\\\\" if byte == 0x5C else chr(byte) if 0x20 <= byte <= 0x7E else f"\\x{byte:02x}" for byte in data)


def read(path: Path) -> list[tuple[str, bytes]]:
    """Direction and bytes of each line. Raises RequestError that names the line when it is no wire log."""
    try:
        if path.stat().st_size > LIMIT:
            raise RequestError(f"{path} is longer than {LIMIT >> 20} MB; this is no wire log of one session")
        lines = path.read_text(encoding="ascii").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        raise RequestError(f"{path} can't be read as a wire log: {error}") from error
    if not lines or lines[0] != HEADING:
        raise RequestError(f"{path}:1: is not a wire log of this program")
    found = []
    for number, line in enumerate(lines[1:], 2):
        match = _LINE.fullmatch(line)
        if match is None:
            raise RequestError(f"{path}:{number}: is no line of a wire log")
        plain = _ESCAPED.sub(lambda part: chr(int(part.group(1), 16)) if part.group(1) else "\\", match.group(3))
        found.append((match.group(2), plain.encode("latin-1")))
    return found
