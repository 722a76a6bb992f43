"""What speaks against the correction of a sweep, besides the calibration's own age: failed checks, restarts, clocks.

Owns: the sentences and when they hold. Refuses: files and clocks; times are given (Unix time).
"""

from __future__ import annotations

import math
import time
from collections.abc import Sequence

from visit.calibration.corrector import Check

CLOCK_SLACK_S = 60.0


WAS_OFF = "the analyzer was off at"


def restart_doubt(restarted_s: float, proved_s: float) -> tuple[str, ...]:
    """What an analyzer that was off since its correction was last proved leaves in doubt."""
    if restarted_s <= proved_s:
        return ()
    at = time.strftime("%H:%M", time.localtime(restarted_s))
    return (f"{WAS_OFF} {at}: prove its correction on the thru",)


SURVEY_EXPIRES_S = 3600.0
"""Leads and connectors warm and are moved: a survey older than an hour is in doubt, as a calibration is."""


def survey_doubt(surveyed_s: float, now_s: float, *, restarted: bool, calibrated_s: float) -> str:
    """What speaks against a survey of the leak: its age, an analyzer that was unplugged since, leads that hung on the
    calibration kit since; empty when nothing does."""
    if restarted:
        return "the analyzer was unplugged since the survey: survey again"
    if calibrated_s > surveyed_s:
        return "leads were moved for a calibration since the survey: survey again"
    if now_s - surveyed_s > SURVEY_EXPIRES_S:
        return f"survey {(now_s - surveyed_s) / 60:.0f} min old: survey again"
    return ""


def clock_doubt(now_s: float, proved_s: float) -> tuple[str, ...]:
    """A clock that shows an earlier time than the last proof was set back: nobody knows how old the proof is."""
    if now_s >= proved_s - CLOCK_SLACK_S:
        return ()
    return ("the computer's clock was set back since the correction was proved: prove it again",)


def failed_check_doubt(own_checks: Sequence[Check], run_s: float) -> tuple[str, ...]:
    """What a failed check of an analyzer's own correction leaves in doubt: all since the last good one."""
    if not own_checks or own_checks[-1].verified.good:
        return ()
    if run_s < max((check.at_s for check in own_checks if check.verified.good), default=-math.inf):
        return ()
    return (f"last check failed ({own_checks[-1].verified.says})",)
