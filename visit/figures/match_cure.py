"""Why a return loss is only a bound, and which standard would lift it.

Owns: the words for what covers a small reflection. Refuses: the bound itself; `rf.repeater.passband` makes it.
"""

from __future__ import annotations

from dataclasses import replace

from rf.repeater.passband import Residuals
from rf.values.figure import Figure, Kind

GOOD_LOAD_DB = 40.0
"""Return loss of a load that is sold for calibrating (common practice)."""


def with_cure(figure: Figure, residuals: Residuals | None) -> Figure:
    """A bound with what limits it and what would lift it; any other figure as it is."""
    if figure.kind is not Kind.AT_LEAST or figure.why:
        return figure
    stated = residuals or Residuals()
    if figure.limited_by == "port 2" and residuals is None:
        why = (
            f"port 2 ({stated.port2_left_db:.0f} dB) covers it through the unit: a calibration here (thru and load)"
            " takes it out; so does a pad at port 2 (pad2=10)"
        )
    elif figure.limited_by == "port 2":
        why = (
            f"what is left of port 2 ({stated.port2_left_db:.0f} dB) covers it: a pad at port 2 (pad2=10), or a better"
            " load in the kit, lifts it"
        )
    elif figure.limited_by == "directivity":
        why = (
            f"a directivity of {stated.directivity_db:.0f} dB covers it: calibrate with a load of {GOOD_LOAD_DB:.0f} dB"
            " or better (return_loss_db in the kit file)"
        )
    elif figure.limited_by == "random":
        why = "noise covers it: average longer"
    else:
        why = "port 1 and the tracking cover it: calibrate here"
    return replace(figure, why=why)
