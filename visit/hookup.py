"""How the leads hang: which port is driven, which is read, what closes the third.

Owns: `Side`, `HookUp` and its short name ("A>L"). Refuses: to guess; checking it against data is `rf.hookup_check`'s
job.
"""

from __future__ import annotations

import enum
from dataclasses import dataclass

from protocol.errors import RequestError


class Side(enum.Enum):
    """A side of the duplexer, named by the lower or the higher of the two channel frequencies."""

    LOW = "L"
    HIGH = "H"

    @property
    def other(self) -> Side:
        """The opposite side."""
        return Side.HIGH if self is Side.LOW else Side.LOW

    @property
    def word(self) -> str:
        """The word for people."""
        return "low" if self is Side.LOW else "high"


PORTS = ("A", "L", "H")
"""Antenna port, low side, high side."""

LOADS = "loads"
"""Name of the hook-up in which both leads end in loads: a survey of the floor, the duplexer left out."""


@dataclass(frozen=True, slots=True)
class HookUp:
    """Port 1 of the analyzer on `driven`, port 2 on `read`; `third` is what closes the remaining port."""

    driven: str
    read: str
    third: str = "load"

    def __post_init__(self) -> None:
        if self.survey:
            return
        if self.driven not in PORTS or self.read not in PORTS or self.driven == self.read:
            raise RequestError(f"hook-up {self.driven}>{self.read} does not exist: use two of the ports A, L, H")

    @classmethod
    def parse(cls, text: str) -> HookUp:
        """Read "A>L" or "loads" (case and spaces do not matter). Raises RequestError naming what was given."""
        if text.strip().lower() == LOADS:
            return cls(LOADS, LOADS, "")
        parts = text.upper().replace(" ", "").split(">")
        if len(parts) != 2:
            raise RequestError(
                f"hook-up {text!r} is not of the form A>L (port 1 before the arrow, port 2 behind it), nor loads"
            )
        return cls(parts[0], parts[1])

    @property
    def name(self) -> str:
        """Short form, e.g. "A>L"."""
        return LOADS if self.survey else f"{self.driven}>{self.read}"

    @property
    def survey(self) -> bool:
        """Both leads end in loads."""
        return self.driven == self.read == LOADS

    @property
    def third_port(self) -> str:
        """The port with no lead on it; empty for a survey."""
        if self.survey:
            return ""
        return next(port for port in PORTS if port not in (self.driven, self.read))

    @property
    def side(self) -> Side | None:
        """The side under test, or None when both leads hang on sides (L>H) or on loads."""
        if self.survey:
            return None
        if "A" not in (self.driven, self.read):
            return None
        return Side(self.read if self.driven == "A" else self.driven)
