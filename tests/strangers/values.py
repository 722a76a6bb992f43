"""Owns how a drawn console writes and reads frequencies, numbers and traces."""

from __future__ import annotations

import json
import re

import numpy as np

from .spec import Spec

UNIT = {"Hz": 1.0, "kHz": 1e3, "MHz": 1e6, "10Hz": 10.0, "suffix": 1.0, "hex": 1.0, "MHzcomma": 1e6, "GHz": 1e9}
_SUFFIX = {"": 1.0, "k": 1e3, "m": 1e6, "g": 1e9}
SEPS = {"space": " ", "comma": ",", "semicolon": ";", "tab": "\t", "wide": "    "}


def _trim(value: float, digits: int) -> str:
    text = f"{value:.{digits}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def show_freq(hz: float, unit: str, pad: bool = False) -> str:
    """A frequency as this unit writes it."""
    if unit in ("Hz", "10Hz"):
        return f"{hz / UNIT[unit]:.0f}"
    if unit == "hex":
        return f"{int(hz):08X}"
    if unit == "suffix":
        return _trim(hz / 1e6, 6) + "M" if hz >= 1e6 else _trim(hz / 1e3, 3) + "k"
    digits = {"kHz": 3, "MHz": 6, "MHzcomma": 6, "GHz": 9}[unit]
    text = f"{hz / UNIT[unit]:.{digits}f}" if pad else _trim(hz / UNIT[unit], digits)
    return text.replace(".", ",") if unit == "MHzcomma" else text


def read_freq(text: str, unit: str) -> float:
    """Hz from what was typed; ValueError when it is no frequency here."""
    text = text.strip()
    if unit == "hex":
        return float(int(text.removeprefix("0x").removeprefix("0X"), 16))
    if unit == "suffix":
        got = re.fullmatch(r"([0-9.]+(?:e[0-9]+)?)\s*([kmg]?)(?:hz)?", text.lower())
        if not got:
            raise ValueError(text)
        return float(got[1]) * _SUFFIX[got[2]]
    if unit in ("Hz", "10Hz"):
        return float(int(text)) * UNIT[unit]
    if unit == "MHzcomma":
        if "." in text:
            raise ValueError(text)
        text = text.replace(",", ".")
    if not re.fullmatch(r"[0-9]*\.?[0-9]*(?:[eE][0-9]+)?", text):
        raise ValueError(text)
    return float(text) * UNIT[unit]


def number(value: float, style: str) -> str:
    """One number of a trace."""
    forms = {"f6": "{:.6f}", "e": "{:.5e}", "g": "{:.7g}", "f4": "{:.4f}", "plus": "{:+.6f}", "E3": "{:+.4E}"}
    if style == "raw":
        return f"{value:.0f}"
    if style == "decimal comma":
        return f"{value:.6f}".replace(".", ",")
    return forms[style].format(value)


def columns(spec: Spec, z: complex) -> list[str]:
    """The one or two fields of one complex value."""
    kind, style = spec["kind"], spec["number"]
    magnitude = max(abs(z), 1e-9)
    angle = float(np.degrees(np.angle(z)))
    if kind == "magdb":
        return [number(20 * np.log10(magnitude), style)]
    if kind == "dbdeg":
        return [number(20 * np.log10(magnitude), style), number(angle, style)]
    if kind == "dbrad":
        return [number(20 * np.log10(magnitude), style), number(np.radians(angle), style)]
    if kind == "lindeg":
        return [number(magnitude, style), number(angle, style)]
    if kind == "ampdeg_pm180_tenths":
        return [f"{magnitude * 10000:.0f}", f"{angle * 10:.0f}"]
    if kind == "hex16":
        parts = [int(np.clip(round(x * 0x4000), -32768, 32767)) & 0xFFFF for x in (z.real, z.imag)]
        return [f"{x:04X}" for x in parts]
    if kind in ("int16", "int24"):
        scale = 8388608 if kind == "int24" else spec.extra["scale"]
        return [f"{z.real * scale:.0f}", f"{z.imag * scale:.0f}"]
    return [number(z.real, style), number(z.imag, style)]


def value(spec: Spec, fields: list[str]) -> complex:
    """The inverse of `columns`."""
    kind = spec["kind"]
    if kind == "hex16":
        parts = [int(x, 16) for x in fields]
        parts = [x - 65536 if x > 32767 else x for x in parts]
        return complex(parts[0], parts[1]) / 0x4000
    a, *rest = [float(x.replace(",", ".")) for x in fields]
    if kind == "magdb":
        return complex(10 ** (a / 20))
    b = rest[0]
    if kind in ("dbdeg", "dbrad"):
        return complex(10 ** (a / 20) * np.exp(1j * (np.radians(b) if kind == "dbdeg" else b)))
    if kind == "lindeg":
        return complex(a * np.exp(1j * np.radians(b)))
    if kind == "ampdeg_pm180_tenths":
        return complex(a / 10000 * np.exp(1j * np.radians(b / 10)))
    scale = {"int16": spec.extra["scale"], "int24": 8388608}.get(kind, 1)
    return complex(a, b) / scale


def _titles(spec: Spec, traces: list[str]) -> list[str]:
    two = {"magdb": ["dB"], "dbdeg": ["dB", "deg"], "dbrad": ["dB", "rad"], "lindeg": ["mag", "deg"],
           "ampdeg_pm180_tenths": ["mag", "ph"]}.get(spec["kind"], ["re", "im"])
    return [f"{t}_{x}" for t in traces for x in two]


def trace_lines(spec: Spec, f: list[float], traces: dict[str, list[complex]]) -> list[str]:
    """The lines of one data reply. `traces` is in the order in which this console puts them."""
    sep, layout = SEPS[spec["sep"]], spec["layout_data"]
    axis = spec["freq_axis"] == "column"
    tags = {"s11": ["S11", "R", "11", "refl"][spec.extra["tag"]], "s21": ["S21", "T", "21", "thru"][spec.extra["tag"]]}
    out: list[str] = []
    if layout == "json":
        out.append("{" + (f'"f":{json.dumps([round(x) for x in f])},' if axis else ""))
        parts = [f'"{t}":[' + ",".join("[" + ",".join(columns(spec, z)) + "]" if spec["kind"] != "hex16" else
                 json.dumps(columns(spec, z)) for z in zs) + "]" for t, zs in traces.items()]
        return out + [x + "," for x in parts[:-1]] + [parts[-1], "}"]
    if layout == "blocks":
        for t, zs in traces.items():
            out.append(f"[{tags[t]}]")
            out += [sep.join(columns(spec, z)) for z in zs]
        return out
    if layout == "tagged":
        for t, zs in traces.items():
            for k, z in enumerate(zs):
                head = [tags[t], str(k)] + ([show_freq(f[k], spec["unit"], True)] if axis else [])
                out.append(sep.join(head + columns(spec, z)))
        return out
    titles = _titles(spec, list(traces))
    for k in range(len(f)):
        fields = [x for zs in traces.values() for x in columns(spec, zs[k])]
        where = [show_freq(f[k], spec["unit"], True)] if axis else []
        if layout == "single":
            out += fields
        elif layout == "keys":
            pairs = [f"{a}={b}" for a, b in zip(titles, fields)]
            out.append(sep.join([f"n={k}"] + [f"f={x}" for x in where] + pairs))
        elif layout == "index":
            out.append(sep.join([str(k)] + where + fields))
        else:
            out.append(sep.join(where + fields))
    if layout == "oneline":
        return [sep.join(out)]
    if layout == "header":
        head = ["freq"] if axis else []
        out.insert(0, sep.join(head + titles))
    return out


def parse(spec: Spec, text: str, order: list[str], want: str) -> list[complex]:
    """The wanted trace out of a data reply that holds the traces `order`."""
    layout, sep, width = spec["layout_data"], SEPS[spec["sep"]], 1 if spec["kind"] == "magdb" else 2
    axis = spec["freq_axis"] == "column"
    lines = [x.strip("\r\n") for x in re.split(r"[\r\n]+", text)]
    at, found, block = order.index(want), list[complex](), ""
    tags = {"s11": ["S11", "R", "11", "refl"][spec.extra["tag"]], "s21": ["S21", "T", "21", "thru"][spec.extra["tag"]]}
    if layout == "json":
        body = json.loads(re.sub(r"([\[,])\+", r"\1", text[text.index("{"):text.rindex("}") + 1]))
        return [value(spec, [str(x) for x in row]) for row in body[want]]
    if layout == "single":
        numbers = [x.strip() for x in lines if re.fullmatch(r"[-+0-9.,eEA-F]+", x.strip())
                and (spec["kind"] == "hex16" or not x.startswith("E"))]
        each = width * len(order)
        rows = [numbers[i:i + each] for i in range(0, len(numbers) - each + 1, each)]
        return [value(spec, row[at * width:(at + 1) * width]) for row in rows]
    for line in lines:
        fields = [x.strip() for x in line.split(sep) if x.strip()]
        try:
            if layout == "blocks":
                block = line if line.startswith("[") else block
                if block == f"[{tags[want]}]" and len(fields) == width:
                    found.append(value(spec, fields))
            elif layout == "tagged":
                if fields and fields[0] == tags[want] and len(fields) == 2 + axis + width:
                    found.append(value(spec, fields[2 + axis:]))
            elif layout == "oneline":
                each = width * len(order)
                if len(fields) >= each and len(fields) % each == 0:
                    found += [value(spec, fields[i + at * width:i + (at + 1) * width])
                              for i in range(0, len(fields), each)]
            else:
                skip = axis + (layout in ("index", "keys"))
                if layout == "keys":
                    fields = [x.split("=")[1] for x in fields]
                if len(fields) == skip + width * len(order):
                    found.append(value(spec, fields[skip + at * width:skip + (at + 1) * width]))
        except (ValueError, IndexError):
            continue
    return found
