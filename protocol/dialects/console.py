"""The family of text consoles. Every word, prompt and shape comes from the profile.

Owns: the order of questions and the checks of their answers. Refuses: ports, clocks, and any word of its own.
A reply is what stands between the echo of the command (where the console echoes) and the prompt, the line that ends
replies, or silence, whichever the console has (`reply`).
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace

from protocol.dialects.console_replies import ConsoleReplies, all_of, echo_of
from protocol.dialects.events import Accepted, IdentityReply, SettingsReply, TextReply, Waiting
from protocol.dialects.exchange import (
    Step,
    Steps,
    WireError,
    plain,
    shown,
)
from protocol.dialects.reply import cleaned
from protocol.errors import RequestError
from protocol.profiles.templates import Template
from protocol.sweep import Identity, SweepSettings

NARROW_HZ = 1e5
"""A span that fits near both ends of every range, and is not too narrow for an analyzer to take."""


class ConsoleDialect(ConsoleReplies):
    """One analyzer with a text console, as its profile describes it."""

    no_help = "this analyzer's profile has no command for a list of commands"

    def missing(self, step: Step, got: bytes) -> str:
        """Says when only the echo or only the end is missing."""
        command = step.what.strip("'")
        begun = command.encode().startswith(got.strip())
        if got and self._console.echo and not begun and echo_of(command).search(cleaned(got)) is None:
            return f"{step.what} was not echoed; {shown(got)} came instead"
        if got:
            end = "prompt" if self._console.prompts else "end"
            return f"the reply to {step.what} stopped after {len(got)} bytes, before the {end}: {shown(got[-40:])}"
        return super().missing(step, got)

    def abort(self) -> bytes:
        """Forget the request; the profile's word for it where there is one."""
        self.forget()
        abort = self._console.abort
        return self._console.sent(abort.source) if abort else b""

    def probe(self) -> bytes:
        """Asks for the identity, which no sweep's reply can be taken for."""
        self.forget()
        return self._console.sent(self._console.identify.source)

    def proven(self, data: bytes) -> bool:
        """The identity and the end of its reply stand at the end, and nothing behind them."""
        if not self._manner.silent and not self._manner.ended(data):
            return False
        lines = self._manner.lines(self._last_reply(data), self._console.identify.source)
        tail = _masked(lines[-len(self._identity) :]) if self._identity else ()
        return tail == self._identity if self._identity else self._identity_text(lines) != ""

    def _identify(self) -> Steps:
        if self._console.unlock is not None:  # open already, it may refuse the line
            line = self._console.unlock.source
            data = line.encode("ascii") + self._console.out_end
            step = self._step_for(line, data, Waiting.REPLY, None, 0, last=True, must=False, after_sweep=False)
            silence = lambda buffer: (bytes(buffer), len(buffer))  # noqa: E731 - ends a reply of which nothing is known
            yield replace(step, what="the line that opens it", settle=silence, empty=True)
        if self._console.wake is not None:
            yield from self._ask(self._console.wake, {}, refusable=True)
        lines = yield from self._lines(self._console.identify)
        text = self._identity_text(lines)
        if not re.search(r"[A-Za-z0-9]", text):
            raise WireError(f"the reply to {self._console.identify.source!r} is not an identity: {all_of(lines)}")
        self._identity = _masked(lines)
        return IdentityReply(Identity(model=text), b"\n".join(lines))

    def _identity_text(self, lines: list[bytes]) -> str:
        prefix = self._console.identity_line.encode("ascii")
        for line in lines:
            if line.startswith(prefix):
                return plain(line.removeprefix(prefix).lstrip(b" \t:=") if prefix else b" ".join(lines))
        return ""

    def _setup(self) -> Steps:
        yield from self._ask(self._console.identify, {})
        return Accepted()

    def _sweep(self, settings: SweepSettings) -> Steps:
        if settings.level_dbm is None and self._sweep_says("level_dbm"):
            raise RequestError("this analyzer's sweep command needs a level; set one")
        return super()._sweep(settings)

    def _help(self) -> Steps:
        return super()._help() if self._console.help is None else self._listing(self._console.help)

    def _listing(self, command: Template) -> Steps:
        lines = yield from self._lines(command)
        return TextReply(tuple(plain(line, 400) for line in lines))

    def _apply(self, settings: SweepSettings) -> Steps:
        console = self._console
        if settings.level_dbm is not None and console.level is None and not self._sweep_says("level_dbm"):
            raise RequestError("this analyzer's level cannot be set; leave the level out")
        if self._points and settings.points not in self._points:
            known = ", ".join(map(str, self._points))
            raise RequestError(f"{settings.points} points cannot be set on this analyzer; it takes {known}")
        values = self._values(settings)
        # A start above the stop that holds would move the stop or be refused, and the other way round.
        upwards = self._stop_hz is None or settings.start_hz >= self._stop_hz
        ends = [console.stop, console.start] if upwards else [console.start, console.stop]
        if self._stop_hz is None and not console.readback and console.stop is not None and console.start is not None:
            ends.insert(0, console.start)  # what holds is not known: the first may be refused, or moved by the second
        if console.width is not None and console.centre is not None:
            # A wide span would not fit around a centre near the edge: narrow first, then move, then widen.
            narrow_hz = min(float(values["span_hz"]), max(NARROW_HZ, console.resolution_hz))
            yield from self._ask(console.width, values | {"span_hz": narrow_hz}, refusable=True)
        refused: list[Template] = []
        if len(ends) == 3:
            first = ends.pop(0)
            assert first is not None
            yield from self._ask(first, values, refusable=True)
        for command in (
            console.span, console.centre, console.width, *ends, console.points, console.step, console.bandwidth,
            console.level, console.average,
        ):  # fmt: skip
            if command is not None and command.bases <= values.keys():
                try:
                    yield from self._ask(command, values)
                except WireError as error:
                    if not error.fault.refused or console.step is None:
                        raise
                    refused.append(command)
        for command in refused:  # a smaller step or count behind it may have made room for a start
            yield from self._ask(command, values)
        self._stop_hz = settings.stop_hz
        self._sent = self._derived(values)
        if all(command is None for command in console.setters):
            yield from self._ask(console.identify, {})  # all settings travel with the sweep command
        return Accepted()

    def _derived(self, values: Mapping[str, float | str]) -> dict[str, float]:
        """Start and stop as the commands in use leave them, rounding included."""
        number = {name: float(value) for name, value in values.items() if not isinstance(value, str)}
        used = frozenset().union(*(command.bases for command in self._console.setters if command is not None))
        if {"centre_hz", "span_hz"} <= used:
            centre, half = number["centre_hz"], number["span_hz"] / 2
            return {"start_hz": centre - half, "stop_hz": centre + half}
        if "step_hz" in used and "stop_hz" not in used:
            start = number["start_hz"]
            return {"start_hz": start, "stop_hz": start + number["step_hz"] * (number["points"] - 1)}
        return {}

    def _read_settings(self) -> Steps:
        values: dict[str, float | str] = {}
        for entry in self._console.readback:
            lines = yield from self._lines(entry.command)
            for template in entry.lines:
                found = [read for read in (template.read(line) for line in lines) if read is not None]
                if len(found) != 1:
                    what = "has no line" if not found else "has more than one line"
                    raise WireError(
                        f"the reply to {entry.command.source!r} {what} {template.source!r}: {all_of(lines)}"
                    )
                values |= found[0]
        if not self._console.readback:
            yield from self._ask(self._console.identify, {})
        reply = SettingsReply(self._settings(values), self._sent)
        self._stop_hz = reply.values.get("stop_hz", self._stop_hz)
        return reply

    def _settings(self, values: Mapping[str, float | str]) -> dict[str, float]:
        """Read-back fields as settings: codes looked up, centre and span turned into start and stop."""
        code = values.get("bandwidth_code")
        if code is not None and code not in self._console.bandwidth_codes:
            raise WireError(f"the analyzer names a bandwidth that its profile does not know: {str(code)[:40]!r}")
        known = {name: float(value) for name, value in values.items() if not isinstance(value, str)}
        if self._console.sweep is not None:  # what travels with the sweep command does not hold yet
            known = {name: value for name, value in known.items() if name not in self._console.sweep.bases}
        if isinstance(code, str):
            known["bandwidth_hz"] = self._bandwidths[self._console.bandwidth_codes.index(code)]
        centre, span, step = (known.pop(name, None) for name in ("centre_hz", "span_hz", "step_hz"))
        if centre is not None and span is not None:
            known |= {"start_hz": centre - span / 2, "stop_hz": centre + span / 2}
        if step is not None and {"start_hz", "points"} <= known.keys() and "stop_hz" not in known:
            known["stop_hz"] = known["start_hz"] + step * (known["points"] - 1)
        wanted = ("start_hz", "stop_hz", "points", "bandwidth_hz", "level_dbm")
        return {name: known[name] for name in wanted if name in known}


def _masked(lines: list[bytes]) -> tuple[bytes, ...]:
    """The lines with their numbers blotted out: an identity may tell the uptime or the temperature."""
    return tuple(re.sub(rb"[0-9]+", b"#", line) for line in lines)
