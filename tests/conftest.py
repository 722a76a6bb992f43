"""Guards that every test runs under: nothing may be left behind."""

from __future__ import annotations

import gc
import os
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import settings

# A busy machine is no fault; the same draws each time.
settings.register_profile("house", deadline=None, derandomize=True)
settings.load_profile("house")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the program does, before NumPy loads

JOIN_S = 5.0
"""A thread that is ending gets this long; one that does not end in this time is a leak."""


def _open_files() -> dict[int, str]:
    found = {}
    for entry in Path("/proc/self/fd").iterdir():
        try:
            found[int(entry.name)] = os.readlink(entry)  # noqa: PTH115
        except OSError:
            continue  # the listing's own descriptor
    return found


@pytest.fixture(autouse=True)
def no_leaks(request: pytest.FixtureRequest) -> Iterator[None]:
    """Fail a test that leaves a file descriptor or a thread behind.

    Set up first and torn down last, so that the test's own fixtures have had their turn.
    """
    files, threads = _open_files(), set(threading.enumerate())
    yield
    for thread in set(threading.enumerate()) - threads:
        thread.join(JOIN_S)
    left = [thread.name for thread in set(threading.enumerate()) - threads]
    assert not left, f"threads left behind: {left}"
    if set(_open_files()) - set(files):
        gc.collect()
    after = _open_files()
    kept = {number: name for number, name in after.items() if number not in files and "(deleted)" not in name}
    assert not kept, f"file descriptors left behind: {kept}"
