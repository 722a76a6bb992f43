"""Small harmless settings: which way of writing takes effect, seen in what is read back.

Owns: the search for start, stop, centre, span, step, points, and for the unit of a frequency.
Refuses: sweeps (`acquire`).
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from protocol.learn.dialogue import Role, Word
from protocol.learn.sweeps.setters import Setter, Source, numbers_in
from protocol.learn.sweeps.trying import RANGE, Settings, Writing, nice

POINTS = (51, 101, 64, 201, 75, 50, 100, 128, 151, 301, 401, 21, 11)
PAIRS = ((Role.START, Role.STOP), (Role.CENTRE, Role.SPAN), (Role.START, Role.STEP))


@dataclass
class Trials(Settings):
    """The search for a way to set frequencies and points."""

    async def run(self) -> bool:
        """Find a way to set frequencies and points; False when there is none."""
        for word in self.setters.of(Role.SETTINGS):
            lines = await self.talk.ask(word.name)
            if not self.talk.refused(lines) and any(numbers_in(line) for line in lines):
                self.status.append(word.name)
                self.before[word.name] = lines
        await self._points()
        for word in self.setters.of(Role.RANGE):
            if word.told is not None and word.told.form and await self._whole(word, word.told.form):
                return True
        for pair in sorted(PAIRS, key=self._told_of, reverse=True):
            if all(self.setters.of(role) for role in pair) and await self._pair(pair):
                self.pair = pair
                return True
        for word in self.setters.of(Role.RANGE):
            if await self._combined(word):
                return True
            if self.combined:
                return True
        return False

    def _told_of(self, pair: tuple[Role, ...]) -> int:
        """How many words of a pair the technician named."""
        return sum(any(word.told is not None for word in self.setters.of(role)) for role in pair)

    # Numbers of points

    async def _points(self) -> None:
        for word in self.setters.of(Role.POINTS):
            current = await self._sources(word)
            for form in (*([f"{word.name}\n{{v}}"] if current is None else []), *self.setters.set_forms(word)):
                taken = []
                for points in self._counts(word):
                    source = await self._try(word, form, str(points), float(points), current or [])
                    if source is not None:
                        taken.append((points, source))
                    if len(taken) == 3 or (not taken and points == self._counts(word)[3]):
                        break
                if taken:
                    setter = Setter(Role.POINTS, word, form, taken[0][1] if taken[0][1].command else None)
                    self._keep(setter)
                    self.points = sorted(points for points, _ in taken)
                    return

    def _counts(self, word: Word) -> list[int]:
        """Counts to try: those that the console's words list, then usual ones within the range that they give."""
        text = f"{word.usage} {word.description}"
        low, high = 2, 100_000
        found = RANGE.search(text)
        if found and "hz" not in found.group().lower():
            low, high = int(float(found.group(1).rstrip(".,"))), int(float(found.group(3).rstrip(".,")))
        listed = [int(part) for part in re.findall(r"\b\d{2,4}\b", text)] if not found else []
        return [n for n in dict.fromkeys((*listed, *POINTS)) if low <= n <= high] or [low, high]

    # Frequencies

    async def _pair(self, pair: tuple[Role, ...]) -> bool:
        words = [self.setters.of(role)[0] for role in pair]
        sources = [await self._sources(word) for word in words]
        for writing in self._writings(words):
            for window in self._windows(writing):
                done = await self._place(pair, words, sources, writing, window)
                if done:
                    self.writing, (self.low_hz, self.high_hz) = writing, window
                    return True
        return False

    async def _place(
        self, pair: tuple[Role, ...], words: Sequence[Word], sources: Sequence[list[Source] | None], writing: Writing,
        window: tuple[float, float],
    ) -> bool:  # fmt: skip
        low, high = window
        width = high - low
        aims = {
            Role.START: (low + 0.2 * width, low + 0.1 * width), Role.STOP: (low + 0.8 * width, low + 0.9 * width),
            Role.CENTRE: (low + 0.5 * width, low + 0.45 * width), Role.SPAN: (0.2 * width, 0.3 * width),
            Role.STEP: (0.001 * width, 0.002 * width),
        }  # fmt: skip
        for role, word, current in zip(pair, words, sources, strict=True):
            forms = [f"{word.name}\n{{v}}"] if current is None else list(self.setters.set_forms(word))
            for form in forms:
                taken = []
                for hertz in aims[role]:
                    text = writing.text(nice(hertz))
                    value = numbers_in(text)[0][1] if numbers_in(text) else 0.0
                    source = await self._try(word, form, text, value, current or [])
                    if source is None:
                        break
                    taken.append(source)
                if len(taken) == 2:
                    self._keep(Setter(role, word, form, taken[1] if taken[1].command else None))
                    break
            else:
                return False
        return True

    async def _whole(self, word: Word, form: str) -> bool:
        """One command for several settings as the technician typed it, its values in {start}, {stop} and so on."""
        current = await self._sources(word)
        names = re.findall(r"\{(\w+)\}", form)
        for writing in self._writings([word]):
            for low, high in self._windows(writing):
                start, stop = (nice(low + part * (high - low)) for part in (0.2, 0.7))
                taken = []
                for count in self._counts(word) if "points" in names else (0,):
                    values = {
                        "start": start, "stop": stop, "centre": (start + stop) / 2, "span": stop - start,
                        "step": nice(0.01 * (stop - start)),
                    }  # fmt: skip
                    texts = {name: str(count) if name == "points" else writing.text(values[name]) for name in names}
                    wanted = [(text, (numbers_in(text) or [(text, 0.0)])[0][1]) for text in texts.values()]
                    line = _filled(form, texts)
                    if await self._took(line, wanted, current or [], believed=True):
                        taken.append(count)
                        self.combined_texts = list(texts.values())
                    if len(taken) == 3 or "points" not in names:
                        break
                if taken:
                    self.points = sorted({*self.points, *filter(None, taken)})
                    self.combined = _filled(form, {name: writing.template(name) for name in names})
                    self.writing, self.low_hz, self.high_hz = writing, low, high
                    return True
        return False

    async def _combined(self, word: Word) -> bool:
        """One command for start, stop and points."""
        current = await self._sources(word)
        told = f"{word.usage[len(word.name) + 1 :]} {word.description}"
        separators = [sign for sign in (",", ";", " ") if sign in told] or [" "]
        separators += [s for s in (" ", ",", ";") if s not in separators]
        with_points = Role.POINTS not in self.setters.found
        for writing in self._writings([word]):
            for low, high in self._windows(writing):
                for separator in separators:
                    hertz = [nice(low + part * (high - low)) for part in (0.2, 0.7)]
                    for joint in (" ", "=", ":", ","):
                        for count in (*map(str, self._counts(word)), "") if with_points else ("",):
                            texts = [*map(writing.text, hertz), *([count] if count else [])]
                            line = word.name + joint + separator.join(texts)
                            self.combined_texts = texts
                            first, last = numbers_in(texts[0])[0][1], numbers_in(texts[1])[0][1]
                            wanted = [(texts[0], first), (texts[1], last), *([(count, float(count))] if count else [])]
                            if await self._took(line, wanted, current or []):
                                names = [f"start_{writing.unit}", f"stop_{writing.unit}"]
                                form = f":{writing.form}" if writing.form else ""
                                if count:
                                    self.points = sorted({*self.points, int(count)})
                                    if len(self.points) < 3:
                                        continue
                                parts = [f"{{{name}{form}}}" for name in names] + (["{points}"] if count else [])
                                self.combined = word.name + joint + separator.join(parts)
                                self.writing, self.low_hz, self.high_hz = writing, low, high
                                return True
                            if count == "" and self.points:
                                break
                        if not self._reads_anything(current):
                            break
        return False


def _filled(form: str, texts: Mapping[str, str]) -> str:
    """A command with its fields filled in."""
    return re.sub(r"\{(\w+)\}", lambda match: texts[match.group(1)], form)
