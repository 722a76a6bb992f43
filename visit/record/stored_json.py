"""JSON texts of a visit file, which may be untrusted: figures as objects, numbers as numbers.

Owns: taking them apart with one line for what is wrong. Refuses: to know what the figures mean.
"""

from __future__ import annotations

import math
from typing import Any

from protocol.files.small_files import json_data
from visit.record.opening import damaged
from visit.record.visit_file import VisitFile


def stored_object(visit: VisitFile, text: object, what: str) -> dict[str, Any]:
    """A JSON object of the file. Raises RecordError naming `what`."""
    try:
        data = json_data(str(text))
    except ValueError as error:
        raise damaged(visit.path, error, what) from None
    if not isinstance(data, dict):
        raise damaged(visit.path, "no object", what)
    return data


def stored_figure(visit: VisitFile, data: dict[str, Any], key: str, what: str) -> dict[str, float | None]:
    """Value and ends of a figure within an object: finite numbers, all of them, or None. Raises RecordError."""
    figure = data.get(key)
    if not isinstance(figure, dict):
        raise damaged(visit.path, f"{key} is missing", what)
    found = {name: stored_number(visit, figure.get(name), what) for name in ("value", "low", "high")}
    if found["value"] is not None and None in found.values():
        raise damaged(visit.path, f"{key} has no ends", what)
    return found


def stored_number(visit: VisitFile, value: object, what: str) -> float | None:
    """A number or None. Raises RecordError."""
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) < 1e15:
        raise damaged(visit.path, "a text stands for a number, or a number that can't be", what)
    return float(value) if math.isfinite(value) else None
