"""An untrusted file runs nothing and asks for no more memory than it may: pickles, headers that lie, patterns that
take for ever, questions that would leave the table."""

from __future__ import annotations

import io
import os
import pickle
import time
import zipfile
from pathlib import Path

import numpy as np
import pytest

from protocol.errors import RequestError
from protocol.files.touchstone import parse_touchstone
from protocol.simulated.control import recorded_device
from rf.calibration.error_terms import ErrorTerms
from tests.hostile.oracle import memory_for, outcome
from visit.calibration.stored_terms import terms_blob, terms_from
from visit.record.touchstone_sweeps import read_recorded
from visit.report import archive
from visit.report.archive import COLUMNS, ask, build
from visit.site.kit import load_kit


class Runs:
    """Makes a folder when it is unpickled."""

    def __init__(self, mark: Path) -> None:
        self.mark = mark

    def __reduce__(self) -> tuple[object, ...]:
        return os.mkdir, (str(self.mark),)


def test_a_pickle_that_is_called_touchstone_does_not_run(tmp_path: Path) -> None:
    mark = tmp_path / "it ran"
    path = tmp_path / "sweep.s2p"
    path.write_bytes(pickle.dumps(Runs(mark)))
    with pytest.raises(RequestError, match="not readable as Touchstone"):
        read_recorded([path])
    part = tmp_path / "open.s1p"
    part.write_bytes(pickle.dumps(Runs(mark)))
    kit = tmp_path / "kit.toml"
    kit.write_text('schema = 1\nname = "box"\n[open]\ntouchstone = "open.s1p"\n')
    with pytest.raises(RequestError, match=r"line 4: open\.touchstone"):
        load_kit(kit)
    with pytest.raises(ValueError, match="not readable as Touchstone"):
        recorded_device(str(path))
    assert not mark.exists()


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("!" * 400_000, "a.s2p"),  # the parser's pattern for port names takes the square of this
        ("! a::" + "b:" * 100_000, "a.s2p"),
        ("[Version] 2.0\n# Hz S RI R 50\n[Number of Ports] 9000\n[Network Data]\n1 0 0\n", "a.ts"),
        ("# Hz S RI R 50\n1 0 0\n", "a.s30000p"),  # 900 million numbers for each point
        ("# Hz S RI R 50\n1 0 0\n", "a.s2p.txt"),
        ("# Hz S DB R 50\n1 9e99 0 9e99 0 9e99 0 9e99 0\n", "a.s2p"),
        ("# Hz S RI R " + "1 " * 50_000 + "\n1 0 0 0 0 0 0 0 0\n", "a.s2p"),
        ("# Hz S RI R 50\n" + "1 " * 60_000, "a.s2p"),
        ("[Version] 2.0\n[Reference] " + "x " * 1000, "a.s2p"),
        ("# Hz S RI R 50\nnan 0 0 0 0 0 0 0 0\n", "a.s2p"),
    ],
    ids=range(10),
)
def test_a_touchstone_file_takes_neither_time_nor_memory(text: str, name: str) -> None:
    began = time.process_time()
    used = memory_for(lambda: parse_touchstone(text.encode(), Path(name), "a sweep", 2))
    assert outcome(lambda: parse_touchstone(text.encode(), Path(name), "a sweep", 2))
    assert used < 100e6
    assert time.process_time() - began < 10.0


def test_a_touchstone_comment_may_hold_anything() -> None:
    """UTF-8 letters whose second byte is a line end in Latin-1 once cut a comment in two."""
    rows = "".join(f"{hz}e6 .1 0 .2 0 .2 0 0 0 ! Å\n" for hz in range(1, 4))
    text = f"! Ålesund 1 2 3\n! \x85 4\r# Hz S RI R 50\n{rows}"
    frequency, s = parse_touchstone(text.encode(), Path("a.s2p"), "a sweep", 2)
    assert list(frequency) == [1e6, 2e6, 3e6]
    assert s[2, 1, 0] == 0.2


def test_what_is_no_file_is_not_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "a.s2p")
    for path in (tmp_path / "a.s2p", tmp_path, Path("/dev/zero"), Path("nu\0ll.s2p")):
        assert outcome(lambda path=path: read_recorded([path]))  # type: ignore[misc]


# Stored arrays


def terms(points: int = 5) -> ErrorTerms:
    return ErrorTerms(np.linspace(1e6, 2e6, points), *(np.full(points, 0.5 + 0.1j) for _ in range(6)))


def archive_of(**members: bytes) -> bytes:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as file:
        for name in ErrorTerms.__slots__:
            kind = "<f8" if name == "frequency_hz" else "<c16"
            plain = io.BytesIO()
            np.save(plain, np.arange(1, 6).astype(kind))
            file.writestr(f"{name}.npy", members.get(name, plain.getvalue()))
    return buffer.getvalue()


def header(text: str, body: bytes = b"") -> bytes:
    return b"\x93NUMPY\x01\x00" + len(text).to_bytes(2, "little") + text.encode() + body


def test_terms_come_back_as_they_were() -> None:
    kept = terms_from(terms_blob(terms()))
    assert all(np.array_equal(getattr(kept, name), getattr(terms(), name)) for name in ErrorTerms.__slots__)
    assert np.array_equal(terms_from(archive_of()).isolation, np.arange(1, 6))


def test_stored_arrays_that_lie_are_refused(tmp_path: Path) -> None:
    mark = tmp_path / "it ran"
    objects = io.BytesIO()
    np.save(objects, np.array([Runs(mark)], dtype=object), allow_pickle=True)
    evil = {
        "an object array": archive_of(isolation=objects.getvalue()),
        "a pickle": pickle.dumps(Runs(mark)),
        "a pickle within": archive_of(isolation=pickle.dumps(Runs(mark))),
        "a plain array": objects.getvalue(),
        "a huge shape": archive_of(
            isolation=header("{'descr': '<c16', 'fortran_order': False, 'shape': (900000000000,), }\n")
        ),
        "another shape": archive_of(isolation=header("{'descr': '<c16', 'fortran_order': False, 'shape': (5,), }\n")),
        "a deep header": archive_of(isolation=header("(" * 60_000)),
        "code in a header": archive_of(isolation=header(f"{{'descr': __import__('os').mkdir({str(mark)!r})}}\n")),
        "a bomb": archive_of(isolation=header("{'descr': '<c16'}\n", b"\0" * 80_000_000)),
        "one point": terms_blob(terms(1)),
        "not finite": terms_blob(ErrorTerms(np.linspace(1.0, 2.0, 3), *(np.full(3, np.nan + 0j) for _ in range(6)))),
        "cut": terms_blob(terms())[:-30],
        "nothing": b"",
    }
    for name, blob in evil.items():

        def read(blob: bytes = blob) -> None:
            with pytest.raises(ValueError, match=r"[a-z]"):
                terms_from(blob)

        assert memory_for(read) < 60e6, name
    assert not mark.exists()


# Questions


def table(folder: Path) -> Path:
    archive._store(folder, [dict.fromkeys(COLUMNS) | {"path": "a.visit", "site": "Hill", "fault": ""}])
    return folder


@pytest.mark.parametrize(
    "question",
    [
        "select * from read_text('/etc/passwd')",
        "select * from read_csv('{folder}/secret.txt')",
        "select * from '{folder}/secret.txt'",
        "select * from glob('{folder}/*')",
        "select * from read_parquet('{folder}/archive.parquet')",
        "select * from '.tmp/x.csv'",
        "select 1; copy visits to '{folder}/out.csv'",
        "copy visits to '{folder}/out.csv'",
        "attach '{folder}/out.db'",
        "install httpfs",
        "load httpfs",
        "set enable_external_access = true",
        "select * from read_text('https://192.0.2.1/x')",
        "select * from sqlite_scan('{folder}/x', 'y')",
        "select * from secret_of_the_caller",
        "create table t as select 1",
        "pragma enable_profiling",
        "select getenv('HOME')",
        "select * from range(10000000)",
        "select repeat('x', 30000000)",
        "select count(*) from range(100000000000) a, range(1000000) b where a.range * b.range % 7 = 3",
        "select " + "(" * 100_000,
        "\ud800",
        "",
        "\x1b[31m",
    ],
    ids=range(25),
)
def test_a_question_sees_the_table_alone(tmp_path: Path, question: str, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "secret.txt").write_text("secret\n")
    monkeypatch.setattr(archive, "_LOCKED", ("set max_execution_time = 300", *archive._LOCKED[1:]))
    secret_of_the_caller = np.arange(3)
    assert secret_of_the_caller.size
    line = outcome(lambda: ask(table(tmp_path), question.replace("{folder}", str(tmp_path))))
    assert line
    assert "\x1b" not in line
    assert sorted(path.name for path in tmp_path.iterdir()) == ["archive.parquet", "secret.txt"]


def test_questions_that_may_be_asked(tmp_path: Path) -> None:
    assert ask(table(tmp_path), "select site from visits") == (["site"], [("Hill",)])
    assert ask(tmp_path, "with v as (from visits) select count(*) as n from v;") == (["n"], [(1,)])
    assert ask(tmp_path, "faults")[1] == []


def test_an_untrusted_table_is_refused(tmp_path: Path) -> None:
    (tmp_path / "archive.parquet").write_bytes(b"PAR1" + b"\xff" * 200 + b"PAR1")
    (tmp_path / "a.visit").write_bytes(b"")
    assert "damaged" in outcome(lambda: build(tmp_path))
    assert "can't answer" in outcome(lambda: ask(tmp_path, "worst"))
