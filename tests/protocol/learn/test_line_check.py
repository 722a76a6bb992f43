"""A profile is gone through line by line: at an analyzer and in a wire log, and what is not known is said so."""

from __future__ import annotations

import importlib.resources
import stat
from collections.abc import Iterator
from pathlib import Path

import pytest

from protocol.analyzer import Analyzer
from protocol.errors import AnalyzerError, RequestError
from protocol.finding.guarded import GuardedLink, UnsafeError
from protocol.profiles.profile import Profile, load_profile, parse_profile
from protocol.profiles.scpi import searchable
from protocol.simulated.bench import Bench, start_bench
from protocol.sweep import SweepSettings
from protocol.trial.line_check import GOOD, NOT_IN_LOG, Outcome, at_port, in_log, plan
from protocol.trial.replay import answers, exchanges
from protocol.wire import wire_log
from protocol.wire.link import SerialLink
from tui.cli import build_parser, main
from tui.commands.exit_status import ExitStatus

NAMES = ("scpi", "console-lines", "console-traces")


def shipped(name: str, *changes: tuple[str, str]) -> Profile:
    text = (importlib.resources.files("fixtures") / "profiles" / f"{name}.toml").read_text(encoding="utf-8")
    for before, after in changes:
        assert before in text
        text = text.replace(before, after)
    return parse_profile(text.replace("find = true", "find = false"))


@pytest.fixture
def log(tmp_path: Path) -> Iterator[Path]:
    path = tmp_path / "wire.txt"
    wire_log.begin(path)
    yield path
    wire_log.end()


async def a_sweep(node: str, profile: Profile) -> None:
    limits = profile.limits
    bandwidth = min(limits.bandwidths_hz or (1000.0,), key=lambda hz: abs(hz - 1000.0))
    analyzer = await Analyzer.open(node, profile)
    try:
        await analyzer.apply(SweepSettings(442.5e6, 462.5e6, 101, bandwidth))
        await analyzer.sweep()
    finally:
        await analyzer.close()


def verdicts(outcomes: list[Outcome]) -> dict[str, set[str]]:
    found: dict[str, set[str]] = {}
    for outcome in outcomes:
        found.setdefault(outcome.key, set()).add(outcome.verdict)
    return found


@pytest.mark.parametrize("name", NAMES)
async def test_a_right_profile_is_right_in_its_log(name: str, log: Path) -> None:
    profile = shipped(name)
    async with await Bench.start(["--speed", "0", "--profile", name]) as bench:
        await a_sweep(bench.node, profile)
    wire_log.end()
    outcomes = in_log(profile, wire_log.read(log))
    unused = {key for key, found in verdicts(outcomes).items() if found == {NOT_IN_LOG}}
    assert unused <= {"level", "abort", "average", "help"}
    assert [str(one) for one in outcomes if not one.good and one.key not in unused] == []
    identity = next(one for one in outcomes if one.key == "identify")
    assert identity.verdict == "answered" and b"#" not in identity.came and b"SIM" in identity.came
    assert all(one.verdict != "unclear" for one in outcomes)


@pytest.mark.parametrize(
    ("name", "before", "after", "key", "command"),
    [
        ("scpi", "CALCulate:DATA? SDATA", "CALCulate:DATA:ALL? SDATA", "data", "CALCulate:DATA:ALL? SDATA"),
        ("console-lines", 'bandwidth = "filter', 'bandwidth = "sieve', "bandwidth", "sieve {bandwidth_hz}"),
        ("console-traces", 'command = "steps?"', 'command = "paces?"', "readback", "paces?"),
    ],
)
async def test_a_wrong_word_is_found_at_the_port_and_in_its_log(
    name: str, before: str, after: str, key: str, command: str, log: Path
) -> None:
    """At the port, in the log of that, and in the log of a session with the right profile, where it stands nowhere."""
    wrong = shipped(name, (before, after))
    async with await Bench.start(["--speed", "0", "--profile", name]) as bench:
        link = await SerialLink.open(bench.node, wrong.serial)
        outcomes = await at_port(wrong, link, plan(wrong))
        await link.close()
        wire_log.end()
        again = in_log(wrong, wire_log.read(log))
        other = log.with_name("other.txt")
        wire_log.begin(other)
        await a_sweep(bench.node, shipped(name))
    wire_log.end()
    for found in (outcomes, again):
        bad = [one for one in found if one.verdict not in (*GOOD, "not sent", NOT_IN_LOG)]
        assert {(one.key, one.verdict) for one in bad} == {(key, "refused")}, bad
        assert all(one.came for one in bad)
    in_other = {(one.key, one.verdict) for one in in_log(wrong, wire_log.read(other)) if one.command == command}
    assert in_other == {(key, NOT_IN_LOG)}


async def test_a_profile_that_fails_at_opening_shows_why_in_its_log(log: Path) -> None:
    wrong = shipped("scpi", ("SENSe:AVERage:STATe OFF", "SENSe:AVERage:COUNt:STATe 5"))
    async with await Bench.start(["--speed", "0"]) as bench:
        with pytest.raises(AnalyzerError, match="refused"):
            await Analyzer.open(bench.node, wrong)
    wire_log.end()
    outcomes = in_log(wrong, wire_log.read(log))
    assert {(one.key, one.command) for one in outcomes if one.verdict == "refused"} == {
        ("setup", "SENSe:AVERage:COUNt:STATe 5")
    }
    assert {one.verdict for one in outcomes if one.key in ("data", "start", "points")} == {NOT_IN_LOG}


def test_answers_in_one_breath_are_given_by_their_order() -> None:
    """Two data queries with the error query behind each; the second is refused and gets nothing of the first."""
    block = b"#18\r\n*IDN?\n"  # a block may hold anything
    said = [
        (">", b"A:X?\nSYST:ERR?\nB:X?\nSYST:ERR?\n"),
        ("<", block + b'\n0,"No error"\n'),
        ("<", b'-113,"Undefined"\n'),
    ]
    profile = shipped("scpi", ("data = ", 'error = "SYST:ERR?"\ndata = '))
    found = exchanges(profile, said)
    assert [(one.line, one.came, one.error, one.among) for one in found if b"X" in one.line] == [
        (b"A:X?", (block,), b'0,"No error"', 1),
        (b"B:X?", (), b'-113,"Undefined"', 1),
    ]
    assert answers(block + b"\r\n1,2\r\n") == [block, b"1,2"]


def test_an_answer_that_could_be_anybodys_is_nobodys() -> None:
    """A block that came late stands before the identity: it is no answer to *IDN?, nor is the identity one to data."""
    profile = shipped("scpi")
    late = [(">", b"CALCulate:DATA? SDATA\n*CLS\n*IDN?\n"), ("<", b"#14abcd\n")]
    outcomes = {one.key: one for one in in_log(profile, late)}
    assert outcomes["identify"].verdict != "answered"
    refused = [(">", b'CALCulate:PARameter:SELect "S11"\nSENSe:SWEep:POINts 5\nSYSTem:ERRor?\n'), ("<", b'-222,"x"\n')]
    outcomes = {one.key: one for one in in_log(profile, refused)}
    assert outcomes["select"].verdict == outcomes["points"].verdict == "unclear"
    assert "does not tell which of them was refused" in str(outcomes["points"])


def test_short_spelling_keeps_the_fields() -> None:
    profile = shipped("scpi", ("[scpi]", '[scpi]\nforms = "short"\ncolon = true'))
    said = [(">", b":SENS:SWE:POIN 77\n:SYST:ERR?\n"), ("<", b'0,"No error"\n')]
    outcomes = {one.key: one for one in in_log(profile, said)}
    assert outcomes["points"].verdict == "taken" and outcomes["points"].command == ":SENS:SWE:POIN {points}"
    assert outcomes["start"].verdict == NOT_IN_LOG


def test_the_log_is_private_escaped_and_never_written_over(tmp_path: Path) -> None:
    path = tmp_path / "wire.txt"
    wire_log.begin(path)
    every = bytes(range(256))
    wire_log.note(wire_log.SENT, every)
    wire_log.note(wire_log.CAME, b"\\x41\n")
    wire_log.end()
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert path.read_bytes().isascii() and b"\x1b" not in path.read_bytes() and len(path.read_text().splitlines()) == 3
    assert wire_log.read(path) == [(">", every), ("<", b"\\x41\n")]
    with pytest.raises(RequestError, match="never written over"):
        wire_log.begin(path)
    path.write_text(path.read_text() + "0.1 ? x\n")
    with pytest.raises(RequestError, match=r"wire.txt:4: is no line of a wire log"):
        wire_log.read(path)


class Nowhere:
    """A link that keeps what it is given."""

    name = "nowhere"

    def __init__(self) -> None:
        self.sent = b""

    async def send(self, data: bytes) -> None:
        self.sent += data


@pytest.mark.parametrize(
    "line",
    ["SOUR:POW 0", "SOURce:POWer:LEVel -10", "POW 3", "*RST", "*SAV 1", "OUTP ON", "CAL:ALL", "SYST:COMM:SER:BAUD 9600",
     "*IDN?;SOUR:POW 0", "SENS:SWE:POIN 51;*RST", "\x1b"],
)  # fmt: skip
async def test_no_harmful_byte_passes_the_gate_while_searching(line: str) -> None:
    below = Nowhere()
    link = GuardedLink(below, searchable)  # type: ignore[arg-type]
    with pytest.raises(UnsafeError):
        await link.send(b"*IDN?\n" + line.encode() + b"\n")
    with pytest.raises(UnsafeError):
        for piece in line[:3], line[3:] + "\n":  # in two pieces
            await link.send(piece.encode())
    assert line.encode() not in below.sent
    await GuardedLink(below, searchable).send(b"\n*CLS\n*IDN?\nSOURce:POWer? MIN\r\n")  # type: ignore[arg-type]


async def test_consoles_are_asked_only_what_the_profile_says() -> None:
    profile = shipped("console-lines", ('identify = "who"', 'identify = "save who"'))
    planned = plan(profile)
    held = {one.key: one.why_not for one in planned if one.why_not}
    assert "'save' may do harm" in held["identify"] and "level" in held
    assert not any("save" in one.why_not for one in plan(profile, risky=True))
    async with await Bench.start(["--speed", "0", "--profile", "console-lines"]) as bench:
        link = await SerialLink.open(bench.node)
        outcomes = await at_port(profile, link, planned)
        await link.close()
    assert {one.key for one in outcomes if one.verdict == "not sent"} == set(held)
    assert all(one.good for one in outcomes if one.verdict != "not sent")


def test_the_command_asks_first_and_says_what_is_right(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    log = tmp_path / "wire.txt"
    with start_bench(["--speed", "0", "--profile", "console-lines"]) as bench:
        words = ["profile", "try", "console-lines", "--port", bench.node]
        assert main(words) == ExitStatus.USAGE
        assert "nothing was sent" in capfd.readouterr().err
        assert main([*words, "--yes", "--wire-log", str(log)]) == ExitStatus.GOALS_MET
        out, err = capfd.readouterr()
        assert "span: 'between 120000000 130000000 101': taken" in out and "    measure" in err
        assert "> drive" not in log.read_text()
    assert main(["profile", "try", "console-lines", "--log", str(log)]) == ExitStatus.GOALS_MET
    out, err = capfd.readouterr()
    assert f"level: 'drive {{level_dbm}}': {NOT_IN_LOG}" in out and "lines are right" in err
    assert main(["profile", "try", "registers", "--log", str(log)]) == ExitStatus.USAGE
    assert "has no lines of text to try" in capfd.readouterr().err
    assert load_profile("console-lines").console is not None


def test_a_measurement_writes_the_log_that_a_profile_is_tried_with(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    """What check sends for real holds every line of the profile but those that it had no use for."""
    log = tmp_path / "wire.txt"
    site = str(Path(__file__).parents[3] / "fixtures/sites/demo-450.toml")
    with start_bench(["--speed", "0", "--unit", "U6"]) as bench:
        words = ["check", "--port", bench.node, "--site", site, "--sweeps", "2", "--visit", str(tmp_path / "a.visit")]
        assert main([*words, "--wire-log", str(log)]) in (ExitStatus.CANT_SAY, ExitStatus.GOALS_NOT_MET)
    assert stat.S_IMODE(log.stat().st_mode) == 0o600
    outcomes = in_log(shipped("scpi"), wire_log.read(log))
    assert [str(one) for one in outcomes if not one.good and one.key not in ("level", "abort")] == []
    assert next(one for one in outcomes if one.key == "data").came[:1] == b"#"
    capfd.readouterr()


@pytest.mark.parametrize("command", [["live", "--port", "p", "--site", "s"], ["check", "--port", "p", "--site", "s"],
                                     ["learn", "p"], ["card", "p", "--site", "s"]])  # fmt: skip
def test_whatever_talks_to_an_analyzer_takes_a_wire_log(command: list[str]) -> None:
    assert build_parser().parse_args([*command, "--wire-log", "w.txt"]).wire_log == Path("w.txt")
