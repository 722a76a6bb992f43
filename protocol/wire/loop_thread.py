"""An asyncio loop in a thread of its own, so that a stalled terminal never stalls a sweep.

Owns: starting, handing work over, stopping without leaving a task, a generator or a thread behind. Refuses: to
know what the work is.
"""

from __future__ import annotations

import asyncio
import concurrent.futures
import os
import threading
from collections.abc import Coroutine
from types import TracebackType
from typing import Any, TypeVar

T = TypeVar("T")

STOP_S = 10.0
"""`stop` waits this long for tasks that are being cancelled; a port that will not close takes a few seconds."""

DESCRIPTORS = 3
"""Of a loop: what it waits on, and two ends by which it is woken."""


class LoopThread:
    """Start it, submit coroutines from any thread, stop it. May be used in a `with` block."""

    def __init__(self, name: str = "serial") -> None:
        self._name = name
        self._loop: asyncio.AbstractEventLoop | None = None
        self._thread: threading.Thread | None = None

    def start(self) -> LoopThread:
        """Start the thread; returns when its loop runs. Raises OSError when no file, RuntimeError when no thread is to
        be had: here, for in the thread nobody would hear of it and `ready` never come."""
        if self._thread is not None:
            raise RuntimeError("the loop thread has been started before")
        ready, loop = threading.Event(), _new_loop()
        thread = threading.Thread(target=self._run, args=(ready, loop), name=self._name, daemon=True)
        try:
            thread.start()
        except RuntimeError:
            loop.close()
            raise
        self._thread = thread
        ready.wait()
        return self

    @property
    def running(self) -> bool:
        """True between `start` and `stop`."""
        return self._loop is not None

    def submit(self, work: Coroutine[Any, Any, T]) -> concurrent.futures.Future[T]:
        """Run a coroutine on the loop. Cancelling the future cancels the task.

        From another asyncio loop: `await asyncio.wrap_future(thread.submit(...))`.
        """
        loop = self._loop
        if loop is None:
            work.close()
            raise RuntimeError("the loop thread does not run")
        return asyncio.run_coroutine_threadsafe(work, loop)

    def run(self, work: Coroutine[Any, Any, T], timeout_s: float | None = None) -> T:
        """Run a coroutine on the loop and wait for it here. Raises TimeoutError and cancels it when it takes longer."""
        if threading.current_thread() is self._thread:
            work.close()
            raise RuntimeError("run() would wait for its own thread; await the coroutine instead")
        future = self.submit(work)
        try:
            return future.result(timeout_s)
        except BaseException:
            future.cancel()
            raise

    def stop(self) -> None:
        """Cancel what still runs, wait for it, end the thread. Harmless when it does not run."""
        loop, thread = self._loop, self._thread
        if loop is None or thread is None:
            return
        if threading.current_thread() is thread:
            raise RuntimeError("the loop thread cannot stop itself")
        self._loop = None
        loop.call_soon_threadsafe(loop.stop)
        thread.join(STOP_S)

    def __enter__(self) -> LoopThread:
        return self if self.running else self.start()

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()

    def _run(self, ready: threading.Event, loop: asyncio.AbstractEventLoop) -> None:
        asyncio.set_event_loop(loop)
        self._loop = loop
        loop.call_soon(ready.set)
        try:
            loop.run_forever()
        finally:
            tasks = asyncio.all_tasks(loop)
            for task in tasks:
                task.cancel()
            loop.run_until_complete(asyncio.gather(*tasks, return_exceptions=True))
            loop.run_until_complete(loop.shutdown_asyncgens())
            loop.run_until_complete(loop.shutdown_default_executor())
            asyncio.set_event_loop(None)
            loop.close()


def _new_loop() -> asyncio.AbstractEventLoop:
    """A loop. Raises OSError when it can't have its descriptors, and asks for them first: the library's own loop, left
    half made, would print a traceback when it is thrown away."""
    held: list[int] = []
    try:
        while len(held) < DESCRIPTORS:
            held.append(os.open(os.devnull, os.O_RDONLY))
    finally:
        for descriptor in held:
            os.close(descriptor)
    return asyncio.new_event_loop()
