"""A small analyzer behind a pty, in a process of its own, written from the profiles' text and from the standard.

It shares no code with the program: what the program sends is taken apart by hand here. It prints its node, then obeys
lines on its stdin, e.g. `fault NAME` makes the next data reply go wrong, `unplug` closes the port, `log` prints what
came. It refuses a start above its stop and the other way round.
"""

from __future__ import annotations

import os
import pty
import select
import struct
import sys
import tty
from collections.abc import Callable
from typing import Protocol

IDENTITY = "Nowhere Works,Bench Box 3,0042,1.7"


def s_parameters(frequency_hz: float) -> tuple[complex, complex]:
    """Any two smooth functions of the frequency that tell the point, and S11 from S21."""
    x = frequency_hz / 1e9
    return complex(0.5 - x, 0.25 * x), complex(-1e-3 * x, 3e-4 * (1 - x) - 1e-9)


class Instrument:
    """Settings with limits that clamp without a word, and the faults that can be asked for."""

    def __init__(self) -> None:
        self.start, self.stop, self.points, self.bandwidth, self.level = 100e6, 200e6, 51, 1000.0, -10.0
        self.max_points = 401
        self.fault = ""
        self.held = b""
        self.busy, self.queue = False, b""
        self.sweeps, self.frozen = 0, False

    def grid(self) -> list[float]:
        step = (self.stop - self.start) / (self.points - 1)
        return [self.start + i * step for i in range(self.points)]

    def trigger(self) -> None:
        """A sweep begins. It differs from the one before in its last digits, as noise has it, unless it is frozen; a
        restart that nobody hears of loses the settings."""
        self.sweeps += not self.frozen
        if self.take_fault("restart"):
            self.start, self.stop, self.points, self.bandwidth = 100e6, 200e6, self.points, 1000.0

    def s(self, frequency_hz: float) -> tuple[complex, complex]:
        a, b = s_parameters(frequency_hz)
        return a, b + 3e-10 * (max(self.sweeps - 1, 0) % 32)  # the first sweep is exact

    def set_points(self, value: float) -> None:
        self.points = min(int(value), self.max_points)

    def take_fault(self, *names: str) -> str:
        """The fault in waiting if it is one of `names`; it happens once."""
        fault = self.fault
        if fault in names:
            self.fault = ""
            return fault
        return ""


def damage(fault: str, data: bytes) -> bytes:
    """A data reply gone wrong."""
    half = len(data) // 2
    if fault == "half":
        return data[:half]
    if fault == "garbage":
        return data[:half] + b"\x07x!" + data[half + 3 :]
    return data


class Dialect(Protocol):
    def feed(self, data: bytes) -> bytes: ...


class Lines:
    """The console of console-lines.toml."""

    prompt, end, echo = b"your turn: ", b"\r\n", True

    def __init__(self, instrument: Instrument) -> None:
        self.i = instrument
        self.pending = b""
        self.swept = False

    def feed(self, data: bytes) -> bytes:
        self.pending += data
        out = b""
        while b"\r" in self.pending:
            line, _, self.pending = self.pending.partition(b"\r")
            out += self.answer(line.decode("latin-1").strip())
        return out

    def answer(self, line: str) -> bytes:
        if self.i.take_fault("silence"):
            return b""
        if line == "measure" and self.i.take_fault("stuck"):
            self.i.held = self.reply(line)  # comes when told: a sweep that takes long
            return line.encode() + b"\r\n"
        return line.encode() + b"\r\n" + self.reply(line)

    def reply(self, line: str) -> bytes:
        words = line.split()
        i = self.i
        rows: list[str] = []
        match words:
            case ["who"]:
                rows = [IDENTITY.replace(",", " ")]
            case ["words"]:
                rows = ["who", "between START STOP POINTS", "measure", "table"]
            case ["between", start, stop, points]:
                i.start, i.stop = float(start), float(stop)
                i.set_points(float(points))
            case ["filter", value]:
                i.bandwidth = float(value)
            case ["drive", value]:
                i.level = float(value)
            case ["mean", "1"]:
                pass
            case ["measure"]:
                self.swept = True
                i.trigger()
            case ["table"] if self.swept:
                return self.table()
            case ["settings"]:
                rows = [f"start {i.start:.0f} Hz", f"stop {i.stop:.0f} Hz", f"points {i.points}"]
                rows += [f"filter {i.bandwidth:g} Hz", f"drive {i.level:g} dBm"]
            case []:
                pass
            case _:
                rows = [f"cannot: {line!r} is not one of my words"]
        return b"".join(row.encode() + b"\r\n" for row in rows) + self.prompt

    def table(self) -> bytes:
        fault = self.i.take_fault("half", "garbage", "count", "error", "nan", "chatter")
        grid = self.i.grid()
        if fault == "error":
            return b"cannot: receiver unlocked\r\n" + self.prompt
        if fault == "count":
            grid = grid[:-1]
        rows = [f"rows {self.i.points}"]
        for f in grid:
            a, b = self.i.s(f)
            rows.append(f"{f:.0f} {a.real:.9e} {a.imag:.9e} {b.real:.9e} {b.imag:.9e}")
        if fault == "nan":
            rows[3] = rows[3].replace(rows[3].split()[1], "9.91E37")
        if fault == "chatter":
            rows.insert(5, "note: battery at 80 percent")
        text = b"".join(row.encode() + b"\r\n" for row in rows)
        damaged = damage(fault, text)
        return damaged if fault == "half" else damaged + self.prompt


class Traces(Lines):
    """The console of console-traces.toml."""

    prompt, end, echo = b"% ", b"\n", False

    def feed(self, data: bytes) -> bytes:
        self.pending += data
        out = b""
        while b"\n" in self.pending:
            line, _, self.pending = self.pending.partition(b"\n")
            out += self.say(line.decode("latin-1").strip())
        return out

    def say(self, line: str) -> bytes:
        i, codes = self.i, {"narrow": 100.0, "middle": 1000.0, "wide": 4000.0}
        if i.take_fault("silence"):
            return b""
        row = ""
        match line.split():
            case ["describe"]:
                row = "made nowhere\ntype Bench Box 4"
            case ["from", value, "kHz"]:
                if float(value) * 1e3 >= i.stop:
                    row = "fault 3: start above stop"
                else:
                    i.start = float(value) * 1e3
            case ["to", value, "kHz"]:
                if float(value) * 1e3 <= i.start:
                    row = "fault 3: stop below start"
                else:
                    i.stop = float(value) * 1e3
            case ["steps", value]:
                i.set_points(float(value))
            case ["selectivity", code]:
                i.bandwidth = codes[code]
            case ["single"]:
                self.swept = True
                i.trigger()
                if i.take_fault("stuck"):
                    i.held = self.prompt
                    return b""
            case ["stop"]:
                pass
            case ["reflection" | "transmission" as which] if self.swept:
                return self.trace(0 if which == "reflection" else 1)
            case ["from?"]:
                row = f"{i.start / 1e3:.2f} kHz"
            case ["to?"]:
                row = f"{i.stop / 1e3:.2f} kHz"
            case ["steps?"]:
                row = str(i.points)
            case ["selectivity?"]:
                row = next(code for code, value in codes.items() if value == i.bandwidth)
            case _:
                row = "fault 1: what?"
        return (row.encode() + b"\n" if row else b"") + self.prompt

    def trace(self, which: int) -> bytes:
        fault = self.i.take_fault("half", "garbage", "count", "error")
        if fault == "error":
            return b"fault 9: receiver unlocked\n" + self.prompt
        grid = self.i.grid()[: -1 if fault == "count" else None]
        values = [self.i.s(f)[which] for f in grid]
        text = damage(fault, ";".join(f"{v.real:.8f},{v.imag:.10f}" for v in values).encode())
        return text if fault == "half" else text + b"\n" + self.prompt


class Scpi:
    """The commands of scpi.toml in long form only, as SCPI-1999 writes them."""

    def __init__(self, instrument: Instrument) -> None:
        self.i = instrument
        self.pending = b""
        self.errors: list[str] = []
        self.format, self.swapped, self.selected = "ASCii,0", False, "S11"

    def feed(self, data: bytes) -> bytes:
        self.pending += data
        out = b""
        while b"\n" in self.pending:
            line, _, self.pending = self.pending.partition(b"\n")
            if line.strip():
                out += self.answer(line.decode("latin-1").strip())
        return out

    def answer(self, line: str) -> bytes:
        i = self.i
        header, _, value = line.partition(" ")
        if header != "SYSTem:ERRor?" and i.take_fault("silence"):
            self.errors.clear()
            self.pending = b""
            return b""
        values = {
            "SENSe:FREQuency:STARt": "start",
            "SENSe:FREQuency:STOP": "stop",
            "SENSe:SWEep:POINts": "points",
            "SENSe:BANDwidth:RESolution": "bandwidth",
            "SOURce:POWer": "level",
        }
        if header.rstrip("?") in values:
            name = values[header.rstrip("?")]
            if header.endswith("?"):
                return f"{getattr(i, name):+.10E}\n".encode()
            if name == "points":
                i.set_points(float(value))
            elif (name == "start" and float(value) >= i.stop) or (name == "stop" and float(value) <= i.start):
                self.errors.append('-221,"Settings conflict"')
            elif name == "level" and float(value) > 0:
                self.errors.append('-222,"Data out of range"')
            else:
                setattr(i, name, float(value))
            return b""
        match header:
            case "*IDN?":
                return IDENTITY.encode() + b"\n"
            case "*CLS":
                self.errors.clear()
            case "*OPC?":
                if i.take_fault("stuck"):
                    i.held = b"1\n"
                    return b""
                return b"1\n"
            case "SYSTem:ERRor?":
                return (self.errors.pop(0) if self.errors else '0,"No error"').encode() + b"\n"
            case "FORMat:DATA":
                self.format = value
            case "FORMat:BORDer":
                self.swapped = value == "SWAPped"
            case "CALCulate:PARameter:SELect":
                self.selected = value.strip('"')
            case "CALCulate:DATA?":
                return self.data()
            case "INITiate:IMMediate":
                i.trigger()
            case "INITiate:CONTinuous" | "CALCulate:PARameter:DEFine" | "ABORt":
                pass
            case "SENSe:AVERage:STATe":
                pass
            case _:
                self.errors.append(f'-113,"Undefined header;{header}"')
        return b""

    def data(self) -> bytes:
        fault = self.i.take_fault("half", "garbage", "count", "error", "nan")
        if fault == "error":
            self.errors.append('-230,"Data corrupt or stale"')
            return b""
        values: list[float] = []
        for f in self.i.grid()[: -1 if fault == "count" else None]:
            v = self.i.s(f)[0 if self.selected == "S11" else 1]
            values += [v.real, v.imag]
        if fault == "nan":
            values[6] = 9.91e37
        if self.format.startswith("ASC"):
            text = damage(fault, ",".join(f"{v:.12E}" for v in values).encode())
            return text if fault == "half" else text + b"\n"
        code = ("<" if self.swapped else ">") + ("f" if self.format == "REAL,32" else "d") * len(values)
        block = struct.pack(code, *values)
        size = str(len(block))
        text = f"#{len(size)}{size}".encode() + block + b"\n"
        if fault == "garbage":
            return b"#x" + text[2:]
        return damage(fault, text)


DIALECTS: dict[str, Callable[[Instrument], Dialect]] = {
    "console-lines": Lines,
    "console-traces": Traces,
    "scpi": Scpi,
}


def main() -> None:
    instrument = Instrument()
    dialects: dict[str, Callable[[Instrument], Dialect]] = {
        "console-lines": Lines,
        "console-traces": Traces,
        "scpi": Scpi,
    }
    dialect = dialects[sys.argv[1]](instrument)
    master, slave = pty.openpty()
    tty.setraw(slave)
    print(os.ttyname(slave), flush=True)
    log: list[bytes] = []
    while True:
        ready, _, _ = select.select([0] if slave < 0 else [0, master], [], [])
        if 0 in ready:
            words = os.read(0, 4096).decode().split()
            if not words:
                return
            match words:
                case ["fault", name]:
                    instrument.fault = name
                case ["freeze"]:
                    instrument.frozen = True
                case ["limit", number]:
                    instrument.max_points = int(number)
                case ["busy"]:  # reads, but answers nothing before it is told to serve
                    instrument.busy = True
                case ["serve"]:
                    instrument.busy = False
                    queue, instrument.queue = instrument.queue, b""
                    os.write(master, dialect.feed(queue))
                case ["say", text]:
                    os.write(master, bytes.fromhex(text))
                case ["release"]:
                    os.write(master, instrument.held)
                    instrument.held = b""
                case ["unplug"]:
                    os.close(slave)
                    os.close(master)
                    slave = -1
                case ["log"]:
                    print(b"".join(log).hex(), flush=True)
                    continue
            print("ok", flush=True)
        if slave >= 0 and master in ready:
            data = os.read(master, 65536)
            log.append(data)
            if instrument.busy:
                instrument.queue += data
                continue
            reply = dialect.feed(data)
            while reply:
                reply = reply[os.write(master, reply) :]


if __name__ == "__main__":
    main()
