"""The analyzer through a real device node: a pty whose far side is another process, in both families of dialects."""

from __future__ import annotations

import asyncio
import contextlib
import dataclasses
from collections.abc import AsyncIterator
from pathlib import Path

import numpy as np
import pytest

from protocol.analyzer import Analyzer
from protocol.errors import AnalyzerError, PortLostError, RequestError
from protocol.profiles.profile import Profile, load_profile
from protocol.run import SweepPlan, sweeps
from protocol.simulated.bench import Bench
from protocol.sweep import SweepSettings

PROFILES = ("scpi", "console-lines", "console-traces", "registers")
SETTINGS = SweepSettings(442.5e6, 462.5e6, 401, 1000.0)


@contextlib.asynccontextmanager
async def opened(dialect: str, *options: str, profile: Profile | None = None) -> AsyncIterator[tuple[Bench, Analyzer]]:
    bench = await Bench.start(["--speed", "0", "--seed", "9", "--profile", dialect, *options])
    try:
        analyzer = await Analyzer.open(bench.node, profile or load_profile(dialect))
        try:
            yield bench, analyzer
        finally:
            await analyzer.close()
    finally:
        await asyncio.to_thread(bench.stop)


def spelled(profile: Profile, spelling: str) -> Profile:
    """The SCPI profile with another number format."""
    assert profile.scpi is not None
    return dataclasses.replace(profile, scpi=dataclasses.replace(profile.scpi, number_format=spelling))


async def test_all_dialects_and_formats_give_the_same_sweep() -> None:
    """REAL,64 exact, ASCII as printed (9 digits or more), REAL,32 to 24 bits: same seed, same numbers."""
    taken: dict[str, np.ndarray] = {}
    scpi = load_profile("scpi")
    spellings = {"real64": scpi, "real32": spelled(scpi, "real32"), "ascii": spelled(scpi, "ascii")}
    for name, profile in {**spellings, **{name: load_profile(name) for name in PROFILES[1:]}}.items():
        dialect = name if name in PROFILES else "scpi"
        async with opened(dialect, profile=profile) as (_, analyzer):
            await analyzer.apply(SweepSettings(442.5e6, 462.5e6, 201, 1000.0))
            sweep = await analyzer.sweep()
            assert (sweep.frequency_hz[0], sweep.frequency_hz[-1]) == (442.5e6, 462.5e6)
            taken[name] = np.concatenate((sweep.s11, sweep.s21))
    reference = taken.pop("real64")
    assert 20 * np.log10(abs(reference[201 + 75])) == pytest.approx(-1.45, abs=0.15)
    for name, other in taken.items():
        atol = 2e-8 if name == "registers" else 2e-9  # its receivers are whole numbers
        np.testing.assert_allclose(other, reference, rtol=1e-6, atol=atol, err_msg=name)


@pytest.mark.parametrize("name", PROFILES)
@pytest.mark.parametrize("fault", ["silence 1", "half 1", "garbage 1", "count 1", "refuse 1"])
async def test_a_fault_is_one_line_and_the_port_stays_usable(name: str, fault: str) -> None:
    async with opened(name) as (bench, analyzer):
        await analyzer.apply(SETTINGS)
        good = await analyzer.sweep()
        await bench.tell(f"fault {fault}")
        with pytest.raises(AnalyzerError) as caught:
            await analyzer.sweep()
        assert "\n" not in str(caught.value)
        assert len(str(caught.value)) < 300
        again = await analyzer.sweep()
        assert again.frequency_hz.size == good.frequency_hz.size
        assert np.abs(again.s21 - good.s21).max() < 0.05


@pytest.mark.parametrize("name", PROFILES)
async def test_an_overloaded_receiver_gives_no_sweep(name: str) -> None:
    async with opened(name) as (bench, analyzer):
        await analyzer.apply(SETTINGS)
        await bench.tell("overload on")
        with pytest.raises(AnalyzerError, match="overload") as caught:
            await analyzer.sweep()
        assert "\n" not in str(caught.value) and "lower the level" in str(caught.value)
        await bench.tell("overload off")
        assert np.abs((await analyzer.sweep()).s21).max() < 1.0


@pytest.mark.parametrize("name", PROFILES)
async def test_bytes_one_at_a_time_are_no_fault(name: str) -> None:
    async with opened(name) as (bench, analyzer):
        await analyzer.apply(SETTINGS)
        await bench.tell("fault trickle 1")
        assert (await analyzer.sweep()).s21.size == 401


@pytest.mark.parametrize("name", ["console-lines", "console-traces", "registers"])
async def test_a_garbled_reply_is_found(name: str) -> None:
    async with opened(name) as (bench, analyzer):
        await analyzer.apply(SETTINGS)
        await bench.tell("fault garble 1")
        with pytest.raises(AnalyzerError) as caught:
            await analyzer.sweep()
        assert "\n" not in str(caught.value)
        await analyzer.sweep()


@pytest.mark.parametrize("name", PROFILES)
async def test_unplugged(name: str) -> None:
    async with opened(name) as (bench, analyzer):
        await analyzer.apply(SETTINGS)
        await bench.tell("unplug")
        with pytest.raises(PortLostError):
            await analyzer.sweep()
        await bench.tell("replug")


async def test_a_quiet_clamp_is_reported() -> None:
    async with opened("scpi", "--clamp") as (_, analyzer):
        applied = await analyzer.apply(SweepSettings(442.5e6, 462.5e6, 401, 20_000.0))
        assert any("bandwidth" in change for change in applied.changes), applied
        assert applied.actual.bandwidth_hz == 10_000.0


@pytest.mark.parametrize("name", ["console-lines", "console-traces"])
async def test_what_the_profile_rules_out_is_not_even_asked(name: str) -> None:
    async with opened(name) as (_, analyzer):
        with pytest.raises(RequestError, match="bandwidth 20000 Hz is not one of this analyzer's"):
            await analyzer.apply(SweepSettings(442.5e6, 462.5e6, 401, 20_000.0))
        await analyzer.apply(SETTINGS)
        await analyzer.sweep()


@pytest.mark.parametrize("name", PROFILES)
async def test_more_points_than_the_analyzer_has_are_tiled_and_joined(name: str) -> None:
    async with opened(name) as (_, analyzer):
        dense = SweepSettings(442.5e6, 462.5e6, 2001, 1000.0)
        await analyzer.apply(dense)
        sweep = await analyzer.sweep()
        np.testing.assert_allclose(sweep.frequency_hz, dense.frequency_hz(), atol=1.0)
        assert 20 * np.log10(np.abs(sweep.s21[750])) == pytest.approx(-1.45, abs=0.2)


async def test_cancelled_in_the_middle_of_a_sweep() -> None:
    """Real time here: a sweep of half a second is broken off at once and the next one is whole."""
    bench = await Bench.start(["--speed", "1", "--seed", "9"])
    try:
        analyzer = await Analyzer.open(bench.node, load_profile("scpi"))
        await analyzer.apply(SETTINGS)
        with pytest.raises(TimeoutError):
            async with asyncio.timeout(0.1):
                await analyzer.sweep()
        assert (await analyzer.sweep()).s21.size == 401
        await analyzer.close()
    finally:
        await asyncio.to_thread(bench.stop)


async def test_a_run_of_sweeps() -> None:
    async with opened("scpi") as (bench, analyzer):
        await bench.tell("fault half 1")
        faults: list[str] = []
        stream = sweeps(analyzer, SweepPlan(SETTINGS, 5, 2), on_fault=lambda error: faults.append(str(error)))
        async with contextlib.aclosing(stream):
            taken = [sweep async for sweep in stream]
        assert [sweep.sequence for sweep in taken] == sorted({sweep.sequence for sweep in taken})
        assert len(taken) == 5
        assert len(faults) == 1


async def test_a_port_in_use_is_said() -> None:
    async with opened("scpi") as (bench, _):
        with pytest.raises(RequestError, match="in use"):
            await Analyzer.open(bench.node, load_profile("scpi"))


async def test_the_bench_refuses_nonsense_and_goes_on() -> None:
    async with opened("scpi") as (bench, analyzer):
        with pytest.raises(RequestError, match="no such word"):
            await bench.tell("fly away")
        assert "notches" in await bench.tell("status")
        await analyzer.apply(SETTINGS)
        await analyzer.sweep()


async def test_a_linked_node(tmp_path: Path) -> None:
    link = tmp_path / "analyzer"
    bench = await Bench.start(["--speed", "0", "--link", str(link)])
    try:
        analyzer = await Analyzer.open(str(link), load_profile("scpi"))
        assert "SIM-0001" in (await analyzer.identify()).text
        await analyzer.close()
    finally:
        await asyncio.to_thread(bench.stop)
    assert not link.is_symlink()
