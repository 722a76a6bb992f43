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

    def fill(self, order: str, values: Mapping[str, int], width: int = 0, value_order: str = "") -> bytes:
        """The bytes with every field written from `values`; `order` is "big" or "little", `value_order` the value's."""
        out = b""
        for part in self.parts:
            if isinstance(part, bytes):
                out += part
            else:
                name, size = part
                out += number_bytes(values[name], size or width, value_order or order if name == "value" else order)
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
    order: str = "big"
    """Byte order of the value."""


@dataclass(frozen=True, slots=True)
class Registers:
    """The dialect of a register analyzer."""

    order: str
    write: Mapping[int, Opcode]
    """By the width of the register in bytes; 0: for widths that have no opcode of their own."""
    read: Mapping[int, Opcode]
    fetch: Opcode
    idle: bytes
    """Bytes that do nothing; sent until a command that was cut must have ended."""
    queue: int
    max_records: int
    record: np.dtype[np.void]
    """One point as it comes; fields named like those of a console's data line, padding unnamed."""
    checksum: str
    registers: Mapping[str, Register]
    acknowledge: bytes = b""
    """What answers each write that was taken; empty where a write has no answer."""

    def opcode(self, kind: Mapping[int, Opcode], width: int) -> Opcode:
        """The write or read operation for registers of a width."""
        return kind[width] if width in kind else kind[0]

    @property
    def longest(self) -> int:
        """Length of the longest command in bytes."""
        widest = max(register.width for register in self.registers.values())
        values = {"address": 0, "width": 0, "value": 0, "count": 0}
        operations = (*self.write.values(), *self.read.values(), self.fetch)
        return max(len(op.fill(self.order, values, widest)) for op in operations)


def read_registers(table: Table, limits: Limits) -> Registers:
    """Check the table [registers]. Raises RequestError that names file, line and key."""
    order = table.choice("byte_order", ("big", "little"))
    write = _by_width(table, "write", {"address", "value"})
    read = _by_width(table, "read", {"address"})
    fetch = _opcode(table, "fetch", {"address", "count"})
    acknowledge = _hex(table, "acknowledge", table.text("acknowledge", "", empty=True))
    idle = _hex(table, "idle", table.text("idle"))
    queue = table.integer("queue", low=0, high=2**32 - 1)
    max_records = table.integer("max_records", low=1, high=65535)
    checksum = table.choice("checksum", CHECKSUMS, "none")
    record = _record(table, table.choice("record_order", ("big", "little"), order), checksum)
    registers = _map(table.table("map"), limits, order)
    for name, register in registers.items():
        for key, kind in (("read", read), ("write", {} if name in ("identity", "version") else write)):
            if kind and register.width not in kind and 0 not in kind:
                raise table.error(f"{key}_{register.width}", f"is missing; the register {name} is so wide")
    table.done()
    return Registers(order, write, read, fetch, idle=idle, queue=queue, max_records=max_records, record=record,
                     checksum=checksum, registers=registers, acknowledge=acknowledge)  # fmt: skip


def _by_width(table: Table, key: str, needed: set[str]) -> dict[int, Opcode]:
    """The opcode for all widths, those for one width each, or both."""
    one_each = {width: f"{key}_{width}" for width in range(1, 9) if f"{key}_{width}" in table}
    found = {width: _opcode(table, name, needed) for width, name in one_each.items()}
    if key in table or not found:
        found[0] = _opcode(table, key, needed)
    return found


def number_bytes(value: int, width: int, order: str) -> bytes:
    """An unsigned number of `width` bytes; `order` is "big" or "little"."""
    return value.to_bytes(width, "big" if order == "big" else "little")


def number_from(raw: bytes, order: str) -> int:
    """The unsigned number that bytes stand for."""
    return int.from_bytes(raw, "big" if order == "big" else "little")


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


def _map(table: Table, limits: Limits, order: str) -> dict[str, Register]:
    found = {}
    for name in REGISTERS:
        if name in table:
            found[name] = _register(table.table(name), name, limits, order)
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


def _register(table: Table, name: str, limits: Limits, order: str) -> Register:
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
        order=table.choice("byte_order", ("big", "little"), order),
    )
    table.done()
    if name == "identity" and register.value == 0:
        raise table.error("value", "is missing; say what the identity register reads")
    return register
