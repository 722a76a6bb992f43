"""The analyzer as far as it is plugged in: opened, noted in the visit file, found again after its port was lost.

Owns: the port's names, who answered there, what the visit file holds of it. All methods belong to the serial loop; the
file is written on the record's own thread. Refuses: to sweep.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Awaitable, Callable
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from typing import TypeVar

from protocol.analyzer import Analyzer
from protocol.errors import AnalyzerError, PortLostError, RequestError
from protocol.profiles.profile import Profile
from protocol.wire.find_again import Address, address_of, come_back, names_again
from protocol.wire.port_errors import THEN
from visit.calibration.stored_calibration import add_card
from visit.figures.known import AXIS, CONFIRMED, CORRECTS, POINT_TIME, by_hand
from visit.record.instrument_card import SETTABLE, settable_words
from visit.record.opening import RecordFullError
from visit.record.visit_file import VisitFile
from visit.run.card import kept_text

T = TypeVar("T")


class RecordThread:
    """One thread that writes the visit file, in the order in which it is asked, so that neither a slow disk nor another
    process's commit ever delays the serial bytes. What was asked is done even if nobody waits for it any more."""

    def __init__(self) -> None:
        self._disk = ThreadPoolExecutor(1, thread_name_prefix="visit-file")

    async def do(self, job: Callable[[], T]) -> T:
        """Do a job and wait for it without holding the loop."""
        asked = asyncio.wrap_future(self._disk.submit(job))
        asked.add_done_callback(_looked_at)
        return await asyncio.shield(asked)  # a wait that is cancelled would take a job that has not begun with it

    async def patiently(self, job: Callable[[], T], patience_s: float, pause: Callable[[str], Awaitable[None]]) -> T:
        """Do a job for which the disk may have no room now: somebody can see that, and make some. `pause` is told why
        it is waited for, and may end it. Raises RecordMachineError when the patience is over."""
        until = time.monotonic() + patience_s
        while True:
            try:
                return await self.do(job)
            except RecordFullError as error:
                if time.monotonic() >= until:
                    raise
                await pause(f"{error}: the run then goes on by itself")

    async def close(self) -> None:
        """Wait for what was asked, end the thread."""
        await asyncio.to_thread(self._disk.shutdown)


def _looked_at(job: asyncio.Future[T]) -> None:
    """The fault of a job that nobody waits for any more is no unread exception."""
    if not job.cancelled():
        job.exception()


class Plugged:
    """One analyzer at one port."""

    def __init__(self, port: str, profile: Profile, visit: VisitFile, record: RecordThread) -> None:
        self.port = port
        self._profile, self._visit, self._record = profile, visit, record
        self._address: Address | None = None
        self._identity = ""
        self._axis_noted = CONFIRMED
        self.analyzer: Analyzer | None = None
        """None while it is not open."""
        self.row: int | None = None
        """Its row in the visit file."""

    async def open(self) -> str:
        """Open the port and note who is there; returns what it says of itself. Raises AnalyzerError or RequestError."""
        self.analyzer = await Analyzer.open(self.port, self._profile)
        self._address = address_of(self.port)
        self._identity = self.analyzer.identity.text
        await self._note(self.port)
        return self._identity

    async def note_axis(self) -> None:
        """Write down, when it changed, whether frequencies and traces are known; before a sweep is stored.

        What the technician confirmed of this analyzer in this visit stands.
        """
        assert self.analyzer is not None
        words = self.analyzer.doubt or CONFIRMED
        if words not in (CONFIRMED, self._axis_noted) and await self._by_hand():
            words = self._axis_noted
        if words != self._axis_noted:
            await self._record.do(partial(self._visit.remark, AXIS, words, time.time()))
            self._axis_noted = words

    async def _by_hand(self) -> bool:
        """Whether the newest word on the axis is the technician's, for the analyzer that is open."""
        rows = await self._record.do(
            partial(self._visit.rows, "select words from remark where kind = ? order by id desc limit 1", (AXIS,))
        )
        said = str(rows[0][0]) if rows else CONFIRMED
        if said != by_hand(self._identity):
            return False
        self._axis_noted = said
        return True

    async def drop(self) -> None:
        """Close the port; harmless when it is not open."""
        analyzer, self.analyzer = self.analyzer, None
        if analyzer is not None:
            await analyzer.close()

    async def back(self, error: PortLostError, until_s: float, pause: Callable[[str], Awaitable[None]]) -> None:
        """Look for the analyzer under its names until it answers; `pause` is told why it is waited for, and may end it.

        Raises the loss when it stays away longer than `until_s` (monotonic clock).
        """
        assert self._address is not None
        why = f"{str(error).removesuffix(THEN)}: the run then goes on by itself"
        while True:
            await pause(why)
            for name in await asyncio.to_thread(names_again, self._address):
                try:
                    await self._same_on(name)
                    return
                except (AnalyzerError, RequestError) as fault:
                    why = f"{fault}; still waiting"
            if time.monotonic() >= until_s:
                raise error

    async def _same_on(self, name: str) -> None:
        """Open a name; raises AnalyzerError or RequestError unless the analyzer that was lost answers there."""
        assert self._address is not None
        address = come_back(self._address)
        self.analyzer = await Analyzer.open(name, self._profile)
        try:
            identity = self.analyzer.identity.text
            if identity != self._identity:
                raise RequestError(f"{name}: another analyzer answers ({identity}); plug the first one in again")
            await self._note(name)
            self._address = address
        except BaseException:
            await self.drop()
            raise

    async def _note(self, port: str) -> None:
        """Write down who answered, what its profile says of its levels and its time on a point, and its card."""
        visit, profile, identity, now_s = self._visit, self._profile, self._identity, time.time()
        self.row = await self._record.do(partial(visit.add_analyzer, identity, profile.name, port, now_s))
        own, timing = "yes" if profile.corrects_itself else "no", profile.timing
        await self._record.do(partial(visit.remark, CORRECTS, own, now_s))
        words = f"{timing.settling_s!r} {timing.bandwidth_factor!r}"
        await self._record.do(partial(visit.remark, POINT_TIME, words, now_s))
        assert self.analyzer is not None  # it answered
        takes = settable_words(profile, self.analyzer.limits)
        await self._record.do(partial(visit.remark, SETTABLE, takes, now_s))
        rows = await self._record.do(
            partial(visit.rows, "select words from remark where kind = ? order by id desc limit 1", (AXIS,))
        )
        self._axis_noted = str(rows[0][0]) if rows else CONFIRMED
        card = await self._record.do(partial(kept_text, identity))
        if card is not None:
            await self._record.do(partial(add_card, visit, now_s, identity, card))
