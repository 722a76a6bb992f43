"""A simulated instrument with a text console whose words, prompt and reply shapes come from a profile.

Owns: matching command lines against the profile's templates and writing replies in its shapes. Refuses: a port, a
clock.
"""

from __future__ import annotations

import cmath
import math

from protocol.profiles.consoles import Read
from protocol.profiles.profile import Profile
from protocol.profiles.templates import Template
from protocol.simulated.instrument import Instrument, SimulatedSweep
from protocol.simulated.quirks import PLAIN, Quirks
from protocol.simulated.replies import Action, Data, Drop, Front, Refusal, Wait

LONGEST_LINE = 1000


class ConsoleServer:
    """Takes bytes, gives echo, reply lines and prompt."""

    def __init__(self, instrument: Instrument, profile: Profile, quirks: Quirks = PLAIN) -> None:
        assert profile.console is not None
        self._profile, self._console, self._quirks = profile, profile.console, quirks
        self._prompt = self._console.prompts[0].encode("ascii") if self._console.prompts else b""
        self._pages: list[list[str]] = []
        self._answers = 0
        self.front = Front(instrument)
        self.wrong_count = self.refusals = 0
        self._pending = b""

    def restart(self) -> None:
        """Nothing is kept here but the last sweep."""
        self.front.last = None

    def feed(self, data: bytes) -> list[Action]:
        """Take bytes; a line ends with the profile's line end or any of CR and LF."""
        self._pending += data
        actions: list[Action] = []
        while self._pending and (self._pages or _line_end(self._pending) >= 0):
            if self._pages:
                self._pending = self._pending[1:]  # any key turns the page
                actions += self._page()
                continue
            at = _line_end(self._pending)
            line, self._pending = self._pending[:at], self._pending[at + 1 :]
            if self._pending[:1] == b"\n" and self._console.out_end == b"\r\n":
                self._pending = self._pending[1:]
            actions += self._line(line)
        if len(self._pending) > LONGEST_LINE:
            self._pending = b""
        return actions

    def _line(self, line: bytes) -> list[Action]:
        c = self._console
        echo = line + c.in_end if c.echo else b""
        if not line.strip():
            return [echo + self._prompt]
        self._answers += 1
        if self._quirks.chatter_every and self._answers % self._quirks.chatter_every == 0:
            echo += self._text(self._quirks.chatter)
        try:
            body = self._obey(line.strip())
        except Refusal as refusal:
            words = self._quirks.refusal.replace("{word}", line.strip().split()[0].decode("ascii", "replace"))
            body = [self._text(words or f"{c.error_prefix} {refusal.words.lower()}")]
        actions: list[Action] = [echo] if echo else []
        actions += body
        if not self._pages:
            actions.append(self._prompt)
        return _merged(actions)

    def _page(self) -> list[Action]:
        """The next page of a listing; the prompt behind the last one."""
        lines = self._pages.pop(0)
        last = not self._pages
        end = self._console.in_end if self._quirks.pager else b""
        return [end + self._text(*lines) + (self._prompt if last else self._quirks.pager.encode("ascii"))]

    def _listing(self, lines: list[str]) -> list[Action]:
        """A listing whole, or its first page with the rest in waiting."""
        size = self._quirks.page_lines
        if not size or len(lines) <= size:
            return [self._text(*lines)]
        self._pages = [lines[at : at + size] for at in range(size, len(lines), size)]
        return [self._text(*lines[:size]) + self._quirks.pager.encode("ascii")]

    def _obey(self, line: bytes) -> list[Action]:
        c = self._console
        for read in c.reads:
            if read.command is not None and read.command.read(line) is not None:
                return self._data(read)
        for readback in c.readback:
            if readback.command.read(line) is not None:
                return [self._text(*(template.fill(self._values()) for template in readback.lines))]
        for template in (c.span, c.start, c.stop, c.points, c.bandwidth, c.level):
            values = template.read(line) if template is not None else None
            if values is not None:
                self._set(values)
                return []
        if c.identify.read(line) is not None:
            prefix = f"{c.identity_line} " if c.identity_line else ""
            return [self._text(prefix + self.front.identity)]
        own_settings = c.sweep.read(line) if c.sweep is not None else None
        if own_settings is not None:
            self._set(own_settings)
            wait: list[Action] = [Wait(self.front.sweep())]
            own = next((read for read in c.reads if read.command is None), None)
            return wait + (self._data(own) if own is not None else [])
        if c.abort is not None and c.abort.read(line) is not None:
            return [Drop()]
        if c.help is not None and c.help.read(line) is not None:
            return self._listing(list(self._quirks.listing or self._help()))
        if c.help is not None and line.startswith(c.help.source.encode() + b" "):
            detail = self._quirks.details.get(line.split()[-1].decode("ascii", "replace"))
            if detail is not None:
                return [self._text(detail)]
        for quiet in (c.average, c.resume, c.pause):
            if quiet is not None and quiet.read(line) is not None:
                if quiet is c.pause and c.sweep is None:
                    self.front.sweep()  # one that sweeps by itself has one at hand when it is stopped
                return []
        raise Refusal(-113, "unknown word")

    def _set(self, values: dict[str, float | str]) -> None:
        """Settings out of a command, centre and width turned into start and stop."""
        code = values.pop("bandwidth_code", None)
        if code is not None:
            if code not in self._console.bandwidth_codes:
                raise Refusal(-224, "no such selectivity")
            values["bandwidth_hz"] = self._profile.limits.bandwidths_hz[self._console.bandwidth_codes.index(str(code))]
        numbers = {name: float(value) for name, value in values.items()}
        if "centre_hz" in numbers and "span_hz" in numbers:
            centre, span = numbers.pop("centre_hz"), numbers.pop("span_hz")
            numbers |= {"start_hz": centre - span / 2, "stop_hz": centre + span / 2}
        for name in ("start_hz", "stop_hz", "points", "bandwidth_hz", "level_dbm"):
            if name in numbers:
                self.front.set_value(name, numbers[name])

    def _values(self) -> dict[str, float | str]:
        start, stop = self.front.value("start_hz"), self.front.value("stop_hz")
        points, bandwidth = self.front.value("points"), self.front.value("bandwidth_hz")
        values: dict[str, float | str] = {
            "start_hz": start,
            "stop_hz": stop,
            "centre_hz": (start + stop) / 2,
            "span_hz": stop - start,
            "step_hz": (stop - start) / (points - 1),
            "points": points,
            "bandwidth_hz": bandwidth,
            "level_dbm": self.front.value("level_dbm"),
            "count": 1,
        }
        if self._console.bandwidth_codes:
            known = self._profile.limits.bandwidths_hz
            nearest = min(range(len(known)), key=lambda i: abs(math.log(known[i] / bandwidth)))
            values["bandwidth_code"] = self._console.bandwidth_codes[nearest]
        return values

    def _data(self, read: Read) -> list[Action]:
        if self.refusals:
            self.refusals -= 1
            raise Refusal(-230, "not now")
        sweep = self.front.last
        if sweep is None:
            raise Refusal(-230, "no sweep yet")
        count = sweep.frequency_hz.size
        if self.wrong_count:
            self.wrong_count -= 1
            count -= 1
        points = [_point(read.line, sweep, index, self._quirks.number) for index in range(count)]
        lines = [read.separator.join(points)] if read.points_per_line == 0 else []
        if read.points_per_line:
            step = read.points_per_line
            lines = [read.separator.join(points[at : at + step]) for at in range(0, count, step)]
        head = [read.heading.fill({"points": float(sweep.frequency_hz.size)})] if read.heading else []
        tail = [read.ending.fill({"points": float(sweep.frequency_hz.size)})] if read.ending else []
        return [Data(self._text(*head, *lines, *tail))]

    def _text(self, *lines: str) -> bytes:
        return b"".join(line.encode("ascii") + self._console.in_end for line in lines)

    def _help(self) -> list[str]:
        c = self._console
        templates = (
            c.identify,
            c.span,
            c.start,
            c.stop,
            c.points,
            c.bandwidth,
            c.level,
            c.average,
            c.sweep,
            c.abort,
            c.pause,
            c.resume,
        )
        words = [t.source for t in templates if t is not None]
        return [word.replace("{", "<").replace("}", ">") for word in words] + [
            read.command.source for read in c.reads if read.command is not None
        ]


def _line_end(data: bytes) -> int:
    found = [at for at in (data.find(b"\r"), data.find(b"\n")) if at >= 0]
    return min(found) if found else -1


def _point(template: Template, sweep: SimulatedSweep, index: int, number: str) -> str:
    """One point in the profile's shape; raw receivers are given with a reference that turns and shrinks over the
    span."""
    reference = 0.3 * cmath.exp(0.01j * index)
    values = {
        "s11": complex(sweep.s11[index]),
        "s21": complex(sweep.s21[index]),
        "reference": reference,
        "reflected": complex(sweep.s11[index]) * reference,
        "through": complex(sweep.s21[index]) * reference,
    }
    parts = [template.literals[0]]
    for field, literal in zip(template.fields, template.literals[1:], strict=True):
        if field.base == "frequency_hz":
            parts.append(f"{sweep.frequency_hz[index] / field.scale:.9f}".rstrip("0").rstrip("."))
        elif field.name in ("index", "skip"):
            parts.append(str(index))
        else:
            name, _, form = field.name.rpartition("_")
            parts.append(_part(values[name], form, number))
        parts.append(literal)
    return "".join(parts)


def _part(value: complex, form: str, spelled: str) -> str:
    number = {
        "re": value.real,
        "im": value.imag,
        "mag": abs(value),
        "db": 20 * math.log10(max(abs(value), 1e-15)),
        "deg": math.degrees(cmath.phase(value)),
        "rad": cmath.phase(value),
    }[form]
    return format(float(number), spelled)


def _merged(actions: list[Action]) -> list[Action]:
    """Neighbouring bytes as one piece, so that a reply and its prompt leave together; data stay marked as data."""
    merged: list[Action] = []
    for action in actions:
        if merged and isinstance(action, bytes) and isinstance(merged[-1], bytes):
            whole = bytes(merged[-1]) + bytes(action)
            merged[-1] = Data(whole) if isinstance(action, Data) or isinstance(merged[-1], Data) else whole
        else:
            merged.append(action)
    return merged
