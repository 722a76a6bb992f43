"""Owns a drawn console at work: reading a line, finding the word, settings, sweeps, data and help."""

from __future__ import annotations

import re
import time
from typing import Any

from .drawn_text import Speech
from .harmwords import Harm
from .values import parse, read_freq, show_freq, trace_lines
from .wire import Wire

FREQ_ROLES = ("start", "stop", "centre", "span", "step")


class Drawn(Speech):
    """Console number `seed`."""

    def __init__(self, seed: int, wire: Wire | None) -> None:
        super().__init__(seed, wire)
        self.changed = 0.0
        self.swept = -1e9
        self.running_until = 0.0
        self.selected = "s11"
        self.locked = self.spec.reason == "password"
        self.first = True

    # --- words -----------------------------------------------------------------
    def find(self, word: str) -> str:
        """Role behind a word ('' when there is none)."""
        fold = self.spec["case"] == "any"
        for role, name in self.table.items():
            if name == word or (fold and name.lower() == word.lower()):
                return role
        if self.spec["trap"] == "prefix" and len(word) >= 3:
            hits = [role for role, name in self.table.items() if name.lower().startswith(word.lower())]
            if len(hits) == 1:
                return hits[0]
        return ""

    def split(self, text: str) -> tuple[str, str, str]:
        """(role, operation set|get|bare, argument) of a typed line."""
        access = self.spec["access"]
        whole = self.find(text)
        if whole:
            return whole, "bare", ""
        if access == "setget" and (got := re.fullmatch(r"(set|get)\s+(\S+)\s*(.*)", text, re.I)):
            return self.find(got[2]), got[1].lower(), got[3]
        if access == "prefix" and (got := re.match(r"(set|get)(\w+)[ \t]*(.*)", text, re.I)) and self.find(got[2]):
            return self.find(got[2]), got[1].lower(), got[3]
        if access == "register" and (got := re.fullmatch(rf"{self.verb}\s*(\d+)\s*[= ]?\s*(.*)", text, re.I)):
            number = int(got[1])
            role = self.registers[number] if number < len(self.registers) else ""
            return role, "set" if got[2] else "get", got[2]
        if access in ("eq_q", "space_q") and text.endswith("?"):
            return self.find(text[:-1].strip()), "get", ""
        mark = {"eq_q": "=", "colon": ":", "comma_bare": ","}.get(access)
        if mark and mark in text:
            name, rest = text.split(mark, 1)
            if self.find(name.strip()):
                return self.find(name.strip()), "get" if rest.strip() == "?" else "set", rest.strip()
        if access == "glued" and (got := re.fullmatch(r"([A-Za-z]+)\s*([-0-9.,?].*)", text)) and (
                self.find(got[1])):
            return self.find(got[1]), "get" if got[2] == "?" else "set", got[2]
        name, _, rest = text.partition(" ")
        return self.find(name), "set" if rest.strip() else "bare", rest.strip()

    # --- one line --------------------------------------------------------------
    def command(self, line: str) -> None:
        text = line.strip()
        if not text:
            self.log(line, "none", "empty line")
            if self.spec["help_word"] == "enter":
                self.help("")
            return
        if self.locked:
            self.locked = text != self.password
            self.log(line, "none", "password " + ("wrong" if self.locked else "right"))
            self.answer([] if not self.locked else ["locked"])
            return
        if self.spec["trap"] == "shy" and self.first:
            self.first = False
            self.log(line, "none", "the first line after power-on is lost")
            self.error("word", text)
            return
        if self.spec.reason == "mute":
            self.log(line, "none", "unknown to everything")
            self.answer(["unknown"])
            return
        first, _, rest = text.partition(" ")
        if self.is_help(first):
            self.log(line, "query", "help")
            self.help(rest.strip())
            return
        role, op, arg = self.split(text)
        if role.startswith("harm:"):
            self.do_harm(self.harm_of[role], line, op, arg)
        elif role.startswith("fill:"):
            self.log(line, "query", "harmless extra")
            reply = next(f[2] for f in self.spec.fillers if "fill:" + f[0] == role)
            self.answer([reply] if reply else [])
        elif role in self.settings or role == "range":
            self.setting(role, line, op, arg)
        elif role:
            self.act(role, line)
        else:
            self.log(line, "none", "unknown word")
            self.error("word", first)

    def do_harm(self, harm: Harm, line: str, op: str, arg: str) -> None:
        readable = harm.kind in ("output", "identity", "trim") and self.spec["access"] not in ("write_only", "dialog")
        if readable and (op == "get" or (op == "bare" and self.spec["access"] in ("space_bare", "comma_bare"))) and (
                self.spec.extra["err"] > 1):
            self.log(line, "query", f"reads {harm.kind} of a word that would be harmful with a value")
            self.answer([{"output": "-3", "identity": "115200" if "b" in harm.name.lower() else "00417"}.get(harm.kind,
                    "12")])
            return
        how = self.spec["confirm"] if harm.kind in ("erase", "factory", "firmware", "correction",
                "standard") else "none"
        detail = f"{harm.kind}: {harm.description or 'no description'} ({harm.manner})"
        if how == "usage" and not arg:
            self.log(line, "none", f"harmful word without its argument: usage shown ({harm.kind})")
            self.answer([f"usage: {harm.name} now"])
        elif how == "yn":
            self.confirm(line, f"{harm.name}: sure? (y/n) ", tail="done.")
        elif how == "enter":
            self.confirm_key(line, "press Enter to continue, any other key leaves ", "\r\n")
        elif how == "anykey":
            self.confirm_key(line, "press any key to continue", "")
        else:
            self.harm(line, detail)
            self.wire.nap(0.2)
            self.answer(["saved"] if harm.kind == "save" and self.spec.extra["err"] % 2 else [])

    def confirm_key(self, line: str, question: str, keys: str) -> None:
        self.harm(line, "word received; waits for a key")
        self.wire.put(self.eol + question)
        char = self.wire.getch() or ""
        if not keys or char in keys:
            self.harm(char, f"key confirmed: {line}")
            self.answer(["finished"])
        else:
            self.log(char, "none", "not confirmed")
            self.answer(["left"])

    # --- settings --------------------------------------------------------------
    def shown(self, role: str, pad: bool = False) -> str:
        if role in FREQ_ROLES:
            hz = {"start": self.start, "stop": self.stop, "centre": (self.start + self.stop) / 2,
                  "span": self.stop - self.start, "step": self.step}[role]
            return show_freq(hz, self.spec["unit"], pad)
        if role == "bw":
            return str(self.bandwidths.index(self.bandwidth)) if self.spec["bw"] == "index" else f"{self.bandwidth:g}"
        if role == "select":
            return "1" if self.selected == "s11" else "2"
        return str({"points": self.points, "avg": self.averages}[role])

    def setting(self, role: str, line: str, op: str, arg: str) -> None:
        access, name = self.spec["access"], self.table[role]
        if role == "range" and (not arg or op == "get"):
            self.log(line, "query", "range without arguments")
            if self.spec["readback"] == "each":
                self.answer([self.joiner.join(self.shown(r) for r in ("start", "stop", "points"))])
            else:
                self.error("usage", name)
            return
        if access == "dialog" and op == "bare":
            self.log(line, "query", "dialog opened")
            arg = self.ask(role)
            if not arg:
                self.log(arg, "none", "dialog left unchanged")
                self.answer([])
                return
            line, op = arg, "set"
        if op == "get" or (op == "bare" and access not in ("eq_q", "space_q", "setget", "prefix")):
            if self.spec["readback"] == "each" and access not in ("write_only", "dialog"):
                self.log(line, "query", f"{role} is {self.shown(role)}")
                self.answer([self.read_form(role)])
                return
            if self.spec["trap"] == "default" and role in ("points", "bw", "avg") and op == "bare":
                self.points = self.spec.points if role == "points" else self.points
                self.averages = 1 if role == "avg" else self.averages
                self.bandwidth = self.bandwidths[0] if role == "bw" else self.bandwidth
                self.log(line, "setting", f"bare word sets the default: {role} {self.shown(role)}")
                self.touched()
                self.answer([])
                return
        if not arg:
            self.log(line, "none", "setting without a value")
            self.error("usage", name)
            return
        before = (self.start, self.stop, self.step, self.points, self.bandwidth, self.averages)
        remark = ""
        try:
            if role == "range":
                fields = [x for x in re.split({"space": r"\s+", "comma": r"\s*,\s*", "semicolon": r"\s*;\s*"}[
                    self.spec["combined"]], arg) if x]
                if len(fields) not in (2, 3):
                    self.log(line, "none", "wrong number of arguments")
                    self.error("usage", name)
                    return
                for part, text in zip(("start", "stop", "points"), fields):
                    remark = self.change(part, text) or remark
            else:
                remark = self.change(role, arg)
        except ValueError:
            self.log(line, "none", f"not understood as a value of {role}")
            self.error("value", arg)
            return
        except OverflowError as limit:
            (self.start, self.stop, self.step, self.points, self.bandwidth, self.averages) = before
            self.log(line, "none", f"refused: {limit}")
            self.error("range", str(limit))
            return
        self.touched()
        self.log(line, "setting", f"{role}: start {self.start:.0f} stop {self.stop:.0f} points {self.points} "
                                  f"bandwidth {self.bandwidth:g} averages {self.averages}")
        self.answer(([remark] if remark else []) + self.set_answer(role))

    def limit(self, value: float, low: float, high: float, told: str) -> tuple[float, str]:
        """The value inside its limits, by this console's manner; OverflowError means refused."""
        if low <= value <= high:
            return value, ""
        rule = self.spec["limits"]
        if rule == "refuse":
            raise OverflowError(told)
        if rule == "ignore":
            raise OverflowError("")
        return min(max(value, low), high), (f"limited to {told}" if rule == "remark" else "")

    def change(self, role: str, text: str) -> str:
        """Set one thing; returns a remark."""
        unit, grain = self.spec["unit"], self.f_round
        if role in FREQ_ROLES:
            hz = round(read_freq(text, unit) / grain) * grain
            told = f"{show_freq(self.fmin, unit)}..{show_freq(self.fmax, unit)}"
            if role == "step":
                hz, remark = self.limit(hz, 0, self.fmax - self.fmin, f"0..{show_freq(self.fmax - self.fmin, unit)}")
                self.step = hz
            elif role == "span":
                middle = (self.start + self.stop) / 2
                room = 2 * min(middle - self.fmin, self.fmax - middle)
                hz, remark = self.limit(hz, 0, room, f"0..{show_freq(room, unit)}")
                self.start, self.stop = middle - hz / 2, middle + hz / 2
            else:
                hz, remark = self.limit(hz, self.fmin, self.fmax, told)
                if role == "start":
                    self.start, self.stop = hz, max(self.stop, hz)
                elif role == "stop":
                    self.start, self.stop = min(self.start, hz), hz
                else:
                    half = min((self.stop - self.start) / 2, hz - self.fmin, self.fmax - hz)
                    self.start, self.stop = hz - half, hz + half
            self.derive()
            return remark
        if role == "points":
            return self.set_points(int(text))
        if role == "avg":
            value, remark = self.limit(int(text), 1, 100, "1..100")
            self.averages = int(value)
            return remark
        if role == "select":
            if text not in ("1", "2"):
                raise OverflowError("1..2")
            self.selected = "s11" if text == "1" else "s21"
            return ""
        if self.spec["bw"] == "index":
            value, remark = self.limit(int(text), 0, len(self.bandwidths) - 1, f"0..{len(self.bandwidths) - 1}")
            self.bandwidth = self.bandwidths[int(value)]
            return remark
        value, remark = self.limit(float(text), self.bandwidths[0], self.bandwidths[-1],
                                   f"{self.bandwidths[0]:g}..{self.bandwidths[-1]:g}")
        if self.spec["bw"] == "list" and value not in self.bandwidths:
            if self.spec["limits"] in ("refuse", "ignore"):
                raise OverflowError("one of " + " ".join(f"{x:g}" for x in self.bandwidths))
            value = min(self.bandwidths, key=lambda x: abs(x - value))
        self.bandwidth = value
        return remark

    def set_points(self, wanted: int) -> str:
        allowed = self.spec.point_list
        told = " ".join(map(str, allowed)) if allowed else f"{self.nmin}..{self.nmax}"
        if allowed and wanted not in allowed:
            if self.spec["limits"] in ("refuse", "ignore"):
                raise OverflowError(told if self.spec["limits"] == "refuse" else "")
            self.points = min(allowed, key=lambda x: abs(x - wanted))
            self.derive()
            return f"points now {self.points}" if self.spec["limits"] == "remark" else ""
        value, remark = self.limit(wanted, self.nmin, self.nmax, told)
        self.points = int(value)
        if self.spec["points_rule"] == "odd":
            self.points = min(self.points | 1, self.nmax | 1)
        self.derive()
        return remark

    def derive(self) -> None:
        """In a start-and-step console the end follows from the step."""
        if self.spec["shape"] == "startstep":
            self.stop = min(self.start + self.step * (self.points - 1), self.fmax)

    def touched(self) -> None:
        self.changed = time.monotonic()

    # --- sweeps and data -------------------------------------------------------
    def fresh(self) -> None:
        """Make the traces what this kind of sweeping would have in memory now."""
        mode, now = self.spec["sweep"], time.monotonic()
        if mode == "auto" or (mode in ("stream", "endless") and not len(self.f)):
            self.measure()
        elif mode == "free":
            took = 0.003 if self.wire.speed <= 0 else self.sweep_time() / self.wire.speed
            if not len(self.f) or (not self.held and now - max(self.swept, self.changed) >= took):
                self.measure(wait=not len(self.f))
                self.swept = time.monotonic()
        elif not len(self.f):
            self.measure(wait=False)

    def act(self, role: str, line: str) -> None:
        if role in ("s11", "s21", "both"):
            self.log(line, "query", f"data {role}")
            if self.spec["sweep"] == "poll" and time.monotonic() < self.running_until:
                self.error("busy", line)
                return
            self.fresh()
            self.answer(self.data(role), data=True)
        elif role == "freqs":
            self.log(line, "query", "frequency list")
            self.answer([show_freq(x, self.spec["unit"], True) for x in self.freqs()], data=True)
        elif role == "ident":
            self.log(line, "query", "identity")
            self.answer(self.identity())
        elif role == "status":
            self.log(line, "query", "status page")
            self.answer(self.status_lines())
        elif role == "poll":
            self.log(line, "query", "sweep state")
            self.answer([self.spec.busy if time.monotonic() < self.running_until else self.spec.ready])
        elif role == "hold":
            self.held = not self.held if self.spec["trap"] == "toggle" else True
            self.log(line, "setting", f"hold {self.held}")
            self.answer([])
        else:
            self.sweep_word(role, line)

    def sweep_word(self, role: str, line: str) -> None:
        mode = self.spec["sweep"]
        self.log(line, "sweep", f"word for a sweep ({mode})")
        if mode == "free" and role == "run":
            self.held = False
            self.answer([])
            return
        if mode == "endless":
            self.stream()
            return
        self.measure(wait=mode != "poll")
        self.held = mode == "free"
        self.swept = time.monotonic()
        if mode == "poll":
            self.running_until = time.monotonic() + (0.003 if self.wire.speed <= 0
                    else self.sweep_time() / self.wire.speed)
        if mode == "stream":
            self.answer(self.data("both"), data=True)
        else:
            self.answer([self.done_word] if mode == "fetch" else [])

    def stream(self) -> None:
        """Sweeps without end until any byte arrives."""
        count = 0
        while True:
            self.measure()
            self.say(*self.data("both"), ["", "---", f"# sweep {count}", "end"][self.spec.extra["tag"]])
            count += 1
            char = self.wire.getch(0.01)
            if char is not None:
                self.log(char, "none", "key ends the stream")
                self._last = char
                self.answer([])
                return

    def data(self, role: str) -> list[str]:
        order = [x for x in self.order(role)]
        store = {"s11": [complex(z) for z in self.s11], "s21": [complex(z) for z in self.s21]}
        lines = trace_lines(self.spec, [float(x) for x in self.f], {t: store[t] for t in order})
        if self.spec["remarks"] in ("inside", "both") and self.spec["layout_data"] not in ("json", "oneline"):
            for _ in range(1 + self.rng.randint(0, 1)):
                lines.insert(self.rng.randint(1, len(lines)), self.remark())
        return lines

    def order(self, role: str) -> list[str]:
        if role in ("s11", "s21"):
            return [role]
        if self.spec["traces"] == "select":
            return [self.selected]
        return ["s21", "s11"] if self.spec["order"] == "s21 first" else ["s11", "s21"]

    def decode(self, text: str, trace: str) -> list[complex]:
        if self.spec.reason == "keys":
            return parse(self.spec, text, ["s11", "s21"], trace)
        separate = self.spec["traces"] in ("separate", "select")
        return parse(self.spec, text, [trace] if separate else self.order("both"), trace)

    def facts(self) -> dict[str, Any]:
        return self.told_facts()

    # --- life ------------------------------------------------------------------
    def run(self) -> None:
        self.boot()
        if self.spec.reason in ("keys", "harmful keys"):
            self.key_menu()
        self.wire.put(self.prompt_now())
        while True:
            idle = self.idle if self.spec["remarks"] in ("idle", "both") else None
            line = self.readline(idle, 7.0)
            self.command(line)
            if self.spec["remarks"] in ("between", "both") and self.rng.random() < 0.2:
                self.say(self.remark())
            self.wire.put(self.prompt_now())
