"""A learning session on a plain terminal: words corrected by number, deeds, questions."""

from __future__ import annotations

import io

import pytest

from protocol.errors import RequestError
from protocol.learn.corrections import parse_corrections
from protocol.learn.dialogue import Correction, Progress, Role, Told, Word
from tui.commands.asking import AtTheTerminal

WORDS = tuple(Word(n, f"word\x1b{n}", "N", "", Role.UNKNOWN, "nothing says") for n in (1, 2, 12))


def typed(monkeypatch: pytest.MonkeyPatch, *lines: str) -> None:
    monkeypatch.setattr("sys.stdin", io.StringIO("".join(f"{line}\n" for line in lines)))


async def test_words_are_corrected_and_asked_again(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    typed(monkeypatch, "7 sets start", "2 sets start, 12 never")
    asked = await AtTheTerminal().words(WORDS)
    assert asked == (Correction(2, Role.START), Correction(12, Role.NEVER))
    said = capsys.readouterr().err
    assert "there is no word 7" in said and "\x1b" not in said


async def test_deeds_and_questions(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    typed(monkeypatch, "", "n", "y", "")
    dialogue = AtTheTerminal()
    assert await dialogue.deed("take the lead off port 2")
    assert not await dialogue.deed("join the leads")
    assert await dialogue.question("On?", ("yes", "no")) == "yes"
    assert await dialogue.question("On?", ("yes", "no")) == ""
    dialogue.progress(Progress(2, 8, "reading", "prompt '>'"))
    said = capsys.readouterr().err
    assert "proved dead" in said and "found: prompt" in said


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("", ()),
        ("2 start; 1 sweeps", (Correction(2, Role.START), Correction(1, Role.SWEEP))),
        ("1: NEVER", (Correction(1, Role.NEVER),)),
        ("1 sets start, 1 never", (Correction(1, Role.NEVER),)),
        ("1 sets start and stop", (Correction(1, Role.RANGE),)),
        ("1 sets start in kHz", (Correction(1, Role.START, "", Told(Role.START, unit="khz")),)),
        ("2 sets stop in 10 Hz", (Correction(2, Role.STOP, "", Told(Role.STOP, unit="10hz")),)),
        ("2 sets stop in hex", (Correction(2, Role.STOP, "", Told(Role.STOP, unit="hz", writing="hex")),)),
        ("fz sets start", (Correction(0, Role.START, "fz"),)),
        ('"p 3" sets points', (Correction(0, Role.POINTS, "p 3"),)),
        ('"fz={v}" sets start', (Correction(0, Role.START, "fz", Told(Role.START, "fz={v}")),)),
        ('"set fz {start}" sets start', (Correction(0, Role.START, "set fz", Told(Role.START, "set fz {v}")),)),
        (
            '"sw {start},{stop} {points}" sets span in MHz comma',
            (Correction(0, Role.RANGE, "sw", Told(Role.RANGE, "sw {start},{stop} {points}", "mhz", "comma")),),
        ),
        ('"fz?" tells start', (Correction(0, Role.START, "", Told(Role.START, question="fz?")),)),
        ("tr1 reads s11", (Correction(0, Role.DATA, "tr1", Told(Role.DATA, trace="s11")),)),
        ("2 reads s21", (Correction(2, Role.DATA, "", Told(Role.DATA, trace="s21")),)),
    ],
)
def test_corrections_are_understood(text: str, expected: tuple[Correction, ...]) -> None:
    assert parse_corrections(text, WORDS) == expected


@pytest.mark.parametrize(
    "text",
    [
        "sets start", "3 never", "1", "1 sets", "1 wobble", "99999 never", "fz", "fz never",
        '"fz={v} sets start',
        '"{v}" sets start', '"fz={w}" sets start', '"fz={v" sets start', '"fz={stop}" sets start',
        "fz sets start in furlongs",
        "1 sweeps in kHz", '"sw {start} {points}" sets span', '"sw {start} {start}" sets span', '"rd {v}" gives data',
        "saveall sets start", '"fz\x1b" sets start', '"fz?" tells fortunes', "1 sets start in comma", "1 tells start",
    ],
)  # fmt: skip
def test_what_is_no_correction_is_asked_again(text: str) -> None:
    with pytest.raises(RequestError):
        parse_corrections(text, WORDS)
