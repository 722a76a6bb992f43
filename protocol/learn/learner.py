"""`learn`: from an open port to the text of a profile.

Owns: the order of the steps and the proof at the end: the profile must sweep through the ordinary analyzer path and
give what was seen while learning. Refuses: to write a profile that does not.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np

from protocol.analyzer import Analyzer
from protocol.errors import AnalyzerError, RequestError
from protocol.learn.dialogue import Dialogue, Progress
from protocol.learn.found import MissingError, UnitUnknownError
from protocol.learn.questions import OPEN
from protocol.learn.scpi import Probe, learn_scpi, probe_scpi
from protocol.learn.session import Session
from protocol.learn.sweeps.columns import delay_of
from protocol.learn.typed import unproved
from protocol.learn.words.opening import KeyMenuError, TalksError
from protocol.learn.words.talk import MOST_LINES, AsksError, LongTalkError, Talk
from protocol.learn.writer import console_profile
from protocol.profiles.profile import Profile, parse_profile
from protocol.sweep import SweepSettings
from protocol.wire.link import SerialLink


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
    """The dialect could not be learned; the message says what is missing.

    `half` is the text of a half-filled profile: what was found with its evidence, what is missing marked; "" when
    nothing was found at all.
    """

    def __init__(self, message: str, half: str = "") -> None:
        super().__init__(message)
        self.half = half


STEPS = 8
"""Steps of a learning session, for whoever shows its progress."""


SECOND_LOOKS = 3
"""Times that the words are shown again because something is missing."""


async def learn(port: str, dialogue: Dialogue) -> Learned:
    """Learn the analyzer at `port`; `dialogue` is whoever sits before the session.

    Raises NotLearnedError in words, RequestError or AnalyzerError for the port.
    """
    step = 0

    def tell(says: str) -> None:
        nonlocal step
        step = min(step + 1, STEPS)
        dialogue.progress(Progress(step, STEPS, says))

    link = await SerialLink.open(port)
    session = Session(Talk(link), dialogue)
    try:
        try:
            probe = await _talked(port, session, tell)
        finally:
            await link.close()
        if probe is None:
            text, unknown = console_profile(session, _now()), session.found.unknown
        else:
            text, unknown = await learn_scpi(port, probe, tell)
        profile = _checked(port, text)
        tell("proof: sweeps through the ordinary path")
        proof = await _prove(port, profile, session.trial_settings() if probe is None else (), text)
    except asyncio.CancelledError:
        if session.words or session.found.evidence:
            dialogue.progress(Progress(step, STEPS, "stopped", half=console_profile(session, _now())))
        raise
    return Learned(text, profile, unknown, proof, tuple(line for line, _ in session.talk.transcript))


async def _talked(port: str, session: Session, tell: Callable[[str], None]) -> Probe | None:
    """The conversation: a console is learned in it; of an analyzer that answers questions of the standard, its probe.

    Raises NotLearnedError in words.
    """
    try:
        tell("listening, then a line end and a sign that is no word")
        try:
            await session.open()
        except KeyMenuError as menu:
            if not await session.by_keys(str(menu)):
                raise
        probe = await _probed(session)
        if probe is None:
            await _console(session, tell)
        return probe
    except KeyMenuError as menu:
        raise NotLearnedError(
            f"{port}: not learned: it acts on single keys, without a line end ({menu}); nothing more was sent, for"
            " a key may do harm. Which keys are safe only its paper manual tells; name them when asked"
        ) from None
    except TalksError as talks:
        raise NotLearnedError(
            f"{port}: not learned: it sends data without being asked, such as {str(talks)!r}, and nothing tells how"
            " to stop it; stop it by hand, then learn again"
        ) from None
    except AsksError as question:
        raise NotLearnedError(
            f"{port}: not learned: it asks or warns: {str(question)!r}; nothing was answered. Answer it by hand,"
            " then learn again",
            console_profile(session, _now()),
        ) from None
    except LongTalkError:
        raise NotLearnedError(
            f"{port}: not learned: {MOST_LINES} lines were sent, and the answers leave more to try; finish the"
            " half-filled profile by hand",
            console_profile(session, _now()),
        ) from None
    except MissingError as missing:
        raise NotLearnedError(f"{port}: not learned: {missing}", console_profile(session, _now())) from None


async def _probed(session: Session) -> Probe | None:
    """What it answered to questions of the standard; None for a console that refuses them."""
    talk = session.talk
    if talk.keys or await session.refuses("*IDN?"):
        return None
    probe = await probe_scpi(talk)
    if _order_assumed(probe) and await session.dialogue.deed(f"Which of its traces is S11 is not told. {OPEN}"):
        probe = await probe_scpi(talk) or probe  # a sweep with open leads tells
    await talk.raw(talk.out_end, 0.2)
    return probe


def _order_assumed(probe: Probe | None) -> bool:
    return probe is not None and probe.scpi is not None and probe.scpi.traces_assumed


async def _console(session: Session, tell: Callable[[str], None]) -> None:
    """All steps with a text console. Raises MissingError or AsksError."""
    tell("asking for a list of its words")
    if not session.talk.keys:
        await session.list_words()
    tell(f"{len(session.words)} words listed")
    await session.identify()
    left, first, far = SECOND_LOOKS, None, False
    while True:
        set_up = False
        try:
            tell("how frequencies and points are set")
            await session.settings()
            set_up = True
            tell("how a sweep is taken; what each column is")
            await session.sweeps()
            break
        except MissingError as missing:
            first = missing if first is None or (set_up and not far) else first  # the reading that led furthest tells
            far = far or set_up
            if session.others and not isinstance(missing, UnitUnknownError):
                session.instead()
            elif not left or not await session.amend(str(first)):
                raise first from None
            else:
                left, first, far = left - 1, None, False
            session.anew()
    tell("limits and bandwidths")
    await session.limits()
    await session.angles()
    await session.read_again()
    await session.keep()
    session.found.unknown += unproved(session.words, session.found)


def _now() -> str:
    return time.strftime("%Y-%m-%d %H:%M")


def _checked(port: str, text: str) -> Profile:
    try:
        return parse_profile(text, "learned profile")
    except RequestError as error:
        raise NotLearnedError(f"{port}: not learned: what was found makes no whole profile ({error})", text) from error


async def _prove(port: str, profile: Profile, settings: Sequence[SweepSettings], text: str) -> str:
    """Sweeps through the analyzer as everybody uses it; all must show the same open lead."""
    limits = profile.limits
    bandwidth = min(limits.bandwidths_hz or (1000.0,), key=lambda hz: abs(hz - 1000.0))
    points = min(max(101, limits.min_points), limits.max_points)
    asked = settings or (SweepSettings(120e6, 130e6, points, bandwidth),)
    said, delays, analyzer = "", [], None
    try:
        analyzer = await Analyzer.open(port, profile)
        for one in asked:
            applied = await analyzer.apply(SweepSettings(one.start_hz, one.stop_hz, one.points, bandwidth))
            sweep = await analyzer.sweep()
            delays.append(delay_of(sweep.s11, sweep.frequency_hz).seconds)
            levels = [20 * np.log10(max(float(np.median(np.abs(trace))), 1e-12)) for trace in (sweep.s11, sweep.s21)]
            changes = f"; {'; '.join(applied.changes)}" if applied.changes else ""
            said = (
                f"{sweep.frequency_hz.size} points in {sweep.duration_s:.2f} s, S11 {levels[0]:.1f} dB,"
                f" S21 {levels[1]:.1f} dB (medians){changes}"
            )
    except (AnalyzerError, RequestError) as error:
        raise NotLearnedError(
            f"{port}: not learned: the profile that was found does not sweep ({error})", text
        ) from error
    finally:
        if analyzer is not None:
            await analyzer.close()
    if settings and not (delays[0] > 0 and abs(delays[0] - delays[-1]) < 0.35 * abs(delays[-1])):
        raise NotLearnedError(f"{port}: not learned: the sweeps of the profile that was found do not agree", text)
    return said
