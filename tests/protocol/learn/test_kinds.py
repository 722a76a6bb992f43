"""Kinds of replies and listings that unknown consoles write: each is read as what it is, and nothing else."""

from __future__ import annotations

from typing import cast

import numpy as np
import pytest

from protocol.dialects.reply import Manner
from protocol.learn.dialogue import Role
from protocol.learn.sweeps.acquire import _once
from protocol.learn.sweeps.dialogs import ASKS, setting_of
from protocol.learn.sweeps.setters import Setters, line_with, numbers_in
from protocol.learn.sweeps.shapes import shapes_of
from protocol.learn.sweeps.told import changed, counts_told, told_range
from protocol.learn.sweeps.trying import Settings
from protocol.learn.sweeps.windows import Writing
from protocol.learn.words.allow import SENT, Entry, words_of
from protocol.learn.words.hushing import streamed, words_that_stop
from protocol.learn.words.opening import _coded, hinted
from protocol.learn.words.talk import AsksError, Talk, asks
from protocol.learn.words.tokens import cells_of, entries_of, menu_of
from protocol.learn.words.wrapped import Verbs, verbs_of, wrapped_entries
from protocol.wire.link import Link


@pytest.mark.parametrize(
    ("line", "values"),
    [
        ("1600000,160000000,201", [1_600_000, 160_000_000, 201]),
        ("6M,270k,51,1", [6e6, 270e3, 51, 1]),
        ("112,1", [112.1]),
        ("start 430.5 MHz", [430.5e6]),
        ("f.start=.5", [0.5]),
    ],
)
def test_a_comma_parts_a_list_or_is_a_decimal_sign(line: str, values: list[float]) -> None:
    assert [value for _, value in numbers_in(line)] == values


def test_a_value_is_found_with_the_unit_in_which_it_is_answered() -> None:
    assert line_with(["a 1", "Start = 106100.000 kHz"], "106100", 106100.0, 106.1e6) == "Start = {v} kHz"
    assert line_with(["14.1M,40k,201"], "40000", 40000.0, 40000.0) == "14.1M,{v}k,201"
    assert line_with(["14.1M,40k,201"], "50000", 50000.0, 50000.0) == ""


def test_a_refusal_tells_counts_or_a_range() -> None:
    assert counts_told(["Out of range, allowed 25 75 150"], 51) == [25, 75, 150]
    assert counts_told(["points: 11..401"], 5000) == [11, 401]
    assert counts_told(["what?"], 51) == []
    assert told_range(["140M to 900M only"]) and not told_range(["no"])


def test_the_one_number_that_moved_is_where_a_value_was_moved_to() -> None:
    assert changed(["6M,270k,201"], ["60M,270k,201"]) == ("60M", 60e6)
    assert changed(["6M,270k,201"], ["60M,27k,201"]) is None


def test_a_number_in_front_names_the_trace() -> None:
    rows = [f"{tag};{at};{value:e};0.5" for at, value in enumerate((0.1, 0.2, 0.3, 0.4)) for tag in (11, 21)]
    first, second = shapes_of(rows, 4)
    assert first.line(["index", "s11_re", "s11_im"]) == "11;{index};{s11_re};{s11_im}"
    assert second.literals[0] == "21;"
    assert first.values[:, 1].tolist() == [0.1, 0.2, 0.3, 0.4]


def test_hexadecimal_rows_may_stand_in_two_blocks() -> None:
    found = shapes_of(["[11]", "D39D,D37A", "C77F,17D1", "01F4,3D2D", "[21]", "0001,0001", "FFFF,0001", "0001,0002"], 3)
    assert [(shape.begin, shape.finish, shape.points) for shape in found] == [("[11]", "[21]", 3), ("[21]", "", 3)]
    assert found[1].values[1].tolist() == [-1.0, 1.0]


def test_decimals_of_four_or_eight_digits_are_not_hexadecimal() -> None:
    (table,) = shapes_of([f"{7_500_000 + at * 180_000:08d}\t0.{at}25\t-0.5" for at in range(6)], 6)
    assert table.forms[0] == "" and table.values[1, 0] == 7_680_000
    (line,) = shapes_of(["0.9449,113.9257,0.9444,108.9261,0.9436,103.9063"], 3)
    assert line.values[1].tolist() == [0.9444, 108.9261]


def test_a_stream_of_single_numbers_is_cut_where_it_comes_again() -> None:
    sweep = [f"{value:.4f}" for value in np.random.default_rng(1).normal(size=4 * 12)]
    assert _once([*sweep, *sweep[:30]], 12) == sweep


def test_a_refusal_names_the_word_that_lists() -> None:
    assert hinted(["!* (try: words)"]) == ["words"]
    assert hinted(["!* (try: keys)"]) == []  # it may be any word
    assert hinted(["{word}?? index lists"]) == ["index"]
    assert hinted(["lines start with @"]) == ["@"]
    assert hinted(["try: erase", "say store to save all"]) == []


def test_a_sign_and_a_digit_refuse_but_for_its_zero() -> None:
    manner = Manner(refusals=_coded("~4"))
    assert [manner.refusal([line]) is not None for line in (b"~4", b"~7", b"~0", b"~41")] == [True, True, False, False]
    assert _coded("? 12") == ("? {n}",) and _coded("what {word}") == ("what {word}",)


def test_the_numbers_of_a_menu_are_its_words() -> None:
    menu = ["| 0 this menu |", "| 1 start, MHz |", "| 2 stop, MHz |", "| 3 points |", "| 6 store as power-on state |"]
    assert menu_of(menu) == []  # not counted through: the numbers may be anything
    roles = {word.name: word.role for word in words_of(menu_of([*menu[:4], "| 4 format internal disk |"]))}
    assert roles["1"] is Role.START and roles["3"] is Role.POINTS and roles["4"] not in SENT


def test_several_words_may_stand_on_a_line() -> None:
    words = {word.name: word.role for word in words_of(entries_of(["fstart <Hz>  fstop <Hz>", "points <n>"]))}
    assert words == {"fstart": Role.START, "fstop": Role.STOP, "points": Role.POINTS}
    signs = ["@from @upto [Hz]", "@cnt [2-600]", "@a reflection re/im   @b transmission re/im", "@run sweep   @new"]
    roles = {word.name: word.role for word in words_of(entries_of(signs))}
    assert roles["@from"] is Role.START and roles["@b"] is Role.DATA and roles["@new"] not in SENT


@pytest.mark.parametrize(
    "row",
    ["mkfs             points,n:int     rails", "mkfs    points,n:int", "mkfs  points", "mkfs   start   stop"],
)
def test_words_in_columns_describe_no_neighbour(row: str) -> None:
    listing = ["about    average,n:int", row, "jump   span,f:freq", "thr     show"]
    roles = {word.name: word.role for word in words_of(entries_of(listing))}
    assert roles["mkfs"] not in SENT
    assert roles["span"] is Role.SPAN


def test_an_argument_in_a_column_of_its_own_is_no_description() -> None:
    (word,) = words_of(entries_of(["SetStart     <kHz>"]))
    assert (word.usage, word.role) == ("SetStart <kHz>", Role.START)


def test_a_permitted_number_or_sign_permits_no_longer_word() -> None:
    talk = Talk(cast(Link, None))
    talk.permit("1", "@")
    assert talk.may("1") and talk.may("1 5") and talk.may("@")
    assert not talk.may("12") and not talk.may("@new") and not talk.may("1x")


def test_nak_refuses_and_a_remark_behind_the_end_is_no_reply() -> None:
    manner = Manner(ends=("DONE",), chatter=("# ",))
    assert manner.refusal([b"\x15"]) == b"\x15"
    assert manner.ended(b"1\r\nDONE\r\n# temp 31.1\r\n")
    assert not manner.ended(b"1\r\nDONE\r\nmore\r\n")


def test_a_remark_that_begins_as_the_prompt_does_ends_nothing() -> None:
    manner = Manner(prompts=("# ",), chatter=("# ",))
    assert manner.prompt is not None
    assert manner.prompt.search(b"1\r\n# temp 31.1C\r\n2\r\n") is None
    assert manner.ended(b"1\r\n# temp 31.1C\r\n2\r\n# ")
    assert manner.lines(b"1\r\n# temp 31.1C\r\n2\r\n# ") == [b"1", b"2"]


def test_numbered_cells_are_words_and_no_number_permits_another() -> None:
    listing = [
        "r CELL reads, w CELL VALUE writes, t triggers, d dumps re11;im11;re21;im21",
        " 0 start, kHz",
        " 1 stop, kHz",
        " 2 points",
        "10 write 1: commit cells to eeprom",
    ]
    entries, verb = cells_of(listing)
    roles = {word.name: word.role for word in words_of(entries)}
    assert verb == "r"
    assert roles["w 0"] is Role.START and roles["w 2"] is Role.POINTS and roles["d"] is Role.DATA
    assert roles["w 10"] not in SENT
    talk = Talk(cast(Link, None))
    talk.permit("w 1")
    assert talk.may("w 1 5") and not talk.may("w 10 1")


def test_data_that_come_unasked_are_told_and_only_a_word_that_is_named_stops_them() -> None:
    assert streamed(b"".join(b"R %d: %d.5 0.1 0.2\r\n" % (at, at) for at in range(5))).startswith("R 2")
    assert streamed(b"analyzer 1.2\r\nready\r\n") == ""
    assert words_that_stop(["eh? (hush stops the stream, help lists)"]) == ["hush"]
    assert words_that_stop(["erase stops the stream", "reset ends all data", "hush and it stops", "eh?"]) == []


def _roles(listing: list[str], said: list[str]) -> dict[str, Role]:
    return {word.name: word.role for word in words_of(wrapped_entries(listing, said))}


def test_two_words_that_count_hertz_are_told_by_their_names() -> None:
    ends = [Entry("beg", "beg HZ"), Entry("fin", "fin HZ"), Entry("np", "np N"), Entry("stz", "stz HZ", "crystal trim")]
    roles = {word.name: word.role for word in words_of(ends)}
    assert (roles["beg"], roles["fin"], roles["np"]) == (Role.START, Role.STOP, Role.POINTS)
    assert roles["stz"] is Role.NEVER
    alike = [Entry("k1", "k1 kHz"), Entry("k2", "k2 kHz")]
    assert [word.role for word in words_of(alike)] == [Role.START, Role.STOP]


@pytest.mark.parametrize(
    "entries",
    [
        [Entry("osc", "osc HZ"), Entry("mix", "mix HZ")],  # nothing says that they are ends
        [Entry("lo", "lo HZ"), Entry("np", "np N")],  # one alone may be an oscillator
        [Entry("k1", "k1 HZ"), Entry("k2", "k2 HZ"), Entry("k3", "k3 HZ")],
        [Entry("trima", "trima HZ"), Entry("trimb", "trimb HZ")],
        [Entry("beg", "beg V"), Entry("fin", "fin V")],
    ],
)
def test_words_that_are_no_two_ends_are_not_sent(entries: list[Entry]) -> None:
    assert not any(word.role in SENT for word in words_of(entries))


def test_words_between_brackets() -> None:
    roles = _roles(["((from HZ) (upto HZ) (dots N)", " (go) ; rows of re11 im11 re21 im21", " (etch) (wash KIND))"], [])
    assert roles["(from"] is Role.START and roles["(dots"] is Role.POINTS and roles["(go)"] is Role.DATA
    assert roles["(etch)"] not in SENT and roles["(wash"] not in SENT
    assert wrapped_entries(["start (Hz) sets the start (see note) of it", "stop (Hz)", "go (once) sweeps"]) == []


def test_words_of_an_object() -> None:
    listing = ['{"verbs": {"put": {"fa": "kHz", "fb": "kHz"}, "take": "f, re, im", "burn": "", "blank": "0|1"}}']
    roles = _roles(listing, [])
    assert roles['{"verb":"put","fa":'] is Role.START and roles['{"verb":"take"}'] is Role.DATA
    assert roles['{"verb":"burn"}'] is Role.NEVER and roles['{"verb":"blank"}'] not in SENT


def test_nodes_are_read_and_written_by_verbs() -> None:
    listing = ["look NODE, poke", "look NODE, give NODE VALUE", "scan/first  kHz", "scan/last kHz", "scan/n  points",
               "out/11  kHz, re, im", "rom/burn", "id/name"]  # fmt: skip
    roles = _roles(listing, [])
    assert roles["give scan/first"] is Role.START and roles["give scan/n"] is Role.POINTS
    assert roles["look out/11"] is Role.DATA and roles["look rom/burn"] is Role.NEVER
    assert verbs_of(["405 GET or PUT"]) == Verbs("GET", "PUT")
    assert hinted(["405 GET or PUT"]) == ["GET /"]


def test_names_before_what_they_take() -> None:
    listing = ["words: k1 k2 (kHz)  n (2..801)  lvl (dBm)  mem (0..9)  w (3|30)", "'run' sweeps: a row a point"]
    roles = _roles(listing, [])
    assert (roles["k1"], roles["k2"], roles["n"], roles["run"]) == (Role.START, Role.STOP, Role.POINTS, Role.SWEEP)
    assert not {roles["lvl"], roles["mem"], roles["w"]} & SENT


def test_headings_above_indented_words_are_no_words() -> None:
    listing = [
        "Sweep",
        "  ka   lower end of the sweep",
        "  kb   upper end of the sweep",
        "Data",
        "  rr   S11",
        "  rt   S21",
    ]
    assert not {"Sweep", "Data"} & {entry.name for entry in entries_of(listing)}


def test_a_line_that_begins_every_good_reply_is_no_answer() -> None:
    manner = Manner(heads=("200",))
    assert manner.lines(b"200\r\n430\r\n") == [b"430"]
    assert manner.lines(b"200\r\n200\r\n") == [b"200"]
    assert manner.lines(b"416 limits\r\n") == [b"416 limits"]


def test_sentences_quote_their_words_and_harm_in_a_sentence_holds_for_all_of_them() -> None:
    listing = ["Say 'between 10 and 50'. Say 'go from 10 to 50 in 21 points' (megahertz). Say",
               "'tell back' or 'tell through' and I sweep and give real and", "imaginary part of each point.",
               "I also 'keep' this for ever and 'renew'."]  # fmt: skip
    roles = _roles(listing, [])
    assert roles["go"] is Role.RANGE and roles["tell through"] is Role.DATA
    assert not {roles["keep"], roles["renew"]} & SENT and "between" not in roles


def test_a_prompt_behind_an_answer_asks_nothing_but_a_question_does() -> None:
    talk = Talk(cast(Link, None), Manner(prompts=("? ",)))
    asks(talk._before_prompt(b"ok\r\n? "), "np 51")
    for question in (b"np 51\r\nok ? ", b"erase all, ok? ", b"sure?\r\n? "):
        with pytest.raises(AsksError):
            asks(talk._before_prompt(question), "np 51")


@pytest.mark.parametrize(
    ("question", "setting"),
    [
        ("From MHz (2)?", "start"), ("upper end [kHz] =", "stop"), ("How many points (50)?", "points"),
        ("Averages (1):", ""), ("Store as default (1)?", None), ("Slot (0)?", None), ("Go (1)?", None),
    ],
)  # fmt: skip
def test_a_question_is_answered_only_when_its_own_text_tells_what_it_is_for(question: str, setting: str | None) -> None:
    assert setting_of(question) == setting


def test_only_a_word_that_says_what_it_asks_for_is_let_to_ask() -> None:
    assert ASKS.search("asks from, to and how many points, then sweeps")
    assert not ASKS.search("guided correction") and not ASKS.search("asks before it erases")


def test_whole_parts_before_a_decimal_comma_are_no_names_of_traces() -> None:
    def sweep(seed: int) -> list[str]:
        sizes = np.random.default_rng(seed).uniform(-1.2, -0.3, 30)
        return ["s11_dB s11_deg", *(f"{size:.4f} {at}.5".replace(".", ",") for at, size in enumerate(sizes))]

    stream = [line for seed in range(9) for line in sweep(seed)]
    assert _once(stream, 30) == [*sweep(0), "s11_dB s11_deg"]
    tagged = [f"{tag} {at}.5 0.25" for _ in range(4) for at in range(30) for tag in (11, 21)]
    assert _once(tagged, 30) == tagged[:60]


@pytest.mark.parametrize(
    ("row", "forms"),
    [("{f:.6f};{a};{b}", ("", "comma", "comma")), ("{f:.1f}00\t{x:.5e}\t{y:.5e}", ("comma", "", ""))],
)
def test_the_decimal_sign_may_differ_from_column_to_column(row: str, forms: tuple[str, ...]) -> None:
    turns = np.exp(-0.4j * np.arange(12))
    rows = []
    for at, z in enumerate(turns):
        a, b = (f"{part:.6f}".replace(".", ",") for part in (z.real, z.imag))
        text = row.format(f=185 + 1.2 * at, a=a, b=b, x=z.real, y=z.imag)
        rows.append(text if forms[0] == "" else text.replace(".", ",", 1))
    (found,) = shapes_of(rows, 12)
    assert found.forms == forms
    assert np.allclose(found.values[:, 1] + 1j * found.values[:, 2], turns, atol=1e-5)


def test_a_trace_named_with_its_number_in_each_row_is_no_column() -> None:
    rows = [f'{{"f": {430 + at}, "s11": [0.{at}5, -0.5], "s21": [0.0{at}1, 0.002]}}' for at in range(9)]
    (found,) = shapes_of(rows, 9)
    assert found.line(["frequency_mhz", "s11_re", "s11_im", "s21_re", "s21_im"]) == (
        '{"f": {frequency_mhz}, "s11": [{s11_re}, {s11_im}], "s21": [{s21_re}, {s21_im}]}'
    )


def test_a_value_in_hexadecimal_that_was_moved_tells_no_end() -> None:
    settings = Settings(Setters(Talk(cast(Link, None)), (), ()))
    settings._clamp(Role.START, 2e9, ("1.5", 1.5), 1e9)
    assert settings.clamped == {"high": 1.5e9}
    settings.clamped.clear()
    settings.writing_tried = Writing("hz", "hex")
    settings._clamp(Role.START, 2e9, ("59682", 59682.0), 1.0)
    assert settings.clamped == {}
