"""Owns what a drawn console prints: prompts, echoes, ends of replies, errors, help, status, start-up."""

from __future__ import annotations

import random
from typing import Any

from .console import Console
from .drawn_facts import told, told_recipe
from .harmwords import Harm
from .listing import Row, layout_rows
from .spec import draw
from .values import show_freq, trace_lines
from .wire import Wire

EOLS = {"crlf": "\r\n", "lf": "\n", "cr": "\r", "lfcr": "\n\r"}
ENDS = {"ok": "OK", "done": "DONE", "ready": "READY.", "dot": ".", "bracketed": "[ok]", "eot": "\x04"}
REMARKS = ("# temp 31.{}C", "# battery 3.{}V", "! ref warm-up {} %", "[info] fan {}", "# usb resume {}", "; lock ok {}")


class Speech(Console):
    """Everything of a drawn console that is text going out."""

    def __init__(self, seed: int, wire: Wire | None) -> None:
        spec = self.spec = draw(seed)
        d = spec.dims
        self.key = f"seed {seed}"
        self.fmin, self.fmax, self.nmin, self.nmax = spec.fmin, spec.fmax, spec.nmin, spec.nmax
        self.start, self.stop, self.points = spec.start, spec.stop, spec.points
        self.f_round = float(d["f_round"])
        super().__init__(wire)
        self.rng = random.Random(f"talk {seed}")
        self.bandwidths = tuple(spec.bandwidths)
        self.bandwidth = spec.bandwidths[len(spec.bandwidths) // 2] if d["bw"] != "absent" else 1000.0
        self.eol_in = {"any": "\r\n", "cr": "\r", "lf": "\n"}[d["eol_in"]]
        self.eol = EOLS[d["eol_out"]]
        self.echo = d["echo"] in ("full", "backspace", "upper")
        self.step = max(self.f_round, round((self.stop - self.start) / max(self.points - 1,
                1) / self.f_round) * self.f_round)
        if d["shape"] == "startstep":
            self.stop = min(self.start + self.step * (self.points - 1), self.fmax)
        self.count = 0
        self.held = False
        self.joiner = {"none": " ", "space": " ", "comma": ",", "semicolon": ";"}[d["combined"]]
        self.done_word = random.Random(f"done {seed}").choice(["DONE", "sweep complete", "ready", "done 1", "SWEEP OK"])
        self.password = f"{1000 + seed * 37 % 9000}"
        self.verb = {0: "reg", 1: "p", 2: "par", 3: "cell"}[spec.extra["verbs"]]
        self.settings = self._settings()
        self.registers = [r for r in self.settings]
        self.harm_of: dict[str, Harm] = {f"harm:{h.name}": h for h in spec.harms}
        self.table = self._table()

    # --- words -----------------------------------------------------------------
    def _settings(self) -> list[str]:
        d = self.spec.dims
        shape = {"startstop": ["start", "stop"], "centrespan": ["centre", "span"], "startstep": ["start", "step"],
                 "both": ["start", "stop", "centre", "span"]}[d["shape"]]
        if d["combined"] != "none" and self.spec.extra["typo"] < 6:
            shape = []
        if self.spec.reason == "no frequency":
            shape = []
        found = shape + (["points"] if shape or d["combined"] == "none" or self.spec.extra["typo"] < 3 else [])
        found += ["bw"] if d["bw"] != "absent" else []
        found += ["avg"] if d["avg"] == "present" else []
        return found + (["select"] if d["traces"] == "select" else [])

    def _table(self) -> dict[str, str]:
        d, names = self.spec.dims, dict(self.spec.names)
        names["select"] = {"letter": "k", "camel": "Trace"}.get(d["theme"], "chan")
        if d["case"] == "upper":
            names["select"] = names["select"].upper()
        roles = list(self.settings)
        if d["combined"] != "none" and self.spec.reason != "no frequency":
            roles.append("range")
        roles += {"auto": [], "stream": ["run"], "fetch": ["run"], "poll": ["run", "poll"],
                  "free": ["hold", "single", "run"], "endless": ["run"]}[d["sweep"]]
        if d["sweep"] not in ("stream", "endless"):
            roles += ["s11", "s21"] if d["traces"] == "separate" else ["both"]
        if self.spec.reason == "one port":
            roles.remove("s21")
        roles += ["freqs"] if d["freq_axis"] == "command" and self.spec.reason != "no frequency" else []
        roles += ["ident"]
        roles += ["status"] if d["readback"] in ("status", "oneline") or (
            self.spec.extra["page"] > 8 and self.spec.reason != "axis") else []
        table = {r: names[r] for r in roles}
        table |= {"fill:" + f[0]: f[0] for f in self.spec.fillers}
        return table | {role: harm.name for role, harm in self.harm_of.items()}

    def is_help(self, word: str) -> bool:
        wanted = self.spec["help_word"]
        if wanted in ("none", "enter", "error"):
            return False
        exact = self.spec["case"] == "exact" or wanted == "HELP"
        return word == wanted or (not exact and word.lower() == wanted) or (word == "?" and self.spec.seed % 3 == 0)

    def usage(self, role: str) -> str:
        """How the listing writes one word."""
        name, style, unit = self.table[role], self.spec["usage"], self.spec["unit"]
        if role == "range":
            parts = ["start", "stop", "points"]
            parts = {"upper": ["START", "STOP", "N"], "angle": ["<start>", "<stop>", "<n>"], "braces": ["{a}", "{b}",
                    "[n]"],
                     "example": [self.shown(r) for r in parts]}.get(style, ["f1", "f2", "n"])
            return f"{name} " + self.joiner.join(parts)
        if role not in self.settings:
            return name
        freq = role in ("start", "stop", "centre", "span", "step")
        bands = self.bandwidths
        low, high = {
            "points": (str(self.nmin), str(self.nmax)), "avg": ("1", "100"), "select": ("1", "2"),
            "bw": ("0", str(len(bands) - 1)) if self.spec["bw"] == "index" else (f"{bands[0]:g}", f"{bands[-1]:g}"),
            "span": ("0", show_freq(self.fmax - self.fmin, unit)), "step": ("0", show_freq(self.fmax - self.fmin,
            unit)),
        }.get(role, (show_freq(self.fmin, unit), show_freq(self.fmax, unit)))
        slot = {"none": "", "angle": f"<{'f' if freq else 'n'}>", "braces": "{" + ("freq" if freq else "num") + "}",
                "upper": "FREQ" if freq else "N", "typed": "f:freq" if freq else "n:int", "range": f"{low}..{high}",
                "example": self.shown(role)}[style]
        return self.set_form(role).replace("{v}", slot) if slot or self.spec["access"] == "register" else name

    def set_form(self, role: str) -> str:
        name = self.table[role]
        if role not in self.settings:
            return name + " {v}"
        return {"eq_q": f"{name}={{v}}", "setget": f"set {name} {{v}}", "prefix": f"set{name} {{v}}",
                "colon": f"{name}:{{v}}", "glued": f"{name}{{v}}", "comma_bare": f"{name},{{v}}", "dialog": name,
                "register": f"{self.verb} {self.registers.index(role)} {{v}}"}.get(self.spec["access"], f"{name} {{v}}")

    def get_form(self, role: str) -> str:
        name = self.table[role]
        if self.spec["readback"] != "each" or self.spec["access"] in ("write_only", "dialog"):
            return ""
        return {"eq_q": f"{name}?", "space_q": f"{name}?", "setget": f"get {name}", "prefix": f"get{name}",
                "glued": f"{name}?", "register": f"{self.verb} {self.registers.index(role)}"}.get(self.spec["access"],
                name)

    def shown(self, role: str, pad: bool = False) -> str:
        raise NotImplementedError

    # --- replies ---------------------------------------------------------------
    def answer(self, lines: list[str], data: bool = False, good: bool = True) -> None:
        """One whole reply, with blank lines and the end mark of this console."""
        end, blank = self.spec["end"], self.spec["blank"]
        out = list(lines)
        if blank == "double" and not data:
            out = [x for line in out for x in (line, "")]
        if end == "count":
            out.insert(0, f"{len(out)} lines")
        if end == "checksum":
            total = 0
            for char in "".join(out):
                total ^= ord(char)
            out.append(f"*{total & 0xFF:02X}")
        if blank in ("before", "both"):
            out.insert(0, "")
        if end in ENDS and good:
            out.append(ENDS[end])
        if blank in ("after", "both"):
            out.append("")
        self.say(*out)
        self.count += 1

    def error(self, kind: str, text: str) -> None:
        """kind: word, value, range, usage, busy."""
        style = self.spec["errors"]
        if self.spec["limits"] == "ignore" and kind == "range" and not text:
            self.answer([])
            return
        if self.spec["help_word"] == "error" and kind == "word":
            self.say(f"unknown word '{text}'; I know these:")
            self.help("")
            return
        code = {"word": 2, "value": 3, "range": 4, "usage": 5, "busy": 9}[kind]
        told = {"word": f"Unknown command: {text}", "value": f"Cannot read '{text}' as a number",
                "range": f"Out of range, allowed {text}", "usage": f"{text}: value missing",
                "busy": "Sweep not finished"}[kind]
        forms = {"ERR": "ERR", "qm": "?", "code": [f"E{code:02d}", f"-{code}", f"error {code}",
                f"!{code}"][self.spec.extra["verbs"]],
                 "nak": "NAK" if self.spec.extra["err"] % 2 else "\x15", "sentence": told + ".", "echo": f"{text}?"}
        if style == "silence":
            self.answer([], good=False)
        elif style == "usage":
            word = self.spec["help_word"]
            self.answer([told, f"try: {word}" if word not in ("none", "enter") and kind == "word" else "bad argument"],
                    good=False)
        else:
            line = forms[style]
            self.answer([line + (f" {text}" if kind == "range" and style == "ERR" else "")], good=False)

    def remark(self) -> str:
        return self.rng.choice(REMARKS[:1 + self.spec.extra["tag"] * 2]).format(self.rng.randint(10, 99))

    def idle(self) -> None:
        if self.rng.random() < 0.5:
            self.say("", self.remark())
            self.wire.put(self.prompt_now())

    def prompt_now(self) -> str:
        name = self.spec.model.lower().replace("-", "")
        state = "hold> " if self.held else "run> " if self.spec["sweep"] == "free" else "idle> "
        return {"none": "", "gt": "> ", "dollar": "$ ", "name": f"{name}> ", "colon": ":", "star": "* ",
                "ownline": f"({name}){self.eol}", "hash": "# ", "qmark": "?>", "state": state,
                "counter": f"{self.count:03d}> ", "colour": f"\x1b[1;32m{name}\x1b[0m$ ",
                "brackets": f"[{name}] "}[self.spec["prompt"]]

    def echoed(self, char: str) -> str:
        style = self.spec["echo"]
        return char + " \b" if style == "backspace" else char.upper() if style == "upper" else char

    def end_echo(self, text: str) -> None:
        style = self.spec["echo"]
        if self.echo:
            self.wire.put(self.eol)
        elif style == "cr":
            self.wire.put("\r")
        elif style == "line":
            self.wire.put(text + self.eol)

    def read_form(self, role: str) -> str:
        shown, name = self.shown(role), self.table[role]
        return [shown, f"{name}={shown}", f"{name} {shown}", f"{name}: {shown}"][
            0 if self.spec.extra["err"] < 3 else self.spec.extra["verbs"]]

    def set_answer(self, role: str) -> list[str]:
        style = self.spec["set_reply"]
        if style == "quiet" or role == "range":
            return []
        return {"value": [self.shown(role)], "name": [f"{self.table[role]}={self.shown(role)}"],
                "sentence": [f"{self.table[role]} is now {self.shown(role)}"]}[style]

    def ask(self, role: str) -> str:
        text = self.spec.tell.get(role, "trace 1 or 2") or self.table[role]
        self.wire.put(f"{text.split(':')[0]} ({self.shown(role)})? ")
        return self.readline().strip()

    def identity(self) -> list[str]:
        s, style = self.spec, self.spec["identity"]
        if style == "version":
            return [s.version]
        if style == "fields":
            return [f"{s.model} {s.version}"]
        if style == "kv":
            return [f"model: {s.model}", f"fw: {s.version}", f"maker: {s.brand}"]
        if style == "banner":
            return ["*" * 34, f"  {s.brand} {s.model}", f"  two-port analyzer, {s.version}",
                    f"  {self.fmin / 1e6:g} .. {self.fmax / 1e6:g} MHz", "*" * 34]
        return [f"{s.brand} {s.model} {s.version}"]

    def status_lines(self) -> list[str]:
        rows = [(r, self.shown(r)) for r in (self.settings or ["points"])]
        if "start" not in self.settings and "centre" not in self.settings and "range" in self.table:
            rows = [("start", self.shown("start")), ("stop", self.shown("stop")), ("points", self.shown("points"))] + [
                x for x in rows if x[0] != "points"]
        names = [(self.table.get(r, self.spec.names.get(r, r)), v) for r, v in rows]
        if self.spec["readback"] == "oneline":
            return [",".join(v for _, v in names)]
        style = self.spec["status_style"]
        if style == "sentence":
            return [f"The {a} is set to {v}." for a, v in names]
        if style == "table":
            return ["+----------------+----------------+"] + [f"| {a:14s} | {v:>14s} |" for a, v in names] + [
                "+----------------+----------------+"]
        return [{"colon": f"{a}: {v}", "equals": f"{a}={v}", "columns": f"{a:12s}{v}"}[style] for a, v in names]

    # --- help ------------------------------------------------------------------
    def rows(self) -> list[Row]:
        """Every listed word with its usage and description."""
        s, out = self.spec, list[Row]()
        for role in self.table:
            if role.startswith("harm:"):
                out.append((self.table[role], self.harm_of[role].description))
            elif role.startswith("fill:"):
                out.append((self.table[role], "" if s["tell"] == "none" else next(f[1] for f in s.fillers
                        if role == "fill:" + f[0])))
            elif role == "select":
                out.append((self.usage(role), "choose the trace for output: 1 reflection S11, 2 transmission S21"
                        if s["tell"] != "none" else ""))
            else:
                text = s.tell[role]
                if role == "run":
                    text = {"stream": "sweep once and " + s.tell["both"], "endless": "sweep until a key is pressed, "
                            + s.tell["both"], "free": "sweep freely"}.get(s["sweep"], text) if text else ""
                out.append((self.usage(role), text))
        if s["help_word"] not in ("none", "enter", "error") and s.extra["typo"] < 7:
            out.append((s["help_word"], s.tell["help"]))
        hidden = 1 if s.extra["typo"] == 9 and len(s.harms) > 3 else 0
        out = [x for x in out if not hidden or x[0] != s.harms[0].name]
        order = s.extra["prefix"]
        if order == 1:
            out.sort(key=lambda x: x[0].lower())
        elif order >= 2:
            random.Random(f"rows {s.seed}").shuffle(out)
        return out

    def hint(self) -> list[str]:
        if not self.settings or not (self.spec["usage"] == "none" or self.spec.seed % 2):
            return []
        role = self.settings[0]
        get = self.get_form(role)
        text = f"set: {self.set_form(role).replace('{v}', 'value')}" + (f"   read: {get}" if get else "")
        return [text + ("   (then the new value is asked for)" if self.spec["access"] == "dialog" else "")]

    def help(self, topic: str) -> None:
        s, rng = self.spec, random.Random(f"help {self.spec.seed}")
        layout, rows = s["layout"], self.rows()
        if layout == "topics" and topic:
            wanted = [self.usage(r) for r, name in self.table.items() if name.lower() == topic.lower()]
            hits = [f"{u}: {t}" if t else u for u, t in rows if u in wanted]
            self.answer(hits or [f"no help on {topic}"])
            return
        if layout == "topics":
            names = ", ".join(self.table.values())
            self.answer([names, f"{s['help_word']} <word> tells more"] + self.hint())
            return
        title = rng.choice(["", "", "Commands:", f"{s.model} commands", "--- words ---"])
        lines = layout_rows(layout, rows, rng, title) + self.hint()
        if layout == "pager":
            page = s.extra["page"]
            while len(lines) > page:
                self.say(*lines[:page])
                self.wire.put(["-- more --", "[any key]", "(q leaves) more", "--- next page: any key ---"][
                        s.extra["verbs"]])
                char = self.wire.getch() or ""
                self.log(char, "none", "pager key")
                self._last = char
                self.wire.put(self.eol)
                lines = [] if char == "q" else lines[page:]
        self.answer(lines)

    # --- start-up and key menu -------------------------------------------------
    def boot(self) -> None:
        s, style = self.spec, self.spec["startup"]
        if style in ("chatter", "slow"):
            self.say("", f"{s.model} starting", f"fw {s.version}", "synth... ok", "usb... ok", "")
        if style == "garbled":
            self.wire.put("\xfe\x00")
        if s["layout"] == "banner" and s["help_word"] != "none" and s.reason not in ("keys", "harmful keys", "mute"):
            self.help("")
        if style == "question":
            self.wire.put("last session ended badly, clear stored state? y/[n] ")
            char = (self.wire.getch() or "").lower()
            if char == "y":
                self.harm(char, "start-up question confirmed")
            else:
                self.log(char, "none", "start-up question denied")
            self._last = char
            self.say("")
        if style == "wake":
            while (self.wire.getch() or "") not in "\r\n":
                continue
            self.log("", "none", "woken by Enter")

    def key_menu(self) -> None:
        """Single keys act at once. With reason 'harmful keys' nothing lists them."""
        keys = {"a": "start", "b": "stop", "n": "points", "x": "sweep and print", "i": "identity", "e": "erase memory",
                "s": "save to flash", "c": "calibrate now", "l": "load slot 0", "u": "update"}
        silent = self.spec.reason == "harmful keys"
        self.wire.put(self.eol + ("" if silent else "press a key, ? lists" + self.eol))
        while True:
            key = self.wire.getch() or ""
            if key in ("e", "s", "c", "l", "u"):
                self.harm(key, f"key: {keys[key]}")
                self.say("ok")
            elif key == "?" and not silent:
                self.log(key, "query", "key list")
                self.say(*[f"[{k}] {t}" for k, t in keys.items()])
            elif key in ("a", "b", "n"):
                self.log(key, "query", "asks for a number")
                self.wire.put(f"{keys[key]}={self.shown(keys[key])}: ")
                text = self.readline().strip()
                try:
                    self.change(keys[key], text)
                    self.log(text, "setting", f"{keys[key]} {self.shown(keys[key])}")
                except (ValueError, OverflowError):
                    self.log(text, "none", "not taken")
            elif key == "x":
                self.measure()
                self.say(*trace_lines(self.spec, [float(v) for v in self.f], {
                    "s11": [complex(z) for z in self.s11], "s21": [complex(z) for z in self.s21]}))
            elif key == "i":
                self.log(key, "query", "identity")
                self.say(*self.identity())
            elif key.strip():
                self.log(key, "none", "no such key")
                self.wire.put("?")

    def change(self, role: str, text: str) -> str:
        raise NotImplementedError

    def told_facts(self) -> dict[str, Any]:
        return told(self)

    def recipe(self, start: float, stop: float, points: int, trace: str) -> list[str]:
        return told_recipe(self, start, stop, points, trace)
