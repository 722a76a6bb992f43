"""What a technician tells the learner: words from the manual, a unit, a line that opens it, deeds on the bench."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
import pytest

from protocol.analyzer import Analyzer
from protocol.learn.corrections import parse_corrections
from protocol.learn.dialogue import Correction, Nobody, Progress, Word
from protocol.learn.found import MissingError
from protocol.learn.learner import Learned, NotLearnedError, learn
from protocol.learn.questions import unit_said, usual_units
from protocol.learn.sweeps.axis import Meaning
from protocol.learn.sweeps.columns import Delay, Kind
from protocol.learn.sweeps.windows import Writing
from protocol.sweep import SweepSettings
from protocol.wire import wire_log
from tests.protocol.learn.bench_console import LEAD_S, BenchConsole

WORDS = {"start": "quib", "stop": "zarf", "points": "mog", "data": "plin", "identity": "wexo"}
LISTED = "quib N\nzarf N\nmog N\nplin\nwexo\nkrell N\ntunk\n"
MANUAL = "quib sets start in kHz, zarf sets stop in kHz, mog sets points, plin gives data, wexo gives identity"


class Technician(Nobody):
    """Says the lines of `manual` one by one when words are shown, answers by what stands in the question."""

    def __init__(self, *manual: str, deeds: Callable[[str], bool] | None = None, **answers: str) -> None:
        self.manual, self.answers, self.deeds = list(manual), answers, deeds
        self.asked: list[str] = []
        self.secret: list[str] = []
        self.found: list[str] = []

    def progress(self, progress: Progress) -> None:
        """Keep what was found."""
        self.found.append(progress.evidence or progress.says)

    async def words(self, words: Sequence[Word], why: str = "") -> Sequence[Correction]:
        """The next line of the manual."""
        self.asked.append(f"words: {why}")
        return parse_corrections(self.manual.pop(0), words) if self.manual else ()

    async def question(self, text: str, answers: Sequence[str], *, secret: bool = False) -> str:
        """The answer whose key stands in the text; of several offered, the one that begins so."""
        self.asked.append(text)
        self.secret += [text] if secret else []
        reply = next((answer for key, answer in self.answers.items() if key in text), "")
        return next((one for one in answers if reply and one.startswith(reply)), "" if answers else reply)

    async def deed(self, text: str) -> bool:
        """Whatever the bench does."""
        self.asked.append(text)
        return self.deeds is not None and self.deeds(text)


async def proved(console: BenchConsole, learned: Learned) -> None:
    """The profile sets what it says and gives the lead's own phase."""
    analyzer = await Analyzer.open(console.port, learned.profile)
    try:
        limits = learned.profile.limits
        width = (limits.stop_hz - limits.start_hz) / 4
        low, high = (round((limits.start_hz + part * width) / 1e6) * 1e6 for part in (1, 2))
        await analyzer.apply(SweepSettings(low, high, max(21, limits.min_points), 1000.0))
        sweep = await analyzer.sweep()
    finally:
        await analyzer.close()
    assert sweep.frequency_hz[0] == low and sweep.frequency_hz[-1] == high
    assert (console.start_hz, console.stop_hz) == (low, high)
    assert np.allclose(sweep.s11, 0.96 * np.exp(-2j * np.pi * sweep.frequency_hz * LEAD_S), atol=1e-3)


async def test_a_console_without_a_list_is_learned_from_the_manual() -> None:
    async with BenchConsole(WORDS) as console:
        person = Technician(MANUAL + ", gomp sets average")
        learned = await learn(console.port, person)
        await proved(console, learned)
        assert "'gomp' sets average" in " ".join(learned.unknown) and "'quib'" not in " ".join(learned.unknown)
        assert "no words" in person.asked[0] and len(person.asked) == 1
        assert 'start = "quib {start_khz}"' in learned.text


@pytest.mark.long
async def test_words_that_say_nothing_are_named_by_number_and_no_other_is_sent() -> None:
    async with BenchConsole(WORDS, LISTED, "help") as console:
        person = Technician(
            "", "1 sets start in kHz, 2 sets stop in kHz, 3 sets points, 4 gives data, 5 gives identity"
        )
        learned = await learn(console.port, person)
        await proved(console, learned)
        assert not [line for line in console.lines if "krell" in line or "tunk" in line]
        assert "no word sets frequencies" in person.asked[1]  # asked again only because something was missing


async def test_one_command_for_all_is_taken_as_typed() -> None:
    words = {"span": "sw", "data": "plin", "identity": "wexo"}
    async with BenchConsole(words, readback=False) as console:
        person = Technician('"sw {start} {stop} {points}" sets span in kHz, plin gives data, wexo gives identity')
        learned = await learn(console.port, person)
        await proved(console, learned)
        assert 'span = "sw {start_khz} {stop_khz} {points}"' in learned.text


@pytest.mark.long
async def test_a_one_key_menu_is_left_alone_until_its_safe_keys_are_named() -> None:
    keys = {"start": "a", "stop": "b", "points": "n", "data": "x", "identity": "i"}
    async with BenchConsole(keys, keys=True, unit_hz=1.0) as console:
        with pytest.raises(NotLearnedError, match="single keys"):
            await learn(console.port, Nobody())
        assert set("".join(console.lines)) <= set("\r\n*")
        console.lines.clear()
        manual = '"a{v}" sets start in Hz, "b{v}" sets stop in Hz, "n{v}" sets points, x gives data, i gives identity'
        learned = await learn(console.port, Technician(manual))
        await proved(console, learned)
        assert {line[:1] for line in console.lines} <= set("abnxi*\r\n")


async def test_a_false_word_is_not_believed() -> None:
    async with BenchConsole(WORDS) as console:
        false = MANUAL.replace("quib sets start", "zarf sets start").replace("zarf sets stop", "quib sets stop")
        with pytest.raises(NotLearnedError):
            await learn(console.port, Technician(false))


def test_a_unit_that_nobody_told_is_believed_only_where_no_other_makes_a_usual_lead() -> None:
    assert usual_units(6e-9, "hz") == ["hz"]
    assert usual_units(6e-6, "hz") == ["khz"]
    assert usual_units(25e-9, "hz") == ["hz", "10hz"]


async def test_a_unit_that_an_open_lead_contradicts_is_not_offered() -> None:
    seen = Meaning(Kind("re", "im", (1, 1)), delay=Delay(6e-6, 0.01))
    person = Technician(unit="kHz")
    assert await unit_said(person, Writing("hz"), seen) == Writing("khz")
    with pytest.raises(MissingError, match="6e\\+03 ns"):
        await unit_said(Nobody(), Writing("hz"), seen)
    with pytest.raises(MissingError, match="no unit"):
        await unit_said(person, Writing("ghz"), Meaning(seen.kind, delay=Delay(1e-21, 0.01)))


def test_an_echo_in_pieces_or_in_capitals_is_hidden(tmp_path: Path) -> None:
    log = tmp_path / "wire.txt"
    wire_log.hide("Quellmoor12")
    wire_log.begin(log)
    wire_log.note(wire_log.SENT, b"Quellmoor12\r")
    for piece in (b"Q\x08Qu\x08", b"uellmoor12\r\n", b"you typed QUELL", b"MOOR12, good\r\n", b"tail quel"):
        wire_log.note(wire_log.CAME, piece)
    wire_log.end()
    text = log.read_text()
    assert not re.search("(?i)quel|moor", text) and "good" in text
    assert b"".join(data for way, data in wire_log.read(log) if way == wire_log.CAME).count(b"*****") == 3


@pytest.mark.long
async def test_the_unit_is_asked_only_when_nothing_tells_it() -> None:
    listed = "quib N  start frequency\nzarf N  stop frequency\nmog N  number of points\nplin  print the traces\n"
    for unit_hz, unit in ((1e3, "kHz"), (1e6, "MHz")):
        async with BenchConsole(WORDS, listed + "wexo  version\n", "help", unit_hz=unit_hz) as console:
            person = Technician(unit=unit)
            learned = await learn(console.port, person)
            await proved(console, learned)
            assert learned.profile.console is not None and learned.profile.console.axis in ("technician", "read-back")
            assert len([text for text in person.asked if "unit" in text]) == 1
    async with BenchConsole(WORDS, listed.replace("start freq", "start in kHz, freq"), "help") as console:
        person = Technician()
        await proved(console, await learn(console.port, person))
        assert not [text for text in person.asked if "unit" in text]


@pytest.mark.parametrize("keep", ["yes", pytest.param("no", marks=pytest.mark.long)])
async def test_the_line_that_opens_it_is_in_no_log(tmp_path: Path, keep: str) -> None:
    secret, log = "Grumbold7", tmp_path / "wire.txt"
    listed = "quib kHz  start frequency\nzarf kHz  stop frequency\nmog N  number of points\nplin  print the traces\n"
    async with BenchConsole(WORDS, listed + "wexo  version\n", "help", password=secret) as console:
        wire_log.begin(log)
        try:
            person = Technician(opens=secret, profile=keep)
            learned = await learn(console.port, person)
            console.open = keep == "no"
            await proved(console, learned)
        finally:
            wire_log.end()
        assert (secret in learned.text) == (keep == "yes")
        assert secret not in repr(learned.said) and secret not in repr(person.found)
        assert len(person.secret) == 1 and "It refuses every word" in person.asked[1]
        sent = console.lines.count(secret)  # learning, proof, measuring; once more where an answer came late
        assert sent == 1 if keep == "no" else sent >= 3
    text = log.read_text()
    assert secret.lower() not in text.lower() and "*****" in text and wire_log.read(log)


@pytest.mark.long
async def test_leads_that_are_not_open_are_asked_for() -> None:
    console = BenchConsole(WORDS, bench="load")

    def do(text: str) -> bool:
        console.bench = "open"
        return "off both leads" in text

    async with console:
        learned = await learn(console.port, Technician(MANUAL, deeds=do))
        await proved(console, learned)


@pytest.mark.long
async def test_which_trace_is_s21_is_told_by_joining_the_leads() -> None:
    console = BenchConsole(WORDS, leak=0.3)

    def do(text: str) -> bool:
        console.bench = "joined" if "Join" in text else "open"
        return True

    async with console:
        person = Technician(MANUAL, deeds=do)
        learned = await learn(console.port, person)
        assert "rose when the leads were joined" in learned.text
        assert [text for text in person.asked if "Join" in text]
        await proved(console, learned)
