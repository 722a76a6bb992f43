"""What the tests of the serial layer share: the peer in its own process, quick profiles, the guard over tasks."""

from __future__ import annotations

import asyncio
import dataclasses
import inspect
import subprocess
import sys
from collections.abc import AsyncIterator, Callable, Iterator
from pathlib import Path

import pytest

from protocol.profiles.profile import Profile, load_profile

PEER = Path(__file__).with_name("peer.py")
QUICK_REPLY_S, QUICK_QUIET_S = 0.25, 0.03
"""Patience of the profiles in tests; the peer answers within a millisecond."""


class Peer:
    """The small analyzer of peer.py behind a pty."""

    def __init__(self, dialect: str) -> None:
        self._process = subprocess.Popen(
            [sys.executable, str(PEER), dialect], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )
        self.node = self._line()

    def tell(self, *lines: str) -> None:
        """Give orders and wait until they are carried out."""
        for line in lines:
            self._write(line)
            assert self._line() == "ok"

    def log(self) -> bytes:
        """All bytes that the program has sent so far."""
        self._write("log")
        return bytes.fromhex(self._line())

    def close(self) -> None:
        assert self._process.stdin is not None and self._process.stdout is not None
        self._process.stdin.close()
        self._process.wait(5)
        self._process.stdout.close()

    def _write(self, line: str) -> None:
        assert self._process.stdin is not None
        self._process.stdin.write(line + "\n")
        self._process.stdin.flush()

    def _line(self) -> str:
        assert self._process.stdout is not None
        return self._process.stdout.readline().strip()


@pytest.fixture
def start_peer() -> Iterator[Callable[[str], Peer]]:
    """Starts peers; all are ended with the test."""
    peers: list[Peer] = []

    def start(dialect: str) -> Peer:
        peers.append(Peer(dialect))
        return peers[-1]

    yield start
    for peer in peers:
        peer.close()


def quick_profile(name: str) -> Profile:
    """A shipped profile with short patience, so that tests of silence are short."""
    profile = load_profile(name)
    timing = dataclasses.replace(
        profile.timing, reply_s=QUICK_REPLY_S, quiet_s=QUICK_QUIET_S, ready_s=0.5, margin=1.0, overhead_s=0.0
    )
    return dataclasses.replace(profile, timing=timing)


@pytest.fixture
async def _task_guard() -> AsyncIterator[None]:
    yield
    left = [task.get_name() for task in asyncio.all_tasks() if task is not asyncio.current_task()]
    assert not left, f"tasks left behind: {left}"


@pytest.fixture(autouse=True)
def no_tasks_left(request: pytest.FixtureRequest, no_leaks: None) -> None:
    """Fail an asynchronous test that leaves a task behind."""
    if inspect.iscoroutinefunction(request.function):
        request.getfixturevalue("_task_guard")
