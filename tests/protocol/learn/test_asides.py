"""What stands beside a word's deed in its description, old units, states in answers, staff menus; invented replies."""

from __future__ import annotations

import pytest

from protocol.learn.commands import loosened
from protocol.learn.dialogue import Role
from protocol.learn.sweeps.told import counts_told, told_range
from protocol.learn.sweeps.windows import Writing, named_writings
from protocol.learn.words.allow import SENT, Entry, judged, words_of
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
    free = loosened(line, [["f 10.0 to 30.0 held"], ["f 10.0 to 35.0 free"]])
    assert free == "f {start_mhz} to {stop_mhz} {word}"
    assert Template.parse(free, SETTING_FIELDS).read(b"f 1.5 to 3 roaming") == {"start_hz": 1.5e6, "stop_hz": 3e6}
    assert loosened("at {centre_hz:si}", [["at 3.5 kHz", "at 4 MHz"]]) == "at {centre_hz:si}"
    assert loosened(line, [["f 10 to 30 MHz held by you"]]) == "f {start_mhz} to {stop_mhz} {rest}"
    assert Template.parse("p {points} {rest}", SETTING_FIELDS).read(b"p 41 and so on, 7") == {"points": 41.0}
    assert loosened(line, [["q 10 to 30 free", "f ten to 30 free"]]) == line  # of something else


def test_rows_of_a_page_are_told_by_their_names() -> None:
    page = [["| low | 10 |", "| high | 20 |", "| dots | 41 |"], ["| low | 11 |", "| high | 20 |", "| dots | 51 |"]]
    assert loosened("| dots | {points} |", page) == "| dots | {points} |"
    assert loosened("| dots | {points} |", [*page, ["| low | 11 |", "| high | 20 |"]]) == "| dots | {points} |"


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


def _roles(*rows: tuple[str, str]) -> dict[str, Role]:
    return {word.name: word.role for word in words_of([Entry(usage.split()[0], usage, told) for usage, told in rows])}


def test_the_thing_whose_ends_are_set_is_swept() -> None:
    rows = [("hither <kHz>", "near edge of the meadow, kHz"), ("yonder <kHz>", "far edge of the meadow, kHz")]
    roles = _roles(*rows, ("posts <n>", "how many posts stand in it, 3-250"), ("mow", "mow the meadow once"))
    assert list(roles.values()) == [Role.START, Role.STOP, Role.POINTS, Role.SWEEP]
    assert _roles(*rows, ("mow", "mow the meadow once"), ("rake", "rake the meadow once"))["mow"] is Role.UNKNOWN
    assert _roles(*rows, ("mow", "burn the meadow once"))["mow"] is Role.NEVER
    assert _roles(*rows, ("ring", "ring the bell once"))["ring"] is Role.UNKNOWN
    assert _roles(*rows, ("tries <n>", "how many retries, 3-250"))["tries"] is Role.UNKNOWN


def test_a_word_that_names_settings_shows_them() -> None:
    rows = [("aa <MHz>", "lower edge, MHz"), ("bb <MHz>", "upper edge, MHz")]
    assert _roles(*rows, ("see", "shows aa and bb"), ("say", "shows the clock"))["see"] is Role.SETTINGS
    assert _roles(*rows, ("go2", "one glide from aa to bb"))["go2"] is Role.SWEEP


def test_a_table_may_count_its_rows_and_show_how_a_word_is_used() -> None:
    table = [
        "No  Word   Takes   Meaning",
        " 1  lo     kHz     lower edge",
        " 2  hi     kHz     upper edge",
        " 3  go     -       one sweep",
        " 4  zap    -       erase",
    ]
    assert {word.name: word.role for word in words_of(general_entries(table))} == {
        "lo": Role.START, "hi": Role.STOP, "go": Role.SWEEP, "zap": Role.NEVER
    }  # fmt: skip
    used = ["L: lower edge, MHz   L 12.5", "H: upper edge, MHz   H 40", "N: points   N 50", "G: one sweep"]
    assert [entry.usage for entry in general_entries(used)] == ["L <12.5>", "H <40>", "N <50>", "G"]


@pytest.mark.parametrize(
    ("usage", "told", "role"),
    [
        ("k <n>", "number of points (3-900, default 101)", Role.POINTS),
        ("k <MHz>", "start frequency, 140 at power-on", Role.START),
        ("k <MHz>", "stop frequency (lost at power off)", Role.STOP),
        ("k", "corrected S11, re im", Role.DATA),
        ("k", "S21 (uncorrected)", Role.DATA),
        ("k", "prints the stored reflection", Role.DATA),
        ("k", "list reflected power ratio, dB and phase", Role.DATA),
        ("k", "settings, firmware version and temperature", Role.SETTINGS),
        ("k", "show settings and serial number", Role.SETTINGS),
        ("k", "one sweep; the data stay in memory", Role.SWEEP),
        ("k", "sets the default", Role.NEVER),
        ("k", "restores default 1", Role.NEVER),
        ("k", "show settings and store them", Role.NEVER),
        ("k", "corrects S11", Role.NEVER),
        ("k", "store the reflection", Role.NEVER),
        ("k", "settings, erase battery data", Role.NEVER),
        ("k", "generator off", Role.NEVER),
        ("k <n>", "reflected power", Role.UNKNOWN),
    ],
)
def test_what_a_description_only_mentions_does_no_harm(usage: str, told: str, role: Role) -> None:
    assert judged(Entry("k", usage, told))[0] is role


def test_numbers_that_the_listing_says_are_typed_may_leave_gaps() -> None:
    rows = ["10 lower edge, MHz", "11 upper edge, MHz", "20 points", "40 one sweep", "77 erase"]
    assert menu_of(rows) == []
    assert [entry.name for entry in menu_of([*rows, "type <code> or <code> <value>"])] == ["10", "11", "20", "40", "77"]


def test_two_plain_words_say_what_they_do() -> None:
    listing = ["pick low edge <MHz>", "pick high edge <MHz>", "pick points <n>", "run scan", "print reflection",
               "print settings", "delete calibration", "ring bell"]  # fmt: skip
    roles = {word.name: word.role for word in words_of(general_entries(listing))}
    assert roles["run scan"] is Role.SWEEP and roles["print reflection"] is Role.DATA
    assert roles["delete calibration"] is Role.NEVER and "ring bell" not in roles
    assert _roles(("LINE GO", "do it"), ("SCAN GO", "do it"))["SCAN"] is Role.UNKNOWN  # the word alone is another
    assert judged(Entry("SCAN GO", "SCAN GO", "do it"))[0] is Role.SWEEP


def test_what_is_typed_may_stand_behind_a_label_with_both_its_places() -> None:
    listing = ["1) tuning range:  tr <low MHz> <high MHz>", "2) how fine:  dv <points 3..801>", "3) sweep:  go",
               "4) reflection:  rr", "5) transmission:  tt", "6) factory state:  zz"]  # fmt: skip
    found = {word.name: word for word in words_of(general_entries(listing))}
    assert found["tr"].form == "tr {start} {stop}" and found["dv"].role is Role.POINTS
    assert found["zz"].role is Role.NEVER


@pytest.mark.parametrize(
    ("role", "told"),
    [
        (Role.SWEEP, ("single-shot", "initiate a scan", "goes through all frequencies once", "does 1 sweep")),
        (Role.DATA, ("return loss and phase", "insertion gain, dB and degrees", "what comes out at port 2")),
        (Role.SETTINGS, ("read back", "present state", "status of all settings")),
        (Role.NEVER, ("the level is set to 3", "record the correction", "initiate the erase")),
        (Role.UNKNOWN, ("goes to the next channel", "same as before", "start of the hour", "gain")),
    ],
)  # fmt: skip
def test_phrases_for_what_takes_no_value(role: Role, told: tuple[str, ...]) -> None:
    assert [judged(Entry("zonk", "zonk", one))[0] for one in told] == [role] * len(told)


@pytest.mark.parametrize(
    ("role", "told"),
    [
        (Role.START, ("from n MHz", "left end", "begin with n kHz")),
        (Role.STOP, ("up to n MHz", "right end", "end point, MHz")),
        (Role.POINTS, ("divide it into n points", "as many readings as n, 2 to 300", "grid of n points")),
        (Role.BANDWIDTH, ("how wide the receiver listens, Hz", "detector bandwidth", "noise bandwidth")),
        (Role.UNKNOWN, ("from the shelf", "to the left", "many happy returns")),
    ],
)
def test_phrases_for_what_takes_a_value(role: Role, told: tuple[str, ...]) -> None:
    assert [judged(Entry("zonk", "zonk n", one))[0] for one in told] == [role] * len(told)


@pytest.mark.parametrize(
    ("said", "word"),
    [
        ("no such order. PAPERS shows all orders", "PAPERS"),
        ("what? k = menu", "k"),
        ("eh (menu: Q)", "Q"),
        ("type /help", "/help"),
        ("press x for the list", "x"),
        ("type GUIDE and see", "GUIDE"),
        ("type `zed` to see the commands", "zed"),
        ("type burn, h for help", "h"),
        ("PAPERS shows the clock", ""),
        ("wipe = list", ""),
    ],
)
def test_a_refusal_tells_which_word_lists(said: str, word: str) -> None:
    assert hinted([said])[:1] == ([word] if word else [])


def test_groups_of_words_behind_a_label() -> None:
    listing = [
        "Give:   lo <MHz> | hi <MHz> | points <n>",
        "Do:     sweep",
        "Ask:    refl | tran | version",
        "Never:  zap | store",
    ]
    roles = {word.name: word.role for word in words_of(general_entries(listing))}
    assert roles["lo"] is Role.START and roles["tran"] is Role.DATA and roles["zap"] is Role.NEVER


def test_columns_of_places_and_two_told_in_one_text() -> None:
    listing = ["wide    f  MHz  last frequency of the sweep", "narrow  f  MHz  first frequency of the sweep",
               "dots    n  -    number of points", "aa      -  -    one sweep"]  # fmt: skip
    assert [entry.usage for entry in general_entries(listing)] == ["wide <MHz>", "narrow <MHz>", "dots <n>", "aa"]
    both = [
        "  QA f   QB f     first and last frequency, MHz",
        "  QC n            number of points",
        "  QD              sweep",
        "  QE     QF       S11 and S21 of the sweep",
    ]
    told = {entry.name: entry.description for entry in general_entries(both)}
    assert told["QA"] == "first frequency, MHz" and told["QB"] == "last frequency, MHz" and told["QF"].startswith("S21")


@pytest.mark.parametrize(
    "told",
    [
        "one shot of the noise diode",
        "record one curve as the new normal",
        "scan once and adopt as baseline",
        "copies S11 over S21",
        "signal from 10 MHz",
        "starts a signal at this frequency",
        "left port on at this frequency",
        "how wide the pulse is, Hz",
        "new sweep table",
        "goes through the whole memory once and blanks it",
        "settings to be kept",
    ],
)
def test_phrases_that_only_sound_like_a_sweep(told: str) -> None:
    assert (
        judged(Entry("zonk", "zonk <MHz>", told))[0] not in SENT and judged(Entry("zonk", "zonk", told))[0] not in SENT
    )


def test_topics_with_their_words_are_no_words_of_the_list() -> None:
    topics = [
        "groups (help <group> tells more):",
        " scan   scan engine: lower, upper, count, go",
        " cor    error terms: run, off",
        " mem    memory: save, wipe",
    ]
    assert not {"lower", "upper"} & {entry.name for entry in general_entries(topics)}


@pytest.mark.parametrize(
    ("description", "role"),
    [
        ("where to begin, kc. bottom is 100, top is 60000", Role.START),
        ("where it ends, MHz (lowest is 1, highest is 900)", Role.STOP),
        ("middle, kHz; minimum is 150 and maximum is 30000", Role.CENTRE),
    ],
)
def test_how_far_a_value_may_go_is_no_end_of_the_sweep(description: str, role: Role) -> None:
    assert judged(Entry("x", "x <5>", description))[0] is role
