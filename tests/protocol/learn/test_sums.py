"""A sum behind each line: told by what refusals name, taken off only where it is right."""

from __future__ import annotations

import pytest

from protocol.dialects.reply import Manner
from protocol.learn.words.allow import SENT, words_of
from protocol.learn.words.opening import _sums_wanted
from protocol.learn.words.tokens import entries_of
from protocol.profiles.sums import KINDS, kind_of, with_sum, without_sum


@pytest.mark.parametrize("kind", KINDS)
def test_a_sum_goes_on_and_comes_off(kind: str) -> None:
    line = with_sum(b"lo,430000000", kind, b"*")
    assert line != b"lo,430000000" and without_sum(line, kind, b"*") == b"lo,430000000"
    damaged = line.replace(b"43", b"44")
    assert without_sum(damaged, kind, b"*") == damaged


def test_the_kind_is_told_only_where_one_explains_all() -> None:
    lines = (b"*", b"**", b"")
    assert kind_of({line: b"~" + KINDS["xor"](line) for line in lines}) == ("xor", b"~")
    assert kind_of({b"*": b"~42", b"**": b"~84", b"": b"~00"}) == ("sum100", b"~")
    assert kind_of({b"*": b"~42", b"**": b"~17"}) is None
    assert kind_of({b"": b"~00"}) is None


def test_refusals_that_name_the_right_sum_tell_it() -> None:
    asked = [(b"*", b"sum? want *~42 (list: ls~23)\r\n"), (b"**", b"sum? want **~84 (list: ls~23)\r\n")]
    assert _sums_wanted(asked) == "~sum100"
    assert _sums_wanted([(b"*", b"* ?\r\n"), (b"**", b"** ?\r\n")]) == ""


def test_replies_lose_their_sums_and_a_damaged_line_keeps_its_own() -> None:
    manner = Manner(sums="~sum100")
    assert manner.lines(b"np,51~68\r\nnp,51~69\r\n") == [b"np,51", b"np,51~69"]
    assert manner.sent(b"lo") == b"lo~19"


def test_a_word_and_what_it_is_for_behind_a_sign() -> None:
    listing = ["ka,HZ", "kb,HZ", "np,N", "mx=measure re11,im11,re21,im21", "wr=write set-up", "cz=zero correction"]
    roles = {word.name: word.role for word in words_of(entries_of(listing))}
    assert roles["mx"] in SENT and roles["wr"] not in SENT and roles["cz"] not in SENT
