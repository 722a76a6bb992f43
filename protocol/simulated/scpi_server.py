"""A simulated instrument that speaks SCPI (IEEE 488.2, SCPI-1999): common commands, mnemonics long and short, error
queue.

Owns: the command table, compound messages, number formats and blocks. Refuses: a port and a clock.
"""

from __future__ import annotations

import functools
import re
from collections import deque
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from protocol.simulated.instrument import Instrument, SimulatedSweep
from protocol.simulated.replies import Action, Data, Drop, Front, Refusal, Wait

QUEUE_LENGTH = 20
LONGEST_LINE = 10_000
SETTINGS = {
    "SENSe:FREQuency:STARt": "start_hz",
    "SENSe:FREQuency:STOP": "stop_hz",
    "SENSe:SWEep:POINts": "points",
    "SENSe:BANDwidth[:RESolution]": "bandwidth_hz",
    "SOURce:POWer[:LEVel]": "level_dbm",
}
MISSING: dict[str, tuple[str, ...]] = {
    "define": (),
    "named": ("CALCulate:PARameter:DEFine",),
    "traces": (
        "CALCulate:PARameter:DEFine", "CALCulate:PARameter:SELect", "CALCulate:DATA", "ABORt", "SOURce:POWer[:LEVel]",
    ),
}  # fmt: skip
"""What each style lacks of the commands below."""
REALS = {"define": ("32", "64"), "named": ("32",), "traces": ()}
NUMBER = re.compile(r"\s*([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*(HZ|KHZ|MHZ|GHZ|DBM)?\s*", re.IGNORECASE)
SUFFIXES = {"HZ": 1.0, "KHZ": 1e3, "MHZ": 1e6, "GHZ": 1e9, "DBM": 1.0}


@functools.cache
def mnemonic_pattern(header: str) -> re.Pattern[str]:
    """Turn ``SENSe:BANDwidth[:RESolution]`` into a pattern for its long and short forms [SCPI-99 6.2.1]."""
    pattern = ""
    for optional, name in re.findall(r"(\[?):?([A-Za-z*]+)\]?", header):
        short = "".join(letter for letter in name if not letter.islower())
        node = f":?(?:{re.escape(short)}|{re.escape(name.upper())})1?"
        pattern += f"(?:{node})?" if optional else node
    return re.compile(pattern, re.IGNORECASE)


def number_of(text: str) -> float:
    """A decimal number with its suffix [SCPI-99 7.2]. Raises Refusal."""
    match = NUMBER.fullmatch(text)
    if match is None:
        raise Refusal(
            -109 if not text.strip() else -104, "Missing parameter" if not text.strip() else "Data type error"
        )
    return float(match[1]) * SUFFIXES[(match[2] or "HZ").upper()]


def boolean_of(argument: str) -> None:
    """ON or OFF, taken and without effect here. Raises Refusal."""
    if argument.upper() not in ("ON", "OFF", "0", "1"):
        raise Refusal(-224, "Illegal parameter value")


class ScpiServer:
    """Takes bytes, gives replies; errors go into the queue and make no reply, as the standard has it."""

    def __init__(self, instrument: Instrument, style: str = "define") -> None:
        """`style`: which of the standard's ways this instrument has. "define": traces are defined and selected.
        "named": both are there and are selected, numbers are 32 bits wide with the least significant byte first.
        "traces": asked for by TRACe:DATA?, text only, no level, no ABORt, no MIN and MAX."""
        self._style = style
        self.front = Front(instrument)
        self.wrong_count = self.refusals = 0
        self._pending = b""
        self._errors: deque[tuple[int, str]] = deque()
        self._status = 0
        self._reset_formats()
        self._table: list[tuple[re.Pattern[str], Callable[[str], Action | list[Action] | None]]] = [
            (mnemonic_pattern(header), handler) for header, handler in self._commands().items()
        ]

    def _reset_formats(self) -> None:
        self._format, self._size, self._swapped = "ASC", 0, False
        self._traces: dict[str, str] = {} if self._style == "define" else {"S11": "S11", "S21": "S21"}
        self._selected = ""

    def _commands(self) -> dict[str, Callable[[str], Action | list[Action] | None]]:
        return {
            "SENSe:FREQuency:CENTer": lambda text: self._centre(text, self._span()),
            "SENSe:FREQuency:SPAN": lambda text: self._centre(str(self._middle()), number_of(text)),
            "SENSe:SWEep:TIME": lambda _: self._only_query(),
            "SENSe:AVERage[:STATe]": boolean_of,
            "SENSe:AVERage:COUNt": lambda text: self._ignore(number_of(text)),
            "SENSe:AVERage:CLEar": lambda _: None,
            "INITiate:CONTinuous": boolean_of,
            "INITiate[:IMMediate]": lambda _: self._sweep(),
            "ABORt": lambda _: Drop(),
            "CALCulate:PARameter:DEFine": self._define,
            "CALCulate:PARameter:SELect": self._select,
            "FORMat[:DATA]": self._set_format,
            "FORMat:BORDer": self._set_border,
        }

    def restart(self) -> None:
        """Nothing is kept here but the last sweep."""
        self.front.last = None

    def feed(self, data: bytes) -> list[Action]:
        """Take bytes; each finished line is one message."""
        self._pending += data
        if len(self._pending) > LONGEST_LINE:
            self._pending = b""
            self._error(-363, "Input buffer overrun")
        actions: list[Action] = []
        while b"\n" in self._pending:
            line, _, self._pending = self._pending.partition(b"\n")
            actions += self._message(line.decode("ascii", "replace").strip())
        return actions

    def _message(self, message: str) -> list[Action]:
        """One program message: units parted by semicolons, replies of one message joined by semicolons."""
        actions: list[Action] = []
        replies: list[bytes] = []
        measured, path = False, ""
        for raw in re.findall(r"""(?:[^;"']|"[^"]*"|'[^']*')+""", message):
            unit = raw.strip()
            header = unit.split(None, 1)[0] if unit else ""
            full = unit if unit.startswith(("*", ":")) or not path else path + unit
            if not header.startswith("*"):
                path = full.split(None, 1)[0].rpartition(":")[0].lstrip(":") + ":" if ":" in full else ""
            try:
                for result in self._unit(full.lstrip(":") if unit else ""):
                    if isinstance(result, bytes):
                        replies.append(bytes(result))
                        measured = measured or isinstance(result, Data)
                    else:
                        actions.append(result)
            except Refusal as refusal:
                self._error(refusal.code, refusal.words)
        if replies:
            line = b";".join(replies) + b"\n"
            actions.append(Data(line) if measured else line)
        return actions

    def _unit(self, unit: str) -> list[Action]:
        if not unit:
            return []
        header, _, argument = unit.partition(" ")
        if header.startswith("*"):
            return self._common(header.upper(), argument)
        if any(mnemonic_pattern(missing).fullmatch(header.rstrip("?")) for missing in MISSING[self._style]):
            raise Refusal(-113, "Undefined header")
        if header.endswith("?"):
            return [self._query(header[:-1], argument.strip())]
        for pattern, name in ((mnemonic_pattern(head), name) for head, name in SETTINGS.items()):
            if pattern.fullmatch(header):
                self.front.set_value(name, self._bound(argument, name))
                return []
        for pattern, handler in self._table:
            if pattern.fullmatch(header):
                result = handler(argument.strip())
                return [] if result is None else result if isinstance(result, list) else [result]
        raise Refusal(-113, "Undefined header")

    def _common(self, header: str, argument: str) -> list[Action]:
        """IEEE 488.2 common commands."""
        simple = {
            "*IDN?": self.front.identity,
            "*OPC?": "1",
            "*TST?": "0",
            "*STB?": str(4 if self._errors else 0),
        }
        if header in simple:
            return [simple[header].encode()]
        if header == "*ESR?":
            status, self._status = self._status, 0
            return [str(status).encode()]
        if header == "*CLS":
            self._errors.clear()
            self._status = 0
        elif header == "*RST":
            self._reset_formats()
        elif header == "*OPC":
            self._status |= 1
        elif header not in ("*WAI", "*ESE", "*SRE"):
            raise Refusal(-113, "Undefined header")
        if argument and header not in ("*ESE", "*SRE"):
            raise Refusal(-108, "Parameter not allowed")
        return []

    def _query(self, header: str, argument: str) -> bytes:
        for head, name in SETTINGS.items():
            if mnemonic_pattern(head).fullmatch(header):
                if argument and self._style == "traces":
                    raise Refusal(-108, "Parameter not allowed")
                ends = self.front.range_of(name)
                value = {"MIN": ends[0], "MAX": ends[1]}.get(argument.upper()[:3], self.front.value(name))
                return _shortest(value)
        plain: dict[str, Callable[[], bytes]] = {
            "SENSe:FREQuency:CENTer": lambda: _shortest(self._middle()),
            "SENSe:FREQuency:SPAN": lambda: _shortest(self._span()),
            "SENSe:SWEep:TIME": lambda: _shortest(self.front.instrument.sweep_time_s),
            "SENSe:AVERage[:STATe]": lambda: b"0",
            "SENSe:FREQuency:DATA": lambda: self._values(self._sweep_data().frequency_hz),
            "SYSTem:ERRor[:NEXT]": self._next_error,
            "SYSTem:ERRor:COUNt": lambda: str(len(self._errors)).encode(),
            "SYSTem:VERSion": lambda: b"1999.0",
            "FORMat[:DATA]": f"{self._format},{self._size}".encode,
            "FORMat:BORDer": lambda: b"SWAP" if self._swapped else b"NORM",
            "INITiate:CONTinuous": lambda: b"0",
            "CALCulate:PARameter:SELect": f'"{self._selected}"'.encode,
        }
        for head, make in plain.items():
            if mnemonic_pattern(head).fullmatch(header):
                return make()
        if mnemonic_pattern("CALCulate:DATA").fullmatch(header):
            return self._data(argument)
        if self._style == "traces" and mnemonic_pattern("TRACe[:DATA]").fullmatch(header):
            self._selected = argument.strip("\"'").upper()
            return self._data("SDATA")
        raise Refusal(-113, "Undefined header")

    def _data(self, argument: str) -> bytes:
        if argument.upper() not in ("SDATA", "SDAT"):
            raise Refusal(-224, "Illegal parameter value")
        if self.refusals:
            self.refusals -= 1
            raise Refusal(-230, "Data corrupt or stale")
        sweep = self._sweep_data()
        trace = {"S11": sweep.s11, "S21": sweep.s21}.get(self._traces.get(self._selected, ""))
        if trace is None:
            raise Refusal(-221, "Settings conflict")
        if self.wrong_count:
            self.wrong_count -= 1
            trace = trace[:-1]
        return Data(self._values(trace.view(np.float64)))

    def _sweep_data(self) -> SimulatedSweep:
        if self.front.last is None:
            raise Refusal(-230, "Data corrupt or stale")
        return self.front.last

    def _values(self, values: NDArray[np.float64]) -> bytes:
        """Numbers in the chosen format; REAL as a definite-length block [IEEE 488.2 8.7.9]."""
        if self._format == "ASC":
            return ",".join(f"{value:.9e}" for value in values).encode()
        order = "<" if self._swapped else ">"
        body = values.astype(f"{order}f{self._size // 8}").tobytes()
        count = str(len(body))
        return f"#{len(count)}{count}".encode() + body

    def _sweep(self) -> Action:
        return Wait(self.front.sweep())

    def _define(self, argument: str) -> None:
        match = re.fullmatch(r"""\s*["']([^"']+)["']\s*,\s*["']?(S11|S21)["']?\s*""", argument, re.IGNORECASE)
        if match is None:
            raise Refusal(-224, "Illegal parameter value")
        self._traces[match[1]] = match[2].upper()

    def _select(self, argument: str) -> None:
        name = argument.strip().strip("\"'")
        if name not in self._traces:
            raise Refusal(-224, "Illegal parameter value")
        self._selected = name

    def _set_format(self, argument: str) -> None:
        name, _, size = argument.upper().partition(",")
        if name.strip() in ("ASC", "ASCII"):
            self._format, self._size = "ASC", 0
        elif name.strip() == "REAL" and size.strip() in REALS[self._style]:
            self._format, self._size = "REAL", int(size)
        else:
            raise Refusal(-224, "Illegal parameter value")

    def _set_border(self, argument: str) -> None:
        if argument.upper()[:4] not in (("SWAP",) if self._style == "named" else ("NORM", "SWAP")):
            raise Refusal(-224, "Illegal parameter value")
        self._swapped = argument.upper().startswith("SWAP")

    def _only_query(self) -> None:
        raise Refusal(-113, "Undefined header")

    def _ignore(self, _: float) -> None:
        """Averaging inside the instrument is not offered: the count is taken and has no effect while it is off."""

    def _middle(self) -> float:
        return (self.front.value("start_hz") + self.front.value("stop_hz")) / 2.0

    def _span(self) -> float:
        return self.front.value("stop_hz") - self.front.value("start_hz")

    def _centre(self, centre: str, span: float) -> None:
        middle = number_of(centre)
        self.front.set_value("start_hz", middle - span / 2.0)
        self.front.set_value("stop_hz", middle + span / 2.0)

    def _bound(self, text: str, name: str) -> float:
        word = text.strip().upper()[:3]
        low, high = self.front.range_of(name)
        return low if word == "MIN" else high if word == "MAX" else number_of(text)

    def _error(self, code: int, words: str) -> None:
        """Into the queue; when it is full the last entry becomes the overflow [SCPI-99 21.8]."""
        self._status |= 32 if -199 <= code <= -100 else 16
        if len(self._errors) >= QUEUE_LENGTH:
            self._errors[-1] = (-350, "Queue overflow")
        else:
            self._errors.append((code, words))

    def _next_error(self) -> bytes:
        code, words = self._errors.popleft() if self._errors else (0, "No error")
        return f'{code},"{words}"'.encode()


def _shortest(value: float) -> bytes:
    """NR1 when whole, else the shortest decimal that reads back the same."""
    return (str(int(value)) if value == int(value) else repr(value)).encode()
