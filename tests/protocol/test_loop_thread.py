"""The loop's thread: work handed over from outside, and nothing left when it stops."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import AsyncGenerator

import pytest

from protocol.wire.loop_thread import LoopThread


async def thread_name() -> str:
    return threading.current_thread().name


async def test_work_comes_back_to_a_thread_and_to_another_loop() -> None:
    with LoopThread("test loop") as thread:
        assert thread.run(thread_name(), 5) == "test loop"
        assert await asyncio.wrap_future(thread.submit(thread_name())) == "test loop"


def test_errors_come_back_as_they_are() -> None:
    async def fail() -> None:
        raise LookupError("mine")

    with LoopThread() as thread, pytest.raises(LookupError, match="mine"):
        thread.run(fail(), 5)


def test_stop_cancels_tasks_and_closes_generators() -> None:
    ended: list[str] = []

    async def endless() -> None:
        try:
            await asyncio.Event().wait()
        finally:
            ended.append("task")

    async def numbers() -> AsyncGenerator[int, None]:
        try:
            while True:
                yield 1
        finally:
            ended.append("generator")

    async def begin() -> AsyncGenerator[int, None]:
        items = numbers()
        await anext(items)
        return items

    thread = LoopThread().start()
    kept = thread.run(begin(), 5)
    future = thread.submit(endless())
    thread.run(asyncio.sleep(0), 5)
    thread.stop()
    assert sorted(ended) == ["generator", "task"] and future.cancelled() and kept is not None
    thread.stop()
    with pytest.raises(RuntimeError, match="does not run"):
        thread.submit(thread_name())


def test_running_out_of_time_cancels_the_work() -> None:
    cancelled = threading.Event()

    async def endless() -> None:
        try:
            await asyncio.Event().wait()
        except asyncio.CancelledError:
            cancelled.set()
            raise

    with LoopThread() as thread:
        with pytest.raises(TimeoutError):
            thread.run(endless(), 0.01)
        assert cancelled.wait(5)


def test_the_loop_cannot_wait_for_itself() -> None:
    with LoopThread() as thread:

        async def inside() -> str:
            return thread.run(thread_name())

        with pytest.raises(RuntimeError, match="wait for its own thread"):
            thread.run(inside(), 5)
