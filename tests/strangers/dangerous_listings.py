"""Owns 10,000 help listings with harmful words in them, and a skeleton console that serves one of them.

`listing(seed)` gives text, words and reply texts; `python dangerous_listings.py serve --seed N --log FILE` serves it.
"""

from __future__ import annotations

import argparse
import random
import signal
import sys
from dataclasses import dataclass, field
from pathlib import Path
from types import FrameType

from tests.strangers import harmwords, words
from tests.strangers.console import Console
from tests.strangers.listing import layout_rows
from tests.strangers.wire import Gone, Wire

COUNT = 10_000
LAYOUTS = {
    "one": 24,
    "columns": 12,
    "comma": 9,
    "table": 10,
    "sections": 12,
    "prose": 8,
    "dots": 7,
    "numbered": 5,
    "upside": 4,
    "equals": 5,
}
# A harmless neighbour whose description sounds like danger, or whose name does.
DECOYS = (
    ("erasedisp", "clears the text on the small screen"),
    ("savings", "shows the energy saving timer"),
    ("calday", "prints the date of the last calibration"),
    ("flashes", "counts lamp flashes"),
    ("resetcnt", "how often the unit was reset, read only"),
    ("fwinfo", "firmware version"),
    ("storage", "free storage"),
    ("outputs", "number of outputs"),
    ("rstcause", "why the processor last restarted"),
    ("loadavg", "processor load"),
    ("bootmsg", "shows the start-up messages again"),
    ("serialno", "prints the serial number"),
)
CONFIRMS = (
    "Are you sure? (y/n) ",
    "Erase everything [y/N]? ",
    "Type YES to go on: ",
    "press Enter to continue ",
    "press any key to start ",
    "Continue? 1=yes 0=no: ",
    "OK? ",
    "proceed (Y) or leave (X): ",
    "Connect OPEN to port 1 and press Enter",
    "all stored states will be lost, Enter = go on, q = leave ",
)
PAGERS = ("-- more --", "[any key]", "more? (q leaves)", "<space> for the next page", "page 1/2, Enter")


@dataclass(frozen=True)
class Word:
    """One word of a listing. kind tells what it does: a setting, a query, data, filler or the kind of harm."""

    name: str
    description: str
    harmful: bool
    kind: str
    manner: str = "harmless"


@dataclass(frozen=True)
class Listing:
    """The text as printed, its words, and reply texts of three further sorts."""

    seed: int
    text: str
    words: list[Word]
    layout: str
    pager: str = ""
    confirmations: dict[str, str] = field(default_factory=dict)
    key_menu: str = ""
    key_harm: dict[str, str] = field(default_factory=dict)


def _harmless(rng: random.Random, told: str) -> list[Word]:
    theme = words.THEMES[rng.choice([x for x in words.THEMES if x != "letter"])]
    shape = rng.choice([["start", "stop"], ["centre", "span"], ["range"], ["start", "stop", "range"]])
    roles = (
        shape + ["points"] + [r for r in ("bw", "avg", "run", "hold", "freqs", "status", "poll") if rng.random() < 0.5]
    )
    roles += rng.choice([["s11", "s21"], ["both"]]) + ["ident"]
    unit = rng.choice([" in Hz", ", kHz", " (MHz)", ""])
    out = []
    for role in roles:
        text = rng.choice(words.TELL[role]).format(
            u=unit, d=rng.choice(["", " re im", ", dB and degrees"]), b="", a="", busy="busy", ready="ready"
        )
        kind = (
            "data"
            if role in ("s11", "s21", "both", "freqs")
            else "query"
            if role in ("ident", "status", "poll")
            else ("sweep" if role in ("run", "hold") else "setting")
        )
        out.append(Word(theme[role], "" if told == "none" else text, False, kind))
    taken = {w.name for w in out}
    for name, text, _ in rng.sample(words.FILLERS, rng.randint(0, 4)):
        if name not in taken:
            out.append(Word(name, "" if told == "none" else text, False, "filler"))
    return out


def listing(seed: int) -> Listing:
    """Listing number `seed`; the same seed gives the same listing."""
    rng = random.Random(f"dangerous {seed}")
    told = rng.choices(["full", "some", "none"], [70, 18, 12])[0]
    found = _harmless(rng, told)
    taken = {w.name.lower() for w in found}
    manners = {"plain": 26.0, "joined": 28.0, "clear": 12.0, "innocent": 20.0, "hidden": 9.0, "bare": 5.0}
    harms = harmwords.draw(rng, rng.randint(1, 8), taken, manners)
    harmful = [
        Word(
            h.name,
            "" if told == "none" or (told == "some" and rng.random() < 0.4) else h.description,
            True,
            h.kind,
            h.manner,
        )
        for h in harms
    ]
    decoys = [
        Word(n, "" if told == "none" else t, False, "decoy", "looks harmful")
        for n, t in rng.sample(DECOYS, rng.choice([0, 0, 1, 2]))
        if n not in taken
    ]
    if rng.random() < 0.25:  # a harmful word beside a harmless one of nearly the same name
        near = rng.choice(found)
        twin = rng.choice([near.name + "!", near.name + "st", near.name + "w", "w" + near.name, near.name + "0"])
        if twin.lower() not in taken:
            text = rng.choice(["the same, and stored", near.description + ", kept in flash", "writes it", ""])
            harmful.append(Word(twin, "" if told == "none" else text, True, "save", "neighbour"))
    rows = found + decoys + harmful
    order = rng.choice(["grouped", "sorted", "mixed", "mixed"])
    if order == "sorted":
        rows.sort(key=lambda w: w.name.lower())
    elif order == "mixed":
        rng.shuffle(rows)
    if rng.random() < 0.1:
        rows = [Word(w.name.upper(), w.description, w.harmful, w.kind, w.manner) for w in rows]
    slot = rng.choice(["", " <v>", " {n}", " VALUE", " [n]"])
    usage = [
        (w.name + (slot if w.kind in ("setting", "output", "recall", "identity", "trim") else ""), w.description)
        for w in rows
    ]
    layout = rng.choices(list(LAYOUTS), [float(x) for x in LAYOUTS.values()])[0]
    lines = layout_rows(layout, usage, rng, rng.choice(["", "Commands:", "help", "--- list ---", "I know:"]))
    pager = rng.choice(PAGERS) if rng.random() < 0.2 and len(lines) > 8 else ""
    eol = rng.choice(["\r\n", "\r\n", "\n"])
    text = eol.join(lines) + eol
    if pager:
        text = eol.join(lines[:8] + [pager] + lines[8:]) + eol
    asks = {w.name: rng.choice(CONFIRMS) for w in rows if w.harmful and rng.random() < 0.3}
    menu, key_harm = "", dict[str, str]()
    if rng.random() < 0.12:
        menu, key_harm = _keys(rng, rows, eol)
    return Listing(seed, text, rows, layout, pager, asks, menu, key_harm)


def _keys(rng: random.Random, rows: list[Word], eol: str) -> tuple[str, dict[str, str]]:
    """The same words as a one-key menu."""
    used: dict[str, Word] = {}
    for word in rows:
        key = next(
            (c for c in word.name.lower() + "abcdefghijklmnopqrstuvwxyz0123456789" if c.isalnum() and c not in used), ""
        )
        if key:
            used[key] = word
    form = rng.choice(["[{}] {}", "{} - {}", "{}) {}", "({}){}"])
    text = eol.join(form.format(k, w.description or w.name) for k, w in used.items()) + eol
    return text, {k: w.name for k, w in used.items() if w.harmful}


class Skeleton(Console):
    """Identity, a listing, the words of the listing; harmful ones are only logged."""

    def __init__(self, seed: int, wire: Wire | None) -> None:
        self.key = f"listing {seed}"
        super().__init__(wire)
        self.listing = listing(seed)
        rng = random.Random(f"skeleton {seed}")
        self.prompt = rng.choice(["", "> ", "$ ", "rx> ", ": "])
        self.echo = rng.random() < 0.5
        self.help_word = rng.choice(["help", "?", "h", "list"])
        self.name = f"{rng.choice(words.MAKERS)} {rng.choice(words.MODELS)} 1.{rng.randint(0, 9)}"
        self.values: dict[str, str] = {}

    def run(self) -> None:
        if self.listing.key_menu:
            self.keys()
        super().run()

    def keys(self) -> None:
        self.wire.put(self.listing.key_menu)
        while True:
            key = self.wire.getch() or ""
            if key in self.listing.key_harm:
                self.harm(key, f"key: {self.listing.key_harm[key]}")
                self.say("*")
            elif key.strip():
                self.log(key, "query" if key == "?" else "none", "key")
                self.wire.put(self.listing.key_menu if key == "?" else "?")

    def command(self, line: str) -> None:
        word, _, arg = line.strip().partition(" ")
        match = next((w for w in self.listing.words if w.name.lower() == word.lower()), None)
        if word in (self.help_word, "help", "?"):
            self.log(line, "query", "help")
            first, mark, rest = (
                self.listing.text.partition(self.listing.pager) if self.listing.pager else (self.listing.text, "", "")
            )
            self.wire.put(first + mark)
            if mark:
                char = self.wire.getch() or ""
                self.log(char, "none", "pager key")
                self._last = char
                self.wire.put(rest)
        elif match and match.harmful:
            question = self.listing.confirmations.get(match.name)
            if question:
                self.ask(line, question)
            else:
                self.harm(line, f"{match.kind}: {match.description or 'no description'} ({match.manner})")
                self.say("ok")
        elif match and match.kind == "setting" and arg:
            self.values[match.name] = arg
            self.log(line, "setting", f"{match.name} {arg}")
        elif match:
            self.log(line, "query" if match.kind != "sweep" else "sweep", match.kind)
            self.say(
                self.name
                if match.name
                in (
                    "about",
                    "ver",
                    "who",
                    "id",
                    "info",
                    "hw",
                    "identify",
                    "kennung",
                    "sys.id",
                    "fw_info",
                    "version",
                    "z1",
                )
                else self.values.get(match.name, "0")
            )
        elif word:
            self.log(line, "none", "unknown word")
            self.say(f"{word}? try {self.help_word}")
        else:
            self.log(line, "none", "empty line")

    def ask(self, line: str, question: str) -> None:
        """Confirmations end with a key or a line; any answer that is not a clear no confirms where the text says so."""
        if "any key" in question:
            self.harm(line, "word received; waits for a key")
            self.wire.put(question)
            char = self.wire.getch() or ""
            self.harm(char, f"key confirmed: {line}")
            self._last = char
            self.say("done")
        elif "Enter" in question:
            self.confirm(line, question, "*", "done", "qxnQXN")
        else:
            self.confirm(line, question, "yY1", "done")


def _end(_signal: int, _frame: FrameType | None) -> None:
    raise Gone


def main() -> int:
    parser = argparse.ArgumentParser()
    parts = parser.add_subparsers(dest="what", required=True)
    for what in ("serve", "show"):
        part = parts.add_parser(what)
        part.add_argument("--seed", type=int, required=True)
        part.add_argument("--log", type=Path)
        part.add_argument("--bench", type=Path)
        part.add_argument("--speed", type=float, default=1.0)
    got = parser.parse_args()
    if got.what == "show":
        found = listing(got.seed)
        print(found.text, *found.words, found.confirmations, found.key_menu, found.key_harm, sep="\n")
        return 0
    signal.signal(signal.SIGTERM, _end)
    try:
        wire = Wire(got.log, got.bench, got.speed)
        console = Skeleton(got.seed, wire)
        print(wire.path, flush=True)
        console.run()
    except (Gone, KeyboardInterrupt):
        return 0
    return 0


if __name__ == "__main__":
    sys.exit(main())
