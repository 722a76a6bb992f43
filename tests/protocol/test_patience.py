"""Waiting: what is waited for, how long, and what bytes without end do. On a link in memory, with short times."""

from __future__ import annotations

import asyncio
import dataclasses
from collections.abc import Callable

import pytest

from protocol.analyzer import Analyzer
from protocol.errors import AnalyzerError
from protocol.pace import Pace
from protocol.profiles.profile import Profile, Timing, parse_profile
from protocol.sweep import SweepSettings
from protocol.wire.link import Patience, Sink
from tests.protocol.conftest import quick_profile
from tests.protocol.test_dialects import LINES, YOURS

SETTINGS = SweepSettings(450e6, 451e6, 11, 1000.0)
TIMING = Timing(0.001, 1.0, 0.1, 3.0, 0.5, 0.1, 1.0)


class MemoryLink:
    """A link whose far end is a function from what is sent to what is answered."""

    name = "memory"

    def __init__(self, answer: Callable[[bytes], bytes]) -> None:
        self._answer = answer
        self._waiting = b""
        self.sent: list[bytes] = []
        self.trickle_s: float | None = None
        self.endless = False
        self.open = True

    async def send(self, data: bytes) -> None:
        self.send_now(data)

    def send_now(self, data: bytes) -> int:
        self.sent.append(data)
        self._waiting += self._answer(data)
        return len(data)

    def discard(self) -> bytes:
        data, self._waiting = self._waiting, b""
        return data

    async def receive(self, timeout_s: float) -> bytes:
        pieces: list[bytes] = []

        def take(piece: bytes) -> bool:
            pieces.append(piece)
            return True

        await self.feed(take, Patience(timeout_s, 0.0, timeout_s))
        return pieces[0]

    async def feed(self, sink: Sink, patience: Patience) -> None:
        loop = asyncio.get_running_loop()
        end = loop.time() + patience.longest_s
        while True:
            await asyncio.sleep(self.trickle_s or 0)
            if self.endless:
                self._waiting += b"x"
            if not self._waiting:
                raise TimeoutError
            if loop.time() > end and patience.longest_s > patience.first_s:
                raise TimeoutError
            piece = self._waiting[:1] if self.trickle_s is not None else self._waiting
            self._waiting = self._waiting[len(piece) :]
            if sink(piece) is True:
                return

    async def close(self) -> None:
        self.open = False


def lines_answer(data: bytes) -> bytes:
    """The console of console-lines.toml with fixed settings and an identity that tells its uptime."""
    text = data.decode().strip()
    lines_answer.uptime += 1  # type: ignore[attr-defined]
    bodies = {
        "who": f"Bench Box 3, up {lines_answer.uptime} s\r\n",  # type: ignore[attr-defined]
        "settings": "start 450000000 Hz\r\nstop 451000000 Hz\r\npoints 11\r\nfilter 1000 Hz\r\ndrive -10 dBm\r\n",
        "table": "rows 11\r\n" + "".join(f"{450_000_000 + k * 100_000} 0.5 0 0 1e-5\r\n" for k in range(11)),
    }
    return data + b"\n" + bodies.get(text, "").encode() + YOURS


lines_answer.uptime = 98  # type: ignore[attr-defined]


def quickest(profile: Profile) -> Profile:
    timing = dataclasses.replace(profile.timing, reply_s=0.05, quiet_s=0.01, ready_s=0.1, margin=1.0)
    serial = dataclasses.replace(profile.serial, baud=10_000_000)
    return dataclasses.replace(profile, timing=timing, serial=serial)


async def test_an_identity_that_tells_the_uptime_still_proves_the_wire() -> None:
    link = MemoryLink(lines_answer)
    analyzer = await Analyzer.on_link(link, quick_profile("console-lines"))
    await analyzer.apply(SETTINGS)
    link._answer = lambda data: b""
    with pytest.raises(AnalyzerError, match="no answer to 'measure'"):
        await analyzer.sweep()
    link._answer = lines_answer
    assert (await analyzer.sweep()).frequency_hz.size == 11
    await analyzer.close()
    assert not link.open


async def test_an_analyzer_that_sweeps_by_itself_is_given_the_time_of_a_sweep() -> None:
    text = LINES.replace('sweep = "measure"', 'resume = "carry on"\npause = "hold still"')
    profile = parse_profile(text)
    link = MemoryLink(lines_answer)
    analyzer = await Analyzer.on_link(link, profile)
    await analyzer.apply(SETTINGS)
    loop = asyncio.get_running_loop()
    begun = loop.time()
    await analyzer.sweep()
    assert loop.time() - begun >= profile.timing.sweep_s(11, 1000.0)
    assert link.sent[-3:] == [b"carry on\r", b"hold still\r", b"table\r"]
    await analyzer.close()


POLLED = LINES.replace('sweep = "measure"', 'sweep = "measure"\npoll = "over?"').replace(
    "[console]", '[console]\nready = "yes"'
)
PROMPT = 'prompt = "your turn: "'


@pytest.mark.parametrize("prompted", [True, False])
@pytest.mark.parametrize("asked", [400, 10**6])
async def test_a_sweep_is_asked_for_as_long_as_one_may_take(
    prompted: bool, asked: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whatever ends a reply: by the clock, not by a number of questions."""
    bare = POLLED.replace(PROMPT, "").replace("echo = true", "echo = false")
    profile, link = quickest(parse_profile(POLLED if prompted else bare)), MemoryLink(lines_answer)

    def answer(data: bytes) -> bytes:
        told = lines_answer(data)
        if data == b"over?\r":
            told = data + b"\n" + (b"no" if link.sent.count(data) < asked else b"yes") + b"\r\n" + YOURS
        return told if prompted else told.removeprefix(data + b"\n").removesuffix(YOURS)

    link._answer = answer
    monkeypatch.setattr("protocol.requests.LONGEST_AGAIN_S", 0.0)
    monkeypatch.setattr(Pace, "patience_s", lambda *_: 0.2 if asked > 400 else 30.0)
    analyzer = await Analyzer.on_link(link, profile)
    await analyzer.apply(SETTINGS)
    if asked == 400:
        assert (await analyzer.sweep()).frequency_hz.size == 11
    else:
        with pytest.raises(AnalyzerError, match="never became 'yes'"):
            await analyzer.sweep()
    await analyzer.close()


async def test_bytes_without_end_before_the_first_question() -> None:
    link = MemoryLink(lambda data: b"")
    link.endless = True
    with pytest.raises(AnalyzerError, match=r"no analyzer answers.*talks without end"):
        await Analyzer.on_link(link, quickest(quick_profile("console-lines")))
    assert not link.open


async def test_a_reply_that_trickles_is_given_up() -> None:
    link = MemoryLink(lines_answer)
    analyzer = await Analyzer.on_link(link, quickest(quick_profile("console-lines")))
    await analyzer.apply(SETTINGS)
    link.trickle_s = 0.02
    with pytest.raises(AnalyzerError, match=r"stopped after|no answer"):
        await analyzer.sweep()
    await analyzer.close()


async def test_frequencies_that_are_not_those_set_are_refused() -> None:
    """A table of other settings, complete and in good order, is still not the sweep that was asked for."""
    link = MemoryLink(lines_answer)
    analyzer = await Analyzer.on_link(link, quick_profile("console-lines"))
    await analyzer.apply(SETTINGS)
    link._answer = lambda data: lines_answer(data).replace(b"\r\n450", b"\r\n449")
    with pytest.raises(AnalyzerError, match="are not those that were set"):
        await analyzer.sweep()
    link._answer = lines_answer
    assert (await analyzer.sweep()).sequence == 0
    await analyzer.close()


async def test_settings_lost_in_a_restart_are_set_again() -> None:
    """After a fault the settings are sent anew, and must be taken as before."""
    link = MemoryLink(lines_answer)
    analyzer = await Analyzer.on_link(link, quick_profile("console-lines"))
    await analyzer.apply(SETTINGS)
    link._answer = lambda data: lines_answer(data).replace(b"rows 11", b"rows 12")
    with pytest.raises(AnalyzerError, match="announces 12 points"):
        await analyzer.sweep()
    link._answer = lines_answer
    link.sent.clear()
    await analyzer.sweep()
    assert b"between 450000000 451000000 11\r" in link.sent
    link._answer = lambda data: lines_answer(data).replace(b"rows 11", b"rows 12")
    with pytest.raises(AnalyzerError):
        await analyzer.sweep()
    link._answer = lambda data: lines_answer(data).replace(b"points 11", b"points 10")
    with pytest.raises(AnalyzerError, match=r"no longer taken as before \(asked 11 points, analyzer took 10\)"):
        await analyzer.sweep()
    await analyzer.close()


def test_the_pace_is_the_profiles_until_sweeps_were_seen() -> None:
    pace = Pace(TIMING, 115200)
    model = 101 * (0.001 + 1 / 1000) + 0.1
    settings = SweepSettings(1e6, 2e6, 101, 1000.0)
    assert pace.expected_s(settings) == pytest.approx(model)
    assert pace.patience_s(settings) == pytest.approx(3 * model + 0.5)
    pace.observe(settings, 2 * model)
    assert pace.expected_s(settings) == 2 * model
    slower = SweepSettings(1e6, 2e6, 101, 100.0)
    assert pace.expected_s(slower) == pytest.approx(2 * (101 * (0.001 + 1 / 100) + 0.1))
    pace.observe(settings, 0.1)
    assert pace.expected_s(settings) == 0.1
    for points in range(2, 100):
        pace.observe(SweepSettings(1e6, 2e6, points, 1.0), 1.0)
    assert pace.expected_s(SweepSettings(1e6, 2e6, 99, 1.0)) == 1.0
    assert pace.transfer_s(401) > 401 * 120 * 10 / 115200
