"""The one place where faults of the operating system and of pyserial turn into our two words.

Owns: the two translations, and the search for who holds a port. Refuses: to hide anything: the first error stays the
cause. pyserial raises three families (SerialException, plain OSError, termios.error, the last not an OSError);
nothing of the three leaves this room.
"""

from __future__ import annotations

import errno
import getpass
import grp
import os
import termios
from collections.abc import Iterator
from pathlib import Path

import serial

from protocol.errors import AnalyzerError, MachineError, PortLostError, RequestError
from protocol.files.harmless import ascii_only

PORT_FAULTS: tuple[type[Exception], ...] = (serial.SerialException, OSError, termios.error)
"""All that opening, reading, writing and closing a port may raise."""

_GONE = frozenset({errno.EIO, errno.ENXIO, errno.ENODEV, errno.EBADF, errno.EPIPE, errno.ENOTCONN})


def translated_io(error: Exception, port: str) -> AnalyzerError:
    """The error to raise instead of `error`, one of PORT_FAULTS, which came from an open port."""
    number = _errno_of(error)
    if number in _GONE or number is None:
        return lost(port)
    return AnalyzerError(f"{port}: the port failed ({os.strerror(number)}); unplug it, plug it in, try again")


def translated_opening(error: Exception, port: str) -> RequestError | AnalyzerError:
    """The error to raise instead of `error`, one of PORT_FAULTS, which came from opening a port."""
    number = _errno_of(error)
    if number in (errno.EBUSY, errno.EAGAIN):
        return RequestError(f"{port} is in use by {holder(port)}; end that program, then try again")
    if number in (errno.ENOENT, errno.ENXIO, errno.ENODEV):
        return RequestError(f"no such port: {port}; is it plugged in? `deepnotch ports` lists what is there")
    if number in (errno.EACCES, errno.EPERM):
        return RequestError(f"no permission for {port}: {_cure(port)}")
    if number in (errno.ENOTTY, errno.EINVAL, errno.EISDIR) or isinstance(error, termios.error):
        return RequestError(f"{port} is not a serial port; `deepnotch ports` lists what is there")
    if number == errno.EIO:
        return AnalyzerError(f"{port} is there but does not open (I/O error); unplug it, plug it in, try again")
    if number in (errno.EMFILE, errno.ENFILE, errno.ENOMEM):
        cure = "lift it (ulimit -n 64 is enough)" if number == errno.EMFILE else "close other programs"
        return MachineError(
            f"{port} does not open: {os.strerror(number)}, which is a limit of this computer and no fault of the"
            f" analyzer; {cure}"
        )
    text = os.strerror(number) if number is not None else str(error).splitlines()[0]
    return AnalyzerError(f"{port} does not open ({text})")


THEN = ", then start again"
"""What whoever does not wait for a lost port is told to do."""


def lost(port: str) -> PortLostError:
    """What to raise when a port is gone."""
    return PortLostError(f"{port} is gone (unplugged or off); plug it in{THEN}")


def _errno_of(error: BaseException) -> int | None:
    """The operating system's number, looked for in the error and in what it was raised from."""
    seen: BaseException | None = error
    while seen is not None:
        number = getattr(seen, "errno", None)
        if number is None and isinstance(seen, termios.error) and seen.args:
            number = seen.args[0]
        if isinstance(number, int):
            return number
        seen = seen.__cause__ or seen.__context__
    return None


def _cure(port: str) -> str:
    try:
        status = Path(port).stat()
        group = grp.getgrgid(status.st_gid).gr_name
    except (OSError, KeyError):
        return "ask the owner of this computer for access to serial ports"
    if not status.st_mode & 0o060 or group == "root":
        return f"it belongs to root alone; a udev rule must give it to a group (now: {group})"
    try:
        user = getpass.getuser()
    except (KeyError, OSError):
        user = "USER"
    return f"join its group with `sudo usermod -aG {group} {user}`, then log in again"


def holder(port: str) -> str:
    """Who has the port open or locked, as far as /proc tells: "name (pid N)", else "another program"."""
    found = _lock_owner(port) or next(_openers(port), None)
    if found is None:
        return "another program"
    if found == os.getpid():
        return "this program itself"
    return f"{_name_of(found)} (pid {found})"


def also_open(port: str) -> str:
    """ "name (pid N)" of another program that has the port open beside this one and takes its bytes away, "" when none
    is seen. Who holds the far end of a pseudo-terminal is known."""
    for found in _openers(port):
        if not any(link.endswith("/ptmx") for link in _open_files(found)):
            return f"{_name_of(found)} (pid {found})"
    return ""


def _open_files(pid: int) -> list[str]:
    try:
        return [os.readlink(entry) for entry in Path(f"/proc/{pid}/fd").iterdir()]  # noqa: PTH115
    except OSError:
        return []


def _name_of(pid: int) -> str:
    try:
        name = Path(f"/proc/{pid}/comm").read_text(encoding="utf-8", errors="replace").strip()
    except OSError:
        name = "another program"
    return ascii_only(name)


def _lock_owner(port: str) -> int | None:
    """Process that holds a whole-file lock on the device node (proc(5), /proc/locks)."""
    try:
        status = Path(port).stat()
        lines = Path("/proc/locks").read_text(encoding="ascii", errors="replace").splitlines()
    except OSError:
        return None
    place = f"{os.major(status.st_dev):02x}:{os.minor(status.st_dev):02x}:{status.st_ino}"
    for line in lines:
        words = line.split()
        if len(words) >= 6 and words[1] == "FLOCK" and words[5] == place and words[4].isdigit():
            return int(words[4]) or None
    return None


def _openers(port: str) -> Iterator[int]:
    """Other processes that have the device node open; only those of the same user can be seen without root."""
    try:
        target = str(Path(port).resolve(strict=True))
    except OSError:
        return
    for folder in Path("/proc").iterdir():
        if folder.name.isdigit() and int(folder.name) != os.getpid() and target in _open_files(int(folder.name)):
            yield int(folder.name)
