"""One learning session on one console: the order of the steps, and all that was found.

Owns: what is known so far (`Found`), its evidence, and what is missing in words. Refuses: to write (`writer`).
"""

from __future__ import annotations

import contextlib
import re
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from protocol.learn.dialogue import Dialogue, Role
from protocol.learn.listening import Listening, MissingError, UnitUnknownError
from protocol.learn.questions import APART, JOIN, OPEN, angles_said, unit_said
from protocol.learn.sweeps.acquire import Acquire, Acquisition
from protocol.learn.sweeps.axis import Meaning, OtherFrequenciesError, Place, listed_unit, meaning_of, sensible
from protocol.learn.sweeps.bounds import find_bandwidth, find_points, find_range
from protocol.learn.sweeps.columns import Kind, hinted
from protocol.learn.sweeps.scale import alike, enough_points, fits, telling_width
from protocol.learn.sweeps.setters import Setters, numbers_in
from protocol.learn.sweeps.shapes import Shape
from protocol.learn.sweeps.trials import Trials
from protocol.learn.sweeps.trying import FIELDS
from protocol.learn.words.talk import Talk
from protocol.profiles.templates import SETTING_FIELDS, UNITS, Template, setting_values
from protocol.sweep import SweepSettings

COUNTS_BY_DATA = (101, 64, 201, 51, 128, 100, 401, 256)
"""Numbers of points to look for where some are ignored."""
NARROWER = 4
"""Times that a span is made narrower when the frequencies that come are others."""
USUAL_DELAY_S = (1.5e-9, 30e-9)
"""A lead of 0.2 to 3 m, there and back; beyond it a unit that nobody told is not believed."""
WORDS_OF_ROLES = {
    Role.START: "start", Role.STOP: "stop", Role.CENTRE: "centre", Role.SPAN: "width", Role.STEP: "step",
    Role.POINTS: "points",
}  # fmt: skip


class OtherUnitError(Exception):
    """The person said another unit than was tried."""


class Session(Listening):
    """Learns one console over a conversation that is open."""

    def __init__(self, talk: Talk, dialogue: Dialogue) -> None:
        super().__init__(talk, dialogue)
        self._trials: Trials | None = None
        self._odd: tuple[Acquire, Acquisition, SweepSettings, list[list[Shape]]] | None = None
        """Data that look like no open lead, and how they came."""
        self._doubt: tuple[Acquire, list[Kind], SweepSettings, list[list[Shape]]] | None = None
        """Kinds that a sweep leaves open, differing in the scale of their angles."""
        self._through: Place | None = None
        """Where S21 stands, when joining the leads told it."""

    def anew(self) -> None:
        """Forget how settings and sweeps go, for the words are others now."""
        found = self.found
        found.commands.clear()
        found.readback.clear()
        found.acquisition, found.meaning, found.axis, found.listed = None, None, "unconfirmed", ""
        self._trials = None

    async def settings(self) -> None:
        """How frequencies and points are set and read back."""
        setters = Setters(self.talk, self.words, self.opening.printed)
        for word in setters.of(*Role):
            if word.role in WORDS_OF_ROLES or word.role in (Role.RANGE, Role.SETTINGS, Role.BANDWIDTH, Role.AVERAGE):
                setters.permit(word)
        trials = self._trials = Trials(setters)
        if not await trials.run():
            known = ", ".join(word.name for word in self.words if word.role in FIELDS or word.role is Role.RANGE)
            raise MissingError(
                f"no way was found to set frequencies (tried: {known})" if known else "no word sets frequencies"
            )
        self._commands(trials)

    def _commands(self, trials: Trials) -> None:
        """The settings as commands and read-backs of a profile."""
        found, writing = self.found, trials.writing
        form = f":{writing.form}" if writing.form else ""
        for role, setter in trials.setters.found.items():
            counted = f"points:{trials.points_form}" if trials.points_form else "points"
            name = counted if role is Role.POINTS else f"{FIELDS[role]}_{writing.unit}{form}"
            found.commands[WORDS_OF_ROLES[role]] = setter.form.replace("{v}", f"{{{name}}}")
            if setter.source is not None and setter.source.command:
                line = _read_line(setter.source.line, name)
                if any(_same_line(line, other) for other in found.readback.get(setter.source.command, ())):
                    others = found.readback[setter.source.command]
                    at = next(at for at, other in enumerate(others) if _same_line(line, other))
                    others[at] = _merged(others[at], line)
                else:
                    found.readback.setdefault(setter.source.command, []).append(line)
                found.evidence[f"readback {setter.source.command}"] = "its numbers followed what was set"
        if trials.combined:
            found.commands["span"] = trials.combined
            self._combined_read(trials)
        found.resolution_hz = max(1.0, UNITS[writing.unit]) if writing.unit == "10hz" else 1.0

    def _combined_read(self, trials: Trials) -> None:
        """The read-back of a command for several settings: the line that holds them all, or one line for each."""
        command, answer = trials.combined_read
        if not command:
            return
        names = re.findall(r"\{([^}]*)\}", trials.combined)
        texts = trials.combined_texts
        lines: list[str] = []
        for line in answer:
            out = re.sub(r"\s+", " ", line).strip()
            for text, name in zip(texts, names, strict=False):
                for shown, value in numbers_in(line):
                    if "{" + name not in " ".join([*lines, out]) and (shown == text or value == numbers_in(text)[0][1]):
                        si = ":si" if shown[-1:] in "kMG" and "_" in name else ""
                        out = re.sub(rf"(?<![\w.{{]){re.escape(shown)}(?![\w.])", f"{{{name}{si}}}", out, count=1)
                        break
            if "{" in out:
                lines.append(_skipped(out))
        if all("{" + name in " ".join(lines) for name in names[:2]):
            self.found.readback[command] = lines
            self.found.evidence[f"readback {command}"] = "its numbers followed what was set"

    async def apply(self, settings: SweepSettings) -> None:
        """Send the settings as the profile will."""
        values = setting_values(settings, resolution_hz=self.found.resolution_hz)
        small = values | {"span_hz": 1e5}
        commands = self.found.commands
        order = [("width", small)] if {"centre", "width"} <= commands.keys() else []
        names = ("span", "centre", "width", "start", "stop", "start", "points", "step")
        for name, filling in (*order, *((name, values) for name in names)):
            if name in commands:
                text = Template.parse(commands[name], SETTING_FIELDS).fill(filling)
                for number, line in enumerate(text.split("\n")):
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
        while True:
            try:
                await self._windows()
                return
            except OtherUnitError:
                continue

    async def _windows(self) -> None:
        assert self._trials is not None
        trials, why = self._trials, MissingError("the frequencies that come with the data are not those that were set")
        self._odd = None
        acquire = Acquire(self.talk, trials.setters)
        held = trials.low_hz, trials.high_hz
        windows = [(held[0], held[0] + (held[1] - held[0]) * 0.4**narrower) for narrower in range(NARROWER)]
        if not trials.verified:  # nothing was read back: what was set may have been ignored, or moved
            others = [
                window
                for window in trials.windows(trials.writing)
                if window != held and window[0] >= 1e4 and window[1] - window[0] > 1e6
            ]
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
                if trials.verified or acquire.thin or (self.found.acquisition is None and not acquire.strange):
                    break
        raise why

    async def _sweeps(self, acquire: Acquire) -> None:
        counted = self._counted()
        first, second = self.trial_settings()
        points = first.points if counted else None
        await self.apply(first)
        acquisition = await acquire.find(points)
        if acquisition is None and points is not None and acquire.came not in (0, points):
            await self._counts_by_data(acquire, first)
            first, second = self.trial_settings()
            points = first.points
            await self.apply(first)
            acquisition = await acquire.find(points)
        if acquisition is None:
            raise MissingError(self._why(acquire))
        taken = await acquire.take(acquisition, points)
        ends, through = (first.start_hz, first.stop_hz), self._through
        meaning = meaning_of(acquisition, taken, *ends, through=through) if taken else None
        if meaning is None and taken is not None and not acquire.thin:
            self._odd = self._odd or (acquire, acquisition, first, taken)
        if meaning is None or taken is None:
            if acquire.thin:
                raise MissingError("only magnitudes came, one number a trace and point, no phase")
            raise MissingError(f"data came but were not understood; a point: {self._shown(acquisition)}")
        self.found.acquisition, self.found.meaning = acquisition, meaning
        await self.apply(second)
        again = await acquire.take(acquisition, second.points if points is not None else None)
        span = (second.start_hz, second.stop_hz)
        other = meaning_of(acquisition, again, *span, through=through) if again else None
        if other is None or again is None:
            raise MissingError("data came, but did not follow a change of span and points")
        if other.kind != meaning.kind:  # the wider span tells more
            meaning_then = meaning_of(acquisition, taken, *ends, [other.kind], through=through)
            if meaning_then is None:
                raise MissingError("data came, but no one form of numbers fits two spans")
            meaning = meaning_then
        await self._confirm(acquisition, meaning, other, second, again)
        self.found.meaning = other
        spans = ((meaning, taken, first), (other, again, second))
        kinds = [kind for kind in alike(other.kind) if all(_fits(kind, *span) for span in spans)]
        self._doubt = (acquire, kinds, second, again) if len(kinds) > 1 and not self._hinted(other.kind) else None

    async def _counts_by_data(self, acquire: Acquire, settings: SweepSettings) -> None:
        """Numbers of points that are ignored without a word: those count that as many came of."""
        trials = self._trials
        assert trials is not None
        taken: list[int] = []
        refused = [settings.points]
        for count in COUNTS_BY_DATA:
            if len(taken) == 2 or count == settings.points:
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
        taken: list[list[Shape]],
    ) -> None:
        """How the frequencies are known; the worst is not to know and to say nothing."""
        found, trials = self.found, self._trials
        assert trials is not None
        del taken
        steady = abs(first.delay.seconds - second.delay.seconds) < 0.3 * abs(second.delay.seconds)
        listed = acquisition.axis is not None and listed_unit(acquisition.axis, settings.start_hz, settings.stop_hz)
        by_sight = bool(first.unit and second.unit) or bool(listed)
        if not steady and not by_sight:
            raise MissingError(
                "the phase of an open lead does not follow the span that was set: its frequencies are not known"
            )
        usual = USUAL_DELAY_S[0] < abs(second.delay.seconds) < USUAL_DELAY_S[1]
        if not sensible(second.delay.seconds) or not (trials.unit_known or usual):
            await self._ask_unit(second)
        elif not trials.unit_known and found.axis != "technician":
            with contextlib.suppress(MissingError):  # the axis stays unconfirmed then
                await self._ask_unit(second)
        if second.unit and first.unit:
            found.axis = "column"
        elif listed:
            found.axis, found.listed = "list", str(listed)
        elif self._by_reading():
            found.axis = "read-back"
        elif found.axis != "technician" and steady and trials.unit_known:
            found.axis = "phase slope"
        found.evidence["axis"] = f"an open lead's delay is {second.delay.seconds * 1e9:.1f} ns over two spans"

    def _by_reading(self) -> bool:
        """Whether what is read back tells both ends."""
        return any(pair <= self._read() for pair in ({"start", "stop"}, {"centre", "width"}, {"start", "step"}))

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

    def _hinted(self, kind: Kind) -> bool:
        """Whether the console's own words tell the scale of its angles."""
        found = self.found.acquisition
        return found is not None and any(hinted(kind, part.told) for part in found.parts)

    async def angles(self) -> None:
        """What angles count in, where less than a turn leaves several scales: a wider sweep tells, or a person."""
        if self._doubt is None or self.found.meaning is None or self.found.acquisition is None:
            return
        acquire, kinds, settings, taken = self._doubt
        pair, hertz = _reflected(self.found.meaning, taken, settings)
        bounds, acquisition = self.found.bounds, self.found.acquisition
        width = min(telling_width(kinds, pair, hertz), bounds.stop_hz - bounds.start_hz)
        least = enough_points(kinds, pair, hertz, width)
        counts = [n for n in (bounds.points or (bounds.min_points, 101, 201, 401, bounds.max_points))
                  if bounds.min_points <= n <= bounds.max_points]  # fmt: skip
        points = min((n for n in counts if n >= least), default=max(counts, default=settings.points))
        if not self._counted():
            points = settings.points
        wide = SweepSettings(bounds.stop_hz - width, bounds.stop_hz, points, settings.bandwidth_hz)
        await self.apply(wide)
        again = await acquire.take(acquisition, points if self._counted() else None)
        if again is not None:
            kinds = [kind for kind in kinds if _fits(kind, self.found.meaning, again, wide)] or kinds
        if len(kinds) > 1:
            kinds = [await angles_said(self.dialogue, kinds)]
        meaning = meaning_of(acquisition, taken, settings.start_hz, settings.stop_hz, kinds, through=self._through)
        if meaning is None:
            raise MissingError("data came, but no one form of numbers fits two spans")
        self.found.meaning, self._doubt = meaning, None

    async def limits(self) -> None:
        """What may be asked for."""
        assert self._trials is not None
        bounds = self.found.bounds
        await find_points(self._trials, bounds)
        await find_range(self._trials, bounds)
        await find_bandwidth(self._trials, bounds)
        if not bounds.min_points and self.found.acquisition is not None:
            counts = self.trial_settings()
            fixed = self.found.acquisition.parts[0].shapes[0].points
            combined = "{points}" in self.found.commands.get("span", "")
            bounds.min_points = min(one.points for one in counts) if combined else fixed
            bounds.max_points = max(one.points for one in counts) if combined else fixed
        if not bounds.bandwidths_hz:
            self.found.unknown.append("how to set the bandwidth: no word for it was understood")

    def _read(self) -> set[str]:
        lines = " ".join(line for lines in self.found.readback.values() for line in lines)
        return {name for role, name in WORDS_OF_ROLES.items() if role in FIELDS and f"{{{FIELDS[role]}_" in lines}

    def _counted(self) -> bool:
        """Whether a word sets the number of points."""
        return "points" in self.found.commands or "{points}" in self.found.commands.get("span", "")

    def trial_settings(self) -> tuple[SweepSettings, SweepSettings]:
        """Two settings within what is known to be taken, all numbers different."""
        trials = self._trials
        assert trials is not None
        low, high = trials.low_hz, trials.high_hz
        width = min(high - low, 300e6)
        counts = trials.points or [51, 101]
        if not self._counted() and self.found.acquisition is not None:
            counts = [self.found.acquisition.parts[0].shapes[0].points]
        grain = 1e5 if width > 4e6 else 1e4

        def at(part: float) -> float:
            return round((low + part * width) / grain) * grain

        one = SweepSettings(at(0.3), at(0.5), counts[0], 1000.0)
        two = SweepSettings(at(0.15), at(0.75), counts[-1] if len(counts) > 1 else counts[0], 1000.0)
        return one, two

    def _why(self, acquire: Acquire) -> str:
        if acquire.thin:
            return "only magnitudes came, one number a trace and point, no phase"
        if acquire.lone:
            return f"only one trace with phase came (to {acquire.lone!r}); no word gives the other of S11 and S21"
        if acquire.strange:
            return f"data came but were not understood; a line of them: {acquire.strange!r}"
        if not any(word.role is Role.DATA for word in self.words):
            return "no word is known that gives data"
        return "no word gave data for S11 and S21"

    @staticmethod
    def _shown(acquisition: Acquisition) -> str:
        row = acquisition.parts[0].shapes[0].values[0]
        return " ".join(f"{value:g}" for value in row[:6])


def _reflected(
    meaning: Meaning, taken: list[list[Shape]], settings: SweepSettings
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """The two columns of S11, shape (points, 2), and the frequencies in hertz."""
    for rows, shapes in zip(meaning.names, taken, strict=True):
        for names, shape in zip(rows, shapes, strict=True):
            if "s11" in names.traces:
                hertz = np.linspace(settings.start_hz, settings.stop_hz, shape.points)
                return shape.values[:, list(names.traces["s11"])], hertz
    raise MissingError("data came, but none of it is S11")


def _fits(kind: Kind, meaning: Meaning, taken: list[list[Shape]], settings: SweepSettings) -> bool:
    return fits(kind, *_reflected(meaning, taken, settings))


def _read_line(line: str, name: str) -> str:
    """A line of an answer as a template: the value a field, other numbers skipped; a suffix is part of it."""
    head, _, tail = line.partition("{v}")
    suffix = re.match(r" ?[kMG](?:[Hh][Zz])?(?!\w)", tail)
    if suffix and ":" not in name and "_" in name:
        name, tail = f"{name.rpartition('_')[0]}_hz:si", tail[suffix.end() :]
    return f"{_skipped(head)}{{{name}}}{_skipped(tail)}"


def _skipped(text: str) -> str:
    """A text with its numbers made fields of no interest."""
    return re.sub(
        r"(?<![\w.{])[-+]?\d+(?:\.\d+)?( ?[kMG](?:[Hh][Zz])?)?(?![\w}])",
        lambda match: "{skip:si}" if match.group(1) else "{skip}",
        text,
    )


def _shape_of(line: str) -> str:
    return re.sub(r"\{[^}]*\}", "#", line)


def _same_line(one: str, other: str) -> bool:
    return _shape_of(one) == _shape_of(other) and one.count("{") > 1


def _merged(one: str, other: str) -> str:
    """Two templates of the same line, each with another field, as one."""
    fields = [
        a if not a.startswith("{skip") else b
        for a, b in zip(re.findall(r"\{[^}]*\}", one), re.findall(r"\{[^}]*\}", other), strict=True)
    ]
    parts = _shape_of(one).split("#")
    return parts[0] + "".join(field + part for field, part in zip(fields, parts[1:], strict=True))
