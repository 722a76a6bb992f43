"""A simulated register analyzer: opcodes, registers and queue as a profile says.

Owns: taking commands apart byte by byte and answering reads. Refuses: a port, a clock.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from protocol.dialects.registers import checksums
from protocol.profiles.profile import Profile
from protocol.profiles.registers import Opcode, Register, number_bytes, number_from
from protocol.simulated.instrument import Instrument
from protocol.simulated.replies import Action, Data, Front, Refusal, Wait

COUNTS = 2.0**28
"""Full scale of integer receivers: a reference of 0.3 leaves room, and a floor of -130 dB still counts."""


class RegisterServer:
    """Takes bytes, gives what reads and fetches answer."""

    def __init__(self, instrument: Instrument, profile: Profile) -> None:
        assert profile.registers is not None
        self._profile, self._r = profile, profile.registers
        self.front = Front(instrument)
        self.wrong_count = self.refusals = 0
        self._pending = b""
        self._queue = b""
        self._values = {register.address: 0 for register in self._r.registers.values()}
        self._written = set[int]()
        self._widths = {register.address: register.width for register in self._r.registers.values()}
        self._orders = {register.address: register.order for register in self._r.registers.values()}
        self._operations: list[tuple[int, Opcode, Callable[[dict[str, int]], list[Action]]]] = [
            *((width, opcode, self._write) for width, opcode in self._r.write.items()),
            *((width, opcode, self._read) for width, opcode in self._r.read.items()),
            (0, self._r.fetch, self._fetch),
        ]

    def feed(self, data: bytes) -> list[Action]:
        """Take bytes; a byte that begins no command is dropped."""
        self._pending += data
        actions: list[Action] = []
        while self._pending:
            used = 0
            for width, operation, handler in self._operations:
                taken = self._taken(operation, width)
                if taken is None:
                    continue
                values, used = taken
                if used == 0:
                    return actions  # more bytes must come
                actions += handler(values)
                break
            self._pending = self._pending[max(used, 1) :]
        return actions

    def _taken(self, operation: Opcode, width: int) -> tuple[dict[str, int], int] | None:
        """The fields of a command that begins the pending bytes and its length (0: not complete yet), or None."""
        at, values = 0, {"width": width} if width else dict[str, int]()
        for part in operation.parts:
            if isinstance(part, bytes):
                piece = self._pending[at : at + len(part)]
                if not part.startswith(piece):
                    return None
                if len(piece) < len(part):
                    return values, 0
                at += len(part)
                continue
            name, size = part
            size = size or values.get("width", 0) or self._widths.get(values.get("address", -1), 1)
            if len(self._pending) < at + size:
                return values, 0
            order = self._orders.get(values.get("address", -1), self._r.order) if name == "value" else self._r.order
            values[name] = number_from(self._pending[at : at + size], order)
            at += size
        return values, at

    def _write(self, values: dict[str, int]) -> list[Action]:
        taken: list[Action] = [self._r.acknowledge] if self._r.acknowledge else []
        return taken + self._written_to(values)

    def _written_to(self, values: dict[str, int]) -> list[Action]:
        address, raw = values["address"], values["value"]
        self._values[address] = raw
        self._written.add(address)
        for name, register in self._r.registers.items():
            if register.address != address:
                continue
            if name == "trigger" or (name == "clear" and "trigger" not in self._r.registers):
                return self._sweep()
            if name == "clear":
                self._queue = b""
        return []

    def _setting(self, name: str, register: Register) -> float | None:
        """What a register stands for; None while nobody has written it (the instrument keeps its own)."""
        if register.address not in self._written:
            return None
        raw = self._values[register.address]
        if register.codes:
            known = self._profile.limits.bandwidths_hz
            return known[register.codes.index(raw)] if raw in register.codes else None
        if register.divider:
            return register.divider / raw if raw else None
        return raw * register.unit + register.offset

    def restart(self) -> None:
        """Whatever was written is gone."""
        self._values = dict.fromkeys(self._values, 0)
        self._written.clear()
        self._queue = b""

    def _sweep(self) -> list[Action]:
        values = {name: self._setting(name, r) for name, r in self._r.registers.items()}
        start, points = values["start_hz"], values["points"]
        step, stop = values.get("step_hz"), values.get("stop_hz")
        if start is None or points is None or (step is None and stop is None):
            return []  # nothing was set yet
        try:
            for name, value in (
                ("start_hz", start),
                ("points", points),
                ("stop_hz", stop if step is None else start + step * (points - 1)),
                ("bandwidth_hz", values.get("bandwidth")),
                ("level_dbm", values.get("level_dbm")),
            ):
                if value is not None:
                    self.front.set_value(name, value)
            wait = self.front.sweep()
        except Refusal:
            self._queue = b""
            return []
        self._queue = self._records()
        return [Wait(wait)]

    def _records(self) -> bytes:
        sweep = self.front.last
        assert sweep is not None
        count = sweep.frequency_hz.size
        reference = 0.3 * np.exp(0.01j * np.arange(count))
        receivers = {
            "s11": sweep.s11, "s21": sweep.s21, "reference": reference,
            "reflected": sweep.s11 * reference, "through": sweep.s21 * reference,
        }  # fmt: skip
        records = np.zeros(count, self._r.record)
        for field in self._r.record.names or ():
            if field == "index":
                records[field] = np.arange(count)
            elif field == "frequency_hz":
                records[field] = np.round(sweep.frequency_hz)
            elif field.endswith(("_re", "_im")):
                values = receivers[field[:-3]]
                part = values.real if field.endswith("_re") else values.imag
                kind = self._r.record[field]
                if kind.kind in "iu":  # a converter that is overloaded stays at the end of its range
                    part = np.clip(np.round(part * COUNTS), np.iinfo(kind).min, np.iinfo(kind).max)
                records[field] = part
        if self._r.checksum != "none":
            width = 2 if self._r.checksum == "crc16" else 1
            rows = np.frombuffer(records.tobytes(), np.uint8).reshape(count, -1)[:, :-width]
            records["checksum"] = checksums(rows, self._r.checksum)
        return records.tobytes()

    def _read(self, values: dict[str, int]) -> list[Action]:
        address = values["address"]
        identity = self._r.registers["identity"]
        raw = identity.value if address == identity.address else self._values.get(address, 0)
        width = values.get("width") or self._widths.get(address, 1)
        return [number_bytes(raw, width, self._orders.get(address, self._r.order))]

    def _fetch(self, values: dict[str, int]) -> list[Action]:
        size = self._r.record.itemsize * values["count"]
        if self.refusals:
            self.refusals -= 1
            return []  # there is no word for a refusal here: it just does not answer
        if self.wrong_count:
            self.wrong_count -= 1
            size -= self._r.record.itemsize
        data, self._queue = self._queue[:size], self._queue[size:]
        return [Data(data)] if data else []
