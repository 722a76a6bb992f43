"""Tells what the computer refuses a process (memory, threads, open files) from a fault of the program.

Owns: which exceptions mean that, and the one line for each. Refuses: disks and files, which name themselves.
"""

from __future__ import annotations

import errno
from collections.abc import Iterator

LEAST_MB, LEAST_WITH_SCREEN_MB = 400, 750
"""Of address space: with less the libraries of numbers, as they load, end the process or never come back."""
MEMORY = (
    "this computer gives the program too little memory; close other programs, or lift the limit (ulimit -v"
    f" {LEAST_WITH_SCREEN_MB * 1024}); what was kept stays"
)
THREADS = (
    "this computer gives the program no further thread: too little memory or too many processes; close other programs,"
    " or lift the limits (ulimit -u, ulimit -v); what was kept stays"
)
FILES = (
    "this computer lets the program open no further file or port; lift the limit (ulimit -n 64 is enough); what was"
    " kept stays"
)
NO_MEMORY = ("failed to map segment", "cannot allocate memory", "cannot enable executable stack")
"""What ld.so(8) says of a library, as Python tells it."""
LONGEST_CHAIN = 20


def shortage(error: BaseException) -> str:
    """One line that names what is lacking; empty where the fault is another."""
    for each in _chain(error):
        words = str(each).lower()
        if isinstance(each, MemoryError) or (isinstance(each, OSError) and each.errno == errno.ENOMEM):
            return MEMORY
        if isinstance(each, ImportError) and any(said in words for said in NO_MEMORY):
            return MEMORY
        if isinstance(each, RuntimeError) and "can't start new thread" in words:
            return THREADS
        if isinstance(each, OSError) and each.errno in (errno.EMFILE, errno.ENFILE):
            return FILES
    return ""


def too_little(*, screen: bool) -> bool:
    """Whether a limit was set under which the libraries of numbers can't be loaded, in the threads of a `screen` or
    without: setrlimit(2), RLIMIT_AS."""
    import resource  # noqa: PLC0415 - a system without it is told so before

    limit = resource.getrlimit(resource.RLIMIT_AS)[0]
    return limit != resource.RLIM_INFINITY and limit < (LEAST_WITH_SCREEN_MB if screen else LEAST_MB) << 20


def _chain(error: BaseException | None) -> Iterator[BaseException]:
    """The error and what it came of."""
    for _ in range(LONGEST_CHAIN):
        if error is None:
            return
        yield error
        error = error.__cause__ or error.__context__
