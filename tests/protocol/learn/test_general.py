"""Listings in layouts that nobody knows beforehand: what each word is, how it is set, which are never sent."""

from __future__ import annotations

import time

import pytest

from protocol.learn.dialogue import Role, Word
from protocol.learn.words.allow import SENT, words_of
from protocol.learn.words.general import general_entries, topics_of
from protocol.learn.words.plans import A_SPAN, ranked, worth
from protocol.learn.words.tokens import entries_of

TWO_COLUMNS = """Commands (case does not matter):
  SF <MHz>   start frequency      EF <MHz>   end frequency
  PT <n>     points 2..1001       RB <Hz>    resolution bandwidth
  GO         trigger a sweep      RD A       read reflection (re,im)
  RD B       read transmission    VR         version
  SV         save setup           CL         run calibration"""
LABELLED = """SWEEP   LA <HZ> LOWER FREQUENCY   UA <HZ> UPPER FREQUENCY
        PN <N> NUMBER OF POINTS   QS SHOW SETTINGS
        GO TAKE ONE SWEEP
DATA    R11 LIST S11              R21 LIST S21
MEMORY  SV <0-9> SAVE SETTINGS    RC <0-9> RECALL SETTINGS"""
VERBS = """Params (set with 'p NAME VALUE', read with 'p NAME'):
 fa      start of sweep [Hz]
 fb      end of sweep [Hz]
 np      number of points [2..1024]
Actions (run with 'x NAME'):
 scan    one sweep
 store   params to flash
Results (get with 'r NAME'):
 s11     complex reflection
 s21     complex transmission"""
FLAGS = """sweep -s START -e STOP -n POINTS   configure the sweep (Hz)
trigger                            perform a single sweep and wait
data s11|s21                       dump the trace, one complex value per line
reboot"""
BY_LETTERS = """FREQ a,b    set sweep from a to b (MHz)
RUN         run single sweep
S11         list S11
ZAP         clear memories"""
DEFINED = """grid                                  show the grid
grid <lo> <hi> <num> <bw>             set the grid of the sweep
     lo and hi in MHz, 1 to 900; num 2 to 401;
     bw = receiver bandwidth in Hz, 100, 1000 or 5000
measure                               measures the grid and lists MHz, S11, S21
save                                  the grid survives power off"""
EXAMPLES = """1. set low 10 MHz      where the sweep begins
2. set high 200 MHz    where the sweep ends
3. set points 101      how many points, 11 to 501
4. take sweep          measures once; wait for 'Sweep finished.'
5. show reflection     lists S11 of the last sweep
6. show transmission   lists S21 of the last sweep
7. erase memory        careful!"""
FORM = """ 1  Start frequency (MHz)........... 1.0000
 2  Stop frequency (MHz)............ 250.0000
 3  Number of points (10-250)....... 50
Fill in a field by its number, for example  3=100
M measure   R print reflection (S11)   T print transmission (S21)
Z zero      G generator                E erase"""
PAIRS = """SET CENTRE value unit      CENTRE FREQUENCY. UNIT IS HZ, KHZ, MHZ OR GHZ
SET SPAN value unit        SWEPT SPAN ABOUT THE CENTRE
SET POINTS value           5 TO 801
GET CENTRE / SPAN / POINTS
MEASURE                    STARTS ONE SWEEP
READ S11                   REFLECTION AT PORT 1, DB,DEGREES PER POINT
READ S21                   TRANSMISSION PORT 1 TO PORT 2, SAME
SOURCE ON / OFF            FIXED OUTPUT AT CENTRE"""


def best_of(text: str) -> dict[str, Word]:
    lines = text.splitlines()
    return {word.name: word for word in ranked([entries_of(lines), general_entries(lines)])[0]}


def sent(words: dict[str, Word]) -> dict[str, Role]:
    return {name: word.role for name, word in words.items() if word.role in SENT}


def test_words_in_two_columns_are_read_apart() -> None:
    assert sent(best_of(TWO_COLUMNS)) == {
        "SF": Role.START, "EF": Role.STOP, "PT": Role.POINTS, "RB": Role.BANDWIDTH, "GO": Role.SWEEP,
        "RD A": Role.DATA, "RD B": Role.DATA, "VR": Role.IDENTITY,
    }  # fmt: skip


def test_labels_before_the_first_column_are_no_words() -> None:
    assert sent(best_of(LABELLED)) == {
        "LA": Role.START, "UA": Role.STOP, "PN": Role.POINTS, "QS": Role.SETTINGS, "GO": Role.SWEEP,
        "R11": Role.DATA, "R21": Role.DATA,
    }  # fmt: skip


def test_names_go_behind_the_verb_that_stands_over_them() -> None:
    words = best_of(VERBS)
    assert sent(words) == {
        "p fa": Role.START, "p fb": Role.STOP, "p np": Role.POINTS, "x scan": Role.SWEEP, "r s11": Role.DATA,
        "r s21": Role.DATA,
    }  # fmt: skip
    assert (words["p fa"].form, words["p fa"].question) == ("p fa {v}", "p fa")
    assert words["x store"].role is Role.NEVER


@pytest.mark.parametrize(
    ("text", "name", "form"),
    [
        (FLAGS, "sweep", "sweep -s {start} -e {stop} -n {points}"),
        (DEFINED, "grid", "grid {start} {stop} {points} 1000"),
        (BY_LETTERS, "FREQ", "FREQ {start},{stop}"),
        ("conf lo=.. hi=.. n=..   sweep in kHz, in any order\nrun   one sweep\nlist   print S11 and S21",
         "conf", "conf lo={start} hi={stop} n={points}"),
    ],
)  # fmt: skip
def test_a_word_for_several_values_tells_which_is_which(text: str, name: str, form: str) -> None:
    word = best_of(text)[name]
    assert (word.role, word.form) == (Role.RANGE, form)


def test_a_place_that_nothing_tells_leaves_the_word_unsent() -> None:
    entries = general_entries(
        "plan a b c   sets all\nrun          one sweep\nlist         print S11 and S21".splitlines()
    )
    assert [entry.form for entry in entries if entry.name == "plan"] == [""]


def test_examples_stand_for_their_values() -> None:
    words = best_of(EXAMPLES)
    assert words["set low"].usage == "set low <10> MHz" and words["set points"].usage == "set points <101>"
    assert sent(words)["take sweep"] is Role.SWEEP and words["erase memory"].role not in SENT


def test_fields_are_set_by_their_numbers_where_an_example_says_so() -> None:
    words = best_of(FORM)
    assert words["1"].usage == "1=<value>" and words["R"].role is Role.DATA
    assert {"Z", "G", "E"}.isdisjoint(sent(words))


def test_a_question_beside_a_setting_is_no_word_of_its_own() -> None:
    words = best_of(PAIRS)
    assert words["SET SPAN"].role is Role.SPAN and words["SET SPAN"].question == "GET SPAN"
    assert "GET SPAN" not in words and "SOURCE ON" not in sent(words)


def test_a_grid_of_names_describes_nothing() -> None:
    grid = ["write      s11        points", "centre     show       upgrade", "service    reflection"]
    assert {entry.name: entry.description for entry in general_entries(grid)}["write"] == ""


def test_what_is_told_of_a_words_harm_anywhere_holds() -> None:
    lines = ["tune <n>   span of the sweep, kHz", "tune       store the reference", "run        one sweep",
             "list       print S11"]  # fmt: skip
    assert best_of("\n".join(lines))["tune"].role is Role.NEVER


def test_words_below_a_heading_that_keeps_users_off_are_never_sent() -> None:
    lines = ["First some words:", "  run      one sweep", "  list     print S11", "Leave these to me:",
             "  again    one sweep", "  more     print S21"]  # fmt: skip
    assert set(sent(best_of("\n".join(lines)))) == {"run", "list"}


def test_topics_are_those_that_the_text_of_help_names() -> None:
    named = ["Help topics: sweep, data, service.", "Type help and the topic."]
    assert topics_of(named, "help") == [
        "sweep",
        "data",
        "service",
    ]
    groups = ["groups (help <group> for more):", " swp    sweep: start, stop", " nv     flash", " sys    system"]
    assert topics_of(groups,
                     "help") == ["swp", "nv", "sys"]  # fmt: skip
    assert topics_of(["start n   start of the sweep", "stop n    end of the sweep"], "help") == []


def test_the_reading_that_makes_a_plan_comes_first() -> None:
    words = ranked([entries_of(TWO_COLUMNS.splitlines()), general_entries(TWO_COLUMNS.splitlines())])
    assert worth(words[0]) > A_SPAN and worth(words[0]) >= max(map(worth, words))


@pytest.mark.parametrize(
    "text",
    [
        """lo
    Start frequency of the sweep in MHz.
hi
    Stop frequency of the sweep in MHz.
num
    Number of points, 2 to 401.
go
    Runs one sweep.
refl
    Prints S11, one point per line.
keep
    Stores the setup in flash.""",
        """Lower frequency: lo (MHz)
Upper frequency: hi (MHz)
No. of points: num (2-801)
Sweep: go
Reflection data: refl
Store: keep""",
        """~ instructions ~
"lo 10" begin at 10 MHz
"hi 50" end at 50 MHz
"num 101" take 101 points
"go" sweep now
"refl" list S11
"keep" write to eeprom""",
        """lo?  lo=<kHz>   start of sweep
hi?  hi=<kHz>   end of sweep
num? num=<n>    number of points
go              sweep
refl            S11 as pairs of re,im
keep            setup to eeprom""",
        """start frequency ..... lo <MHz>
stop frequency ...... hi <MHz>
number of points .... num <n>
sweep once .......... go
S11 list ............ refl
store setup ......... keep""",
    ],
)
def test_a_word_stands_before_behind_or_above_what_it_is(text: str) -> None:
    assert sent(best_of(text)) == {
        "lo": Role.START, "hi": Role.STOP, "num": Role.POINTS, "go": Role.SWEEP, "refl": Role.DATA,
    }  # fmt: skip


def test_numbers_behind_one_word_name_traces_and_letters_may_be_words() -> None:
    numbered = "TRACE? 1   S11 DATA\nTRACE? 2   S21 DATA\nGO         ONE SWEEP\nKEEP       STORE ALL"
    assert set(sent(best_of(numbered))) == {"TRACE? 1", "TRACE? 2", "GO"}
    lettered = "A) Start frequency [MHz]\nB) Stop frequency [MHz]\nC) Sweep\nD) Print S11\nE) Calibration"
    assert set(sent(best_of(lettered))) == {"A", "B", "C", "D"}


@pytest.mark.parametrize(
    "line",
    [
        "start " + "1.." * 60 + "x",
        "a" + " |" * 90,
        "a" + " | b" * 60 + "  c d",
        "f" + "<n>" * 60 + "=",
        "set a" + "|b" * 90 + "|",
        "x" + ", y" * 90 + ";",
        "topics: " + "a, " * 90 + "!",
        "a " + "'b " * 90,
    ],
    ids=range(8),
)
def test_a_line_that_could_be_parted_in_a_billion_ways_is_read_at_once(line: str) -> None:
    began = time.process_time()
    general_entries([line] * 4)
    topics_of([line] * 4, "help")
    assert time.process_time() - began < 1.0


def test_a_word_that_gives_data_may_read_like_a_unit() -> None:
    """The second of two letters for the second trace; a unit that is only explained is no word."""
    words = {one.name: one.role for one in words_of(entries_of(TWO_LETTERS))}
    assert (words["da"], words["db"]) == (Role.DATA, Role.DATA) and "Hz" not in words


TWO_LETTERS = """fa <hz>   start frequency
fb <hz>   stop frequency
da   data of S11
db   data of S21
Hz   is the unit of all frequencies""".splitlines()
