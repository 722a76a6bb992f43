"""Arithmetic of a repeater beside the measurement: noise, desensitisation, needed rejection, losses, antenna, cable.

Owns: the closed forms with their sources. Refuses: to know a radio; what it needs is typed in from the plan.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

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


def microvolt_dbm(microvolt: float, ohm: float = 50.0) -> float:
    """Power of a sine of so many microvolts (rms) into `ohm`."""
    return 10.0 * math.log10((microvolt * 1e-6) ** 2 / ohm * 1e3)


def watt_dbm(watt: float) -> float:
    """Watts in dBm."""
    return 10.0 * math.log10(watt * 1e3)


def cascade_noise_figure_db(loss_db: float, noise_figure_db: float) -> float:
    """Noise figure behind a matched loss at 290 K: they add (Friis)."""
    return loss_db + noise_figure_db


def third_order_hz(first_hz: float, second_hz: float) -> float:
    """2 f1 - f2."""
    return 2.0 * first_hz - second_hz


def antenna_isolation_db(distance_m: float, frequency_hz: float, *, vertical: bool) -> float:
    """Between two antennas: vertical 28 + 40 log(d / lambda), horizontal 22 + 20 log(d / lambda) before gains are
    taken off (installation handbooks; the second is Friis for isotropic antennas)."""
    ratio = distance_m * frequency_hz / 299_792_458.0
    return 28.0 + 40.0 * math.log10(ratio) if vertical else 22.0 + 20.0 * math.log10(ratio)


@dataclass(frozen=True, slots=True)
class NeededRejection:
    """What a duplexer must hold back, in dB: `noise_db` of the transmitter's noise at the receive frequency,
    `carrier_db` of its carrier at the receiver."""

    noise_db: float
    carrier_db: float


def needed_rejection(
    transmit_dbm: float, noise_dbc_hz: float, noise_figure_db: float, blocking_dbm: float, allowed_desense_db: float
) -> NeededRejection:
    """Rejection for at most `allowed_desense_db` of desensitisation: transmitter noise density against the
    receiver's own, -174 + NF (study, F13), and the carrier against the level that blocks the receiver."""
    own = noise_floor_dbm(1.0, noise_figure_db)
    return NeededRejection(
        transmit_dbm + noise_dbc_hz - own - interference_for(allowed_desense_db), transmit_dbm - blocking_dbm
    )


def explained_desense_db(
    transmit_dbm: float, noise_dbc_hz: float, noise_figure_db: float, rejection_db: float
) -> float:
    """Desensitisation that the transmitter's noise through so much rejection explains (study, scenario 39)."""
    return desense_db(transmit_dbm + noise_dbc_hz - rejection_db - noise_floor_dbm(1.0, noise_figure_db))


def power_loss_db(into_watt: float, out_watt: float) -> float:
    """Loss by wattmeters, 10 log(in / out) (study, idea 26: 50 W in, 36.6 W out = 1.36 dB)."""
    return 10.0 * math.log10(into_watt / out_watt)


def line_with_vswr(matched_db: float, load_vswr: float) -> tuple[float, float]:
    """Total loss of a line in dB and the standing wave ratio at its input, for its matched loss and its load's ratio:
    10 log((a^2 - G^2) / (a (1 - G^2))) with a = 10^(dB/10) (handbook closed form; check e10)."""
    a = 10.0 ** (matched_db / 10.0)
    g = (load_vswr - 1.0) / (load_vswr + 1.0)
    total = 10.0 * math.log10((a * a - g * g) / (a * (1.0 - g * g)))
    seen = g / a
    return total, (1.0 + seen) / (1.0 - seen)


CABLES: dict[str, tuple[float, float]] = {
    "RG-58": (1.386, 0.01817),
    "RG-213": (0.6434, 0.00661),
    "1/2-inch foam": (0.2246, 0.00049),
}
"""k1 and k2 of loss = k1 sqrt(f) + k2 f, f in MHz, dB per 100 m: fitted to handbook tables (check e8; tables of
different sources lie up to 10 % apart)."""


def cable_loss_db(cable: str, frequency_hz: float, length_m: float) -> float:
    """Matched loss of a length of cable. Raises KeyError for one that is not in `CABLES`."""
    first, second = CABLES[cable]
    mhz = frequency_hz / 1e6
    return (first * math.sqrt(mhz) + second * mhz) * length_m / 100.0
