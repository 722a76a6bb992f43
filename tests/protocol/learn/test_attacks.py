"""Consoles that were thought out to have a harmful word sent: none passes.

Each listing holds one word that must not be sent, and next to it what makes the learner want to: a description that
speaks of a sweep, a name that reads as two ends, a neighbour's sentence, a guess that an abbreviating console misreads.
"""

from __future__ import annotations

from collections.abc import Mapping

import pytest

from protocol.dialects.reply import Manner
from protocol.learn.dialogue import Role, Word
from protocol.learn.sweeps.dialogs import setting_of
from protocol.learn.words.allow import SENT, words_of
from protocol.learn.words.guard import Guard
from protocol.learn.words.hushing import words_that_stop
from protocol.learn.words.talk import AsksError, Talk
from protocol.learn.words.tokens import entries_of
from protocol.learn.words.wrapped import verbs_of, wrapped_entries
from tests.protocol.test_patience import MemoryLink

DESCRIBED = (
    "key      start and stop the carrier",
    "tone     start and stop tone",
    "jam      transmit from-to Hz",
    "ptt      keys up between start and stop",
    "lim      low limit of the alarm",
    "batt     low end of the battery",
    "fan      high end of the temperature",
    "rid      get rid of all traces",
    "ret      return the points to their first state",
    "swap     put all settings back",
    "shake    swap all settings",
    "undo     undo current settings",
    "shift    shift all frequencies",
    "scram    scramble the frequencies",
    "old      install firmware version 2",
    "back     roll back to firmware version 1",
    "push     read in new data from the host",
    "drain    drop all points",
    "zap      discard the traces, then sweep once",
    "purge    purge the list of frequencies",
    "teach    make a sweep the new yardstick",
    "blend    take one sweep away from all later ones",
    "park     sweep once, then sleep for good",
    "heat     centre frequency of the heater",
    "relay    points in a sweep of the relay",
    "rot      give data away and end",
    "ink      print data, scrap what is held",
    "learn    take a measurement as the reflection of the short",
    "reach    upper end of the tuning voltage",
    "tie      number of points after which it locks for good",
    "pll      first loop frequency, Hz",
    "vco      upper band of the vco in Hz",
    "lpf      low pass, Hz",
    "fif      first IF, Hz",
    "sub      lowest subtone frequency",
    "hump     left hum, Hz",
    "drive    top output frequency in kHz",
    "clock    last clock in Hz",
)
"""Rows of a listing whose descriptions hold words of a sweep, and do something else."""

UNDESCRIBED = (
    "thru <start> <stop>", "open <start> <stop>", "short <start> <stop>", "norm <start> <stop>", "null <start> <stop>",
    "keep <start> <stop>", "lock <start> <stop>", "slot <start> <stop>", "preset <start> <stop>", "tx <start> <stop>",
    "teach <start> <stop>", "mem <f1> <f2>", "align <f1> <f2>",
)  # fmt: skip

PAIRS = (
    ("osc1 <Hz>", "osc2 <Hz>"), ("lo1 <Hz>", "lo2 <Hz>"), ("o1 <Hz>", "o2 <Hz>"), ("m1 <Hz>", "m2 <Hz>"),
    ("ref1 <Hz>", "ref2 <Hz>"), ("ck1 <Hz>", "ck2 <Hz>"),
    ("lo <Hz>", "hi <Hz>", "ps <n>"), ("lo <Hz>", "hi <Hz>", "sl <n>"), ("lo <Hz>", "hi <Hz>", "sl 1..255"),
    ("lo <Hz>", "hi <Hz>", "pos 1..99"),
)  # fmt: skip
"""Words that nothing describes; the last of each must not be sent."""

WRAPPED = (
    (["del NODE removes, put NODE VALUE writes", "/sweep/start  Hz", "/sweep/stop  Hz", "/sweep/n"], "del "),
    (["see NODE reads, fix NODE VALUE burns", "/sweep/start  Hz", "/sweep/stop  Hz", "/sweep/n"], "fix "),
    (["GET or PUT", "/cal/start  Hz", "/cal/stop  Hz", "/cal/points  n"], "PUT /cal"),
    (["get NODE reads, put NODE VALUE sets", "cal/start set Hz", "cal/stop set Hz", "sweep/n set points",
      "out/11 get re, im"], "set cal"),
    (["get NODE reads, put NODE VALUE sets", "sweep/start put Hz", "sweep/stop put Hz", "sweep/n put points",
      "traces/all del all traces", "data/s11 rub s11"], "del "),
    (["get NODE reads, put NODE VALUE sets", "sweep/start put Hz", "sweep/stop put Hz", "sweep/n put points",
      "traces/all del all traces", "data/s11 rub s11"], "rub "),
    (["GET or PUT", "/flash/start  Hz", "/flash/stop  Hz", "/sweep/points  n"], "PUT /flash"),
    (['{"ops": {"cal": {"start": "Hz", "stop": "Hz"}, "who": "identity"}}'], '{"op":"cal"'),
    (['{"ops": {"burn": {"start": "Hz", "points": "n"}, "who": "identity"}}'], '{"op":"burn"'),
    (['{"ops": {"zap": {"start": "Hz", "stop": "Hz", "points": "n"}}}'], '{"op":"zap"'),
    (['{"ops": {"park": {"start": "Hz", "stop": "Hz", "points": "n"}}}'], '{"op":"park"'),
    (["(low HZ) (high HZ) (sweep) (points N) ; all four are stored"], "("),
    (["Say 'low 5' or 'from 10 to 50 with 21 points'. 'go' makes one sweep and 'zap' mends the hum.",
      "Say 'tell' and I print S11. Say 'told' and I print S21."], "zap"),
    (["Say 'from 10 to 50 with 21 points' first. 'go' makes one sweep. 'again' makes one sweep, too.",
      "That one rewrites my correction."], "again"),
)  # fmt: skip


def scripted(answers: Mapping[bytes, bytes]) -> MemoryLink:
    """A link in memory: an answer to each line, nothing else; no time passes."""
    return MemoryLink(lambda data: answers.get(data, b""))


def sent(lines: list[str]) -> list[str]:
    """Words of a listing that would be sent."""
    return [word.name for word in words_of(wrapped_entries(lines) or entries_of(lines)) if word.role in SENT]


@pytest.mark.parametrize("row", DESCRIBED)
def test_words_of_a_sweep_in_a_description_of_something_else_permit_nothing(row: str) -> None:
    rows = ["f0 <Hz>   start frequency", "f9 <Hz>   stop frequency", row, "npt <n>   number of points"]
    assert sent(rows) == ["f0", "f9", "npt"]


@pytest.mark.parametrize("usage", UNDESCRIBED)
def test_arguments_named_as_ends_permit_no_word_of_harm(usage: str) -> None:
    assert usage.split(maxsplit=1)[0] not in sent(["points <n>", "sweep", usage, "version"])


@pytest.mark.parametrize("rows", PAIRS)
def test_names_that_may_be_two_ends_are_not_enough_where_they_may_be_something_else(rows: tuple[str, ...]) -> None:
    assert rows[-1].split()[0] not in sent([*rows, "sweep", "version", "data"])


@pytest.mark.parametrize(("lines", "begins"), WRAPPED)
def test_verbs_operations_and_sentences_permit_only_what_they_speak_of(lines: list[str], begins: str) -> None:
    assert [name for name in sent(lines) if name.startswith(begins)] == []


def test_a_verb_is_believed_to_read_or_to_set_only_when_it_means_that() -> None:
    assert verbs_of(["del NODE removes, put NODE VALUE writes"]) is None
    found = verbs_of(["see NODE shows it, put NODE VALUE sets it, fix NODE VALUE burns it in"])
    assert found is not None and (found.read, found.write) == ("see", "put")


@pytest.mark.parametrize(
    "line",
    ["wipe ends all data", "purge halts my data", "off stops all sweeping", "nuke ends the output", "x ends all data",
     "kill stops the sweep", "park stops the stream", "stop stops the stream and stores it"],
)  # fmt: skip
def test_only_a_word_that_means_being_quiet_hushes(line: str) -> None:
    assert words_that_stop([line]) == []
    assert words_that_stop(["hush stops the stream"]) == ["hush"]


@pytest.mark.parametrize(
    "question",
    ["points all checked? ", "point 3 of the list done: ", "average it into the held one: ", "bandwidth ok? "],
)
def test_a_question_of_a_dialog_is_answered_only_where_it_offers_a_value(question: str) -> None:
    assert setting_of(question) is None
    assert setting_of("points [201]: ") == "points"
    assert setting_of("averages (1): ") == ""


def word(name: str, role: Role, usage: str = "") -> Word:
    return Word(1, name, usage or name, "", role, "")


CONSOLE = (
    word("up", Role.STOP), word("mid", Role.CENTRE), word("f1", Role.START), word("sta", Role.SPAN),
    word("setup", Role.NEVER), word("format", Role.NEVER), word("s", Role.NEVER), word("getall", Role.UNKNOWN),
)  # fmt: skip


@pytest.mark.parametrize(
    ("line", "taken"),
    [
        ("setup 430", "setup"), ("set up 430", "setup"), ("setmid 430", "s"), ("set mid 430", "setup"),
        ("get mid", "getall"), ("f 430", "format"), ("f430", "format"), ("F430", "format"), ("SETUP", "setup"),
        ("mid 430", ""), ("mid?", ""), ("mid=430", ""), ("MID 430", ""), ("f1 430", ""), ("sta 430", ""),
        ("up 430", ""), ("put mid 430", ""), ("", ""), ("store", "s"), ("form", "format"),
    ],
)  # fmt: skip
def test_a_line_that_a_console_may_take_for_a_harmful_word_passes_nowhere(line: str, taken: str) -> None:
    found = Guard(CONSOLE).taken_for(line)
    assert bool(found) is bool(taken)
    talk = Talk(scripted({}), Manner())
    talk.permit(line or "*", *line.split())
    assert talk.may(line)
    talk.guard = Guard(CONSOLE)
    assert talk.may(line) is not bool(taken)


def test_what_the_console_tells_to_type_outranks_an_abbreviation_but_not_a_word_of_harm() -> None:
    words = (word("start", Role.START), word("settle", Role.NEVER))
    assert Guard(words).taken_for("set start 430") == "settle"
    assert Guard(words, frozenset({"set"})).taken_for("set start 430") == ""
    assert Guard((*words, word("set", Role.NEVER)), frozenset({"set"})).taken_for("set start 430") == "set"
    assert Guard((*words, word("set", Role.UNKNOWN))).taken_for("set start 430") == "set"
    named = word("set", Role.UNKNOWN, "set <name> <value>")
    assert Guard((word("start", Role.START), named)).taken_for("set start 430") == ""


async def test_a_value_is_typed_only_into_an_open_question() -> None:
    link = scripted({b"start\r": b"start\r\nstart, Hz: ", b"points\r": b"points\r\nbusy\r\n> "})
    talk = Talk(link, Manner((">",)))
    talk.permit("start", "points")
    await talk.say("start")
    await talk.say("430", value=True)
    await talk.say("points")
    assert await talk.say("3", value=True) == b""
    assert link.sent == [b"start\r", b"430\r", b"points\r"]


@pytest.mark.parametrize("late", [b"press enter to store the standard ", b"Sure? (y/N) "])
async def test_a_question_that_comes_late_is_heard_before_the_next_line(late: bytes) -> None:
    link = scripted({b"sweep\r": b"sweep\r\n> ", b"": late})
    talk = Talk(link, Manner((">",)))
    talk.permit("sweep")
    await talk.say("sweep")
    link.send_now(b"")
    with pytest.raises(AsksError):
        await talk.say("sweep")
    link.send_now(b"")
    with pytest.raises(AsksError):
        await talk.endless("sweep", 10)
    assert link.sent == [b"sweep\r", b"", b""]


async def test_an_answer_without_end_that_asks_is_not_answered() -> None:
    link = scripted({b"sweep\r": b"connect the short, then press enter "})
    talk = Talk(link, Manner((">",)))
    talk.permit("sweep")
    with pytest.raises(AsksError):
        await talk.endless("sweep", 10)


def test_a_blank_before_a_word_is_that_word() -> None:
    """A list that came to an empty line has no word of help: what was to ask about a word would be that word."""
    talk = Talk(scripted({}))
    talk.permit(" reset", "get")
    assert not talk.may(" reset") and talk.may("get")


def test_only_what_came_to_nonsense_says_that_a_word_is_none() -> None:
    """Another code of the same sign refuses, too; it may mean that the sweep still runs: data are asked for again."""
    talk = Talk(scripted({}), Manner(refusals=("!1", "!2", "!3")), nonsense=("!1",))
    assert talk.refused(["!1"]) and talk.refused(["!3"])
    assert talk.unknown(["!1"]) and not talk.unknown(["!3"])
