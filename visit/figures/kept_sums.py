"""Sums of a long run's average, kept in its visit file so that nobody averages a hundred thousand sweeps anew.

Owns: which sums are kept, when they may take the place of sweeps, the proof that they belong to them. Refuses: sums of
short runs, of other sweeps (each is chained into a digest, and all are read), of another correction; and sums that
their last stretch, averaged again from its sweeps, does not reach. What is refused is averaged from the sweeps.
"""

from __future__ import annotations

import json
import math
import time
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Protocol, TypeVar

import numpy as np
from numpy.typing import NDArray

from protocol.files.small_files import json_data
from visit.figures.averaging import Correct, RunAverage, SweepLike
from visit.record.soundness import MOST_POINTS
from visit.record.visit_file import StoredSweep, VisitFile

EVERY = 512
"""Sweeps between two sums that are kept; so many are averaged again to prove a sum."""
LONG = 2 * EVERY
"""Runs up to here are always averaged from their sweeps: it takes two seconds."""
SAME = 1e-9
"""Two processors may differ in the last bits of a sum, relative to its largest value."""
TELL_EVERY = 64
KINDS = ("<c16", "<f8", "<i8")
LONGEST_HEAD = 4000

Tell = Callable[[int, int], None]


class UnfitError(Exception):
    """Kept sums do not belong to the sweeps."""


@dataclass(frozen=True, slots=True)
class Kept:
    """Sums of the first `sweeps` of a run; `last_sweep` the row of the last one, `digest` chained over all of them."""

    sweeps: int
    last_sweep: int
    digest: str
    sums: bytes


class Book:
    """The sums of one run with one correction: those of the file, and those made here."""

    def __init__(self, visit: VisitFile, run_id: int, basis: str) -> None:
        """Raises RecordError."""
        self._run_id, self._basis = run_id, basis
        self._kept: dict[int, Kept] = {}
        self._written: set[int] = set()
        self._visit = visit
        rows = visit.rows("select sweeps from sums where run_id = ? and basis = ?", (run_id, basis))
        self._stored = {int(str(sweeps)) for (sweeps,) in rows}

    def counts(self) -> list[int]:
        """At which sweep counts there are sums."""
        return sorted(self._stored | set(self._kept))

    def at(self, sweeps: int) -> Kept:
        """The sums at a count. Raises UnfitError when they can't be read."""
        if sweeps not in self._kept:
            rows = self._visit.rows(
                "select last_sweep, digest, sums from sums where run_id = ? and basis = ? and sweeps = ?",
                (self._run_id, self._basis, sweeps),
            )
            if not rows or not isinstance(rows[0][2], bytes):
                raise UnfitError
            self._kept[sweeps] = Kept(sweeps, int(str(rows[0][0])), str(rows[0][1]), rows[0][2])
        return self._kept[sweeps]

    def keep(self, kept: Kept) -> None:
        """Remember sums that were made here."""
        self._kept[kept.sweeps] = kept

    def forget(self) -> None:
        """None of them is believed any more."""
        self._kept.clear()
        self._stored.clear()

    def write(self, writer: VisitFile, sweeps: int) -> None:
        """Put those of a long run that were made here into the file. Raises RecordError."""
        new = [kept for count, kept in self._kept.items() if count not in self._stored | self._written]
        if sweeps <= LONG or not new:
            return
        with writer.writing() as connection:
            connection.executemany(
                "insert or ignore into sums (at_s, run_id, sweeps, last_sweep, basis, digest, sums)"
                " values (?, ?, ?, ?, ?, ?, ?)",
                [
                    (time.time(), self._run_id, kept.sweeps, kept.last_sweep, self._basis, kept.digest, kept.sums)
                    for kept in new
                ],
            )
        self._written |= {kept.sweeps for kept in new}


class Taker(Protocol):
    """What takes in the sweeps of a run."""

    @property
    def average(self) -> RunAverage:
        """Where they go."""

    def add(self, sweep: SweepLike) -> None:
        """Take in one sweep."""

    def pass_over(self, sweep: SweepLike) -> None:
        """Count one whose share comes with sums."""

    def stops(self, sweeps: int) -> list[int]:
        """Counts up to this one at which the average must be as it was then."""

    def stands_at(self, sweeps: int) -> bool:
        """Whether sums of this count may be wanted one day."""


class Averager:
    """Takes in sweeps for their average alone."""

    def __init__(self, correct: Correct) -> None:
        self.average = RunAverage(correct)

    def add(self, sweep: SweepLike) -> None:
        """Take in one sweep."""
        self.average.add(sweep)

    def pass_over(self, sweep: SweepLike) -> None:
        """Count one whose share comes with sums."""
        self.average.pass_over(sweep)

    def stops(self, _: int) -> list[int]:
        """None."""
        return []

    def stands_at(self, _: int) -> bool:
        """None."""
        return False


T = TypeVar("T", bound=Taker)


def take_in(make: Callable[[], T], visit: VisitFile, run_id: int, sweeps: int, book: Book, tell: Tell) -> T:
    """What `make` makes with the first `sweeps` of a run taken in, by kept sums where they are proved to be theirs.

    Raises RecordError, and ValueError for sweeps of other frequency points.
    """
    if sweeps > LONG:
        try:
            return _taken(make(), visit, run_id, sweeps, book, tell)
        except UnfitError:
            book.forget()
    taker = make()
    for count, sweep in enumerate(visit.each_sweep(run_id, limit=sweeps), 1):
        if sweeps > LONG:
            take(taker, sweep, book)
        else:
            taker.add(sweep)
        if count % TELL_EVERY == 0:
            tell(count, sweeps)
    return taker


def take(taker: Taker, sweep: StoredSweep, book: Book) -> None:
    """One sweep more; sums are remembered where they will be wanted."""
    taker.add(sweep)
    count = taker.average.sweeps
    if count % EVERY == 0 or taker.stands_at(count):
        sums = taker.average.sums()
        if sums is not None:
            book.keep(Kept(count, sweep.id, taker.average.digest.hex(), packed(sums)))


@dataclass(frozen=True, slots=True)
class _Leap:
    """From behind the sweep `begin` to the sums at `to`, which the sums at `proof` prove."""

    begin: int
    to: int
    proof: int


def _leaps(stops: Iterable[int], counts: list[int]) -> list[_Leap]:
    """The sweeps that need not be averaged. Between a leap and the stop behind it all are, over the sums at `proof`."""
    found, at = [], 0
    for stop in stops:
        before = [count for count in counts if at < count <= stop]
        near = [count for count in before[:-1] if before[-1] - count <= EVERY]
        if near and near[0] - at > EVERY:
            found.append(_Leap(at, near[0], before[-1]))
        at = stop
    return found


def _taken(taker: T, visit: VisitFile, run_id: int, sweeps: int, book: Book, tell: Tell) -> T:
    leaps = {leap.begin: leap for leap in _leaps(sorted({*taker.stops(sweeps), sweeps}), book.counts())}
    proofs = {leap.proof for leap in leaps.values()}
    to = leaps[0].to if 0 in leaps else 0
    for count, sweep in enumerate(visit.each_sweep(run_id, limit=sweeps), 1):
        if count <= to:
            taker.pass_over(sweep)
            if count == to:
                _restore(taker, book.at(count))
        elif count in proofs:
            kept = book.at(count)
            taker.add(sweep)
            _prove(taker.average, kept)
        else:
            take(taker, sweep, book)
        if count in leaps:
            to = leaps[count].to
        if count % TELL_EVERY == 0:
            tell(count, sweeps)
    return taker


def _restore(taker: Taker, kept: Kept) -> None:
    if kept.digest != taker.average.digest.hex():
        raise UnfitError  # of other sweeps
    try:
        taker.average.restore(unpacked(kept.sums))
    except ValueError:
        raise UnfitError from None


def _prove(average: RunAverage, kept: Kept) -> None:
    """The sums that were averaged from the last stretch are those that were kept."""
    made = average.sums()
    try:
        theirs = unpacked(kept.sums)
    except ValueError:
        raise UnfitError from None
    if made is None or kept.digest != average.digest.hex() or set(made) != set(theirs):
        raise UnfitError
    for name, ours in made.items():
        told = theirs[name]
        if told.shape != ours.shape or told.dtype != ours.dtype:
            raise UnfitError
        apart = np.abs(np.asarray(told, complex) - np.asarray(ours, complex))
        if not np.max(apart, initial=0.0) <= SAME * np.max(np.abs(ours), initial=0.0):
            raise UnfitError


# Sums as bytes: a line of JSON with names, kinds and shapes, then the arrays one after the other


def packed(sums: Mapping[str, NDArray[np.generic]]) -> bytes:
    """Sums by name as bytes."""
    listed = {name: [value.dtype.str, list(value.shape)] for name, value in sums.items()}
    data = b"".join(np.ascontiguousarray(value).tobytes() for value in sums.values())
    return json.dumps(listed).encode() + b"\n" + data


def unpacked(data: bytes) -> dict[str, NDArray[np.generic]]:
    """The same read back. Raises ValueError for bytes that are none; the numbers are judged by who takes them."""
    head, _, rest = data.partition(b"\n")
    listed = json_data(head[:LONGEST_HEAD].decode("ascii", errors="replace"))
    found, at = {}, 0
    for name, told in listed.items() if isinstance(listed, dict) else ():
        kind, shape = told if isinstance(told, list) and len(told) == 2 else ("", None)
        sizes = shape if isinstance(shape, list) and len(shape) <= 2 else [-1]
        sound = kind in KINDS and all(type(size) is int and 0 <= size <= MOST_POINTS for size in sizes)
        if not sound or math.prod(sizes) > len(rest):
            raise ValueError("sums of an unknown kind")
        count = math.prod(sizes)
        found[name] = np.frombuffer(rest, kind, count, at).reshape(sizes)
        at += count * np.dtype(kind).itemsize
    if at != len(rest):
        raise ValueError("sums of another length")
    return found
