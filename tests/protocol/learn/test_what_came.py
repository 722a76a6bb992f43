"""Whatever came is shown: "nothing answers" is said only where no byte came."""

from __future__ import annotations

import os
import selectors
import threading
import tty
from collections.abc import Callable, Iterator
from dataclasses import replace

import pytest

from protocol.analyzer import Analyzer
from protocol.errors import AnalyzerError
from protocol.finding.heard import heard
from protocol.learn.dialogue import Nobody
from protocol.learn.learner import learn
from protocol.profiles.profile import load_profile

Answer = Callable[[bytes], bytes]


@pytest.fixture
def port() -> Iterator[Callable[[Answer], str]]:
    """A device node behind which a function answers each line (CR or LF ends it)."""
    master, slave = os.openpty()
    tty.setraw(slave)
    stop_read, stop_write = os.pipe()
    threads: list[threading.Thread] = []

    def serve(answer: Answer) -> None:
        waiting = selectors.DefaultSelector()
        waiting.register(master, selectors.EVENT_READ)
        waiting.register(stop_read, selectors.EVENT_READ)
        line = b""
        while True:
            ready = {key.fd for key, _ in waiting.select()}
            if stop_read in ready:
                waiting.close()
                return
            for byte in os.read(master, 4096):
                line += bytes([byte])
                if byte in b"\r\n":
                    os.write(master, answer(line))
                    line = b""

    def start(answer: Answer) -> str:
        threads.append(threading.Thread(target=serve, args=(answer,)))
        threads[-1].start()
        return os.ttyname(slave)

    yield start
    os.write(stop_write, b".")
    for thread in threads:
        thread.join()
    for node in (master, slave, stop_read, stop_write):
        os.close(node)


@pytest.mark.long
async def test_an_answer_that_is_not_understood_is_shown(port: Callable[[Answer], str]) -> None:
    """It answers words, but has no prompt and no SCPI."""
    node = port(lambda line: b"say please first\r\n" if line.strip() else b"")
    with pytest.raises(AnalyzerError) as caught:
        await learn(node, Nobody())
    said = str(caught.value)
    assert "nothing answers" not in said and "\n" not in said
    assert "'say please first'" in said


async def test_a_wrong_profile_shows_what_came(port: Callable[[Answer], str]) -> None:
    node = port(lambda line: b"say please first\r\n" if line.strip() else b"")
    profile = load_profile("scpi")
    quick = replace(profile, timing=replace(profile.timing, ready_s=0.1, reply_s=0.2, quiet_s=0.02))
    with pytest.raises(AnalyzerError, match="say please first"):
        await Analyzer.open(node, quick)


@pytest.mark.parametrize(
    ("said", "words"),
    [
        ([("*IDN?\n", b""), ("\r", b"")], ""),
        ([("*IDN?\n", b"*IDN?\r\n"), ("\r", b"\r\n")], "only what was sent comes back"),
        ([("*IDN?\n", bytes(range(0x80, 0xA0)))], "32 bytes came that are no text"),
        ([("", b"boot 3.1\r\n")], "by itself or to an empty line it says 'boot 3.1'"),
        ([("*IDN?\n", b"*IDN?\r\nno\x1b[2J\r\n")], "'*IDN?' was answered 'no.[2J'"),
    ],
)
def test_one_sentence_on_what_came(said: list[tuple[str, bytes]], words: str) -> None:
    assert words in heard(said) and bool(heard(said)) == bool(words)
    assert heard(said).isprintable()
