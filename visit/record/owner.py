"""Who measures into a visit file, and how another process takes over: all of it goes through the file.

Owns: the rows by which a measuring process is known to live, and the request to hand over: one of several that ask
wins, the others change nothing. Refuses: signals and sockets; the process that measures looks for a request at the end
of each sweep.
"""

from __future__ import annotations

import os
import threading
import time
from dataclasses import dataclass
from pathlib import Path

from protocol.errors import RequestError
from visit.record.opening import RecordBusyError
from visit.record.visit_file import VisitFile

ASK_EVERY_S = 0.2
"""How often a owner looks for a request, and an asker for its effect."""
PATIENCE_S = 15.0
"""Beside three sweeps, how long an asker waits for a owner to let go."""


@dataclass(frozen=True, slots=True)
class Owner:
    """A process that measures into a visit file."""

    id: int
    pid: int
    mark: str
    port: str
    at_s: float

    @property
    def lives(self) -> bool:
        """True while this very process runs (a number used again by another does not count)."""
        return mark_of(self.pid) == self.mark


def mark_of(pid: int) -> str:
    """What tells a process from a later one with the same number: boot and start time; "" when there is none.

    Source: proc(5), /proc/PID/stat field 22 and /proc/sys/kernel/random/boot_id.
    """
    try:
        boot = Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()
        stat = Path(f"/proc/{pid}/stat").read_text(encoding="utf-8", errors="replace").rpartition(")")[2].split()
    except OSError:
        return ""
    return "" if stat[0] in "ZX" else f"{boot} {stat[19]}"  # a zombie measures nothing any more


def register(visit: VisitFile, port: str) -> int:
    """Note that this process measures into the file; returns its row, the one that it has already where it does.

    Raises RequestError when another process does, or is just taking over: of several that try at once one wins.
    """
    with visit.writing() as connection:
        connection.execute("begin immediate")
        found = living(visit)
        if found is not None:
            raise RequestError(busy_words(visit, found))
        promised = _promised_to(visit)
        if promised is not None:
            raise RequestError(f"{visit.path}: process {promised} is just taking it over; watch it, or try again later")
        mine = mark_of(os.getpid())
        rows = visit.rows("select id, pid, mark, port, at_s from keeper order by id desc limit 1")
        last = _owner(rows[0]) if rows else None
        this = (os.getpid(), mine, port)
        if last is not None and (last.pid, last.mark, last.port) == this and not _let_go(visit, last):
            return last.id
        row = connection.execute(
            "insert into keeper (at_s, pid, mark, port) values (?, ?, ?, ?)", (time.time(), os.getpid(), mine, port)
        ).lastrowid
    assert row is not None
    visit.settle()
    return row


def _promised_to(visit: VisitFile) -> int | None:
    """The other living process to which the newest owner handed over and that has not begun yet."""
    rows = visit.rows(
        "select words from remark where kind = 'handed over' and words like 'keeper ' || (select max(id) from keeper)"
        " || ' to process %' order by id desc limit 1"
    )
    pid = str(rows[0][0]).rpartition(" ")[2] if rows else ""
    return int(pid) if pid.isdigit() and int(pid) != os.getpid() and mark_of(int(pid)) else None


def living(visit: VisitFile) -> Owner | None:
    """The other process that measures into this file now, None when there is none."""
    rows = visit.rows("select id, pid, mark, port, at_s from keeper where pid != ? order by id desc", (os.getpid(),))
    owners = map(_owner, rows)
    return next((owner for owner in owners if owner.lives and not _let_go(visit, owner)), None)


def _owner(row: tuple[object, ...]) -> Owner:
    number, pid, mark, port, at_s = row
    return Owner(int(str(number)), int(str(pid)), str(mark), str(port), float(str(at_s)))


def _let_go(visit: VisitFile, owner: Owner) -> bool:
    return bool(
        visit.rows("select 1 from remark where kind = 'handed over' and words like ?", (f"keeper {owner.id} %",))
    )


def busy_words(visit: VisitFile, owner: Owner) -> str:
    """One line for somebody who meets a file that is being measured into."""
    return (
        f"{visit.path} is being measured into by process {owner.pid} ({run_words(visit)}); watch it with `deepnotch"
        f" watch {visit.path}`, or take it over with --take-over"
    )


def run_words(visit: VisitFile) -> str:
    """How far the newest run is, e.g. ``60 of 100 sweeps``."""
    runs = visit.runs()
    if not runs:
        return "no run yet"
    done, planned = visit.sweep_count(runs[-1].id), runs[-1].planned_sweeps
    return f"{done} sweeps" if planned is None else f"{done} of {planned} sweeps"


def unfinished(visit: VisitFile) -> str:
    """One line when the last run has no end: it is being measured, or was broken off and the file may be a lone copy;
    empty when it has one."""
    runs = visit.runs()
    if not runs or runs[-1].outcome is not None:
        return ""
    if living(visit) is not None:
        return f"run {runs[-1].id} is being measured now, {run_words(visit)} so far"
    return (
        f"run {runs[-1].id} was broken off, {run_words(visit)} are here; if this file was copied while it was measured"
        " into, the others are in the original: copy that with `deepnotch copy`"
    )


def ask(visit: VisitFile, owner: Owner) -> None:
    """Ask an owner to stop at the end of the sweep and to give the port. Raises RequestError when somebody else asked
    before: nothing is changed then."""
    with visit.writing() as connection:
        connection.execute("begin immediate")
        first = asked(visit, owner.id)
        if first is not None and first != os.getpid():
            raise RequestError(
                f"{visit.path}: process {first} is taking it over already; watch it with `deepnotch watch {visit.path}`"
            )
        connection.execute(
            "insert into handover (at_s, keeper_id, pid) values (?, ?, ?)", (time.time(), owner.id, os.getpid())
        )


def asked(visit: VisitFile, keeper_id: int) -> int | None:
    """The first process that asks this owner to hand over and still lives; None when none does."""
    rows = visit.rows("select pid from handover where keeper_id = ? order by id", (keeper_id,))
    return next((pid for (found,) in rows if mark_of(pid := int(str(found)))), None)


def hand_over(visit: VisitFile, keeper_id: int, to_pid: int) -> None:
    """Note that the port was given; said last, when it is true."""
    visit.remark("handed over", f"keeper {keeper_id} to process {to_pid}", time.time())


def take_over(visit: VisitFile, owner: Owner, tick: threading.Event | None = None) -> None:
    """Ask, and wait until the owner has let go or has ended. Raises RequestError when it does neither.

    The patience counts from the last sweep that came: a owner in the middle of a slow sweep is not a dead one.
    """
    pause = tick or threading.Event()
    longest = visit.rows("select duration_s from sweep order by id desc limit 1")
    patience = PATIENCE_S + 3.0 * (float(str(longest[0][0])) if longest else 0.0)
    stubborn = RequestError(
        f"process {owner.pid} does not let go within {patience:.0f} s; end it with `kill {owner.pid}`, then try"
        " again: what it measured is kept"
    )
    try:
        ask(visit, owner)
    except RecordBusyError:
        raise stubborn from None
    until = time.monotonic() + patience
    while owner.lives and not _let_go(visit, owner):
        if time.monotonic() >= until:
            raise stubborn
        if pause.wait(ASK_EVERY_S):
            raise RequestError("taking over was left; the other process stops at the end of its sweep all the same")
