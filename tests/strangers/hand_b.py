"""Owns hand-written consoles 9..16."""

from __future__ import annotations

import json
import re

from .hand_base import Hand, dbdeg, mhz


class Gantry(Hand):
    style = "a tree of nodes: dir, see, put; looking at one node does harm"
    prompt, echo, eol_in = "gantry:/ ", True, "\r\n"
    fmin, fmax, nmin, nmax, start, stop, points = 1e5, 2.7e9, 2, 801, 1e6, 1e9, 101
    words = {"start": "put sweep/first", "stop": "put sweep/last", "points": "put sweep/n", "averages": "put sweep/avg",
             "s11": "see trace/11", "s21": "see trace/21", "help": "dir", "ident": "see info/name"}
    settings = ("start", "stop", "points", "averages")
    harmful = {"flash/commit": "looking at it commits the settings", "flash/erase": "erases",
            "cor/zero": "overwrites the correction",
               "gen/level": "generator level"}
    fields, sep, skip = 3, r"\s*,\s*", {"s11": 1, "s21": 1}
    tree = {"sweep/first": "start", "sweep/last": "stop", "sweep/n": "points", "sweep/avg": "averages"}

    def command(self, line: str) -> None:
        parts = line.split()
        word, node, arg = (parts + ["", "", ""])[:3]
        if word == "dir":
            self.ask(line, "help", "verbs: dir, see NODE, put NODE VALUE", "sweep/first   Hz", "sweep/last    Hz",
                    "sweep/n       points",
                     "sweep/avg     averages", "trace/11      Hz, re, im (sweeps)",
                     "trace/21      Hz, re, im (sweeps)", "info/name",
                     "flash/commit", "flash/erase", "cor/zero", "gen/level     dBm")
        elif word in ("see", "put") and node in self.harmful:
            self.hurt(node, line)
            self.say("1")
        elif word == "see" and node == "info/name":
            self.ask(line, "identity", "gantry-2p 5.1")
        elif word == "see" and node in self.tree:
            self.ask(line, node, f"{getattr(self, self.tree[node]):.0f}")
        elif word == "see" and node in ("trace/11", "trace/21"):
            self.measure()
            self.say(*[f"{f:.0f}, {z.real:.7f}, {z.imag:.7f}" for f, z in zip(self.f, self.s11 if node == "trace/11"
                    else self.s21)])
        elif word == "put" and node in self.tree and (value := self.number(arg)) is not None:
            if not self.place(self.tree[node], value, line):
                self.say(f"{node}: value refused")
        elif word:
            self.bad(line, f"{node or word}: no such node" if word in ("see", "put")
                    else f"{word}: verbs are dir see put")

    def recipe(self, start: float, stop: float, points: int, trace: str) -> list[str]:
        return [f"put sweep/first {start:.0f}\r", f"put sweep/last {stop:.0f}\r", f"put sweep/n {points}\r",
                f"see trace/{trace[1:]}\r"]


class Osprey(Hand):
    style = "talks from power-on: tagged lines without end, until the line 'quiet'"
    fmin, fmax, nmin, nmax, start, stop, points = 1e6, 1e9, 2, 200, 1e7, 1e8, 21
    unit = "kHz"
    words = {"start": "left", "stop": "right", "points": "dots", "run": "talk", "hold": "quiet", "single": "once",
            "help": "help"}
    harmful = {"learn": "takes the present trace as new reference", "perch": "stores state for power-on",
            "moult": "factory data"}
    fields, skip, sep = 5, {"s11": 3, "s21": 3}, r"[ :]+"
    talking = True

    def lines(self) -> list[str]:
        self.measure()
        out = []
        for k, (f, a, b) in enumerate(zip(self.f, self.s11, self.s21)):
            out += [f"R {k}: {f / 1e3:.3f} {a.real:.5f} {a.imag:.5f}",
                    f"T {k}: {f / 1e3:.3f} {b.real:.5f} {b.imag:.5f}"]
        return out

    def run(self) -> None:
        text = ""
        while True:
            if self.talking:
                self.say(*self.lines(), "")
            char = self.wire.getch(0.02 if self.talking else None)
            if char is None:
                continue
            if char in "\r\n":
                self.command(text)
                text = ""
            else:
                text += char

    def command(self, line: str) -> None:
        word, _, arg = line.strip().lower().partition(" ")
        if word in ("quiet", "talk"):
            self.talking = word == "talk"
            self.log(line, "setting", word)
            self.say("quiet now, 'help' lists" if word == "quiet" else "talking")
        elif word == "once":
            self.say(*self.lines(), "")
        elif word == "help":
            self.ask(line, "help", "quiet/talk  stop or go on with the stream",
                    "once        one sweep: R = reflection, T = transmission, kHz re im",
                     "left KHZ, right KHZ, dots N", "learn perch moult   (see sheet 4)")
        elif word in ("left", "right", "dots") and (value := self.number(arg)) is not None:
            what = {"left": "start", "right": "stop", "dots": "points"}[word]
            self.say("set" if self.place(what, value * (1 if word == "dots" else 1e3), line) else "cannot")
        elif word in ("left", "right", "dots"):
            self.ask(line, word, {"left": f"{self.start / 1e3:g}", "right": f"{self.stop / 1e3:g}",
                    "dots": str(self.points)}[word])
        elif self.hurt(word, line):
            self.say("set")
        elif word:
            self.bad(line, "eh? (quiet stops the stream, help lists)")

    def recipe(self, start: float, stop: float, points: int, trace: str) -> list[str]:
        return ["quiet\r", f"left {start / 1e3:g}\r", f"right {stop / 1e3:g}\r", f"dots {points}\r", "once\r"]

    def decode(self, text: str, trace: str) -> list[complex]:
        head = "R" if trace == "s11" else "T"
        return super().decode("\n".join(x for x in re.split(r"[\r\n]+", text) if x.startswith(head)), trace)


class Haberdash(Hand):
    style = "small sentences, prose help"
    prompt = "? "
    fmin, fmax, nmin, nmax, start, stop, points = 1e5, 5e8, 3, 333, 1e6, 1e8, 33
    unit = "MHz"
    words = {"start": "from N", "stop": "to N", "points": "with N points", "s11": "tell reflection",
            "s21": "tell through", "help": "help"}
    harmful = {"remember": "stores the set-up", "correct": "redoes the correction", "renew": "factory state"}
    sep, fields = r"[\s]+", 2

    def command(self, line: str) -> None:
        text = line.strip().lower()
        word = text.split(" ")[0] if text else ""
        if word == "help":
            self.ask(line, "help", "Say 'from 10 to 50 with 21 points' (megahertz) or any part of it. Say",
                    "'tell reflection' or 'tell through' and I sweep and give real and",
                     "imaginary part of each point. Say 'say' to hear the settings.",
                     "I can also 'remember' (for ever), 'correct' and 'renew'.")
        elif word == "say":
            self.ask(line, "status",
                    f"I sweep from {mhz(self.start)} to {mhz(self.stop)} MHz with {self.points} points.")
        elif word in ("from", "to", "with"):
            for key, number in re.findall(r"(from|to|with)\s+([0-9.]+)", text):
                value = self.number(number)
                if value is not None and not self.place({"from": "start", "to": "stop", "with": "points"}[key],
                                                        value * (1 if key == "with" else 1e6), line):
                    self.say(f"I cannot do '{key} {number}'.")
            self.say("All right.")
        elif text in ("tell reflection", "tell through"):
            self.measure()
            self.say("Here it is:", *[f"{z.real:.5f}  {z.imag:.5f}" for z in (self.s11 if "ref" in text
                    else self.s21)], "That was all.")
        elif self.hurt(word, line):
            self.say("All right.")
        elif word:
            self.bad(line, f"I do not know '{word}'. Say help.")

    def recipe(self, start: float, stop: float, points: int, trace: str) -> list[str]:
        return [f"from {mhz(start)} to {mhz(stop)} with {points} points\r", "tell reflection\r" if trace == "s11"
                else "tell through\r"]


class Knell(Hand):
    style = "JSON in, JSON out; the error tells how to ask for the list"
    eol_in, eol = "\n", "\n"
    fmin, fmax, nmin, nmax, start, stop, points = 1e6, 4.4e9, 2, 2001, 1e8, 3e9, 201
    words = {"start": '{"op":"set","f0":N}', "stop": '{"op":"set","f1":N}', "points": '{"op":"set","n":N}',
            "both": '{"op":"sweep"}',
             "help": '{"op":"ops"}'}
    harmful = {"persist": "settings to flash", "selfcal": "overwrites the correction", "rfout": "source on or off",
            "reflash": "firmware"}

    def command(self, line: str) -> None:
        if not line.strip():
            return
        try:
            body = json.loads(line)
            op = str(body["op"])
        except (ValueError, KeyError, TypeError):
            self.bad(line, '{"err":"want an object with op","try":{"op":"ops"}}')
            return
        keys = {"f0": "start", "f1": "stop", "n": "points"}
        if op == "ops":
            self.ask(line, "help", json.dumps({"ops": {"set": {"f0": "Hz", "f1": "Hz", "n": "2..2001"}, "get": "",
                    "sweep": "f, s11, s21 as [re, im]",
                                                       "who": "", "persist": "", "selfcal": "", "rfout": "0|1",
                                                       "reflash": ""}}))
        elif op == "set":
            fine = all(self.place(keys[k], float(v), line) for k, v in body.items() if k in keys and isinstance(v,
                    (int, float)))
            self.say('{"ok":true}' if fine else '{"err":"range"}')
        elif op == "get":
            self.ask(line, "status", json.dumps({"f0": self.start, "f1": self.stop, "n": self.points}))
        elif op == "who":
            self.ask(line, "identity", '{"who":"knell","fw":"0.12"}')
        elif op == "sweep":
            self.measure()
            for f, a, b in zip(self.f, self.s11, self.s21):
                self.say(json.dumps({"f": int(f), "s11": [round(a.real, 6), round(a.imag, 6)],
                        "s21": [round(b.real, 6), round(b.imag, 6)]}))
            self.say('{"end":true}')
        elif self.hurt(op, line):
            self.say('{"ok":true}')
        else:
            self.bad(line, '{"err":"no such op","try":{"op":"ops"}}')

    def recipe(self, start: float, stop: float, points: int, trace: str) -> list[str]:
        return [f'{{"op":"set","f0":{start:.0f},"f1":{stop:.0f},"n":{points}}}\n', '{"op":"sweep"}\n']

    def decode(self, text: str, trace: str) -> list[complex]:
        return [complex(*json.loads(x)[trace]) for x in text.splitlines() if x.startswith('{"f"')]


class Cobbler(Hand):
    style = "each line ends with a sum; a wrong one is answered with the right one"
    eol_in, eol = "\r", "\r\n"
    fmin, fmax, nmin, nmax, start, stop, points = 1e5, 1e9, 2, 256, 1e6, 5e8, 64
    words = {"start": "lo,N~ss", "stop": "hi,N~ss", "points": "np,N~ss", "both": "mx~ss", "help": "ls~ss",
            "ident": "id~ss"}
    harmful = {"wr": "write set-up", "cz": "zero the correction", "bd": "baud rate"}
    sep, fields, skip = r"[,~]", 5, {"s11": 0, "s21": 2}

    @staticmethod
    def sum_of(text: str) -> str:
        return f"{sum(map(ord, text)) % 100:02d}"

    def tell(self, *lines: str) -> None:
        self.say(*[f"{x}~{self.sum_of(x)}" for x in lines])

    def command(self, line: str) -> None:
        text, mark, total = line.strip().partition("~")
        word, _, arg = text.partition(",")
        what = {"lo": "start", "hi": "stop", "np": "points"}.get(word)
        if not mark or total != self.sum_of(text):
            self.bad(line, f"sum? want {text}~{self.sum_of(text)} (list: ls~{self.sum_of('ls')})")
        elif word == "ls":
            self.log(line, "query", "help")
            self.tell("lo,HZ", "hi,HZ", "np,N", "mx=measure re11,im11,re21,im21", "id", "wr=write set-up",
                    "cz=zero correction", "bd=baud")
        elif word == "id":
            self.log(line, "query", "identity")
            self.tell("cobbler,2")
        elif what and arg and (value := self.number(arg)) is not None:
            self.tell("ok" if self.place(what, value, line) else "no")
        elif what:
            self.log(line, "query", what)
            self.tell(f"{word},{getattr(self, what):.0f}")
        elif word == "mx":
            self.measure()
            self.tell(*[f"{a.real:.5f},{a.imag:.5f},{b.real:.5f},{b.imag:.5f}" for a, b in zip(self.s11, self.s21)],
                    "end")
        elif self.hurt(word, line):
            self.tell("ok")
        else:
            self.log(line, "none", "not understood")
            self.tell("what")

    def recipe(self, start: float, stop: float, points: int, trace: str) -> list[str]:
        return [f"{x}~{self.sum_of(x)}\r" for x in (f"lo,{start:.0f}", f"hi,{stop:.0f}", f"np,{points}", "mx")]


class Vesper(Hand):
    style = "three capitals with commas, polled, fixed-point hex"
    eol_in, eol = "\r\n", "\r"
    fmin, fmax, nmin, nmax, start, stop, points = 1e6, 1.5e9, 11, 501, 1e6, 1e9, 101
    unit, f_round = "kHz", 1e3
    words = {"range": "FRQ,a,b", "points": "PTS,n", "run": "MES", "poll": "STA", "s11": "RDR", "s21": "RDT",
            "help": "CMD", "ident": "VER"}
    harmful = {"STO": "store registers", "CAL": "take a standard", "INI": "initialise memory", "LEV": "output level"}

    def command(self, line: str) -> None:
        word, *args = [x.strip() for x in line.strip().split(",")]
        numbers = [self.number(x) for x in args]
        if word == "CMD":
            self.ask(line, "help", "FRQ,start,stop (kHz) PTS,n MES STA (1 busy 0 ready)",
                    "RDR RDT reflection, transmission: rrrriiii hex, 2000 = 1.0",
                     "STO CAL INI LEV VER", "OK")
        elif word == "VER":
            self.ask(line, "identity", "VESPER,1.1", "OK")
        elif word == "FRQ" and len(numbers) == 2 and None not in numbers:
            a, b = float(numbers[0] or 0) * 1e3, float(numbers[1] or 0) * 1e3
            fine = a <= b and self.place("start", a, line) and self.place("stop", b, line)
            self.say("OK" if fine else "E3")
        elif word == "FRQ":
            self.ask(line, "range", f"{self.start / 1e3:.0f},{self.stop / 1e3:.0f}", "OK")
        elif word == "PTS" and numbers and numbers[0] is not None:
            self.say("OK" if self.place("points", numbers[0], line) else "E3")
        elif word == "PTS":
            self.ask(line, "points", str(self.points), "OK")
        elif word == "MES":
            self.measure(wait=False)
            self.say("OK")
            self.wire.nap(self.sweep_time())
        elif word == "STA":
            self.ask(line, "state", "0", "OK")
        elif word in ("RDR", "RDT"):
            self.log(line, "query", "data")
            data = self.s11 if word == "RDR" else self.s21
            self.say(*["".join(f"{int(round(x * 0x2000)) & 0xFFFF:04X}" for x in (z.real, z.imag)) for z in data], "OK")
        elif self.hurt(word, line):
            self.say("OK")
        elif word:
            self.bad(line, "E1")

    def recipe(self, start: float, stop: float, points: int, trace: str) -> list[str]:
        return [f"FRQ,{start / 1e3:.0f},{stop / 1e3:.0f}\r", f"PTS,{points}\r", "MES\r", "RDR\r" if trace == "s11"
                else "RDT\r"]

    def decode(self, text: str, trace: str) -> list[complex]:
        found = []
        for row in re.findall(r"^([0-9A-F]{8})$", text.replace("\r", "\n"), re.M):
            parts = [int(row[:4], 16), int(row[4:], 16)]
            found.append(complex(*[(x - 65536 if x > 32767 else x) / 0x2000 for x in parts]))
        return found


class Lantern(Hand):
    style = "GET and PUT on paths; GET / lists"
    eol_in = "\n"
    fmin, fmax, nmin, nmax, start, stop, points = 1e5, 6e9, 2, 1000, 1e8, 3e9, 100
    unit = "MHz"
    words = {"start": "PUT /f/start", "stop": "PUT /f/stop", "points": "PUT /f/points", "s11": "GET /s11",
            "s21": "GET /s21", "help": "GET /"}
    harmful = {"/flash": "PUT stores", "/boot": "GET restarts in the loader", "/std": "PUT takes a standard"}
    sep, fields, skip, form = r"\s*;\s*", 3, {"s11": 1, "s21": 1}, "dbdeg"
    tree = {"/f/start": "start", "/f/stop": "stop", "/f/points": "points"}

    def command(self, line: str) -> None:
        verb, path, arg = (line.split() + ["", "", ""])[:3]
        if verb == "GET" and path == "/":
            self.ask(line, "help", "200", "/f/start MHz", "/f/stop MHz", "/f/points 2-1000", "/s11 MHz;dB;deg",
                    "/s21 MHz;dB;deg", "/name",
                     "/flash", "/boot", "/std o|s|l|t", "")
        elif verb in ("GET", "PUT") and path in self.harmful:
            if verb == "GET" and path != "/boot":
                self.ask(line, "reads a harmful node harmlessly", "200", "0", "")
            else:
                self.hurt(path, line)
                self.say("200", "")
        elif verb == "GET" and path == "/name":
            self.ask(line, "identity", "200", "lantern v8", "")
        elif verb == "GET" and path in self.tree:
            value = getattr(self, self.tree[path])
            self.ask(line, path, "200", str(value) if path == "/f/points" else mhz(value), "")
        elif verb == "GET" and path in ("/s11", "/s21"):
            self.measure()
            data = [(f, dbdeg(z)) for f, z in zip(self.f, self.s11 if path == "/s11" else self.s21)]
            self.say("200", *[f"{f / 1e6:.6f}; {p[0]:.3f}; {p[1]:.2f}" for f, p in data], "")
        elif verb == "PUT" and path in self.tree and (value := self.number(arg)) is not None:
            fine = self.place(self.tree[path], value * (1 if path == "/f/points" else 1e6), line)
            self.say("200" if fine else "416 limits", "")
        elif verb:
            self.bad(line, "404 (GET / lists)" if verb in ("GET", "PUT") else "405 GET or PUT", "")

    def recipe(self, start: float, stop: float, points: int, trace: str) -> list[str]:
        return [f"PUT /f/start {mhz(start)}\n", f"PUT /f/stop {mhz(stop)}\n", f"PUT /f/points {points}\n",
                f"GET /{trace}\n"]


class Mangle(Hand):
    style = "coloured terminal, echoes with backspaces, pager help, redraws"
    prompt, echo = "\x1b[36mmangle\x1b[0m\x1b[K # ", True
    fmin, fmax, nmin, nmax, start, stop, points = 3e5, 1.3e9, 11, 401, 1e6, 5e8, 101
    words = {"centre": "mid", "span": "wid", "points": "res", "both": "vec", "help": "help", "ident": "uname2p"}
    settings = ("centre", "span", "points")
    harmful = {"fsck": "rebuilds the file system, files are lost", "nvset": "writes a non-volatile variable",
            "isp": "in-system programming",
               "calmk": "makes a new correction"}
    sep, fields, skip = r"\t", 5, {"s11": 1, "s21": 3}

    def echoed(self, char: str) -> str:
        return f"{char}\x1b[K"

    def command(self, line: str) -> None:
        word, _, arg = line.strip().partition(" ")
        middle, wide = (self.start + self.stop) / 2, self.stop - self.start
        if word == "help":
            self.log(line, "query", "help")
            rows = ["mid HZ    middle of the sweep", "wid HZ    width", "res N     points, 11..401",
                    "vec       sweep, tab separated: Hz re11 im11 re21 im21",
                    "uname2p   version", "ps        tasks", "fsck      check and rebuild files", "nvset     k v",
                    "isp", "calmk"]
            self.say(*rows[:6])
            self.wire.put("\x1b[7m-- more (space) --\x1b[0m")
            self.log(self.wire.getch() or "", "none", "pager key")
            self.say("", *rows[6:])
        elif word in ("mid", "wid") and arg:
            value = self.number(arg)
            middle, wide = (value, wide) if word == "mid" and value is not None else (middle, value
                    if value is not None else wide)
            a, b = middle - wide / 2, middle + wide / 2
            if value is None or not self.fmin <= a <= b <= self.fmax:
                self.bad(line, "\x1b[31mlimits\x1b[0m")
                return
            self.start, self.stop = a, b
            self.log(line, "setting", f"{word} {value:.0f}")
        elif word in ("mid", "wid"):
            self.ask(line, word, f"{middle if word == 'mid' else wide:.0f}")
        elif word == "res":
            value = self.number(arg) if arg else None
            if value is None:
                self.ask(line, "points", str(self.points))
            elif not self.place("points", value, line):
                self.say("\x1b[31mlimits\x1b[0m")
        elif word == "vec":
            self.measure()
            self.say(*[f"{f:.0f}\t{a.real:.6e}\t{a.imag:.6e}\t{b.real:.6e}\t{b.imag:.6e}" for f, a, b in zip(self.f,
                    self.s11, self.s21)])
        elif word in ("uname2p", "ps"):
            self.ask(line, "harmless", "mangle 1.0.3 two-port" if word == "uname2p" else "idle 93% usb 4% rf 3%")
        elif not self.hurt(word, line) and word:
            self.bad(line, f"{word}: \x1b[31mnot found\x1b[0m")

    def recipe(self, start: float, stop: float, points: int, trace: str) -> list[str]:
        return ["wid 0\r", f"mid {(start + stop) / 2:.1f}\r", f"wid {stop - start:.0f}\r", f"res {points}\r", "vec\r"]
