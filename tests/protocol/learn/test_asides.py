"""What stands beside a word's deed in its description, old units, states in answers, staff menus; invented replies."""

from __future__ import annotations

import pytest

from protocol.learn.commands import loosened
from protocol.learn.dialogue import Role
from protocol.learn.sweeps.told import counts_told, told_range
from protocol.learn.sweeps.windows import Writing, named_writings
from protocol.learn.words.allow import Entry, judged, words_of
from protocol.learn.words.cells import registers_of
from protocol.learn.words.general import general_entries
from protocol.learn.words.opening import hinted
from protocol.learn.words.tokens import menu_of
from protocol.profiles.templates import SETTING_FIELDS, Template


@pytest.mark.parametrize(
    ("told", "role"),
    [
        ("makes one scan. Await ROAD CLEAR", Role.SWEEP),
        ("take one sweep, then says 'all clear'", Role.SWEEP),
        ("one sweep into the dark; says SAVED", Role.NEVER),  # it tells what was done
        ("clear the trace", Role.NEVER),
        ("shows the settings and whether the correction is loaded", Role.SETTINGS),
        ("shows the settings, and loads the correction", Role.NEVER),
        ("lists trace one: MHz, dB, degrees (see the card in the lid)", Role.DATA),
        ("lists what stands on the card", Role.NEVER),
        ("write down what came back", Role.DATA),
        ("write down the set-up", Role.NEVER),
    ],
)
def test_a_remark_beside_the_deed_is_no_deed(told: str, role: Role) -> None:
    assert judged(Entry("zonk", "zonk", told))[0] is role


@pytest.mark.parametrize(
    ("told", "role"),
    [
        ("lower edge, kilocycles", Role.START),
        ("upper edge in Mc/s", Role.STOP),
        ("how many readings", Role.POINTS),
        ("width of the detector filter, cycles a second", Role.BANDWIDTH),
        ("width of the sweep in megacycles", Role.SPAN),
        ("return loss level and angle", Role.DATA),
        ("output level", Role.NEVER),
        ("halts the free-running scans", Role.HOLD),
    ],
)
def test_words_of_the_trade(told: str, role: Role) -> None:
    assert judged(Entry("zonk", "zonk <v>", told))[0] is role or judged(Entry("zonk", "zonk", told))[0] is role


def test_old_units_are_written_as_the_new() -> None:
    assert named_writings("from 3 to 30 megacycles")[0] == Writing("mhz")
    assert named_writings("START <kc>")[0] == Writing("khz")


def test_a_range_may_be_told_in_capitals() -> None:
    assert told_range(["NO. 5 TO 333"]) and told_range(["use 5 thru 333"])
    assert counts_told(["NO. 5 TO 333"], 7) == [5, 333]


def test_what_takes_no_value_is_not_set_by_the_format_of_its_answer() -> None:
    listing = [
        Entry("lo", "lo <hz>", "lower edge of the sweep, Hz"),
        Entry("hi", "hi <hz>", "upper edge of the sweep, Hz"),
        Entry("n", "n <count>", "number of points"),
        Entry("give s11", "give s11", "reflection; a line for each point, the last one is the number of points"),
    ]
    assert [word.role for word in words_of(listing)] == [Role.START, Role.STOP, Role.POINTS, Role.DATA]


def test_a_word_that_tells_a_state_is_a_field() -> None:
    line = "f {start_mhz} to {stop_mhz} held"
    free = loosened(line, ["f 10.0 to 30.0 held", "f 10.0 to 35.0 free"])
    assert free == "f {start_mhz} to {stop_mhz} {word}"
    assert loosened("at {centre_hz:si}", ["at 3.5 kHz", "at 4 MHz"]) == "at {centre_hz:si}"
    assert Template.parse(free, SETTING_FIELDS).read(b"f 1.5 to 3 roaming") == {"start_hz": 1.5e6, "stop_hz": 3e6}
    assert loosened(line, ["f 10 to 30 MHz held by you"]) == "f {start_mhz} to {stop_mhz} {rest}"
    assert Template.parse("p {points} {rest}", SETTING_FIELDS).read(b"p 41 and so on, 7") == {"points": 41.0}
    assert loosened(line, ["q 10 to 30 free", "f ten to 30 free"]) == line  # of something else


def test_a_menu_goes_on_with_other_numbers_behind_a_heading() -> None:
    menu = [
        "Test desk of the works",
        "1 Lower edge, kHz   e.g. 1 7000",
        "2 Upper edge, kHz   e.g. 2 7200",
        "3 Number of points  e.g. 3 50",
        "4 One sweep",
        "Engineers only:",
        "31 Quick check",
    ]
    found = menu_of(menu)
    assert [entry.usage for entry in found] == ["1 <7000>", "2 <7200>", "3 <50>", "4", "31"]
    assert words_of(found)[-1].role is Role.NEVER
    assert menu_of([*menu[1:5], menu[6]]) == []  # no heading: the numbers may be anything


def test_a_line_that_says_for_whom_is_a_heading() -> None:
    found = general_entries(
        [
            "LO n    LOWER EDGE, MHZ",
            "HI n    UPPER EDGE, MHZ",
            "RUN     TAKE A SWEEP",
            "FOREMAN ONLY",
            "ZAP     TAKE A SWEEP",
        ]
    )
    assert {word.name: word.role for word in words_of(found)}["ZAP"] is Role.NEVER


def test_registers_by_number_have_a_verb_for_each_way() -> None:
    listing = [
        "Pnnn=v  set cell nnn     Gnnn?  show cell nnn",
        "001 lower edge, kHz",
        "002 upper edge, kHz",
        "003 number of points",
        "070 generator",
        "GO  one sweep",
    ]
    found = {word.name: word for word in words_of(registers_of(listing))}
    assert found["P001"].form == "P001={v}" and found["P001"].question == "G001?"
    assert [word.role for word in found.values()] == [Role.START, Role.STOP, Role.POINTS, Role.NEVER]
    assert registers_of([line for line in listing if "Pnnn" not in line]) == []


def test_numbered_parts_are_headings() -> None:
    listing = [
        "Part 1: choose.",
        " set lower 3   lower edge, MHz",
        " set upper 9   upper edge, MHz",
        "Part 2: do one sweep.",
        " look          wait for the bell",
        " copy s11      reflection",
        " copy s21      transmission",
    ]
    roles = {word.name: word.role for word in words_of(general_entries(listing))}
    assert roles == {
        "set lower": Role.START,
        "set upper": Role.STOP,
        "look": Role.UNKNOWN,
        "copy s11": Role.DATA,
        "copy s21": Role.DATA,
    }
    assert judged(Entry("scan", "scan", "wait for the bell"))[0] is Role.UNKNOWN
    assert judged(Entry("measure", "measure", "wait for the bell"))[0] is Role.SWEEP


def test_a_word_may_fill_its_column_with_two_parts() -> None:
    listing = [
        "lo N         lower edge, MHz",
        "hi N         upper edge, MHz",
        "dots N       number of points",
        "look         one sweep",
        "say echo     S11, reflection",
        "say crossing S21, transmission",
    ]
    roles = {word.name: word.role for word in words_of(general_entries(listing))}
    assert roles["say echo"] is roles["say crossing"] is Role.DATA


def test_a_word_that_refers_to_another_is_none() -> None:
    assert judged(Entry("frequency", "frequency", "see start, stop"))[0] is Role.UNKNOWN


def test_a_number_may_show_the_list() -> None:
    assert hinted(["sorry: 9 lists the commands"])[0] == "9"
    assert hinted(["no, 9 formats it", "store 9 for the user"]) == []
