"""The analyzer through a device node, against a small analyzer in another process that shares no code with it."""

from __future__ import annotations

import asyncio
import contextlib
import dataclasses
import subprocess
import sys
from collections.abc import AsyncIterator, Callable

import numpy as np
import pytest

from protocol.analyzer import Analyzer
from protocol.errors import AnalyzerError, PortLostError, RequestError
from protocol.profiles.profile import Profile
from protocol.run import SweepPlan, sweeps
from protocol.sweep import Applied, Sweep, SweepSettings
from protocol.wire.loop_thread import LoopThread
from tests.protocol.conftest import QUICK_QUIET_S, Peer, quick_profile
from tests.protocol.peer import IDENTITY, s_parameters

DIALECTS = ("console-lines", "console-traces", "scpi")
SETTINGS = SweepSettings(450e6, 455e6, 101, 1000.0)
Start = Callable[[str], Peer]


@contextlib.asynccontextmanager
async def opened(peer: Peer, profile: Profile) -> AsyncIterator[Analyzer]:
    analyzer = await Analyzer.open(peer.node, profile)
    try:
        yield analyzer
    finally:
        await analyzer.close()


def with_format(number_format: str, *, swapped: bool = False) -> Profile:
    profile = quick_profile("scpi")
    assert profile.scpi is not None
    scpi = dataclasses.replace(profile.scpi, number_format=number_format, swapped=swapped)
    return dataclasses.replace(profile, scpi=scpi)


def assert_true_sweep(sweep: Sweep, atol: float = 1e-8) -> None:
    """The sweep is what the peer's formula gives at its frequencies."""
    truth = np.array([s_parameters(f) for f in sweep.frequency_hz])
    np.testing.assert_allclose(sweep.s11, truth[:, 0], rtol=0, atol=atol)
    np.testing.assert_allclose(sweep.s21, truth[:, 1], rtol=0, atol=atol)


@pytest.mark.parametrize("dialect", DIALECTS)
async def test_from_opening_to_a_sweep(dialect: str, start_peer: Start) -> None:
    peer = start_peer(dialect)
    async with opened(peer, quick_profile(dialect)) as analyzer:
        identity = await analyzer.identify()
        assert "Bench Box" in identity.text
        if dialect == "scpi":
            assert ",".join(dataclasses.astuple(identity)) == IDENTITY
        applied = await analyzer.apply(SETTINGS)
        assert applied.actual == SETTINGS and applied.changes == ()
        assert applied.verified == {"start_hz", "stop_hz", "points", "bandwidth_hz"}
        first, second = await analyzer.sweep(), await analyzer.sweep()
        assert (first.sequence, second.sequence) == (0, 1) and first.settings == SETTINGS
        np.testing.assert_allclose(first.frequency_hz, SETTINGS.frequency_hz(), rtol=0, atol=1.0)
        assert_true_sweep(first)
        assert second.started_s >= first.started_s and first.duration_s > 0


@pytest.mark.parametrize("swapped", [False, True])
@pytest.mark.parametrize(("number_format", "atol"), [("ascii", 1e-12), ("real32", 3e-8), ("real64", 0.0)])
async def test_number_formats_give_the_same_sweep(
    number_format: str, atol: float, swapped: bool, start_peer: Start
) -> None:
    """Stated precision: REAL,64 exact, ASCii the 12 decimals that are sent, REAL,32 half a unit of 24 bits."""
    async with opened(start_peer("scpi"), with_format(number_format, swapped=swapped)) as analyzer:
        await analyzer.apply(SETTINGS)
        assert_true_sweep(await analyzer.sweep(), atol)


FAULTS = [(dialect, fault) for dialect in DIALECTS for fault in ("half", "garbage", "count", "error", "silence")]


@pytest.mark.parametrize(
    ("dialect", "fault"), [*FAULTS, ("console-lines", "nan"), ("console-lines", "chatter"), ("scpi", "nan")]
)
async def test_each_fault_is_one_line_and_the_next_sweep_works(dialect: str, fault: str, start_peer: Start) -> None:
    peer = start_peer(dialect)
    says = {
        "half": r"stopped after \d+ bytes|block is short",
        "garbage": "damaged",
        "count": r"100 points|200 numbers",
        "error": "refused",
        "silence": "no answer to",
        "nan": "no valid value at point",
    }
    async with opened(peer, quick_profile(dialect)) as analyzer:
        await analyzer.apply(SETTINGS)
        peer.tell(f"fault {fault}")
        if fault == "chatter":
            assert_true_sweep(await analyzer.sweep())  # a remark between the lines is no fault
        else:
            with pytest.raises(AnalyzerError, match=says[fault]) as caught:
                await analyzer.sweep()
            assert str(caught.value).startswith(f"{peer.node}: ") and "\n" not in str(caught.value)
        assert_true_sweep(await analyzer.sweep())


async def stuck(analyzer: Analyzer, peer: Peer, dialect: str) -> asyncio.Task[Sweep]:
    """A sweep that was asked for and whose reply is held back."""
    await analyzer.apply(SETTINGS)
    peer.tell("fault stuck")
    task = asyncio.create_task(analyzer.sweep())
    await until_sent(peer, {"console-lines": b"measure", "console-traces": b"single", "scpi": b"*OPC?"}[dialect])
    return task


@pytest.mark.parametrize("dialect", DIALECTS)
async def test_a_cancelled_sweeps_late_reply_is_never_taken_for_the_next(dialect: str, start_peer: Start) -> None:
    """The reply of the sweep comes in the middle of the next request's resynchronisation."""
    peer = start_peer(dialect)
    async with opened(peer, quick_profile(dialect)) as analyzer:
        task = await stuck(analyzer, peer, dialect)
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task
        other = SweepSettings(460e6, 461e6, 51, 100.0)
        following = asyncio.create_task(analyzer.apply(other))
        await asyncio.sleep(0)
        peer.tell("release")
        assert (await following).actual == other
        sweep = await analyzer.sweep()
        assert sweep.frequency_hz.size == 51 and sweep.frequency_hz[0] == 460e6
        assert_true_sweep(sweep)


@pytest.mark.parametrize("dialect", DIALECTS)
async def test_a_late_reply_is_no_proof_that_the_wire_is_in_step(dialect: str, start_peer: Start) -> None:
    """The late reply comes after the probe was sent and long before its answer."""
    peer = start_peer(dialect)
    async with opened(peer, quick_profile(dialect)) as analyzer:
        task = await stuck(analyzer, peer, dialect)
        peer.tell("busy")
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task
        probe = {"console-lines": b"who", "console-traces": b"describe", "scpi": b"*IDN?"}[dialect]
        asked = peer.log().count(probe)
        following = asyncio.create_task(analyzer.sweep())
        await until_sent(peer, probe, beyond=asked)
        peer.tell("release")
        await asyncio.sleep(2 * QUICK_QUIET_S)  # a silence that must not be believed
        peer.tell("serve")
        assert_true_sweep(await following)
        assert_true_sweep(await analyzer.sweep())


async def test_bytes_between_requests_are_dropped(start_peer: Start) -> None:
    peer = start_peer("console-traces")
    async with opened(peer, quick_profile("console-traces")) as analyzer:
        await analyzer.apply(SETTINGS)
        peer.tell("say " + b"AT\n% ".hex())
        while not (link := analyzer._link)._buffer:  # type: ignore[attr-defined]
            await asyncio.sleep(0)
        assert_true_sweep(await analyzer.sweep())
        assert link.discard() == b""


async def until_sent(peer: Peer, text: bytes, beyond: int = 0) -> None:
    """Wait until the peer has got `text` more than `beyond` times."""
    while peer.log().count(text) <= beyond:
        await asyncio.sleep(0)


@pytest.mark.parametrize("dialect", DIALECTS)
async def test_unplug_in_a_sweep_is_told_at_once(dialect: str, start_peer: Start) -> None:
    peer = start_peer(dialect)
    async with opened(peer, quick_profile(dialect)) as analyzer:
        await analyzer.apply(SETTINGS)
        peer.tell("fault stuck")
        task = asyncio.create_task(analyzer.sweep())
        await asyncio.sleep(0)
        peer.tell("unplug")
        with pytest.raises(PortLostError, match="is gone"):
            await task
        with pytest.raises(PortLostError, match="is gone"):
            await analyzer.sweep()


@pytest.mark.parametrize("dialect", DIALECTS)
async def test_spans_can_be_set_in_any_order(dialect: str, start_peer: Start) -> None:
    """Upwards, downwards, within, around: the peer refuses a start above its stop."""
    async with opened(start_peer(dialect), quick_profile(dialect)) as analyzer:
        for start, stop in ((450e6, 455e6), (150e6, 151e6), (150.2e6, 150.4e6), (140e6, 500e6), (499e6, 500e6)):
            applied = await analyzer.apply(SweepSettings(start, stop, 101, 1000.0))
            assert (applied.actual.start_hz, applied.actual.stop_hz) == (start, stop)


@pytest.mark.parametrize("dialect", DIALECTS)
async def test_quiet_clamping_is_reported(dialect: str, start_peer: Start) -> None:
    peer = start_peer(dialect)
    peer.tell("limit 60")
    async with opened(peer, quick_profile(dialect)) as analyzer:
        applied = await analyzer.apply(SETTINGS)
        assert applied.changes == ("asked 101 points, analyzer took 60",)
        assert applied.actual.points == 60 and analyzer.limits.max_points == 60
        sweep = await analyzer.sweep()
        assert sweep.frequency_hz.size == 60
        assert_true_sweep(sweep)


@pytest.mark.parametrize("dialect", DIALECTS)
async def test_more_points_than_the_analyzer_has_are_tiled(dialect: str, start_peer: Start) -> None:
    profile = quick_profile(dialect)
    points = 2 * profile.limits.max_points + 150
    whole = SweepSettings(450e6, 450e6 + 100.0 * (points - 1), points, 1000.0)
    async with opened(start_peer(dialect), _lower_limit(profile)) as analyzer:
        applied = await analyzer.apply(whole)
        assert applied.asked == whole and applied.actual == whole and applied.changes == ()
        for number in range(2):
            sweep = await analyzer.sweep()
            assert sweep.sequence == number and sweep.settings == whole
            np.testing.assert_allclose(sweep.frequency_hz, whole.frequency_hz(), rtol=0, atol=1e-3)
            assert_true_sweep(sweep)


def _lower_limit(profile: Profile) -> Profile:
    """The peer has 401 points at most; the SCPI profile's limit is higher."""
    limits = dataclasses.replace(profile.limits, max_points=min(profile.limits.max_points, 401))
    return dataclasses.replace(profile, limits=limits)


async def test_a_limit_lower_than_the_profiles_is_found_and_tiled(start_peer: Start) -> None:
    """The profile says 1001 points, the analyzer takes 401: a tiled span is split anew."""
    async with opened(start_peer("scpi"), quick_profile("scpi")) as analyzer:
        whole = SweepSettings(450e6, 450e6 + 1200e2, 1201, 1000.0)
        applied = await analyzer.apply(whole)
        assert applied.actual == whole and analyzer.limits.max_points == 401
        assert_true_sweep(await analyzer.sweep())


async def test_settings_refused_by_the_analyzer(start_peer: Start) -> None:
    async with opened(start_peer("scpi"), quick_profile("scpi")) as analyzer:
        with pytest.raises(RequestError, match=r"refused 'SOURce:POWer 5': -222, Data out of range"):
            await analyzer.apply(dataclasses.replace(SETTINGS, level_dbm=5.0))
        with pytest.raises(RequestError, match="no settings have been applied"):
            await analyzer.sweep()
        applied = await analyzer.apply(dataclasses.replace(SETTINGS, level_dbm=-5.0))
        assert applied.actual.level_dbm == -5.0 and "level_dbm" in applied.verified


@pytest.mark.parametrize("dialect", DIALECTS)
async def test_a_wrong_profile_is_told(dialect: str, start_peer: Start) -> None:
    other = DIALECTS[(DIALECTS.index(dialect) + 1) % 3]
    peer = start_peer(dialect)
    with pytest.raises(AnalyzerError, match="no analyzer answers as profile") as caught:
        await Analyzer.open(peer.node, quick_profile(other))
    assert "\n" not in str(caught.value)
    async with opened(peer, quick_profile(dialect)):
        pass


async def test_an_analyzer_that_is_slow_to_start_is_waited_for(start_peer: Start) -> None:
    peer = start_peer("console-lines")
    peer.tell("fault silence")
    async with opened(peer, quick_profile("console-lines")) as analyzer:
        assert (await analyzer.identify()).text
        assert "measure" in await analyzer.help()


async def test_conjugate_turns_the_sign_of_time(start_peer: Start) -> None:
    profile = dataclasses.replace(quick_profile("scpi"), conjugate=True)
    async with opened(start_peer("scpi"), profile) as analyzer:
        await analyzer.apply(SETTINGS)
        sweep = await analyzer.sweep()
        assert sweep.s11[0] == np.conj(s_parameters(450e6)[0])


async def test_calls_from_several_tasks_queue_up(start_peer: Start) -> None:
    async with opened(start_peer("scpi"), quick_profile("scpi")) as analyzer:
        await analyzer.apply(SETTINGS)
        results = await asyncio.gather(analyzer.sweep(), analyzer.identify(), analyzer.sweep())
        assert {results[0].sequence, results[2].sequence} == {0, 1}


async def test_a_run_gives_its_sweeps_and_ends(start_peer: Start) -> None:
    heard: list[Applied] = []
    async with opened(start_peer("scpi"), quick_profile("scpi")) as analyzer:
        plan = SweepPlan(SETTINGS, 5)
        got = [sweep async for sweep in sweeps(analyzer, plan, on_applied=heard.append)]
        assert [sweep.sequence for sweep in got] == [0, 1, 2, 3, 4] and heard[0].actual == SETTINGS
        assert len(plan.tiles(analyzer.limits)) == 1


async def test_a_run_goes_on_while_its_consumer_is_busy_and_drops_nothing(start_peer: Start) -> None:
    async with opened(start_peer("scpi"), quick_profile("scpi")) as analyzer:
        async with contextlib.aclosing(sweeps(analyzer, SweepPlan(SETTINGS, 20))) as items:
            first = await anext(items)
            while (await analyzer.identify()).text and analyzer._sequence < 20:
                await asyncio.sleep(0)
            rest = [sweep.sequence async for sweep in items]
        assert [first.sequence, *rest] == list(range(20))


async def test_a_run_left_early_ends_at_once_and_the_analyzer_serves_on(start_peer: Start) -> None:
    async with opened(start_peer("console-lines"), quick_profile("console-lines")) as analyzer:
        async with contextlib.aclosing(sweeps(analyzer, SweepPlan(SETTINGS))) as items:
            async for sweep in items:
                if sweep.sequence == 2:
                    break
        assert len(asyncio.all_tasks()) == 1
        assert (await analyzer.apply(SETTINGS)).changes == ()
        assert_true_sweep(await analyzer.sweep())


async def test_a_run_tries_failed_sweeps_again_as_often_as_allowed(start_peer: Start) -> None:
    peer = start_peer("console-lines")
    heard: list[AnalyzerError | RequestError] = []
    async with opened(peer, quick_profile("console-lines")) as analyzer:
        peer.tell("fault garbage")
        plan = SweepPlan(SETTINGS, 6, retries=1)
        got = [sweep async for sweep in sweeps(analyzer, plan, on_fault=heard.append)]
        assert [sweep.sequence for sweep in got] == [0, 1, 2, 3, 4, 5]
        assert len(heard) == 1 and "line 51" in str(heard[0])
        for sweep in got:
            assert_true_sweep(sweep)
        peer.tell("fault error")
        with pytest.raises(AnalyzerError, match="receiver unlocked"):
            async for _ in sweeps(analyzer, SweepPlan(SETTINGS, 6)):
                pass


def test_a_run_needs_a_sweep() -> None:
    with pytest.raises(RequestError, match="1 sweep or more"):
        SweepPlan(SETTINGS, 0)


def test_from_another_thread(start_peer: Start) -> None:
    """The typed way in: coroutines are handed to the loop's thread."""
    peer = start_peer("scpi")

    async def three() -> list[int]:
        return [sweep.sequence async for sweep in sweeps(analyzer, SweepPlan(SETTINGS, 3))]

    with LoopThread() as thread:
        analyzer = thread.run(Analyzer.open(peer.node, quick_profile("scpi")), 10)
        assert thread.run(three(), 10) == [0, 1, 2]
        thread.run(analyzer.close(), 10)


async def test_a_program_that_takes_the_bytes_away_is_named(start_peer: Start) -> None:
    """Root may open a port that is held exclusively; so may whoever opened it before us."""
    peer = start_peer("scpi")
    reader = "import os,sys\nfd=os.open(sys.argv[1],os.O_RDWR|os.O_NOCTTY)\nprint('open',flush=True)\nsys.stdin.read()"
    with subprocess.Popen(
        [sys.executable, "-c", reader, peer.node], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as thief:
        assert thief.stdout is not None and thief.stdin is not None
        assert thief.stdout.readline() == "open\n"
        async with opened(peer, quick_profile("scpi")) as analyzer:
            await analyzer.apply(SETTINGS)
            peer.tell("fault silence")
            with pytest.raises(AnalyzerError, match=rf"\(pid {thief.pid}\) has the port open too"):
                await analyzer.sweep()
            thief.stdin.close()
            thief.wait(5)
            await analyzer.sweep()
            peer.tell("fault silence")
            with pytest.raises(AnalyzerError) as alone:
                await analyzer.sweep()
            assert "open too" not in str(alone.value)
