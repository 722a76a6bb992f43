"""Goes through a profile line by line, at an analyzer or in a wire log, and says of each what came back.

Owns: the commands of a profile in the order of a measurement, what is sent of them, the words for the outcome. Refuses:
to invent an answer: what was never sent in a log is told as not being in it; and to send a line of a console that holds
a word such as reset or save, unless it is told to.
"""

from __future__ import annotations

import asyncio
import re
from collections.abc import Sequence
from dataclasses import dataclass

from protocol.dialects.console_replies import manner_of
from protocol.dialects.exchange import shown
from protocol.dialects.scpi import FORMAT_NAMES
from protocol.errors import RequestError
from protocol.finding.guarded import GuardedLink
from protocol.finding.lines import Lines
from protocol.learn.words.lexicon import HARM_SURELY
from protocol.learn.words.talk import Talk
from protocol.profiles.profile import Profile
from protocol.profiles.scpi import PARAMETERS, WORDS, Scpi
from protocol.profiles.templates import Template
from protocol.trial.replay import ENTRY, Exchange, answers, exchanges, no_error
from protocol.wire.link import Link

NOT_IN_LOG = "not in this log"
GOOD = ("answered", "taken", "known")
"""Verdicts on a line that is right."""
NEVER = ("level",)
"""Keys that are never sent while trying: the level may do harm to what hangs on the leads."""
UNSENT = ("abort", "pause", "resume", "average", *NEVER)
"""Keys that a trial has no use for."""
POINTS, START_HZ = 101, 120e6
BANDWIDTH_HZ = 1000.0
MOST_POLLS, BETWEEN_S = 60, 0.1
_VALUE = re.compile(rb"\s*-22[0-9]\b")
"""The word was understood, its value was not (SCPI-1999 volume 2, 21.8.9: -220 to -229, parameter errors)."""
_KEYS = ("identify", "help", "span", "start", "stop", "points", "bandwidth", "level", "average", "pause", "sweep",
         "poll", "resume", "abort")  # fmt: skip


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of one line.

    `verdict` is one of GOOD ("known": the word is right, its value was refused), "refused", "unlike" (an answer that
    is not as the profile says), "no answer", "unclear", "not sent" or NOT_IN_LOG.
    """

    key: str
    command: str
    verdict: str
    came: bytes = b""
    note: str = ""

    @property
    def good(self) -> bool:
        """Whether the line is right."""
        return self.verdict in GOOD

    def __str__(self) -> str:
        behind = f": {shown(self.came)}" if self.came else ""
        return f"{self.key}: {self.command!r}: {self.verdict}{behind}" + (f" ({self.note})" if self.note else "")


def commands(profile: Profile) -> list[tuple[str, Template]]:
    """Key and command of each line of a profile. Raises RequestError for a register family, which has no lines."""
    scpi, console = profile.scpi, profile.console
    if scpi is not None:
        found = [("identify", Template.parse("*IDN?", frozenset()))]
        found += [("setup", line) for line in scpi.setup]
        for key in WORDS:
            one: Template | None = getattr(scpi, key)
            if one is not None:
                found += [(key, line) for line in scpi.alternatives.get(key, (one,))]
        return found
    if console is None:
        raise RequestError(
            "a register profile has no lines of text to try; run check with --wire-log and look at the bytes there"
        )
    named = [(key, line) for key in _KEYS if isinstance(line := getattr(console, key), Template)]
    named += [("reads", read.command) for read in console.reads if read.command is not None]
    return named + [("readback", entry.command) for entry in console.readback]


def in_log(profile: Profile, log: list[tuple[str, bytes]]) -> list[Outcome]:
    """The outcome of each line by what a wire log holds; of the last sending where there are several."""
    lines, said, scpi = commands(profile), exchanges(profile, log), profile.scpi
    outcomes = []
    for key, template in lines:
        spelled = scpi.word(template.source) if scpi is not None else template.source
        pattern = _pattern(template, spelled)
        found = [one for one in said if pattern.fullmatch(one.line.strip())]
        if not found:
            outcomes.append(Outcome(key, spelled, NOT_IN_LOG))
            continue
        judged = [_judged(profile, key, spelled, one) for one in found]
        clear = [outcome for outcome in judged if outcome.verdict != "unclear"]
        last = (clear or judged)[-1]
        same = sum(outcome.verdict == last.verdict for outcome in judged)
        note = f"so {same} of {len(judged)} times" if same < len(judged) else ""
        outcomes.append(Outcome(key, spelled, last.verdict, last.came, "; ".join(filter(None, (last.note, note)))))
    return outcomes


def _pattern(template: Template, spelled: str) -> re.Pattern[bytes]:
    """Sent lines that are this command with any setting; blanks and capitals do not matter."""
    line = Template.parse(spelled, frozenset(field.name for field in template.fields))
    pieces = [re.escape(line.literals[0].encode("ascii"))]
    for one, literal in zip(line.fields, line.literals[1:], strict=True):
        word = rb"[A-Za-z0-9_,.+-]+" if one.base in ("parameter", "trace", "format", "order", "bandwidth_code") else (
            rb"[-+.0-9eE]+"
        )  # fmt: skip
        pieces += [word, re.escape(literal.encode("ascii"))]
    return re.compile(b"".join(pieces), re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Planned:
    """A line with its settings filled in; `why_not` tells why it is not sent."""

    key: str
    line: str
    why_not: str = ""


def plan(profile: Profile, *, risky: bool = False) -> list[Planned]:
    """All that would be sent, in order; lines with a word such as reset or save only when `risky`."""
    scpi, console, limits = profile.scpi, profile.console, profile.limits
    low = max(min(max(START_HZ, limits.start_hz), limits.stop_hz - 10e6), limits.start_hz)
    high = min(low + 10e6, limits.stop_hz)
    narrow = max(limits.min_bandwidth_hz, min(BANDWIDTH_HZ, limits.max_bandwidth_hz))
    bandwidth = min(limits.bandwidths_hz or (narrow,), key=lambda hz: abs(hz - BANDWIDTH_HZ))
    points = _points(profile)
    resolution = console.resolution_hz if console is not None else 1.0
    start, stop = (round(end / resolution) * resolution for end in (low, high))
    code = console.bandwidth_codes[limits.bandwidths_hz.index(bandwidth)] if console and console.bandwidth_codes else ""
    values: dict[str, float | str] = {
        "start_hz": start, "stop_hz": stop, "centre_hz": (start + stop) / 2, "span_hz": stop - start,
        "step_hz": (stop - start) / (points - 1), "points": points, "bandwidth_hz": bandwidth, "count": 1,
        "bandwidth_code": code, "level_dbm": 0.0,
    }  # fmt: skip
    planned = []
    for key, template in commands(profile):
        for index in range(2) if scpi is not None and template.bases & {"parameter", "trace"} else (0,):
            if scpi is not None:
                values |= {
                    "parameter": PARAMETERS[index], "trace": scpi.traces[index],
                    "format": FORMAT_NAMES[scpi.number_format], "order": "SWAPped" if scpi.swapped else "NORMal",
                }  # fmt: skip
            filled = template.fill(values)
            if key in NEVER:
                planned.append(Planned(key, template.source, "sets the level, which is never done while trying"))
            elif key in UNSENT:
                planned.append(Planned(key, template.source, "of no use to a trial"))
            elif scpi is None and not risky and (harm := HARM_SURELY.search(filled)):
                planned.append(Planned(key, filled, f"{harm.group()!r} may do harm; --risky sends it all the same"))
            else:
                planned.append(Planned(key, scpi.word(filled) if scpi is not None else filled))
    return planned


async def at_port(profile: Profile, link: Link, planned: Sequence[Planned]) -> list[Outcome]:
    """The outcome of each planned line at an analyzer.

    Nothing but these lines, the line that opens the console and the error query is sent. Raises RequestError for a
    one-key menu.
    """
    if profile.console is not None and profile.console.keys:
        raise RequestError("a one-key menu is not tried line by line: any sign too much presses a key; measure with it")
    said = {one.line.strip() for one in planned if not one.why_not} | {""}
    scpi, console = profile.scpi, profile.console
    if scpi is not None and scpi.error is not None:
        said.add(scpi.word(scpi.error.source))

    def allowed(line: str) -> bool:  # a blank before it has turned a page
        return line.strip() in said

    sweep_s = profile.timing.sweep_s(POINTS, BANDWIDTH_HZ) + profile.timing.reply_s
    talk = Talk(GuardedLink(link, allowed))
    if console is not None:
        talk.manner, talk.out_end = manner_of(console), console.out_end
    lines = Lines(link, scpi, allowed) if scpi is not None else None
    end = scpi.out_end if scpi is not None else console.out_end if console is not None else b"\n"
    await talk.raw(end, 0.2)  # ends a line that somebody left open
    if console is not None and console.unlock is not None:
        said.add(console.unlock.source.strip())
        await talk.by_hand(console.unlock.source, secret=True)
    outcomes = []
    for one in planned:
        if one.why_not:
            outcomes.append(Outcome(one.key, one.line, "not sent", note=one.why_not))
            continue
        slow = one.key in ("sweep", "complete", "data", "reads", "frequencies")
        if lines is not None and scpi is not None:
            acknowledged = scpi.acknowledge != ""
            slow = slow or (acknowledged and one.key == "trigger")
            patience = sweep_s if slow else 0.6 if "?" in one.line or acknowledged else 0.1
            got = await lines.raw(one.line.encode("ascii") + end, patience, 0.1)
            error = (
                b"" if scpi.error is None or one.key == "error" else (await lines.error()).encode("ascii", "replace")
            )
            kept = _cleaned(profile, one.line, got)
            exchange = Exchange(one.line.encode("ascii"), tuple(kept), error)
        else:
            for _ in range(MOST_POLLS):
                got = await talk.raw(one.line.encode("ascii") + end, sweep_s if slow else 2.0)
                ended = talk.manner.silent or talk.manner.ended(got)
                exchange = Exchange(one.line.encode("ascii"), tuple(_cleaned(profile, one.line, got)), ended=ended)
                if one.key != "poll" or not _unready(profile, exchange.came):
                    break
                await asyncio.sleep(BETWEEN_S)
        outcomes.append(_judged(profile, one.key, one.line, exchange, _points(profile)))
    return outcomes


def _cleaned(profile: Profile, line: str, got: bytes) -> list[bytes]:
    """Answers without echo, prompt and remarks."""
    one = exchanges(profile, [(">", line.encode("ascii") + b"\n"), ("<", got)])
    return list(one[0].came) if one else answers(got)


def _unready(profile: Profile, came: Sequence[bytes]) -> bool:
    """Whether an answer to `poll` does not say that the sweep is done."""
    console = profile.console
    return (
        console is not None and console.ready != "" and console.ready.encode("ascii") not in [c.strip() for c in came]
    )


def _points(profile: Profile) -> int:
    return min(max(POINTS, profile.limits.min_points), profile.limits.max_points)


def _unlike(profile: Profile, key: str, line: str, came: Sequence[bytes], points: int) -> str:
    """What is wrong with the answer by the profile's own lines, "" for nothing. `points` 0: not known."""
    console = profile.console
    if console is None:
        return ""
    if key == "poll" and _unready(profile, came):
        return f"{console.ready!r} did not come"
    if key == "readback":
        wanted = [one for entry in console.readback if entry.command.source == line for one in entry.lines]
        counts = [(one.source, sum(one.read(part) is not None for part in came)) for one in wanted]
        return "; ".join(f"{count or 'no'} line(s) of it like {source!r}" for source, count in counts if count != 1)
    if key != "reads":
        return ""
    said = []
    for read in console.reads:
        if read.command is None or read.command.source != line or read.points_per_line != 1 or read.same:
            continue
        count = sum(read.line.read(part) is not None for part in came)
        if count == 0:
            said.append(f"no line of it is like {read.line.source!r}")
        elif points and count != points:
            said.append(f"{count} lines like {read.line.source!r} came for {points} points")
    return "; ".join(said)


def _judged(profile: Profile, key: str, line: str, exchange: Exchange, points: int = 0) -> Outcome:
    """The word for what came back for a line."""
    came = exchange.came
    first = came[0] if came else b""
    if exchange.among > 1:
        what = "was refused" if exchange.error else "brought this"
        note = f"{exchange.among} lines went out at once and the log does not tell which of them {what}"
        return Outcome(key, line, "unclear", exchange.error or first, note)
    wrong = _refusals(profile, line, came)
    if exchange.error and not no_error(exchange.error):
        wrong = wrong or [exchange.error]
    if wrong and profile.scpi is not None and _VALUE.match(wrong[0]):
        return Outcome(key, line, "known", wrong[0], "the word is right, this value is not in its range")
    if wrong:
        return Outcome(key, line, "refused", wrong[0])
    unlike = _unlike(profile, key, line, came, points) if came else ""
    if unlike:
        return Outcome(key, line, "unlike", first, unlike)
    if profile.scpi is None:
        return Outcome(key, line, "answered" if came else "taken" if exchange.ended else "no answer", first)
    if "?" not in line:
        return _setting(profile.scpi, key, line, exchange)
    if key == "identify":  # a block or a list of numbers is the late answer to something else
        named = [part for part in came if part[:1] != b"#" and re.search(rb"[A-Za-z]{2}", part)]
        if came and not named:
            return Outcome(key, line, "no answer", first, "this is no identity")
        first = named[-1] if named else b""
    return Outcome(key, line, "answered" if first else "no answer", first)


def _setting(scpi: Scpi, key: str, line: str, exchange: Exchange) -> Outcome:
    """The word for a line that asks for nothing and was not refused."""
    taken = scpi.acknowledge.encode("ascii")
    if taken and not exchange.came and not exchange.error:
        return Outcome(key, line, "no answer", note=f"{scpi.acknowledge!r} did not come")
    strange = [part for part in exchange.came if part != taken]
    if strange:
        return Outcome(key, line, "unclear", strange[0], "came although the line asks for nothing")
    return Outcome(key, line, "taken", note="" if exchange.error or taken else "as far as silence tells")


def _refusals(profile: Profile, line: str, came: Sequence[bytes]) -> list[bytes]:
    """Answers that refuse."""
    if profile.console is not None:
        refusal = manner_of(profile.console).refusal(came)
        return [] if refusal is None else [refusal]
    scpi = profile.scpi
    if scpi is not None and scpi.error is not None and line == scpi.word(scpi.error.source):
        return []
    words = re.compile(rb"(?i)\?+|err|.*(error|undefined|unknown|invalid|illegal)")
    return [
        part
        for part in came
        if part[:1] != b"#"
        and ((ENTRY.fullmatch(part) and b"," in part and not no_error(part)) or ("?" not in line and words.match(part)))
    ]
