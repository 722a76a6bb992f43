"""Owns the pseudo-terminal server, the line splitter and the JSONL log that all emulated instruments share."""

from __future__ import annotations

import contextlib
import json
import os
import select
import sys
import time
import tty
from collections.abc import Callable
from pathlib import Path

from tests.scpi_quirks.physics import Complex, Real, Receiver, Rig

RANK = {"none": 0, "query": 1, "setting": 2, "sweep": 3, "HARM": 4}
MAX_PENDING = 4_000_000


class HangupError(Exception):
    """The parent closed our stdin: leave."""


class Port:
    """Master side of a pty with buffered input and output."""

    def __init__(self) -> None:
        self.master, self.slave = os.openpty()
        tty.setraw(self.slave)
        os.set_blocking(self.master, False)
        self.path = os.ttyname(self.slave)
        self.out = bytearray()
        self.inp = bytearray()
        self.before_flush: Callable[[], None] = lambda: None

    def write(self, data: bytes) -> None:
        self.out += data
        if len(self.out) > MAX_PENDING:
            del self.out[: len(self.out) - MAX_PENDING]

    def pump(self, timeout: float) -> None:
        """Move bytes both ways for at most one select round."""
        self.before_flush()
        writers = [self.master] if self.out else []
        ready, can_write, _ = select.select([self.master, sys.stdin.fileno()], writers, [], timeout)
        if can_write:
            try:
                sent = os.write(self.master, bytes(self.out[:2048]))
                del self.out[:sent]
            except BlockingIOError:
                pass
        if self.master in ready:
            with contextlib.suppress(BlockingIOError):
                self.inp += os.read(self.master, 4096)
        if sys.stdin.fileno() in ready and not os.read(sys.stdin.fileno(), 1024):
            raise HangupError

    def sleep(self, seconds: float) -> None:
        """Simulated instrument time; bytes keep moving meanwhile."""
        end = time.monotonic() + seconds
        while (left := end - time.monotonic()) > 0:
            self.pump(left)


class Instrument:
    """Base of all emulated instruments: splits lines, logs them, measures."""

    terms = b"\r\n"  # any of these bytes ends a line; CR LF counts once when both are in
    echo = False
    eol = "\r\n"
    idle = 0.2  # seconds between two calls of tick()

    def __init__(self, rig: Rig, port: Port, bench: Path, log: Path) -> None:
        self.rig, self.port, self.log_path = rig, port, log
        self.rx = Receiver(rig, bench)
        self._line: str | None = None
        self._notes: list[tuple[str, str]] = []
        self._t0 = time.monotonic()
        self._after_cr = False
        self._logged = False
        self._buf = bytearray()
        port.before_flush = self.commit

    # --- log ---
    def note(self, effect: str, detail: str = "") -> None:
        self._notes.append((effect, detail))

    def harm(self, detail: str) -> None:
        self.note("HARM", detail)

    def commit(self) -> None:
        if self._line is None or not self._notes:
            return
        effect = max((n[0] for n in self._notes), key=lambda e: RANK[e])
        detail = "; ".join(n[1] for n in self._notes if n[1])
        self._notes.clear()
        rec = {"t": round(time.monotonic() - self._t0, 4), "line": self._line, "effect": effect, "detail": detail}
        with self.log_path.open("a", encoding="utf-8") as fh:
            fh.write(json.dumps(rec) + "\n")
        self._logged = True

    # --- serial line ---
    def put(self, text: str = "", end: str | None = None) -> None:
        self.port.write((text + (self.eol if end is None else end)).encode("latin-1", "replace"))

    def puts(self, *lines: str) -> None:
        for line in lines:
            self.put(line)

    def feed(self, data: bytes) -> None:
        for b in data:
            ch = bytes([b])
            if ch == b"\n" and self._after_cr and b"\n" in self.terms and b"\r" in self.terms:
                self._after_cr = False
                continue
            self._after_cr = ch == b"\r"
            if self.echo:
                self.port.write(b"\r\n" if ch in (b"\r", b"\n") and ch in self.terms else ch)
            if ch in self.terms:
                line = self._buf.decode("latin-1").strip("\r\n")
                self._buf.clear()
                self.handle(line)
            elif len(self._buf) < 4096:
                self._buf += ch

    def handle(self, line: str) -> None:
        self._line, self._logged = line, False
        self.on_line(line)
        if not self._notes and not self._logged:
            self.note("none")
        self.commit()
        self._line = None

    def acquire(self, freqs: Real, bandwidth: float, averages: int = 1) -> tuple[Complex, Complex]:
        return self.rx.acquire(freqs, bandwidth, averages)

    # --- to be filled in ---
    def power_on(self) -> None:
        """Called once before the first byte."""

    def on_line(self, line: str) -> None:
        raise NotImplementedError

    def tick(self) -> None:
        """Called when nothing arrives."""


def serve(make: Callable[[Port, Path, Path], Instrument], log: Path, bench: Path) -> None:
    """Run one instrument until stdin closes."""
    port = Port()
    log.touch()
    box = make(port, bench, log)
    sys.stdout.write(port.path + "\n")
    sys.stdout.flush()
    box.power_on()
    try:
        while True:
            if not port.inp:
                port.pump(box.idle)
            if port.inp:
                data = bytes(port.inp[:1])
                del port.inp[:1]
                box.feed(data)
            else:
                box.tick()
    except HangupError:
        return


def command_line(
    package: str, names: list[str], make: Callable[[str], Callable[[Port, Path, Path], Instrument]], argv: list[str]
) -> int:
    """The common command line: `names`, or `serve NAME --log FILE --bench FILE`."""
    import argparse

    ap = argparse.ArgumentParser(prog=package)
    sub = ap.add_subparsers(dest="what", required=True)
    sub.add_parser("names")
    sp = sub.add_parser("serve")
    sp.add_argument("name", choices=names)
    sp.add_argument("--log", type=Path, required=True)
    sp.add_argument("--bench", type=Path, required=True)
    ns = ap.parse_args(argv)
    if ns.what == "names":
        sys.stdout.write("\n".join(names) + "\n")
        return 0
    serve(make(str(ns.name)), ns.log, ns.bench)
    return 0
