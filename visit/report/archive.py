"""Thousands of visits: a folder of visit files summed up in one Parquet table and asked by SQL.

Owns: one row per visit and side, building the table (on this machine or on a Dask cluster), the questions. Refuses: to
keep anything that the visit files do not hold; the table can be thrown away and made again.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Iterator, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from protocol.errors import RequestError
from protocol.files.harmless import harmless
from protocol.files.small_files import for_the_user_alone
from visit.report.trend import Point, points_of

TABLE = "archive.parquet"
COLUMNS = {
    "path": "VARCHAR",
    "changed_s": "DOUBLE",
    "site": "VARCHAR",
    "measured": "TIMESTAMP",
    "side": "VARCHAR",
    "reject_hz": "DOUBLE",
    "temperature_c": "DOUBLE",
    "notch_offset_hz": "DOUBLE",
    "rejection_kind": "VARCHAR",
    "rejection_db": "DOUBLE",
    "loss_db": "DOUBLE",
    "goal_db": "DOUBLE",
    "verdict": "VARCHAR",
    "surveyed": "BOOLEAN",
    "stage": "VARCHAR",
    "next_due": "VARCHAR",
    "fault": "VARCHAR",
}
"""Columns of the table. `measured` is in UTC, `verdict` that of the rejection against `goal_db`. `rejection_db` is the
value or the bound, as `rejection_kind` says; `fault` why a file could not be read, its other columns empty."""

_NEWEST = (
    "select * from visits where fault = ''"
    " qualify row_number() over (partition by site, side order by measured desc) = 1"
)
PROVEN = "('met', 'pass')"
"""What stands for a goal that is met; an archive that an earlier program began has the latter word."""
_SHOWN = "site, side, rejection_kind as kind, rejection_db, goal_db, verdict, surveyed, measured::date as day"
QUESTIONS = {
    "worst": f"select {_SHOWN} from ({_NEWEST})"  # noqa: S608 - made of constants
    " order by rejection_kind <> 'READING', rejection_db - goal_db, site, side limit 20",
    "unproven": f"select {_SHOWN} from ({_NEWEST}) where verdict not in {PROVEN} order by site, side limit 100",  # noqa: S608
    "overdue": "select site, max(measured)::date as day, arg_max(next_due, measured) as next_due,"
    " count(distinct path) as visits from visits where fault = '' group by site order by day limit 20",
    "drift": "select site, side, regr_slope(notch_offset_hz, temperature_c) / any_value(reject_hz) * 1e6 as ppm_per_k,"
    " count(*) as visits from visits where fault = '' and temperature_c is not null group by site, side"
    " having count(*) > 2 order by abs(ppm_per_k) desc limit 20",
    "faults": "select path, fault from visits where fault <> '' order by path limit 100",
}
"""Questions by name: `worst` ranks readings by what they miss, bounds after them, never among them. Anything else is
taken as SQL over the table `visits`, read only."""

KEEP_EVERY_S = 20.0
LONGEST_QUESTION = 4000
MOST_ROWS, MOST_LETTERS = 100_000, 20_000_000
LONGEST_QUESTION_S = 60
SCHEDULER_ANSWERS_S = 10.0
_ALONE = {
    "autoinstall_known_extensions": "false",
    "autoload_known_extensions": "false",
    "allow_community_extensions": "false",
    "allow_persistent_secrets": "false",
    "python_enable_replacements": "false",
    "temp_directory": "",
    "memory_limit": "2GB",
}
"""No extension is fetched or loaded, no variable of the program is taken for a table, nothing is spilled to disk."""
_LOCKED = (
    f"set max_execution_time = {LONGEST_QUESTION_S * 1000}",
    "set enable_external_access = false",
    "set lock_configuration = true",
)
"""From here on a question sees the table `visits` alone: no file, no network, no setting, and it comes to an end."""


def summary_rows(path: str) -> list[dict[str, Any]]:
    """The rows of one visit file; one row with its fault when it can't be read. Runs on any worker."""
    changed, told = _changed_s(path), _told(path)
    try:
        points = points_of(Path(path))
    except RequestError as error:
        return [_row(told, changed, None, harmless(error))]
    return [_row(told, changed, point, "") for point in points] or [
        _row(told, changed, None, "no wide sweep of a side")
    ]


def _told(path: str) -> str:
    """A name for the table, which holds no bytes that are no letters."""
    return path.encode("utf-8", "backslashreplace").decode("utf-8")


def _changed_s(path: str) -> float:
    """0 for a name that leads nowhere."""
    try:
        return Path(path).stat().st_mtime
    except OSError:
        return 0.0


def _row(path: str, changed: float, point: Point | None, fault: str) -> dict[str, Any]:
    row: dict[str, Any] = dict.fromkeys(COLUMNS)
    row |= {"path": path, "changed_s": changed, "fault": fault}
    if point is None:
        return row
    values = {
        "site": point.site,
        "measured": datetime.fromtimestamp(point.at_s, UTC).replace(tzinfo=None),
        "side": point.side,
        "reject_hz": point.reject_hz,
        "temperature_c": point.temperature_c,
        "notch_offset_hz": point.notch_offset.value,
        "rejection_kind": point.rejection.kind.value,
        "rejection_db": point.rejection.value,
        "loss_db": point.loss.value,
        "goal_db": point.goal_db,
        "verdict": point.verdict,
        "surveyed": point.surveyed,
        "stage": point.stage,
        "next_due": point.next_due,
    }
    row |= {key: None if isinstance(v, float) and not math.isfinite(v) else v for key, v in values.items()}
    return row


def visit_files(folder: Path) -> list[str]:
    """All visit files below a folder. Raises RequestError when there is none."""
    found = sorted(str(path) for path in folder.rglob("*.visit"))
    if not found:
        raise RequestError(f"{folder}: no visit file (*.visit) in it or below; give the folder where they are")
    return found


Progress = Callable[[int, int], None]


def build(folder: Path, scheduler: str | None = None, progress: Progress = lambda *_: None) -> int:
    """Bring the table of a folder up to date: only files that are new or changed are read again. Returns how many.

    `scheduler` is the address of a Dask scheduler, "local" two workers here; None this process alone. What was read is
    stored every `KEEP_EVERY_S` and at the end, also where the reading is broken off. Raises RequestError.
    """
    files = visit_files(folder)
    _duckdb()  # missed before the reading, not after it
    stored = _kept(folder)
    known = {row["path"]: row["changed_s"] for row in stored}
    there = set(map(_told, files))
    kept = [row for row in stored if row["path"] in there]
    fresh = [path for path in files if known.get(_told(path)) != _changed_s(path)]
    stale = set(map(_told, fresh))
    rows = [row for row in kept if row["path"] not in stale]
    changed, stored_s = len(rows) != len(kept), time.monotonic()
    try:
        for done, found in enumerate(_computed(fresh, scheduler), 1):
            rows += found
            changed = True
            progress(done, len(fresh))
            if time.monotonic() - stored_s > KEEP_EVERY_S:
                _store(folder, rows)
                changed, stored_s = False, time.monotonic()
    finally:  # what was read is kept, however the reading ends
        if changed:
            _store(folder, rows)
    return len(fresh)


def _computed(paths: Sequence[str], scheduler: str | None) -> Iterator[list[dict[str, Any]]]:
    if scheduler is None:
        yield from map(summary_rows, paths)
    elif scheduler == "local":
        yield from _by_two(paths)
    else:
        yield from _by_cluster(paths, scheduler)


def _by_two(paths: Sequence[str]) -> Iterator[list[dict[str, Any]]]:
    """Two processes of our own at the ends of two pipes: nothing listens on any network, not even on this machine's
    own address, where whoever else has an account could reach it."""
    from concurrent.futures import ProcessPoolExecutor  # noqa: PLC0415 - only for large archives
    from concurrent.futures.process import BrokenProcessPool  # noqa: PLC0415
    from multiprocessing import get_context  # noqa: PLC0415

    try:
        with ProcessPoolExecutor(max_workers=2, mp_context=get_context("spawn")) as pool:
            yield from pool.map(summary_rows, paths)
    except BrokenProcessPool:
        raise RequestError("a process that read visits was ended; build again without --scheduler") from None


def _by_cluster(paths: Sequence[str], scheduler: str) -> Iterator[list[dict[str, Any]]]:
    try:
        from distributed import Client, as_completed  # noqa: PLC0415 - only for clusters
    except ImportError:
        raise RequestError("a cluster needs Dask: pip install 'deepnotch[archive]', or leave --scheduler out") from None
    try:
        client = Client(scheduler, timeout=SCHEDULER_ANSWERS_S)
    except (OSError, TimeoutError, ValueError) as error:
        raise RequestError(f"no Dask scheduler answers at {scheduler} ({error}); check the address") from None
    try:
        futures = client.map(summary_rows, list(paths), pure=False)
        order = {future.key: index for index, future in enumerate(futures)}
        waiting: dict[int, list[dict[str, Any]]] = {}
        following = 0
        for future in as_completed(futures):
            waiting[order[future.key]] = future.result()
            while following in waiting:
                yield waiting.pop(following)
                following += 1
    finally:
        client.close()


def _duckdb() -> Any:
    try:
        import duckdb  # noqa: PLC0415 - only for the archive
    except ImportError:
        raise RequestError("the archive needs DuckDB: pip install 'deepnotch[archive]'") from None
    return duckdb


def _kept(folder: Path) -> list[dict[str, Any]]:
    table = folder / TABLE
    if not table.exists():
        return []
    duckdb = _duckdb()
    try:
        with duckdb.connect(config=_ALONE) as connection:
            names = ", ".join(COLUMNS)
            there = connection.execute("select name from parquet_schema(?)", [str(table)]).fetchall()
            if not COLUMNS.keys() <= {name for (name,) in there}:
                return []  # made by an earlier program: every file is read again
            rows = connection.execute(f"select {names} from read_parquet(?)", [str(table)]).fetchall()  # noqa: S608
    except (duckdb.Error, UnicodeDecodeError) as error:
        raise RequestError(f"{table}: damaged ({_first_line(error)}); throw it away and --build again") from None
    return [dict(zip(COLUMNS, row, strict=True)) for row in rows]


def _store(folder: Path, rows: Sequence[dict[str, Any]]) -> None:
    """Write the table whole, beside the old one, then in its place."""
    part = folder / f"{TABLE}.part"
    part.unlink(missing_ok=True)
    with _duckdb().connect(config=_ALONE) as connection:
        columns = ", ".join(f"{name} {kind}" for name, kind in COLUMNS.items())
        connection.execute(f"create table visits ({columns})")
        if rows:
            marks = ", ".join("?" for _ in COLUMNS)
            connection.executemany(f"insert into visits values ({marks})", [list(row.values()) for row in rows])  # noqa: S608
        target = str(part).replace("'", "''")
        with for_the_user_alone():
            connection.execute(f"copy (select * from visits order by path, side) to '{target}' (format parquet)")  # noqa: S608
    part.replace(folder / TABLE)


def ask(folder: Path, question: str) -> tuple[list[str], list[tuple[Any, ...]]]:
    """Column names and rows of a question: a name of `QUESTIONS`, or one SELECT over `visits`. Raises RequestError."""
    table = folder / TABLE
    if not table.exists():
        raise RequestError(f"{table} is not there yet: deepnotch archive {folder} --build first")
    sql = QUESTIONS.get(question, question)
    if len(sql) > LONGEST_QUESTION:
        raise RequestError(f"a question of more than {LONGEST_QUESTION} letters; ask in fewer")
    duckdb = _duckdb()
    try:
        statements = duckdb.extract_statements(sql.encode("utf-8").decode("utf-8"))
    except (duckdb.Error, UnicodeError) as error:
        raise RequestError(f"the archive can't read that: {_first_line(error)}") from None
    if [statement.type for statement in statements] != [duckdb.StatementType.SELECT]:
        names = ", ".join(QUESTIONS)
        raise RequestError(f"{harmless(question, 80)!r} is neither one of {names} nor one SELECT over the table visits")
    with duckdb.connect(config=_ALONE) as connection:
        try:
            connection.execute("create table visits as select * from read_parquet(?)", [str(table)])
            for setting in _LOCKED:
                connection.execute(setting)
            return _answer(connection.execute(statements[0]))
        except duckdb.Error as error:
            raise RequestError(f"the archive can't answer that: {_first_line(error)}") from None
        except UnicodeDecodeError:
            raise RequestError(f"{table}: damaged; throw it away and --build it again") from None


def _answer(cursor: Any) -> tuple[list[str], list[tuple[Any, ...]]]:
    """Row by row, so that an answer without end, or of endless texts, is given up in time."""
    names, rows, letters = [column[0] for column in cursor.description], [], 0
    while (row := cursor.fetchone()) is not None:
        rows.append(row)
        letters += sum(len(value) for value in row if isinstance(value, str | bytes))
        if len(rows) > MOST_ROWS or letters > MOST_LETTERS:
            raise RequestError(f"the answer has more than {MOST_ROWS} rows or is very long; ask for less with LIMIT")
    return names, rows


def _first_line(error: Exception) -> str:
    return harmless((str(error).splitlines() or [type(error).__name__])[0], 200)
