"""Which serial ports this computer has, by names that stay.

Owns: the list. Refuses: to open any of them.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

from protocol.files.harmless import ascii_only

SHOWN = 80
"""Letters of what a device says of itself."""
BY_ID = Path("/dev/serial/by-id")
"""Where udev keeps names that stay the same whatever the number of the port."""


@dataclass(frozen=True, slots=True)
class Port:
    """One serial port: its device node, its lasting name (empty if it has none) and what it says of itself."""

    node: str
    stable: str = ""
    description: str = ""

    @property
    def best(self) -> str:
        """The name to keep in a site's notes: the lasting one where there is one."""
        return self.stable or self.node


Hardware = tuple[int, int, str]
"""Vendor, product and serial number ("" without one) by which USB tells devices apart."""


def hardware_ports() -> dict[str, Hardware]:
    """The USB ports that are there: device node to hardware."""
    from serial.tools import list_ports as pyserial_ports  # noqa: PLC0415 - 20 ms that a run without faults never needs

    return {
        os.path.realpath(info.device): (info.vid, info.pid, info.serial_number or "")
        for info in pyserial_ports.comports()
        if info.vid is not None and info.pid is not None
    }


def list_ports(by_id: Path = BY_ID) -> tuple[Port, ...]:
    """All serial ports in the order of their nodes; USB ports with the lasting name that udev gave them."""
    from serial.tools import list_ports as pyserial_ports  # noqa: PLC0415 - 20 ms that only this list needs

    stable: dict[str, str] = {}
    try:
        for entry in sorted(by_id.iterdir()):
            stable.setdefault(str(entry.resolve()), str(entry))
    except OSError:
        pass  # no udev here, or no USB port plugged in
    found: dict[str, Port] = {}
    for info in pyserial_ports.comports():
        node = os.path.realpath(info.device)
        words = [text for text in (info.manufacturer, info.product or info.description) if text and text != "n/a"]
        found[node] = Port(info.device, stable.get(node, ""), ascii_only(" ".join(dict.fromkeys(words)))[:SHOWN])
    for node, name in stable.items():
        found.setdefault(node, Port(node, name))
    return tuple(found[node] for node in sorted(found))
