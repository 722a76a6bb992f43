"""An analyzer whose identity, refusals and error texts are hostile, through every command, screen and file."""

from __future__ import annotations

import contextlib
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from protocol.simulated.bench import Bench
from tests.hostile.test_untrusted_words import EVIL, check_json, check_plain, check_screen
from tests.hostile.visits import SITE
from tests.tui.terminal import ROOT, terminal
from tui.cli import main
from tui.commands.exit_status import ExitStatus

POISONED = """
import sys
from protocol.simulated import __main__ as simulated, console_server, replies
evil = bytes.fromhex(sys.argv.pop(1)).decode()
flat = " ".join(evil.split()).replace(",", ";")
replies.Front.identity = property(lambda self: f"{flat},{flat},{flat},1.0")
sound = replies.Refusal.__init__
replies.Refusal.__init__ = lambda self, code, words: sound(self, code, evil.replace('"', "'"))
text = lambda self, *lines: b"".join(line.encode() + self._console.in_end for line in lines)
console_server.ConsoleServer._text = text
sys.exit(simulated.main(sys.argv[1:]))
"""


@contextlib.contextmanager
def poisoned(family: str) -> Iterator[Bench]:
    process = subprocess.Popen(
        [sys.executable, "-c", POISONED, EVIL.encode().hex(), "--child", "--speed", "0", "--profile", family],
        cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, start_new_session=True,
    )  # fmt: skip
    assert process.stdout is not None
    with Bench(process, process.stdout.readline().split()[1]) as bench:
        yield bench


@pytest.mark.parametrize("family", [pytest.param("scpi", marks=pytest.mark.long), "console-lines"])
def test_whatever_an_analyzer_says_comes_out_harmless(
    family: str, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    path, log = tmp_path / "a.visit", tmp_path / "wire.log"

    def said(*words: str) -> int:
        status = main(words)
        out, err = capfd.readouterr()
        check_plain(out, tabs=True)
        check_plain(err)
        if "--json" in words and out:
            check_json(out)
        return status

    with poisoned(family) as bench:
        where = ["--port", bench.node, "--profile", family, "--site", str(SITE)]
        measure = ["check", *where, "--visit", str(path), "--sweeps", "3"]
        assert said(*measure, "--wire-log", str(log)) in (0, 1, 3)
        assert log.read_text(encoding="ascii").replace("\n", "").isprintable()
        bench.say("fault mishear 1")
        with terminal("live", *where, "--visit", str(tmp_path / "b.visit"), "--sweeps", "4") as screen:
            screen.wait_for("4 of 4")
            screen.type("q")
            assert screen.wait_for_end() == 0
            assert b"=1+1" in screen.raw
            check_screen(screen.raw)
        bench.say("fault mishear 1000")
        assert said(*measure) in (ExitStatus.USAGE, ExitStatus.FAULT)
        bench.say("fault mishear 0")
        bench.say("connect loads")
        assert said("card", bench.node, *where[2:], "--sweeps", "10", "--json") in (0, 1, 3)
        assert said("learn", bench.node, "--out", str(tmp_path / "learned.toml"), "--ask", "no") < ExitStatus.MACHINE
    for words in (
        ["report", str(path)], ["report", str(path), "--html", str(tmp_path / "a.html")], ["trend", str(path)],
        ["together", str(path)], ["export", str(path), "--to", str(tmp_path / "out")], ["note", str(path)],
        ["archive", str(tmp_path), "--build"], ["archive", str(tmp_path), "--ask", "faults"],
    ):  # fmt: skip
        assert said(*words) < ExitStatus.MACHINE, words
    for file in (tmp_path / "out").iterdir():
        check_plain(file.read_text(encoding="utf-8"))
    check_json((tmp_path / "out/figures.json").read_text())
    assert "=1+1" in (tmp_path / "a.html").read_text()
    with terminal("watch", str(path)) as screen:
        screen.wait_for("WATCHING")
        screen.type("q")
        screen.wait_for_end()
        check_screen(screen.raw)
