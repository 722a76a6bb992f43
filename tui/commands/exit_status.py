"""The exit status of every command, as the README's table says it. Owns nothing else."""

from __future__ import annotations

import enum


class ExitStatus(enum.IntEnum):
    """What the shell sees."""

    GOALS_MET = 0
    GOALS_NOT_MET = 1
    USAGE = 2
    CANT_SAY = 3
    FAULT = 4
    INTERRUPTED = 130
    TERMINATED = 143
