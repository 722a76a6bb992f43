"""The template language: what is written into commands, and what a reply line must look like to be believed."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from protocol.profiles.templates import DATA_FIELDS, SETTING_FIELDS, Template, decimal_text, setting_values
from protocol.sweep import SweepSettings

POINT = Template.parse("{frequency_mhz}: {s11_re} {s11_im}", DATA_FIELDS)


def test_commands_are_filled_in_the_units_they_name() -> None:
    values = setting_values(SweepSettings(450e6, 455e6, 201, 300.0, -10.5), resolution_hz=1.0)
    for source, text in (
        ("a {start_hz} {stop_hz}", "a 450000000 455000000"),
        ("a {start_khz}k", "a 450000k"),
        ("{centre_mhz}/{span_mhz}", "452.5/5"),
        ("{step_hz} {points}", "25000 201"),
        ("{stop_ghz}", "0.455"),
        ("{bandwidth_hz},{level_dbm}", "300,-10.5"),
    ):
        assert Template.parse(source, SETTING_FIELDS).fill(values) == text


def test_frequencies_are_rounded_to_the_wires_resolution() -> None:
    values = setting_values(SweepSettings(450e6 + 3.4, 455e6 + 6.0, 11, 300.0), resolution_hz=10.0)
    assert (values["start_hz"], values["stop_hz"]) == (450e6, 455e6 + 10)


@given(st.floats(1e-3, 1e12))
def test_decimals_have_no_exponent_and_lose_nothing_that_matters(value: float) -> None:
    text = decimal_text(value)
    assert "e" not in text.lower() and float(text) == pytest.approx(value, rel=1e-9, abs=1e-12)


def test_lines_are_read_in_hertz() -> None:
    assert POINT.read(b" 450.25:   -1e-3\t.5 ") == {"frequency_hz": 450.25e6, "s11_re": -1e-3, "s11_im": 0.5}


@pytest.mark.parametrize(
    "line",
    [
        b"450.25: 1 ", b"450.25: 1 2 3", b"450.25: 1 nan", b"450.25: 1 inf", b"450.25: 1 0x10", b"450.25: 1_0 2",
        b"450.25: 1.2.3 4", b"450.25: 1e 2", b"450.25: 1e5000 2", b"450.25: - 2", b"450.25 1 2", b"450.25:1 2",
        b"450.25: 1 2\x00", b"450.25: 1,5 2", b"450.25: 1 \xd9\xa1", b"", b"450.25: ++1 2",
    ],
)  # fmt: skip
def test_damaged_lines_are_not_read(line: bytes) -> None:
    assert POINT.read(line) is None


def test_literals_are_literal() -> None:
    odd = Template.parse("(a|b)* {points} [x].", SETTING_FIELDS)
    assert odd.read(b"(a|b)* 5 [x].") == {"points": 5.0}
    assert odd.read(b"a 5 x.") is None


def test_words_and_skipped_numbers() -> None:
    template = Template.parse("{skip} filter={bandwidth_code} end", SETTING_FIELDS)
    assert template.read(b"7 filter=wide end") == {"bandwidth_code": "wide"}


@pytest.mark.parametrize(
    ("reply", "start_hz"),
    [
        (b"430000000,440000000", 430e6),
        (b"430000000 Hz,440M", 430e6),
        (b"0,43G,440M", 430e6),
        (b"430.5M,440,5M", 430.5e6),
    ],
)
def test_a_comma_parts_numbers_where_no_suffix_follows_it(reply: bytes, start_hz: float) -> None:
    read = Template.parse("{start_hz:si},{stop_hz:si}", SETTING_FIELDS).read(reply)
    assert read is not None and read["start_hz"] == pytest.approx(start_hz)
