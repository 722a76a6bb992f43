"""Every reader and every dialect against any bytes: no traceback, no hang, no memory over its limit."""

from __future__ import annotations

import time
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from protocol.dialects import make_dialect
from protocol.dialects.events import Fault, Send
from protocol.errors import RequestError
from protocol.files.small_files import json_data, read_text
from protocol.files.strict_toml import Table
from protocol.learn.sweeps.acquire import _list_of
from protocol.learn.sweeps.setters import numbers_in
from protocol.learn.words.talk import MOST_LINES
from protocol.profiles.profile import load_profile, parse_profile
from tests.hostile.oracle import memory_for, outcome
from tests.hostile.sessions import learned
from tests.hostile.targets import LARGEST_REPLY, REQUESTS, TARGETS, seeds
from visit.site.hookup import HookUp
from visit.site.kit import parse_kit
from visit.site.site import load_site, parse_site

SLOW = ("visit-bytes", "visit-value", "stranger-file", "learning-spoiled")
LIGHT = [name for name in TARGETS if name not in SLOW]


def mutated(name: str) -> st.SearchStrategy[bytes]:
    """A seed with pieces cut out, doubled or replaced; or any bytes."""
    edits = st.lists(st.tuples(st.floats(0, 1), st.integers(0, 40), st.binary(max_size=12)), max_size=5)

    def edited(seed: bytes, changes: list[tuple[float, int, bytes]]) -> bytes:
        for place, length, new in changes:
            at = int(place * len(seed))
            seed = seed[:at] + new + seed[at + length :]
        return seed

    return st.one_of(st.binary(max_size=300), st.builds(edited, st.sampled_from(seeds(name)), edits))


@pytest.mark.parametrize("name", LIGHT)
def test_any_bytes(name: str) -> None:
    @settings(max_examples=60)
    @given(mutated(name))
    def run(data: bytes) -> None:
        TARGETS[name](data)

    run()


@pytest.mark.parametrize("name", TARGETS)
def test_the_seeds(name: str) -> None:
    for seed in seeds(name)[: 1 if name.startswith("visit-") else None]:
        TARGETS[name](seed)


@pytest.mark.parametrize("name", ["scpi", "console-lines", "console-traces", "registers"])
@pytest.mark.parametrize("piece", [b"x", b"\n", b"#", b"1,", b'0,"', b"\x00", b"> ", b"450000000 0 0 0 0\r\n"])
def test_an_answer_without_end(name: str, piece: bytes) -> None:
    """Each request ends in a fault or a reply; what a dialect keeps meanwhile stays below its limit."""
    for request in REQUESTS:
        dialect = make_dialect(load_profile(name))
        try:
            dialect.start(request)
        except RequestError:
            continue
        over, flood, kept = False, piece * (4096 // len(piece)), 0
        for _ in range(2 * LARGEST_REPLY // 4096):
            events = dialect.receive(flood)
            kept = max(kept, len(dialect._buffer))  # type: ignore[attr-defined]
            over = any(not isinstance(event, Send) for event in events)
            if over:
                assert not isinstance(events[-1], Fault) or len(events[-1].message) < 600
                break
        assert over, f"{request} takes in {piece!r} for ever"
        assert kept <= LARGEST_REPLY


TOML = {
    "deep": "a = " + "[" * 40_000,
    "deep tables": "a = " + "{a = " * 15_000,
    "a long number": "low_hz = " + "9" * 90_000,
    "a number no float holds": "low_hz = 1" + "0" * 400,
    "many dots": "a" + ".a" * 40_000 + " = 1",
    "a deep table": "[" + "a." * 40_000 + "a]\n",
    "many dots in quotes": "a" + ' . "a b"' * 12_000 + " = 1",
    "a long word": "a" * 90_000,
    "quotes": "'" * 90_000,
    "many keys": "\n".join(f"a{n} = {n}" for n in range(3000)),
    "many lists": "[[a]]\n" * 4000,
    "a date that is none": "a = 2020-13-45T99:99:99",
    "a letter that is none": 'a = "\\ud800"',
    "a long text": 'name = "' + "x" * 90_000,
    "not a number": "low_hz = nan\nhigh_hz = inf\nname = 'x'\ntransmit = 'low'",
    "a list for a text": "name = [[[[1]]]]\nlow_hz = 1e6\nhigh_hz = 2e6\ntransmit = 'low'",
}


@pytest.mark.parametrize("name", TOML)
def test_toml_made_to_be_hard(name: str) -> None:
    text = TOML[name]
    began = time.process_time()

    def every() -> None:
        for call in (
            lambda: parse_site(text, Path("a.toml")),
            lambda: parse_kit(text, Path("a.toml")),
            lambda: parse_profile(text),
            lambda: Table.parse(text, "a.toml").integer("low_hz", low=0, high=10),
        ):
            assert outcome(call)

    assert memory_for(every) < 120e6
    assert time.process_time() - began < 20.0


def test_numbers_that_no_float_holds_are_told_with_their_key() -> None:
    table = Table.parse(TOML["a number no float holds"], "a")
    assert "low_hz" in outcome(lambda: table.integer("low_hz", low=0, high=9))


def test_files_that_are_too_large(tmp_path: Path) -> None:
    path = tmp_path / "site.toml"
    path.write_bytes(b"#" * 200_000)
    assert "larger than" in outcome(lambda: load_site(path))
    with path.open("wb") as file:
        file.truncate(1 << 40)  # a hole: no room on the disk, a terabyte to read
    assert memory_for(lambda: read_text(path, "a site file")) < 2e6


def test_a_reply_line_can_be_read_in_one_way_only() -> None:
    """A profile with many words in a line would try them in endlessly many ways."""
    text = Path(load_profile("console-lines").source).read_text(encoding="utf-8")
    line = "{bandwidth_code}" * 12
    evil = text + f'\n[[console.readback]]\ncommand = "state"\nlines = ["{line}", "{{start_hz}}"]\n'
    assert "more than two words" in outcome(lambda: parse_profile(evil))


@pytest.mark.parametrize("text", ["[" * 9**5, "1" * 10_000, "NaN", "-Infinity", "1e999", "[" * 40 + "]" * 40, "\x00"])
def test_json_made_to_be_hard(text: str) -> None:
    with pytest.raises(ValueError, match=r"."):
        json_data(text)


def test_a_long_hook_up_is_told_in_a_short_line() -> None:
    """Found by the fuzzer: 384 bytes of nothing between arrows came back as 1607 letters."""
    for told in (
        ">" + "\0" * 300 + ">" + "\0" * 80,
        "x>" + "y" * 5000,
        "A>L " + "z" * 5000,
        "A>L jumper=" + "j" * 5000,
    ):
        TARGETS["hookup"](told.encode())
        assert len(outcome(lambda told=told: HookUp.parse(told))) < 400  # type: ignore[misc]


def test_a_listing_of_many_digits_is_read_at_once() -> None:
    """Found by coverage: forty digits were parted into values in every way there is."""
    before = time.process_time()
    TARGETS["listing"](b"Comma" + b"1" * 300 + b"nd\xff")
    assert time.process_time() - before < 2.0


@pytest.mark.parametrize("huge", ["1e999", "-1e308", "9" * 400], ids=["infinite", "large", "long"])
def test_numbers_beyond_any_meaning_are_no_columns(huge: str) -> None:
    """Found by mutation: their mean and spread overflow, a whole number of them is none."""
    rows = "".join(f"{n}.0 {huge} 0.{n}\n" for n in range(1, 8))
    TARGETS["listing"](rows.encode())
    TARGETS["listing"](('{"s11": [' + ", ".join(f"[{n}, {huge}]" for n in range(5)) + "]}").encode())
    assert numbers_in(f"points {huge} 51") == [("51", 51.0)]


def test_a_number_in_two_ways_is_no_row_of_frequencies() -> None:
    """Found by reading: `1.2.3k` was taken for a number."""
    TARGETS["learning"](b"\x00" + b"data frequencies sweep start stop points\r\n\x00" + b"1.2.3k\r\n" * 51)
    assert _list_of(["1.2.3k"] * 5, 5) is None
    assert _list_of([f"{n}.5k" for n in range(1, 6)], 5) is not None


def test_a_prompt_that_is_no_text_is_none() -> None:
    """Found by mutation: bytes before a number and before the identity were taken for a prompt, whatever they were."""
    TARGETS["learning"](b'\x90"\x08\x00ee\xff3\x00\x90"\x08')


def test_answers_that_always_leave_more_to_try_come_to_an_end(monkeypatch: pytest.MonkeyPatch) -> None:
    """Found by mutation: 6000 lines were sent, which takes an hour on a real port."""
    monkeypatch.setattr("protocol.learn.words.talk.MOST_LINES", 12)  # fewer than this console is asked
    script = (
        b"\x00\x03help\r\nCommandstarswee'\r\n\x00/\x99\x00\x00\r\n\x001 &   \r\n\x00\x00\x00\x00\x10lp\r\n"
        b"Commersion start stop ep"
    )
    assert f"{MOST_LINES} lines were sent" in outcome(lambda: learned(script))


def test_what_a_menu_of_keys_showed_is_one_line() -> None:
    said = outcome(lambda: learned(b"\x02" + b"\x00" * 3 + b"*1 0.5\r\n2 0.5\r\n"))
    assert "single keys" in said and said.isprintable()
