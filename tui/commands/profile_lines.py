"""The command `profile try`: which lines of a profile are right, at an analyzer or in a wire log.

Owns: the printing. Refuses: to judge; that is the line check's work.
"""

from __future__ import annotations

import argparse
import asyncio

from protocol.learn.line_check import Outcome, at_port, in_log
from protocol.learn.talk import Talk
from protocol.profiles.profile import Profile, load_profile
from protocol.wire import wire_log
from protocol.wire.link import SerialLink
from tui.commands.exit_status import ExitStatus
from tui.commands.printing import data, say


def try_profile(options: argparse.Namespace) -> ExitStatus:
    """Print one line per line of the profile. Raises RequestError or AnalyzerError."""
    profile = load_profile(options.profile)
    if options.log is not None:
        outcomes = in_log(profile, wire_log.read(options.log))
    else:
        outcomes = asyncio.run(_at_port(options.port, profile))
    data([str(outcome) for outcome in outcomes])
    bad = [outcome for outcome in outcomes if outcome.verdict not in ("answered", "taken")]
    say(f"{len(outcomes) - len(bad)} of {len(outcomes)} lines were answered or taken")
    return ExitStatus.CANT_SAY if bad else ExitStatus.GOALS_MET


async def _at_port(port: str, profile: Profile) -> list[Outcome]:
    link = await SerialLink.open(port, profile.serial)
    try:
        return await at_port(profile, Talk(link))
    finally:
        await link.close()
