"""Owns hand-written consoles 24..30."""

from __future__ import annotations

import math

from .hand_base import Hand, mhz


class Trestle(Hand):
    style = "data are read by rows: 'rows a b', at most 25 at once"
    prompt = ": "
    fmin, fmax, nmin, nmax, start, stop, points = 1e5, 1.5e9, 2, 401, 1e6, 1e9, 101
    words = {"range": "span A B N", "run": "arm", "poll": "arm?", "both": "rows A B", "help": "index", "ident": "plate"}
    harmful = {"weld": "fixes the settings for good", "rust": "erases the corrections", "paint": "writes a new name"}
    fields, skip = 6, {"s11": 2, "s21": 4}

    def command(self, line: str) -> None:
        word, *args = line.split() or [""]
        numbers = [self.number(x) for x in args]
        whole = [float(x) for x in numbers if x is not None]
        if word == "index":
            self.ask(line, "help", "span A B N   Hz Hz points", "arm          begin a sweep",
                    "arm?         0 while it runs, then 1",
                     "rows A B     rows A..B of the last sweep, at most 25: row Hz re11 im11 re21 im21",
                     "plate        name", "weld, rust, paint TEXT   mechanic")
        elif word == "span" and len(whole) == 3 == len(args):
            fine = whole[0] <= whole[1] and self.place("points", whole[2], line) and self.place("start", whole[0], line)
            self.say("" if fine and self.place("stop", whole[1], line) else "beyond limits")
        elif word == "span":
            self.ask(line, "range", f"{self.start:.0f} {self.stop:.0f} {self.points}")
        elif word == "arm":
            self.measure()
        elif word == "arm?":
            self.ask(line, "state", "1" if len(self.f) else "0")
        elif word == "rows" and len(whole) == 2 and 0 <= whole[1] - whole[0] < 25:
            self.log(line, "query", "data")
            for k in range(int(whole[0]), min(int(whole[1]) + 1, len(self.f))):
                a, b = self.s11[k], self.s21[k]
                self.say(f"{k:4d} {self.f[k]:11.0f} {a.real:9.6f} {a.imag:9.6f} {b.real:9.6f} {b.imag:9.6f}")
        elif word == "rows":
            self.bad(line, "rows A B, at most 25")
        elif word == "plate":
            self.ask(line, "identity", "TRESTLE / 2-port / r6")
        elif not self.hurt(word, line) and word:
            self.bad(line, f"{word}?? index lists")

    def recipe(self, start: float, stop: float, points: int, trace: str) -> list[str]:
        return [f"span {start:.0f} {stop:.0f} {points}\r", "arm\r", f"rows 0 {points - 1}\r"]


class Hobnail(Hand):
    style = "single keys, no Enter; '?' shows them; some keys do harm"
    fmin, fmax, nmin, nmax, start, stop, points = 1e6, 5e8, 2, 200, 1e6, 1e8, 50
    unit = "MHz"
    learn, needs = "with answers", ("that it takes single keys without Enter, and which keys are safe",)
    words = {"start": "s", "stop": "t", "points": "n", "both": "g", "help": "?"}
    harmful = {"e": "erase", "c": "correction", "w": "write set-up", "h": "home: factory state"}
    fields, skip = 5, {"s11": 1, "s21": 3}

    def run(self) -> None:
        self.say("hobnail  ?=keys")
        while True:
            key = self.wire.getch() or ""
            if key == "?":
                self.ask(key, "help", "s start MHz  t stop MHz  n points  g go", "e erase  c correct  w write  h home")
            elif key in ("s", "t", "n"):
                self.wire.put(f"{key}=")
                text = self.readline().strip()
                value = self.number(text)
                what = {"s": "start", "t": "stop", "n": "points"}[key]
                if value is None or not self.place(what, value * (1 if key == "n" else 1e6), text):
                    self.say("!")
            elif key == "g":
                self.measure()
                self.say(*[f"{f / 1e6:.4f} {a.real:.4f} {a.imag:.4f} {b.real:.4f} {b.imag:.4f}" for f, a,
                        b in zip(self.f, self.s11, self.s21)])
            elif self.hurt(key, key):
                self.say("*")
            elif key.strip():
                self.bad(key, "?")

    def recipe(self, start: float, stop: float, points: int, trace: str) -> list[str]:
        return [f"s{mhz(start)}\r", f"t{mhz(stop)}\r", f"n{points}\r", "g"]


class Quern(Hand):
    style = "name:value and name:?; points as a power of two; units of 10 Hz; replies end with a checksum line"
    eol_in, eol = "\r\n", "\n\r"
    fmin, fmax, nmin, nmax, start, stop, points = 1e5, 3e9, 4, 1024, 1e6, 1e9, 64
    unit, f_round = "10 Hz", 10.0
    words = {"start": "fa:", "stop": "fb:", "points": "size:k (2^k)", "s11": "ga", "s21": "gb", "help": "help",
            "ident": "rel"}
    harmful = {"keep": "settings to eeprom", "hx": "", "tune": "trim, stored at once"}
    fields, sep = 2, ","

    def total(self, lines: list[str]) -> None:
        self.say(*lines, f"={sum(map(ord, ''.join(lines))) % 256}")

    def command(self, line: str) -> None:
        word, mark, arg = line.strip().partition(":")
        what = {"fa": "start", "fb": "stop"}.get(word)
        value = self.number(arg) if mark and arg else None
        if word == "help":
            self.log(line, "query", "help")
            self.total(["fa:n start (10 Hz)", "fb:n stop (10 Hz)", "size:k points=2^k, k 2..10",
                    "ga reflection re,im (sweeps)",
                        "gb transmission re,im (of that sweep)", "x:? reads x", "keep hx tune:n rel"])
        elif word == "rel":
            self.log(line, "query", "identity")
            self.total(["q-1.3"])
        elif what and value is not None:
            self.total(["ok" if self.place(what, value * 10, line) else "lim"])
        elif what:
            self.log(line, "query", what)
            self.total([f"{getattr(self, what) / 10:.0f}"])
        elif word == "size" and value is not None:
            fine = value == int(value) and 2 <= value <= 10 and self.place("points", 2.0 ** value, line)
            self.total(["ok" if fine else "lim"])
        elif word == "size":
            self.log(line, "query", "points")
            self.total([str(int(math.log2(self.points)))])
        elif word in ("ga", "gb"):
            if word == "ga" or not len(self.f):
                self.measure()
            self.total([f"{z.real:.6f},{z.imag:.6f}" for z in (self.s11 if word == "ga" else self.s21)])
        elif self.hurt(word, line):
            self.total(["ok"])
        elif word:
            self.log(line, "none", "not understood")
            self.total(["eh"])

    def recipe(self, start: float, stop: float, points: int, trace: str) -> list[str]:
        return [f"fa:{start / 10:.0f}\r", f"fb:{stop / 10:.0f}\r", f"size:{int(math.log2(points))}\r"] + (
            ["ga\r"] if trace == "s11" else ["ga\r", "gb\r"])


class Whimbrel(Hand):
    style = "never quiet: remarks between and inside replies, blank lines, a long banner"
    prompt = "\r\nwhimbrel >\r\n"
    fmin, fmax, nmin, nmax, start, stop, points = 1e5, 1e9, 2, 300, 1e6, 5e8, 100
    unit = "kHz"
    words = {"start": "SetStart", "stop": "SetStop", "points": "SetPoints", "both": "GetTraces", "status": "GetAll",
            "help": "Help"}
    harmful = {"SetDefault": "makes the present state the power-on state", "ResetAll": "factory state",
            "SetSerial": "", "DoCal": "correction"}
    sep, fields, skip, form = r"\s*;\s*", 5, {"s11": 1, "s21": 3}, "lindeg"
    count = 0

    def boot(self) -> None:
        self.say("", "===========", " whimbrel ", "===========", "", "self test passed", "ref osc warm-up ...",
                "type Help", "")

    def chat(self) -> None:
        self.count += 1
        if self.count % 3 == 0:
            self.say(f"* note: case 3{self.count % 10}.2 C", "")

    def run(self) -> None:
        self.boot()
        self.wire.put(self.prompt)
        while True:
            self.command(self.readline(lambda: self.say(f"* note: battery {90 - self.count} %"), 6.0))
            self.wire.put(self.prompt)

    def command(self, line: str) -> None:
        word, _, arg = line.strip().partition(" ")
        self.chat()
        what = {"SetStart": "start", "SetStop": "stop", "SetPoints": "points"}.get(word)
        value = self.number(arg) if arg else None
        if word in ("Help", "help"):
            self.ask(line, "help", "", "SetStart  <kHz>", "SetStop   <kHz>", "SetPoints <2..300>",
                    "GetAll            settings", "",
                     "GetTraces         sweeps: kHz; |S11|; deg; |S21|; deg", "", "SetDefault", "SetSerial <text>",
                     "ResetAll", "DoCal", "")
        elif what and value is not None:
            self.say("", "accepted" if self.place(what, value * (1 if what == "points" else 1e3), line)
                    else "rejected (range)")
        elif what:
            self.bad(line, "", "argument missing")
        elif word == "GetAll":
            self.ask(line, "status", "", f"Start = {self.start / 1e3:.3f} kHz", f"Stop  = {self.stop / 1e3:.3f} kHz",
                    f"Points = {self.points}", "")
        elif word == "GetTraces":
            self.measure()
            self.say("")
            for k, (f, a, b) in enumerate(zip(self.f, self.s11, self.s21)):
                p, q = math.degrees(math.atan2(a.imag, a.real)), math.degrees(math.atan2(b.imag, b.real))
                self.say(f"{f / 1e3:.3f}; {abs(a):.5f}; {p:.2f}; {abs(b):.6f}; {q:.2f}")
                if k % 40 == 7:
                    self.say("* note: adc ok")
        elif not self.hurt(word, line) and word:
            self.bad(line, "", f"no command {word}")

    def recipe(self, start: float, stop: float, points: int, trace: str) -> list[str]:
        return [f"SetStart {start / 1e3:.3f}\r", f"SetStop {stop / 1e3:.3f}\r", f"SetPoints {points}\r", "GetTraces\r"]


class Adze(Hand):
    style = "no listing at all; an unknown word is answered with the words that begin alike"
    prompt = "? "
    fmin, fmax, nmin, nmax, start, stop, points = 1e6, 1e9, 2, 201, 1e6, 5e8, 51
    words = {"start": "sweepstart HZ", "stop": "sweepstop HZ", "points": "sweeppoints N", "s11": "readreflection",
            "s21": "readtransmission", "ident": "name"}
    harmful = {"sweepstore": "stores the sweep for power-on", "readjust": "trims and stores", "wipe": "erases",
            "namewrite": "owner text"}
    fields = 2
    order = ("sweepstart", "sweepstop", "sweeppoints", "sweepstore", "readreflection", "readtransmission", "readjust",
            "wipe", "name", "namewrite")

    def command(self, line: str) -> None:
        word, _, arg = line.strip().lower().partition(" ")
        what = {"sweepstart": "start", "sweepstop": "stop", "sweeppoints": "points"}.get(word)
        if what:
            value = self.number(arg) if arg else None
            unit = "" if what == "points" else " Hz"
            if value is None:
                low, high = self.limits_of(what)
                shown = f"{getattr(self, what):.0f}{unit}   (limits {low:.0f} to {high:.0f}{unit})"
                self.ask(line, what, f"{word} = {shown}")
            else:
                self.say("ok" if self.place(what, value, line) else "limits")
        elif word in ("readreflection", "readtransmission"):
            self.measure()
            self.say(*[f"{z.real:.6f} {z.imag:.6f}" for z in (self.s11 if word == "readreflection" else self.s21)])
        elif word == "name":
            self.ask(line, "identity", "adze A3")
        elif self.hurt(word, line):
            self.say("ok")
        elif word:
            near = [x for x in self.order if x[0] == word[0]]
            self.bad(line, f"'{word}' is no word. " + ("Near: " + ", ".join(near) if near
                    else f"First letters in use: {''.join(sorted({x[0] for x in self.order}))}"))

    def recipe(self, start: float, stop: float, points: int, trace: str) -> list[str]:
        return [f"sweepstart {start:.0f}\r", f"sweepstop {stop:.0f}\r", f"sweeppoints {points}\r", "readreflection\r"
                if trace == "s11" else "readtransmission\r"]


class Sump(Hand):
    style = "magnitude in 1/256 dB and phase in 1/65536 turn, all integers; step instead of stop"
    eol = "\n"
    fmin, fmax, nmin, nmax, start, stop, points = 1e5, 4.4e9, 2, 1000, 1e8, 1.1e9, 101
    unit = "Hz"
    settings = ("start", "step", "points")
    words = {"start": "f", "step": "df", "points": "nf", "s11": "q1", "s21": "q2", "help": "i"}
    harmful = {"q3": "quits to the loader", "q0": "quick correction, stored", "fw": "", "nv": "write non-volatile"}
    step = 1e7
    fields = 2

    def command(self, line: str) -> None:
        word, _, arg = line.strip().partition(" ")
        value = self.number(arg) if arg else None
        if word == "i":
            self.ask(line, "help",
                    "i info|f Hz first|df Hz step|nf count|q1 refl|q2 trans (dB*256 turn*65536)"
                    "|q0 quick corr|q3 quit|fw|nv|", "sump 11")
        elif word in ("f", "df", "nf") and value is not None:
            first, step, count = ({"f": value}.get(word, self.start), {"df": value}.get(word, self.step),
                    {"nf": value}.get(word, self.points))
            last = first + step * (count - 1)
            if self.fmin <= first and (word != "nf"
                    or self.nmin <= count <= self.nmax) and step >= 0 and first <= self.fmax:
                self.start, self.step, self.points = round(first), round(step), int(count)
                self.stop = last
                self.log(line, "setting", f"{word} {value:.0f}")
            else:
                self.bad(line, "!")
        elif word in ("f", "df", "nf"):
            self.ask(line, word, f"{ {'f': self.start, 'df': self.step, 'nf': self.points}[word]:.0f}")
        elif word in ("q1", "q2"):
            if self.stop > self.fmax:
                self.bad(line, "! beyond")
                return
            self.measure()
            for z in self.s11 if word == "q1" else self.s21:
                turn = math.atan2(z.imag, z.real) / (2 * math.pi)
                self.say(f"{20 * math.log10(max(abs(z), 1e-9)) * 256:.0f} {turn * 65536:.0f}")
        elif not self.hurt(word, line):
            self.bad(line, "!")

    def recipe(self, start: float, stop: float, points: int, trace: str) -> list[str]:
        return [f"f {start:.0f}\r", f"df {(stop - start) / (points - 1):.0f}\r", f"nf {points}\r", "q1\r"
                if trace == "s11" else "q2\r"]

    def value(self, a: float, b: float) -> complex:
        turn = 2 * math.pi * b / 65536
        return complex(math.cos(turn), math.sin(turn)) * 10 ** (a / 256 / 20)


class Cairn(Hand):
    style = "sleeps until 'hello'; then key=value lines; status word toggles a lamp when bare"
    eol_in = "\r\n"
    fmin, fmax, nmin, nmax, start, stop, points = 5e4, 1.3e9, 51, 501, 1e6, 1e9, 101
    allowed = (51, 101, 201, 501)
    unit = "MHz"
    awake = False
    words = {"start": "lower=", "stop": "upper=", "points": "points=", "both": "trace", "status": "all",
            "help": "help", "wake": "hello"}
    harmful = {"stack": "puts the present state on the stack of stored states",
            "level": "moves the correction plane, stored", "scatter": "erases all states"}
    sep, fields, skip = r"\s+", 6, {"s11": 2, "s21": 4}

    def command(self, line: str) -> None:
        word, mark, arg = line.strip().lower().partition("=")
        if not self.awake:
            self.awake = word == "hello"
            self.log(line, "none", "woken" if self.awake else "asleep")
            self.say("cairn 0.7 - help" if self.awake else "zzz (say hello)")
            return
        what = {"lower": "start", "upper": "stop", "points": "points"}.get(word)
        value = self.number(arg) if mark else None
        if word == "help":
            self.ask(line, "help", "lower=MHz", "upper=MHz", "points=51|101|201|501", "all        shows these",
                    "trace      # MHz S11re S11im S21re S21im", "lamp       toggles the lamp",
                     "stack", "level", "scatter", "bye        sleep")
        elif what and value is not None:
            if what == "points" and value not in self.allowed:
                value = float(min(self.allowed, key=lambda n: abs(n - (value or 0))))
            self.place(what, value * (1 if what == "points" else 1e6), line, clamp=True)
            self.say(f"{word}={self.points if what == 'points' else mhz(getattr(self, what))}")
        elif what or word == "all":
            self.ask(line, "status", f"lower={mhz(self.start)}", f"upper={mhz(self.stop)}", f"points={self.points}",
                    "lamp=off")
        elif word == "trace":
            self.measure()
            self.say(*[f"{k} {f / 1e6:.6f} {a.real:.5e} {a.imag:.5e} {b.real:.5e} {b.imag:.5e}" for k,
                    (f, a, b) in enumerate(zip(self.f, self.s11, self.s21))], "#")
        elif word == "bye":
            self.awake = False
            self.log(line, "none", "asleep")
        elif word == "lamp":
            self.ask(line, "lamp toggled", "lamp")
        elif not self.hurt(word, line) and word:
            self.bad(line, "not a word here")

    def recipe(self, start: float, stop: float, points: int, trace: str) -> list[str]:
        return ["hello\r", f"lower={mhz(start)}\r", f"upper={mhz(stop)}\r", f"points={points}\r", "trace\r"]
