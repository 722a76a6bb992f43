"""The command `profile try`: which lines of a profile are right, at an analyzer or in a wire log.

Owns: the printing, the question before anything is sent. Refuses: to judge; that is the line check's work.
"""

from __future__ import annotations

import argparse
import asyncio
import sys
from pathlib import Path

from protocol.errors import RequestError
from protocol.files.small_files import read_text
from protocol.profiles.profile import Profile, load_profile
from protocol.trial.line_check import NOT_IN_LOG, Outcome, Planned, at_port, in_log, plan
from protocol.wire import wire_log
from protocol.wire.link import SerialLink
from tui.commands.exit_status import ExitStatus
from tui.commands.printing import data, say


def try_profile(options: argparse.Namespace) -> ExitStatus:
    """Print one line per line of the profile. Raises RequestError or AnalyzerError."""
    try:
        profile = load_profile(options.profile)
    except RequestError as error:
        raise RequestError(f"{error}{_missing(options.profile)}") from error
    if options.log is not None:
        outcomes = in_log(profile, wire_log.read(options.log))
    else:
        planned = plan(profile, risky=options.risky)
        _agreed(options, profile, planned)
        outcomes = asyncio.run(_at_port(options.port, profile, planned))
    data([str(outcome) for outcome in outcomes])
    tried = [outcome for outcome in outcomes if outcome.verdict not in (NOT_IN_LOG, "not sent")]
    bad = [outcome for outcome in tried if not outcome.good]
    left = len(outcomes) - len(tried)
    why = "not in this log" if options.log is not None else "not sent"
    say(f"{len(tried) - len(bad)} of {len(tried)} lines are right" + (f"; {left} {why}" if left else ""))
    if bad:
        say(f"first to look at in {profile.source or options.profile}: {bad[0].key}")
    return ExitStatus.CANT_SAY if bad or not tried else ExitStatus.GOALS_MET


def _missing(name: str) -> str:
    """What learning has marked as missing in a half-filled profile, as the end of a sentence; "" where nothing is."""
    try:
        lines = read_text(Path(name), "a profile").splitlines()
    except RequestError:
        return ""
    marked = [(at, line) for at, line in enumerate(lines, 1) if line.startswith("# MISSING:")]
    keys = [f"{line.removeprefix('# MISSING:').partition('=')[0].strip()} (line {at})" for at, line in marked]
    return f". Still marked as missing: {', '.join(keys)}; take the # off and fill them" if keys else ""


def _agreed(options: argparse.Namespace, profile: Profile, planned: list[Planned]) -> None:
    """Show what will be sent and ask. Raises RequestError when the answer is not yes."""
    sent = [one.line for one in planned if not one.why_not]
    errors = ", each with the question for errors behind it" if profile.scpi is not None and profile.scpi.error else ""
    say(f"behind an empty line these {len(sent)} lines are sent to {options.port}{errors}, and nothing else:")
    if profile.console is not None and profile.console.unlock is not None:
        say("    (the line that opens it)")
    for line in sent:
        say(f"    {line}")
    if options.yes:
        return
    if not sys.stdin.isatty():
        raise RequestError("nothing was sent: nobody is there to agree; give --yes")
    print("send them? [y/N] ", end="", file=sys.stderr, flush=True)  # noqa: T201 - a question
    if sys.stdin.readline().strip().lower() not in ("y", "yes"):
        raise RequestError("nothing was sent")


async def _at_port(port: str, profile: Profile, planned: list[Planned]) -> list[Outcome]:
    link = await SerialLink.open(port, profile.serial)
    try:
        return await at_port(profile, link, planned)
    finally:
        await link.close()
