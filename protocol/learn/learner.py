"""`learn`: from an open port to the text of a profile.

Owns: the order of the steps and the proof at the end: the profile must sweep through the ordinary analyzer path and
give what was seen while learning. Refuses: to write a profile that does not.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from protocol.analyzer import Analyzer
from protocol.errors import AnalyzerError, RequestError
from protocol.learn.draft import Ask, Draft, nobody
from protocol.learn.measure import Measure
from protocol.learn.naming import Naming
from protocol.learn.opening import Opening, details, open_console
from protocol.learn.scpi import learn_scpi, probe_scpi
from protocol.learn.talk import Talk, lost, words_of
from protocol.learn.trial import TRIALS, Trial
from protocol.learn.vocabulary import Entry, ranked
from protocol.learn.writer import console_profile
from protocol.profiles.profile import Profile, parse_profile
from protocol.wire.link import SerialLink

NAMING_SWEEPS = 4


@dataclass
class Learned:
    """A profile's text, the profile, and what stayed unknown, in sentences."""

    text: str
    profile: Profile
    unknown: list[str] = field(default_factory=list)
    proof: str = ""
    said: tuple[str, ...] = ()
    """All that was sent while learning."""


class NotLearnedError(AnalyzerError):
    """The tongue could not be learned; the message says what is missing."""


def silent(_: str) -> None:
    """Nobody listens to the progress."""


async def learn(port: str, ask: Ask = nobody, tell: Callable[[str], None] = silent) -> Learned:
    """Learn the analyzer at `port`. `ask` puts questions to the technician, `tell` hears how far it is.

    Raises NotLearnedError in words, RequestError or AnalyzerError for the port.
    """
    link = await SerialLink.open(port)
    try:
        talk = Talk(link)
        tell("listening, then asking for an SCPI identity")
        probe = await probe_scpi(talk)
        found: tuple[str, list[str]] | None = None
        if probe is None:
            tell("no SCPI; looking for a prompt")
            found = await _console(talk, port, ask, tell)
    finally:
        await link.close()
    if probe is not None:
        found = await learn_scpi(port, probe, tell)
    assert found is not None
    text, unknown = found
    profile = _checked(port, text)
    tell("proof: one sweep through the ordinary path")
    proof = await _prove(port, profile)
    return Learned(text, profile, unknown, proof, tuple(line for line, _ in talk.transcript))


async def _console(talk: Talk, port: str, ask: Ask, tell: Callable[[str], None]) -> tuple[str, list[str]]:
    opening = await open_console(talk)
    if opening is None:
        raise lost(port, talk.transcript)
    tell(f"prompt {talk.manner.prompt.decode('ascii', 'replace')!r}, {len(opening.entries)} commands listed")
    entries = [await details(talk, opening, entry) for entry in opening.entries]
    draft = Draft(help=opening.help_word, evidence=dict(opening.evidence), unknown=list(opening.unknown))
    await _identify(talk, entries, opening, draft)
    tell("small sweeps: span, points, data")
    trial = Trial(talk, entries, draft)
    if not await trial.run():
        raise NotLearnedError(
            f"{port}: not learned: {trial.problem}. Commands seen: {', '.join(e.word for e in entries)[:200]}. Write a"
            " profile by hand (docs/profiles.md)"
        )
    measure = Measure(talk, entries, draft, trial, ask)
    tell("bandwidth")
    await measure.bandwidth()
    tell("what each column is")
    await measure.widen()
    naming = Naming(draft, ask)
    async for settings, sweeps in measure.naming_sweeps(NAMING_SWEEPS):
        if naming.look(sweeps, settings):
            break
    if not naming.named and not await naming.asked():
        raise NotLearnedError(f"{port}: not learned: {'; '.join(naming.problems) or 'sweeps failed'}")
    await naming.sense(await measure.sweeps(TRIALS[1], NAMING_SWEEPS), TRIALS[1])
    tell("read-back, limits, timing")
    await measure.readback()
    await measure.limits()
    await measure.timing()
    await measure.abort()
    when = time.strftime("%Y-%m-%d %H:%M")
    return console_profile(draft, talk.manner, when), draft.unknown


async def _identify(talk: Talk, entries: list[Entry], opening: Opening, draft: Draft) -> None:
    """A question whose answer names the instrument; the list of commands where there is none."""
    for entry in ranked(entries, "identify"):
        if entry.needed:
            continue
        lines = await talk.ask(entry.word)
        again = await talk.ask(entry.word)
        if lines and again and any(len(word) > 1 for line in lines for word in words_of(line)):
            draft.identify, draft.identity = entry.word, " ".join(" ".join(lines).split())
            draft.evidence["identify"] = f"answered {draft.identity[:60]!r}"
            return
    if not opening.help_word:
        raise NotLearnedError(
            f"{talk.link.name}: not learned: no command is known that it answers; write a profile by hand"
        )
    draft.identify, draft.identity = opening.help_word, "learned console"
    draft.evidence["identify"] = "no word for an identity; the list of commands serves, for it is always answered"
    draft.unknown.append("its identity: no command tells it")


def _checked(port: str, text: str) -> Profile:
    try:
        return parse_profile(text, "learned profile")
    except RequestError as error:
        raise NotLearnedError(f"{port}: not learned: what was found makes no whole profile ({error})") from error


async def _prove(port: str, profile: Profile) -> str:
    """One sweep through the analyzer as everybody uses it."""
    settings = TRIALS[0]
    bandwidth = min(profile.limits.bandwidths_hz or (1000.0,), key=lambda hz: abs(hz - 1000.0))
    points = min(max(settings.points, profile.limits.min_points), profile.limits.max_points)
    asked = type(settings)(settings.start_hz, settings.stop_hz, points, bandwidth)
    analyzer = await Analyzer.open(port, profile)
    try:
        applied = await analyzer.apply(asked)
        sweep = await analyzer.sweep()
    finally:
        await analyzer.close()
    levels = [20 * np.log10(max(float(np.median(np.abs(trace))), 1e-12)) for trace in (sweep.s11, sweep.s21)]
    changes = f"; {'; '.join(applied.changes)}" if applied.changes else ""
    return (
        f"{sweep.frequency_hz.size} points in {sweep.duration_s:.2f} s, S11 {levels[0]:.1f} dB, S21 {levels[1]:.1f} dB"
        f" (medians){changes}"
    )
