"""What consoles tell in whole sentences, in sheets and around every reply; spreads beside what was measured."""

from __future__ import annotations

from contextlib import nullcontext

import numpy as np
import pytest

from protocol.dialects.reply import Manner
from protocol.learn.commands import loosened
from protocol.learn.dialogue import Role, Word
from protocol.learn.sweeps.acquire import Acquisition, Part, named_first
from protocol.learn.sweeps.axis import meaning_of
from protocol.learn.sweeps.shape import Shape
from protocol.learn.words.allow import SENT, Entry, judged, words_of
from protocol.learn.words.framing import closing_apart, numbered_alike, numbered_head, taken_heads
from protocol.learn.words.general import general_entries
from protocol.learn.words.plans import ranked
from protocol.learn.words.prose import prose_entries
from protocol.learn.words.talk import AsksError, asks
from protocol.learn.words.tokens import entries_of
from protocol.learn.words.wrapped import wrapped_entries

LETTER = """If you wish to choose the frequency at which the sweep begins, type the command bottom,
followed by megahertz between 1 and 900, for example: bottom 100
The frequency at which it ends is set by the command roof, for instance: roof 200
The command dots sets the number of points, from 5 to 500, like: dots 101
The command go takes one sweep; please wait until it says finished.
The command echo prints S11, and the command gain prints S21.
Do not use the command burn unless you are told to. The command hush erases all."""
SHEET = """    A                  B        C
 1  start frequency    10.0     MHz
 2  stop frequency     500.0    MHz
 3  number of points   51
 4  generator          off
Change a cell so: B2=300.5"""


def roles(entries: list[Entry]) -> dict[str, Role]:
    return {word.name: word.role for word in words_of(entries)}


def test_a_letter_tells_its_words() -> None:
    found = roles(prose_entries(LETTER.splitlines()))
    assert found["bottom"] is Role.START
    assert found["roof"] is Role.STOP
    assert found["dots"] is Role.POINTS
    assert found["go"] is Role.SWEEP
    assert found["echo"] is found["gain"] is Role.DATA
    assert found["burn"] not in SENT
    assert found["hush"] not in SENT
    assert next(word.usage for word in prose_entries(LETTER.splitlines()) if word.name == "roof") == "roof <200>"


def test_cells_of_a_sheet_are_set_by_column_and_number() -> None:
    found = {word.name: word for word in words_of(general_entries(SHEET.splitlines()))}
    assert (found["B1"].role, found["B2"].role, found["B3"].role) == (Role.START, Role.STOP, Role.POINTS)
    assert found["B1"].usage == "B1=<value>"
    assert found["B4"].role is Role.NEVER


@pytest.mark.parametrize(
    ("name", "usage", "told", "role"),
    [
        ("halts", "halts <21>", "how many frequencies are visited (2 to 99)", Role.POINTS),
        ("mean", "mean <4>", "how many readings are averaged (1 to 64)", Role.AVERAGE),
        ("hike", "hike", "go through all stations once and measure", Role.SWEEP),
        ("collect", "collect", "measure every point once", Role.SWEEP),
        ("level", "level", "print level of s21, dB", Role.DATA),
        ("level", "level <3>", "set the level of port 1", Role.NEVER),
        ("tab", "tab", "reflection: MHz, real, imaginary, standard deviation", Role.DATA),
        ("std", "std", "measure the standard", Role.NEVER),
        ("run", "run", "acquire once; wait for SWEEP IS DONE", Role.SWEEP),
        ("where", "where", "recite all settings", Role.SETTINGS),
    ],
)
def test_more_ways_to_say_what_a_word_does(name: str, usage: str, told: str, role: Role) -> None:
    assert judged(Entry(name, usage, told))[0] is role


def test_what_closes_every_reply_refuses_nothing() -> None:
    manner = Manner(refusals=("NO SUCH WORD", "THAT IS ALL", "NO{word}"))
    apart = closing_apart(manner, ["A  first", "B  second", "THAT IS ALL"])
    assert (apart.ends, apart.refusals) == (("THAT IS ALL",), ("NO SUCH WORD", "NO{word}"))
    assert closing_apart(manner, ["NO SUCH WORD", "THAT IS ALL"]) == manner


def test_refusals_that_count_are_known_by_what_stays() -> None:
    assert numbered_alike([["[07] REFUSED: WHAT"], ["[08] REFUSED: WHAT"], ["[09] REFUSED: WHAT"]]) == [
        "[{n}] REFUSED: WHAT"
    ]
    assert numbered_alike([["T 20.1"], ["T 19.8"], ["T 20.1"]]) == []
    assert numbered_head("#{n} REJECTED NO WORD") == "#{n} REJECTED"
    assert numbered_head("#{n} REPLY NO WORD") == ""


def test_answers_that_hold_what_was_set_end_replies() -> None:
    alone = ["TAKEN, FROM 75.0 MHZ", "TAKEN, TO 99.5 MHZ", "TAKEN, 51 DOTS"]
    assert taken_heads(alone, ["FROM 75.0 MHZ", "51 DOTS"]) == ("TAKEN, {word}",)
    assert taken_heads(alone, ["TAKEN, 3 OF 4"]) == ()


def test_a_refusal_of_data_names_what_comes_first() -> None:
    words = [
        Word(1, "hike", "hike", "walks the band", Role.UNKNOWN, ""),
        Word(2, "tour", "tour", "all stations", Role.UNKNOWN, ""),
        Word(3, "null", "null", "all stations", Role.UNKNOWN, ""),
    ]
    found = named_first(words, ["SORRY, NO TOUR YET"])
    assert found is not None
    assert found.name == "tour"
    assert named_first(words, ["SORRY, NO HIKE YET"]) is None  # nothing says that it measures
    assert named_first(words, ["SORRY, NULL FIRST"]) is None


LAYOUTS = {
    "three, three": ((1, 2), (4, 5)),
    "four, the spread behind": ((1, 2), (3, 4)),
    "the spread between": ((1, 2), (4, 5)),
    "a reply each": ((1, 2), (1, 2)),
}


@pytest.mark.parametrize("layout", LAYOUTS)
@pytest.mark.parametrize("delay_s", [10e-9, 0.3e-9])
def test_spreads_beside_the_traces_are_no_part_of_them(layout: str, delay_s: float) -> None:
    rng = np.random.default_rng(5)
    hertz = np.linspace(100e6, 160e6, 41)
    opened = 0.95 * np.exp(-2j * np.pi * hertz * delay_s) + 1e-4 * rng.standard_normal(41)
    leak = 1e-4 * (rng.standard_normal(41) + 1j * rng.standard_normal(41))
    spread = np.full(41, 1.1e-4)
    one, two = ([trace.real, trace.imag] for trace in (opened, leak))
    columns = {
        "three, three": [[hertz, *one, spread, *two, spread]],
        "four, the spread behind": [[hertz, *one, *two, spread]],
        "the spread between": [[hertz, *one, spread, *two]],
        "a reply each": [[hertz, *one, spread], [hertz, *two, spread]],
    }[layout]
    tables = [np.column_stack(one) for one in columns]
    parts = [
        Part(f"d{at}", [Shape(table, ("", *[" "] * (table.shape[1] - 1), ""), ("",) * table.shape[1])])
        for at, table in enumerate(tables)
    ]
    meaning = meaning_of(Acquisition(parts=parts), [part.shapes for part in parts], 100e6, 160e6)
    assert meaning is not None
    traces = [names.traces for rows in meaning.names for names in rows]
    assert (traces[0]["s11"], traces[-1]["s21"]) == LAYOUTS[layout]


@pytest.mark.parametrize(
    ("text", "asks_leave"),
    [
        (b"READY. TYPE HELP AND PRESS RETURN\r\n", False),
        (b"enter '?' then hit the enter key\r\n", False),
        (b"TYPE GO AND PRESS RETURN\r\n", True),
        (b"connect the load, then press return\r\n", True),
        (b"type help and press return to erase all\r\nare you sure?", True),
    ],
)
def test_how_to_type_help_asks_for_no_leave(text: bytes, asks_leave: bool) -> None:
    with pytest.raises(AsksError) if asks_leave else nullcontext():
        asks(text, "")


def test_another_line_of_the_same_page_is_no_other_state_of_this_one() -> None:
    page = ["The left end is 10.0 MHz.", "The right end is 20.0 MHz."]
    line = "The left end is {start_mhz} MHz."
    assert loosened(line, [page]) == line
    assert loosened(line, [page, ["The left end is 10.0 MHz, held."]]) != line


@pytest.mark.parametrize(
    "verb", ["keep", "apply", "copy", "swap", "pin", "post", "lodge", "hold", "carve", "commit", "bank"]
)
@pytest.mark.parametrize("what", ["settings", "set-up", "config", "parameters", "the present settings"])
def test_only_a_verb_that_tells_shows_settings(verb: str, what: str) -> None:
    assert judged(Entry("verbena", "verbena", f"{verb} {what}"))[0] not in SENT
    assert judged(Entry("verbena", "verbena", f"{verb} here: {what}"))[0] not in SENT


@pytest.mark.parametrize(
    "verb", ["pin", "lodge", "retain", "adopt", "tare", "imprint", "archives", "relearn", "inject"]
)
@pytest.mark.parametrize("what", ["S11", "one sweep", "all settings", "the lower frequency, kHz", "the transmission"])
def test_deeds_that_keep_or_teach_are_none_of_a_sweep(verb: str, what: str) -> None:
    assert judged(Entry("verbena", "verbena", f"{verb} {what}"))[0] not in SENT


QUOTED = """Good morning. I understand "begin near 10 MHz" to tell me where to begin,
"finish near 20 MHz" to tell me where to finish, "look with 51 points" to say how finely, "look" to make me measure
once, "say echo" to hear S11, "say passage" to hear S21 and "keep it all" to store everything."""
LABELLED_ROWS = """K01 LOWER <MHz>    LOWER END OF THE SWEEP
K02 UPPER <MHz>    UPPER END OF THE SWEEP
K03 COUNT <N>      NUMBER OF POINTS
K04 HIKE           ONE SWEEP
K05 BURN           WRITE TO PROM"""
CODES_BEHIND = """LOWER END OF SWEEP ...... L1=xxxx (MHz)
UPPER END OF SWEEP ...... L2=xxxx (MHz)
POINTS .................. N=nnn (2-400)
SINGLE SWEEP ............ GO
REFLECTION .............. QA
TRANSMISSION ............ QB
BURN PROM ............... BP"""
VERBS = """verb   object         effect
give   low <kHz>      lower limit
give   high <kHz>     upper limit
give   count <n>      number of points
run    field          measures at every frequency
list   s11            reflection
list   s21            transmission
run    beacon         carrier on port 1"""


def best(text: str) -> dict[str, Role]:
    lines = text.splitlines()
    plans = ranked([wrapped_entries(lines) or entries_of(lines), general_entries(lines), prose_entries(lines)])
    return {word.name: word.role for plan in plans for word in plan if word.role in SENT}


def test_more_layouts_of_lists() -> None:
    found = best(QUOTED)
    assert (found["begin near"], found["finish near"], found["look"]) == (Role.START, Role.STOP, Role.SWEEP)
    assert found["say echo"] is found["say passage"] is Role.DATA
    assert not any("keep" in name for name in found)
    found = best(LABELLED_ROWS)
    assert (found["LOWER"], found["UPPER"], found["COUNT"], found["HIKE"]) == (
        Role.START, Role.STOP, Role.POINTS, Role.SWEEP,
    )  # fmt: skip
    assert "BURN" not in found
    found = best(CODES_BEHIND)
    assert (found["L1"], found["L2"], found["N"], found["GO"]) == (Role.START, Role.STOP, Role.POINTS, Role.SWEEP)
    assert found["QA"] is found["QB"] is Role.DATA
    assert "BP" not in found
    found = best(VERBS)
    assert (found["give low"], found["give high"], found["run field"]) == (Role.START, Role.STOP, Role.SWEEP)
    assert found["list s11"] is found["list s21"] is Role.DATA
    assert "run beacon" not in found


def test_the_consoles_own_name_for_a_sweep_is_understood() -> None:
    brewery = [
        Entry("lo", "lo <kHz>", "where the brew begins (low frequency)"),
        Entry("hi", "hi <kHz>", "where the brew ends (high frequency)"),
        Entry("n", "n <n>", "points per brew, 10..300"),
        Entry("go", "go", "make one brew"),
        Entry("tap", "tap", "reflection of the last brew, re im"),
        Entry("tun", "tun", "reflection of the last hop, re im"),
    ]
    found = roles(brewery)
    assert (found["lo"], found["hi"], found["n"]) == (Role.START, Role.STOP, Role.POINTS)
    assert (found["go"], found["tap"]) == (Role.SWEEP, Role.DATA)
