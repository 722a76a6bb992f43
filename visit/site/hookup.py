"""How the leads hang: which port is driven, which is read, what closes the third, what lies in the path.

Owns: `Side`, `Path`, `HookUp` and its short name ("A>L"). Refuses: to guess; checking it against data is
`rf.repeater.hookup_check`'s job.
"""

from __future__ import annotations

import enum
from dataclasses import dataclass, fields, replace

from protocol.errors import RequestError
from protocol.files.harmless import harmless


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


ANTENNA_PORT = "A"
PORTS = (ANTENNA_PORT, "L", "H")
"""Antenna port, low side, high side."""

LOADS = "loads"
"""Name of the hook-up in which both leads end in loads: a survey of the floor, the duplexer left out."""

KIT = ("short", "open", "load", "thru")
"""Names of the hook-ups in which a part of the calibration kit hangs on the leads, no duplexer."""

ANTENNA = "antenna"
"""Name of the hook-up with the feeder on port 1 and nothing on port 2."""

FEEDER_OPEN, FEEDER_SHORT = "feeder-open", "feeder-short"
"""The feeder on port 1, the antenna taken off at its far end and the cable left open, or shorted there."""

FEEDER = (ANTENNA, FEEDER_OPEN, FEEDER_SHORT)
"""Hook-ups that show the feeder."""

PART, PART_BACK = "part", "part-back"
"""A further two-port of the chain between the leads, port 1 at its input; and the same turned round."""

CAVITY, CAVITY_ONE = "cavity", "cavity-one"
"""A single cavity taken out of its chain: both of its ports (or its place on a line) between the leads; one port of it
on lead 1."""

ALONE = (LOADS, *KIT, *FEEDER, PART, PART_BACK, CAVITY, CAVITY_ONE)
"""Hook-ups without the duplexer."""

THIRDS = ("", "load", "open", "short")
"""What may close the remaining port; nothing where there is none."""

JUMPERS = ("none", "half", "quarter")
LARGEST_DB = 60.0
SHOWN = 60
"""Letters of what was told that a message repeats."""


@dataclass(frozen=True, slots=True)
class Path:
    """What was put into the leads after the calibration: pads at port 1 and port 2 and an amplifier before port 2,
    in dB, and a jumper of half or quarter a wave before port 2."""

    pad1_db: float = 0.0
    pad2_db: float = 0.0
    amp_db: float = 0.0
    jumper: str = "none"

    def __post_init__(self) -> None:
        for name in ("pad1_db", "pad2_db", "amp_db"):
            value = getattr(self, name)
            if not 0.0 <= value <= LARGEST_DB:
                raise RequestError(f"{name.removesuffix('_db')}={value:g} is not between 0 and {LARGEST_DB:g} dB")
        if self.jumper not in JUMPERS:
            raise RequestError(f"jumper={_short(self.jumper)} does not exist; there are {', '.join(JUMPERS)}")

    @property
    def text(self) -> str:
        """The words that `HookUp.parse` reads; empty for bare leads."""
        parts = []
        for field in fields(self):
            value = getattr(self, field.name)
            if value != field.default:
                shown = value if isinstance(value, str) else f"{value:g}"
                parts.append(f"{field.name.removesuffix('_db')}={shown}")
        return " ".join(parts)


@dataclass(frozen=True, slots=True)
class HookUp:
    """Port 1 of the analyzer on `driven`, port 2 on `read`; `third` is what closes the remaining port."""

    driven: str
    read: str
    third: str = "load"
    path: Path = Path()

    def __post_init__(self) -> None:
        if self.alone:
            return
        if self.driven not in PORTS or self.read not in PORTS or self.driven == self.read:
            raise RequestError(
                f"hook-up {_short(self.driven)}>{_short(self.read)} does not exist: use two of the ports A, L, H"
            )

    @classmethod
    def parse(cls, text: str) -> HookUp:
        """Read "A>L", "A>L pad2=10 jumper=half", "loads", "thru", ... Raises RequestError naming what was given."""
        words = text.replace(" >", ">").replace("> ", ">").split()
        if not words:
            raise RequestError("no hook-up was given; say A>L, or loads")
        path, third = Path(), "load"
        for word in words[1:]:
            name, equals, value = word.partition("=")
            if name == "third" and value in THIRDS[1:]:
                third = value
            elif equals and name in ("pad1", "pad2", "amp"):
                path = _with(path, name, _number(word, value))
            elif equals and name == "jumper":
                path = replace(path, jumper=value)
            else:
                raise RequestError(
                    f"{_short(word)!r} is not understood; add pad1=DB, pad2=DB, amp=DB, jumper=half or third=open"
                )
        first = words[0].lower()
        if first in ALONE:
            return cls(first, first, "", path)
        parts = words[0].upper().split(">")
        if len(parts) != 2:
            raise RequestError(
                f"hook-up {_short(text)!r} is not of the form A>L (port 1 before the arrow, port 2 behind it), nor"
                f" {', '.join(ALONE)}"
            )
        return cls(parts[0], parts[1], third, path)

    @property
    def name(self) -> str:
        """Short form, e.g. "A>L"."""
        return self.driven if self.alone else f"{self.driven}>{self.read}"

    @property
    def text(self) -> str:
        """The name with what lies in the path."""
        return f"{self.name} {self.path.text}".strip()

    @property
    def alone(self) -> bool:
        """No duplexer between the leads: loads, a part of the kit, or the feeder."""
        return self.driven == self.read and self.driven in ALONE

    @property
    def survey(self) -> bool:
        """Both leads end in loads."""
        return self.driven == self.read == LOADS

    @property
    def feeder(self) -> bool:
        """The feeder hangs on port 1."""
        return self.alone and self.driven in FEEDER

    @property
    def part(self) -> bool:
        """A further two-port of the chain hangs between the leads."""
        return self.alone and self.driven in (PART, PART_BACK)

    @property
    def cavity(self) -> bool:
        """A single cavity hangs on the leads."""
        return self.alone and self.driven in (CAVITY, CAVITY_ONE)

    @property
    def one_port(self) -> bool:
        """Only S11 says anything: nothing hangs between the leads."""
        return self.alone and self.driven in ("short", "open", "load", CAVITY_ONE, *FEEDER)

    @property
    def third_port(self) -> str:
        """The port with no lead on it; empty without a duplexer."""
        if self.alone:
            return ""
        return next(port for port in PORTS if port not in (self.driven, self.read))

    @property
    def other_side(self) -> HookUp | None:
        """From the antenna to the other side, with the same in the leads; None for any other hook-up."""
        if self.alone or self.driven != ANTENNA_PORT:
            return None
        return HookUp(ANTENNA_PORT, self.third_port, self.third, self.path)

    @property
    def side(self) -> Side | None:
        """The side under test, or None when both leads hang on sides (L>H) or no duplexer is there."""
        if self.alone or "A" not in (self.driven, self.read):
            return None
        return Side(self.read if self.driven == "A" else self.driven)


def _with(path: Path, name: str, decibels: float) -> Path:
    return Path(
        decibels if name == "pad1" else path.pad1_db,
        decibels if name == "pad2" else path.pad2_db,
        decibels if name == "amp" else path.amp_db,
        path.jumper,
    )


def _short(words: str) -> str:
    return harmless(words, SHOWN)


def _number(word: str, value: str) -> float:
    try:
        return float(value)
    except ValueError:
        raise RequestError(f"{_short(word)}: {_short(value)!r} is not a number of decibels") from None
