"""How finely and how slowly a notch must be swept so that the sweep itself does not fill it up.

Owns: the step rule and the settling rule. Refuses: to choose settings; it only says what a setting costs.
"""

from __future__ import annotations

import math

STEP_SHARE = 0.25
"""A step may be this share of the +3 dB bottom width: then the sample nearest the deepest point lies within 1/8 of
the width of it, where the response is at most 0.3 dB higher."""


def settling_caution(dwell_s: float, unloaded_q: float, frequency_hz: float, depth_db: float = 100.0) -> str:
    """What to say of a dwell per point that is too short for the cavities to settle; "" when it is long enough (study,
    scenario 31)."""
    need = settling_time_s(unloaded_q, frequency_hz, depth_db)
    if not 0.0 < dwell_s < need:
        return ""
    return (
        f"{dwell_s * 1e3:.2g} ms a point is short for Q {unloaded_q:.0f}: {need * 1e3:.2g} ms are needed for"
        f" {depth_db:.0f} dB; take a narrower bandwidth"
    )


def largest_step_hz(bottom_width_hz: float) -> float:
    """Widest step in hertz for a notch whose bottom is `bottom_width_hz` wide 3 dB up [study F16]."""
    return STEP_SHARE * bottom_width_hz


def settling_time_s(unloaded_q: float, frequency_hz: float, range_db: float) -> float:
    """Dwell in seconds until a cavity's ringing has fallen by `range_db`: tau ln(10^(dB/20)), tau = Q / (pi f)
    [study F15].

    A resonator's amplitude decays as exp(-pi f t / Q).
    """
    return unloaded_q / (math.pi * frequency_hz) * math.log(10.0) * range_db / 20.0
