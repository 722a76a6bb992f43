"""Which load ends the third port, by what is known: measured in this visit, stated in the site file, or nothing.

Owns: the order in which these count, and the words. Refuses: the formula; `rf.floor.third_port` has it.
"""

from __future__ import annotations

from rf.floor.third_port import COMMON_LOAD_DB, ON_A_SIDE, ON_THE_ANTENNA, ThirdLoad
from rf.values.figure import Figure, Kind
from visit.figures.known import Known
from visit.site.hookup import ANTENNA_PORT, HookUp
from visit.site.site import Site

MEASURED, STATED = "measured as hook-up load", "site file"
SEEN = "S11 shows no better one; state it in the site file, or measure it as hook-up load"
ASSUMED = "common practice; state it in the site file, or measure it as hook-up load"


def load_words(load: ThirdLoad) -> str:
    """The load in one line."""
    return f"load on the third port {load.return_loss_db:.1f} dB ({load.source})"


def third_load(site: Site, hookup: HookUp, known: Known, channel_hz: float, seen: Figure) -> ThirdLoad | None:
    """The load at a channel to hold back; None where the third port is declared open or shorted, as it then is meant
    to be. `seen` is the return loss at port 1 there.

    Driven from the antenna, S11 at that channel is the load seen through the other side: nobody's word is needed to
    see that it is worse than common practice.
    """
    if hookup.third != "load":
        return None
    share = ON_THE_ANTENNA if hookup.third_port == ANTENNA_PORT else ON_A_SIDE
    unseen = hookup.read == ANTENNA_PORT and not known.third_seen
    measured = known.third_load_at(channel_hz)
    if measured is not None:
        return ThirdLoad(measured, share, MEASURED, unseen)
    if site.load_return_loss_db is not None:
        return ThirdLoad(site.load_return_loss_db, share, STATED, unseen)
    if hookup.driven == ANTENNA_PORT and seen.kind is Kind.READING and seen.value < COMMON_LOAD_DB:
        return ThirdLoad(max(seen.value, 0.5), share, SEEN)
    return ThirdLoad(COMMON_LOAD_DB, share, ASSUMED, unseen)
