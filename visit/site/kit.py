"""The kit file: what the short, the open, the load and the thru on the bench are. TOML, checked with key and line
named.

Owns: reading it, and the Touchstone files that it names. Refuses: to invent a part; a part that is left out is
ideal, and the kit's own words say so.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from protocol.errors import RequestError
from protocol.files.small_files import read_text
from protocol.files.strict_toml import Table
from protocol.files.touchstone import read_touchstone
from rf.calibration.standards import Kit, Offset, Part, Thru

SCHEMA = 1
IDEAL = 'schema = 1\nname = "ideal parts (none was described)"\n'
"""What stands in the record when no kit file was given."""


def load_kit(path: Path | None) -> tuple[Kit, str]:
    """The kit and the text that it was read from; without a path the ideal one. Raises RequestError."""
    if path is None:
        return parse_kit(IDEAL, Path("kit")), IDEAL
    text = read_text(path, "a kit file")
    return parse_kit(text, path), text


def parse_kit(text: str, path: Path) -> Kit:
    """Check the text of a kit file; Touchstone files are looked for beside `path`. Raises RequestError."""
    top = Table.parse(text, str(path))
    schema = top.integer("schema", low=0, high=10**6)
    if schema != SCHEMA:
        raise top.error("schema", f"is {schema}, but this program reads schema {SCHEMA}")
    name = top.text("name")
    parts = {kind: _part(kind, top.table(kind, required=False), path) for kind in ("short", "open", "load")}
    thru = _thru(top.table("thru", required=False), path)
    top.done()
    return Kit(name, parts["short"], parts["open"], parts["load"], thru)


def _part(kind: str, table: Table, path: Path) -> Part:
    file = table.text("touchstone", "")
    return_loss = table.number("return_loss_db", 35.0, low=10.0, high=80.0) if kind == "load" else 35.0
    if file:
        table.done()
        return Part(kind, return_loss_db=return_loss, table=_one_port(table, path.parent / file))
    offset = _offset(table)
    key = "fringing_f" if kind == "open" else "inductance_h"
    polynomial = table.numbers(key, (), low=-1e-3, high=1e-3)
    if len(polynomial) > 4:
        raise table.error(key, "has more than four coefficients")
    resistance = table.number("resistance_ohm", 50.0, low=1.0, high=1000.0) if kind == "load" else 50.0
    table.done()
    return Part(kind, offset, polynomial, resistance, return_loss)


def _thru(table: Table, path: Path) -> Thru:
    file = table.text("touchstone", "")
    if file:
        table.done()
        frequency, s = _touchstone(table, path.parent / file, 2)
        return Thru(table=(frequency, s[:, 1, 0].copy()))
    offset = _offset(table)
    table.done()
    return Thru(offset)


def _offset(table: Table) -> Offset:
    return Offset(
        table.number("delay_s", 0.0, low=-1e-9, high=1e-7),
        table.number("loss_ohm_per_s", 0.0, low=0.0, high=1e12),
        table.number("impedance_ohm", 50.0, low=1.0, high=500.0),
    )


def _one_port(table: Table, path: Path) -> tuple[NDArray[np.float64], NDArray[np.complex128]]:
    frequency, s = _touchstone(table, path, 1)
    return frequency, s[:, 0, 0].copy()


def _touchstone(table: Table, path: Path, ports: int) -> tuple[NDArray[np.float64], NDArray[np.complex128]]:
    try:
        frequency, s = read_touchstone(path, "this part", ports)
    except RequestError as error:
        raise table.error("touchstone", str(error)) from None
    if frequency.size < 2:
        raise table.error("touchstone", f"{path} must hold 2 frequencies or more")
    return frequency, s
