"""Unknown analyzers are learned through a real device node with no hand help; what stays unknown is said in words."""

from __future__ import annotations

import asyncio
import contextlib
import re
import subprocess
import sys
from collections.abc import AsyncIterator
from pathlib import Path

import numpy as np
import pytest
from protocol.learn.listing import parse_listing
from protocol.learn.vocabulary import ranked

from protocol.analyzer import Analyzer
from protocol.errors import AnalyzerError
from protocol.finding.guarded import UnsafeError
from protocol.learn.learner import Learned, NotLearnedError, learn
from protocol.learn.opening import open_console
from protocol.learn.talk import FORBIDDEN, Talk, forbidden, words_of
from protocol.profiles.profile import Profile, load_profile, parse_profile
from protocol.simulated.bench import Bench
from protocol.sweep import Sweep, SweepSettings
from protocol.wire.link import SerialLink
from tests.protocol.learn.grammar import make_variant

SEEDS = (0, 1, 4, 7, 8, 16, 17, 18, 19, 31, 44, 46, 53, 61)
"""Listings in columns, with dashes and colons, in a row with and without details, paged; settings together and apart,
in three units; single sweeps, inline ones, free-running; tables, traces, one long line; four number formats."""


async def one_sweep(node: str, profile: Profile) -> Sweep:
    """U6's wide sweep through the ordinary path."""
    bandwidth = min(profile.limits.bandwidths_hz or (1000.0,), key=lambda hz: abs(hz - 1000.0))
    analyzer = await Analyzer.open(node, profile)
    try:
        await analyzer.apply(SweepSettings(442.5e6, 462.5e6, 201, bandwidth))
        return await analyzer.sweep()
    finally:
        await analyzer.close()


def assert_harmless(learned: Learned) -> None:
    """Nothing that was sent holds a word that may change an instrument."""
    for line in learned.said:
        assert not set(words_of(line)) & FORBIDDEN, line


@pytest.mark.parametrize("seed", SEEDS)
async def test_a_console_of_the_grammar_is_learned(seed: int, tmp_path: Path) -> None:
    """The truth is the profile that the simulated console was given: the learned one must give the same sweep."""
    variant = make_variant(seed)
    profile, quirks = variant.write(tmp_path)
    words = ["--speed", "0", "--seed", "3", "--profile", str(profile), "--quirks", str(quirks)]
    async with await Bench.start(words) as bench:
        learned = await learn(bench.node)
        truth = await one_sweep(bench.node, parse_profile(variant.profile))
        seen = await one_sweep(bench.node, learned.profile)
    np.testing.assert_allclose(seen.s11, truth.s11, atol=0.02)
    np.testing.assert_allclose(seen.s21, truth.s21, atol=0.02)
    assert "learned" in learned.text.lower() and learned.proof.startswith(("101 points", "201 points"))
    assert_harmless(learned)
    for word in variant.forbidden:
        if forbidden(word):
            assert all(word not in words_of(line) for line in learned.said)
    assert sum("  # " in line for line in learned.text.splitlines()) >= 12  # evidence behind the lines


@contextlib.asynccontextmanager
async def unrelated(style: str) -> AsyncIterator[str]:
    process = await asyncio.to_thread(
        lambda: subprocess.Popen(
            [sys.executable, "-m", "tests.protocol.learn.unrelated", style],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, cwd=Path(__file__).parents[3],
        )
    )  # fmt: skip
    assert process.stdout is not None and process.stdin is not None
    try:
        yield (await asyncio.to_thread(process.stdout.readline)).strip()
    finally:
        process.stdin.close()
        await asyncio.to_thread(process.wait)
        process.stdout.close()


@pytest.mark.parametrize(
    ("style", "line"),
    [
        ("commas", "{s11_re}{s11_im}j, {s21_re}{s21_im}j"),
        ("labels", "f={frequency_mhz}MHz through={s21_db}dB at {s21_deg} refl={s11_db}dB at {s11_deg}"),
        ("receivers", "{reference_re};{reference_im};{reflected_re};{reflected_im};{through_re};{through_im}"),
    ],
)
async def test_a_console_outside_the_grammar_is_learned(style: str, line: str) -> None:
    async with unrelated(style) as node:
        learned = await learn(node)
        sweep = await one_sweep(node, learned.profile)
    assert learned.profile.console is not None
    assert learned.profile.console.reads[0].line.source == line
    assert 20 * np.log10(abs(sweep.s21[75])) == pytest.approx(-1.45, abs=0.2)  # the pass of U6
    assert 20 * np.log10(abs(sweep.s11[125])) < -20.0
    assert_harmless(learned)


@pytest.mark.parametrize("style", ["define", "named", "traces"])
async def test_three_ways_of_scpi_are_learned(style: str) -> None:
    async with await Bench.start(["--speed", "0", "--seed", "3", "--scpi-style", style]) as bench:
        learned = await learn(bench.node)
        sweep = await one_sweep(bench.node, learned.profile)
    assert learned.profile.family == "scpi"
    assert 20 * np.log10(abs(sweep.s21[75])) == pytest.approx(-1.45, abs=0.2)
    assert any("corrects itself" in sentence for sentence in learned.unknown)
    assert not any(re.search(r"\*(rst|sav|rcl|tst)", line.lower()) for line in learned.said)


async def test_questions_are_asked_where_the_sweeps_do_not_tell() -> None:
    """Unnamed traces with a thru between the leads: neither lies in the noise, so the technician is asked, or nothing
    is written."""
    asked: list[str] = []

    async def ask(question: str, answers: object) -> str:
        asked.append(question)
        return {"Two": "first", "Is a": "yes"}.get(question.split(" ", maxsplit=1)[0].replace("Is", "Is a"), "")

    async with await Bench.start(["--speed", "0", "--profile", "console-lines"]) as bench:
        await bench.tell("connect thru")
        with pytest.raises(NotLearnedError, match=r"which trace is S11 .* both leads open"):
            await learn(bench.node)
        learned = await learn(bench.node, ask)
    assert any("Which one is S11" in question for question in asked)
    assert learned.profile.corrects_itself
    assert "as the technician said" in learned.text


async def test_a_raw_open_lead_shows_that_nobody_corrects() -> None:
    async with await Bench.start(["--speed", "0", "--raw", "--profile", "console-lines"]) as bench:
        await bench.tell("connect open")
        learned = await learn(bench.node)
    assert not learned.profile.corrects_itself
    assert "ns of lead: it does not" in learned.text
    assert not any("sign of time" in sentence for sentence in learned.unknown)


async def test_a_register_analyzer_is_not_learned_and_says_so() -> None:
    """Bytes without words tell nothing about themselves; the profile must be written."""
    async with await Bench.start(["--speed", "0", "--profile", "registers"]) as bench:
        with pytest.raises(AnalyzerError, match="nothing answers in any dialect tried"):
            await learn(bench.node)


async def test_a_word_on_the_list_is_never_sent() -> None:
    async with await Bench.start(["--speed", "0", "--profile", "console-lines"]) as bench:
        link = await SerialLink.open(bench.node)
        try:
            talk = Talk(link)
            assert await open_console(talk) is not None
            for line in ("reset", "save 1", "Factory-Default", "flashErase", "dfu", "cal load"):
                with pytest.raises(UnsafeError):
                    await talk.ask(line)
        finally:
            await link.close()


@pytest.mark.parametrize(
    ("listing", "word", "roles"),
    [
        ("between <from> <to> <steps>   set the sweep", "between", ("start", "stop", "points")),
        ("SCAN START STOP POINTS - do a scan", "SCAN", ("start", "stop", "points")),
        ("range {start(Hz)} {stop(Hz)} [points]", "range", ("start", "stop", "points")),
        ("span (from(kHz)) (to_khz)   limits", "span", ("start", "stop")),
        ("window <first>,<last>,<n>   limits", "window", ("start", "stop", "points")),
        ("lo MHZ: start of the sweep", "lo", ("",)),
        ("help", "help", ()),
    ],
)
def test_listings(listing: str, word: str, roles: tuple[str, ...]) -> None:
    (entry,) = parse_listing([listing])
    assert (entry.word, entry.roles) == (word, roles)


def test_a_row_of_words_is_a_listing() -> None:
    entries = parse_listing(["commands: id, span, bw, go, data, reset"])
    assert [entry.word for entry in entries] == ["id", "span", "bw", "go", "data", "reset"]
    assert "reset" not in [entry.word for entry in ranked(entries, "sweep", 0.0)]


def test_grave_descriptions_keep_a_command_from_being_sent() -> None:
    entries = parse_listing(["go   starts the bootloader", "scan   one sweep"])
    assert [entry.word for entry in ranked(entries, "sweep")] == ["scan"]


def test_shipped_profiles_still_load() -> None:
    assert load_profile("registers").registers is not None
