"""What the load on the third port may do to a rejection: it sends back what reaches it, and that goes the same way.

Owns: the formula, and the return loss that common practice allows a load nobody described. Refuses: to know the load's
phase; the limit holds for every one.

A three-port read between two ports, the third ended by a reflection G, shows S21 + S23 G S31 / (1 - G S33) (Pozar,
Microwave Engineering, 4.3; checked against a cascade by scikit-rf in tests/outside/test_third_port.py). At a channel
that one side holds back the other side is a through line from the antenna, tapped at its tee: what enters at either
end makes nearly the same voltage there, so S23 S31 / S21 has nearly the size of that line's transmission: at most one
with the load on a side (0.63 to 0.94 in 145 circuits), and a little more where the load is on the antenna port, whose
line is the longer one (0.90 to 1.13).
"""

from __future__ import annotations

from dataclasses import dataclass

from rf.values.decibel import amplitude, amplitude_db

COMMON_LOAD_DB = 20.0
"""Return loss of a load of which nobody said or measured anything (common practice)."""

ON_A_SIDE, ON_THE_ANTENNA = 1.0, 1.15
"""Largest |S23 S31 / S21| with the load on a side, and on the antenna port."""


@dataclass(frozen=True, slots=True)
class ThirdLoad:
    """The load that ends the third port: `return_loss_db`, `share` (one of the two above), and in a few words where
    that is known `source`."""

    return_loss_db: float
    share: float = ON_A_SIDE
    source: str = "common practice"
    unseen: bool = False
    """Nothing of the sweep shows that it is there at all: driven from a side, an open port looks alike."""

    @property
    def limit_db(self) -> float:
        """Largest change of a rejection by this load, in dB; the side that reads too deep is the larger one."""
        return third_port_db(self.return_loss_db, self.share)


def third_port_db(return_loss_db: float, share: float = ON_A_SIDE) -> float:
    """Largest change by a load of this return loss: -20 log(1 - share 10^(-RL/20)); one that reflects nearly all may do
    anything, so 40 dB is the most that is told."""
    return -amplitude_db(max(1.0 - share * amplitude(-return_loss_db), 0.01))
