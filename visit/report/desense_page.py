"""The desense test in words and as JSON.

Owns: the lines. Refuses: figures of its own.
"""

from __future__ import annotations

from rf.repeater.desense_levels import STATES
from rf.values.words import as_json, text
from visit.day.desense_test import DO, SET_UP, Taken

NAMES = {
    "with_load": "desensitisation with a load",
    "with_antenna": "desensitisation with the antenna",
    "site": "deafness by the site, transmitter off",
    "beyond": "what only the antenna shows",
}


def desense_lines(taken: Taken) -> list[str]:
    """Levels, what they show, where to look, what comes next."""
    if not taken.dbm:
        return [f"desense test {taken.when}: not taken", *(f"  set up: {line}" for line in SET_UP)]
    lines = [
        f"desense test {taken.when}: "
        + "; ".join(f"{state} {taken.dbm[state]:g} dBm" for state in STATES if state in taken.dbm)
    ]
    for key, name in NAMES.items():
        figure = getattr(taken.levels, key)
        lines.append(f"  {name}: {text(figure)}" + ("" if figure.known else f" ({figure.why})"))
    lines += [f"  {one.says}: {one.look}" for one in taken.findings]
    if taken.findings and not any(one.duplexer for one in taken.findings):
        lines.append("  nothing of it is the duplexer's: turn no screw for it")
    return lines + ([f"  next: {DO[taken.following]}"] if taken.following else [])


def desense_data(taken: Taken) -> dict[str, object]:
    """For JSON (docs/json.md)."""
    return {
        "when": taken.when,
        "levels_dbm": dict(taken.dbm),
        **{key: as_json(getattr(taken.levels, key)) for key in NAMES},
        "findings": [{"says": one.says, "look": one.look, "duplexer": one.duplexer} for one in taken.findings],
        "next": taken.following,
    }
