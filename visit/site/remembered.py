"""What fitted last time: which profile for which analyzer, which site, which visit. One private file of the user's.

Owns: that file, and finding an analyzer again under its lasting name or as the same hardware. Refuses: to open a port,
and to take a damaged file for more than a reason to ask again.
"""

from __future__ import annotations

import dataclasses
import json
import os
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from protocol.errors import RequestError
from protocol.files.small_files import json_data, read_text
from protocol.wire.find_again import PSEUDO, Address, address_of, names_again
from protocol.wire.ports import BY_ID, Hardware
from visit.site.folders import replace_private, state_folder

SCHEMA = 1
MOST = 20
"""So many analyzers are remembered; the one not used for longest is forgotten."""
KIND = "the file of what fitted last time"
SAME_DAY_S = 12 * 3600.0
"""A visit touched within this is gone on with; an older one belongs to another day."""


@dataclass(frozen=True, slots=True)
class Fitted:
    """One analyzer that was measured with: where it was, what hardware it is, which profile fits it."""

    port: str
    stable: str
    hardware: Hardware | None
    twins: tuple[str, ...]
    profile: str
    name: str

    @property
    def now(self) -> str:
        """Under which name it is there now, "" while it is away or when two look the same.

        A pseudo-terminal's number goes to whoever asks next, so it counts only behind a link with a name of its own.
        """
        if self.hardware is None and self.stable:
            return self.stable if Path(self.stable).exists() else ""
        if self.hardware is None and self.port.startswith(PSEUDO):
            return ""
        names = names_again(Address(self.port, self.stable, self.hardware, frozenset(self.twins)))
        if self.stable and self.stable in names:
            return self.stable
        return names[0] if len(names) == 1 else ""


@dataclass(frozen=True, slots=True)
class Remembered:
    """Newest analyzer first. Paths as text, "" where nothing is known."""

    fitted: tuple[Fitted, ...] = ()
    site: str = ""
    visit: str = ""
    at_s: float = 0.0

    def at(self, node: str) -> Fitted | None:
        """What fitted the device that is now at this node."""
        return next((one for one in self.fitted if one.now and os.path.realpath(one.now) == node), None)

    def same_day(self, now_s: float) -> bool:
        """True when the last visit is one of today's."""
        return bool(self.visit) and 0.0 <= now_s - self.at_s < SAME_DAY_S

    def with_analyzer(self, port: str, profile: str, name: str, by_id: Path = BY_ID) -> Remembered:
        """The same with this analyzer first; call it while the device is there."""
        address = address_of(port, by_id)
        new = Fitted(port, address.stable, address.hardware, tuple(sorted(address.twins)), profile, name)
        node = os.path.realpath(port)
        others = tuple(one for one in self.fitted if not _same(one, new, node))
        return dataclasses.replace(self, fitted=(new, *others)[:MOST])


def _same(one: Fitted, new: Fitted, node: str) -> bool:
    if one.stable and one.stable == new.stable:
        return True
    if one.hardware is not None or new.hardware is not None:
        return one.hardware == new.hardware and bool(one.now) and os.path.realpath(one.now) == node
    return one.port == new.port


@dataclass(slots=True)
class Memory:
    """The file and what it holds. `fault` is a line for the screen when it could not be read."""

    path: Path
    known: Remembered = field(default_factory=Remembered)
    fault: str = ""

    @classmethod
    def load(cls, path: Path | None = None) -> Memory:
        """Read the file; one that is not there or damaged remembers nothing. Raises RequestError without a folder."""
        memory = cls(path or state_folder() / "last-time.json")
        if not memory.path.exists():
            return memory
        try:
            memory.known = _known(json_data(read_text(memory.path, KIND)))
        except (RequestError, ValueError, TypeError, KeyError) as error:
            memory.fault = f"what fitted last time is damaged: choose anew; {memory.path} is kept as .old ({error})"
        return memory

    def keep(self, known: Remembered) -> None:
        """Write it. Raises RequestError."""
        self.known = dataclasses.replace(known, at_s=time.time())
        text = json.dumps({"schema": SCHEMA, **dataclasses.asdict(self.known)}, indent=1)
        try:
            if self.fault and self.path.exists():
                self.path.replace(self.path.with_suffix(".old"))
                self.fault = ""
            replace_private(self.path, text)
        except OSError as error:
            raise RequestError(f"can't write {self.path}: {error.strerror}; tomorrow all must be chosen anew") from None


def _known(data: Any) -> Remembered:
    """Raises ValueError, TypeError or KeyError for anything but what `keep` wrote."""
    if not isinstance(data, dict) or "schema" not in data:
        raise ValueError("not of this program's making")
    if data["schema"] != SCHEMA:
        raise ValueError("written by another version of this program")
    at_s = data["at_s"]
    if isinstance(at_s, bool) or not isinstance(at_s, int | float):
        raise TypeError("at_s is no time")
    fitted = tuple(_one(entry) for entry in data["fitted"][:MOST])
    return Remembered(fitted, _word(data["site"]), _word(data["visit"]), float(at_s))


def _one(entry: Any) -> Fitted:
    hardware = entry["hardware"]
    if hardware is not None:
        vendor, product, serial = hardware
        if not all(isinstance(number, int) and not isinstance(number, bool) for number in (vendor, product)):
            raise ValueError("hardware is no pair of numbers")
        hardware = (vendor, product, _word(serial))
    twins = tuple(_word(twin) for twin in entry["twins"])
    words = {key: _word(entry[key]) for key in ("port", "stable", "profile", "name")}
    return Fitted(hardware=hardware, twins=twins, **words)


def _word(value: Any) -> str:
    if not isinstance(value, str) or "\x00" in value:
        raise ValueError("a name is no text")
    return value
