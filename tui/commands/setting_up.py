"""`live` without a port: the start screen first, then the measurement with what was chosen there.

Owns: from the choice to the options of a measurement, and remembering what fitted. Refuses: to draw.
"""

from __future__ import annotations

import argparse
import dataclasses
import os
from pathlib import Path

from protocol.errors import RequestError
from tui.terminal.terminal_gone import Signals
from visit.record.opening import there
from visit.run.set_up import Choice, SetUp
from visit.site.remembered import Memory


def prepared(options: argparse.Namespace, memory: Memory) -> SetUp:
    """The set-up with what the command line gave already. Raises RequestError for a port or a profile that
    is not there."""
    set_up = SetUp(memory)
    if options.site is not None:
        set_up.site = options.site
    if options.visit is not None and there(options.visit):
        set_up.visit = options.visit
    if options.port is not None:
        set_up.add_port(options.port)
        if options.profile is not None:
            set_up.use_profile(options.profile, Path(options.profile).stem)
    elif options.profile is not None:
        raise RequestError("--profile says whose language it is only beside --port: give both, or choose on the screen")
    return set_up


def choose(options: argparse.Namespace) -> bool:
    """Show the start screen and put what was chosen into `options`; False when it was left. Raises RequestError."""
    from tui.screens.app import check_terminal, run_start  # noqa: PLC0415 - Textual loads only for screens

    check_terminal()
    set_up = prepared(options, Memory.load())
    with Signals() as signals:
        choice = run_start(set_up, signals)
    if choice is None:
        return False
    _into(options, choice)
    return True


def _into(options: argparse.Namespace, choice: Choice) -> None:
    options.port, options.profile = choice.port, choice.profile
    if choice.port:
        options.site, options.visit = choice.site, choice.visit or options.visit


def remember(options: argparse.Namespace, visit: Path) -> None:
    """What fitted: the port is there and the visit file is open. Raises RequestError."""
    memory = Memory.load()
    known = memory.known
    here = known.at(os.path.realpath(options.port))
    if here is not None:
        known = known.with_analyzer(options.port, here.profile, here.name)
    site = os.path.abspath(options.site)  # noqa: PTH100 - a link stays a link
    memory.keep(dataclasses.replace(known, site=site, visit=os.path.abspath(visit)))  # noqa: PTH100
