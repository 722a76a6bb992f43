"""Starts the simulated analyzer as a process of its own and talks to its bench.

Owns: the child process, its first line (the device node) and its control lines, in a blocking and an async form.
Refuses: any way to the instrument's numbers other than the device node.
"""

from __future__ import annotations

import asyncio
import subprocess
import sys
import threading
from collections.abc import Sequence
from pathlib import Path
from types import TracebackType

from protocol.errors import RequestError

WAY_IN = Path(__file__).parents[2] / "deepnotch.py"
"""Started by its path and without the current folder in front (-P), so that the child's rooms are the program's own."""
STOP_S = 5.0
"""A child that does not end when its input ends is killed after this."""


class Bench:
    """A running simulated analyzer. Made by `start_bench` or `Bench.start`."""

    def __init__(self, process: subprocess.Popen[str], node: str) -> None:
        self._process, self.node = process, node
        self._lock = threading.Lock()

    @classmethod
    async def start(cls, options: Sequence[str] = ()) -> Bench:
        """Like `start_bench`, without blocking the loop."""
        return await asyncio.to_thread(start_bench, options)

    def say(self, line: str) -> str:
        """Send one control line, return the answer. Raises RequestError with the bench's own words when it refuses."""
        with self._lock:
            assert self._process.stdin is not None and self._process.stdout is not None
            try:
                self._process.stdin.write(line.replace("\n", " ") + "\n")
                self._process.stdin.flush()
                answer = self._process.stdout.readline().strip()
            except (BrokenPipeError, ValueError):
                answer = ""
        word, _, rest = answer.partition(" ")
        if word == "ok":
            return rest
        raise RequestError(rest if word == "no:" else "the simulated bench has stopped; start the demo again")

    async def tell(self, line: str) -> str:
        """`say` without blocking the loop."""
        return await asyncio.to_thread(self.say, line)

    def stop(self) -> None:
        """End the process and wait for it."""
        assert self._process.stdin is not None and self._process.stdout is not None
        try:
            self._process.stdin.close()
            self._process.wait(STOP_S)
        except (subprocess.TimeoutExpired, BrokenPipeError):
            self._process.kill()
            self._process.wait()
        finally:
            self._process.stdout.close()

    def __enter__(self) -> Bench:
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()

    async def __aenter__(self) -> Bench:
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        await asyncio.to_thread(self.stop)


def start_bench(options: Sequence[str] = ()) -> Bench:
    """Start `deepnotch simulate --child OPTIONS` and wait for its node. Raises RequestError when it refuses."""
    process = subprocess.Popen(
        [sys.executable, "-P", str(WAY_IN), "simulate", "--child", *options],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,  # a hang-up of the terminal is for the program that measures, not for the bench
    )
    assert process.stdout is not None and process.stderr is not None and process.stdin is not None
    first = process.stdout.readline().split()
    if len(first) == 2 and first[0] == "node":
        process.stderr.close()
        return Bench(process, first[1])
    words = process.stderr.read().strip().splitlines()
    process.stderr.close()
    process.stdin.close()
    process.stdout.close()
    process.wait()
    raise RequestError(words[-1] if words else "the simulated analyzer did not start")
