"""How one console sweeps: ranges tried until data are understood and follow what was set.

Owns: what a sweep of the session is, how its frequencies are known. Refuses: the order of the steps (`session`).
"""

from __future__ import annotations

import contextlib
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from protocol.learn.commands import WORDS_OF_ROLES, write_commands
from protocol.learn.dialogue import Dialogue, Role, Word
from protocol.learn.found import Found, MissingError, UnitUnknownError
from protocol.learn.listening import Listening
from protocol.learn.questions import APART, JOIN, OPEN, unit_said, usual_units
from protocol.learn.reasons import shown, why_no_data
from protocol.learn.sweeps.acquire import Acquire, Acquisition, named_first
from protocol.learn.sweeps.axis import (
    Meaning,
    OtherFrequenciesError,
    Place,
    listed_unit,
    meaning_of,
    sensible,
    standing_columns,
    starts_where_set,
)
from protocol.learn.sweeps.columns import Kind, hinted, leaking
from protocol.learn.sweeps.scale import alike, fits
from protocol.learn.sweeps.shape import Shape
from protocol.learn.sweeps.trials import Trials
from protocol.learn.sweeps.windows import FIELDS
from protocol.learn.words.allow import corrected
from protocol.learn.words.talk import Talk
from protocol.profiles.templates import SETTING_FIELDS, UNITS, Template, setting_values
from protocol.sweep import SweepSettings

COUNTS_BY_DATA = (101, 64, 201, 51, 128, 100, 401, 256)
"""Numbers of points to look for where some are ignored."""
FEWEST_TRIED = 11
"""Fewer points than this tell too little of a trace."""
UNITS_SAID = 3
"""Units that may be said one after the other."""
NARROWER = 4
"""Times that a span is made narrower when the frequencies that come are others."""


class OtherUnitError(Exception):
    """The person said another unit than was tried."""


class Sweeping(Listening):
    """Sweeps on one console, and what is known of it so far."""

    def __init__(self, talk: Talk, dialogue: Dialogue) -> None:
        super().__init__(talk, dialogue)
        self._trials: Trials | None = None
        self._odd: tuple[Acquire, Acquisition, SweepSettings, list[list[Shape]]] | None = None
        """Data that look like no open lead, and how they came."""
        self._doubt: tuple[Acquire, list[Kind], SweepSettings, list[list[Shape]]] | None = None
        """Kinds that a sweep leaves open, differing in the scale of their angles."""
        self._through: Place | None = None
        """Where S21 stands, when joining the leads told it."""

    def _commands(self, trials: Trials) -> None:
        write_commands(self.found, trials)

    async def apply(self, settings: SweepSettings) -> None:
        """Send the settings as the profile will."""
        values = setting_values(settings, resolution_hz=self.found.resolution_hz)
        small = values | {"span_hz": 1e5}
        if self._trials is not None:
            self._trials.setters.asked = values
        commands = self.found.commands
        order = [("width", small)] if {"centre", "width"} <= commands.keys() else []
        names = ("span", "centre", "width", "start", "stop", "start", "points", "step")
        for name, filling in (*order, *((name, values) for name in names)):
            if name in commands:
                text = Template.parse(commands[name], SETTING_FIELDS).fill(filling)
                for number, line in enumerate(text.split("\n")):
                    if not number and not self.talk.may(line):
                        raise MissingError(f"{line!r} may be taken for a word that is never sent")
                    await self.talk.say(line, value=number > 0)

    async def sweeps(self) -> None:
        """How a sweep is taken, what its columns are, how its frequencies are known.

        Data that look like no open lead are looked at again when somebody has seen to the leads.
        """
        try:
            await self._each_window()
        except UnitUnknownError:
            raise
        except MissingError:
            if self._odd is None or not await self.dialogue.deed(f"No trace looks like an open lead. {OPEN}"):
                raise
            try:
                await self._each_window()
            except MissingError:
                if not await self._joined():
                    raise
                await self._each_window()

    async def _joined(self) -> bool:
        """Which trace is S21, told by what rises when somebody joins the leads."""
        if self._odd is None or not await self.dialogue.deed(f"Which trace is S21? {JOIN}"):
            return False
        acquire, acquisition, settings, opened = self._odd
        await self.apply(settings)
        joined = await acquire.take(acquisition, settings.points if self._counted() else None)
        ends = (settings.start_hz, settings.stop_hz)
        meaning = meaning_of(acquisition, opened, *ends, joined=joined) if joined else None
        if meaning is None:
            return False
        self._through = meaning.through
        self.found.evidence["columns"] = "S21 is what rose when the leads were joined"
        await self.dialogue.deed(APART)
        return True

    async def _each_window(self) -> None:
        """Sweep in one range after the other until data are understood; another unit begins anew."""
        for _ in range(UNITS_SAID):
            try:
                await self._windows()
                return
            except OtherUnitError:
                continue
        raise MissingError("no unit that was said makes the phase of an open lead follow the span")

    async def _windows(self) -> None:
        trials, why = self._trials, MissingError("the frequencies that come with the data are not those that were set")
        assert trials is not None
        self._odd = None
        acquire = Acquire(self.talk, trials.setters)
        held = trials.low_hz, trials.high_hz
        windows = [(held[0], held[0] + (held[1] - held[0]) * 0.4**narrower) for narrower in range(NARROWER)]
        if not trials.verified:  # nothing was read back: what was set may have been ignored, or moved
            seen = trials.windows(trials.writing)
            others = [ends for ends in seen if ends != held and ends[0] >= 1e4 and ends[1] - ends[0] > 1e6]
            windows = [held, *others, *windows[1:]]
        for number, (trials.low_hz, trials.high_hz) in enumerate(windows):
            try:
                await self._sweeps(acquire)
                return
            except OtherFrequenciesError:  # its own limits cut the span: less may be taken as it is
                continue
            except UnitUnknownError:
                raise
            except MissingError as error:
                why = why if number else error
                if trials.verified or acquire.thin or not (self._odd or self.found.acquisition or acquire.strange):
                    break
        raise why

    async def _sweeps(self, acquire: Acquire) -> None:
        counted = self._counted()
        first, second = self.trial_settings()
        points = first.points if counted else None
        await self.apply(first)
        acquisition = await acquire.find(points)
        if acquisition is None and points is not None and acquire.came not in (0, points):
            await self._counts_by_data(acquire, first, [])
            first, second = self.trial_settings()
            points = first.points
            await self.apply(first)
            acquisition = await acquire.find(points)
        first_word = named_first(self.words, acquire.declined) if acquisition is None else None
        if first_word is not None:
            self.words = acquire.setters.words = await self._shown(_as_sweep(self.words, first_word), first_word)
            acquisition = await acquire.find(points)
        if acquisition is None:
            one, printed = self.trial_settings()[0], self.opening.printed
            raise MissingError(why_no_data(acquire, self.words, one, printed, stopped=self.opening.wake))
        taken = await acquire.take(acquisition, points)
        ends, through = (first.start_hz, first.stop_hz), self._through
        try:
            meaning = meaning_of(acquisition, taken, *ends, through=through) if taken else None
        except OtherFrequenciesError:
            await self.apply(second)
            moved = await acquire.take(acquisition, second.points if points is not None else None)
            acquisition.standing = standing_columns(taken, moved) if taken and moved else frozenset()
            if not acquisition.standing or taken is None:
                raise
            meaning = meaning_of(acquisition, taken, *ends, through=through)
        if meaning is None and taken is not None and not acquire.thin:
            self._odd = self._odd or (acquire, acquisition, first, taken)
        if meaning is None or taken is None:
            if acquire.thin:
                raise MissingError("only magnitudes came, one number a trace and point, no phase")
            raise MissingError(f"data came but were not understood; a point: {shown(acquisition)}")
        self.found.acquisition, self.found.meaning = acquisition, meaning
        await self.apply(second)
        again = await acquire.take(acquisition, second.points if points is not None else None)
        if again is None and points is not None and acquire.came not in (0, second.points):
            await self._counts_by_data(acquire, second, [first.points])
            second = replace(second, points=first.points)
            await self.apply(second)
            again = await acquire.take(acquisition, second.points)
        span = (second.start_hz, second.stop_hz)
        other = meaning_of(acquisition, again, *span, through=through) if again else None
        if other is None or again is None:
            raise MissingError("data came, but did not follow a change of span and points")
        if other.kind != meaning.kind:  # the wider span tells more
            meaning_then = meaning_of(acquisition, taken, *ends, [other.kind], through=through)
            if meaning_then is None:
                raise MissingError("data came, but no one form of numbers fits two spans")
            meaning = meaning_then
        assert self._trials is not None
        self._trials.proved = [first.points, second.points] if counted else []
        await self._confirm(acquisition, meaning, other, second)
        blind = self.found.axis in ("unconfirmed", "phase slope", "technician")
        kinds = kinds_left(other.kind, ((meaning, taken, first), (other, again, second)), blind=blind)
        if other.kind not in kinds and kinds:
            other = meaning_of(acquisition, again, *span, kinds, through=through) or other
        self.found.meaning = other
        self._doubt = (
            (acquire, kinds, second, again) if len(kinds) > 1 and not _hinted(self.found, other.kind) else None
        )

    async def _shown(self, words: Sequence[Word], first: Word) -> list[Word]:
        """The words with what a person says of one that was called unknown and is to be sent now."""
        why = f"it refuses data and names {first.name!r}: that is taken for the word that sweeps, and is sent next"
        return corrected(list(words), await self.dialogue.words(words, why))

    async def _counts_by_data(self, acquire: Acquire, settings: SweepSettings, taken: list[int]) -> None:
        """Numbers of points that are ignored without a word: those count that as many came of."""
        trials = self._trials
        assert trials is not None
        refused = [settings.points]
        for count in COUNTS_BY_DATA:
            if len(taken) == 2 or count in (settings.points, *taken):
                continue
            await self.apply(replace(settings, points=count))
            acquire.came = 0
            good = await acquire.find(count) is not None or acquire.came == count
            (taken if good else refused).append(count)
        if taken:
            trials.points, trials.refused_counts, trials.counted_by_data = sorted(taken), refused, True

    async def _confirm(
        self,
        acquisition: Acquisition,
        first: Meaning,
        second: Meaning,
        settings: SweepSettings,
    ) -> None:
        """How the frequencies are known; the worst is not to know and to say nothing."""
        found, trials = self.found, self._trials
        assert trials is not None
        steady = abs(first.delay.seconds - second.delay.seconds) < 0.3 * abs(second.delay.seconds)
        listed = acquisition.axis is not None and listed_unit(acquisition.axis, settings.start_hz, settings.stop_hz)
        by_sight = bool(first.unit and second.unit) or bool(listed)
        if not steady and not by_sight:
            raise MissingError(
                "the phase of an open lead does not follow the span that was set: its frequencies are not known"
            )
        usual = usual_units(second.delay.seconds, trials.writing.unit) == [trials.writing.unit]
        if not sensible(second.delay.seconds) or not (trials.unit_known or usual):
            await self._ask_unit(second)
        elif not trials.unit_known and found.axis != "technician":
            with contextlib.suppress(MissingError):  # the axis stays unconfirmed then
                await self._ask_unit(second)
        if not trials.unit_known and found.axis != "technician":
            found.axis = "unconfirmed"  # numbers that follow each other tell no unit
        elif second.unit and first.unit:
            found.axis = "column"
        elif listed:
            found.axis, found.listed = "list", str(listed)
        elif _by_reading(found):
            found.axis = "read-back"
        elif found.axis != "technician" and steady and trials.unit_known:
            found.axis = "phase slope"
        found.evidence["axis"] = f"an open lead's delay is {second.delay.seconds * 1e9:.1f} ns over two spans"

    async def _ask_unit(self, meaning: Meaning) -> None:
        """Ask for the unit; another one than was tried makes all that was set another frequency: sweep again."""
        trials = self._trials
        assert trials is not None
        said = await unit_said(self.dialogue, trials.writing, meaning)
        factor = UNITS[said.unit] / UNITS[trials.writing.unit]
        self.found.axis, trials.unit_known = "technician", True
        if said == trials.writing:
            return
        trials.writing = said
        trials.low_hz, trials.high_hz = trials.low_hz * factor, trials.high_hz * factor
        self.found.commands.clear()
        self.found.readback.clear()
        self._commands(trials)
        raise OtherUnitError

    def _counted(self) -> bool:
        """Whether a word sets the number of points."""
        dialog = self._trials.setters.dialog if self._trials is not None else ""
        return "points" in self.found.commands or "{points}" in self.found.commands.get("span", "") + dialog

    def trial_settings(self) -> tuple[SweepSettings, SweepSettings]:
        """Two settings within what is known to be taken, all numbers different."""
        trials = self._trials
        assert trials is not None
        counts = [count for count in trials.points if count >= FEWEST_TRIED] or trials.points or [51, 101]
        if not self._counted() and self.found.acquisition is not None:
            counts = [self.found.acquisition.parts[0].shapes[0].points]
        return two_settings(trials.low_hz, trials.high_hz, counts)


def two_settings(low: float, high: float, counts: Sequence[int]) -> tuple[SweepSettings, SweepSettings]:
    """Two settings between two frequencies, all numbers different."""
    width = min(high - low, 300e6)
    grain = 1e5 if width > 4e6 else 1e4

    def at(part: float) -> float:
        return round((low + part * width) / grain) * grain

    one = SweepSettings(at(0.15), at(0.35), counts[0], 1000.0)
    two = SweepSettings(at(0.3), at(0.9), counts[-1] if len(counts) > 1 else counts[0], 1000.0)
    return one, two


def reflected(
    meaning: Meaning, taken: list[list[Shape]], settings: SweepSettings, trace: str = "s11"
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """The two columns of S11 (or of another trace), shape (points, 2), and the frequencies in hertz."""
    for rows, shapes in zip(meaning.names, taken, strict=True):
        for names, shape in zip(rows, shapes, strict=True):
            if trace in names.traces:
                hertz = np.linspace(settings.start_hz, settings.stop_hz, shape.points)
                return shape.values[:, list(names.traces[trace])], hertz
    raise MissingError("data came, but none of it is S11")


def still_fits(kind: Kind, meaning: Meaning, taken: list[list[Shape]], settings: SweepSettings) -> bool:
    """Whether S11 of a sweep is an open lead in this kind too, and S21 a leak where nothing else told it."""
    leaks = meaning.through is not None or leaking(reflected(meaning, taken, settings, "s21")[0], kind.through)
    return leaks and fits(kind, *reflected(meaning, taken, settings))


Span = tuple[Meaning, list[list[Shape]], SweepSettings]


def kinds_left(kind: Kind, spans: tuple[Span, Span], *, blind: bool) -> list[Kind]:
    """Kinds that two sweeps leave open. `blind`: nothing but the phase tells where a sweep begins.

    Raises OtherFrequenciesError when the phase slope is right, but no sweep began where it was set.
    """
    kinds = [other for other in alike(kind) if all(still_fits(other, *span) for span in spans)]
    if not blind:
        return kinds
    starts = {other: starts_alike(other, *spans) for other in {kind, *kinds}}
    if starts[kind] is False:  # another kind must show that it fits; one whose phase hardly moves shows nothing
        kinds = [other for other in kinds if starts[other]]
        if not kinds:
            raise OtherFrequenciesError
    return [other for other in kinds if starts[other] is not False]


def starts_alike(kind: Kind, *spans: Span) -> bool | None:
    """Whether S11 of two sweeps, in this kind, lies where each was set; None where too little tells."""
    (one, hertz), (two, others) = (reflected(*span) for span in spans)
    return starts_where_set((kind.complex(one), kind.complex(two)), ((hertz[0], hertz[-1]), (others[0], others[-1])))


def _as_sweep(words: Sequence[Word], first: Word) -> list[Word]:
    """The words with one of them known as that which takes a sweep, because refusals of data named it."""
    told = "it refused data until this word was sent, by its name"
    return [replace(word, role=Role.SWEEP, reason=told) if word is first else word for word in words]


def _hinted(found: Found, kind: Kind) -> bool:
    """Whether the console's own words tell the scale of its angles."""
    return found.acquisition is not None and any(hinted(kind, part.told) for part in found.acquisition.parts)


def _by_reading(found: Found) -> bool:
    """Whether what is read back tells both ends."""
    lines = " ".join(line for lines in found.readback.values() for line in lines)
    read = {name for role, name in WORDS_OF_ROLES.items() if role in FIELDS and f"{{{FIELDS[role]}_" in lines}
    return any(pair <= read for pair in ({"start", "stop"}, {"centre", "width"}, {"start", "step"}))
