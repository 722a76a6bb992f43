"""What is said of a turned screw: every figure with its word and interval."""

from __future__ import annotations

from rf.notch.nudge import Nudge
from rf.values.figure import cant_say, inferred
from visit.day.nudges import Told, nudge_words

REJECT_HZ = 455e6


def test_a_turn_and_where_the_cavity_was() -> None:
    before = inferred(REJECT_HZ - 20e3, REJECT_HZ - 23e3, REJECT_HZ - 17e3, "Hz")
    after = inferred(REJECT_HZ + 10e3, REJECT_HZ + 7e3, REJECT_HZ + 13e3, "Hz")
    moved = inferred(30e3, 28e3, 32e3, "Hz")
    words = nudge_words(Nudge(before, after, moved), REJECT_HZ, Told(1))
    assert words == "you moved cavity 1 by INFERRED +30.0 ±2.0 kHz; cavity 1 was at INFERRED -20 ±3 kHz"
    nowhere = Nudge(cant_say("Hz", "under the floor"), after, moved)
    assert nudge_words(nowhere, REJECT_HZ, Told()) == "you moved it by INFERRED +30.0 ±2.0 kHz"
