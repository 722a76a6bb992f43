"""What is fuzzed: each target takes any bytes and must come to an end, taken or refused in one line.

The tests feed them by hypothesis, `scripts/fuzz.py` by coverage. Anything but a refusal is a fault and is raised.
"""

from __future__ import annotations

import base64
import functools
import sqlite3
import tempfile
import zlib
from collections.abc import Callable
from importlib.resources import files
from pathlib import Path

import numpy as np
from textual import _parser
from textual.events import Key

from protocol.dialects import make_dialect
from protocol.dialects.events import (
    Apply,
    Fault,
    Identify,
    IdentityReply,
    ReadHelp,
    ReadSettings,
    Request,
    Send,
    Setup,
    SweepReply,
    TakeSweep,
    TextReply,
)
from protocol.dialects.exchange import PLAIN_LIMIT, Exchange
from protocol.files.harmless import harmless
from protocol.files.small_files import json_data
from protocol.files.touchstone import parse_touchstone
from protocol.learn.sweeps.shapes import shapes_of
from protocol.learn.words.tokens import entries_of
from protocol.profiles.profile import Profile, load_profile, parse_profile
from protocol.sweep import SweepSettings
from tests.hostile.in_memory import changed_in_memory, opened
from tests.hostile.oracle import outcome
from tests.hostile.sessions import learning, learning_spoiled, stranger, stranger_in_memory
from tests.hostile.visits import all_read, every_way_out, taken_in, whole, with_bytes, with_value
from tui.terminal.typed_bytes import PASTE_PAUSE_S, TypedBytes
from visit.calibration.stored_terms import terms_from
from visit.site.hookup import HookUp
from visit.site.kit import parse_kit
from visit.site.site import parse_site

SETTINGS = SweepSettings(450e6, 451e6, 5, 1000.0)
REQUESTS: tuple[Request, ...] = (
    Identify(),
    Setup(),
    Apply(SETTINGS),
    ReadSettings(),
    TakeSweep(SETTINGS),
    ReadHelp(),
)
LARGEST_REPLY = 2 * PLAIN_LIMIT + 4 * 2 * SETTINGS.points * 10 * 40
"""Bytes that a dialect may hold of an answer to these requests, over the limit of a plain reply twice."""
MOST_STEPS = 2000
WAYS_OUT_OF = 16
"""One changed visit in so many goes through every way out, which takes a second."""


def keys(data: bytes) -> None:
    """Bytes typed at a screen; the first ones part them into pieces with pauses. Afterwards a key is a key."""
    typed, now_s = TypedBytes(), 0.0
    parser = vars(_parser)
    clock, drawn = parser["get_time"], Key.__repr__
    parser["get_time"] = lambda: now_s
    Key.__repr__ = object.__repr__  # type: ignore[method-assign] # a debug log that is off draws each; half of the time
    try:
        rest = data[8:]
        for size in data[:8].ljust(8, b"\xff"):
            piece, rest = rest[: size or 1], rest[size or 1 :]
            typed.feed(piece, now_s)
            now_s += 0.3 if size % 2 else 0.0
            typed.tick(now_s)
        for _ in range(2):
            now_s += PASTE_PAUSE_S + 1.0
            typed.tick(now_s)
        said = [message for message in typed.feed(b"q", now_s) if isinstance(message, Key)]
    finally:
        parser["get_time"], Key.__repr__ = clock, drawn  # type: ignore[method-assign]
    assert said and said[-1].key == "q", "the screen is deaf"


def _text(data: bytes) -> str:
    return data.decode("utf-8", errors="replace")


def profile(data: bytes) -> None:
    """An untrusted profile; one that is taken must make a dialect that can be asked."""

    def call() -> None:
        make_dialect(parse_profile(_text(data))).start(Identify())

    outcome(call)


def site(data: bytes) -> None:
    """A site file."""
    outcome(lambda: parse_site(_text(data), Path("site.toml")))


def kit(data: bytes) -> None:
    """A kit file; the Touchstone files that it names are not there."""
    outcome(lambda: parse_kit(_text(data), Path("/nowhere/kit.toml")))


def touchstone(data: bytes) -> None:
    """A Touchstone file; the first byte says by which name it goes."""
    name = ("a.s1p", "a.s2p", "a.ts", "a.s3p")[data[0] % 4 if data else 0]

    def call() -> None:
        frequency, s = parse_touchstone(data[1:], Path(name), "a sweep", 1, 2)
        assert s.shape[0] == frequency.size
        assert np.isfinite(s).all() and (np.diff(frequency) > 0).all()

    outcome(call)


def terms(data: bytes) -> None:
    """The stored arrays of a calibration."""
    try:
        found = terms_from(data)
    except ValueError as error:
        assert str(error)
        return
    assert np.isfinite(found.isolation).all()


def hookup(data: bytes) -> None:
    """The words of a hook-up; what is taken reads back as itself."""

    def call() -> None:
        told = HookUp.parse(_text(data))
        assert told.alone or HookUp.parse(told.text).path == told.path

    outcome(call)


def json(data: bytes) -> None:
    """A JSON text of a visit file."""
    try:
        json_data(_text(data))
    except ValueError as error:
        assert str(error)


def words(data: bytes) -> None:
    """A name or a note."""
    line = harmless(_text(data))
    assert line.isprintable() and harmless(line) == line


def listing(data: bytes) -> None:
    """An analyzer's own list of commands and its data, as the learner takes them apart."""
    lines = [harmless(line, 400) for line in _text(data).split("\n")[:200]]
    entries_of(lines)
    for points in (None, 5, 11):
        shapes_of(lines, points)


def visit_bytes(data: bytes) -> None:
    """A visit file with bytes changed: three bytes each, place and value."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "a.visit"
        path.write_bytes(with_bytes(data))
        _through(path, data)


def visit_value(data: bytes) -> None:
    """A visit file with one value changed: column, kind, value."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "a.visit"
        if with_value(path, data):
            _through(path, data)


def values(data: bytes) -> None:
    """A visit with a few values changed, taken in from memory."""

    def call() -> None:
        with changed_in_memory(data) as connection:
            opened(connection, taken_in)

    outcome(call)


def _stranger(data: bytes) -> None:
    """Measuring on into a stranger's visit; some with all figures and the report."""
    stranger(data, figures=zlib.crc32(data) % WAYS_OUT_OF == 0)


def _through(path: Path, data: bytes) -> None:
    """All of the file read; some go through every way out besides."""
    outcome(lambda: all_read(path))
    if zlib.crc32(data) % WAYS_OUT_OF == 0:
        outcome(lambda: every_way_out(path, path.parent / "out"))


# Dialects


@functools.cache
def _profiles(family: str) -> tuple[Profile, ...]:
    shipped = [load_profile(name) for name in ("scpi", "console-lines", "console-traces", "registers")]
    text = (files("fixtures") / "profiles" / "scpi.toml").read_text(encoding="utf-8")
    ascii_scpi = parse_profile(text.replace('format = "real64"', 'format = "ascii"'))
    return tuple(one for one in (*shipped, ascii_scpi) if one.family == family)


def _dialect(family: str, data: bytes) -> None:
    """All requests in turn, answered by `data` in pieces; the first bytes choose the profile and the pieces."""
    choice = data[:2].ljust(2, b"\0")
    known = _profiles(family)
    dialect = make_dialect(known[choice[0] % len(known)])
    size = (1, 2, 7, 64, 1 << 16)[choice[1] % 5]
    for request in REQUESTS:
        try:
            dialect.start(request)
        except Exception as error:
            outcome(lambda error=error: _raise(error))  # type: ignore[misc]
            continue
        _answer(dialect, data[2:], size)


def _raise(error: Exception) -> None:
    raise error


def _answer(dialect: Exchange | object, answer: bytes, size: int) -> None:
    assert isinstance(dialect, Exchange)
    place = steps = 0
    while True:
        piece = answer[place : place + size]
        place += size
        for event in dialect.receive(piece) if piece else [dialect.silence()]:
            steps += 1
            if isinstance(event, Send):
                assert steps < MOST_STEPS, "it asks for ever"
                continue
            if isinstance(event, Fault):
                assert event.message and event.message.isprintable() and len(event.message) < 600
            elif isinstance(event, SweepReply):
                assert event.s11.shape == event.s21.shape == (SETTINGS.points,)
                assert np.isfinite(event.s11).all() and np.isfinite(event.s21).all()
            elif isinstance(event, IdentityReply):
                assert event.identity.text.isascii() and event.identity.text.isprintable()
            elif isinstance(event, TextReply):
                assert all(line.isascii() and line.isprintable() for line in event.lines)
            dialect.forget()
            return
        assert len(dialect._buffer) <= LARGEST_REPLY + (1 << 16), "it keeps an answer without end"


TARGETS: dict[str, Callable[[bytes], None]] = {
    "scpi": functools.partial(_dialect, "scpi"),
    "console": functools.partial(_dialect, "console"),
    "registers": functools.partial(_dialect, "registers"),
    "listing": listing,
    "profile": profile,
    "site": site,
    "kit": kit,
    "touchstone": touchstone,
    "terms": terms,
    "hookup": hookup,
    "json": json,
    "words": words,
    "keys": keys,
    "learning": learning,
    "learning-spoiled": learning_spoiled,
    "stranger": stranger_in_memory,
    "stranger-file": _stranger,
    "values": values,
    "visit-bytes": visit_bytes,
    "visit-value": visit_value,
}


def seeds(name: str) -> list[bytes]:
    """Inputs to begin with: real files and answers, and those that were found to reach more."""
    kept = corpus_file(name)
    lines = kept.read_text(encoding="ascii").split() if kept.is_file() else []
    return own_seeds(name) + [base64.b64decode(line) for line in lines]


def corpus_file(name: str) -> Path:
    """What `scripts/fuzz_fast.py --reduce` kept: an input a line, in base 64."""
    return Path(__file__).parent / "corpora" / f"{name}.txt"


def own_seeds(name: str) -> list[bytes]:
    """Real files and answers, so that the fuzzer need not find their shape."""
    folder = Path(str(files("fixtures")))
    if name == "profile":
        return [path.read_bytes() for path in sorted((folder / "profiles").glob("*.toml"))]
    if name == "site":
        return [path.read_bytes() for path in sorted((folder / "sites").glob("*.toml"))]
    if name == "kit":
        parts = b'[short]\ntouchstone = "a.s1p"\n[open]\ndelay_s = 1e-12\nfringing_f = [5e-14]\n'
        return [path.read_bytes() for path in sorted((folder / "kits").glob("*.toml"))] + [
            b'schema = 1\nname = "x"\n' + parts
        ]
    if name == "touchstone":
        row = b".1 0 .2 0 .2 0 0 0\n"
        one = b"\x01! c\n# Hz S RI R 50\n1e6 " + row + b"2e6 " + row
        two = b"\x02[Version] 2.0\n# MHz S MA R 50\n[Number of Ports] 2\n[Two-Port Data Order] 12_21\n"
        two += b"[Number of Frequencies] 1\n[Network Data]\n1 " + row + b"[End]\n"
        return [one, two, b"\x00# GHz Z DB R 75\n1 1 0\n"]
    if name == "terms":
        return [_stored_terms()]
    if name == "hookup":
        return [b"A>L pad2=10 jumper=half third=open", b"loads", b"antenna"]
    if name == "json":
        return [b'{"moved": {"value": 1.0, "low": null, "high": [1, true]}}']
    if name == "learning-spoiled":
        return [
            bytes([family]) + bytes(edit) for family in range(3) for edit in ((), (40, 0, 9, 3, 0), (80, 4, 9, 1, 1))
        ]
    if name in ("visit-value", "values", "stranger"):
        return [bytes([column, kind]) + b"[1]" for column in range(0, 110, 7) for kind in range(5)]
    return SEEDS.get(name, [b""])


def _stored_terms() -> bytes:
    connection = sqlite3.connect(":memory:")
    try:
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "a.visit"
            path.write_bytes(whole())
            connection.close()
            connection = sqlite3.connect(path)
            return bytes(connection.execute("select terms from calibration").fetchone()[0])
    finally:
        connection.close()


NO_ERROR = b'0,"No error"\n'
ROW = b"450000000 0.5 -0.25 0 1e-5\r\n"
HELP = b"help\r\nCommands: version start stop points data sweep\r\n"
SEEDS = {
    "scpi": [
        b"\x00\x04Maker,Model,1,2\n" + NO_ERROR * 9,
        b"\x01\x01" + (b"1\n" + NO_ERROR) * 8 + b"0,1,2,3,4,5,6,7,8,9\n" + NO_ERROR,
        b"\x00\x02#280" + bytes(80) + b"\n" + NO_ERROR + b'-113,"Undefined header"\n',
    ],
    "console": [
        b"\x00\x04id\r\nModel one\r\nyour turn: measure\r\nyour turn: table\r\n" + ROW * 5 + b"your turn: ",
        b"\x01\x02\r\n> 1.0 2.0\r\n> ",
    ],
    "registers": [b"\x00\x04" + bytes(range(64)) * 8],
    "listing": [b"Commands: sweep start stop points\nsweep {start} {stop} [points]\n1.0 2.0 3.0\n1.0 2.0 3.0\n"],
    "keys": [
        b"\x05\x04\x03\x02\x01\x05\x06\x07\x1b[200~text\x1b[201~\x1b[A\x1b[1;5C\x1b[97;5u",
        b"\xff\x1b[24;80R\x1b[48;24;80;0;0t\x1b[?2026;2$y\x1b[<0;1;1M\x1b[I\x1b[O\x1bOP\xc3\x28\xff",
    ],
    "learning": [
        b"\x03" + HELP + b"\x00ok\r\n\x001 0.5\r\n2 0.5\r\n",
        b"\x05Usage: sweep {start} {stop} [points]\r\nscan data help\r\n\x00" + ROW * 5,
        b"\x00Maker,Model,1,2\n\x00" + NO_ERROR,
    ],
    "stranger-file": [b"\x01\x10\x20\x30", bytes([0, 40, 1]) + b"\x05" + bytes(7)],
    "words": ["Ågård \x1b[31m \u202e".encode()],
}
