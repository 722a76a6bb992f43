"""An asyncio loop in a thread of its own, so that a stalled terminal never stalls a sweep.

Owns: starting, handing work over, stopping without leaving a task, a generator or a thread behind. Refuses: to
know what the work is.
"""

from __future__ import annotations

import asyncio
import concurrent.futures
import threading
from collections.abc import Coroutine
from types import TracebackType
from typing import Any, TypeVar

T = TypeVar("T")

STOP_S = 10.0
"""`stop` waits this long for tasks that are being cancelled; a port that will not close takes a few seconds."""


class LoopThread:
    """Start it, submit coroutines from any thread, stop it. May be used in a `with` block."""

    def __init__(self, name: str = "serial") -> None:
        self._name = name
        self._loop: asyncio.AbstractEventLoop | None = None
        self._thread: threading.Thread | None = None

    def start(self) -> LoopThread:
        """Start the thread; returns when its loop runs."""
        if self._thread is not None:
            raise RuntimeError("the loop thread has been started before")
        ready = threading.Event()
        self._thread = threading.Thread(target=self._run, args=(ready,), name=self._name, daemon=True)
        self._thread.start()
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

    def _run(self, ready: threading.Event) -> None:
        loop = asyncio.new_event_loop()
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
