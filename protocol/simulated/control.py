"""The words that change the simulated bench while it runs: leads, loads, screws, weather, other transmitters.

Owns: one line in, one answer out. Refuses: nonsense, with a ValueError that says what was not understood.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from protocol.errors import RequestError
from protocol.files.touchstone import read_touchstone
from protocol.simulated.cavity import KINDS, SingleCavity
from protocol.simulated.duplexer import PORTS
from protocol.simulated.feeder import ENDS
from protocol.simulated.hookup import CAVITY_WORDS, PART_WORDS
from protocol.simulated.instrument import Instrument

UNITS = {"hz": 1.0, "khz": 1e3, "mhz": 1e6, "pf": 1e-12}


@dataclass(frozen=True, slots=True)
class Control:
    """Obeys control lines for one instrument."""

    instrument: Instrument

    def __call__(self, line: str) -> str:
        """Carry out one line. Raises ValueError."""
        words = line.split()
        if not words:
            raise ValueError("an empty line; try: status")
        action = getattr(self, f"_{words[0]}", None) if words[0].isidentifier() else None
        if action is None:
            names = sorted(name[1:] for name in dir(type(self)) if name[0] == "_" and name[1] != "_")
            raise ValueError(f"no such word {words[0]!r}; there are {', '.join(names)}")
        try:
            return str(_run(action, words[1:]))
        except (TypeError, IndexError):
            raise ValueError(f"{words[0]}: words are missing or too many") from None

    def _connect(self, *words: str) -> str:
        hookup = self.instrument.hookup
        if len(words) == 1 and words[0] in (
            "thru",
            "loads",
            "short",
            "open",
            "load",
            *ENDS,
            *PART_WORDS,
            *CAVITY_WORDS,
        ):
            if words[0] in PART_WORDS and hookup.part is None:
                raise ValueError("there is no part on the bench; say first: part FILE.s2p")
            hookup.hang(words[0])
        else:
            hookup.connect(words[0], words[1])
            hookup.closing.clear()
            for word in words[2:]:
                what, _, port = word.partition("=")
                self._close(*((port, what) if port in PORTS else (what, port)))
        return "connected"

    def _close(self, port: str, what: str, level: str = "35") -> str:
        """What closes a port: open, short, or load with its return loss in dB."""
        if port not in PORTS:
            raise ValueError(f"no port {port!r}; there are A, L, H")
        known = {"open": 1.0, "short": -1.0, "load": 10.0 ** (-_number(level) / 20.0)}
        if what not in known:
            raise ValueError(f"a port is closed by load, open or short, not {what!r}")
        self.instrument.hookup.closing[port] = complex(known[what])
        return f"{port} closed by {what}"

    def _pad(self, port: str, loss: str) -> str:
        if port not in ("1", "2"):
            raise ValueError("a pad goes to port 1 or 2")
        pads, value = self.instrument.hookup.pads_db, _number(loss)
        pads.pop(int(port), None)
        if value > 0:
            pads[int(port)] = value
        return f"pad {value:g} dB at port {port}"

    def _amp(self, gain: str) -> str:
        self.instrument.hookup.amp_db = _number(gain)
        return f"amplifier of {_number(gain):g} dB before port 2"

    def _antenna(self, level: str, resonance: str = "none") -> str:
        """Its return loss, everywhere or at a resonance."""
        feeder = self.instrument.hookup.feeder
        feeder.antenna_db, feeder.resonance_hz = _number(level), None if resonance == "none" else _number(resonance)
        return f"antenna with {_number(level):g} dB return loss"

    def _feeder(self, metres: str, velocity: str, loss_100: str = "0", loss_400: str = "0", plug: str = "0") -> str:
        """Its cable: length, velocity, loss per 100 m at 100 and 400 MHz, reflection of the near plug."""
        feeder = self.instrument.hookup.feeder
        feeder.metres, feeder.velocity, feeder.plug = _number(metres), _number(velocity), _number(plug)
        feeder.loss_100, feeder.loss_400 = _number(loss_100), _number(loss_400)
        if not (feeder.metres > 0 and 0 < feeder.velocity <= 1 and abs(feeder.plug) < 1):
            raise ValueError("a feeder is longer than 0 m, its velocity up to 1, its plug reflects less than 1")
        return f"feeder of {feeder.metres:g} m"

    def _kink(self, metres: str, level: str = "20") -> str:
        """A place in the feeder's cable that reflects."""
        feeder = self.instrument.hookup.feeder
        feeder.fault_m, feeder.fault_db = None if metres == "none" else _number(metres), _number(level)
        return f"kink of the feeder at {metres} m"

    def _level(self, full_scale: str) -> str:
        """Where the receiver gives way, in dB over a thru."""
        self.instrument.options.full_scale_db = _number(full_scale)
        return f"full scale {full_scale}"

    def _jumper(self, length: str, at: str = "1") -> str:
        quarters = {"none": 0.0, "quarter": 1.0, "half": 2.0}
        if length not in quarters:
            raise ValueError("a jumper is none, quarter or half (of a wave)")
        self.instrument.hookup.jumper_quarters, self.instrument.hookup.jumper_hz = quarters[length], _number(at)
        return f"jumper {length}"

    def _lead(self, port: str, state: str) -> str:
        if port not in ("1", "2") or state not in ("off", "on"):
            raise ValueError("say: lead 1 off, lead 2 off, lead 1 on or lead 2 on")
        self.instrument.hookup.lead_off = int(port) if state == "off" else None
        return f"lead {port} {state}"

    def _gap(self, value: str) -> str:
        self.instrument.hookup.gap_farad = None if value == "none" else _number(value)
        return f"gap {value}"

    def _turn(self, side: str, number: str, by: str, screw: str = "rod") -> str:
        if screw not in ("rod", "trimmer"):
            raise ValueError("a cavity has a rod and a trimmer")
        self.instrument.unit.turn(side, int(_number(number)), _number(by), trimmer=screw == "trimmer")
        return f"{side} {number} turned by {by}"

    def _worn(self, side: str, number: str, share: str) -> str:
        """A cavity keeps that share of its Q: its contact is bad. 1 makes it whole."""
        self.instrument.unit.wear(side, int(_number(number)), _number(share))
        return f"{side} {number} worn to {_number(share):g} of its Q"

    def _gain(self, by: str) -> str:
        """The receivers have drifted by so many dB since the instrument was made."""
        self.instrument.options.gain_db = _number(by)
        return f"gain {_number(by):+g} dB"

    def _temperature(self, celsius: str) -> str:
        self.instrument.unit.temperature_c = _number(celsius)
        return f"duplexer at {celsius} C"

    def _bursts(self, rate: str, level: str = "40") -> str:
        self.instrument.options.burst_rate, self.instrument.options.burst_db = _number(rate), _number(level)
        return f"bursts in {100 * _number(rate):g} % of sweeps"

    def _carrier(self, frequency: str, level: str = "-30") -> str:
        options = self.instrument.options
        options.carrier_hz = None if frequency == "none" else _number(frequency)
        options.carrier_db = _number(level)
        return f"carrier {frequency}"

    def _leakage(self, level: str) -> str:
        self.instrument.options.leakage_db = None if level == "none" else _number(level)
        return f"leakage {level}"

    def _floor(self, level: str) -> str:
        self.instrument.options.floor_db = _number(level)
        return f"floor {level}"

    def _device(self, path: str) -> str:
        self.instrument.hookup.recorded = None if path == "none" else recorded_device(path)
        return f"device {path}"

    def _part(self, path: str) -> str:
        """The two-port that `connect part` hangs on the leads."""
        self.instrument.hookup.part = None if path == "none" else recorded_device(path)
        return f"part {path}"

    def _cavity(self, what: str, *numbers: str) -> str:
        """A single cavity: `pass F QU QIN QOUT`, `notch F QU QE`; `turn BY` its rod, `loop 1 FACTOR` its external Q."""
        hookup, values = self.instrument.hookup, [_number(one) for one in numbers]
        if what == "turn":
            hookup.cavity.f_hz += values[0]
        elif what == "loop":
            if not values[1] > 0:
                raise ValueError("a loop changes the external Q by a factor above 0")
            if values[0] == 1.0:
                hookup.cavity.q_in *= values[1]
            else:
                hookup.cavity.q_out *= values[1]
        elif what in KINDS and len(values) == (4 if what == "pass" else 3) and min(values) > 0:
            hookup.cavity = SingleCavity(what, values[0], values[1], values[2], values[-1])
        else:
            raise ValueError(
                "say: cavity pass F QU QIN QOUT, cavity notch F QU QE, cavity turn BY, cavity loop 1 FACTOR"
            )
        return f"{hookup.cavity.kind} cavity at {hookup.cavity.f_hz:.0f} Hz"

    def _freeze(self, state: str) -> str:
        if state not in ("on", "off"):
            raise ValueError("say: freeze on, or freeze off")
        self.instrument.frozen = state == "on"
        return f"the instrument sends {'the same sweep again' if self.instrument.frozen else 'new sweeps'}"

    def _overload(self, state: str) -> str:
        if state not in ("on", "off"):
            raise ValueError("say: overload on, or overload off")
        self.instrument.overloaded = state == "on"
        return f"overload {state}"

    def _restart(self) -> str:
        return f"restarted without a word: {self._forget()}"

    def _forget(self) -> str:
        """As a restart between two sweeps: the sweep in hand is still sent."""
        self.instrument.restart()
        return "settings are gone"

    def _status(self) -> str:
        hookup, unit = self.instrument.hookup, self.instrument.unit
        notches = "; ".join(f"{side} " + " ".join(f"{hz:.0f}" for hz in unit.notch_hz(side)) for side in unit.sides)
        return f"{hookup.driven}>{hookup.read}, notches at {notches} Hz, {self.instrument.clock_s:.1f} s"


def _run(action: Callable[..., str], words: Sequence[str]) -> str:
    return action(*words)


def _number(text: str) -> float:
    """A number with an optional unit: 450e6, +30kHz, 1pF."""
    head = text.rstrip("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ")
    unit = text[len(head) :].lower()
    try:
        value = float(head) * UNITS.get(unit, 1.0)
    except ValueError:
        raise ValueError(f"{text!r} is not a number") from None
    if unit and unit not in UNITS:
        raise ValueError(f"{unit!r} is not a unit; there are {', '.join(UNITS)}")
    return value


def recorded_device(path: str) -> Callable[[NDArray[np.float64]], NDArray[np.complex128]]:
    """A Touchstone file as the device on the bench, interpolated linearly between its points. Raises ValueError."""
    try:
        known, table = read_touchstone(Path(path), "a device here", 2, 3)
    except RequestError as error:
        raise ValueError(str(error)) from None

    def s(frequency_hz: NDArray[np.float64]) -> NDArray[np.complex128]:
        out = np.empty((frequency_hz.size, *table.shape[1:]), complex)
        for i in range(table.shape[1]):
            for j in range(table.shape[2]):
                real, imag = (
                    np.interp(frequency_hz, known, table[:, i, j].real),
                    np.interp(frequency_hz, known, table[:, i, j].imag),
                )
                out[:, i, j] = real + 1j * imag
        return out

    return s
