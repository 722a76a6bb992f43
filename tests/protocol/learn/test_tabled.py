"""Listings whose rows are a verb, what it takes, what it does, and listings of which each line is one object."""

from __future__ import annotations

import json

import numpy as np
import pytest

from protocol.learn.dialogue import Role
from protocol.learn.sweeps.columns import reflecting
from protocol.learn.words.allow import SENT, words_of
from protocol.learn.words.cells import codes_of, registers_of
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


REGISTERS = """ACCESS  PK <adr>          SHOW A CELL
        PT <adr> <data>   CHANGE A CELL
        DATA <1|2>        ALL POINTS
20   RW   KHZ   START FREQUENCY     500..90000
21   RW   KHZ   STOP FREQUENCY      500..90000
22   RW   -     NUMBER OF POINTS    2..500
30   W    -     1 = ONE SWEEP       1
31   RO   -     NUMBER OF POINTS    1
80   W    -     1 = ERASE THE SETTINGS
DATA 1 = S11, DATA 2 = S21. REAL IMAG, HEX, 00002710 = 1.0"""
SMALL = (
    REGISTERS.lower()
    .replace("pk <adr> ", "rx <reg> ")
    .replace("pt <adr> ", "tz <reg> ")
    .replace("data 1 = s11, data 2 = s21.", "curve 1: s11; curve 2: s21;")
    .replace("data <1|2> ", "curve <1|2>")
)


@pytest.mark.parametrize(
    ("text", "verb", "ask", "trace"), [(REGISTERS, "PT", "PK", "DATA"), (SMALL, "tz", "rx", "curve")]
)
def test_registers_with_a_column_that_says_which_are_written(text: str, verb: str, ask: str, trace: str) -> None:
    words = {word.name: word for word in words_of(registers_of(text.splitlines()))}
    assert {name: word.role for name, word in words.items() if word.role in SENT} == {
        f"{verb} 20": Role.START,
        f"{verb} 21": Role.STOP,
        f"{verb} 22": Role.POINTS,
        f"{verb} 30": Role.SWEEP,
        f"{trace} 1": Role.DATA,
        f"{trace} 2": Role.DATA,
    }
    assert words[f"{verb} 80"].role is Role.NEVER
    assert not any(name.endswith("31") for name in words)
    assert (words[f"{verb} 20"].form, words[f"{verb} 20"].question) == (f"{verb} 20 {{v}}", f"{ask} 20")


@pytest.mark.parametrize(
    ("told", "whole"), [("hex, 000F4240 = 1.000000", 1e6), ("fixed point; 0x2710 is 1", 1e4), ("hex", 2.0**20)]
)
def test_what_stands_for_one_is_believed_where_it_is_told(told: str, whole: float) -> None:
    frequency_hz = np.linspace(1e6, 9e7, 51)
    trace = 0.97 * whole * np.exp(-2j * np.pi * frequency_hz * 9e-9)
    pair = np.column_stack([trace.real, trace.imag])
    assert reflecting(pair, frequency_hz, told, hexed=True)[0].divisors == (whole, whole)


def test_brackets_without_end_are_no_list() -> None:
    assert tabled_entries(['{"a": ' + "[" * 100_000] * 8) == []
