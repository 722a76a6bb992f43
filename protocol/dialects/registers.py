"""The family of binary register analyzers: registers written and read, measured points taken from a queue.

Owns: the order of operations and the checks of what comes back. Refuses: ports, clocks, and any opcode or address of
its own. A write has no answer, or one that says only that it came, so each group of writes ends with a read of the
identity: its answer proves that all were taken.
"""

from __future__ import annotations

from collections.abc import Generator

import numpy as np
from numpy.typing import NDArray

from protocol.dialects.events import Accepted, IdentityReply, SettingsReply, SweepReply, Waiting
from protocol.dialects.exchange import Exchange, Frame, Step, Steps, WireError, shown
from protocol.errors import RequestError
from protocol.profiles.profile import Profile
from protocol.profiles.registers import Register, number_bytes, number_from
from protocol.sweep import Identity, SweepSettings

_Part = Generator[Step, bytes, bytes]


class RegisterDialect(Exchange):
    """One register analyzer, as its profile describes it."""

    no_help = "a register analyzer has no list of commands"

    def __init__(self, profile: Profile) -> None:
        super().__init__()
        assert profile.registers is not None
        self._profile, self._r = profile, profile.registers
        self._map = profile.registers.registers
        self._identity = self._map["identity"]
        self._applied = False

    def abort(self) -> bytes:
        """Idle bytes end a command that was cut; the stop register is written where there is one."""
        self.forget()
        stop = self._map.get("stop")
        return self._idle() + (self._write(stop, stop.value) if stop else b"")

    def probe(self) -> bytes:
        """Asks for the identity."""
        self.forget()
        return self._idle() + self._read(self._identity)

    def proven(self, data: bytes) -> bool:
        """The identity stands at the end, and nothing behind it."""
        return data.endswith(self._number(self._identity))

    def missing(self, step: Step, got: bytes) -> str:
        """Bytes are counted here: say how many are missing."""
        if got:
            return f"the reply to {step.what} stopped after {len(got)} bytes"
        return super().missing(step, got)

    def _idle(self) -> bytes:
        return self._r.idle * (self._r.longest // max(len(self._r.idle), 1) + 1)

    def _number(self, register: Register) -> bytes:
        """What a register with a fixed value reads."""
        return number_bytes(register.value, register.width, register.order)

    def _write(self, register: Register, value: int) -> bytes:
        if not 0 <= value < 2 ** (8 * register.width):
            raise RequestError(f"register {register.address:#x} can't hold {value}: outside this analyzer's range")
        values = {"address": register.address, "width": register.width, "value": value, "count": 0}
        opcode = self._r.opcode(self._r.write, register.width)
        return opcode.fill(self._r.order, values, register.width, register.order)

    def _read(self, register: Register) -> bytes:
        values = {"address": register.address, "width": register.width, "value": 0, "count": 0}
        return self._r.opcode(self._r.read, register.width).fill(self._r.order, values, register.width)

    def _proved(self, writes: list[bytes], what: str) -> _Part:
        """Send writes and prove by the identity behind them that the wire is in step."""
        width = self._identity.width
        first = len(self._r.acknowledge) * len(writes)
        got = yield Step(b"".join([*writes, self._read(self._identity)]), _exactly(first + width), what)
        reply = got[first:]
        if reply != self._number(self._identity):
            raise WireError(f"after {what} the identity register reads {shown(reply)}, not what the profile says")
        self._acknowledged(got[:first], what)
        return reply

    def _acknowledged(self, got: bytes, what: str) -> None:
        """Each write has its acknowledgement. Raises WireError, refused: all that was to come has come."""
        size = len(self._r.acknowledge)
        for at in range(0, len(got), max(size, 1)):
            came = got[at : at + size]
            if came != self._r.acknowledge:
                raise WireError(
                    f"write {at // size + 1} of {len(got) // size} of the {what} was answered {came.hex()}"
                    f" instead of {self._r.acknowledge.hex()}: the analyzer refused it, or the profile's acknowledge is"
                    " wrong",
                    refused=True,
                )

    def _identify(self) -> Steps:
        reply = yield from self._proved([], "identity")
        firmware = ""
        version = self._map.get("version")
        if version is not None:
            raw = yield Step(self._read(version), _exactly(version.width), "version")
            firmware = ".".join(str(byte) for byte in raw)
        return IdentityReply(Identity(model=self._profile.name, firmware=firmware), reply)

    def _setup(self) -> Steps:
        yield from self._proved([], "set-up")
        return Accepted()

    def _apply(self, settings: SweepSettings) -> Steps:
        if settings.level_dbm is not None and "level_dbm" not in self._map:
            raise RequestError("this analyzer's level cannot be set; leave the level out")
        values = self._values(settings).items()
        writes = [self._write(self._map[name], self._encoded(name, value)) for name, value in values]
        yield from self._proved(writes, "settings")
        self._applied = True
        return Accepted()

    def _values(self, settings: SweepSettings) -> dict[str, float]:
        values: dict[str, float] = {
            "start_hz": settings.start_hz,
            "stop_hz": settings.stop_hz,
            "step_hz": settings.step_hz,
            "points": settings.points,
            "bandwidth": settings.bandwidth_hz,
        }
        if settings.level_dbm is not None:
            values["level_dbm"] = settings.level_dbm
        return {name: value for name, value in values.items() if name in self._map}

    def _encoded(self, name: str, value: float) -> int:
        register = self._map[name]
        if register.codes:
            known = self._profile.limits.bandwidths_hz
            if value not in known:
                listed = ", ".join(f"{hz:g}" for hz in known)
                raise RequestError(f"bandwidth {value:g} Hz is not one of this analyzer's: {listed} Hz")
            return register.codes[known.index(value)]
        if register.divider:
            return max(round(register.divider / value), 1)
        return round((value - register.offset) / register.unit)

    def _decoded(self, name: str, raw: int) -> float:
        register = self._map[name]
        if register.codes:
            if raw not in register.codes:
                raise WireError(f"the analyzer names a bandwidth that its profile does not know: {raw}")
            return self._profile.limits.bandwidths_hz[register.codes.index(raw)]
        if register.divider:
            if raw == 0:
                raise WireError("the analyzer reports a bandwidth divider of 0")
            return register.divider / raw
        return raw * register.unit + register.offset

    def _read_settings(self) -> Steps:
        values: dict[str, float] = {}
        for name in ("start_hz", "stop_hz", "step_hz", "points", "bandwidth", "level_dbm"):
            register = self._map.get(name)
            if register is None or not register.readable:
                continue
            raw = yield Step(self._read(register), _exactly(register.width), f"register {name}")
            if not self._applied:
                continue  # after power-up registers may hold anything
            values[name] = self._decoded(name, number_from(raw, register.order))
        if not values:
            yield from self._proved([], "settings")
        bandwidth, step = values.pop("bandwidth", None), values.pop("step_hz", None)
        if bandwidth is not None:
            values["bandwidth_hz"] = bandwidth
        if step is not None and "start_hz" in values and "points" in values:
            values["stop_hz"] = values["start_hz"] + step * (values["points"] - 1)
        return SettingsReply(values)

    def _sweep(self, settings: SweepSettings) -> Steps:
        begin = [
            self._write(self._map[name], self._map[name].value) for name in ("clear", "trigger") if name in self._map
        ]
        size, left, body = self._r.record.itemsize, settings.points, b""
        while left:
            count = min(left, self._r.max_records)
            values = {"address": self._r.queue, "width": 0, "value": 0, "count": count}
            data = b"".join([*begin, self._r.fetch.fill(self._r.order, values)])
            waiting = Waiting.SWEEP if begin else Waiting.REPLY
            first = len(self._r.acknowledge) * len(begin)
            got = yield Step(data, _exactly(first + count * size), "the measured points", waiting, first + count * size)
            self._acknowledged(got[:first], "start of the sweep")
            body += got[first:]
            left, begin = left - count, []
        return self._points(np.frombuffer(body, self._r.record), body, settings)

    def _points(self, records: NDArray[np.void], body: bytes, settings: SweepSettings) -> SweepReply:
        self._check_sums(records, body)
        names = self._r.record.names or ()
        if "index" in names:
            index = records["index"].astype(np.int64)
            if not np.array_equal(np.sort(index), np.arange(settings.points)):
                raise WireError("points are missing or came twice (by their index); sweep thrown away")
            records = records[np.argsort(index)]

        for name in names:
            if name.rpartition("_")[2] in ("re", "im") and records.dtype[name].kind == "i":
                ends = np.iinfo(records.dtype[name])
                over = np.flatnonzero((records[name] == ends.min) | (records[name] == ends.max))
                if over.size:
                    raise WireError(
                        f"a receiver is overloaded at {over.size} points, the first is {over[0] + 1} (its numbers stand"
                        " at the end of their range); lower the level, look for a transmitter"
                    )

        def column(name: str) -> NDArray[np.complex128]:
            return records[f"{name}_re"].astype(float) + 1j * records[f"{name}_im"].astype(float)

        if "reference_re" in names:
            reference = column("reference")
            if not np.all(np.abs(reference) > 0):
                raise WireError("the reference receiver reads zero: no ratio can be made; sweep thrown away")
            s11, s21 = column("reflected") / reference, column("through") / reference
        else:
            s11, s21 = column("s11"), column("s21")
        if not (np.isfinite(s11).all() and np.isfinite(s21).all()):
            raise WireError("the analyzer has no valid value at some points; lower the level or check for overload")
        frequency = records["frequency_hz"].astype(float) if "frequency_hz" in names else None
        return SweepReply(frequency, s11, s21)

    def _check_sums(self, records: NDArray[np.void], body: bytes) -> None:
        kind = self._r.checksum
        if kind == "none":
            return
        size = self._r.record.itemsize
        width = 2 if kind == "crc16" else 1
        rows = np.frombuffer(body, np.uint8).reshape(-1, size)[:, :-width]
        wrong = np.flatnonzero(checksums(rows, kind) != records["checksum"])
        if wrong.size:
            raise WireError(f"point {wrong[0] + 1} is damaged (its checksum is wrong); sweep thrown away")


def checksums(rows: NDArray[np.uint8], kind: str) -> NDArray[np.uint16]:
    """Checksum of each row of bytes (K, n): sum8 and xor8 over the bytes, crc16 after CCITT (0x1021, start 0xFFFF)."""
    if kind == "sum8":
        return np.asarray(rows.sum(axis=1, dtype=np.uint32) & 0xFF, np.uint16)
    if kind == "xor8":
        return np.asarray(np.bitwise_xor.reduce(rows, axis=1), np.uint16)
    crc = np.full(rows.shape[0], 0xFFFF, np.uint32)
    for column in rows.T:
        crc ^= column.astype(np.uint32) << 8
        for _ in range(8):
            crc = (np.where(crc & 0x8000, (crc << 1) ^ 0x1021, crc << 1) & 0xFFFF).astype(np.uint32)
    return np.asarray(crc, np.uint16)


def _exactly(count: int) -> Frame:
    def frame(buffer: bytearray) -> tuple[bytes, int] | None:
        return (bytes(buffer[:count]), count) if len(buffer) >= count else None

    return frame
