"""Figures keep their kind, and no number becomes text without its word."""

from __future__ import annotations

import json
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rf.values.figure import Figure, Kind, at_least, cant_say, inferred, reading, shifted
from rf.values.words import as_json, decimals_for, rounded_down, text

CASES = [
    (reading(1.3612, 1.26, 1.46, "dB"), "READING 1.36 ±0.11 dB"),
    (reading(94.9, 93.1, 97.7, "dB"), "READING 94.9 (93.1..97.7) dB"),
    (reading(0.0, -1e-5, 1e-5, "dB"), "READING 0.000 ±0.001 dB"),
    (reading(-0.004, -0.104, 0.096, "dB"), "READING 0.00 ±0.10 dB"),
    (reading(1e6, 1e6 - 300, 1e6 + 300, "Hz"), "READING 1000.0 ±0.3 kHz"),
    (at_least(74.18, "dB"), "AT LEAST 74.1 dB"),
    (at_least(74.0, "dB"), "AT LEAST 74.0 dB"),
    (at_least(-0.05, "dB"), "AT LEAST -0.1 dB"),
    (inferred(1432, 832, 2032, "Hz"), "INFERRED 1.4 ±0.6 kHz"),
    (inferred(450_003_321.0, 450_002_321.0, 450_004_321.0, "Hz"), "INFERRED 450.0033 MHz ±1.0 kHz"),
    (cant_say("dB", "no sample there"), "CAN'T SAY"),
]


@pytest.mark.parametrize(("figure", "expected"), CASES)
def test_text(figure: Figure, expected: str) -> None:
    assert text(figure) == expected


def test_signed_offsets_show_their_sign() -> None:
    assert text(inferred(1432, 832, 2032, "Hz"), signed=True) == "INFERRED +1.4 ±0.6 kHz"


@given(st.floats(-200, 200), st.floats(0, 50), st.floats(0, 50), st.sampled_from(["READING", "INFERRED"]))
def test_every_text_begins_with_its_word(value: float, below: float, above: float, word: str) -> None:
    make = reading if word == "READING" else inferred
    assert text(make(value, value - below, value + above, "dB")).startswith(f"{word} ")


@given(st.floats(-200, 200), st.integers(0, 3))
def test_a_printed_bound_never_promises_more(bound: float, decimals: int) -> None:
    assert rounded_down(bound, decimals) <= bound + 2e-6


@pytest.mark.parametrize(
    ("half_width", "decimals"),
    # JCGM 100:2008, 7.2.6: at most two significant digits in an uncertainty.
    [(0.1, 2), (0.29, 2), (0.3, 1), (0.95, 1), (1.2, 1), (3.0, 0), (25.0, 0), (0.012, 3), (0.0, 3), (math.nan, 3)],
)
def test_decimals(half_width: float, decimals: int) -> None:
    assert decimals_for(half_width) == decimals


def test_json_has_no_infinities() -> None:
    for figure, _ in CASES:
        json.dumps(as_json(figure), allow_nan=False)
    assert as_json(at_least(74.1, "dB")) | {"limited_by": "", "why": ""} == {
        "value": 74.1, "unit": "dB", "kind": "at_least", "low": 74.1, "high": None, "confidence": 0.95,
        "limited_by": "", "why": "",
    }  # fmt: skip
    assert as_json(cant_say("dB", "x"))["kind"] == "cannot_say"


@pytest.mark.parametrize(
    "fields",
    [
        (Kind.READING, "dB", 5.0, 6.0, 7.0),
        (Kind.READING, "dB", math.inf, 0.0, math.inf),
        (Kind.AT_LEAST, "dB", 5.0, 4.0, math.inf),
        (Kind.AT_LEAST, "dB", math.inf, math.inf, math.inf),
        (Kind.CANT_SAY, "dB", 5.0, 4.0, 6.0),
    ],
)
def test_figures_that_contradict_themselves_do_not_exist(fields: tuple[Kind, str, float, float, float]) -> None:
    with pytest.raises(ValueError, match=r"figure|bound|value"):
        Figure(*fields)


def test_only_readings_and_bounds_may_support_a_pass() -> None:
    assert [f.may_support_pass for f in (at_least(1, "dB"), inferred(1, 0, 2, "dB"), cant_say("dB", "x"))] == [
        True, False, False,
    ]  # fmt: skip


def test_shifting_keeps_the_kind() -> None:
    moved = shifted(inferred(455e6, 454e6, 456e6, "Hz"), -455e6)
    assert (moved.kind, moved.value, moved.low, moved.high) == (Kind.INFERRED, 0.0, -1e6, 1e6)
