"""Read-back lines of a profile that was found, and guessed lines that an abbreviating console would take for others."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any, cast

import pytest

from protocol.learn.commands import PARTED_BY_COMMA, _combined_read, _merged, _read_line
from protocol.learn.dialogue import Role, Word
from protocol.learn.found import Found
from protocol.learn.sweeps.setters import Setters, line_with
from protocol.learn.sweeps.windows import Writing
from protocol.learn.words.guard import Guard
from protocol.learn.words.talk import Talk
from protocol.profiles.templates import SETTING_FIELDS, Template
from protocol.wire.link import Link


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


@pytest.mark.parametrize(
    ("answer", "then"),
    [
        ('{{"low":{},"high":{},"width":300}}', '{"low":5000,"high":9000,"width":1000}'),
        ('{{"fine":true,"now":{{"f0":{},"f1":{}}}}}', '{"fine":true,"now":{"f0":5000,"f1":9000}}'),
    ],
)
def test_brackets_of_an_answer_are_no_fields(answer: str, then: str) -> None:
    one, other = answer.format("{v}", 700), answer.format(400, "{v}")
    template = Template.parse(_merged(_read_line(one, "start_khz"), _read_line(other, "stop_khz")), SETTING_FIELDS)
    assert template.read(then.encode()) == {"start_hz": 5e6, "stop_hz": 9e6}


@pytest.mark.parametrize("answer", ["low 8000.000 high 9000.000 dots {}", "800 to 8005 in {} pieces"])
def test_a_number_that_begins_another_is_not_found_in_it(answer: str) -> None:
    assert line_with([answer.format(80)], "80", 80.0) == answer.format("{v}")


def test_a_suffix_is_told_once() -> None:
    """A field whose form has the suffix already."""
    trials: Any = SimpleNamespace(
        combined="band {start_hz:si} {stop_hz:si}", combined_texts=["430M", "450M"], writing=Writing("hz", "si"),
        combined_read=("band", ["a: 430M", "b: 450M"]),
    )  # fmt: skip
    found = Found()
    _combined_read(found, trials)
    assert found.readback == {"band": ["a: {start_hz:si}", "b: {stop_hz:si}"]}


@pytest.mark.parametrize(
    ("others", "sent"),
    [
        ([("settle", Role.NEVER)], False), ([("setlamp", Role.UNKNOWN)], False), ([("settle", Role.POINTS)], True),
        ([("settle", Role.NEVER), ("set gate", Role.UNKNOWN)], True), ([("reset", Role.NEVER)], True),
    ],
)  # fmt: skip
def test_no_guess_abbreviates_a_word_that_is_never_sent(others: list[tuple[str, Role]], sent: bool) -> None:
    """`set mid 100` where nothing is called `set`: a console that takes abbreviations would do what `settle` does."""
    mid = Word(1, "mid", "mid", "", Role.CENTRE, "")
    words = [mid, *(Word(n, name, name, "", role, "") for n, (name, role) in enumerate(others, 2))]
    setters = Setters(Talk(cast(Link, None), guard=Guard(words)), words, ())
    setters.permit(mid)
    assert ("set mid {v}" in list(setters.set_forms(mid))) is sent
    assert "mid {v}" in list(setters.set_forms(mid))
