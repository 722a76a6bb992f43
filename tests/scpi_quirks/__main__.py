"""Command line of the package: `names` and `serve NAME --log FILE --bench FILE`."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

from tests.scpi_quirks.catalog import BOXES
from tests.scpi_quirks.engine import ScpiBox
from tests.scpi_quirks.physics import Rig
from tests.scpi_quirks.port import Instrument, Port, command_line


def make(name: str) -> Callable[[Port, Path, Path], Instrument]:
    cfg = BOXES[name]
    return lambda port, bench, log: ScpiBox(cfg, Rig(name, cfg.fmin, cfg.fmax), port, bench, log)


if __name__ == "__main__":
    sys.exit(command_line("scpi_quirks", list(BOXES), make, sys.argv[1:]))
