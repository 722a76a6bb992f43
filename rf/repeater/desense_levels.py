"""A desense test with a generator: four levels, and what they say of where the deafness comes from.

Owns: the four states, the differences with their interval, the fault tree. Refuses: to blame the duplexer for what the
load does not show (study, step 10: cheapest test first; repeater pages on the iso-tee test, common practice).

The generator reaches the receiver through an isolation tee or a coupler whose loss is the same in all four states, so
that it drops out of every difference.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from rf.values.figure import Figure, cant_say, reading

LOAD_OFF, LOAD_ON, ANTENNA_OFF, ANTENNA_ON = "load, off", "load, on", "antenna, off", "antenna, on"
STATES = (LOAD_OFF, LOAD_ON, ANTENNA_OFF, ANTENNA_ON)
"""What hangs on the duplexer's antenna port, and whether the transmitter works."""

BY_EAR_DB = 1.0
"""A level for 12 dB SINAD, found by ear or by meter, is good to this (common practice)."""

NOTHING_DB = 1.0
"""A difference below this is none."""


@dataclass(frozen=True, slots=True)
class Levels:
    """What four levels show, in dB. `with_load`, `with_antenna`: desensitisation; `site`: deafness by the site's noise,
    with the transmitter off; `beyond`: desensitisation that only the antenna shows."""

    with_load: Figure
    with_antenna: Figure
    site: Figure
    beyond: Figure


def levels_of(dbm: Mapping[str, float]) -> Levels:
    """From the generator's levels for 12 dB SINAD, by `STATES`; missing ones make CAN'T SAY."""

    def between(first: str, second: str) -> Figure:
        missing = next((state for state in (first, second) if state not in dbm), None)
        if missing is not None:
            return cant_say("dB", f"the level with {missing} is missing")
        more = dbm[second] - dbm[first]
        return reading(more, more - BY_EAR_DB, more + BY_EAR_DB, "dB", limited_by="levels")

    load, antenna = between(LOAD_OFF, LOAD_ON), between(ANTENNA_OFF, ANTENNA_ON)
    lost = next((one.why for one in (load, antenna) if not one.known), "")
    extra = antenna.value - load.value
    beyond = cant_say("dB", lost) if lost else reading(extra, extra - 2.0 * BY_EAR_DB, extra + 2.0 * BY_EAR_DB, "dB")
    return Levels(load, antenna, between(LOAD_OFF, ANTENNA_OFF), beyond)


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that the levels say, where to look, and whether a screw of the duplexer is in question."""

    says: str
    look: str
    duplexer: bool = False


def findings(levels: Levels, explained: Figure | None = None) -> list[Finding]:
    """The fault tree. `explained`: desensitisation on a load that the duplexer's measured isolation explains, where it
    is known; without it a deaf receiver on a load leaves duplexer, jumpers and radios in question."""
    found: list[Finding] = []
    load = levels.with_load
    if load.known and load.value < -NOTHING_DB - BY_EAR_DB:
        found.append(
            Finding("it hears better while it transmits: that can't be", "take the levels again; did the carrier drop?")
        )
    elif load.known and explained is not None and explained.known and load.high < explained.low:
        found.append(
            Finding(
                "less is lost on a load than the duplexer's measured isolation lets through",
                "the transmitter's noise, the receiver's figures: typed right? Were they the same radios?",
                duplexer=True,
            )
        )
    elif load.known and load.value <= NOTHING_DB:
        found.append(Finding("on a load nothing is lost", "the duplexer, its jumpers and the radios are in order"))
    elif load.known:
        found.append(_on_load(load, explained))
    if levels.beyond.known and levels.beyond.value > NOTHING_DB:
        found.append(
            Finding(
                "with the antenna more is lost than with the load",
                "feeder, arrester, connectors, antenna; rust and loose metal near it; its own field in the cabinet",
            )
        )
    if levels.site.known and levels.site.value > NOTHING_DB:
        found.append(
            Finding(
                "the antenna makes it deafer with the transmitter off, too",
                "noise of the site or other carriers: no screw of the duplexer mends it",
            )
        )
    return found


def _on_load(load: Figure, explained: Figure | None) -> Finding:
    elsewhere = "swap the jumpers, shake them, close the radios' covers; look at the transmitter for spurious signals"
    if explained is None or not explained.known:
        return Finding("on a load it is deafer while it transmits", f"measure the duplexer; {elsewhere}", duplexer=True)
    if load.low > explained.high:
        return Finding("the duplexer's measured isolation does not explain the loss on a load", elsewhere)
    return Finding("the duplexer's measured isolation explains the loss on a load", "adjust it", duplexer=True)
