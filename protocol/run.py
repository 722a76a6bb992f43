"""Repeated sweeps by a plan.

Owns: `SweepPlan` and `sweeps`, which sweeps on while its consumer is busy. Refuses: to keep, judge or average sweeps.

The consumer awaits: it takes sweeps from a queue of AHEAD sweeps and the analyzer goes on meanwhile. No sweep is ever
dropped; only a consumer that is AHEAD sweeps behind (a disk that hangs for minutes) stops the sweeping until it takes
one. A screen must not be a consumer: it looks at what the consumer has kept.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncGenerator, Callable
from dataclasses import dataclass

from protocol.analyzer import Analyzer
from protocol.errors import AnalyzerError, PortLostError, RequestError
from protocol.sweep import Applied, Limits, Sweep, SweepSettings
from protocol.tiles import split

AHEAD = 256
"""Sweeps that may wait for the consumer; 401 points each they take 4 MB."""


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
    on_fault: Callable[[AnalyzerError], None] | None = None,
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
    on_fault: Callable[[AnalyzerError], None] | None,
) -> None:
    applied = await analyzer.apply(plan.settings)
    if on_applied is not None:
        on_applied(applied)
    done = failed = 0
    while plan.count is None or done < plan.count:
        try:
            sweep = await analyzer.sweep()
        except PortLostError:
            raise
        except AnalyzerError as error:
            failed += 1
            if failed > plan.retries:
                raise
            if on_fault is not None:
                on_fault(error)
            continue
        failed = 0
        done += 1
        await queue.put(sweep)
