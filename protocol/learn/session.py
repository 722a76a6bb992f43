"""One learning session on one console: the order of the steps, and all that was found.

Owns: what is known so far (`Found`), its evidence, and what is missing in words. Refuses: to write (`writer`).
"""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import replace

from protocol.learn.commands import WORDS_OF_ROLES, loosened
from protocol.learn.dialogue import Role
from protocol.learn.found import MissingError
from protocol.learn.questions import kind_said
from protocol.learn.sweeping import Sweeping, reflected, still_fits
from protocol.learn.sweeps.acquire import Acquire
from protocol.learn.sweeps.axis import OtherFrequenciesError, meaning_of
from protocol.learn.sweeps.bounds import find_bandwidth, find_points, find_range
from protocol.learn.sweeps.refusing import with_heads
from protocol.learn.sweeps.scale import enough_points, telling_width
from protocol.learn.sweeps.setters import SETTING, Setters
from protocol.learn.sweeps.trials import Trials
from protocol.learn.sweeps.windows import FIELDS
from protocol.learn.words.allow import Entry, words_of
from protocol.learn.words.framing import taken_heads
from protocol.learn.words.tokens import hints_of
from protocol.sweep import SweepSettings

OTHER_WIDTH = 0.6
"""Width of a sweep beside an end of the range, as a part of the one that was understood."""
OFTEN, LONGEST_END = 3, 24
"""A line that came so often to settings, and is no longer, is how it says that it took them."""
SAME_DELAY = 0.15
"""Two sweeps of one open lead differ by less than this part in its delay."""


class Session(Sweeping):
    """Learns one console over a conversation that is open."""

    def anew(self) -> None:
        """Forget how settings and sweeps go, for the words are others now."""
        found = self.found
        found.commands.clear()
        found.readback.clear()
        found.acquisition, found.meaning, found.axis, found.listed = None, None, "unconfirmed", ""
        self._trials = None

    async def settings(self) -> None:
        """How frequencies and points are set and read back."""
        self.talk.manner = with_heads(self.talk.manner, self.talk.transcript)
        await self._on_the_page()
        setters = Setters(self.talk, self.words, self.opening.printed)
        for word in setters.of(*Role):
            if word.role in WORDS_OF_ROLES or word.role in (Role.RANGE, Role.SETTINGS, Role.BANDWIDTH, Role.AVERAGE):
                setters.permit(word)
        trials, before = Trials(setters), len(self.talk.transcript)
        self._trials = trials
        if not await trials.run():
            known = ", ".join(word.name for word in self.words if word.role in FIELDS or word.role is Role.RANGE)
            raise MissingError(
                f"no way was found to set frequencies (tried: {known})" if known else "no word sets frequencies"
            )
        self._taken_with(before)
        self._commands(trials)

    def _taken_with(self, before: int) -> None:
        """A line that alone answers settings that are taken is an end, too, where answers to questions have another."""
        manner = self.talk.manner
        if manner.prompts or not manner.ends:
            return
        said = [(got, self.talk.lines(got, sent.strip())) for sent, got in self.talk.transcript[before:]]
        ended = [manner.ended(got) for got, _ in said]  # an end that is known came behind it: it is none
        alone = [
            lines[0]
            for (_, lines), whole in zip(said, ended, strict=True)
            if len(lines) == 1 and not whole and not self.talk.turned_down(lines)
        ]
        others = [
            one for (_, lines), whole in zip(said, ended, strict=True) if whole or len(lines) > 1 for one in lines
        ]
        self.taken = taken_heads(alone, others)
        often = Counter(one for one in alone if not re.search(r"\d", one)).most_common(1)
        for line, times in often:
            if times >= OFTEN and len(line) <= LONGEST_END:
                self.talk.manner = replace(manner, ends=(*manner.ends, line))

    async def _on_the_page(self) -> None:
        """Settings that no list shows, where the console tells how to set one and a page of all names them exactly."""
        if not hints_of(self.opening.printed)[0] or any(word.role in FIELDS for word in self.words):
            return
        listed = {word.name for word in self.words}
        for page in [word for word in self.words if word.role is Role.SETTINGS]:
            self.talk.permit(page.name)
            rows = [
                re.fullmatch(r"\s*([A-Za-z][\w.]*)\W+[-+]?[0-9][\w.,]*\s*", line)
                for line in await self.talk.ask(page.name)
            ]
            names = [row.group(1) for row in rows if row and row.group(1) not in listed]
            self.words = self.words + [
                replace(word, number=len(self.words) + at)
                for at, word in enumerate(
                    (one for one in words_of([Entry(name, name) for name in names]) if one.role in SETTING), 1
                )
            ]
            return

    async def angles(self) -> None:
        """What the numbers are, where less than a turn leaves several forms: a wider sweep tells, or a person."""
        if self._doubt is None or self.found.meaning is None or self.found.acquisition is None:
            return
        acquire, kinds, settings, taken = self._doubt
        pair, hertz = reflected(self.found.meaning, taken, settings)
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
            kinds = [kind for kind in kinds if still_fits(kind, self.found.meaning, again, wide)] or kinds
        if len(kinds) > 1:
            kinds = [await kind_said(self.dialogue, kinds)]
        meaning = meaning_of(acquisition, taken, settings.start_hz, settings.stop_hz, kinds, through=self._through)
        if meaning is None:
            raise MissingError("data came, but no one form of numbers fits two spans")
        self.found.meaning, self._doubt = meaning, None

    async def _follows(self, end_hz: float, up: bool) -> bool:
        """Whether a sweep that ends at a frequency, or begins there, shows the same open lead as the one before.

        The settings that were understood are set again first, and its width is another: where one end or both are
        ignored, what is swept is of another width than was set, and its delay another, too.
        """
        found, one = self.found, self.trial_settings()[1]
        if found.acquisition is None or found.meaning is None or self._trials is None:
            return False
        grain = 1e5 if one.stop_hz - one.start_hz > 4e6 else 1e4
        width = round((one.stop_hz - one.start_hz) * OTHER_WIDTH / grain) * grain
        start = end_hz - width if up else end_hz
        if start <= 0:
            return False
        settings = replace(one, start_hz=start, stop_hz=start + width)
        await self.apply(one)
        await self.apply(settings)
        acquire = Acquire(self.talk, self._trials.setters)
        taken = await acquire.take(found.acquisition, one.points if self._counted() else None)
        if taken is None:
            return False
        try:
            seen = meaning_of(
                found.acquisition, taken, start, start + width, [found.meaning.kind], through=self._through
            )
        except OtherFrequenciesError:
            return False
        then = found.meaning.delay.seconds
        return seen is not None and abs(seen.delay.seconds - then) < SAME_DELAY * abs(then)

    async def read_again(self) -> None:
        """Ask once more for the settings, now that it has swept: words that tell a state may be others then."""
        for command, lines in self.found.readback.items():
            if not self.talk.may(command):
                continue
            await self.talk.ask(command)
            answers = [self.talk.lines(got, command) for sent, got in self.talk.transcript if sent.strip() == command]
            self.found.readback[command] = [loosened(line, answers) for line in lines]

    async def limits(self) -> None:
        """What may be asked for."""
        assert self._trials is not None
        bounds = self.found.bounds
        await find_points(self._trials, bounds)
        await find_range(self._trials, bounds, self._follows)
        if bounds.assumed:
            self.found.unknown.append(
                f"its whole range: nothing beyond was refused, so {bounds.start_hz:.0f} to {bounds.stop_hz:.0f} Hz is"
                " only where sweeps followed what was set"
            )
        await find_bandwidth(self._trials, bounds)
        if not bounds.min_points and self.found.acquisition is not None:
            counts = self.trial_settings()
            fixed = self.found.acquisition.parts[0].shapes[0].points
            combined = self._counted()
            bounds.min_points = min(one.points for one in counts) if combined else fixed
            bounds.max_points = max(one.points for one in counts) if combined else fixed
        if not bounds.bandwidths_hz:
            self.found.unknown.append("how to set the bandwidth: no word for it was understood")
