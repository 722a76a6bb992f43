"""Owns hand-written consoles 17..23."""

from __future__ import annotations

import base64
import re
import struct

import numpy as np

from .hand_base import Hand, dbdeg, mhz


class Plinth(Hand):
    style = "one frequency at a time: the one at the keyboard makes the sweep"
    prompt = ">"
    fmin, fmax, nmin, nmax, start, stop, points = 1e5, 5e8, 1, 1, 1e7, 1e7, 1
    words = {"start": "f HZ", "both": "m", "help": "h", "ident": "v"}
    settings = ("frequency",)
    learn, needs = "with answers", (
        "that there is no sweep: one frequency is set, one point is measured, again and again",)
    harmful = {"w": "writes to eeprom", "z": "zero: new correction", "p": "source power"}

    def command(self, line: str) -> None:
        word, _, arg = line.strip().partition(" ")
        if word == "h":
            self.ask(line, "help", "f HZ   tune", "m      measure: re11 im11 re21 im21", "v      version",
                    "w z p  not for users")
        elif word == "f" and (value := self.number(arg)) is not None:
            if self.place("start", value, line):
                self.stop = self.start
            else:
                self.say("range")
        elif word == "f":
            self.ask(line, "frequency", f"{self.start:.0f}")
        elif word == "m":
            self.measure()
            self.say(f"{self.s11[0].real:.6f} {self.s11[0].imag:.6f} {self.s21[0].real:.6f} {self.s21[0].imag:.6f}")
        elif word == "v":
            self.ask(line, "identity", "3")
        elif not self.hurt(word, line) and word:
            self.bad(line, "?")

    def recipe(self, start: float, stop: float, points: int, trace: str) -> list[str]:
        return [f"f {start:.0f}\r", "m\r"]

    fields, skip = 4, {"s11": 0, "s21": 2}


class Sorrel(Hand):
    style = "fixed bands only, chosen by number"
    prompt = "= "
    bands = ((1e6, 3e7), (3e7, 8.8e7), (8.8e7, 1.08e8), (1.08e8, 1.74e8), (4e8, 5.2e8))
    fmin, fmax, nmin, nmax, start, stop, points = 1e6, 5.2e8, 100, 100, 1e6, 3e7, 100
    settings = ("band",)
    learn, why = "not", "only five fixed bands of 100 points: start and stop cannot be set"
    words = {"band": "band N", "both": "list", "help": "help"}
    harmful = {"adj": "adjust and store", "def": "defaults", "upd": "update"}

    def command(self, line: str) -> None:
        word, _, arg = line.strip().partition(" ")
        if word == "help":
            self.ask(line, "help", "band 1-5; list (sweeps, MHz re11 im11 re21 im21); adj; def; upd",
                     *[f" {k}: {mhz(a)}-{mhz(b)} MHz" for k, (a, b) in enumerate(self.bands, 1)])
        elif word == "band" and arg in ("1", "2", "3", "4", "5"):
            self.start, self.stop = self.bands[int(arg) - 1]
            self.log(line, "setting", f"band {arg}")
        elif word == "list":
            self.measure()
            self.say(*[f"{f / 1e6:.3f} {a.real:.5f} {a.imag:.5f} {b.real:.5f} {b.imag:.5f}" for f, a, b in zip(self.f,
                    self.s11, self.s21)])
        elif not self.hurt(word, line):
            self.bad(line, "no")

    def recipe(self, start: float, stop: float, points: int, trace: str) -> list[str]:
        return []


class Tansy(Hand):
    style = "scalar: return loss and gain in dB without phase"
    fmin, fmax, nmin, nmax, start, stop, points = 1e6, 3e9, 11, 201, 1e6, 3e9, 101
    unit = "MHz"
    learn, why = "not", "magnitude only: return loss and gain in dB, no phase"
    words = {"start": "start", "stop": "stop", "points": "points", "both": "sweep", "help": "help"}
    harmful = {"norm": "stores the normalisation", "gen": "generator on"}

    def command(self, line: str) -> None:
        word, _, arg = line.strip().lower().partition(" ")
        if word == "help":
            self.ask(line, "help", "start/stop MHz, points N, sweep (MHz, return loss dB, gain dB), norm, gen")
        elif word in ("start", "stop", "points") and (value := self.number(arg)) is not None:
            self.say("ok" if self.place(word, value * (1 if word == "points" else 1e6), line) else "limit")
        elif word in ("start", "stop", "points"):
            self.ask(line, word, str(self.points) if word == "points" else mhz(getattr(self, word)))
        elif word == "sweep":
            self.measure()
            self.say(*[f"{f / 1e6:.3f} {-dbdeg(a)[0]:.2f} {dbdeg(b)[0]:.2f}" for f, a, b in zip(self.f, self.s11,
                    self.s21)], "ok")
        elif not self.hurt(word, line):
            self.bad(line, "error")

    def recipe(self, start: float, stop: float, points: int, trace: str) -> list[str]:
        return []


class Burdock(Hand):
    style = "words begin with @; other lines are told so; '@' alone lists"
    prompt, eol = "\n", "\n"
    fmin, fmax, nmin, nmax, start, stop, points = 1e4, 3e8, 2, 600, 1e6, 1e8, 60
    bandwidths, bandwidth = (30.0, 100.0, 300.0, 1000.0, 3000.0), 300.0
    settings = ("start", "stop", "points", "bandwidth")
    words = {"start": "@from", "stop": "@upto", "points": "@cnt", "bandwidth": "@bw 0..4", "s11": "@a", "s21": "@b",
            "help": "@"}
    harmful = {"@end": "switches off and stores", "@new": "new correction", "@id": "with a text: writes the owner"}
    sep, fields = r"\s*/\s*", 2

    def command(self, line: str) -> None:
        word, _, arg = line.strip().partition(" ")
        value = self.number(arg) if arg else None
        what = {"@from": "start", "@upto": "stop", "@cnt": "points"}.get(word)
        if word == "@":
            self.ask(line, "help", "@from @upto [Hz]", "@cnt [2-600]", "@bw [0:30 1:100 2:300 3:1000 4:3000 Hz]",
                    "@a reflection re/im   @b transmission re/im",
                     "@run sweep   @end   @new   @id")
        elif what and arg:
            self.say("+" if value is not None and self.place(what, value, line) else "-")
        elif what:
            self.ask(line, what, f"{getattr(self, what):.0f}")
        elif word == "@bw" and value in (0, 1, 2, 3, 4):
            self.bandwidth = self.bandwidths[int(value or 0)]
            self.log(line, "setting", f"bandwidth {self.bandwidth}")
            self.say("+")
        elif word == "@bw":
            self.ask(line, "bandwidth", str(self.bandwidths.index(self.bandwidth)))
        elif word == "@run":
            self.measure()
            self.say("+")
        elif word in ("@a", "@b"):
            self.ask(line, "data", *[f"{z.real:.6f}/{z.imag:.6f}" for z in (self.s11 if word == "@a" else self.s21)],
                    "+")
        elif word == "@id" and not arg:
            self.ask(line, "identity", "burdock/77 owner: (none)")
        elif self.hurt(word, line):
            self.say("+")
        else:
            self.bad(line, "-" if word.startswith("@") else "lines start with @")

    def recipe(self, start: float, stop: float, points: int, trace: str) -> list[str]:
        return [f"@from {start:.0f}\r", f"@upto {stop:.0f}\r", f"@cnt {points}\r", "@run\r", "@a\r" if trace == "s11"
                else "@b\r"]


class Fennel(Hand):
    style = "German words, decimal comma, semicolons, whole words or their first letters"
    prompt, echo = "Fennel> ", True
    fmin, fmax, nmin, nmax, start, stop, points = 1e5, 9e8, 3, 300, 1e6, 3e8, 100
    unit = "MHz"
    words = {"start": "anfang", "stop": "ende", "points": "anzahl", "s11": "reflexion", "s21": "durchgang",
            "help": "hilfe"}
    harmful = {"sichern": "stores settings", "abgleich": "new correction", "urzustand": "factory state",
            "pegel": "output level"}
    sep, fields, skip = ";", 3, {"s11": 1, "s21": 1}

    def command(self, line: str) -> None:
        word, _, arg = line.strip().lower().partition(" ")
        full = [w for w in ("anfang", "ende", "anzahl", "reflexion", "durchgang", "hilfe", "version") if word
                and w.startswith(word)]
        word = full[0] if len(full) == 1 and len(word) > 2 else word
        what = {"anfang": "start", "ende": "stop", "anzahl": "points"}.get(word)
        value = self.number(arg.replace(",", ".")) if arg and "." not in arg else None
        if word in ("hilfe", "?", "help"):
            self.ask(line, "help", "anfang MHz     Startfrequenz (start frequency, MHz)",
                    "ende MHz       Stoppfrequenz (stop frequency, MHz)", "anzahl n       Punkte (points) 3..300",
                     "reflexion      S11: MHz;re;im", "durchgang      S21: MHz;re;im", "version", "sichern",
                     "abgleich", "urzustand", "pegel dBm")
        elif what and arg:
            if value is None or not self.place(what, value * (1 if what == "points" else 1e6), line):
                self.bad(line, "Wert unzulaessig (Komma statt Punkt?)")
        elif what:
            shown = str(self.points) if what == "points" else mhz(getattr(self, what)).replace(".", ",")
            self.ask(line, what, shown)
        elif word in ("reflexion", "durchgang"):
            self.measure()
            data = self.s11 if word == "reflexion" else self.s21
            self.say(*[f"{f / 1e6:.6f};{z.real:.6f};{z.imag:.6f}".replace(".", ",") for f, z in zip(self.f, data)])
        elif word == "version":
            self.ask(line, "identity", "Fennel 2,3")
        elif not self.hurt(word, line) and word:
            self.bad(line, f"{word}: unbekannt")

    def recipe(self, start: float, stop: float, points: int, trace: str) -> list[str]:
        return [f"anfang {mhz(start)}\r".replace(".", ","), f"ende {mhz(stop)}\r".replace(".", ","),
                f"anzahl {points}\r",
                "reflexion\r" if trace == "s11" else "durchgang\r"]


class Dowel(Hand):
    style = "base64 of little-endian float32 in lines of 60, count announced"
    prompt = "dowel$ "
    fmin, fmax, nmin, nmax, start, stop, points = 1e6, 2e9, 2, 1024, 1e7, 1e9, 256
    words = {"start": "set lo", "stop": "set hi", "points": "set n", "s11": "pack 11", "s21": "pack 21",
            "help": "help", "ident": "ver"}
    harmful = {"set cal": "overwrites the correction", "commit": "stores", "set br": "baud rate",
            "dump!": "sends then erases the flash"}

    def command(self, line: str) -> None:
        parts = line.split()
        word, key, arg = (parts + ["", "", ""])[:3]
        what = {"lo": "start", "hi": "stop", "n": "points"}.get(key)
        if word == "help":
            self.ask(line, "help", "help                this", "ver                 version",
                    "set lo|hi|n|cal|br  Hz, Hz, points, -, -", "get lo|hi|n",
                     "pack 11|21          sweeps; base64 of float32 little endian, re im re im ...", "commit", "dump!")
        elif word == "ver":
            self.ask(line, "identity", "dowel 4 / 2021")
        elif word == "set" and what and (value := self.number(arg)) is not None:
            if not self.place(what, value, line):
                self.say("limit")
        elif word == "get" and what:
            self.ask(line, what, f"{getattr(self, what):.0f}")
        elif word == "pack" and key in ("11", "21"):
            self.measure()
            data = self.s11 if key == "11" else self.s21
            raw = base64.b64encode(b"".join(struct.pack("<ff", z.real, z.imag) for z in data)).decode()
            self.say(f"bytes {len(data) * 8}", *[raw[i:i + 60] for i in range(0, len(raw), 60)], "")
        elif not self.hurt(f"{word} {key}".strip(), line) and not self.hurt(word, line) and word:
            self.bad(line, "nope")

    def recipe(self, start: float, stop: float, points: int, trace: str) -> list[str]:
        return [f"set lo {start:.0f}\r", f"set hi {stop:.0f}\r", f"set n {points}\r", f"pack {trace[1:]}\r"]

    def decode(self, text: str, trace: str) -> list[complex]:
        _, _, rest = text.partition("bytes")
        raw = base64.b64decode("".join(x for x in rest.split()[1:] if re.fullmatch(r"[A-Za-z0-9+/=]+", x)
                and x != "dowel$"))
        numbers = np.frombuffer(raw[:len(raw) // 8 * 8], dtype="<f4")
        return [complex(a, b) for a, b in zip(numbers[::2], numbers[1::2])]


class Cistern(Hand):
    style = "rooms: enter one, its words work there; the prompt shows the room"
    echo = True
    fmin, fmax, nmin, nmax, start, stop, points = 1e5, 1e9, 2, 500, 1e6, 9e8, 100
    room = ""
    words = {"start": "sweep: start", "stop": "sweep: stop", "points": "sweep: points", "s11": "traces: s11",
            "s21": "traces: s21", "help": "?", "out": "up"}
    harmful = {"service: flash": "stores", "service: clear": "erases", "traces: keep": "trace becomes the reference",
            "sweep: home": "makes it the power-on state"}
    fields = 2
    rooms = {"": ("sweep", "traces", "service", "about"), "sweep": ("start HZ", "stop HZ", "points N", "home", "up"),
             "traces": ("take", "s11  re im", "s21  re im", "hz", "keep", "up"), "service": ("flash", "clear", "temp",
             "up")}

    def run(self) -> None:
        self.boot()
        while True:
            self.wire.put(f"{self.room or 'top'}/ ")
            self.command(self.readline())

    def command(self, line: str) -> None:
        word, _, arg = line.strip().partition(" ")
        if word == "?":
            self.ask(line, "help", *[f"  {x}" for x in self.rooms[self.room]])
        elif word == "up" or (not self.room and word in self.rooms):
            self.room = "" if word == "up" else word
            self.log(line, "none", f"room {self.room or 'top'}")
        elif self.hurt(f"{self.room}: {word}", line):
            self.say("done")
        elif self.room == "sweep" and word in ("start", "stop", "points"):
            value = self.number(arg) if arg else None
            if value is None:
                self.ask(line, word, f"{getattr(self, word):.0f}")
            elif not self.place(word, value, line):
                self.say(f"limits {self.limits_of(word)[0]:.0f} {self.limits_of(word)[1]:.0f}")
        elif self.room == "traces" and word == "take":
            self.measure()
        elif self.room == "traces" and word in ("s11", "s21"):
            self.ask(line, "data", *[f"{z.real:.6f}\t{z.imag:.6f}" for z in (self.s11 if word == "s11" else self.s21)])
        elif self.room == "traces" and word == "hz":
            self.ask(line, "axis", *[f"{f:.0f}" for f in self.freqs()])
        elif word == "about" or (word == "temp" and self.room == "service"):
            self.ask(line, "harmless", "Cistern 1.9 two-port" if word == "about" else "33.1")
        elif word:
            self.bad(line, f"not here: {word}   (? lists)")

    def recipe(self, start: float, stop: float, points: int, trace: str) -> list[str]:
        return ["sweep\r", f"start {start:.0f}\r", f"stop {stop:.0f}\r", f"points {points}\r", "up\r", "traces\r",
                "take\r", f"{trace}\r"]
