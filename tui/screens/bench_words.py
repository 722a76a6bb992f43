"""Demo only: what the simulated bench must be told so that its leads hang as the technician said.

Owns: from a hook-up to control lines. Refuses: real instruments; there the hands do it.
"""

from __future__ import annotations

from visit.site.hookup import HookUp
from visit.site.site import Site


def bench_lines(hookup: HookUp, site: Site) -> tuple[str, ...]:
    """Control lines in their order."""
    path = hookup.path
    if hookup.alone:
        first = f"connect {hookup.name}"
    else:
        first = f"connect {hookup.driven} {hookup.read} {hookup.third_port}={hookup.third}"
    jumper = "jumper none" if path.jumper == "none" else f"jumper {path.jumper} {_jumper_hz(hookup, site):.0f}"
    return first, f"pad 1 {path.pad1_db:g}", f"pad 2 {path.pad2_db:g}", f"amp {path.amp_db:g}", jumper


def _jumper_hz(hookup: HookUp, site: Site) -> float:
    """The jumper is cut for the channel to reject."""
    return site.high_hz if hookup.side is None else site.reject_hz(hookup.side)
