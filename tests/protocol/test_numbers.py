"""The quick way from text to numbers says what the careful one says, whatever happened to the text."""

from __future__ import annotations

import dataclasses
import random
import re

import numpy as np
import pytest

from protocol.dialects import numbers
from protocol.dialects.exchange import WireError
from protocol.dialects.numbers import PointTable, number_list
from protocol.profiles.profile import load_profile

POINTS = 12
LONG_EXPONENT = re.compile(rb"[eE][+-]?[0-9]{4}")


def table() -> PointTable:
    console = load_profile("console-lines").console
    assert console is not None
    return PointTable.of(dataclasses.replace(console.reads[0], heading=None), console.in_end)


def outcome(reader: PointTable, body: bytes) -> str:
    try:
        columns = reader.columns(body, POINTS, "'table'")
    except WireError as error:
        return str(error)
    return " ".join(str(column.tobytes()) for column in columns.values())


def damaged(rng: random.Random, body: bytes) -> bytes:
    at, other = rng.randrange(len(body)), rng.randrange(len(body))
    sign = rng.choice(b"0123456789+-.eE ,\t\r\nx")
    return rng.choice(
        [
            body[:at] + bytes([sign]) + body[at + 1 :],
            body[:at] + bytes([sign]) + body[at:],
            body[:at] + body[at + 1 :],
            body[: min(at, other)] + body[max(at, other) :],
            body,
        ]
    )


def test_a_table_is_taken_or_refused_alike() -> None:
    rng = random.Random(3)
    quick = table()
    careful = dataclasses.replace(quick, fast=False)
    assert quick.fast
    rows = [
        f"{450e6 + i:.0f} {rng.gauss(0, 1):.9e} {rng.gauss(0, 1):.6f} {rng.gauss(0, 1e-5):.9e} .5\r\n"
        for i in range(POINTS)
    ]
    whole = "".join(rows).encode()
    taken = 0
    for _ in range(3000):
        body = damaged(rng, whole)
        if LONG_EXPONENT.search(body):
            continue  # a number to NumPy, as 1e0001 is 10; the pattern has three digits at most
        said = outcome(quick, body)
        assert said == outcome(careful, body), body
        taken += said == outcome(quick, whole)
    assert taken > 300


@pytest.mark.parametrize(
    "text", [b"1,2,3", b"1, 2 ,3", b"1,,3", b"1,2,", b"1 2,3", b"", b"1.2.3,4", b"1-2", b"--1", b"1e,2"]
)
def test_a_list_is_taken_or_refused_alike(text: bytes, monkeypatch: pytest.MonkeyPatch) -> None:
    def said() -> str:
        try:
            return str(number_list(text, "'data'"))
        except WireError as error:
            return str(error)

    quick = said()
    monkeypatch.setattr(numbers, "_quick", lambda *_: None)
    assert quick == said()


def test_the_quick_way_is_taken() -> None:
    """A plain reply never meets the pattern."""
    quick = dataclasses.replace(table(), pattern=None)  # type: ignore[arg-type]
    body = b"450000000 1.5e-1 -2 3 .25\r\n" * POINTS
    np.testing.assert_array_equal(quick.columns(body, POINTS, "'table'")["s21_im"], [0.25] * POINTS)
