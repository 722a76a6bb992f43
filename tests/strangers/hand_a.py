"""Owns hand-written consoles 1..8."""

from __future__ import annotations

import json
import re

from .hand_base import Hand, dbdeg, mhz


class Pewter(Hand):
    style = "plain words, suffix letters, columns with a header"
    prompt, echo = "pewter: ", True
    fmin, fmax, nmin, nmax, start, stop, points = 1e5, 1.3e9, 3, 501, 1e6, 5e8, 51
    words = {"start": "start", "stop": "stop", "points": "points", "s11": "refl", "s21": "thru", "help": "help",
            "ident": "hello"}
    harmful = {"keep": "write set-up to flash", "zap": "erase both correction tables",
            "svc": "service mode: boot loader"}
    fields, skip = 3, {"s11": 1, "s21": 1}

    def command(self, line: str) -> None:
        word, _, arg = line.strip().partition(" ")
        if word == "help":
            self.ask(line, "help", "start F     first frequency, e.g. 430k 1.2M 0.9G", "stop F      last frequency",
                     "points N    3..501", "refl        sweep and print S11 as real, imaginary",
                     "thru        sweep and print S21 as real, imaginary", "keep        write set-up to flash",
                     "zap         erase both correction tables", "svc         service mode", "hello       who I am")
        elif word == "hello":
            self.ask(line, "identity", "Pewter two-port, firmware 1.7")
        elif word in ("start", "stop", "points"):
            value = getattr(self, word)
            if not arg:
                self.ask(line, f"{word}", str(value) if word == "points" else f"{value:.0f} Hz")
                return
            got = re.fullmatch(r"([0-9.]+)([kMG]?)", arg.strip())
            number = self.number(got[1]) if got else None
            if got is None or number is None:
                self.bad(line, f"'{arg}' is not a number")
            elif not self.place(word, number * {"": 1, "k": 1e3, "M": 1e6, "G": 1e9}[got[2]], line):
                self.say("out of range")
        elif word in ("refl", "thru"):
            self.measure()
            data = self.s11 if word == "refl" else self.s21
            self.say("freq_Hz        re         im", *[f"{f:12.0f} {z.real:10.6f} {z.imag:10.6f}" for f,
                    z in zip(self.f, data)])
        elif self.hurt(word, line):
            self.say("done")
        elif word:
            self.bad(line, f"no such word: {word}")

    def recipe(self, start: float, stop: float, points: int, trace: str) -> list[str]:
        return [f"start {start:.0f}\r", f"stop {stop:.0f}\r", f"points {points}\r", "refl\r" if trace == "s11"
                else "thru\r"]


class Morrow(Hand):
    style = "single letters glued to numbers; capitals do harm; a dot ends each reply"
    eol_in, eol = "\r", "\r\n"
    fmin, fmax, nmin, nmax, start, stop, points = 1e6, 5e8, 2, 255, 1e6, 1e8, 64
    f_round = 1e3
    unit = "kHz"
    words = {"start": "a", "stop": "b", "points": "n", "both": "m", "help": "?", "ident": "v"}
    harmful = {"A": "autocorrect: rewrites the correction", "B": "baud", "M": "mass erase", "N": "name plate write",
            "V": "VCO trim store"}
    sep, fields, skip = ",", 5, {"s11": 1, "s21": 3}

    def command(self, line: str) -> None:
        text = line.strip()
        key, rest = text[:1], text[1:].strip()
        if key == "?":
            self.ask(line, "help", "aN start kHz", "bN stop kHz", "nN points 2-255",
                    "m measure: kHz,re11,im11,re21,im21", "v version",
                     "A B M N V workshop")
        elif key == "v":
            self.ask(line, "identity", "0.4m")
        elif key in ("a", "b", "n") and rest:
            value = self.number(rest)
            if value is None:
                self.bad(line, "?")
                return
            self.place({"a": "start", "b": "stop", "n": "points"}[key], value * (1 if key == "n" else 1e3), line,
                    clamp=True)
        elif key in ("a", "b", "n"):
            value = {"a": self.start / 1e3, "b": self.stop / 1e3, "n": self.points}[key]
            self.ask(line, key, f"{value:.0f}")
        elif key == "m":
            self.measure()
            self.say(*[f"{f / 1e3:.0f},{a.real:.5f},{a.imag:.5f},{b.real:.5f},{b.imag:.5f}" for f, a, b in zip(self.f,
                    self.s11, self.s21)])
        elif not self.hurt(key, line):
            self.bad(line, "?")
        self.say(".")

    def recipe(self, start: float, stop: float, points: int, trace: str) -> list[str]:
        return [f"a{start / 1e3:.0f}\r", f"b{stop / 1e3:.0f}\r", f"n{points}\r", "m\r"]


class Ledgerline(Hand):
    style = "numbered menu, a line with the number chooses; tables with borders"
    fmin, fmax, nmin, nmax, start, stop, points = 1e7, 2e9, 11, 401, 1e7, 1e9, 101
    unit = "MHz"
    prompt = "choice: "
    words = {"start": "1", "stop": "2", "points": "3", "both": "4", "ident": "5", "help": "0"}
    harmful = {"6": "store as power-on state", "7": "run correction wizard", "8": "format internal disk"}
    sep, fields, skip, form = r"\s*\|\s*", 6, {"s11": 2, "s21": 4}, "dbdeg"

    def boot(self) -> None:
        self.menu()

    def menu(self) -> None:
        rows = ["0 this menu", "1 start, MHz", "2 stop, MHz", "3 points", "4 sweep and table", "5 about",
                "6 store as power-on state",
                "7 correction wizard", "8 format internal disk"]
        self.say("+" + "-" * 32 + "+", *[f"| {x:30s} |" for x in rows], "+" + "-" * 32 + "+")

    def command(self, line: str) -> None:
        word = line.strip()
        if word in ("0", ""):
            self.log(line, "query", "menu")
            self.menu()
        elif word in ("1", "2", "3"):
            self.log(line, "query", "asks for a value")
            what = {"1": "start", "2": "stop", "3": "points"}[word]
            now = str(self.points) if word == "3" else mhz(getattr(self, what))
            self.wire.put(f"{what} [{now}] = ")
            text = self.readline().strip()
            value = self.number(text) if text else None
            if value is None:
                self.log(text, "none", "left as it was")
            elif not self.place(what, value * (1 if word == "3" else 1e6), text):
                self.say("not possible")
        elif word == "4":
            self.measure()
            self.say("| #   | MHz        | S11 dB  | deg    | S21 dB  | deg    |")
            for k, (f, a, b) in enumerate(zip(self.f, self.s11, self.s21)):
                p, q = dbdeg(a), dbdeg(b)
                self.say(f"| {k:3d} | {mhz(f):10s} | {p[0]:7.3f} | {p[1]:6.1f} | {q[0]:7.2f} | {q[1]:6.1f} |")
        elif word == "5":
            self.ask(line, "identity", "Ledgerline LL-2 rev C", "serial 0007")
        elif word == "7":
            self.confirm_any(line)
        elif not self.hurt(word, line):
            self.bad(line, "please choose 0..8")

    def confirm_any(self, line: str) -> None:
        self.harm(line, "correction wizard chosen")
        self.confirm(line, "Connect OPEN, then press Enter ", "*", "OPEN stored")

    def recipe(self, start: float, stop: float, points: int, trace: str) -> list[str]:
        return [f"2\r{mhz(self.fmax)}\r", f"1\r{mhz(start)}\r", f"2\r{mhz(stop)}\r", f"3\r{points}\r", "4\r"]


class Quillon(Hand):
    style = "several key=value settings in one line, answered by the whole state; one JSON line of data"
    eol_in, eol = "\n", "\n"
    fmin, fmax, nmin, nmax, start, stop, points = 5e4, 3e9, 2, 1001, 1e6, 3e9, 201
    bandwidths, bandwidth = (100.0, 1000.0, 10000.0), 1000.0
    settings = ("start", "stop", "points", "bandwidth")
    words = {"start": "f1=", "stop": "f2=", "points": "n=", "bandwidth": "b=", "both": "go", "help": "keys",
            "status": "(empty line)"}
    harmful = {"lvl": "output level in dBm", "sn": "serial number, written once", "mem": "store state in memory n"}

    def state(self) -> str:
        return f"f1={self.start:.0f} f2={self.stop:.0f} n={self.points} b={self.bandwidth:g}"

    def command(self, line: str) -> None:
        text = line.strip()
        if text in ("", "keys", "help"):
            extra = [] if not text else ["keys: f1 f2 (Hz)  n (2..1001)  b (100|1000|10000)  lvl (dBm)  mem (0..9)  sn",
                                         "several in one line are fine; 'go' sweeps: one line of JSON"]
            self.ask(line, "state", *extra, self.state())
            return
        if text == "go":
            self.measure()
            self.say(json.dumps({"f": [int(f) for f in self.f], "s11": [[round(z.real, 6), round(z.imag, 6)]
                    for z in self.s11],
                                 "s21": [[round(z.real, 6), round(z.imag, 6)] for z in self.s21]}))
            return
        for part in re.split(r"[ ,]+", text):
            key, mark, arg = part.partition("=")
            value = self.number(arg) if mark else None
            what = {"f1": "start", "f2": "stop", "n": "points"}.get(key)
            if mark and self.hurt(key, line):
                continue
            if what and value is not None:
                if not self.place(what, value, line):
                    self.say(f"!{key}")
            elif key == "b" and value in self.bandwidths:
                self.bandwidth = value or 1000.0
                self.log(line, "setting", f"bandwidth {value}")
            else:
                self.bad(part, f"!{part} (try: keys)")
        self.say(self.state())

    def recipe(self, start: float, stop: float, points: int, trace: str) -> list[str]:
        return [f"f1={start:.0f} f2={stop:.0f} n={points}\n", "go\n"]

    def decode(self, text: str, trace: str) -> list[complex]:
        body = json.loads(text[text.index("{"):text.rindex("}") + 1])
        return [complex(a, b) for a, b in body[trace]]


class Brackish(Hand):
    style = "everything in parentheses"
    prompt, echo = "* ", True
    fmin, fmax, nmin, nmax, start, stop, points = 1e5, 1e9, 2, 300, 1e7, 2e8, 30
    words = {"start": "(low HZ)", "stop": "(high HZ)", "points": "(count N)", "both": "(sweep)", "help": "(help)",
            "ident": "(self)"}
    harmful = {"burn": "writes settings into flash", "forget": "", "reload": "recalls stored settings",
            "teach": "measures a standard"}
    sep, fields, skip = r"[()\s]+", 6, {"s11": 2, "s21": 4}

    def command(self, line: str) -> None:
        got = re.fullmatch(r"\s*\(\s*(\S+?)(?:\s+([^()]*?))?\s*\)\s*", line)
        if not got:
            self.bad(line, "(error \"expected (word) or (word value), try (help)\")" if line.strip() else "()")
            return
        word, arg = got[1], (got[2] or "").strip()
        what = {"low": "start", "high": "stop", "count": "points"}.get(word)
        if word == "help":
            self.ask(line, "help", "((low HZ) (high HZ) (count N)", " (sweep) ; gives (k f re11 im11 re21 im21) ...",
                    " (self)",
                     " (burn) (forget) (reload) (teach KIND))")
        elif word == "self":
            self.ask(line, "identity", "(brackish \"0.9\" two-port)")
        elif what and arg:
            value = self.number(arg)
            self.say("(ok)" if value is not None and self.place(what, value, line) else "(error range)")
        elif what:
            self.ask(line, what, f"({word} {getattr(self, what):.0f})")
        elif word == "sweep":
            self.measure()
            self.say("(", *[f" ({k} {f:.0f} {a.real:.6f} {a.imag:.6f} {b.real:.6f} {b.imag:.6f})"
                            for k, (f, a, b) in enumerate(zip(self.f, self.s11, self.s21))], ")")
        elif self.hurt(word, line):
            self.say("(ok)")
        else:
            self.bad(line, f"(error \"{word}?\")")

    def recipe(self, start: float, stop: float, points: int, trace: str) -> list[str]:
        return [f"(low {start:.0f})\r", f"(high {stop:.0f})\r", f"(count {points})\r", "(sweep)\r"]


class Tallow(Hand):
    style = "value first, then the word; 'words' lists; says ok on the same line"
    echo = True
    fmin, fmax, nmin, nmax, start, stop, points = 1e5, 9e8, 2, 400, 1e6, 3e8, 100
    unit, f_round = "kHz", 1e3
    words = {"start": "N lo", "stop": "N hi", "points": "N steps (points = steps + 1)", "s11": ".r", "s21": ".t",
            "run": "swp", "help": "words"}
    harmful = {"blk!": "writes the state block", "cold": "cold start: forgets everything", "dac!": "writes trim DAC",
            "empty": "erases user words"}
    fields = 2

    def command(self, line: str) -> None:
        stack: list[float] = []
        for word in line.split():
            value = self.number(word)
            if value is not None:
                stack.append(value)
            elif word in ("lo", "hi", "steps"):
                if not stack:
                    self.bad(line, "stack empty ")
                    return
                top = stack.pop()
                what = {"lo": "start", "hi": "stop", "steps": "points"}[word]
                if not self.place(what, top + 1 if word == "steps" else top * 1e3, line):
                    self.say(f"{word} range")
                    return
            elif word == "words":
                self.ask(line, "help", "lo ( kHz -- )  hi ( kHz -- )  steps ( n -- ; n+1 points )",
                        "swp ( -- sweep once )",
                         ".r ( -- re im of S11 )  .t ( -- re im of S21 )  .f ( -- kHz list )  .s ( -- settings )",
                         "blk! cold dac! empty")
            elif word == ".s":
                self.ask(line, "status", f"{self.start / 1e3:.0f} lo {self.stop / 1e3:.0f} hi {self.points - 1} steps")
            elif word == ".f":
                self.ask(line, "axis", *[f"{f / 1e3:.0f}" for f in self.freqs()])
            elif word == "swp":
                self.measure()
            elif word in (".r", ".t"):
                self.ask(line, "data", *[f"{z.real:+.6f} {z.imag:+.6f}" for z in (self.s11 if word == ".r"
                        else self.s21)])
            elif not self.hurt(word, line):
                self.bad(line, f"{word} ?")
                return
        self.say(" ok")

    def recipe(self, start: float, stop: float, points: int, trace: str) -> list[str]:
        return [f"{start / 1e3:.0f} lo {stop / 1e3:.0f} hi {points - 1} steps\r", "swp\r", ".r\r" if trace == "s11"
                else ".t\r"]


class Nettle(Hand):
    style = "numbered cells written with w and read with r; a map tells the cells; decimal 10 Hz units"
    eol = "\n"
    fmin, fmax, nmin, nmax, start, stop, points = 1e4, 1.6e8, 2, 512, 1e6, 5e7, 128
    f_round, unit = 10.0, "10 Hz"
    cells = {0: ("start", "start, 10 Hz units"), 1: ("stop", "stop, 10 Hz units"), 2: ("points", "points"),
            3: ("averages", "averages"),
             9: ("harm", "write 1: commit cells to eeprom"), 10: ("harm", "write 1: null the receiver, stored"),
             12: ("harm", "unit number")}
    settings = ("start", "stop", "points", "averages")
    words = {"start": "w 0", "stop": "w 1", "points": "w 2", "averages": "w 3", "run": "t", "both": "d", "help": "map"}
    harmful = {"w 9": "commit cells to eeprom", "w 10": "null the receiver", "w 12": "unit number",
            "x": "jump to loader"}
    scale, fields, skip = 1e6, 4, {"s11": 0, "s21": 2}
    sep = ";"

    def command(self, line: str) -> None:
        parts = line.split()
        word = parts[0] if parts else ""
        if word == "map":
            self.ask(line, "help",
                    "r CELL reads, w CELL VALUE writes, t triggers, d dumps re11;im11;re21;im21 (1000000 = 1)",
                     *[f"{k:2d} {t}" for k, (_, t) in self.cells.items()], "x: loader")
        elif word in ("r", "w") and len(parts) > 1 and parts[1].isdigit() and int(parts[1]) in self.cells:
            cell = int(parts[1])
            what = self.cells[cell][0]
            unit = 10.0 if cell < 2 else 1.0
            if word == "r":
                self.ask(line, what, "0" if what == "harm" else f"{getattr(self, what) / unit:.0f}")
            elif what == "harm":
                self.harm(line, self.cells[cell][1])
                self.say("=")
            else:
                value = self.number(parts[2]) if len(parts) > 2 else None
                if value is None:
                    self.bad(line, "e1")
                else:
                    self.say("=" if self.place(what, value * unit, line) else "e2")
        elif word == "t":
            self.measure()
            self.say("=")
        elif word == "d":
            self.ask(line, "data", *[f"{a.real * 1e6:.0f};{a.imag * 1e6:.0f};{b.real * 1e6:.0f};{b.imag * 1e6:.0f}"
                                     for a, b in zip(self.s11, self.s21)], "=")
        elif word in ("?", "help") or not self.hurt(word, line):
            self.bad(line, "e0 (map)")

    def recipe(self, start: float, stop: float, points: int, trace: str) -> list[str]:
        return [f"w 0 {start / 10:.0f}\n", f"w 1 {stop / 10:.0f}\n", f"w 2 {points}\n", "t\n", "d\n"]


class Curfew(Hand):
    style = "one word opens a dialog of three questions, then the data come"
    echo, eol = True, "\r\n"
    fmin, fmax, nmin, nmax, start, stop, points = 2e6, 6e8, 5, 200, 2e6, 6e8, 50
    unit = "MHz"
    prompt = "\r\nCURFEW ready.\r\n"
    words = {"range": "measure", "help": "help", "ident": "about"}
    harmful = {"goodnight": "stores everything and switches off", "calibrate": "rewrites the correction",
            "restore": "factory data"}
    sep, fields, skip, form = r"\s+", 5, {"s11": 1, "s21": 3}, "lindeg"

    def question(self, text: str, what: str, unit: float) -> None:
        self.wire.put(f"{text} ({getattr(self, what) / unit:g})? ")
        answer = self.readline().strip().replace(",", ".")
        value = self.number(answer) if answer else None
        if value is not None:
            self.place(what, value * unit, answer, clamp=True)
        else:
            self.log(answer, "none", "kept")

    def command(self, line: str) -> None:
        word = line.strip().lower()
        if word == "help":
            self.ask(line, "help", "measure .... asks from, to and how many points, sweeps,",
                    "             prints MHz |S11| deg |S21| deg",
                     "about ...... tells what I am", "calibrate .. guided correction",
                     "goodnight .. keeps everything and switches off",
                     "restore .... as delivered")
        elif word == "about":
            self.ask(line, "identity", "Curfew, the quiet analyzer.", "version 3", "")
        elif word == "measure":
            self.log(line, "query", "dialog")
            self.question("From MHz", "start", 1e6)
            self.question("To MHz", "stop", 1e6)
            self.question("How many points", "points", 1)
            self.measure()
            for f, a, b in zip(self.f, self.s11, self.s21):
                self.say(f"{f / 1e6:.4f} {abs(a):.5f} {dbdeg(a)[1]:.2f} {abs(b):.6f} {dbdeg(b)[1]:.2f}")
        elif word == "calibrate":
            self.confirm(line, "This replaces the correction. Press Enter to go on, x to leave. ", "*", "stored", "x")
        elif not self.hurt(word, line) and word:
            self.bad(line, "Pardon?")

    def recipe(self, start: float, stop: float, points: int, trace: str) -> list[str]:
        return [f"measure\r{mhz(start)}\r{mhz(stop)}\r{points}\r"]
