"""Goes through a profile line by line, at an analyzer or in a wire log, and says of each what came back.

Owns: the commands of a profile in the order of a measurement, the search in a log, the words for the outcome. Refuses:
to invent an answer: what was never sent in a log is told as not being in it; and to send what is not harmless.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from protocol.dialects.exchange import shown
from protocol.errors import RequestError
from protocol.learn.talk import Talk, forbidden
from protocol.profiles.profile import Profile
from protocol.profiles.scpi import WORDS, harmless
from protocol.profiles.templates import Template

NOT_IN_LOG = "not in this log"
_REFUSED = re.compile(rb'\s*(?:-\d{2,5}\s*,\s*[A-Za-z"]|[+]?[1-9]\d*\s*,\s*"|\?\?|ERR)')
"""An entry of the error queue (SCPI-1999 volume 2, 21.8), or an error told at once in words."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of one line: `verdict` is "answered", "taken", "refused", "no answer" or NOT_IN_LOG."""

    key: str
    command: str
    verdict: str
    came: bytes = b""

    def __str__(self) -> str:
        behind = f": {shown(self.came)}" if self.came else ""
        return f"{self.key}: {self.command!r}: {self.verdict}{behind}"


def commands(profile: Profile) -> list[tuple[str, Template]]:
    """Key and command of each line of a profile. Raises RequestError for a register family, which has no lines."""
    if profile.scpi is not None:
        found = [("identify", Template.parse("*IDN?", frozenset()))]
        found += [("setup", line) for line in profile.scpi.setup]
        for key in WORDS:
            one: Template | None = getattr(profile.scpi, key)
            if one is not None and key not in ("level", "abort"):
                found += [(key, line) for line in profile.scpi.alternatives.get(key, (one,))]
        return found
    if profile.console is None:
        raise RequestError("a register profile has no lines to try; use check with --wire-log instead")
    console = profile.console
    keys = ("identify", "help", "span", "start", "stop", "points", "bandwidth", "sweep")
    named = [(key, line) for key in keys if isinstance(line := getattr(console, key), Template)]
    named += [("reads", read.command) for read in console.reads if read.command is not None]
    return named + [("readback", entry.command) for entry in console.readback]


def in_log(profile: Profile, log: list[tuple[str, bytes]]) -> list[Outcome]:
    """The outcome of each line by what a wire log holds."""
    said = _exchanges(log)
    scpi = profile.scpi
    outcomes = []
    for key, template in commands(profile):
        spelled = scpi.word(template.source) if scpi is not None else template.source
        allowed = frozenset(field.name for field in template.fields)
        pattern = re.compile(Template.parse(spelled, allowed).line_pattern, re.IGNORECASE)
        came = [answer for line, answer in said if pattern.fullmatch(line)]
        if not came:
            outcomes.append(Outcome(key, spelled, NOT_IN_LOG))
        else:
            outcomes.append(_judged(profile, key, spelled, came[-1]))
    return outcomes


async def at_port(profile: Profile, talk: Talk) -> list[Outcome]:
    """The outcome of each line at an analyzer. Lines that are not harmless are refused, not sent."""
    scpi, limits = profile.scpi, profile.limits
    middle = (limits.start_hz + limits.stop_hz) / 2
    width = min(10e6, limits.stop_hz - limits.start_hz)
    bandwidth = min(limits.bandwidths_hz or (max(limits.min_bandwidth_hz, 1000.0),), key=lambda hz: abs(hz - 1000.0))
    points = min(max(51, limits.min_points), limits.max_points)
    values: dict[str, float | str] = {
        "start_hz": round(middle - width / 2), "stop_hz": round(middle + width / 2), "centre_hz": round(middle),
        "span_hz": width, "step_hz": width / (points - 1), "points": points, "bandwidth_hz": bandwidth, "count": 1,
        "parameter": "S11", "trace": scpi.traces[0] if scpi else "", "format": "ASCii,0", "order": "NORMal",
        "bandwidth_code": next(iter(profile.console.bandwidth_codes if profile.console else ()), ""),
    }  # fmt: skip
    outcomes = []
    for key, template in commands(profile):
        filled = template.fill(values)
        line = scpi.word(filled) if scpi is not None else filled
        if (scpi is not None and not harmless(line)) or (scpi is None and forbidden(line)):
            outcomes.append(Outcome(key, line, "not sent: it may change more than a sweep"))
            continue
        end = scpi.out_end if scpi is not None else profile.console.out_end if profile.console else b"\n"
        came = await talk.raw(line.encode("ascii") + end, 0.5 if line.endswith("?") or "?" in line else 0.2)
        if scpi is not None and scpi.error is not None:
            came += await talk.raw(scpi.line(scpi.error.source), 0.5)
        outcomes.append(_judged(profile, key, line, came))
    return outcomes


def _judged(profile: Profile, key: str, line: str, came: bytes) -> Outcome:
    lines = [part for part in re.split(rb"[\r\n]+", came) if part.strip()]
    if profile.scpi is not None:
        wrong = [part for part in lines if _REFUSED.match(part)]
    else:
        prefix = profile.console.error_prefix.encode() if profile.console else b""
        wrong = [part for part in lines if prefix and part.startswith(prefix)]
    if wrong:
        return Outcome(key, line, "refused", wrong[0])
    answers = [part for part in lines if not re.fullmatch(rb"\s*\+?0\s*(,.*)?", part)]
    if "?" in line:
        return Outcome(key, line, "answered" if answers else "no answer", answers[0] if answers else came)
    return Outcome(key, line, "taken" if not answers else "answered", answers[0] if answers else b"")


def _exchanges(log: list[tuple[str, bytes]]) -> list[tuple[bytes, bytes]]:
    """Each line that was sent, with what came until the next sending."""
    found: list[tuple[bytes, bytes]] = []
    lines: list[bytes] = []
    came = b""
    for direction, data in [*log, (">", b"")]:
        if direction == "<":
            came += data
            continue
        if came or not data:
            found += [(line, came) for line in lines]
            lines, came = [], b""
        lines += [line for line in re.split(rb"[\r\n]+", data) if line]
    return found
