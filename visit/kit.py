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
from protocol.strict_toml import Table
from rf.standards import Kit, Offset, Part, Thru

SCHEMA = 1
IDEAL = 'schema = 1\nname = "ideal parts (none was described)"\n'
"""What stands in the record when no kit file was given."""

LARGEST_BYTES = 50_000_000


def load_kit(path: Path | None) -> tuple[Kit, str]:
    """The kit and the text that it was read from; without a path the ideal one. Raises RequestError."""
    if path is None:
        return parse_kit(IDEAL, Path("kit")), IDEAL
    try:
        text = path.read_text(encoding="utf-8")
    except UnicodeDecodeError:
        raise RequestError(f"{path}: not UTF-8 text, so not a kit file; give the right file") from None
    except OSError as error:
        raise RequestError(f"{path}: {error.strerror or error}; check the name of the kit file") from None
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
    from skrf import Network  # noqa: PLC0415 - scikit-rf loads only where files are read

    try:
        if path.stat().st_size > LARGEST_BYTES:
            raise table.error("touchstone", f"{path} is larger than {LARGEST_BYTES} bytes")
        network = Network(str(path))
        frequency, s = np.asarray(network.f, float), np.asarray(network.s, np.complex128)
    except OSError as error:
        raise table.error("touchstone", f"{path}: {error.strerror or error}") from None
    except RequestError:
        raise
    except Exception as error:
        raise table.error("touchstone", f"{path} is not readable as Touchstone ({type(error).__name__})") from None
    if s.shape[1] != ports or frequency.size < 2 or not np.isfinite(s).all() or not (np.diff(frequency) > 0).all():
        raise table.error(
            "touchstone", f"{path} must hold {ports} port(s) and 2 rising frequencies or more, all finite"
        )
    return frequency, s
