"""Where a device may be found again after it was unplugged: under its lasting name, or as the same piece of hardware.

Owns: `Address`, what is remembered of a port while it is there, and the names to try later. Refuses: to open any of
them, and to offer a port of other hardware or a number that the system has given away: bytes must not be sent to a
somebody else's device.
"""

from __future__ import annotations

import contextlib
import os
from dataclasses import dataclass, replace
from pathlib import Path

from protocol.wire.ports import BY_ID, Hardware, hardware_ports

PSEUDO = "/dev/pts/"
"""Where pseudo-terminals live (pts(4)): the far side of a bridge to a distant analyzer, or of a simulated one."""


@dataclass(frozen=True, slots=True)
class Address:
    """A port as it was given, its lasting name ("" without one), its hardware (None where USB tells nothing), the nodes
    of others that look the same by hardware, and which link led to a pseudo-terminal (None for other ports)."""

    port: str
    stable: str = ""
    hardware: Hardware | None = None
    twins: frozenset[str] = frozenset()
    link: tuple[int, int] | None = None


def address_of(port: str, by_id: Path = BY_ID) -> Address:
    """What is to be remembered of a port; call it while the device is there."""
    node = os.path.realpath(port)
    stable = ""
    with contextlib.suppress(OSError):  # no udev here, or no USB port plugged in
        stable = next((str(entry) for entry in sorted(by_id.iterdir()) if os.path.realpath(entry) == node), "")
    all_hardware = hardware_ports()
    hardware = all_hardware.get(node)
    twins = [other for other, same in all_hardware.items() if hardware is not None and same == hardware]
    return Address(port, stable, hardware, frozenset(twins) - {node}, _link(port) if node.startswith(PSEUDO) else None)


def come_back(address: Address) -> Address:
    """What is to be remembered once the device is there again: the link that leads to it now is the one that another
    must differ from when it is lost the next time. Call it before the device is opened."""
    return address if address.link is None else replace(address, link=_link(address.port))


def names_again(address: Address) -> tuple[str, ...]:
    """Names under which the device is there now, the surest first; empty while it is away.

    The port as it was given counts only when it is there and not taken by other hardware meanwhile. A pseudo-terminal
    that was lost never comes back, and its number goes to the next program that asks for one, a login's shell as well:
    it counts only under a link that was made anew.
    """
    found = [address.stable] if address.stable and Path(address.stable).exists() else []
    if address.hardware is not None:
        same = (node for node, hardware in hardware_ports().items() if hardware == address.hardware)
        found += [node for node in same if node not in address.twins]
    elif Path(address.port).exists() and (address.link is None or _made_anew(address)):
        found.append(address.port)
    return tuple(dict.fromkeys(found))


def _made_anew(address: Address) -> bool:
    return Path(address.port).is_symlink() and _link(address.port) != address.link


def _link(port: str) -> tuple[int, int]:
    """Tells one making of a link from the next: inode number and time of its making, ns; zeros when it is away."""
    try:
        status = Path(port).lstat()
    except OSError:
        return 0, 0
    return status.st_ino, status.st_mtime_ns
