"""Owns the command line: serve, handwritten, names."""

from __future__ import annotations

import argparse
import signal
import sys
from pathlib import Path
from types import FrameType

from .truth import build, names
from .wire import Gone, Wire


def _end(_signal: int, _frame: FrameType | None) -> None:
    raise Gone


def main() -> int:
    parser = argparse.ArgumentParser(prog="strangers")
    parts = parser.add_subparsers(dest="what", required=True)
    for what in ("serve", "handwritten"):
        part = parts.add_parser(what)
        if what == "serve":
            part.add_argument("--seed", type=int, required=True)
        else:
            part.add_argument("name")
        part.add_argument("--log", type=Path)
        part.add_argument("--bench", type=Path)
        part.add_argument("--speed", type=float, default=1.0)
    parts.add_parser("names")
    got = parser.parse_args()
    if got.what == "names":
        print("\n".join(names()))
        return 0
    signal.signal(signal.SIGTERM, _end)
    try:
        wire = Wire(got.log, got.bench, got.speed)
        console = build(got.seed if got.what == "serve" else got.name, wire)
        print(wire.path, flush=True)
        console.run()
    except (Gone, KeyboardInterrupt):
        return 0
    return 0


if __name__ == "__main__":
    sys.exit(main())
