"""Listings whose rows are a verb, what it takes, what it does, and listings of which each line is one object."""

from __future__ import annotations

import json

import pytest

from protocol.learn.dialogue import Role
from protocol.learn.words.allow import SENT, words_of
from protocol.learn.words.cells import codes_of
from protocol.learn.words.tabled import tabled_entries

ONE_VERB_FOR_ALL = """command   operand        effect
with      low=<khz>      lower edge of the sweep, kHz
with      high=<khz>     upper edge of the sweep, kHz
with      readings=<n>   number of points, 5 to 301
review    none           current settings
run       none           one sweep
deliver   s11            reflection: kHz, re, im
deliver   s21            transmission: kHz, re, im
retain    setup=<slot>   save the settings
zap       none           erase everything"""
WITHOUT_TITLES = """use   f0=N   start frequency in MHz
use   f1=N   stop frequency in MHz
use   np=N   number of points
use   cal=N  write a calibration constant
do    sweep  run one sweep
do    wipe   erase all
read  s11    reflection, re im
list  -      show the settings"""

OBJECTS = [
    ("first <mhz>", "start frequency, MHz"),
    ("last <mhz>", "stop frequency, MHz"),
    ("dots <n>", "number of points"),
    ("fly", "one sweep"),
    ("tell s11", "reflection, re im"),
    ("bank", "save the settings"),
    ("drive <on|off>", "constant output"),
]


@pytest.mark.parametrize(
    ("text", "sent"),
    [
        (
            ONE_VERB_FOR_ALL,
            {
                "with low": Role.START,
                "with high": Role.STOP,
                "with readings": Role.POINTS,
                "review": Role.SETTINGS,
                "run": Role.SWEEP,
                "deliver s11": Role.DATA,
                "deliver s21": Role.DATA,
            },
        ),
        (
            WITHOUT_TITLES,
            {
                "use f0": Role.START,
                "use f1": Role.STOP,
                "use np": Role.POINTS,
                "do sweep": Role.SWEEP,
                "read s11": Role.DATA,
                "list": Role.SETTINGS,
            },
        ),
    ],
)
def test_a_verb_that_comes_in_several_rows_is_a_word_in_each(text: str, sent: dict[str, Role]) -> None:
    words = words_of(tabled_entries(text.splitlines()))
    assert {word.name: word.role for word in words if word.role in SENT} == sent
    assert next(word.form for word in words if word.role is Role.START) == f"{words[0].name}={{v}}"


def test_a_listing_of_other_columns_is_no_such_table() -> None:
    assert tabled_entries("SF <MHz>   start frequency\nEF <MHz>   end frequency\nGO  one sweep".splitlines()) == []


@pytest.mark.parametrize("keys", [("word", "does"), ("usage", "text")])
def test_each_line_an_object_with_a_word_and_what_it_is(keys: tuple[str, str]) -> None:
    lines = [json.dumps(dict(zip(keys, one, strict=True))) for one in OBJECTS] + ['{"done": 7}']
    words = words_of(tabled_entries(lines))
    assert {word.name: word.role for word in words if word.role in SENT} == {
        "first": Role.START,
        "last": Role.STOP,
        "dots": Role.POINTS,
        "fly": Role.SWEEP,
        "tell s11": Role.DATA,
    }
    assert [word.form for word in words][:3] == ["first {v}", "last {v}", "dots {v}"]


CODES = """11 start frequency, MHz        11 430
12 stop frequency, MHz         12 440
13 number of points (11-301)   13 101
14 one sweep
15 print S11 (socket side)     re,im
hands off, for the works:
71 new crystal figure          71 5
72 one sweep with the carrier standing
end of list"""
MARKED = """# A1 list
# 1  from where, kHz   1=7000
# 2  this text"""
LETTERED = """5: where the sweep begins, kHz    5:7000
6: where the sweep ends, kHz      6:7200
7: number of points, 5..200       7:100
8: sweep once
9: erase all
5: ok"""


@pytest.mark.parametrize(
    ("text", "joint", "first", "never"),
    [(CODES, " ", 11, ("71", "72")), (LETTERED, ":", 5, ("9",))],
)
def test_codes_of_which_examples_show_that_they_are_typed(
    text: str, joint: str, first: int, never: tuple[str, ...]
) -> None:
    words = {word.name: word for word in words_of(codes_of(text.splitlines()))}
    roles = [words[str(first + at)].role for at in range(4)]
    assert roles == [Role.START, Role.STOP, Role.POINTS, Role.SWEEP]
    assert words[str(first)].form == f"{first}{joint}{{v}}"
    assert all(words[name].role is Role.NEVER for name in never)


@pytest.mark.parametrize(
    "text", [MARKED, LETTERED.replace(":7000", "").replace(":7200", ""), f"{CODES}\n11 reflection of the last sweep"]
)
def test_numbers_that_no_examples_show_are_no_codes(text: str) -> None:
    assert codes_of(text.splitlines()) == []
