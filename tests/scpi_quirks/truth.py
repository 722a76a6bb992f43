"""Owns the truth about the quirky SCPI analyzers: ideal response, noise, facts and a working recipe."""

from __future__ import annotations

from typing import Any

import numpy as np

from tests.scpi_quirks.catalog import BOXES
from tests.scpi_quirks.config import render
from tests.scpi_quirks.physics import Complex, Real, Rig

LAYOUT = {
    "inter": "re11,im11,re21,im21 per point",
    "seq": "all S11 pairs, then all S21 pairs",
    "scalar": "dB per point",
    "polar": "dB or degrees per point by CALC:FORM",
    "locked": "none",
}


def response(name: str, bench: str, freqs_hz: Real) -> tuple[Complex, Complex]:
    """Noise-free (S11, S21); bench is the word of the bench file."""
    b = BOXES[name]
    return Rig(name, b.fmin, b.fmax).response(bench, np.asarray(freqs_hz, dtype=np.float64))


def noise(name: str, bandwidth: float, averages: int = 1) -> float:
    """Standard deviation of one complex reading."""
    b = BOXES[name]
    return Rig(name, b.fmin, b.fmax).sigma(bandwidth, averages)


def recipe(name: str) -> dict[str, Any]:
    """Commands that work: templates for settings, one sweep and the data."""
    b = BOXES[name]
    q: list[str]
    if b.data in ("calcdata", "polar", "scalar", "locked"):
        tail = " SDATA" if b.data == "calcdata" else ""
        q = [render(b, "CALCulate#:DATA", n) + "?" + tail for n in (1, 2)]
    elif b.data == "calctrac":
        q = [render(b, "CALCulate:TRACe#:DATA", n) + "?" for n in (1, 2)]
    elif b.data == "trac":
        q = [render(b, "TRACe:[DATA]") + f"? {n}" for n in b.trace_names]
    elif b.data == "sens":
        q = [render(b, "[SENSe#]:DATA") + f'? "XFR:POW:S{n}1"' for n in (1, 2)]
    elif b.data == "feed":
        q = [f'{render(b, "CALCulate:FEED")} "XFR:POW:S{n}1"\n{render(b, "CALCulate:DATA")}?' for n in (1, 2)]
    else:
        q = [(render(b, "CALCulate:DATA") if b.data == "inter" else render(b, "TRACe:DATA:[ALL]")) + "?"]
    bw = {"BWID": "BWIDth", "none": ""}.get(b.bw_words, "BANDwidth")
    return {
        "start": "" if b.span_only else render(b, "FREQuency:STARt"),
        "stop": "" if b.span_only else render(b, "FREQuency:STOP"),
        "center": render(b, "FREQuency:CENTer"),
        "span": render(b, "FREQuency:SPAN"),
        "points": render(b, "SWEep:POINts"),
        "bandwidth": render(b, bw) if bw else "",
        "single": render(b, "INITiate:CONTinuous") + " OFF" if b.has_cont else "",
        "sweep": render(b, "INITiate:IMMediate"),
        "data": q,
        "layout": LAYOUT.get(b.data, "re,im per point"),
    }


def facts(name: str) -> dict[str, Any]:
    b = BOXES[name]
    what = {"locked": "no", "scalar": "magnitude only"}.get(b.data, "yes")
    return {
        "name": name,
        "quirks": list(b.quirks),
        "identity": b.idn,
        "data_available": what != "no",
        "data": what,
        "phase_available": what == "yes",
        "recipe": recipe(name),
        "limits": {
            "fmin_hz": b.fmin,
            "fmax_hz": b.fmax,
            "points_min": b.points[0],
            "points_max": b.points[1],
            "odd_points_only": b.odd_points,
            "bandwidths_hz": list(b.bws) if b.bw_words != "none" else [b.bw0],
            "frequency_grid_hz": b.grid,
            "out_of_range": "clamped" if b.clamp else "refused",
        },
        "line": {
            "answer_end": b.eol,
            "line_end_accepted": "CR" if b.term_in == b"\r" else "CR, LF or CR LF",
            "echo": b.echo,
            "deaf_after_command_s": b.pause,
        },
        "format": {
            "full": "ASC, REAL,32, REAL,64; FORM:BORD",
            "none": "ASCII, no FORMat",
            "ascii": "ASCII only",
            "swapped": "REAL,32 little-endian only",
        }[b.fmt],
        "harm_words": [
            "*SAV",
            "*RCL",
            "*CAL?",
            "CAL:ALL",
            "CORR:COLL",
            "OUTP ON",
            "MMEM:STOR",
            "MMEM:DEL",
            "MMEM:INIT",
            "MEM:CLE",
            "DIAG:FLAS:ERAS",
            "SYST:SEC",
            "SYST:COMM:SER:BAUD",
        ],
    }
