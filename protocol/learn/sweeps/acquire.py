"""How a sweep is taken and its data are read: tried until what comes follows the points that were set.

Owns: the choice among words for a sweep, words for data, and the ways of waiting. Refuses: to name columns.
"""

from __future__ import annotations

import re
import time
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from itertools import product

import numpy as np

from protocol.learn.dialogue import Role, Word
from protocol.learn.sweeps.columns import LEAKS, REFLECTS, value_columns
from protocol.learn.sweeps.pieces import AGAIN_S, BETWEEN_S, fetched, in_pieces
from protocol.learn.sweeps.rows import first_sweep, rows_alike
from protocol.learn.sweeps.setters import Setters, numbers_in
from protocol.learn.sweeps.shape import LARGEST, Shape
from protocol.learn.sweeps.shapes import shapes_of
from protocol.learn.words.lexicon import HARM_NAME
from protocol.learn.words.talk import SWEEP_S, Talk
from protocol.profiles.templates import SETTING_FIELDS, Template

MOST_POLLS = 200
CHOICES = (("1", "2"), ("0", "1"), ("s11", "s21"), ("S11", "S21"), ("11", "21"))
"""How a trace is chosen, S11 or S21 first."""
_TAKES_ONE = re.compile(
    r"(?i)\W*1\s*(?:[=:,;)]|-+\s|to\b|sweeps\b|(?:start|trigger|run|take|make|do|begin|execute)s?\b)"
)
"""A description that begins with the value to be set, as `1 starts a sweep`; `1 sweep` counts sweeps."""
_MAY_MEASURE = re.compile(
    r"(?i)\b(?:measur\w+|sweeps?|scans?|samples?|acquir\w+|readings?|takes?|points|stops|steps|frequencies|through|across|once|all)\b"
)
READY = re.compile(r"(?i)\b(ready|idle|done|finished|complete)\b")


@dataclass
class Part:
    """One reply with data: its command ("" for the sweep's own reply), the sets of points in it, the words about it."""

    command: str
    shapes: list[Shape]
    told: str = ""
    piece: int = 0
    """Points that one question fetches at most; 0 where one question fetches all."""
    first: int = 0
    """Number of the first point, where they come in pieces."""


@dataclass
class Acquisition:
    """How a sweep is taken and read. `sweep` is "" where asking for the data takes it."""

    sweep: str = ""
    poll: str = ""
    ready: str = ""
    enough: bool = False
    again: bool = False
    """Whether data are refused as long as the sweep runs, and must be asked for again."""
    parts: list[Part] = field(default_factory=list)
    axis: Part | None = None
    standing: frozenset[tuple[int, int, int]] = frozenset()
    """Columns (number of the part, of the set of points, of the column) that rise, but are the same in every span."""
    seconds: float = 0.0


@dataclass
class Asked:
    """Asks one console for sweeps and data, and waits."""

    talk: Talk
    setters: Setters
    lengthy: int = 0
    """While words are tried: lines after which an answer is taken for endless, 0 for never."""
    refusing: bool = False
    declined: list[str] = field(default_factory=list)
    """Lines that refused data."""

    def _start_of(self, word: Word) -> str:
        """How a word for a sweep is sent: set to 1, as other settings are, where it is told to take that; else bare."""
        told = word.usage[len(word.name) :] if word.usage.startswith(word.name) else ""
        takes_one = re.match(r"\W*1(?![\w.])", told) or _TAKES_ONE.match(word.description)
        return (
            self.setters.style.replace("{name}", word.name).replace("{v}", "1")
            if takes_one and self.setters.style
            else word.name
        )

    def _asked_for(self, word: Word) -> list[str]:
        """A word for data with each choice of its argument; or, where settings are asked for with a sign, so first."""
        plain = _commands(word)
        asked = self.setters.read_style.replace("{name}", word.name) if self.setters.read_style.endswith("?") else ""
        return [asked, *plain] if asked and plain == [word.name] else plain

    async def _by_dialog(self) -> list[str]:
        """The reply to the last answer of the word that asks for everything."""
        got, line = b"", ""
        text = Template.parse(self.setters.dialog, SETTING_FIELDS).fill(self.setters.asked)
        for number, line in enumerate(text.split("\n")):
            got = await self.talk.say(line, SWEEP_S, 60.0, value=number > 0)
        return self.talk.lines(got, line)

    def _told(self) -> str:
        return " ".join(word.description for word in self.setters.of(Role.DATA))

    async def _lines(self, command: str, first_s: float) -> list[str]:
        if self.lengthy:
            return self.talk.lines(await self.talk.endless(command, self.lengthy), command)
        return await self.talk.ask(
            command, first_s if not self.talk.manner.silent else max(self.talk.first_s, 1.8), 60.0
        )

    async def _data(self, command: str, found: Acquisition) -> list[str]:
        """The reply to a word for data; asked again as long as a sweep that runs makes it refuse."""
        lines, again = list[str](), False
        until = time.monotonic() + (0.0 if found.poll else AGAIN_S)
        while True:
            for number, piece in enumerate(command.split("\n")):
                if number and piece.isdigit():  # the answer to a word that asked for a value
                    lines = self.talk.lines(await self.talk.say(piece, value=True), piece)
                else:
                    lines = await self._lines(piece, SWEEP_S)
            if len(lines) > 3 or any(len(numbers_in(line)) > 3 for line in lines):
                found.again = found.again or again
                return lines
            if (
                time.monotonic() > until
                or self.talk.unknown(lines)
                or not (found.sweep or self.talk.turned_down(lines))
            ):
                return lines
            self.refusing = True
            again = True
            self.declined += [line for line in lines if line not in self.declined]
            await self.talk.listen(BETWEEN_S)

    async def _wait(self, found: Acquisition) -> None:
        """Ask for the sweep's state until its answer stands."""
        for word in self.setters.of(Role.STATUS):
            answers: list[str] = []
            for _ in range(MOST_POLLS):
                lines = await self.talk.ask(word.name)
                if self.talk.refused(lines) or len(lines) != 1:
                    break
                answers.append(lines[0])
                if (
                    len(answers) > 3
                    and len(set(answers[-3:])) == 1
                    and (len(set(answers)) > 1 or READY.search(lines[0]))
                ):
                    break
                if len(answers) > 25 and len(set(answers)) == 1:
                    break
            if answers:
                found.poll, found.ready = word.name, answers[-1]
                return


@dataclass
class Acquire(Asked):
    """Finds and repeats sweeps on one console."""

    strange: str = ""
    """A line of data that was not understood."""
    thin: bool = False
    """Whether one number a point came where two are needed."""
    came: int = 0
    """Points that came where others were set."""
    piece: int = 0
    """Points that may be asked for at once, as a refusal told; 0 where none did."""
    lone: Part | None = None
    """The only reply with a pair of numbers a point."""

    async def find(self, points: int | None) -> Acquisition | None:
        """The first way that gives enough columns for S11 and S21 with so many points."""
        for word in self.setters.of(
            Role.DATA, Role.SWEEP, Role.HOLD, Role.FREQUENCIES, Role.STATUS, Role.RUN, Role.TRACE
        ):
            self.setters.permit(word)
        data = self.setters.of(Role.DATA)
        try:
            self.lengthy = 7 * (points or 401) + 40
            return await self._find(data, points)
        finally:
            self.lengthy = 0

    async def _find(self, data: Sequence[Word], points: int | None) -> Acquisition | None:
        if self.setters.dialog:
            shapes = self._shapes(await self._by_dialog(), points)
            if _pairs(shapes) < 2:
                return None
            word = next(word for word in self.setters.words if word.name == self.setters.dialog.partition("\n")[0])
            return Acquisition(self.setters.dialog, parts=[Part("", shapes, word.description)])
        for sweep in (*_sweeps(self.setters.words), None):
            found = Acquisition()
            if sweep is not None:
                self.talk.stopped = False
                line = self._start_of(sweep)
                lines = self.talk.lines(await self.talk.endless(line, 7 * (points or 401) + 40), line)
                if self.talk.refused(lines):
                    continue
                found.sweep, found.enough = line, self.talk.stopped
                shapes = self._shapes(_once(lines, points) if found.enough else lines, points)
                if shapes and _pairs(shapes) >= 2:
                    found.parts = [Part("", shapes, f"{sweep.description} {self._told()}")]
                    await self._axis(found, points)
                    return found
                if shapes and _pairs(shapes) == 1:
                    self.thin = self.thin or any(_bare_sizes(shape) for shape in shapes)
                    self.lone = Part(sweep.name, shapes, sweep.description)
                await self._wait(found)
            if await self._read(found, data, points):
                await self._axis(found, points)
                return found
        return None

    def _shapes(self, lines: Sequence[str], points: int | None, parts: Sequence[Part] = ()) -> list[Shape]:
        like = [shape for part in parts for shape in part.shapes]  # noise alone tells neither a comma nor a width
        found = shapes_of(lines, points, like) or (shapes_of(lines) if len(lines) > 8 else [])
        found = [shape for shape in found if points is None or shape.points == points]
        if not found and len(lines) > 4:
            self.strange = lines[len(lines) // 2][:70]
            self.came = rows_alike(lines)
            self.thin = self.thin or (self.came > 8 and single_numbers(lines))
        if found and all(len(value_columns(shape)) == 1 for shape in found):
            self.thin = True
        return found

    async def _read(self, found: Acquisition, data: Sequence[Word], points: int | None) -> bool:
        parts: list[Part] = []
        for word in data:
            if word.name == found.sweep:
                continue
            commands = self._asked_for(word) if in_pieces(word) is None else []
            each = len(_commands(word)) > 1  # each choice of its argument is a trace
            for command in commands:
                if not self.talk.may(command):
                    continue
                lines = await self._data(command, found)
                shapes = self._shapes(lines, points, parts)
                if not shapes:
                    continue
                parts.append(Part(command, shapes, f"{word.description} {word.usage}"))
                if _pairs(shapes) >= 2:
                    found.parts = [parts[-1]]
                    return True
                if not each:
                    break
            if not commands:
                part = await self._pieced(word, found, points)
                parts += [part] if part is not None else []
                if part is not None and _pairs(part.shapes) >= 2:
                    found.parts = [part]
                    return True
        if len(parts) == 1 and _pairs(parts[0].shapes) == 1:
            chosen = await self._chosen(found, parts[0].command, points)
            if len(chosen) == 2:
                found.parts = chosen
                return True
        self.lone = parts[0] if len(parts) == 1 and _pairs(parts[0].shapes) == 1 else self.lone
        if len(parts) >= 2 and all(_pairs(part.shapes) == 1 for part in parts):
            found.parts = parts[:4]
            return True
        return False

    async def _pieced(self, word: Word, found: Acquisition, points: int | None) -> Part | None:
        """The data behind a word that gives them by their numbers."""
        told = in_pieces(word)
        if told is None or points is None:
            return None
        command, most = told
        others = [in_pieces(one) for one in self.setters.of(Role.DATA)]
        most = most or max(
            (like[1] for like in others if like is not None), default=0
        )  # told of one, it holds for its like
        for first in (0, 1, 1):  # again, for a refusal may have told the most that it gives at once
            most = most or self.piece
            part = Part(command, [], f"{word.description} {word.usage}", min(most or points, points), first)
            lines = await self._reply(part, found, points)
            part.shapes = self._shapes(lines, points)
            if part.shapes:
                heads = {re.split(r"[-+\d]", line)[0].strip() for line in lines}
                self.piece = self.piece or most
                head = heads.pop() if len(heads) == 1 else ""
                part.shapes = [replace(one, begin=one.begin or head) if one.stream else one for one in part.shapes]
                return part
        return None

    async def _reply(self, part: Part, found: Acquisition, points: int | None) -> list[str]:
        """The reply to the question for one part's data, all pieces of it; what is refused ends it."""
        if not part.piece or points is None:
            return await self._data(part.command, found)
        came = await fetched(self.talk, part.command, part.piece, range(part.first, points + part.first))
        self.piece, found.again = came.most or self.piece, found.again or came.again
        return came.lines

    async def _chosen(self, found: Acquisition, data: str, points: int | None) -> list[Part]:
        """The traces behind a word that chooses one of them."""
        for word in self.setters.of(Role.TRACE, Role.DATA):
            if word.role is not Role.TRACE and not _chooses(word):
                continue
            for form, choices in product(self.setters.set_forms(word), CHOICES[: None if word.told else 1]):
                parts = []
                for choice in choices:
                    command = f"{form.replace('{v}', choice)}\n{data}"
                    shapes = self._shapes(await self._data(command, found), points)
                    if shapes:
                        parts.append(Part(command, shapes, f"{word.description} {self._told()}"))
                if len(parts) == 2 and not np.allclose(parts[0].shapes[0].values, parts[1].shapes[0].values, atol=1e-3):
                    return parts
        return []

    async def _axis(self, found: Acquisition, points: int | None) -> None:
        """A list of frequencies, when there is a word for it."""
        for word in self.setters.of(Role.FREQUENCIES):
            lines = await self._lines(word.name, self.talk.first_s)
            shape = _list_of(lines, points)
            if shape is not None:
                found.axis = Part(word.name, [shape])
                return

    async def take(self, found: Acquisition, points: int | None) -> list[list[Shape]] | None:
        """One more sweep the same way, sets of points per part; None when it did not come as before."""
        lines: list[str] = []
        if found.sweep:
            if found.sweep == self.setters.dialog:
                lines = await self._by_dialog()
            elif found.enough:
                got = await self.talk.endless(found.sweep, 7 * (points or 401) + 40)
                lines = _once(self.talk.lines(got, found.sweep), points)
            else:
                lines = await self._lines(found.sweep, SWEEP_S)
            if found.poll:
                for _ in range(MOST_POLLS):
                    if found.ready in await self.talk.ask(found.poll):
                        break
        taken = []
        for part in found.parts:
            reply = await self._reply(part, found, points) if part.command else lines
            shapes = shapes_of(reply, points, part.shapes)
            if [shape.values.shape[1] for shape in shapes] != [shape.values.shape[1] for shape in part.shapes]:
                self.came = rows_alike(reply)
                return None
            taken.append(shapes)
        found.seconds = self.talk.last_s
        if found.axis is not None:
            shape = _list_of(await self._lines(found.axis.command, self.talk.first_s), points)
            if shape is None:
                return None
            found.axis = Part(found.axis.command, [shape])
        return taken


def named_first(words: Sequence[Word], declined: Sequence[str]) -> Word | None:
    """The one word that refusals of data name, when it takes nothing and what is told of it may be a measurement.

    `NO PATROL YET` tells that `patrol` comes first; a word that is never sent is none, whoever names it.
    """
    open_ones = [
        word for word in words
        if word.role is Role.UNKNOWN and word.usage in ("", word.name) and _MAY_MEASURE.search(word.description)
        and len(word.name) > 1 and not HARM_NAME.search(word.name)
    ]  # fmt: skip
    said = " ".join(declined)
    named = [word for word in open_ones if re.search(rf"(?i)(?<!\w){re.escape(word.name)}(?!\w)", said)]
    return named[0] if len(named) == 1 else None


def _bare_sizes(shape: Shape) -> bool:
    """Whether two columns are the magnitudes of a total reflection and a leak, in decibels or plain."""
    columns = value_columns(shape)
    if len(columns) != 2:
        return False
    one, two = (shape.values[:, column] for column in columns)
    for first, second in ((one, two), (two, one)):
        decibels = first.min() > -3 and first.max() < 1 and second.max() < -18
        plain = first.min() > REFLECTS[0] and first.max() < REFLECTS[1] and second.min() >= 0 and second.max() < LEAKS
        if decibels or plain:
            return True
    return False


def single_numbers(lines: Sequence[str]) -> bool:
    """Whether most lines are one number each."""
    alone = [line for line in lines if re.fullmatch(r"[-+]?\d+[.,]?\d*(?:[eE][-+]?\d+)?", line.strip())]
    return len(alone) > 0.8 * len(lines)


def _once(lines: Sequence[str], points: int | None) -> list[str]:
    """The lines of the first sweep of several."""
    if points is not None and single_numbers(lines):
        return _once_single([line for line in lines if single_numbers([line])], points)
    return list(lines) if points is None else first_sweep(lines, points)


def _once_single(lines: list[str], points: int) -> list[str]:
    """The same where each line is one number: the sweep is as long as the stretch that comes again."""
    values = np.array([_number(line.strip(), "comma") for line in lines])
    misfits = {
        size: float(np.mean(np.abs(values[size:] - values[:-size])))
        for size in (parts * points for parts in range(2, 7))
        if len(values) > size + points // 4
    }
    best = min(misfits, key=lambda size: misfits[size], default=0)
    return lines[:best] if best and misfits[best] < 0.2 * float(np.std(values)) else lines


def _sweeps(words: Sequence[Word]) -> list[Word]:
    """Words that take one sweep: those that then hold it first."""
    listed = [word for word in words if word.role is Role.SWEEP or _sweeps_itself(word)]
    return sorted(
        listed, key=lambda word: not re.search(r"(?i)single|hold|stop|once|one", f"{word.name} {word.description}")
    )


def _sweeps_itself(word: Word) -> bool:
    """Whether a word for data says that it sweeps first, or without end."""
    return (
        word.role is Role.DATA and re.match(r"(?i)sweeps? (?:once|until|and)|measures? ", word.description) is not None
    )


def _chooses(word: Word) -> bool:
    """Whether a word for data says that it chooses one trace of several."""
    return re.search(r"(?i)(?:choose|select)s? (?:the |a )?trace", word.description) is not None


def _commands(word: Word) -> list[str]:
    """A word for data bare, and with each choice of its argument."""
    if _chooses(word):
        return []
    beside = re.match(r"(?:S11|s11)\W{1,3}(?:or )?(?:S21|s21)\b", word.description)  # a column of arguments
    told = f"{word.usage[len(word.name) :]} {beside.group() if beside else ''}"
    choices = re.findall(r"\b(?:11|21|s11|s21|S11|S21)\b", told)
    return [f"{word.name} {choice}" for choice in dict.fromkeys(choices)] or [word.name]


def _pairs(shapes: Sequence[Shape]) -> int:
    return sum(max(len(value_columns(shape)) // 2, 0) for shape in shapes)


def _list_of(lines: Sequence[str], points: int | None) -> Shape | None:
    """One rising number on each line."""
    for form, pattern in (
        ("", r"[-+]?\d+\.?\d*(?:[eE][-+]?\d+)?"),
        ("comma", r"\d+,\d+"),
        ("si", r"\d+\.?\d*[kMG]"),
        ("hex", r"[0-9A-F]{6,8}"),
    ):
        texts = [line.strip() for line in lines if re.fullmatch(pattern, line.strip())]
        if len(texts) == points or (points is None and len(texts) > 3):
            values = np.array([[_number(text, form)] for text in texts])
            if np.all(np.abs(values) < LARGEST) and np.all(np.diff(values[:, 0]) > 0):
                return Shape(values, ("", ""), (form,))
    return None


def _number(text: str, form: str) -> float:
    if form == "hex":
        return float(int(text, 16))
    if form == "si":
        return float(text[:-1]) * {"k": 1e3, "M": 1e6, "G": 1e9}[text[-1]]
    return float(text.replace(",", "."))
