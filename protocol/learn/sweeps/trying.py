"""One careful setting after the other: sent, and looked for in what the console shows.

Owns: what became of a value (taken, moved, refused), where a setting is read back. Refuses: the order in which settings
are looked for (`trials`).
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

from protocol.learn.dialogue import Role, Word
from protocol.learn.sweeps.setters import Setter, Source, line_with, numbers_in
from protocol.learn.sweeps.told import RANGE, changed, counts_told, told_range
from protocol.learn.sweeps.windows import Windows
from protocol.profiles.templates import UNITS

CODED = re.compile(r"^\W?\d{1,4}[:.]?\s+(?=[A-Za-z])")
"""The number of a refusal before its words."""
ALONE = re.compile(r"(?<![\w.])[-+]?\.?\d")
"""A number that is not a part of a word."""


@dataclass(frozen=True)
class Outcome:
    """What became of one value that was tried."""

    taken: bool = False
    source: Source | None = None
    """Where it was seen; None where nothing shows it."""
    understood: bool = False
    """Whether the way of writing was right, though the value was not taken."""


@dataclass
class Settings(Windows):
    """Tries values of settings on one console."""

    async def _took(self, line: str, wanted: list[tuple[str, float]], current: list[Source]) -> Outcome:
        """Set several values at once and look whether they hold."""
        if not self.talk.may(line):
            return Outcome()
        lines = await self.talk.ask(line)
        self._hear(lines, int(wanted[2][1]) if len(wanted) > 2 else 0)
        if self.talk.turned_down(lines, line):
            return Outcome(understood=bool(len(wanted) > 2 and counts_told(lines, int(wanted[2][1]))))
        commands = list(dict.fromkeys([*self.status, *(source.command for source in current)]))
        for command in tuple(commands):
            answer = await self.talk.ask(command)
            then, self.answers[command] = self.answers.get(command, []), answer
            if answer == self.doubtful.get(command):
                commands.remove(command)
                continue
            scale = UNITS[self.writing_tried.unit]
            if all(any(_holds(text, *want, scale) for text in answer) for want in wanted):
                self.verified = True
                self.combined_read = (command, answer)
                return Outcome(taken=True)
            if then and answer != then:
                return Outcome(understood=True)
        return Outcome(taken=not commands)

    def _hear(self, lines: list[str], count: int = 0, role: Role = Role.RANGE) -> None:
        """Keep ranges and counts that the answer to a value tells."""
        if not count and role in (Role.START, Role.STOP, Role.CENTRE, Role.RANGE):
            self.refused_with += [line for line in lines if RANGE.search(line)]
        elif self.talk.turned_down(lines):
            self.counts_told = counts_told(lines, count) or self.counts_told

    async def _sources(self, word: Word) -> list[Source] | None:
        """Questions whose answers hold a number, tried before anything is set; None for a word that asks back."""
        found: list[Source] = []
        for number, command in enumerate(self.setters.reads(word)):
            if number >= (2 if self.setters.unreadable else 99):
                break
            got = await self.talk.say(command)
            lines = self.talk.lines(got, command)
            if self.talk.asks_back(got):
                await self.talk.say("")
                return None
            if self.talk.turned_down(lines) and word.role is not Role.POINTS:
                self._hear(lines, role=word.role)  # `3 to 450 MHz`
            if not self.talk.refused(lines) and any(numbers_in(line) for line in lines) and len(lines) <= 3:
                if self.talk.turned_down(lines):
                    spoken = any(ALONE.search(CODED.sub("", line)) for line in lines)
                    if told_range(lines) or not spoken:
                        continue  # `k6: value missing` and `21 OUT OF LIMITS` hold no value
                    self.doubtful[command] = lines  # a value, or always the same words?
                else:
                    self.before[word.name] = lines
                found.append(Source(command, ""))
                bare = re.sub(r"(?i)^set[ _]?(?=[A-Za-z])", "", word.name)
                style = (
                    command.replace(word.name, "{name}") if word.name in command else command.replace(bare, "{name}")
                )
                self.setters.read_style = self.setters.read_style or style
                break
        self.setters.unreadable = not found and not self.setters.read_style
        return found

    async def _try(
        self, word: Word, form: str, text: str, value: float, current: list[Source], hertz: float = 0.0
    ) -> Outcome:
        """Set a value and look whether it holds."""
        lines: list[str] = []
        for number, line in enumerate(form.replace("{v}", text).split("\n")):
            if not (self.talk.open_question if number else self.talk.may(line)):
                return Outcome()
            lines = self.talk.lines(await self.talk.say(line, value=number > 0), line)
        self._hear(lines, 0 if hertz else int(value), word.role)
        if self.talk.turned_down(lines, form):
            self.refuses = self.refuses or bool(hertz)
            told = told_range(lines) if hertz else bool(counts_told(lines, int(value)))
            return Outcome(understood=told)
        seen = await self._read_after(word, text, value, current, hertz)
        if seen is not None and (seen.taken or seen.understood):
            return seen
        if "\n" in form:
            return seen or await self._offered(word, form, text, value, hertz)
        lines = [CODED.sub("", line) for line in lines]  # `00 OK` shows no value
        shown = line_with(lines, text, value, hertz)
        if seen is not None and not shown:
            return seen
        if seen is not None:  # nothing that can be asked moved, and the reply itself tells what holds
            current.clear()
        then, self.answers[form] = self.answers.get(form, []), lines
        if shown:
            self.shows = True
            self.unit_known = self.unit_known or _has_unit(shown, hertz)
            return Outcome(True, None, True)
        own = rf"(?<!\w){re.escape(word.name)}(?!\w)"
        numbers = [number for line in lines for number in numbers_in(re.sub(own, "", line, count=1))]
        moved_to = changed(then, lines) or (numbers[0] if len(numbers) == 1 else None)
        if moved_to is not None and hertz and value:
            self._clamp(word.role, hertz, moved_to, hertz / value)
        if numbers or (self.shows and not lines):
            return Outcome(understood=bool(numbers))
        return Outcome(True, None, True)

    async def _read_after(
        self, word: Word, text: str, value: float, current: list[Source], hertz: float
    ) -> Outcome | None:
        """What the questions for a setting and for all settings tell behind a value; None where none can be asked.

        Questions that turn out to hold no value leave `current`.
        """
        moved = False
        commands = list(dict.fromkeys([*(source.command for source in current), *self.status]))
        commands_without = list[str]()
        for command in commands:
            answer = await self.talk.ask(command)
            if answer == self.doubtful.get(command) and told_range(answer):
                commands_without.append(command)  # `3 TO 801` shows an end of the range, not the value
                continue
            then = self.answers.get(command) or self.before.get(command) or self.before.get(word.name, [])
            self.answers[command] = answer
            found = _line_for(answer, word.name, text, value, command in self.status, hertz)
            if found:
                self.verified = True
                self.unit_known = self.unit_known or _has_unit(found, hertz)
                return Outcome(True, Source(command, found), True)
            if answer == self.doubtful.get(command):  # the value was not refused, and this did not move with it
                commands_without.append(command)
                continue
            other = changed(then, answer)
            moved = moved or other is not None
            if other is not None and not hertz and other[1] > 1:
                self.counts_seen.append(int(other[1]))
            if other is not None and hertz and value:
                self._clamp(word.role, hertz, other, hertz / value)
        if commands_without:
            current[:] = [source for source in current if source.command not in commands_without]
        if [command for command in commands if command not in commands_without]:
            return Outcome(understood=moved)
        return None

    async def _offered(self, word: Word, form: str, text: str, value: float, hertz: float) -> Outcome:
        """Whether a word that asks back offers the value that was set; it is left as it is."""
        question = form.partition("\n")[0]
        lines = self.talk.lines(await self.talk.say(question), question)
        await self.talk.say("")
        held = re.findall(r"[(\[]([^()\[\]]*\d[^()\[\]]*)[)\]]", lines[-1]) if lines else []
        open_question = not held and bool(lines) and len(numbers_in(lines[-1])) == 1
        if open_question:  # `points=51:` shows what holds, `up to 801:` does not: known once it followed
            held = lines[-1:]
        if not held:
            return Outcome(True, None, True)
        if line_with(held[-1:], text, value, hertz):
            self.offering.add(question)
            return Outcome(True, None, True)
        if open_question and question not in self.offering:
            return Outcome(True, None, True)
        numbers = numbers_in(held[-1])
        if len(numbers) == 1 and hertz and value:
            self._clamp(word.role, hertz, numbers[0], hertz / value)
        return Outcome(understood=True)

    def _clamp(self, role: Role, asked_hz: float, shown: tuple[str, float], scale: float) -> None:
        """A value that was moved tells an end of the range; not in hexadecimal, whose digits read as other numbers."""
        if self.writing_tried.form == "hex":
            return
        held_hz = shown[1] * (1.0 if shown[0][-1:] in "kMG" else scale)
        if role in (Role.START, Role.STOP, Role.CENTRE) and held_hz > 0:
            self.clamped["high" if held_hz < asked_hz else "low"] = held_hz

    async def look(self) -> None:
        """Ask for all settings that are found, so that what the next value changes can be told."""
        sources = [setter.source.command for setter in self.setters.found.values() if setter.source is not None]
        for command in dict.fromkeys([*sources, *self.status]):
            self.answers[command] = await self.talk.ask(command)

    async def holds(self, role: Role, value: float) -> Outcome:
        """Try one more value of a setting that is found; frequencies in hertz."""
        setter = self.setters.found[role]
        current = [setter.source] if setter.source is not None else []
        if role is Role.POINTS:
            return await self.try_count(setter.word, setter.form, int(value), current)
        text = replace(self.writing, unit=setter.unit or self.writing.unit).text(value)
        numbers = numbers_in(text)
        return await self._try(setter.word, setter.form, text, numbers[0][1] if numbers else 0.0, current, value)

    async def try_count(self, word: Word, form: str, count: int, current: list[Source]) -> Outcome:
        """Set a number of points, as it is or as a power of two, and look whether it holds."""
        if not self.points_form:
            return await self._try(word, form, str(count), float(count), current)
        if count & (count - 1):
            return Outcome(understood=True)
        exponent = count.bit_length() - 1
        return await self._try(word, form, str(exponent), float(exponent), current)

    def _keep(self, setter: Setter) -> None:
        self.setters.found[setter.role] = setter
        self.setters.style = setter.form.replace(setter.word.name, "{name}", 1)


def _line_for(lines: Sequence[str], name: str, text: str, value: float, page: bool, hertz: float = 0.0) -> str:
    """The line of an answer that holds the value; on a page of settings the one that names the word."""
    page = page and not re.fullmatch(r"\S+ \d+", name)
    mine = (
        [line for line in lines if re.search(rf"(?<!\w){re.escape(name.rsplit(maxsplit=1)[-1])}(?!\w)", line)]
        if page
        else []
    )
    return line_with(mine or lines, text, value, hertz)


def _has_unit(line: str, hertz: float) -> bool:
    """Whether an answer shows the frequency that was meant with a unit of its own."""
    return hertz > 0 and re.search(r"\{v\} ?[kMG]", line) is not None


def _holds(line: str, text: str, value: float, scale: float) -> bool:
    """Whether a line shows a value; one with a unit of its own is compared in hertz, `scale` of them to a number."""
    return any(
        shown == text or abs(number - value * (scale if shown[-1:] in "kMG" else 1.0)) <= 1e-9 * max(abs(number), 1e-9)
        for comma in (False, True)
        for shown, number in numbers_in(line, comma=comma)
    )
