"""Repeated sweeps by a plan.

Owns: `SweepPlan` and `sweeps`, which sweeps on while its consumer is busy. Refuses: to keep or average sweeps, and to
hand on one that the analyzer may have taken with other settings (it restarted) or sent before (it is frozen): either
would look like a floor that falls.

The consumer awaits: it takes sweeps from a queue of AHEAD sweeps and the analyzer goes on meanwhile. No sweep is ever
dropped; only a consumer that is AHEAD sweeps behind (a disk that hangs for minutes) stops the sweeping until it takes
one. A screen must not be a consumer: it looks at what the consumer has kept.
"""

from __future__ import annotations

import asyncio
import contextlib
import time
from collections import deque
from collections.abc import AsyncGenerator, Callable
from dataclasses import dataclass

from protocol.analyzer import Analyzer
from protocol.errors import AnalyzerError, PortLostError, RequestError
from protocol.sweep import Applied, Limits, Sweep, SweepSettings
from protocol.tiles import split

AHEAD = 256
"""Sweeps that may wait for the consumer; 401 points each they take 4 MB."""
CONFIRM_S = 0.25
"""Settings are read back this often at most; sweeps taken in between wait for it. Slow sweeps are confirmed one by
one."""
REMEMBERED = 16
"""A sweep that equals one of so many before it, to the last digit, was not measured anew."""
FEWEST_COMPARED = 11
"""So few points of a coarse analyzer may be equal by chance."""


@dataclass(frozen=True, slots=True)
class SweepPlan:
    """What to sweep and how often. `count` None sweeps until the consumer stops.

    `retries` is how many sweeps in a row may fail (not: a lost port) before the run gives up.
    """

    settings: SweepSettings
    count: int | None = None
    retries: int = 0

    def __post_init__(self) -> None:
        if self.count is not None and self.count < 1:
            raise RequestError(f"a run has 1 sweep or more, not {self.count}")

    def tiles(self, limits: Limits) -> tuple[SweepSettings, ...]:
        """The sweeps of the analyzer that make up one sweep of the plan. Raises RequestError outside `limits`."""
        return split(self.settings, limits)


async def sweeps(
    analyzer: Analyzer,
    plan: SweepPlan,
    *,
    on_applied: Callable[[Applied], None] | None = None,
    on_fault: Callable[[AnalyzerError | RequestError], None] | None = None,
) -> AsyncGenerator[Sweep, None]:
    """Apply the plan's settings and give one sweep after the other.

    `on_applied` hears what the analyzer took, before the first sweep; `on_fault` hears of each failed sweep that is
    tried again. Both are called on the loop and must return at once. Raises RequestError, AnalyzerError; leave it early
    inside `contextlib.aclosing`, so that the sweeping ends at once.
    """
    queue: asyncio.Queue[Sweep | None] = asyncio.Queue(AHEAD)

    async def produce() -> None:
        try:
            await _produce(analyzer, plan, queue, on_applied, on_fault)
        finally:
            if not queue.full():
                queue.put_nowait(None)  # wakes a consumer that waits; one that does not wait sees the task's end

    task = asyncio.create_task(produce(), name="sweeping")
    try:
        while not (task.done() and queue.empty()):
            sweep = await queue.get()
            if sweep is not None:
                yield sweep
        await task
    finally:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError, AnalyzerError, RequestError):
            await task


async def _produce(
    analyzer: Analyzer,
    plan: SweepPlan,
    queue: asyncio.Queue[Sweep | None],
    on_applied: Callable[[Applied], None] | None,
    on_fault: Callable[[AnalyzerError | RequestError], None] | None,
) -> None:
    applied = await _applied(analyzer, plan, on_fault)
    if on_applied is not None:
        on_applied(applied)
    done = failed = 0
    waiting: list[Sweep] = []  # taken, but not yet known to be taken with the right settings
    seen: deque[int] = deque(maxlen=REMEMBERED)
    confirmed = time.monotonic()
    while plan.count is None or done < plan.count:
        try:
            sweep = await analyzer.sweep()
            _check_new(sweep, seen, analyzer.port)
            waiting.append(sweep)
            if time.monotonic() - confirmed < CONFIRM_S and done + len(waiting) != plan.count:
                continue
            await analyzer.confirm()
        except PortLostError:
            raise
        except (AnalyzerError, RequestError) as error:  # what was taken once is refused when a command came garbled
            waiting.clear()
            failed += 1
            if failed > plan.retries:
                raise
            if on_fault is not None:
                on_fault(error)
            continue
        confirmed = time.monotonic()
        failed = 0
        done += len(waiting)
        for sweep in waiting:
            await queue.put(sweep)
        waiting.clear()


async def _applied(
    analyzer: Analyzer, plan: SweepPlan, on_fault: Callable[[AnalyzerError | RequestError], None] | None
) -> Applied:
    """Apply the plan's settings. A failure is tried again as a sweep's is; a refusal once, for a command that another
    program typed into is refused as well, and a true refusal comes twice."""
    failed, refused = 0, False
    while True:
        try:
            return await analyzer.apply(plan.settings)
        except PortLostError:
            raise
        except AnalyzerError as error:
            failed += 1
            if failed > plan.retries:
                raise
            if on_fault is not None:
                on_fault(error)
        except RequestError:
            if refused or plan.retries == 0:
                raise
            refused = True


def _check_new(sweep: Sweep, seen: deque[int], port: str) -> None:
    """Raise AnalyzerError for a sweep that came before: noise alone makes two sweeps differ."""
    if sweep.s21.size < FEWEST_COMPARED:
        return
    mark = hash(sweep.s21.tobytes())
    if mark in seen:
        raise AnalyzerError(
            f"{port}: the same transmission came again, to the last digit: the analyzer is frozen, or its numbers are"
            " too coarse for this floor; switch it off and on, or take more bandwidth"
        )
    seen.append(mark)
