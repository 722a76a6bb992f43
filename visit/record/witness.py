"""What a second witness showed, and what the maker promised, as entries of a visit.

Owns: the names. Refuses: figures of it.
"""

from __future__ import annotations

from visit.record.sheet import Line
from visit.site.hookup import Side

THRU, PAD, DEVICE, OFF, LOADS, SCALE = "thru", "pad", "duplexer", "source off", "loads", "scale"
MATCH, FLOOR = "match", "receiver floor"
SOURCE, SOURCE_ERROR, LEADS, LEADS_ERROR = "source", "source error", "leads", "leads error"
CORRECTION, KNOWN, READ, KNOWN_ERROR = "correction", "known pad", "known pad read", "known pad error"
STATES = {
    THRU: "leads joined, source on",
    PAD: "pad that stands between the joined leads, and only there",
    DEVICE: "the duplexer between the leads, source on",
    OFF: "the same, source off",
    LOADS: "source on, each lead on a load",
    SCALE: "error of the receiver's scale over that range, by its sheet",
    MATCH: "return loss of source and receiver as the duplexer sees them",
    SOURCE: "level at the source, by its sheet or a meter: in place of joined leads",
    SOURCE_ERROR: "error of that level",
    LEADS: "what both leads lose together",
    LEADS_ERROR: "error of that loss",
    CORRECTION: "what the receiver's curve adds to its reading at the channel",
    KNOWN: "a known pad that source and receiver were tried on",
    READ: "what they read of it",
    KNOWN_ERROR: "what they may differ from it",
    FLOOR: "the receiver's floor by its sheet, where the source was not turned off",
}
"""What is typed, in the order in which it is taken."""
TAKEN = (THRU, DEVICE, OFF, LOADS)
"""What is asked for one after another; the rest is typed where it is known."""
SHEET_WAY = (SOURCE, LEADS, DEVICE, OFF, LOADS)
"""The same where the source's level stands for joined leads."""
_SMALL = ("dB", 0.01, 10.0)
LIMITS = {
    PAD: ("dB", 0.0, 120.0),
    SCALE: ("dB", 0.05, 10.0),
    MATCH: ("dB", 6.0, 80.0),
    SOURCE_ERROR: _SMALL,
    LEADS: ("dB", 0.0, 60.0),
    LEADS_ERROR: _SMALL,
    CORRECTION: ("dB", -30.0, 30.0),
    KNOWN: ("dB", 0.0, 150.0),
    READ: ("dB", -10.0, 160.0),
    KNOWN_ERROR: _SMALL,
}
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
