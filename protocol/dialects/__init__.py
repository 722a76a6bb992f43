"""The dialects of analyzers, without ports or clocks: bytes in, events out."""

from __future__ import annotations

from protocol.dialects.console import ConsoleDialect
from protocol.dialects.events import Dialect
from protocol.dialects.registers import RegisterDialect
from protocol.dialects.scpi import ScpiDialect
from protocol.profiles.profile import Profile


def make_dialect(profile: Profile) -> Dialect:
    """The dialect that a profile describes."""
    if profile.registers is not None:
        return RegisterDialect(profile)
    return ConsoleDialect(profile) if profile.console is not None else ScpiDialect(profile)
