"""Owns the SCPI engine: parser, error queue, settings, sweep timing and data answers of one quirky analyzer."""

from __future__ import annotations

import re
import time
from collections import deque
from pathlib import Path

import numpy as np

from tests.scpi_quirks.config import Box, match
from tests.scpi_quirks.headers import DATA, ERR, S_NAMES, TABLE, UNITS
from tests.scpi_quirks.physics import Complex, Real, Rig
from tests.scpi_quirks.port import Instrument, Port


class ScpiBox(Instrument):
    """One analyzer; all behaviour comes from its Box."""

    def __init__(self, box: Box, rig: Rig, port: Port, bench: Path, log: Path) -> None:
        super().__init__(rig, port, bench, log)
        self.box = box
        self.terms, self.echo, self.eol = box.term_in, box.echo, box.eol
        self.queue: deque[tuple[int, str]] = deque()
        if box.first_error:
            code, text = box.first_error.split(",", 1)
            self.queue.append((int(code), text))
        self.esr, self.ese, self.deaf_until, self.opc_armed = 128, 0, 0.0, False
        skip = {"BAND": ("bwid",), "BWID": ("bw",), "none": ("bw", "bwid"), "both": ()}[box.bw_words]
        self.table = [t for t in TABLE + DATA[box.data] if self._present(t[1]) and t[1] not in skip]
        if box.xaxis:
            self.table.append(("CALCulate:AXIS:DATA", "axis", "q"))
        self.reset()

    def _present(self, key: str) -> bool:
        b = self.box
        absent = (
            (key == "err" and b.errors in ("silent", "text"))
            or (key == "cont" and not b.has_cont)
            or (key in ("form", "bord") and b.fmt == "none")
            or (key == "bord" and b.fmt != "full")
            or (key in ("start", "stop") and b.span_only)
            or (key == "headers" and not b.help_headers)
        )
        return not absent

    def reset(self) -> None:
        b = self.box
        self.start, self.stop, self.points, self.bw = b.fmin, b.fmax, b.start_points, b.bw0
        self.avg, self.avgn, self.cont, self.power = False, 16, b.cont0, -10.0
        self.form, self.swap = ("REAL,32" if b.fmt == "swapped" else "ASC"), b.fmt == "swapped"
        self.cfmt, self.feed_sel, self.trig = ["MLOG", "MLOG"], 0, "IMM"
        self.trace: tuple[Complex, Complex] | None = None
        self.fresh, self.done_at = False, 0.0

    # --- line handling ---
    def feed(self, data: bytes) -> None:
        if time.monotonic() >= self.deaf_until:
            super().feed(data)

    def on_line(self, line: str) -> None:
        if not line.strip():
            return
        self.path: list[str] = []
        self.answers: list[str | bytes] = []
        was_set = False
        for unit in re.findall(r"""(?:[^;"']|"[^"]*"|'[^']*')+""", line):
            if unit.strip():
                was_set |= self.unit(unit.strip())
        if self.answers:
            if self.box.prompt:
                self.put(self.box.prompt, "")
            for k, a in enumerate(self.answers):
                self.put(";" if k else "", "")
                self.port.write(a if isinstance(a, bytes) else a.encode("latin-1"))
            self.put()
            if self.box.blank:
                self.put()
        elif self.box.ok and was_set:
            self.put("OK")
        if self.box.pause:
            self.deaf_until = time.monotonic() + self.box.pause

    def error(self, code: int, extra: str = "") -> None:
        self.esr |= 32 if code > -200 else 16
        text = ERR[code] + extra
        if self.box.talk_errors or self.box.errors == "text":
            self.put(f"ERROR {code} {text}" if self.box.talk_errors else f"?? {text}")
        if len(self.queue) >= 16:
            self.queue[-1] = (-350, ERR[-350])
        else:
            self.queue.append((code, text))

    def unit(self, unit: str) -> bool:
        """Run one message unit; True when it was an accepted set command."""
        head, _, arg = unit.partition(" ")
        head, arg = head.upper(), arg.strip()
        query = head.endswith("?")
        head = head.rstrip("?")
        if head.startswith("*"):
            return self.common(head[1:], query, arg)
        if head.startswith(":"):
            self.path, head = [], head[1:]
        elif self.box.colon and not self.path:
            self.error(-113)
            return False
        full = ":".join([*self.path, head])
        for pattern, key, modes in self.table:
            num = match(pattern, self.box.forms, full)
            if num is None or ("q" if query else "s") not in modes:
                continue
            self.path = full.split(":")[:-1]
            if key.startswith("H:"):
                self.harm(key[2:])
                return True
            return self.query(key, num, arg) if query else self.set(key, num, arg)
        self.error(-113)
        return False

    def common(self, cmd: str, query: bool, arg: str) -> bool:
        b = self.box
        if query and cmd in ("IDN", "OPC", "ESR", "STB", "TST", "ESE", "OPT", "CAL", "SRE"):
            if cmd == "OPC" and not b.opc_query:
                self.error(-113)
                return False
            self.note("query", cmd)
            if cmd == "CAL":
                self.harm("calibrates")
            if cmd == "OPC" and not b.opc_early:
                self.finish()
            value = {
                "IDN": b.idn,
                "OPC": "1",
                "STB": str(4 * bool(self.queue) + 32 * bool(self.esr & self.ese)),
                "TST": "0",
                "ESE": str(self.ese),
                "OPT": "0",
                "CAL": "0",
                "SRE": "0",
                "ESR": "",
            }[cmd]
            if cmd == "ESR":
                if self.opc_armed and time.monotonic() >= self.done_at:
                    self.esr, self.opc_armed = self.esr | 1, False
                value = {"ok": str(self.esr), "stuck": str(self.esr | 161), "zero": "0"}[b.esr]
                self.esr = 0
            self.answers.append(("+" + value) if b.num == "plus3" and value.isdigit() else value)
            return False
        if not query:
            if cmd in ("SAV", "RCL"):
                self.harm("slot saved" if cmd == "SAV" else "slot recalled: settings replaced")
                return True
            if cmd == "RST" and b.rst:
                self.note("setting", "reset")
                self.reset()
                return True
            if cmd == "CLS":
                self.queue.clear()
                self.esr = 0
                return True
            if cmd in ("OPC", "WAI", "SRE", "ESE", "TRG"):
                self.opc_armed |= cmd == "OPC"
                if cmd == "WAI":
                    self.finish()
                if cmd == "ESE" and re.fullmatch(r"[0-9]{1,3}", arg):
                    self.ese = int(arg) & 255
                return True
        self.error(-113)
        return False

    # --- settings ---
    def number(self, arg: str, low: float, high: float, unit: bool = False) -> float | None:
        """A numeric argument within limits, or None after raising the error."""
        if not arg:
            self.error(-109)
            return None
        up = arg.upper()
        if up in ("MIN", "MINIMUM", "MAX", "MAXIMUM"):
            return low if up.startswith("MIN") else high
        m = re.fullmatch(r"([+-]?(?:\d+\.?\d*|\.\d+)(?:E[+-]?\d+)?)\s*([A-Z]*)", up)
        if m is None:
            self.error(-141 if up[0].isalpha() else -102)
            return None
        if m[2] and (not unit or m[2] not in UNITS):
            self.error(-131)
            return None
        value = float(m[1]) * UNITS.get(m[2], 1.0)
        if not low <= value <= high:
            if not self.box.clamp:
                self.error(-222)
                return None
            value = min(max(value, low), high)
        return value

    def set(self, key: str, num: int, arg: str) -> bool:
        b, up = self.box, arg.upper().strip("'\"")
        if key in ("start", "stop", "center", "span"):
            v = self.number(arg, 0.0 if key == "span" else b.fmin, b.fmax - b.fmin if key == "span" else b.fmax, True)
            return v is not None and self.set_freq(key, round(v / b.grid) * b.grid)
        if key == "points":
            v = self.number(arg, *b.points)
            if v is None:
                return False
            if b.odd_points and round(v) % 2 == 0:
                self.error(-224)
                return False
            self.points = round(v)
        elif key in ("bw", "bwid"):
            v = self.number(arg, b.bws[0], b.bws[-1], True)
            if v is None:
                return False
            want = v
            self.bw = min(b.bws, key=lambda x: abs(x - want))
        elif key in ("avg", "cont", "corr", "outp"):
            if up not in ("0", "1", "ON", "OFF"):
                self.error(-141 if up else -109)
                return False
            on = up in ("1", "ON")
            if key == "outp" and on:
                self.harm("RF output switched on")
            elif key == "avg":
                self.avg = on
            elif key == "cont":
                self.cont = on
        elif key == "avgn":
            v = self.number(arg, 1, 999)
            if v is None:
                return False
            self.avgn = round(v)
        elif key == "power":
            v = self.number(arg, -40, 0)
            if v is None:
                return False
            self.power = v
            self.note("setting", "power level")
            return True
        elif key == "init":
            self.begin()
            return True
        elif key == "form":
            ok = {
                "full": ("ASC", "ASCII", "ASC,0", "REAL,32", "REAL,64"),
                "ascii": ("ASC", "ASCII", "ASC,0"),
                "swapped": ("REAL,32", "REAL"),
            }.get(b.fmt, ())
            if up.replace(" ", "") not in ok:
                self.error(-224)
                return False
            self.form = "ASC" if up.startswith("ASC") else "REAL,64" if "64" in up else "REAL,32"
        elif key == "bord":
            if up not in ("NORM", "NORMAL", "SWAP", "SWAPPED"):
                self.error(-141)
                return False
            self.swap = up.startswith("SWAP")
        elif key == "cfmt":
            names = {
                "MLOG": "MLOG",
                "MLOGARITHMIC": "MLOG",
                "PHAS": "PHAS",
                "PHASE": "PHAS",
                "MLIN": "MLIN",
                "MLINEAR": "MLIN",
            } | ({} if b.data == "polar" else {"COMP": "COMP", "COMPLEX": "COMP"})
            if up not in names or num not in (1, 2):
                self.error(-141)
                return False
            self.cfmt[num - 1] = names[up]
        elif key in ("feed", "func"):
            if up not in S_NAMES:
                self.error(-224)
                return False
            self.feed_sel = S_NAMES.index(up)
        elif key in ("preset", "abort"):
            if key == "preset":
                self.reset()
            self.done_at = 0.0
        elif key == "trig":
            if up[:3] not in ("IMM", "BUS"):
                self.error(-141)
                return False
            self.trig = up[:3]
        if key not in ("form", "bord", "cfmt", "feed", "func", "abort", "trig", "noop", "cont", "corr", "outp"):
            self.fresh = False
        self.note("setting", f"{key} {arg}".strip())
        return True

    def set_freq(self, key: str, v: float) -> bool:
        b, lo, hi = self.box, self.start, self.stop
        if key == "start":
            lo, hi = v, max(v, hi)
        elif key == "stop":
            lo, hi = min(lo, v), v
        else:
            center = v if key == "center" else (lo + hi) / 2
            span = v if key == "span" else hi - lo
            span = min(span, 2 * (center - b.fmin), 2 * (b.fmax - center))
            lo, hi = center - span / 2, center + span / 2
        self.start, self.stop, self.fresh = lo, hi, False
        self.note("setting", f"{key} {v:.0f} Hz")
        return True

    # --- sweeping ---
    def grid(self) -> Real:
        return np.linspace(self.start, self.stop, self.points)

    def sweep_time(self) -> float:
        n = self.avgn if self.avg else 1
        return min(0.004 + n * self.points * 1.5 / self.bw, 8.0)

    def begin(self) -> None:
        self.note("sweep", f"{self.points} points")
        self.pending = self.acquire(self.grid(), self.bw, self.avgn if self.avg else 1)
        self.done_at, self.fresh, self.busy = time.monotonic() + self.sweep_time(), True, True
        if self.box.init_blocks:
            self.finish()

    def finish(self) -> None:
        """Wait for the end of a running sweep and take its data over."""
        if (left := self.done_at - time.monotonic()) > 0:
            self.port.sleep(left)
        if getattr(self, "busy", False):
            self.trace, self.busy = self.pending, False

    def current(self) -> tuple[Complex, Complex] | None:
        """The traces a data query gives, or None after an error."""
        if getattr(self, "busy", False) and self.fresh:
            if time.monotonic() >= self.done_at or not self.box.stale_data or self.trace is None:
                self.finish()
        elif self.cont or (not self.box.has_cont and not self.fresh):
            self.begin()
            self.finish()
        if self.trace is None or not self.fresh:
            self.error(-230)
            return None
        return self.trace

    # --- answers ---
    def num(self, x: float) -> str:
        if self.box.num == "plus3":
            mant, exp = f"{x:+.6E}".split("E")
            return f"{mant}E{int(exp):+04d}"
        return f"{x:.6G}" if self.box.num == "short" else f"{x:.9E}"

    def freq(self, x: float) -> str:
        if self.box.readback:
            x = float(f"{x:.{self.box.readback - 1}e}")
        text = self.num(x) if self.box.num == "plus3" else f"{x:.0f}"
        return text + (" HZ" if self.box.units else "")

    def block(self, values: Real) -> str | bytes:
        if self.form == "ASC":
            return self.box.sep.join(self.num(float(v)) for v in values)
        raw = values.astype(("<" if self.swap else ">") + ("f8" if "64" in self.form else "f4")).tobytes()
        count = str(len(raw))
        return f"#{len(count)}{count}".encode() + raw

    def query(self, key: str, num: int, arg: str) -> bool:
        b = self.box
        if key.startswith("d:"):
            self.data(key[2:], num, arg.upper().strip("'\""))
            return False
        if key in ("start", "stop", "center", "span") and not b.freq_query:
            self.error(-113)
            return False
        self.note("query", key)
        u = " HZ" if b.units else ""
        axis = self.block(self.grid()) if key == "axis" else ""
        if arg.upper()[:3] in ("MIN", "MAX") and key in ("start", "stop", "center", "span", "points", "bw", "bwid"):
            top = arg.upper().startswith("MAX")
            lim = {
                "points": b.points,
                "bw": (b.bws[0], b.bws[-1]),
                "bwid": (b.bws[0], b.bws[-1]),
                "span": (0.0, b.fmax - b.fmin),
            }.get(key, (b.fmin, b.fmax))
            self.answers.append(str(lim[top]) if key == "points" else self.freq(lim[top]))
            return False
        plain: dict[str, str] = {
            "start": self.freq(self.start),
            "stop": self.freq(self.stop),
            "span": self.freq(self.stop - self.start),
            "center": self.freq((self.start + self.stop) / 2),
            "points": str(self.points),
            "vers": "1999.0",
            "swtime": self.num(self.sweep_time()) + (" S" if b.units else ""),
            "bw": f"{self.bw:g}{u}",
            "bwid": f"{self.bw:g}{u}",
            "avg": str(int(self.avg)),
            "avgn": str(self.avgn),
            "corr": "0",
            "outp": "0",
            "cont": str(int(self.cont)),
            "power": f"{self.power:g}",
            "trig": self.trig,
            "form": self.form,
            "bord": "SWAP" if self.swap else "NORM",
            "cfmt": self.cfmt[(num - 1) % 2],
            "cat": ",".join(b.trace_names),
            "oper": str(8 * (time.monotonic() < self.done_at)),
            "feed": f'"{S_NAMES[self.feed_sel]}"',
            "func": f'"{S_NAMES[self.feed_sel]}"',
        }
        if key == "err":
            code, text = self.queue.popleft() if self.queue else (0, "No error")
            self.answers.append(
                str(code) if b.errors == "bare" else f"{code},{text}" if b.errors == "unquoted" else f'{code},"{text}"'
            )
        elif key == "headers":
            lines = [
                ":"
                + p.replace("#", "").replace(":[", "[:").replace("]:", ":]" if p[0] == "[" else "]:")
                + {"q": "?/qonly/", "s": "/nquery/", "sq": "/"}[m]
                for p, _, m in self.table
            ]
            text = "\n".join(lines) + "\n"
            self.answers.append(f"#{len(str(len(text)))}{len(text)}{text}")
        elif key == "axis":
            self.answers.append(axis)
        else:
            self.answers.append(plain[key])
        return False

    def data(self, style: str, num: int, arg: str) -> None:
        b = self.box
        names = [n.upper() for n in b.trace_names]
        if style == "locked":
            self.error(-230, ";option not fitted")
            return
        if style in ("calcdata", "calctrac", "polar", "scalar") and num not in (1, 2):
            self.error(-113)
            return
        if (style == "trac" and arg not in names) or (style == "sens" and arg and arg not in S_NAMES):
            self.error(-109 if not arg else -224)
            return
        if style == "calcdata" and arg not in ("", "SDATA", "SDAT", "FDATA", "FDAT"):
            self.error(-141)
            return
        self.note("query", f"data {style}")
        got = self.current()
        if got is None:
            return
        if b.turned:
            got = (got[1], got[0])
        which = {
            "trac": names.index(arg) if arg in names else 0,
            "feed": self.feed_sel,
            "sens": S_NAMES.index(arg) if arg in S_NAMES else self.feed_sel,
        }.get(style, num - 1)
        s = got[which % 2]
        pairs = np.column_stack([s.real, s.imag]).ravel()
        if style == "inter":
            pairs = np.column_stack([got[0].real, got[0].imag, got[1].real, got[1].imag]).ravel()
        elif style == "seq":
            pairs = np.concatenate([np.column_stack([t.real, t.imag]).ravel() for t in got])
        elif style in ("scalar", "polar") or (style == "calcdata" and not arg.startswith("SD")):
            kind = "MLOG" if style == "scalar" else self.cfmt[which % 2]
            if kind == "PHAS":
                pairs = np.degrees(np.angle(s))
            elif kind in ("MLOG", "MLIN"):
                pairs = 20 * np.log10(np.abs(s) + 1e-15) if kind == "MLOG" else np.abs(s)
        self.answers.append(self.block(pairs.astype(np.float64)))
