"""What is told of a word permits it only where all of it is understood: no second deed, wherever it stands."""

from __future__ import annotations

import pytest

from protocol.learn.dialogue import Role
from protocol.learn.words.allow import SENT, Entry, words_of
from protocol.learn.words.around import warned
from protocol.learn.words.cells import registers_of
from protocol.learn.words.general import general_entries
from protocol.learn.words.plans import ranked
from protocol.learn.words.prose import prose_entries
from protocol.learn.words.tokens import cells_of, entries_of, menu_of
from protocol.learn.words.wholly import strange
from protocol.learn.words.wrapped import wrapped_entries
from tests.protocol.learn.second_deeds import BASE, ROWS
from tests.protocol.learn.second_listings import LISTINGS
from tests.protocol.learn.test_told_in_words import LETTER

TOGETHER = 9
"""Rows that stand in one listing."""


def sent(lines: list[str], *, menu: bool = False) -> set[str]:
    """Words that would be sent in any reading of a listing."""
    entries = (menu_of(lines) if menu else []) or registers_of(lines) or cells_of(lines)[0]
    readings = [entries or wrapped_entries(lines) or entries_of(lines)]
    readings += [] if entries and not menu else [general_entries(lines)]
    plans = ranked([warned(reading, lines) for reading in readings])
    return {word.name for plan in plans for word in plan if word.role in SENT}


@pytest.mark.parametrize("kind", ROWS)
def test_no_word_with_a_second_deed_is_sent(kind: str) -> None:
    rows = ROWS[kind].strip().splitlines()
    passed = set[str]()
    for at in range(0, len(rows), TOGETHER):
        some = rows[at : at + TOGETHER]
        names = {row.split()[0] for row in some}
        passed |= {name for one in sent([*BASE[:3], *some, *BASE[3:]]) for name in one.split() if name in names}
    assert passed == set()


def listings() -> list[tuple[str, set[str], list[str]]]:
    """Kind, words that may not be sent, lines."""
    found = []
    for block in LISTINGS.removeprefix("% ").split("\n% "):
        head, _, text = block.partition("\n")
        kind, _, names = head.partition(": ")
        lines = text.replace("{BASE}", "\n".join(BASE)).rstrip("\n").splitlines()
        found.append((kind, set(names.split(" ; ")), lines))
    return found


@pytest.mark.parametrize(("kind", "harmful", "lines"), listings())
def test_what_stands_around_a_word_is_told_of_it(kind: str, harmful: set[str], lines: list[str]) -> None:
    assert harmful & sent(lines, menu=kind == "menu") == set()


def test_the_rows_around_them_are_sent() -> None:
    assert sent(list(BASE)) == {"f0", "f9", "npt", "go", "out", "ver"}


@pytest.mark.parametrize(
    ("role", "told"),
    [
        (Role.START, "first frequency in MHz, 0.1 to 1500, see manual"), (Role.STOP, "where the sweep ends (kHz)"),
        (Role.POINTS, "how many points, evenly spaced, from 11 up to 401"), (Role.AVERAGE, "average count (1 = off)"),
        (Role.BANDWIDTH, "receiver bandwidth in Hz: 100, 1000 or 10000; small is slow and quiet"),
        (Role.SWEEP, "takes one sweep, waits until it is complete, then says ok"), (Role.SWEEP, "sweeps once"),
        (Role.DATA, "S11 of the last sweep, one line per point: Hz, re, im, tab between"),
        (Role.DATA, "port 1 reflection, magnitude in dB down and phase in degrees"),
        (Role.DATA, "sweep until a key is pressed, S11 and S21"), (Role.FREQUENCIES, "list of frequencies, one a line"),
        (Role.HOLD, "stop sweeping, keep the last trace"), (Role.SETTINGS, "shows how it is set"),
        (Role.IDENTITY, "print name and version"), (Role.STATUS, "busy or ready"),
    ],
)  # fmt: skip
def test_plain_descriptions_are_understood_whole(role: Role, told: str) -> None:
    assert strange(role, told) == ""


def test_its_own_name_explains_no_word_but_its_arguments_are_spoken_of() -> None:
    assert strange(Role.SWEEP, "single sweep, tare") == "tare"
    assert strange(Role.START, "lowest frequency, above ulo", " <ulo>") == ""


def test_what_the_console_calls_a_sweep_is_understood_in_its_other_words() -> None:
    rows = [
        Entry("from", "from <MHz>", "first frequency of the round trip"),
        Entry("to", "to <MHz>", "last frequency of the trip"),
        Entry("trip", "trip", "one sweep through all points"),
    ]
    roles = {word.name: word.role for word in words_of(rows)}
    assert (roles["from"], roles["to"], roles["trip"]) == (Role.START, Role.STOP, Role.SWEEP)
    assert {word.role for word in words_of(rows[:2])} == {Role.UNKNOWN}


def test_lines_that_go_on_and_remarks_are_told_apart() -> None:
    lines = [*BASE, "snap      take one sweep", "          shown as new", "gate      take one sweep",
             "(a sweep lasts a second)", "This unit is the property of nobody."]  # fmt: skip
    told = {entry.name: entry.description for entry in warned(entries_of(lines), lines)}
    assert told["snap"] == "take one sweep shown as new"
    assert told["gate"] == "take one sweep"


@pytest.mark.parametrize(
    "told",
    [
        "The command snap makes one sweep and leaves it as the baseline.",
        "The command snap makes one sweep. It stays there for the next visitor.",
        "The command snap makes one sweep; whoever comes next will find it.",
        "Should you need a baseline, the command snap takes one sweep.",
        "After the kit is on the port, the command snap takes one sweep.",
        "By the command snap, followed by kilohertz, the first frequency of the beacon is set.",
        "The command snap sends the readings to our office by radio.",
    ],
)
def test_a_letter_tells_a_second_deed_before_or_behind_the_word(told: str) -> None:
    roles = {word.name: word.role for word in words_of(prose_entries([*LETTER.splitlines()[:-1], told]))}
    assert roles["snap"] not in SENT and roles["go"] is Role.SWEEP
