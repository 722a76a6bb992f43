"""Listings of functions, of words behind their values, behind rows of dots, above what they are; seldom remarks."""

from __future__ import annotations

import asyncio
from typing import cast

import pytest

from protocol.learn.dialogue import Role, Word
from protocol.learn.sweeps.setters import Setters
from protocol.learn.words.allow import SENT, words_of
from protocol.learn.words.general import general_entries
from protocol.learn.words.guard import Guard
from protocol.learn.words.opening import KeyMenuError, _no_keys, hinted
from protocol.learn.words.talk import Talk
from protocol.learn.words.tokens import entries_of
from protocol.learn.words.wrapped import wrapped_entries
from protocol.wire.link import Link

CALLS = """\
Calls, each on a line of its own:
begin_at(khz)  - lower end of the sweep in kHz
end_at(khz)    - upper end of the sweep in kHz
count(n)       - number of points, 3..401
measure()      - take one sweep
trace(11)      - print S11 of the last sweep
trace(21)      - print S21 of the last sweep
burn_in()      - settings to flash
heat(k)        - oven heater, 0 or 1""".splitlines()
STACKED = """\
lo   ( MHz -- )   lower end of the sweep, 3 to 90
hi   ( MHz -- )   upper end of the sweep
n    ( n -- )     number of points
go   ( -- )       take one sweep
.r   ( -- )       print S11
.t   ( -- )       print S21
park ( -- )       settings to flash""".splitlines()
PLACED = """\
<kHz> from    start frequency
<kHz> upto    stop frequency
<n> dots      number of points
measure       take one sweep
refl          print S11
trans         print S21
<n> tcxo      trim of the crystal""".splitlines()
DOTTED = """\
lower end of the sweep, kHz ..... LOW n
upper end of the sweep, kHz ..... UPP n
number of points (3-300) ........ NUM n
take one sweep .................. SWP
print reflection ................ OUT S11
print transmission .............. OUT S21
settings to flash memory ........ FIX
level of the source ............. DBM n""".splitlines()
ABOVE = """\
set lower <f>
    start frequency, e.g. set lower 12M
set upper <f>
    stop frequency, e.g. set upper 90M
set points <n>
    number of points, 3 to 300
set beacon on|off
    unmodulated carrier
give s11
    takes a sweep and prints the reflection
give s21
    takes a sweep and prints the transmission
forget all
    erases everything of yours""".splitlines()


def _roles(words: list[Word]) -> dict[str, Role]:
    return {word.name: word.role for word in words}


def test_functions_are_called_with_their_value_and_asked_without() -> None:
    words = words_of(wrapped_entries(CALLS))
    roles = _roles(words)
    assert (roles["begin_at"], roles["end_at"], roles["count"]) == (Role.START, Role.STOP, Role.POINTS)
    assert (roles["measure()"], roles["trace(11)"], roles["trace(21)"]) == (Role.SWEEP, Role.DATA, Role.DATA)
    assert roles["burn_in()"] is roles["heat"] is Role.NEVER
    assert (words[0].form, words[0].question) == ("begin_at({v})", "begin_at()")
    guard = Guard(words)
    assert guard.taken_for("burn_in()") and guard.taken_for("heat(1)") and not guard.taken_for("count(51)")


def test_a_function_of_both_ends_and_a_count_is_one_whole_command() -> None:
    rows = ["window(start, stop, points)  ends in kHz and points", "go()  take one sweep", "s11()  print S11"]
    entry = wrapped_entries(rows)[0]
    assert entry.form == "window({start}, {stop}, {points})"


def test_remarks_between_brackets_are_no_functions() -> None:
    assert not wrapped_entries(["lower(kHz) upper(kHz)", "some text (with a remark)", "and (another) one"])


@pytest.mark.parametrize(("listing", "first"), [(STACKED, "{v} lo"), (PLACED, "{v} from")])
def test_words_stand_behind_their_values(listing: list[str], first: str) -> None:
    words = words_of(wrapped_entries(listing))
    roles = list(_roles(words).values())
    assert words[0].form == first
    assert roles == [Role.START, Role.STOP, Role.POINTS, Role.SWEEP, Role.DATA, Role.DATA, Role.NEVER]
    talk = Talk(cast(Link, None))
    talk.guard = Guard(words)
    setters = Setters(talk, words, listing)
    for word in words[:3]:
        setters.permit(word)
    assert next(setters.set_forms(words[0])) == first
    assert talk.may(first.replace("{v}", "7000"))
    assert not talk.may(f"1 {words[6].name}") and not talk.may("7000") and not talk.may(f"1 {words[0].name} x")


def test_a_word_stands_behind_a_row_of_dots_with_a_letter_for_its_value() -> None:
    roles = _roles(words_of(general_entries(DOTTED)))
    assert roles == {
        "LOW": Role.START, "UPP": Role.STOP, "NUM": Role.POINTS, "SWP": Role.SWEEP, "OUT S11": Role.DATA,
        "OUT S21": Role.DATA, "FIX": Role.NEVER, "DBM": Role.NEVER,
    }  # fmt: skip


def test_one_dot_is_a_row_of_dots_beside_longer_ones() -> None:
    rows = ["show back ........ S11 of the last sweep", "show crossing ... S21 of the last sweep",
            "show everything . all settings", "tell ............ the status"]  # fmt: skip
    assert "show everything" in {entry.name for entry in general_entries(rows)}


def test_a_word_that_fills_its_column_ends_where_the_others_are_told_of() -> None:
    rows = ["LO n  start frequency, kHz", "HI n  stop frequency, kHz", "NP n  number of points", "GO    sweep once",
            "TR 11 print S11, dB and degrees", "TR 21 print S21", "ER    erase the memory",
            "NV 11 store S11"]  # fmt: skip
    for entries in (entries_of(rows), general_entries(rows)):
        roles = _roles(words_of(entries))
        assert (roles["TR 11"], roles["TR 21"]) == (Role.DATA, Role.DATA)
        assert roles["ER"] is Role.NEVER and not {roles[name] for name in roles if name.startswith("NV")} & SENT


def test_words_of_two_parts_stand_above_what_is_told_of_them() -> None:
    roles = _roles(words_of(general_entries(ABOVE)))
    assert (roles["set lower"], roles["set upper"], roles["set points"]) == (Role.START, Role.STOP, Role.POINTS)
    assert (roles["give s11"], roles["give s21"]) == (Role.DATA, Role.DATA)
    assert roles["forget all"] is Role.NEVER and roles["set beacon on|off"] is Role.NEVER


def test_a_refusal_names_a_call_or_a_short_word_for_help() -> None:
    assert hinted(["no brackets: help() tells the calls"]) == ["help()"]
    assert hinted(["E1, HP for help"]) == ["HP"]
    assert hinted(["E1, H for a list of words"]) == ["H"]
    assert hinted(["ask the owner for help", "HE erases, HE for help", "GO for help"]) == []


class _Heard(Talk):
    """A talk whose answers are given; what is left is heard unasked."""

    def __init__(self, answers: list[bytes], unasked: list[bytes]) -> None:
        super().__init__(cast(Link, None))
        self.answers, self.unasked = answers, unasked

    async def raw(self, data: bytes, first_s: float = 0, longest_s: float = 0, *, pages: bool = False) -> bytes:
        assert data == b"*"
        return self.answers.pop(0)

    async def listen(self, seconds: float) -> bytes:
        return self.unasked.pop(0) if self.unasked else b""


def test_a_remark_that_came_to_two_signs_and_then_by_itself_is_no_key(monkeypatch: pytest.MonkeyPatch) -> None:
    seldom = [b"", b"", b"", b"! 24.3 V\r\n"]
    assert asyncio.run(_no_keys(_Heard([b"! 24.1 V\r\n", b"! 24.2 V\r\n"], seldom), 0.1)) == b""
    monkeypatch.setattr("protocol.learn.words.opening.SELDOM_S", 0.001)
    keys = [b"key 42 is none\r\n", b"key 42 is none\r\n"]
    with pytest.raises(KeyMenuError):
        asyncio.run(_no_keys(_Heard(keys, []), 0.1))
