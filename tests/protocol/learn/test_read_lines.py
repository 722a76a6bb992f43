"""Read-back lines of a profile that was found: what is a field, what is skipped, what nobody could read."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest

from protocol.learn.commands import PARTED_BY_COMMA, _combined_read, _read_line
from protocol.learn.found import Found
from protocol.learn.sweeps.windows import Writing
from protocol.profiles.templates import SETTING_FIELDS, Template


@pytest.mark.parametrize(
    ("line", "name", "then", "value"),
    [
        ("02FAF080,1DCD6500,{v}", "points", "000F4240,1DCD6500,51", 51.0),
        ("{v} 1DCD6500 21", "start_hz:hex", "000F4240 02FAF080 51", 1e6),
    ],
)
def test_other_frequencies_of_a_hexadecimal_line_are_skipped(line: str, name: str, then: str, value: float) -> None:
    template = Template.parse(_read_line(line, name, hexed=True), SETTING_FIELDS)
    found = template.read(then.encode())
    assert found is not None and found[name.partition(":")[0]] == value


@pytest.mark.parametrize(
    ("line", "unreadable"),
    [
        ("{start_mhz:comma},{skip},{skip}", True), ("{skip},{span_mhz:comma}", True), ("350,{start_mhz:comma}", True),
        ("{start_mhz:comma};{skip}", False), ("from {start_mhz:comma}, MHz", False),
    ],
)  # fmt: skip
def test_a_comma_that_parts_and_is_a_decimal_sign_reads_nothing(line: str, unreadable: bool) -> None:
    assert bool(PARTED_BY_COMMA.search(line)) is unreadable


def test_a_suffix_is_told_once() -> None:
    """A field whose form has the suffix already."""
    trials: Any = SimpleNamespace(
        combined="band {start_hz:si} {stop_hz:si}", combined_texts=["430M", "450M"], writing=Writing("hz", "si"),
        combined_read=("band", ["a: 430M", "b: 450M"]),
    )  # fmt: skip
    found = Found()
    _combined_read(found, trials)
    assert found.readback == {"band": ["a: {start_hz:si}", "b: {stop_hz:si}"]}
