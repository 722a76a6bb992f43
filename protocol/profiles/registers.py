"""The register family of a profile: opcodes, register map and the record of the queue that holds measured points.

Owns: its types and the check of its table. Refuses: any opcode, address or layout of its own; all of it is the file's.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from protocol.files.strict_toml import Table
from protocol.sweep import Limits

RECEIVERS = ("s11", "s21", "reference", "reflected", "through")
RECORD_FIELDS = frozenset({f"{name}_{part}" for name in RECEIVERS for part in ("re", "im")} | {"index", "frequency_hz"})
KINDS = {"u1", "u2", "u4", "u8", "i1", "i2", "i4", "i8", "f4", "f8"}
CHECKSUMS = ("none", "sum8", "xor8", "crc16")
SETTINGS = ("start_hz", "stop_hz", "step_hz", "points", "bandwidth", "level_dbm")
REGISTERS = (*SETTINGS, "identity", "version", "trigger", "clear", "stop")
"""Registers that a map may have; `trigger` starts a sweep, `clear` empties the queue, `stop` breaks a sweep off."""

_FIELD = re.compile(r"\{(address|width|value|count)(?::([1-8]))?\}")


@dataclass(frozen=True, slots=True)
class Opcode:
    """The bytes of one operation: fixed bytes and fields (name, size in bytes; 0: as wide as the register)."""

    parts: tuple[bytes | tuple[str, int], ...]

    def fill(self, order: str, values: Mapping[str, int], width: int = 0) -> bytes:
        """The bytes with every field written from `values`; `order` is "big" or "little"."""
        out = b""
        for part in self.parts:
            if isinstance(part, bytes):
                out += part
            else:
                name, size = part
                out += values[name].to_bytes(size or width, "big" if order == "big" else "little")
        return out


@dataclass(frozen=True, slots=True)
class Register:
    """One register. A setting is written as round((setting - offset) / unit), or as divider / setting, or as the
    entry of `codes` that stands where the setting stands in the profile's list. `value` is what a trigger is written
    with, or what an identity must read."""

    address: int
    width: int
    unit: float = 1.0
    offset: float = 0.0
    divider: float = 0.0
    codes: tuple[int, ...] = ()
    value: int = 0
    readable: bool = True


@dataclass(frozen=True, slots=True)
class Registers:
    """The dialect of a register analyzer."""

    order: str
    write: Opcode
    read: Opcode
    fetch: Opcode
    idle: bytes
    """Bytes that do nothing; sent until a command that was cut must have ended."""
    queue: int
    max_records: int
    record: np.dtype[np.void]
    """One point as it comes; fields named like those of a console's data line, padding unnamed."""
    checksum: str
    registers: Mapping[str, Register]

    @property
    def longest(self) -> int:
        """Length of the longest command in bytes."""
        widest = max(register.width for register in self.registers.values())
        values = {"address": 0, "width": 0, "value": 0, "count": 0}
        return max(len(op.fill(self.order, values, widest)) for op in (self.write, self.read, self.fetch))


def read_registers(table: Table, limits: Limits) -> Registers:
    """Check the table [registers]. Raises RequestError that names file, line and key."""
    order = table.choice("byte_order", ("big", "little"))
    operations = {
        key: _opcode(table, key, needed)
        for key, needed in (
            ("write", {"address", "value"}),
            ("read", {"address"}),
            ("fetch", {"address", "count"}),
        )
    }
    idle = _hex(table, "idle", table.text("idle"))
    queue = table.integer("queue", low=0, high=2**32 - 1)
    max_records = table.integer("max_records", low=1, high=65535)
    checksum = table.choice("checksum", CHECKSUMS, "none")
    record = _record(table, order, checksum)
    registers = _map(table.table("map"), limits)
    table.done()
    return Registers(order, **operations, idle=idle, queue=queue, max_records=max_records, record=record,
                     checksum=checksum, registers=registers)  # fmt: skip


def _hex(table: Table, key: str, text: str) -> bytes:
    try:
        return bytes.fromhex(text)
    except ValueError:
        raise table.error(key, f"{text!r} is not bytes in hexadecimal, e.g. '7A 01'") from None


def _opcode(table: Table, key: str, needed: set[str]) -> Opcode:
    source, parts, at = table.text(key), list[bytes | tuple[str, int]](), 0
    names = set()
    for match in _FIELD.finditer(source):
        parts.append(_hex(table, key, source[at : match.start()]))
        names.add(match.group(1))
        parts.append((match.group(1), 0 if match.group(1) == "value" else int(match.group(2) or 1)))
        at = match.end()
    parts.append(_hex(table, key, source[at:]))
    missing, extra = needed - names, names - needed - {"width"}
    if missing or extra:
        which = f"needs {{{missing.pop()}}}" if missing else f"can't hold {{{extra.pop()}}}"
        raise table.error(key, which)
    return Opcode(tuple(part for part in parts if part))


def _record(table: Table, order: str, checksum: str) -> np.dtype[np.void]:
    mark = ">" if order == "big" else "<"
    names, formats, padding = list[str](), list[str](), 0
    for entry in table.texts("record"):
        words = entry.split()
        if len(words) == 2 and words[0] == "skip" and words[1].isdigit() and 0 < int(words[1]) <= 4096:
            names.append(f"skip{padding}")
            formats.append(f"V{words[1]}")
            padding += 1
            continue
        if len(words) != 2 or words[0] not in RECORD_FIELDS or words[1] not in KINDS:
            raise table.error("record", f"{entry!r} is not a field and a kind, e.g. 'reflected_re i4', 'skip 2'")
        if words[0] in names:
            raise table.error("record", f"{words[0]} is read twice")
        names.append(words[0])
        formats.append(mark + words[1])
    if checksum != "none":
        names.append("checksum")
        formats.append("u1" if checksum != "crc16" else f"{mark}u2")
    ratios = {"s11_re", "s11_im", "s21_re", "s21_im"} <= set(names)
    raw = {f"{name}_{part}" for name in RECEIVERS[2:] for part in ("re", "im")} <= set(names)
    if ratios == raw:
        raise table.error("record", "must give s11 and s21, or else the receivers reference, reflected and through")
    return np.dtype({"names": names, "formats": formats})


def _map(table: Table, limits: Limits) -> dict[str, Register]:
    found = {}
    for name in REGISTERS:
        if name in table:
            found[name] = _register(table.table(name), name, limits)
    table.done()
    for needed in ("identity", "start_hz", "points"):
        if needed not in found:
            raise table.error(needed, "is missing; without it nothing can be swept")
    if ("stop_hz" in found) == ("step_hz" in found):
        raise table.error("step_hz", "give one of stop_hz and step_hz")
    if "trigger" not in found and "clear" not in found:
        raise table.error("trigger", "is missing; an analyzer that sweeps by itself needs clear instead")
    if limits.min_level_dbm is not None and "level_dbm" not in found:
        raise table.error("level_dbm", "is missing although limits.level_dbm is given")
    return found


def _register(table: Table, name: str, limits: Limits) -> Register:
    width = table.integer("width", low=1, high=8)
    codes = tuple(int(code) for code in table.numbers("codes", (), low=0, high=2 ** (8 * width) - 1))
    if codes and (name != "bandwidth" or len(codes) != len(limits.bandwidths_hz)):
        raise table.error("codes", "are for bandwidth only, one per value of limits.bandwidths_hz")
    register = Register(
        address=table.integer("address", low=0, high=2**32 - 1),
        width=width,
        unit=table.number("unit", 1.0, low=1e-9, high=1e9),
        offset=table.number("offset", 0.0, low=-1e12, high=1e12),
        divider=table.number("divider", 0.0, low=0.0, high=1e12),
        codes=codes,
        value=table.integer(
            "value", 1 if name in ("trigger", "clear", "stop") else 0, low=0, high=2 ** (8 * width) - 1
        ),
        readable=table.boolean("readable", default=True),
    )
    table.done()
    if name == "identity" and register.value == 0:
        raise table.error("value", "is missing; say what the identity register reads")
    return register
