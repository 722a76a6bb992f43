"""A small console of a two-port analyzer behind a pseudo-terminal, on the loop of the test: its words are the test's.

Owns: lines in, replies out, a bench whose leads hang open, are joined or end in a load. Refuses: any harm: what it does
not know it refuses. Everything about it is invented.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import re
import tty
from dataclasses import dataclass, field

import numpy as np

LEAD_S = 6e-9
"""Delay of an open lead, there and back."""


@dataclass
class BenchConsole:
    """`words` maps a role to a word; a role without a word is not there. Roles: start stop both points s11 s21 data."""

    words: dict[str, str]
    listing: str = ""
    help_word: str = ""
    unit_hz: float = 1e3
    readback: bool = True
    password: str = ""
    leak: float = 1e-4
    bench: str = "open"
    keys: bool = False
    """Acts on single keys: `words` are signs, a setting asks for its value."""
    most: int = 0
    """Points that one question may ask for, `word A,B` from 1; 0 where data come whole."""
    lines: list[str] = field(default_factory=list)
    """All that it was told, a line each."""

    def __post_init__(self) -> None:
        self.start_hz, self.stop_hz, self.points = 200e6, 600e6, 51
        self.open = not self.password
        self._buffer = b""
        self._asking = ""

    async def __aenter__(self) -> BenchConsole:
        """Serve from now on; `port` is the device."""
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        self.port = os.ttyname(self._slave)
        asyncio.get_running_loop().add_reader(self._master, self._read)
        return self

    async def __aexit__(self, *_: object) -> None:
        asyncio.get_running_loop().remove_reader(self._master)
        os.close(self._master)
        os.close(self._slave)

    def _read(self) -> None:
        with contextlib.suppress(BlockingIOError, OSError):
            self._buffer += os.read(self._master, 4096)
        if self.keys:
            self._press()
            return
        *lines, self._buffer = re.split(rb"\r\n|\r|\n", self._buffer)
        for line in lines:
            text = line.decode("latin-1")
            self.lines.append(text)
            echo = text + "\r\n"
            answer = "\r\n".join(self._answer(text.strip()))
            out = (echo + answer + ("\r\n" if answer else "") + "$ ").encode("latin-1")
            with contextlib.suppress(BlockingIOError, OSError):
                os.write(self._master, out)

    def _press(self) -> None:
        while self._buffer:
            sign = self._buffer[:1].decode("latin-1")
            if self._asking:
                value, end, rest = self._buffer.partition(b"\r")
                if not end:
                    return
                self._buffer = rest
                self.lines.append(f"{self._asking} {value.decode()}")
                if value:
                    self._answer(f"{self._asking} {value.decode()}")
                self._asking = ""
                continue
            self._buffer = self._buffer[1:]
            self.lines.append(sign)
            role, _ = self._role(sign)
            if role in ("start", "stop", "points"):
                self._asking, answer = sign, f"{role}={getattr(self, role if role == 'points' else role + '_hz'):.0f}: "
            else:
                answer = "\r\n".join(self._answer(sign)) + "\r\n" if role else "beep"
            os.write(self._master, answer.encode())

    def _answer(self, text: str) -> list[str]:
        if not text:
            return []
        if not self.open:
            self.open = text == self.password
            return ["welcome"] if self.open else ["shut"]
        if text == self.help_word:
            return self.listing.splitlines()
        role, value = self._role(text)
        if role in ("data", "s11", "s21"):
            rows = self._data(role)
            if not self.most or rows == ["no"]:
                return rows
            piece = re.fullmatch(r"(\d+),(\d+)", value)
            first, last = map(int, piece.groups()) if piece else (0, 0)
            within = 1 <= first <= last <= self.points and last - first < self.most
            return rows[first - 1 : last] if within else [f"no: from 1 on, at most {self.most}"]
        if role == "identity":
            return ["bench console 3"]
        if role == "span" and (match := re.fullmatch(r"(\d+) (\d+) (\d+)", value)):
            low, high, points = map(int, match.groups())
            self.start_hz, self.stop_hz, self.points = low * self.unit_hz, high * self.unit_hz, points
            return []
        if role in ("start", "stop"):
            return self._frequency(role, value)
        if role == "points":
            if value.isdigit() and 2 <= int(value) <= 801:
                self.points = int(value)
                return []
            return [str(self.points)] if self.readback and not value else ["no"]
        return ["what"]

    def _role(self, text: str) -> tuple[str, str]:
        for role, word in self.words.items():
            if text == word or text.startswith(word + " "):
                return role, text[len(word) :].strip()
        return "", ""

    def _frequency(self, role: str, value: str) -> list[str]:
        if not value:
            shown = self.start_hz if role == "start" else self.stop_hz
            return [f"{shown / self.unit_hz:.0f}"] if self.readback else ["no"]
        if not re.fullmatch(r"\d+", value) or not 1e5 <= int(value) * self.unit_hz <= 3e9:
            return ["no"]
        setattr(self, f"{role}_hz", int(value) * self.unit_hz)
        return []

    def _data(self, role: str) -> list[str]:
        if self.stop_hz <= self.start_hz:
            return ["no"]
        hertz = np.linspace(self.start_hz, self.stop_hz, self.points)
        turn = np.exp(-2j * np.pi * hertz * LEAD_S)
        joined = self.bench == "joined"
        s11 = (0.02 if self.bench in ("joined", "load") else 0.96) * turn
        s21 = (0.93 if joined else self.leak) * turn
        columns = {"s11": (s11,), "s21": (s21,), "data": (s11, s21)}[role]
        return [" ".join(f"{z.real:.6f} {z.imag:.6f}" for z in row) for row in zip(*columns, strict=True)]
