"""Arithmetic of a repeater beside the measurement: noise, desensitisation, losses.

Owns: the closed forms with their sources. Refuses: to know a radio; what it needs is typed in from the plan.
"""

from __future__ import annotations

import math

BOLTZMANN = 1.380649e-23
"""J/K, exact in the SI."""
ROOM_K = 290.0


def noise_floor_dbm(bandwidth_hz: float, noise_figure_db: float) -> float:
    """kTB at 290 K in dBm plus the noise figure (check b2)."""
    return 10.0 * math.log10(BOLTZMANN * ROOM_K * bandwidth_hz * 1e3) + noise_figure_db


def desense_db(interference_over_noise_db: float) -> float:
    """Loss of sensitivity 10 log((i + n) / n) (ECO handbook 1.2.8, Eq. 8-9; study, F13)."""
    return 10.0 * math.log10(1.0 + 10.0 ** (interference_over_noise_db / 10.0))


def interference_for(desense: float) -> float:
    """I/N in dB that costs `desense` decibels: 10 log(10^(D/10) - 1)."""
    return 10.0 * math.log10(10.0 ** (desense / 10.0) - 1.0)


def watt_dbm(watt: float) -> float:
    """Watts in dBm."""
    return 10.0 * math.log10(watt * 1e3)


def power_loss_db(into_watt: float, out_watt: float) -> float:
    """Loss by wattmeters, 10 log(in / out) (study, idea 26: 50 W in, 36.6 W out = 1.36 dB)."""
    return 10.0 * math.log10(into_watt / out_watt)
