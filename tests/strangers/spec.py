"""Owns the dimensions of a drawn console: their values, their weights by kind of maker, and the draw itself."""

from __future__ import annotations

import random
from dataclasses import dataclass, field

from . import harmwords, words

Weights = dict[str, float]

DIMS: dict[str, Weights] = {
    "prompt": {"none": 20, "gt": 14, "dollar": 6, "name": 16, "colon": 6, "star": 5, "ownline": 6, "hash": 4,
               "qmark": 3, "state": 7, "counter": 4, "colour": 7, "brackets": 5},
    "echo": {"none": 40, "full": 38, "cr": 10, "backspace": 5, "upper": 4, "line": 6},
    "eol_in": {"any": 60, "cr": 16, "lf": 20},
    "eol_out": {"crlf": 58, "lf": 24, "cr": 7, "lfcr": 5},
    "blank": {"none": 62, "before": 12, "after": 14, "both": 5, "double": 4},
    "end": {"prompt": 42, "ok": 14, "done": 6, "ready": 5, "dot": 5, "count": 6, "checksum": 4, "silence": 18,
            "bracketed": 4, "eot": 2},
    "help_word": {"help": 36, "?": 22, "h": 8, "HELP": 5, "menu": 5, "list": 4, "commands": 5, "cmds": 5, "man": 2,
                  "usage": 2, "hlp": 3, "enter": 4, "error": 4, "??": 2},
    "layout": {"one": 24, "columns": 9, "comma": 7, "table": 9, "sections": 12, "prose": 7, "pager": 7, "topics": 8,
               "banner": 3, "dots": 6, "numbered": 4, "upside": 3, "equals": 4, "same": 3},
    "usage": {"angle": 20, "braces": 8, "upper": 12, "typed": 8, "range": 14, "none": 20, "example": 10},
    "tell": {"full": 70, "terse": 20, "none": 10},
    "theme": {"plain": 16, "abbr": 10, "odd": 9, "from_to": 6, "fpre": 9, "lohi": 7, "engineer": 6, "anders": 5,
              "letter": 8, "twoletter": 8, "dotted": 7, "under": 6, "camel": 6, "cryptic": 3},
    "case": {"any": 60, "exact": 30, "upper": 10},
    "access": {"space_bare": 32, "eq_q": 14, "space_q": 14, "setget": 10, "prefix": 7, "colon": 6, "glued": 7,
               "dialog": 7, "write_only": 8, "register": 5, "comma_bare": 4},
    "unit": {"Hz": 42, "kHz": 18, "MHz": 18, "10Hz": 3, "suffix": 12, "hex": 3, "MHzcomma": 3, "GHz": 2},
    "shape": {"startstop": 70, "centrespan": 15, "startstep": 12, "both": 8},
    "combined": {"none": 68, "space": 18, "comma": 10, "semicolon": 4},
    "readback": {"each": 52, "status": 34, "none": 10, "oneline": 10},
    "status_style": {"colon": 30, "equals": 24, "table": 12, "sentence": 8, "columns": 8},
    "traces": {"separate": 60, "both": 34, "select": 8},
    "order": {"s11 first": 88, "s21 first": 12},
    "freq_axis": {"column": 46, "command": 28, "none": 26},
    "kind": {"ri": 46, "dbdeg": 22, "lindeg": 9, "hex16": 4, "int16": 8, "dbrad": 3, "int24": 3,
    "ampdeg_pm180_tenths": 3},
    "layout_data": {"rows": 44, "header": 14, "single": 9, "oneline": 7, "tagged": 9, "index": 8, "keys": 5, "json": 3,
                    "blocks": 3},
    "sep": {"space": 40, "comma": 28, "semicolon": 10, "tab": 14, "wide": 6},
    "number": {"f6": 34, "e": 18, "g": 18, "f4": 10, "plus": 8, "E3": 6, "decimal comma": 5},
    "sweep": {"auto": 28, "stream": 22, "fetch": 20, "poll": 12, "free": 14, "endless": 5},
    "remarks": {"none": 64, "between": 14, "inside": 8, "idle": 9, "both": 3},
    "identity": {"line": 40, "version": 14, "fields": 14, "banner": 16, "kv": 8},
    "errors": {"ERR": 18, "qm": 14, "code": 14, "nak": 5, "sentence": 20, "silence": 8, "echo": 15, "usage": 8},
    "limits": {"clamp": 30, "remark": 24, "refuse": 46, "ignore": 8},
    "startup": {"none": 46, "chatter": 26, "garbled": 12, "wake": 8, "slow": 4, "question": 4},
    "points_rule": {"range": 76, "fixed": 14, "power": 5, "odd": 5},
    "bw": {"absent": 26, "list": 34, "index": 22, "range": 18},
    "avg": {"absent": 38, "present": 62},
    "f_round": {"1": 62, "10": 14, "1000": 18, "100": 6},
    "trap": {"none": 66, "toggle": 12, "default": 12, "shy": 6, "prefix": 6},
    "confirm": {"none": 60, "yn": 16, "enter": 9, "anykey": 8, "usage": 7},
    "set_reply": {"quiet": 50, "value": 22, "name": 18, "sentence": 10},
}

MAKERS: dict[str, dict[str, Weights]] = {
    "firm": {"tell": {"full": 90, "terse": 10}, "layout": {"one": 20, "sections": 20, "table": 16, "pager": 8,
    "topics": 10},
             "theme": {"plain": 20, "engineer": 16, "fpre": 8, "camel": 14, "under": 8, "abbr": 8},
             "errors": {"sentence": 30, "code": 24, "ERR": 12, "usage": 12}},
    "hobbyist": {"theme": {"letter": 20, "odd": 20, "twoletter": 14, "from_to": 14, "plain": 14, "lohi": 10},
                 "prompt": {"none": 34, "gt": 24, "qmark": 8, "star": 8, "colon": 8},
                 "errors": {"qm": 30, "silence": 16, "ERR": 20, "echo": 14}, "end": {"silence": 30, "ok": 24, "dot": 8,
                 "prompt": 24, "done": 8}, "limits": {"clamp": 60, "ignore": 16, "refuse": 24}},
    "shell": {"prompt": {"name": 40, "dollar": 20, "colour": 20, "hash": 10, "state": 14}, "echo": {"full": 80,
              "backspace": 14, "cr": 6}, "end": {"prompt": 100}, "theme": {"under": 20, "dotted": 16, "plain": 16,
              "fpre": 16, "abbr": 12, "cryptic": 5}, "layout": {"one": 34, "columns": 18, "comma": 14, "topics": 16,
              "dots": 10}},
    "robot": {"prompt": {"none": 84, "gt": 10, "star": 6}, "echo": {"none": 84, "cr": 16}, "end": {"ok": 26,
    "count": 20,
              "checksum": 16, "ready": 12, "silence": 20, "bracketed": 10}, "access": {"eq_q": 30, "space_q": 26,
              "glued": 14, "colon": 14, "register": 12}, "errors": {"nak": 18, "code": 34, "ERR": 30, "qm": 10},
              "startup": {"none": 70, "garbled": 30}},
    "talker": {"layout": {"prose": 24, "sections": 24, "pager": 20, "same": 8, "banner": 8}, "access": {"dialog": 26,
               "space_bare": 40, "setget": 20, "write_only": 10}, "remarks": {"none": 24, "between": 24, "inside": 16,
               "idle": 24, "both": 6}, "identity": {"banner": 60, "line": 30, "kv": 10}, "startup": {"chatter": 60,
               "slow": 10, "question": 10, "none": 20}, "blank": {"none": 20, "before": 24, "after": 30, "both": 18}},
    "overseas": {"unit": {"MHzcomma": 20, "MHz": 30, "kHz": 30, "Hz": 20}, "theme": {"anders": 40, "abbr": 20,
    "lohi": 14,
                 "twoletter": 14, "odd": 12}, "number": {"decimal comma": 34, "f6": 30, "e": 16, "g": 20},
                 "sep": {"semicolon": 50, "tab": 30, "space": 20}},
    "lab": {"unit": {"hex": 12, "10Hz": 12, "Hz": 50, "kHz": 26}, "kind": {"hex16": 18, "int16": 30, "int24": 14,
    "ri": 30,
            "ampdeg_pm180_tenths": 12}, "tell": {"terse": 50, "full": 40, "none": 10}, "layout": {"one": 30,
            "columns": 18,
            "comma": 20, "numbered": 12, "equals": 10}, "points_rule": {"power": 24, "range": 50, "fixed": 26}},
}
MAKER_WEIGHTS = {"firm": 24, "hobbyist": 22, "shell": 16, "robot": 13, "talker": 12, "overseas": 6, "lab": 9}
WITH = ("words", "unit", "no listing", "traces", "password", "keys", "axis")
NOT = ("magnitude only", "no frequency", "mute", "unguessable", "harmful keys", "one port")


@dataclass
class Spec:
    """Everything that makes one drawn console."""

    seed: int
    maker: str
    verdict: str
    reason: str
    dims: dict[str, str]
    names: dict[str, str]
    tell: dict[str, str]
    harms: list[harmwords.Harm]
    fillers: list[tuple[str, str, str]]
    brand: str
    model: str
    version: str
    fmin: float
    fmax: float
    start: float
    stop: float
    points: int
    nmin: int
    nmax: int
    point_list: list[int]
    bandwidths: list[float]
    busy: str
    ready: str
    extra: dict[str, int] = field(default_factory=dict)

    def __getitem__(self, dim: str) -> str:
        return self.dims[dim]


def _pick(rng: random.Random, weights: Weights) -> str:
    return rng.choices(list(weights), list(weights.values()))[0]


def _repair(d: dict[str, str], rng: random.Random) -> None:
    """Combinations no firmware would have, or could not work, are put right."""
    if d["theme"] == "letter":
        d["case"] = "exact"
        if d["access"] in ("setget", "prefix", "dialog"):
            d["access"] = rng.choice(["glued", "space_bare", "eq_q"])
    if d["theme"] in ("camel",) and d["case"] == "upper":
        d["case"] = "exact"
    if d["access"] == "glued" and d["theme"] not in ("letter", "twoletter", "abbr"):
        d["access"] = "space_bare"
    if d["access"] == "glued" and d["unit"] in ("hex", "suffix", "MHzcomma"):
        d["unit"] = "kHz"
    if d["access"] == "prefix" and d["theme"] in ("dotted", "cryptic", "letter"):
        d["access"] = "eq_q"
    if d["end"] == "prompt" and d["prompt"] == "none":
        d["end"] = rng.choice(["silence", "ok", "done"])
    if d["end"] in ("silence", "ok") and d["prompt"] != "none" and rng.random() < 0.6:
        d["end"] = "prompt"
    if d["access"] == "write_only" and d["readback"] == "each":
        d["readback"] = "status"
    if d["access"] == "comma_bare" and d["unit"] == "MHzcomma":
        d["unit"] = "MHz"
    if d["unit"] == "MHzcomma" and d["combined"] == "comma":
        d["combined"] = "semicolon"
    if d["number"] == "decimal comma" and d["sep"] == "comma":
        d["sep"] = "semicolon"
    if d["unit"] == "MHzcomma" and d["sep"] == "comma":
        d["sep"] = "tab"
    if d["kind"] in ("hex16", "int16", "int24"):
        d["number"] = "raw"
    if d["number"] == "decimal comma" and d["layout_data"] == "json":
        d["layout_data"] = "rows"
    if d["layout_data"] in ("single", "oneline", "blocks") and d["freq_axis"] == "column":
        d["freq_axis"] = rng.choice(["command", "none"])
    if d["layout_data"] == "blocks":
        d["traces"] = "both"
    if d["sweep"] in ("stream", "endless"):
        d["traces"] = "both"
        if d["layout_data"] in ("json", "blocks"):
            d["layout_data"] = "rows"
    if d["sweep"] == "endless" and d["end"] in ("count", "checksum"):
        d["end"] = "ok"
    if d["layout_data"] == "blocks":
        d["remarks"] = "none" if d["remarks"] in ("inside", "both") else d["remarks"]
    if d["layout_data"] in ("json", "oneline") and d["remarks"] in ("inside", "both"):
        d["remarks"] = "between"
    if d["shape"] in ("startstep", "centrespan"):
        d["combined"] = "none"
    if d["unit"] in ("MHz", "MHzcomma", "kHz", "GHz", "10Hz") and d["f_round"] in ("1",):
        d["f_round"] = {"10Hz": "10", "kHz": "1000"}.get(d["unit"], rng.choice(["1", "10", "1000"]))
    if d["access"] == "dialog":
        d["combined"] = "none"
    if d["help_word"] in ("enter", "error") and d["layout"] in ("topics", "same", "banner"):
        d["layout"] = "one"
    if d["startup"] == "wake" and d["prompt"] == "none":
        d["startup"] = "chatter"
    if d["layout"] == "banner":
        d["startup"] = "chatter"
    if d["echo"] == "backspace" and d["help_word"] == "enter":
        d["echo"] = "full"


def _verdict(d: dict[str, str], rng: random.Random) -> tuple[str, str]:
    """The wanted verdict, and the dimensions bent so that it is true."""
    u = rng.random()
    if u < 0.825:
        if d["tell"] == "none":
            if d["theme"] not in words.GUESSABLE:
                d["tell"] = "terse"
            if d["unit"] not in ("Hz", "suffix"):
                d["unit"] = "Hz"
            if d["kind"] not in ("ri", "dbdeg"):
                d["kind"], d["number"] = "ri", "f6"
            d["order"] = "s11 first"
            if d["access"] == "register":
                d["access"] = "space_bare"
            if d["sweep"] == "endless":
                d["sweep"] = "stream"
        if d["freq_axis"] == "none" and d["readback"] in ("none", "oneline"):
            d["readback"] = "status"
        return "alone", ""
    if u < 0.93:
        why = rng.choice(WITH)
        if why == "words":
            d["tell"], d["theme"] = "none", rng.choice(["odd", "cryptic", "lohi", "twoletter", "anders", "letter"])
            if d["theme"] == "letter":
                d["access"] = rng.choice(["glued", "space_bare"])
            d["usage"] = rng.choice(["none", "none", "range"])
        elif why == "unit":
            d["unit"], d["freq_axis"] = rng.choice(["10Hz", "kHz", "MHz"]), "none"
            d["f_round"] = "10" if d["unit"] == "10Hz" else "1000"
            d["identity"], d["usage"] = rng.choice(["line", "version", "fields"]), rng.choice(["none", "angle",
                    "upper"])
        elif why == "no listing":
            d["help_word"], d["theme"] = "none", rng.choice(list(words.GUESSABLE))
            d["errors"] = rng.choice(["qm", "ERR", "silence", "echo"])
        elif why == "traces":
            d["traces"], d["sweep"] = "separate", rng.choice(["auto", "fetch", "free", "poll"])
            if d["layout_data"] not in ("single", "oneline", "index"):
                d["layout_data"] = "rows"
        elif why == "keys":
            d["shape"], d["combined"] = "startstop", "none"
        elif why == "axis":
            d["shape"], d["freq_axis"], d["readback"], d["access"] = "centrespan", "none", "none", "write_only"
            d["unit"] = rng.choice(["kHz", "10Hz"])
            d["identity"], d["usage"] = rng.choice(["line", "version"]), rng.choice(["none", "angle", "upper"])
        return "with answers", why
    why = rng.choice(NOT)
    if why == "magnitude only":
        d["kind"] = "magdb"
        if d["layout_data"] in ("json", "blocks"):
            d["layout_data"] = "rows"
    if why == "one port":
        d["traces"] = "separate"
        d["sweep"] = rng.choice(["auto", "fetch", "free", "poll"])
        if d["layout_data"] == "blocks":
            d["layout_data"] = "rows"
    if why == "unguessable":
        d["help_word"], d["theme"] = "none", rng.choice(["cryptic", "odd", "twoletter"])
        d["errors"] = rng.choice(["qm", "ERR", "silence", "nak"])
    return "not", why


def draw(seed: int) -> Spec:
    """The specification of console number `seed`."""
    rng = random.Random(f"strangers {seed}")
    maker = _pick(rng, {k: float(v) for k, v in MAKER_WEIGHTS.items()})
    d = {dim: _pick(rng, MAKERS[maker].get(dim, weights)) for dim, weights in DIMS.items()}
    plain = rng.random() < 0.12
    if plain:
        d.update(blank="none", remarks="none", trap="none", startup="none", echo=rng.choice(["none", "full"]),
                 eol_in="any", eol_out="crlf", layout="one", tell="full", access="space_bare", kind="ri",
                 layout_data="rows", limits="refuse")
    _repair(d, rng)
    verdict, reason = _verdict(d, rng)
    _repair(d, rng)
    if reason == "unit" or (reason == "axis"):
        d["freq_axis"] = "none"
    theme = words.THEMES[d["theme"]]
    fmin = rng.choice([9e3, 1e4, 3e4, 5e4, 1e5, 3e5, 1e6, 2e6, 1e7, 2.5e7, 1.4e8, 3.5e8])
    fmax = rng.choice([f for f in (6e7, 1.6e8, 3e8, 5e8, 9e8, 1e9, 1.3e9, 1.5e9, 2e9, 2.7e9, 3e9, 3.6e9, 4.4e9, 6e9)
                       if f > 4 * fmin])
    point_list = {"fixed": sorted(rng.choice([[101, 201, 401], [51, 101, 201], [64, 128, 256, 512], [11, 51, 101, 301],
                  [50, 100, 200, 500], [25, 75, 150]])), "power": [2 ** k for k in range(4, 11)]}.get(d["points_rule"],
                  [])
    nmin, nmax = rng.choice([1, 2, 2, 3, 5, 10, 11, 16, 21]), rng.choice([51, 101, 128, 201, 256, 290, 301, 401, 500,
                                                                         512, 801, 1001, 1024, 1601, 2001])
    if point_list:
        nmin, nmax = point_list[0], point_list[-1]
    ladder: list[float] = rng.choice([[10, 30, 100, 300, 1000, 3000], [100, 1000, 10000], [62.5, 125, 250, 500, 1000, 2000, 4000],
                         [10, 20, 50, 100, 200, 500, 1000, 2000, 5000], [333, 1000, 3333], [300, 700, 1500, 6000]])
    extra = {"typo": rng.randint(0, 9), "page": rng.choice([6, 8, 10, 12]), "prefix": rng.randint(0, 3),
            "err": rng.randint(0, 5),
              "plain": int(plain), "scale": rng.choice([10000, 32767, 100000]), "tag": rng.randint(0, 3),
             "conj": 0, "chat": rng.randint(0, 9999), "verbs": rng.randint(0, 3)}
    spec = Spec(seed, maker, verdict, reason, d, dict(theme), {}, [], [], rng.choice(words.MAKERS),
            rng.choice(words.MODELS),
                rng.choice(["1.02", "v2.1", "0.9b", "R3", "2016-04", "1.4.0-17", "3.00", "v0.31", "B7"]), fmin, fmax,
                0.0, 0.0, 0, nmin, nmax, point_list, [float(x) for x in ladder],
                rng.choice(["busy", "1", "RUN", "sweeping", "wait", "B"]), "", extra)
    spec.ready = {"busy": "ready", "1": "0", "RUN": "IDLE", "sweeping": "finished", "wait": "ok", "B": "R"}[spec.busy]
    low = max(fmin, fmax * rng.choice([0.0, 0.01, 0.1]))
    step = 1e6 if fmax > 2e8 else 1e5
    spec.start = max(fmin, float(round(low / step) * step))
    spec.stop = float(round(fmax * rng.choice([1.0, 1.0, 0.9, 0.6]) / step) * step)
    spec.points = rng.choice(point_list) if point_list else rng.choice(
        [n for n in (51, 101, 201, nmax, (nmin + nmax) // 2) if nmin <= n <= nmax])
    if d["points_rule"] == "odd":
        spec.points, spec.nmax = spec.points | 1, spec.nmax | 1
    _words(spec, rng)
    return spec


def _words(spec: Spec, rng: random.Random) -> None:
    d = spec.dims
    shown = {"Hz": "Hz", "kHz": "kHz", "MHz": "MHz", "10Hz": "units of 10 Hz", "suffix": "Hz, or with k M G",
             "hex": "Hz, hex", "MHzcomma": "MHz", "GHz": "GHz"}[d["unit"]]
    unit = "" if spec.reason in ("unit", "axis") else rng.choice([" in {}", ", {}", " ({})", " [{}]"]).format(shown)
    kind = {"ri": "re im", "dbdeg": "dB, degrees", "lindeg": "magnitude, degrees", "hex16": "re im, hex, 4000 = 1",
            "int16": "re im x {}".format(spec.extra["scale"]), "dbrad": "dB, radians", "int24": "re im, 8388608 = 1",
            "ampdeg_pm180_tenths": "magnitude x 10000, phase in 0.1 degree", "magdb": "dB"}[d["kind"]]
    data = rng.choice([" ({})", ", {}", ": {}", " as {}"]).format(kind)
    bands = {"list": " in Hz: " + " ".join(f"{x:g}" for x in spec.bandwidths), "index":
             " 0..{} ({})".format(len(spec.bandwidths) - 1, " ".join(f"{x:g}" for x in spec.bandwidths) + " Hz"),
             "range": " {:g}..{:g} Hz".format(spec.bandwidths[0], spec.bandwidths[-1]), "absent": ""}[d["bw"]]
    args = {"space": ": start stop points", "comma": ": start,stop,points", "semicolon": ": start;stop;points",
            "none": ""}[d["combined"]]
    for role, texts in words.TELL.items():
        text = rng.choice(texts)
        if role in ("s11", "s21") and spec.reason == "traces":
            text = {"s11": "first trace{d}", "s21": "second trace{d}"}[role]
        text = text.format(u=unit, d=data, b=bands, a=args + (unit if args else ""), busy=spec.busy, ready=spec.ready)
        if role == "both" and d["order"] == "s21 first" and d["layout_data"] not in (
                "header", "tagged", "keys", "json", "blocks"):
            text = f"S21 and S11{data}"
        if d["tell"] == "none":
            text = ""
        elif d["tell"] == "terse":
            keep = {"bw": 9, "range": 9}.get(role, 6)
            text = " ".join(text.split()[:keep + 4])
        spec.tell[role] = text
    if spec.reason == "traces":
        spec.names["s11"], spec.names["s21"] = rng.choice([("ta", "tb"), ("trace1", "trace2"), ("buf0", "buf1")])
        if rng.random() < 0.5:
            spec.names["s11"], spec.names["s21"] = spec.names["s21"], spec.names["s11"]
            spec.tell["s11"], spec.tell["s21"] = spec.tell["s21"], spec.tell["s11"]
    if d["case"] == "upper":
        spec.names = {k: v.upper() for k, v in spec.names.items()}
    letters = d["theme"] == "letter"
    taken = set(spec.names.values()) | {x.lower() for x in spec.names.values()} | {
        "help", "?", "h", "menu", "list", "commands", "cmds", "man", "usage", "hlp", "set", "get", "reg", "??", "new"}
    if letters:
        taken = set(spec.names.values()) | {"h", "?"}
    spec.fillers = [] if letters else [f for f in rng.sample(words.FILLERS, rng.randint(1, 5)) if f[0] not in taken]
    taken |= {f[0] for f in spec.fillers}
    manners = {"plain": 30.0, "joined": 26.0, "clear": 12.0, "innocent": 20.0, "hidden": 8.0, "bare": 4.0}
    spec.harms = harmwords.draw(rng, rng.randint(3, 7), taken, manners, letters)
    if d["tell"] == "none":
        spec.harms = [harmwords.Harm(h.kind, h.name, "", h.manner) for h in spec.harms]
    if d["case"] == "upper":
        spec.fillers = [(a.upper(), b, c) for a, b, c in spec.fillers]
        spec.harms = [harmwords.Harm(h.kind, h.name.upper(), h.description, h.manner) for h in spec.harms]
