"""The screens of what stands beside the duplexer, by name: they load only where they are asked for.

Owns: which name opens which screen. Refuses: to know what they show.
"""

from __future__ import annotations

from tui.screens.page_screen import PageScreen
from visit.run.tool import Tool
from visit.site.hookup import Side


def beside(name: str, tool: Tool) -> PageScreen:
    """The screen "feeder", "suits", "cavity", "witness", "gains"; a side, "L" or "H": a band-pass unit's resonators."""
    if name == "feeder":
        from tui.screens.feeder_screen import FeederScreen  # noqa: PLC0415

        return FeederScreen(tool)
    if name == "suits":
        from tui.screens.suits_screen import SuitsScreen  # noqa: PLC0415

        return SuitsScreen(tool)
    if name == "cavity":
        from tui.screens.cavity_screen import CavityScreen  # noqa: PLC0415

        return CavityScreen(tool)
    if name in ("L", "H"):
        from tui.screens.resonator_screen import ResonatorScreen  # noqa: PLC0415

        return ResonatorScreen(tool, Side(name))
    if name == "witness":
        from tui.screens.witness_screen import WitnessScreen  # noqa: PLC0415

        return WitnessScreen(tool)
    from tui.screens.gain_screen import GainScreen  # noqa: PLC0415

    return GainScreen(tool)
