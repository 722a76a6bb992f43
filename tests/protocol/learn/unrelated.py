"""A console that shares nothing with the profile-driven simulation: its own loop, its own spelling of everything.

Run as a process: prints its device node, serves until its input ends. Styles: "commas" (arguments parted by commas,
complex numbers as 0.1+0.2j, prompt on a line of its own), "labels" (every number has a name, megahertz, decibels),
"receivers" (three raw receivers, no names, settings carried by the sweep command).
"""

from __future__ import annotations

import cmath
import math
import os
import pty
import select
import sys
import tty

from protocol.simulated.duplexer import load_unit
from protocol.simulated.hookup import HookUp
from protocol.simulated.instrument import Instrument, InstrumentOptions

LISTS = {
    "commas": [
        "Everything it understands:",
        "  whoareyou                       model and serial number",
        "  window <first>,<last>,<n>       limits of the sweep in kHz and number of points",
        "  rbw <50|500|5000>               receiver bandwidth, Hz",
        "  take                            take one sweep",
        "  curve                           complex reflection and transmission of every point",
        "  reboot                          starts again",
    ],
    "labels": [
        "ver: version of this box",
        "lo MHZ: start of the sweep",
        "hi MHZ: end of the sweep",
        "count N: number of points",
        "bw HZ: bandwidth",
        "shoot: measure once",
        "show: results",
        "wipe: forget everything",
    ],
    "receivers": ["id | scan start_hz stop_hz points | bw 100|1000|10000 | uptime"],
}
PROMPTS = {"commas": "done.\n", "labels": "\r\n:: ", "receivers": "go> "}


class Unrelated:
    def __init__(self, style: str) -> None:
        options = InstrumentOptions(seed=5, min_points=11, max_points=401)
        self.style = style
        self.box = Instrument(options, load_unit("U6"), HookUp())
        self.end = "\r\n" if style == "labels" else "\n"

    def answer(self, line: str) -> str:
        try:
            body = self.obey(line)
        except (ValueError, IndexError, KeyError):
            body = [f"!! {line.split(maxsplit=1)[0] if line.split() else ''} makes no sense"]
        return "".join(text + self.end for text in body) + PROMPTS[self.style].lstrip("\r\n")

    def obey(self, line: str) -> list[str]:
        word, _, rest = line.partition(" ")
        if not line:
            return []
        if word in ("help", "?") and (word == "help") != (self.style == "labels"):
            if self.style == "receivers":
                return ["words: id scan bw uptime"] if not rest else [f"{w}" for w in self.detail(rest)]
            return LISTS[self.style]
        if word in ("whoareyou", "ver", "id"):
            return ["Unrelated two-port no 7"]
        if word in ("rbw", "bw"):
            self.box.bandwidth_hz = float(rest)
            return []
        if word == "window" and self.style == "commas":
            low, high, count = rest.split(",")
            self.box.start_hz, self.box.stop_hz = float(low) * 1e3, float(high) * 1e3
            self.points(count)
            return []
        if word in ("lo", "hi") and self.style == "labels":
            setattr(self.box, "start_hz" if word == "lo" else "stop_hz", float(rest) * 1e6)
            return []
        if word == "count" and self.style == "labels":
            self.points(rest)
            return []
        if word in ("take", "shoot"):
            self.last = self.box.sweep()
            return []
        if word in ("curve", "show"):
            return self.data()
        if word == "scan" and self.style == "receivers":
            low, high, count = rest.split()
            self.box.start_hz, self.box.stop_hz = float(low), float(high)
            self.points(count)
            self.last = self.box.sweep()
            return self.data()
        raise KeyError(word)

    @staticmethod
    def detail(word: str) -> list[str]:
        return {
            "scan": ["scan <start_hz> <stop_hz> <points>  sweeps and prints"],
            "bw": ["bw <100|1000|10000>  bandwidth"],
            "id": ["id  identity"],
        }[word]

    def points(self, text: str) -> None:
        count = int(text)
        if not 11 <= count <= 401 or self.box.start_hz >= self.box.stop_hz:
            raise ValueError(text)
        self.box.points = count

    def data(self) -> list[str]:
        lines = []
        for index in range(self.last.frequency_hz.size):
            f, a, b = self.last.frequency_hz[index], complex(self.last.s11[index]), complex(self.last.s21[index])
            if self.style == "commas":
                lines.append(f"{a.real:.8f}{a.imag:+.8f}j, {b.real:.8f}{b.imag:+.8f}j")
            elif self.style == "labels":
                level = [20 * math.log10(abs(x)) for x in (b, a)]
                turn = [math.degrees(cmath.phase(x)) for x in (b, a)]
                lines.append(
                    f"f={f / 1e6:.6f}MHz through={level[0]:.4f}dB at {turn[0]:.3f}"
                    f" refl={level[1]:.4f}dB at {turn[1]:.3f}"
                )
            else:
                r = 0.4 * cmath.exp(0.02j * index)
                values = (r, a * r, b * r)
                lines.append(";".join(f"{x.real:.9e};{x.imag:.9e}" for x in values))
        return lines


def main() -> None:
    unrelated = Unrelated(sys.argv[1])
    master, slave = pty.openpty()
    tty.setraw(slave)
    print(os.ttyname(slave), flush=True)
    pending = b""
    while True:
        ready, _, _ = select.select([master, 0], [], [], 1.0)
        if 0 in ready and not os.read(0, 100):
            return
        if master in ready:
            pending += os.read(master, 65536)
            while b"\n" in pending or b"\r" in pending:
                at = min(x for x in (pending.find(b"\n"), pending.find(b"\r")) if x >= 0)
                line, pending = pending[:at], pending[at + 1 :]
                data = unrelated.answer(line.decode("ascii", "replace").strip()).encode()
                while data:
                    data = data[os.write(master, data) :]


if __name__ == "__main__":
    main()
