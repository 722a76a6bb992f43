"""Words that only together mean one setting, and the layouts in which consoles write them."""

from __future__ import annotations

import pytest

from protocol.learn.dialogue import Role
from protocol.learn.words.allow import words_of
from protocol.learn.words.meaning import read_role
from protocol.learn.words.opening import hinted
from protocol.learn.words.tokens import entries_of
from protocol.learn.words.wrapped import wrapped_entries


@pytest.mark.parametrize(
    ("name", "arguments", "description", "role"),
    [
        ("east", " X", "beginning of the frequency, in kHz", Role.START),
        ("west", " X", "where the frequency ends, kHz", Role.STOP),
        ("mid", " mhz", "", Role.CENTRE),
        ("gap", " X", "distance from one to another, kHz", Role.STEP),
        ("sieve", " X", "filter, 100 Hz or 1 kHz", Role.BANDWIDTH),
        ("dots", " n", "", Role.POINTS),
        ("howmany", " n", "how many samples", Role.POINTS),
        ("back", "", "print what is reflected", Role.DATA),
        ("over", "", "print port 1 -> port 2 of the last sweep", Role.DATA),
        ("now", "", "one sweep", Role.SWEEP),
    ],
)
def test_words_that_together_mean_one_thing(name: str, arguments: str, description: str, role: Role) -> None:
    told = read_role(name, arguments, description)
    assert told is not None and told[0] is role


@pytest.mark.parametrize(
    ("name", "arguments", "description"),
    [
        ("lo", " X", "local oscillator offset, low side, Hz"),
        ("tone", " X", "first tone, Hz"),
        ("both", " X", "first and last frequency, MHz"),
        ("pull", " {n}", "small steps"),
        ("first", " n", "step of the plan"),
        ("thru", "", "through on both ports"),
        ("refl", " <n>", "print what is reflected"),
    ],
)
def test_one_word_alone_or_two_meanings_tell_nothing(name: str, arguments: str, description: str) -> None:
    assert read_role(name, arguments, description) is None


def roles(text: str) -> dict[str, Role]:
    return {word.name: word.role for word in words_of(entries_of(text.splitlines()))}


def test_several_words_on_a_line_between_bars() -> None:
    found = roles("first hz | last hz | dots n\npour        one sweep\nkeg n | tap n   set-up memory\n")
    assert found["first"] is Role.START and found["last"] is Role.STOP and found["dots"] is Role.POINTS
    assert found["keg"] is Role.NEVER and found["tap"] is Role.NEVER


def test_rows_of_one_word_with_fixed_arguments_are_words_of_their_own() -> None:
    found = roles("lo X      bottom frequency, MHz\nhi X      top frequency, MHz\n"
                  "give 1    reflected\ngive 2    transmitted\n")  # fmt: skip
    assert found["give 1"] is Role.DATA and found["give 2"] is Role.DATA


def test_example_sentences_keep_their_unit() -> None:
    text = "begin at 20 MHz\nfinish at 0.4 GHz\ntake 60 points\nlook        (one sweep)\nstay here   (next time, too)"
    entries = entries_of(text.splitlines())
    usages = {entry.name: entry.usage for entry in entries}
    assert usages["begin at"] == "begin at <20> MHz" and usages["take"] == "take <60> points"
    assert roles(text)["begin at"] is Role.START and roles(text)["finish at"] is Role.STOP


def test_a_listing_in_capitals_has_descriptions() -> None:
    found = roles("EDGE.A FREQ SWEEP BEGIN\nEDGE.B FREQ SWEEP END\nDOTS COUNT OF POINTS 3..301\nBURN.IN\n")
    assert found["EDGE.A"] is Role.START and found["EDGE.B"] is Role.STOP and found["DOTS"] is Role.POINTS
    assert found["BURN.IN"] is Role.NEVER


def test_a_column_of_verbs_goes_before_its_nodes() -> None:
    printed = [
        "view NODE     contents",
        "enter NODE X   set a value",
        "/edge/one     enter   lowest frequency, Hz",
        "/edge/two     enter   highest frequency, Hz",
        "/view/back    view   reflection",
        "/keep/all     run    settings to flash",
    ]
    assert not wrapped_entries(printed[:2])
    words = {word.name: word.role for word in words_of(wrapped_entries(printed))}
    assert words["run /keep/all"] is Role.NEVER


@pytest.mark.parametrize(
    ("line", "word"),
    [
        ('{"good":false,"note":"try {\\"ask\\":\\"help\\"}"}', '{"ask":"help"}'),
        ("NO SUCH WORD, SEE LIST.WORDS", "LIST.WORDS"),
    ],
)
def test_a_refusal_names_the_word_that_lists(line: str, word: str) -> None:
    assert word in hinted([line])


def test_a_refusal_never_names_a_word_of_harm() -> None:
    assert hinted(['try {"erase":"help"}']) == []


def test_a_label_before_each_line_is_no_word() -> None:
    found = roles("use: low <kHz>   sweep begins here\nuse: top <kHz>   sweep ends here\n"
                  "use: num <n>     how many points, 2 to 301\nuse: go          does a sweep\n")  # fmt: skip
    assert found["low"] is Role.START and found["top"] is Role.STOP and found["num"] is Role.POINTS
    assert found["go"] is Role.SWEEP and "use" not in found


def test_sentences_that_say_what_a_word_takes() -> None:
    text = "lift, with a frequency in MHz, tells where the sweep starts.\n"
    text += "sink, with a frequency in MHz, says where it ends."
    found = roles(text + "\ndots, with a number from 2 to 201, tells how many points you want.\n")
    assert (found["lift"], found["sink"], found["dots"]) == (Role.START, Role.STOP, Role.POINTS)


def test_what_drives_a_port_is_no_end_of_a_sweep() -> None:
    assert read_role("push", " X", "port 1 sends X kHz without end") is None
    assert read_role("last", " X", "steady signal, kHz") is None


def test_two_examples_on_a_line_and_two_words_between_strokes() -> None:
    text = "  set start 20 MHz       set stop 300 MHz\n  set points 51          (2 to 301)\n  give s11 / give s21    "
    text += "print the trace\n"
    found = roles(text)
    assert found["set start"] is Role.START and found["set stop"] is Role.STOP
    assert found["give s11"] is Role.DATA and found["give s21"] is Role.DATA


def test_a_banner_names_the_letter_for_help() -> None:
    assert hinted(["HILL SERVICE ANALYZER 3  (H=HELP)"]) == ["H"]
