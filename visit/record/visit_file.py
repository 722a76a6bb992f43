"""The visit file: where everything meets. The writer commits each sweep as it arrives; screens and reports only read.

Owns: making, opening and checking the file, one insert per event, reading sweeps back. Refuses: to change what was
written, to compute figures, and to open a database that is not a visit. Schema and meaning of columns:
`visit.record.schema`; the connection: `visit.record.database`.
"""

from __future__ import annotations

import hashlib
import os
import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from protocol.errors import RequestError
from protocol.files.harmless import harmless
from protocol.files.program import program_version
from protocol.sweep import Applied, Sweep, SweepSettings, bandwidth_words
from visit.record.database import Database, Tell
from visit.record.opening import (
    Reader,
    RecordError,
    check_may_write,
    connect,
    damaged,
    for_writing,
    look_at_header,
    look_beside,
    only_reads,
    there,
)
from visit.record.schema import APPLICATION_ID, MIGRATIONS, SCHEMA, SCHEMA_VERSION
from visit.record.soundness import PATIENCE_S, UnsoundError, check_rows, check_schema, patient, verdict_of
from visit.site.hookup import THIRDS, HookUp
from visit.site.site import Site, parse_site

LARGEST_STORED = 1e6
"""Amplitude re a thru; a sweep from an analyzer is refused above a thousand."""
CHECKING = "checking the file"
SWEEPS_AT_ONCE, MOST_GRIDS = 8, 64
"""Sweeps read together; frequency points held."""
BYTES_A_POINT = 32
"""Of a stored sweep: two complex numbers of 16 bytes."""
SLOWEST_BYTES_S = 10e6
"""A disk that is read more slowly makes the check of a large file give up."""
PORT_BACK, RESTARTED = "port back", "restarted"
"""Kinds of remarks after which a correction must be proved anew: the analyzer was off meanwhile."""


@dataclass(frozen=True, slots=True)
class RunRow:
    """One run as recorded. `outcome` is None while it runs."""

    id: int
    purpose: str
    hookup: HookUp
    settings: SweepSettings
    changes: tuple[str, ...]
    planned_sweeps: int | None
    outcome: str | None
    started_s: float
    calibration_id: int | None = None
    watched: bool | None = None
    """Whether somebody saw figures while it came and could stop it; None: written by an earlier program."""

    @property
    def bandwidth_words(self) -> str:
        """Its bandwidth for people, where that is known."""
        return bandwidth_words(self.settings.bandwidth_hz, self.changes)


@dataclass(frozen=True, slots=True)
class StoredSweep:
    """One sweep as read back: arrays of shape (K,), complex linear S-parameters, frequency in hertz."""

    id: int
    frequency_hz: NDArray[np.float64]
    s11: NDArray[np.complex128]
    s21: NDArray[np.complex128]
    started_s: float
    duration_s: float


class VisitFile(Database):
    """One visit file, opened to write or only to read."""

    def __init__(
        self, path: Path, connection: sqlite3.Connection, reader: Reader | None = None, tell: Tell = lambda *_: None
    ) -> None:
        super().__init__(path, connection, reader, tell)
        self._grids: dict[object, NDArray[np.float64]] = {}

    @classmethod
    def create(cls, path: Path, site: Site, site_path: str, now_s: float) -> VisitFile:
        """Make a new file, private to its user. Raises RecordError when it exists or can't be written."""
        there(path)
        look_beside(path)
        try:
            os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY | os.O_NOFOLLOW, 0o600))
        except FileExistsError:
            raise RecordError(f"{path} exists already: open it, or give another name; nothing was changed") from None
        except OSError as error:
            raise RecordError(f"can't write {path}: {error.strerror}; choose another folder with --visit") from None
        visit = cls(path, connect(path, "mode=rw"))
        try:
            visit._lay_out(site, site_path, now_s)
        except RecordError:  # nothing of a visit is in it
            visit.close()
            for ending in ("", "-wal", "-shm", "-journal"):
                Path(f"{path}{ending}").unlink(missing_ok=True)
            raise
        visit.settle()
        return visit

    def _lay_out(self, site: Site, site_path: str, now_s: float) -> None:
        with self.writing() as connection:
            for_writing(connection)
        with self.writing() as connection:
            connection.executescript(SCHEMA)
            connection.execute("insert into about values (?, ?)", (program_version(), now_s))
            values = (now_s, site.source, site_path)
            connection.execute("insert into site (at_s, toml, path) values (?, ?, ?)", values)
            # The marks come last: a file whose making was broken off is not taken for a visit.
            connection.execute(f"pragma application_id = {APPLICATION_ID}")
            connection.execute(f"pragma user_version = {SCHEMA_VERSION}")

    @classmethod
    def open(
        cls, path: Path, *, read_only: bool = False, glance: bool = False, tell: Tell = lambda *_: None
    ) -> VisitFile:
        """Open an existing file after checking that it is a whole visit of a known version. Raises RecordError.

        `glance`: only to see whether somebody measures into it, not checked. `tell` hears how far a long reading is.
        """
        if not there(path):
            raise RecordError(f"{path}: no such visit file; check the name")
        look_at_header(path)
        if not read_only:
            check_may_write(path)
        reader: Reader | None = None
        connection: sqlite3.Connection | None = None
        try:
            if not glance:
                tell(CHECKING, 0, path.stat().st_size)
            reader = Reader(path) if read_only else None
            connection = connect(path, "mode=rw") if reader is None else reader.connection
            _check(connection, path, read_only=read_only, glance=glance)
        except BaseException as error:
            if connection is not None:
                connection.close()
            if reader is not None:
                reader.clear()
            if isinstance(error, sqlite3.Error):
                raise RecordError(f"{path}: can't be read as a visit file ({error}); work on the second copy") from None
            if isinstance(error, UnsoundError):
                raise damaged(path, error) from None
            raise
        return cls(path, connection, reader, tell)

    def add_analyzer(self, identity: str, profile_name: str, port: str, now_s: float) -> int:
        """Record that an analyzer was opened; returns its row."""
        return self.add_row(
            "analyzer", {"at_s": now_s, "identity": identity, "profile_name": profile_name, "port": port}
        )

    def begin_run(
        self,
        purpose: str,
        hookup: HookUp,
        applied: Applied,
        planned: int | None,
        analyzer_id: int | None,
        now_s: float,
        calibration_id: int | None = None,
        *,
        watched: bool = True,
    ) -> int:
        """Record the start of a run with the settings the analyzer reported back; returns its row."""
        actual = applied.actual
        values = {
            "at_s": now_s, "analyzer_id": analyzer_id, "purpose": purpose,
            "driven": hookup.driven, "read": hookup.read, "third": hookup.third, "path": hookup.path.text,
            "start_hz": actual.start_hz, "stop_hz": actual.stop_hz, "points": actual.points,
            "bandwidth_hz": actual.bandwidth_hz, "level_dbm": actual.level_dbm, "changes": "\n".join(applied.changes),
            "planned_sweeps": planned, "calibration_id": calibration_id, "watched": int(watched),
        }  # fmt: skip
        run_id = self.add_row("run", values)
        self.settle()
        return run_id

    def end_run(self, run_id: int, outcome: str, now_s: float) -> None:
        """Close a run; the first outcome counts."""
        with self.writing() as connection:
            connection.execute(
                "update run set ended_s = ?, outcome = ? where id = ? and outcome is null",
                (now_s, outcome, run_id),
            )
        self.settle()

    def add_sweep(self, run_id: int, sweep: Sweep) -> None:
        """Commit one sweep; it is on the disk when this returns."""
        try:
            self._add_sweep(run_id, sweep)
        except RecordError:
            if not self.went_elsewhere():
                raise
            self._add_sweep(run_id, sweep)

    def _add_sweep(self, run_id: int, sweep: Sweep) -> None:
        blob = sweep.frequency_hz.astype("<f8").tobytes()
        digest = hashlib.sha256(blob).hexdigest()
        with self.writing() as connection:
            connection.execute("insert or ignore into grid (digest, frequency_hz) values (?, ?)", (digest, blob))
            connection.execute(
                "insert into sweep (run_id, sequence, started_s, duration_s, grid_id, s11, s21)"
                " values (?, ?, ?, ?, (select id from grid where digest = ?), ?, ?)",
                (
                    run_id,
                    sweep.sequence,
                    sweep.started_s,
                    sweep.duration_s,
                    digest,
                    sweep.s11.astype("<c16").tobytes(),
                    sweep.s21.astype("<c16").tobytes(),
                ),
            )

    def remark(self, kind: str, words: str, now_s: float) -> None:
        """Add a line to the log of the visit."""
        self.add_row("remark", {"at_s": now_s, "kind": kind, "words": words})

    def change_site(self, site: Site, site_path: str, now_s: float) -> None:
        """The site was edited: the newest row counts, the former ones stay."""
        with self.writing() as connection:
            values = (now_s, site.source, site_path)
            connection.execute("insert into site (at_s, toml, path) values (?, ?, ?)", values)

    @property
    def site_path(self) -> Path:
        """File from which the site was last taken."""
        return Path(str(self.rows("select path from site order by id desc limit 1")[0][0]))

    def site(self) -> Site:
        """The site as last recorded."""
        rows = self.rows("select toml, path from site order by id desc limit 1")
        if not rows:
            raise damaged(self.path, "it holds no site")
        return parse_site(str(rows[0][0]), Path(harmless(rows[0][1], 200)))

    def runs(self) -> list[RunRow]:
        """All runs in the order they were begun."""
        rows = self.rows(
            "select id, purpose, driven, read, third, start_hz, stop_hz, points, bandwidth_hz, level_dbm, changes,"
            " planned_sweeps, outcome, at_s, path, calibration_id, watched from run order by id"
        )
        try:
            return [_run_row(row) for row in rows]
        except RequestError as error:  # a hook-up or a span that does not exist
            raise damaged(self.path, f"a run: {error}") from None

    def run(self, run_id: int) -> RunRow:
        """One run. Raises RecordError when there is no such run."""
        found = next((run for run in self.runs() if run.id == run_id), None)
        if found is None:
            raise RecordError(f"{self.path}: no run {run_id} in this file; choose one of those that the report lists")
        return found

    def sweeps(self, run_id: int, after_id: int = 0, limit: int = -1) -> list[StoredSweep]:
        """Sweeps of a run in the order they came, those with a row id above `after_id`."""
        rows = self.rows(
            "select id, grid_id, s11, s21, started_s, duration_s from sweep where run_id = ? and id > ?"
            " order by id limit ?",
            (run_id, after_id, limit),
        )
        grids = self._grids
        found = []
        for sweep_id, grid_id, s11, s21, started, duration in rows:
            if grid_id not in grids:
                if len(grids) >= MOST_GRIDS:
                    grids.clear()
                grids[grid_id] = self._grid(grid_id)
            frequency = grids[grid_id]
            first, second = _trace(s11, frequency.size), _trace(s21, frequency.size)
            if first is None or second is None:
                raise damaged(self.path, f"sweep {sweep_id} of run {run_id} holds values that no analyzer gives")
            found.append(StoredSweep(_int(sweep_id), frequency, first, second, _float(started), _float(duration)))
        return found

    def each_sweep(self, run_id: int, after_id: int = 0, limit: int = -1) -> Iterator[StoredSweep]:
        """The same sweeps one by one, a few at a time in memory. Raises RecordError."""
        left = limit
        while left:
            batch = self.sweeps(run_id, after_id, SWEEPS_AT_ONCE if left < 0 else min(left, SWEEPS_AT_ONCE))
            if not batch:
                return
            yield from batch
            after_id, left = batch[-1].id, left - len(batch) if left > 0 else left

    def _grid(self, grid_id: object) -> NDArray[np.float64]:
        rows = self.rows("select frequency_hz from grid where id = ?", (grid_id,))
        blob = rows[0][0] if rows else b""
        if isinstance(blob, bytes) and len(blob) % 8 == 0:
            frequency = np.frombuffer(blob, "<f8")
            if frequency.size >= 2 and frequency[0] > 0 and frequency[-1] < 1e12 and (np.diff(frequency) > 0).all():
                return frequency
        raise damaged(self.path, f"frequency points {grid_id} do not rise")

    def kept(self, run_id: int) -> tuple[int, int]:
        """How many sweeps of a run are on the disk, and the sequence number after the last one."""
        ((count, last),) = self.rows("select count(*), max(sequence) from sweep where run_id = ?", (run_id,))
        return int(str(count)), 0 if last is None else int(str(last)) + 1

    def reopen(self, run_id: int, now_s: float) -> None:
        """A run that was broken off goes on: its end is taken back, and the log says so."""
        with self.writing() as connection:
            connection.execute("update run set ended_s = null, outcome = null where id = ?", (run_id,))
            words = f"run {run_id} goes on"
            connection.execute("insert into remark (at_s, kind, words) values (?, 'resumed', ?)", (now_s, words))

    def sweep_counts(self) -> dict[int, int]:
        """How many sweeps of each run are on the disk."""
        rows = self.rows("select run_id, count(*) from sweep group by run_id")
        return {_int(run): _int(count) for run, count in rows}

    def sweep_count(self, run_id: int) -> int:
        """How many sweeps of a run are on the disk."""
        return int(str(self.rows("select count(*) from sweep where run_id = ?", (run_id,))[0][0]))


def _check(connection: sqlite3.Connection, path: Path, *, read_only: bool, glance: bool) -> None:
    """Passes when the file is a sound visit; it is brought to the present version, or looks so when it is only read.
    Raises RecordError, UnsoundError or sqlite3.Error; the caller closes."""
    patient(connection, PATIENCE_S + path.stat().st_size / SLOWEST_BYTES_S)
    application = connection.execute("pragma application_id").fetchone()[0]
    found = connection.execute("pragma user_version").fetchone()[0]
    if application != APPLICATION_ID:
        raise RecordError(f"{path}: not a visit file (another program's database); give the right file")
    if found != SCHEMA_VERSION and found not in MIGRATIONS:
        raise RecordError(
            f"{path}: visit file version {found}, this program reads {SCHEMA_VERSION}; use the newer program"
        )
    check_schema(connection, found)
    if not glance:
        verdict = verdict_of(connection)
        if verdict != "ok":
            raise damaged(path, verdict)
        check_rows(connection, found)
    if read_only:
        only_reads(connection, found)
    else:
        if found < SCHEMA_VERSION:
            _bring_on(connection, found)
        for_writing(connection)
    patient(connection, None)


def _bring_on(connection: sqlite3.Connection, version: int) -> None:
    for step in range(version, SCHEMA_VERSION):
        connection.executescript(f"begin; {MIGRATIONS[step]} pragma user_version = {step + 1}; commit;")


def _run_row(row: tuple[object, ...]) -> RunRow:
    (
        run_id,
        purpose,
        driven,
        read,
        third,
        start,
        stop,
        points,
        bandwidth,
        level,
        changes,
        planned,
        outcome,
        at_s,
        path,
        calibration_id,
        watched,
    ) = row
    told = HookUp.parse(f"{driven} {path}" if driven == read else f"{driven}>{read} {path}")
    if third not in THIRDS:
        raise RequestError(f"{harmless(third, 20)!r} closes no port")
    return RunRow(
        id=_int(run_id),
        purpose=str(purpose),
        hookup=HookUp(told.driven, told.read, str(third), told.path),
        settings=SweepSettings(
            _float(start),
            _float(stop),
            _int(points),
            _float(bandwidth),
            None if level is None else _float(level),
        ),
        changes=tuple(str(changes).splitlines()),
        planned_sweeps=None if planned is None else _int(planned),
        outcome=None if outcome is None else str(outcome),
        started_s=_float(at_s),
        calibration_id=None if calibration_id is None else _int(calibration_id),
        watched=None if watched is None else bool(watched),
    )


def _trace(blob: object, points: int) -> NDArray[np.complex128] | None:
    """An array as stored; None when it is none of so many points, or holds what no analyzer gives."""
    if not isinstance(blob, bytes) or len(blob) != 16 * points:
        return None
    trace = np.frombuffer(blob, "<c16")
    return trace if np.abs(trace).max() <= LARGEST_STORED else None


def _int(value: object) -> int:
    assert isinstance(value, int)
    return value


def _float(value: object) -> float:
    assert isinstance(value, int | float)
    return float(value)
