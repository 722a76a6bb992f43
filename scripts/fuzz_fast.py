"""Millions of inputs in one process: `python scripts/fuzz_fast.py TARGET [--seconds N] [--corpus FOLDER]`.

Owns: changing kept inputs, and following the code's lines on a sample of them (`--follow` of the time at most): what
reaches a new pair of lines is kept. Nothing is instrumented and nothing need be installed, so an input costs what the
reader costs; `scripts/fuzz.py` follows every input and costs ten times that. Targets, seeds and what counts as a fault
are those of tests/hostile. A fault is written to `--out` and told once for each place; the run goes on. Ends with one
line: inputs, seconds, inputs a second, kept, faults. Exit status 1 for a fault. Refuses: to look inside C.
"""

from __future__ import annotations

import argparse
import base64
import hashlib
import os
import random
import resource
import signal
import sys
import tempfile
import time
import traceback
import warnings
from collections.abc import Callable
from pathlib import Path
from types import CodeType, FrameType
from typing import Any

ROOT = Path(__file__).parents[1]
sys.path.insert(0, str(ROOT))
MEMORY = Path("/dev/shm")
LONGEST_INPUT = 1024
SHORTER = {
    "keys": 64, "learning": 400, "learning-spoiled": 41, "stranger": 80, "values": 80, "words": 300, "hookup": 200,
}  # fmt: skip
"""Where more only repeats what was."""
MOST_FAULTS = 20
FOLLOWED = tuple(str(ROOT / part) + os.sep for part in ("protocol", "visit", "tui", "rf"))
ALSO = ("textual/_xterm_parser.py", "textual/_parser.py", "tomllib/_parser.py", "skrf/io/touchstone.py")
WORDS = (
    b"\n", b"\r\n", b"\r", b"\0", b" ", b",", b";", b":", b"=", b"{", b"}", b"[", b"]", b'"', b"'", b"#", b"?", b"> ",
    b"-", b"+", b".", b"1", b"0", b"-1", b"1e9", b"1e999", b"nan", b"inf", b"-0.0", b"99999999999999999999", b"0x1F",
    b"\xff", b"\xc3", b"\xe2\x80\xae", b"\xc2\x9b", b"\x1b[", b"\x1b[200~", b"\x1b[201~", b"\x1bO", b"\x1b]8;;",
    b"true", b"null", b"1e-400", b"MHz", b"kHz", b"1_0", b"\xef\xbb\xbf",
)  # fmt: skip
TICK_S = 5


class Lines:
    """Which pairs of lines, one behind the other in a function, were ever reached."""

    def __init__(self) -> None:
        self._wanted: dict[CodeType, bool] = {}
        self._seen: set[tuple[CodeType, int, int]] = set()
        self.new = 0

    def _call(self, frame: FrameType, event: str, _: Any) -> Any:
        code = frame.f_code
        wanted = self._wanted.get(code)
        if wanted is None:
            name = code.co_filename
            wanted = self._wanted[code] = name.startswith(FOLLOWED) or name.endswith(ALSO)
        if not wanted:
            return None
        before, seen = 0, self._seen

        def line(frame: FrameType, event: str, _: Any) -> Any:
            nonlocal before
            if event == "line":
                pair = (code, before, before := frame.f_lineno)
                if pair not in seen:
                    seen.add(pair)
                    self.new += 1
            return line

        return line

    def follow(self, call: Callable[[bytes], None], data: bytes) -> bool:
        """Run it; True when something new was reached."""
        self.new = 0
        sys.settrace(self._call)
        try:
            call(data)
        finally:
            sys.settrace(None)
        return self.new > 0


def changed(pool: list[bytes], rng: random.Random, longest: int = LONGEST_INPUT) -> bytes:
    """A kept input with one to eight changes."""
    draw = rng.random
    data = bytearray(pool[int(draw() * len(pool))])
    for _ in range(1 << int(draw() * 4)):
        at, kind = int(draw() * (len(data) + 1)), int(draw() * 8)
        if kind == 0 and at < len(data):
            data[at] ^= 1 << int(draw() * 8)
        elif kind == 1 and at < len(data):
            data[at] = int(draw() * 256)
        elif kind == 2:
            data[at:at] = WORDS[int(draw() * len(WORDS))]
        elif kind == 3:
            word = WORDS[int(draw() * len(WORDS))]
            data[at : at + len(word)] = word
        elif kind == 4:
            del data[at : at + 1 + int(draw() * 8)]
        elif kind == 5:
            piece = data[at : at + 1 + int(draw() * 32)]
            data[at:at] = piece * (1 + int(draw() * 3))
        elif kind == 6:
            other = pool[int(draw() * len(pool))]
            begin = int(draw() * (len(other) + 1))
            data[at : at + int(draw() * 16)] = other[begin : begin + 1 + int(draw() * 64)]
        elif kind == 7 and len(data) > 1:
            begin = int(draw() * len(data))
            del data[min(at, begin) : max(at, begin)]
    return bytes(data[:longest])


class Trial:
    """One target, its kept inputs, its counts."""

    def __init__(self, name: str, call: Callable[[bytes], None], folder: Path | None, out: Path) -> None:
        self.name, self.call, self.folder, self.out = name, call, folder, out
        self.pool: list[bytes] = []
        self.lines = Lines()
        self.count = self.kept = 0
        self.places: dict[str, int] = {}
        self.data = b""
        self._last = (-1, 0)

    def one(self, data: bytes, *, follow: bool) -> None:
        """Try it; keep it when it reached something new."""
        self.data = data
        self.count += 1
        try:
            if not follow:
                self.call(data)
            elif self.lines.follow(self.call, data):
                self._keep(data)
        except Exception as error:
            self._fault(error)

    def _keep(self, data: bytes) -> None:
        self.pool.append(data)
        self.kept += 1
        if self.folder is not None:
            (self.folder / hashlib.sha1(data, usedforsecurity=False).hexdigest()).write_bytes(data)

    def _fault(self, error: Exception) -> None:
        frames = traceback.extract_tb(error.__traceback__)
        place = f"{type(error).__name__} {frames[-1].filename}:{frames[-1].lineno}"
        self.places[place] = self.places.get(place, 0) + 1
        if self.places[place] == 1:
            self._write("fault")
            traceback.print_exception(error, limit=-6)

    def _write(self, kind: str) -> None:
        path = self.out / f"{self.name}-{kind}-{hashlib.sha1(self.data, usedforsecurity=False).hexdigest()[:12]}"
        path.write_bytes(self.data)
        print(f"{path}: {self.data[:120]!r}", flush=True)

    def look(self, timeout_s: int) -> None:
        """Called now and then: has the same input been going on for too long?"""
        self._last = (self.count, self._last[1] + TICK_S if self._last[0] == self.count else 0)
        if self._last[1] >= timeout_s:
            self._write("hang")
            traceback.print_stack()
            print(f"{self.name}: an input took more than {timeout_s} s after {self.count} inputs", flush=True)
            os._exit(1)


def main() -> int:
    """Run one target."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("target")
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--inputs", type=int, default=1 << 62, help="end after so many")
    parser.add_argument("--follow", type=float, default=0.2, help="share of the time in which lines are followed")
    parser.add_argument("--timeout", type=int, default=20, help="seconds of the processor for one input")
    parser.add_argument("--memory", type=int, default=4000, help="megabytes for the process")
    parser.add_argument("--ways", type=int, default=1 << 30, help="one visit in so many goes through every way out")
    parser.add_argument("--corpus", type=Path, help="folder of inputs to begin with and to add to")
    parser.add_argument("--out", type=Path, default=Path(tempfile.gettempdir()), help="folder for what broke a rule")
    parser.add_argument("--seed", type=int, default=time.time_ns())
    parser.add_argument("--reduce", type=int, metavar="N", help="write N of the kept inputs at most to tests/hostile")
    options = parser.parse_args()
    if MEMORY.is_dir():  # a disk that is waited for at each input takes all the time
        tempfile.tempdir = str(MEMORY)
    from tests.hostile import sessions, targets

    sessions.KEEP_LOOP = True
    if options.target not in targets.TARGETS:
        print("\n".join(targets.TARGETS))
        return 2
    targets.WAYS_OUT_OF = options.ways
    warnings.simplefilter("error")
    resource.setrlimit(resource.RLIMIT_AS, (options.memory << 20, options.memory << 20))
    for folder in (options.corpus, options.out):
        if folder is not None:
            folder.mkdir(parents=True, exist_ok=True)
    trial = Trial(options.target, targets.TARGETS[options.target], options.corpus, options.out)
    known = targets.seeds(options.target)
    if options.corpus is not None:
        known += [file.read_bytes() for file in sorted(options.corpus.iterdir()) if file.is_file()]
    trial.pool = list(dict.fromkeys(known)) or [b""]
    if options.reduce is not None:
        _reduce(trial, options.reduce)
        return 0
    trial.call(trial.pool[0])  # what all inputs share is made
    signal.signal(signal.SIGPROF, lambda *_: trial.look(options.timeout))
    signal.setitimer(signal.ITIMER_PROF, TICK_S, TICK_S)  # of the processor: the machine may be busy with other work
    seconds = _run(trial, options)
    for loop, _ in sessions.LOOPS:
        loop.close()
    return _told(trial, seconds)


def _reduce(trial: Trial, most: int) -> None:
    """Of the kept inputs those that reach something new, short ones first."""
    from tests.hostile import targets

    own = set(targets.own_seeds(trial.name))
    kept = []
    for data in sorted(trial.pool, key=lambda data: (data not in own, len(data))):
        if trial.lines.follow(trial.call, data) and data not in own and len(kept) < most:
            kept.append(data)
    targets.corpus_file(trial.name).parent.mkdir(exist_ok=True)
    lines = [base64.b64encode(data).decode() + "\n" for data in kept]
    targets.corpus_file(trial.name).write_text("".join(lines), encoding="ascii")
    print(f"{trial.name}: {len(kept)} of {len(trial.pool)} inputs kept, {sum(map(len, kept))} bytes")


def _run(trial: Trial, options: argparse.Namespace) -> float:
    """Seconds it took. The clock is looked at once in a while, and the sample is as large as its share allows."""
    began = time.monotonic()
    folder, trial.folder = trial.folder, None
    for data in list(trial.pool):  # what the kept inputs reach is known from now on
        trial.one(data, follow=True)
    trial.pool, trial.kept, trial.folder = trial.pool[: len(trial.pool) - trial.kept], 0, folder
    longest = SHORTER.get(trial.name, LONGEST_INPUT)
    rng, followed_s, every = random.Random(options.seed), 0.0, 64
    begun_s = time.monotonic()
    while (now := time.monotonic()) < began + options.seconds and trial.count < options.inputs:
        if followed_s > options.follow * (now - begun_s):
            for _ in range(every):
                trial.one(changed(trial.pool, rng, longest), follow=False)
            if time.monotonic() - now < 0.02:
                every *= 2
            elif time.monotonic() - now > 0.2:
                every = max(1, every // 2)
        else:
            trial.one(changed(trial.pool, rng, longest), follow=True)
            followed_s += time.monotonic() - now
        if len(trial.places) >= MOST_FAULTS:
            break
    return time.monotonic() - began


def _told(trial: Trial, seconds: float) -> int:
    for place, count in trial.places.items():
        print(f"{count:8} {place}")
    print(
        f"{trial.name}: {trial.count} inputs in {seconds:.0f} s, {trial.count / seconds:.0f} a second,"
        f" {trial.kept} kept; {f'FAULTS at {len(trial.places)} places' if trial.places else 'no fault'}"
    )
    return 1 if trial.places else 0


if __name__ == "__main__":
    sys.exit(main())
