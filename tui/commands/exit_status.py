"""The exit status of every command and its meaning; docs/commands.md is made of it. Owns nothing else."""

from __future__ import annotations

import enum


class ExitStatus(enum.IntEnum):
    """What the shell sees."""

    GOALS_MET = 0
    GOALS_NOT_MET = 1
    USAGE = 2
    CANT_SAY = 3
    FAULT = 4
    MACHINE = 5
    BUG = 6
    INTERRUPTED = 130
    TERMINATED = 143


MEANINGS = {
    ExitStatus.GOALS_MET: "goals met (or done, for commands without goals)",
    ExitStatus.GOALS_NOT_MET: "goals not met",
    ExitStatus.USAGE: "wrong use: option, site file, profile, port name; a system that cannot run it",
    ExitStatus.CANT_SAY: "can't say, or met on condition only: leakage not surveyed, correction in doubt,"
    " no look has proven it",
    ExitStatus.FAULT: "fault of analyzer or link",
    ExitStatus.MACHINE: "fault of the computer: disk full, nothing may be written there; what was kept stays",
    ExitStatus.BUG: "fault of the program itself; its traceback is in a private file that the line names",
    ExitStatus.INTERRUPTED: "interrupted",
    ExitStatus.TERMINATED: "ended by SIGTERM, at the end of a sweep; everything is kept",
}
