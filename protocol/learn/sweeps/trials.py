"""Small harmless settings: which way of writing takes effect, seen in what is read back.

Owns: the search for start, stop, centre, span, step, points, and for the unit of a frequency.
Refuses: sweeps (`acquire`).
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from protocol.learn.dialogue import Role, Word
from protocol.learn.sweeps.dialogs import find_dialog
from protocol.learn.sweeps.setters import Setter, Source, numbers_in
from protocol.learn.sweeps.told import RANGE
from protocol.learn.sweeps.trying import Outcome, Settings
from protocol.learn.sweeps.windows import Writing, nice
from protocol.learn.words.asides import modern
from protocol.profiles.templates import SETTING_FIELDS, Template, setting_values
from protocol.sweep import SweepSettings

POWERS = re.compile(r"(?i)\b2 ?(?:\^|\*\*) ?[a-z]\b|power of (?:two|2)\b.{0,20}\bexponent|\blog2\b")
"""Says that the exponent of a power of two is set."""
MOST_COUNTS = 14
"""Counts that are tried where most are refused."""
FEWEST_COUNTS = 3
"""Refused counts after which a way of writing is given up."""
READ_COUNTS = 9
"""The same for the likeliest way of writing, where the number of points can be read."""
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
        dialog = await find_dialog(self.talk, self.setters.words)
        if dialog is not None:
            self.setters.dialog, self.writing, self.unit_known = dialog.command, dialog.writing, True
            self.low_hz, self.high_hz = dialog.low_hz, dialog.high_hz
            return True
        await self._points()
        for word in self.setters.of(Role.RANGE):
            form = word.told.form if word.told is not None else _whole_form(word)
            if form and await self._whole(word, form):
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
            self.points_form = "log2" if POWERS.search(f"{word.usage} {word.description}") else ""
            forms = [*([f"{word.name}\n{{v}}"] if current is None else []), *self.setters.set_forms(word)]
            for number, form in enumerate(forms):
                fewest = READ_COUNTS if number == 0 and (current or current is None) else FEWEST_COUNTS
                taken, understood = await self._counts_taken(word, form, current or [], fewest)
                if taken:
                    source = taken[0][1]
                    self._keep(Setter(Role.POINTS, word, form, source if source and source.command else None))
                    self.points = sorted(points for points, _ in taken)
                    return
                if understood:
                    break

    async def _counts_taken(
        self, word: Word, form: str, current: list[Source], fewest: int
    ) -> tuple[list[tuple[int, Source | None]], bool]:
        """Three counts that are taken in this form, or fewer; whether the form was understood.

        After `fewest` that are not, the form is given up.
        """
        taken: list[tuple[int, Source | None]] = []
        refused: list[int] = []
        waiting, understood = self._counts(word), False
        while waiting and len(taken) < 3 and len(refused) < MOST_COUNTS:
            points = waiting.pop(0)
            outcome = await self.try_count(word, form, points, current)
            understood = understood or outcome.understood or outcome.taken
            if outcome.taken:
                taken.append((points, outcome.source))
                continue
            refused.append(points)
            if self.counts_told:
                waiting = [count for count in self.counts_told if count not in (*refused, *(n for n, _ in taken))]
            if self.counts_seen and not self.points_form:
                tried = {*refused, *(count for count, _ in taken)}
                waiting = [n for n in dict.fromkeys(self.counts_seen) if n not in tried] + waiting
                self.counts_seen.clear()
            if not understood and len(refused) >= (fewest):
                break
        if taken:
            self.refused_counts = refused
        return taken, understood

    def _counts(self, word: Word) -> list[int]:
        """Counts to try: those that the console's words list, then usual ones within the range that they give."""
        text = f"{word.usage[len(word.name) :]} {word.description}"
        if self.points_form:
            return [64, 128, 32, 256, 16]
        low, high = 2, 100_000
        found = RANGE.search(text)
        if found and "hz" not in found.group().lower():
            low, high = int(float(found.group(1).rstrip(".,"))), int(float(found.group(3).rstrip(".,")))
        listed = [int(part) for part in re.findall(r"(?<![\w.])\d{2,4}(?![\w.])", text)] if not found else []
        return [n for n in dict.fromkeys((*listed, *POINTS)) if low <= n <= high] or [low, high]

    # Frequencies

    async def _pair(self, pair: tuple[Role, ...]) -> bool:
        words = [self.setters.of(role)[0] for role in pair]
        sources = [await self._sources(word) for word in words]
        for writing in self._writings(words):
            for window in self.windows(writing):
                done = await self._place(pair, words, sources, writing, window)
                if not done and pair[0] is Role.CENTRE and Role.CENTRE not in self.setters.found:
                    # a wide span that holds leaves the centre no room: narrow it first
                    done = await self._place(pair[::-1], words[::-1], sources[::-1], writing, window)
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
        units = _own_units(dict(zip(pair, words, strict=True)))
        for role, word, current in zip(pair, words, sources, strict=True):
            forms = [f"{word.name}\n{{v}}"] if current is None else list(self.setters.set_forms(word))
            if role in self.setters.found:
                forms = [self.setters.found[role].form]
            for form in forms:
                taken: list[Source | None] = []
                outcome = Outcome()
                for hertz in aims[role]:
                    exact = nice(hertz)
                    text = replace(writing, unit=units.get(role, writing.unit)).text(exact)
                    outcome = await self._try(word, form, text, _number(text), current or [], exact)
                    if not outcome.taken:
                        break
                    taken.append(outcome.source)
                if len(taken) == 2:
                    source = taken[1]
                    self._keep(
                        Setter(role, word, form, source if source and source.command else None, units.get(role, ""))
                    )
                    break
                if outcome.understood:
                    return False  # the way is right; another range may be taken
            else:
                return False
        return True

    async def _whole(self, word: Word, form: str) -> bool:
        """One command for several settings as the technician typed it, its values in {start}, {stop} and so on."""
        current = await self._sources(word)
        names = re.findall(r"\{(\w+)\}", form)
        for writing in self._writings([word]):
            for low, high in self.windows(writing):
                start, stop = (nice(low + part * (high - low)) for part in (0.2, 0.7))
                taken = []
                for count in self._counts(word) if "points" in names else (0,):
                    values = {
                        "start": start, "stop": stop, "centre": (start + stop) / 2, "span": stop - start,
                        "step": nice(0.01 * (stop - start)),
                    }  # fmt: skip
                    plain = {"points": str(count), "bandwidth": f"{_bandwidth_told(word):g}"}
                    texts = {name: plain.get(name) or writing.text(values[name]) for name in names}
                    wanted = [(text, (numbers_in(text) or [(text, 0.0)])[0][1]) for text in texts.values()]
                    line = _filled(form, texts)
                    if (await self._took(line, wanted, current or [])).taken:
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

    async def holds_ends(self, low_hz: float, high_hz: float) -> Outcome:
        """Try one more pair of ends with the command for several settings."""
        points = self.points[0] if self.points else 51
        values = setting_values(SweepSettings(low_hz, high_hz, points, 1000.0), resolution_hz=1.0)
        template = Template.parse(self.combined, SETTING_FIELDS)
        texts = [(one.base, one.text(float(values[one.base]))) for one in template.fields if one.base in values]
        wanted = [(text, _number(text)) for base, text in texts if base in ("start_hz", "stop_hz")]
        question = self.combined_read[0]
        return await self._took(template.fill(values), wanted, [Source(question, "")] if question else [])

    async def _combined(self, word: Word) -> bool:
        """One command for start, stop and points."""
        current = await self._sources(word)
        with_points = Role.POINTS not in self.setters.found
        for writing in self._writings([word]):
            for low, high in self.windows(writing):
                for joint, separator in _joints(word):
                    hertz = [nice(low + part * (high - low)) for part in (0.2, 0.7)]
                    texts = [writing.text(value) for value in hertz]
                    front = word.name + joint + separator.join(texts)
                    wanted = [(text, _number(text)) for text in texts]
                    found = ""
                    if with_points:
                        found = await self._with_counts(word, front, separator, wanted, current or [])
                    if not found and (await self._took(front, wanted, current or [])).taken:
                        found = front
                        self.combined_texts = texts
                    if found:
                        form = f":{writing.form}" if writing.form else ""
                        parts = [f"{{start_{writing.unit}{form}}}", f"{{stop_{writing.unit}{form}}}"]
                        parts += ["{points}"] if found != front else []
                        self.combined = word.name + joint + separator.join(parts)
                        self.writing, self.low_hz, self.high_hz = writing, low, high
                        return True
        return False

    async def _with_counts(
        self, word: Word, front: str, separator: str, wanted: list[tuple[str, float]], current: list[Source]
    ) -> str:
        """The same with a number of points behind; the last line that was taken, "" where none was."""
        found, refused, waiting, understood = "", 0, self._counts(word), False
        taken: list[int] = []
        while waiting and len(taken) < 3 and refused < MOST_COUNTS:
            count = waiting.pop(0)
            line = f"{front}{separator}{count}"
            outcome = await self._took(line, [*wanted, (str(count), float(count))], current)
            understood = understood or outcome.taken or outcome.understood
            if outcome.taken:
                found = line
                taken.append(count)
                self.combined_texts = [*(text for text, _ in wanted), str(count)]
                continue
            refused += 1
            self.refused_counts.append(count)
            if self.counts_told:
                waiting = [n for n in self.counts_told if n not in (*self.refused_counts, *taken)]
            if not understood and refused >= FEWEST_COUNTS:
                break
        self.points = sorted({*self.points, *taken})
        return found


def _bandwidth_told(word: Word) -> float:
    """A bandwidth in hertz that the words about a command name behind the word for it; 1000 where they name none."""
    told = re.search(r"(?i)\b(?:band ?width|r?bw)\b\D{0,40}?(\d{2,6})\b", word.description)
    return float(told.group(1)) if told else 1000.0


def _own_units(words: Mapping[Role, Word]) -> dict[Role, str]:
    """The unit of each word, where they name different ones, in their usages or in what is told of them; empty where
    they are alike or one names none, or several."""
    units = dict[Role, str]()
    for role, word in words.items():
        slot = re.findall(r"(?i)<([kmg]?hz)>", word.usage)
        told = slot or re.findall(r"(?i)(?<![a-z])[kmg]?hz\b", modern(f"{word.usage} {word.description}"))
        if len({unit.lower() for unit in told}) == 1:
            units[role] = told[0].lower()
    return units if len(units) == len(words) and len(set(units.values())) > 1 else {}


def _number(text: str) -> float:
    """A value as it was written; 0 for hexadecimal."""
    numbers = numbers_in(text)
    return numbers[0][1] if numbers else 0.0


def _joints(word: Word) -> list[tuple[str, str]]:
    """Signs behind the word and between its values, those of its usage first."""
    usage, told = word.usage[len(word.name) :], word.description
    joints = [sign for sign in (" ", "=", ":", ",") if usage.startswith(sign)] + [" ", "=", ":", ","]
    inner = usage[1:]
    signs = [sign for sign in (",", ";") if sign in inner] + ([" "] if " " in inner.strip() else [])
    signs += [sign for sign in (",", ";") if re.search(rf"[a-z]{sign}[a-z]", told)]
    signs += [" ", ",", ";"]
    pairs = [(joint, sign) for joint in dict.fromkeys(joints) for sign in dict.fromkeys(signs)]
    return [(joint, sign) for joint, sign in pairs if joint == " " or sign != joint]


def _whole_form(word: Word) -> str:
    """The whole command for several settings as the listing tells it; "" where it tells none."""
    return word.form if "{start}" in word.form or "{centre}" in word.form else _named_slots(word.usage)


def _named_slots(usage: str) -> str:
    """A usage whose arguments are named as a profile's fields are, as a whole command; "" for any other."""
    names = re.findall(r"<(\w+)>", usage)
    known = {"start", "stop", "points"} >= set(names) >= {"start", "stop"} and len(set(names)) == len(names)
    return re.sub(r"<(\w+)>", r"{\1}", usage) if known and re.search(r"[a-z]", re.sub(r"<\w+>", "", usage)) else ""


def _filled(form: str, texts: Mapping[str, str]) -> str:
    """A command with its fields filled in."""
    return re.sub(r"\{(\w+)\}", lambda match: texts[match.group(1)], form)
