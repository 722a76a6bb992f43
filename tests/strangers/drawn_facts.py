"""Owns the true account of a drawn console: its facts, whether it can be learned, and a recipe that works."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from .values import show_freq

if TYPE_CHECKING:
    from .drawn_text import Speech

WITH_ANSWERS = {
    "words": ["which listed words set frequency and points and which print the traces: odd names, no descriptions"],
    "unit": ["the unit of the frequencies: neither listing nor replies tell it"],
    "no listing": ["the words: nothing lists them, though they are common ones"],
    "traces": ["which of the two trace words is reflection and which is transmission (or a known state of the bench)"],
    "password": ["the password that opens the console"],
    "keys": ["that the console takes single keys, and which of them are safe"],
    "axis": ["the unit of the frequencies and that the settings cannot be read back"],
}
NOT_REASONS = {
    "magnitude only": "the console prints magnitudes only, no phase",
    "no frequency": "the sweep is fixed: there is no word for any frequency",
    "mute": "every line is answered with 'unknown'",
    "unguessable": "nothing lists the words and nobody could guess them",
    "harmful keys": "single keys act at once, some do harm, and nothing lists them",
    "one port": "only the reflection trace can be read",
}


def told(c: Speech) -> dict[str, Any]:
    """The facts of a drawn console as plain data."""
    s = c.spec
    harmless = {r: n for r, n in c.table.items() if not r.startswith("harm:")}
    key_menu = s.reason in ("keys", "harmful keys")
    return {
        "name": f"seed {s.seed}", "maker": s.maker, "dimensions": dict(s.dims), "learnable": s.verdict,
        "reason": s.reason, "needs": WITH_ANSWERS.get(s.reason, []) if s.verdict == "with answers" else [],
        "why not": NOT_REASONS.get(s.reason, "") if s.verdict == "not" else "",
        "words": harmless, "help word": "" if key_menu else s.dims["help_word"],
        "harmful": {h.name: {"kind": h.kind, "description": h.description, "manner": h.manner} for h in s.harms},
        "settings": ["start", "stop", "points"] if key_menu else list(c.settings) + (["range"] if "range" in c.table
        else []),
        "set": {} if key_menu else {r: c.set_form(r) for r in c.settings},
        "get": {} if key_menu else {r: c.get_form(r) for r in c.settings if c.get_form(r)},
        "frequency unit": s.dims["unit"], "frequency rounding (Hz)": c.f_round,
        "min frequency": c.fmin, "max frequency": c.fmax, "min points": c.nmin, "max points": c.nmax,
        "point list": list(s.point_list), "default": {"start": c.start, "stop": c.stop, "points": c.points,
                                                      "bandwidth": c.bandwidth, "averages": c.averages},
        "bandwidths": list(c.bandwidths) if s.dims["bw"] != "absent" else [], "averages": [1, 100]
        if "avg" in c.settings else [],
        "noise floor (dB at 1 kHz)": c.world.floor_db, "leakage (dB)": 20 * math.log10(abs(c.world.leak)),
        "busy word": s.busy, "ready word": s.ready, "password": c.password if s.reason == "password" else "",
        "trace order": s.dims["order"], "device centre": c.world.centre, "device notch": c.world.notch,
        "eol in": s.dims["eol_in"], "eol out": s.dims["eol_out"],
    }


def told_recipe(c: Speech, start: float, stop: float, points: int, trace: str) -> list[str]:
    """Raw strings to send one after another. Empty when this console cannot do it."""
    s, d = c.spec, c.spec.dims
    eol = "\n" if d["eol_in"] == "lf" else "\r"
    unit = d["unit"]
    if s.reason in ("mute", "harmful keys", "no frequency"):
        return []
    start_up = {"wake": [eol], "question": ["n"]}.get(d["startup"], [])
    if s.reason == "keys":
        return start_up + [f"a{show_freq(start, unit)}{eol}", f"b{show_freq(stop, unit)}{eol}", f"n{points}{eol}", "x"]
    lines: list[str] = list(start_up)
    if s.reason == "password":
        lines.append(c.password + eol)
    if d["trap"] == "shy":
        lines.append("zzzz" + eol)
    step = (stop - start) / max(points - 1, 1)
    wanted = {"start": show_freq(start, unit), "stop": show_freq(stop, unit), "centre": show_freq((start + stop) / 2,
            unit),
              "span": show_freq(stop - start, unit), "step": show_freq(step, unit), "points": str(points),
              "select": "1" if trace == "s11" else "2"}
    if "span" in c.settings:
        lines.append(_set(c, "span", show_freq(0, unit), eol))
    for role in c.settings:
        if role in wanted:
            lines.append(_set(c, role, wanted[role], eol))
    if "range" in c.table:
        fields = [wanted["start"], wanted["stop"]] + ([] if "points" in c.settings else [wanted["points"]])
        lines.append(f"{c.table['range']} {c.joiner.join(fields)}{eol}")
    mode = d["sweep"]
    if mode in ("fetch", "poll", "stream", "endless"):
        lines.append(c.table["run"] + eol)
    if mode == "free":
        lines.append(c.table["single"] + eol)
    if mode not in ("stream", "endless"):
        role = trace if d["traces"] == "separate" else "both"
        if role not in c.table:
            return []
        lines.append(c.table[role] + eol)
    return lines


def _set(c: Speech, role: str, value: str, eol: str) -> str:
    form = c.set_form(role)
    if c.spec.dims["access"] == "dialog":
        return form + eol + value + eol
    return form.replace("{v}", value) + eol
