"""What a second witness showed, and what the maker promised, as entries of a visit.

Owns: the names. Refuses: figures of it.
"""

from __future__ import annotations

from visit.record.sheet import Line
from visit.site.hookup import Side

THRU, PAD, DEVICE, OFF, LOADS, SCALE = "thru", "pad", "duplexer", "source off", "loads", "scale"
STATES = {
    THRU: "leads joined, source on",
    PAD: "pad that stands between the joined leads, and only there",
    DEVICE: "the duplexer between the leads, source on",
    OFF: "the same, source off",
    LOADS: "source on, each lead on a load",
    SCALE: "error of the receiver's scale over that range, by its sheet",
}
"""What is typed, in the order in which it is taken."""
LIMITS = {PAD: ("dB", 0.0, 120.0), SCALE: ("dB", 0.05, 10.0)}
REJECTION, LOSS = "rejection", "loss"
PROMISED = {REJECTION: (1.0, 150.0), LOSS: (0.05, 20.0)}


def witness_line(side: Side, state: str) -> Line:
    """The entry of one level of a side."""
    unit, low, high = LIMITS.get(state, ("dBm", -180.0, 40.0))
    return Line(f"witness {side.value}: {state}", unit, low, high, STATES[state])


def maker_line(side: Side, what: str) -> Line:
    """The entry of what the maker's sheet or curve says of a side."""
    low, high = PROMISED[what]
    return Line(f"maker {side.value}: {what}", "dB", low, high, f"{what} by the maker's curve")
