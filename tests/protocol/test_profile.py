"""Profiles: what ships can be read, and each mistake is one line that names file, line and key."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from protocol.dialects import make_dialect
from protocol.dialects.events import Apply, Event, Identify, ReadSettings, Request, TakeSweep
from protocol.errors import RequestError
from protocol.profiles.profile import load_profile, parse_profile, profile_names
from protocol.sweep import SweepSettings

TEXT = Path(load_profile("console-lines").source).read_text(encoding="utf-8")
TRACES = Path(load_profile("console-traces").source).read_text(encoding="utf-8")
SCPI = Path(load_profile("scpi").source).read_text(encoding="utf-8")
REGISTERS = Path(load_profile("registers").source).read_text(encoding="utf-8")


def line_of(text: str, part: str) -> int:
    return next(number for number, line in enumerate(text.splitlines(), 1) if part in line)


def test_shipped_profiles_are_valid_and_differ_in_shape() -> None:
    profiles = {name: load_profile(name) for name in profile_names()}
    assert {"console-lines", "console-traces", "scpi"} <= set(profiles)
    lines, traces = profiles["console-lines"].console, profiles["console-traces"].console
    assert lines is not None and traces is not None
    assert lines.echo != traces.echo and lines.in_end != traces.in_end and len(lines.reads) != len(traces.reads)
    assert profiles["console-lines"].corrects_itself and not profiles["console-traces"].corrects_itself


def test_a_path_and_a_name_give_the_same(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(TEXT, encoding="utf-8")
    assert load_profile(path) == load_profile("console-lines")
    assert load_profile(path).source == str(path)


@pytest.mark.parametrize(
    ("base", "old", "new", "key", "says"),
    [
        ("text", "schema = 1", "schema = 2", "schema", "reads schema 1"),
        ("text", 'family = "console"', 'family = "morse"', "family", "must be one of"),
        ("registers", 'byte_order = "big"', 'byte_order = "middle"', "registers.byte_order", "must be one of"),
        ("registers", '"6D {address:2} {width}"', '"6D {width}"', "registers.read", "needs {address}"),
        ("registers", '"6D {address:2} {width}"', '"6D {address:2} {count}"', "registers.read", "can't hold {count}"),
        ("registers", '"6D {address:2} {width}"', '"6X {address:2}"', "registers.read", "not bytes in hexadecimal"),
        ("registers", '"index u2"', '"index u3"', "registers.record", "not a field and a kind"),
        ("registers", '"through_re i4", ', "", "registers.record", "must give s11 and s21"),
        ("registers", '"reflected_re i4"', '"reference_re i4"', "registers.record", "read twice"),
        ("registers", "codes = [1, 2, 3, 4, 5, 6]", "codes = [1, 2]", "registers.map.bandwidth.codes", "one per value"),
        ("registers", "value = 0x494E5641", "", "registers.map.identity.value", "is missing"),
        ("registers", "[registers.map.step_hz]", "[registers.map.stop]", "registers.map.step_hz", "one of stop_hz"),
        ("registers", "[registers.map.trigger]", "[registers.map.stop]", "registers.map.trigger", "needs clear"),
        ("registers", "[registers.map.level_dbm]", "[registers.map.nonsense]", "registers.map.nonsense", "not a known"),
        ("text", "max_points = 401", "max_points = 4", "limits.max_points", "not be below"),
        ("text", "max_points = 401", 'max_points = "401"', "limits.max_points", "must be a number"),
        ("text", "max_points = 401", "max_points = 401.5", "limits.max_points", "whole number"),
        ("text", "stop_hz = 1_000_000_000", "stop_hz = 1000", "limits.stop_hz", "above start_hz"),
        ("text", "[30, 100, 300", "[30, 300, 100", "limits.bandwidths_hz", "rising order"),
        ("text", "level_dbm = [-40, 0]", "level_dbm = [-40]", "limits.level_dbm", "two numbers"),
        ("text", "settling_s = 0.0002", "settling_s = nan", "timing.settling_s", "must be a number"),
        ("text", "echo = true", 'echo = "yes"', "console.echo", "true or false"),
        ("text", "echo = true", "eccho = true", "console.echo", "is missing"),
        ("text", "echo = true", "echo = true\nloud = true", "console.loud", "not a known key"),
        ("text", r'out_end = "\r"', 'out_end = "x"', "console.out_end", "must be one of"),
        ("text", "drive {level_dbm}", "drive {volume}", "console.commands.level", "unknown field {volume}"),
        ("text", "drive {level_dbm}", "drive {level_dbm", "console.commands.level", "without its partner"),
            ("text", 'level = "drive {level_dbm}"', "", "console.commands.level", "is missing"),
        ("text", "{start_hz} {stop_hz} {points}", "{start_hz} {points}", "console.commands.span", "start and stop"),
        ("text", "{start_hz} {stop_hz} {points}", "{start_hz} {stop_hz}", "console.commands.points", "number of"),
        ("text", 'sweep = "measure"', "", "console.commands.sweep", "pause and resume"),
        ("text", "{s21_re} {s21_im}", "{s21_re} {skip}", "console.reads", "s21 needs"),
        ("text", "{s21_re} {s21_im}", "{s11_re} {s21_im}", "console.reads", "read twice"),
        ("text", "{s21_re} {s21_im}", "{skip} {skip}", "console.reads", "must give s11 and s21"),
        ("text", "heading = ", "header = ", "console.reads[0].header", "not a known key"),
        ("text", "points {points}\", ", "points {pointz}\", ", "console.readback[0].lines", "unknown field"),
        ("traces", '["narrow", "middle", "wide"]', '["narrow"]', "console.bandwidth_codes", "one entry per value"),
        ("traces", '"steps?"', '"steps? {points}"', "console.readback[2].command", "unknown field"),
        ("scpi", "min_bandwidth_hz = 1", "", "limits.min_bandwidth_hz", "is missing"),
        ("scpi", 'format = "real64"', 'format = "real16"', "scpi.format", "must be one of"),
        ("scpi", 'data = "CALCulate:DATA? SDATA"', 'data = ""', "scpi.data", "must not be empty"),
    ],
)  # fmt: skip
def test_each_mistake_is_one_line_naming_file_and_key(base: str, old: str, new: str, key: str, says: str) -> None:
    text = {"text": TEXT, "traces": TRACES, "scpi": SCPI, "registers": REGISTERS}[base]
    assert old in text
    with pytest.raises(RequestError) as caught:
        parse_profile(text.replace(old, new, 1), "mine.toml")
    message = str(caught.value)
    assert message.startswith("mine.toml, line ") and f": {key}: " in message and says in message
    assert "\n" not in message


def test_the_line_is_the_keys_own() -> None:
    with pytest.raises(RequestError, match=f"line {line_of(TEXT, 'drive {level_dbm}')}: console.commands.level"):
        parse_profile(TEXT.replace('"drive {level_dbm}"', "3"), "mine.toml")
    third = [n for n, line in enumerate(TRACES.splitlines(), 1) if line == "[[console.readback]]"][2]
    with pytest.raises(RequestError, match=f"line {third + 1}: console.readback\\[2\\].command"):
        parse_profile(TRACES.replace('"steps?"', "1"), "mine.toml")


def test_broken_toml_names_the_line() -> None:
    with pytest.raises(RequestError, match=r"^mine.toml: not valid TOML: .*line 2"):
        parse_profile("schema = 1\nfamily =\n", "mine.toml")


def test_missing_files_and_names() -> None:
    with pytest.raises(RequestError, match="No such file"):
        load_profile("/nowhere/mine.toml")
    with pytest.raises(RequestError, match="there are: console-lines"):
        load_profile("no-such-profile")


CHANGES = ("drop", "double", "swap", "value")
VALUES = ('""', "0", "-1", "true", "[]", '"{"', '"%"', '"x y"', '"{points}"', "1e300", "nan", '"\u00e9"', "[1]")
ANSWERS = (b"1\n", b'0,"No error"\n', b"% ", b"your turn: ", b"fault\n", b"0,1;1,0;2,3\n", b"x\r\n")


@settings(max_examples=300, deadline=None)
@given(
    st.sampled_from([TEXT, TRACES, SCPI]),
    st.lists(
        st.tuples(st.integers(0, 70), st.sampled_from(["drop", "double", "swap", "value"])), min_size=1, max_size=3
    ),
    st.sampled_from(
        ['""', "0", "-1", "true", "[]", '"{"', '"%"', '"x y"', '"{points}"', "1e300", "nan", '"\u00e9"', "[1]"]
    ),
    st.data(),
)
def test_a_damaged_profile_is_refused_or_works(
    text: str, changes: list[tuple[int, str]], value: str, data: st.DataObject
) -> None:
    """No change of lines and values leads to anything but a RequestError or a dialect that takes any bytes."""
    lines = text.splitlines()
    for place, kind in changes:
        at = place % len(lines)
        if kind == "drop":
            del lines[at]
        elif kind == "double":
            lines.insert(at, lines[at])
        elif kind == "swap":
            lines[at], lines[at - 1] = lines[at - 1], lines[at]
        else:
            lines[at] = lines[at].partition("=")[0] + "= " + value
    try:
        profile = parse_profile("\n".join(lines), "mine.toml")
    except RequestError as error:
        assert "\n" not in str(error) and str(error).startswith("mine.toml")
        return
    wanted = SweepSettings(450e6, 451e6, 3, 1000.0)
    requests: list[Request] = [Identify(), ReadSettings(), Apply(wanted), TakeSweep(wanted)]
    for request in requests:
        box = make_dialect(profile)
        try:
            box.start(request)
        except RequestError:
            continue
        for answer in data.draw(st.lists(st.sampled_from(ANSWERS), max_size=6)):
            for event in box.receive(answer):
                assert isinstance(event, Event)
