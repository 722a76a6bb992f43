"""What does not stand still while sweeps are averaged: carriers of others, and steps of the device itself.

Owns: which points are left out of every figure for a carrier's sake, and the words for carriers and steps. Refuses: the
tests; `rf.floor.carrier` and `rf.floor.step` have them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rf.floor.carrier import Carrier, find_carriers
from rf.repeater.passband import FIT_POINTS
from rf.values.figure import Figure, cant_say
from visit.figures.averaging import Averaged

MOST_NAMED = 3


@dataclass(frozen=True, slots=True)
class Walking:
    """Points (K,) of S21 and S11 that carriers touch, and the carriers, loudest first."""

    s21: NDArray[np.bool_]
    s11: NDArray[np.bool_]
    carriers: tuple[Carrier, ...] = ()

    @property
    def says(self) -> list[str]:
        """A line for each of the loudest."""
        return [f"{carrier.says}: its points are left out" for carrier in self.carriers[:MOST_NAMED]]

    def hides(self, unit: str, channel_hz: float) -> Figure:
        """No figure where a carrier sits on the channel."""
        near = min(self.carriers, key=lambda each: abs(each.frequency_hz - channel_hz), default=None)
        who = "a carrier" if near is None else near.says
        return cant_say(
            unit, f"{who} sits on the channel: wait until it is off, or find whose it is", limited_by="ingress"
        )


def walking(averaged: Averaged) -> Walking:
    """Carriers in either parameter of a run."""
    carriers, s21 = find_carriers(averaged.frequency_hz, averaged.s21)
    more, s11 = find_carriers(averaged.frequency_hz, averaged.s11)
    heard = [each for each in more if not any(one.low_hz <= each.frequency_hz <= one.high_hz for one in carriers)]
    return Walking(s21, s11, (*carriers, *heard))


def hidden(touched: NDArray[np.bool_], frequency_hz: NDArray[np.float64], channel_hz: float) -> bool:
    """Whether too few samples around a channel are left: its own is touched, or most of those that are fitted."""
    near = np.argsort(np.abs(frequency_hz - channel_hz))[:FIT_POINTS]
    return bool(touched[near[0]] or touched[near].mean() > 0.5)


def step_words(averaged: Averaged) -> list[str]:
    """What a step says to who turned the screw, or did not."""
    if not averaged.steps:
        return []
    last, many = averaged.steps[-1], len(averaged.steps)
    often = f" ({many} steps in this run)" if many > 1 else ""
    return [
        f"it changed after sweep {last}{often}: a screw turned, a connector touched? averaged anew from there on;"
        " the sweeps before stay in the file"
    ]
