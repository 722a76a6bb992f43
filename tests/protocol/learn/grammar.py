"""A grammar of invented consoles: every seed gives another wording, layout, number format and temper.

Owns: profile and quirks of a variant as files for the simulated console. Nothing in here comes from a real instrument:
the words are the trade's and plain English, put together by chance.
"""

from __future__ import annotations

import json
import random
from dataclasses import dataclass, field
from pathlib import Path

WORDS = {
    "identify": ["id", "who", "whoami", "version", "about", "ident", "describe", "model", "info"],
    "help": ["help", "?", "commands", "list", "words", "h", "menu"],
    "span": ["span", "range", "between", "band", "window", "limits", "freqrange", "sweeprange"],
    "start": ["start", "from", "fstart", "begin", "low", "startfreq", "lo"],
    "stop": ["stop", "to", "fstop", "end", "high", "stopfreq", "hi"],
    "points": ["points", "pts", "steps", "samples", "count", "npoints", "n"],
    "bandwidth": ["bandwidth", "bw", "ifbw", "rbw", "filter", "selectivity", "resolution"],
    "sweep": ["sweep", "scan", "single", "measure", "trigger", "run", "acquire", "go", "shot", "once"],
    "table": ["data", "table", "values", "read", "fetch", "dump", "results", "trace"],
    "s11": ["s11", "reflection", "refl", "reflected"],
    "s21": ["s21", "transmission", "thru", "through"],
    "frequencies": ["freqs", "frequencies", "axis", "flist", "xaxis"],
    "settings": ["settings", "status", "state", "setup", "config", "show"],
    "pause": ["pause", "hold", "freeze", "halt"],
    "resume": ["resume", "continue", "free"],
}
SAYS = {
    "identify": ["who this is", "prints the identity", "model and version", "tells name and version"],
    "span": ["sets the frequency span", "sweep limits", "span of the sweep"],
    "start": ["start frequency", "lowest frequency", "where a sweep begins"],
    "stop": ["stop frequency", "highest frequency", "where a sweep ends"],
    "points": ["number of points", "points per sweep", "how many samples"],
    "bandwidth": ["receiver bandwidth", "resolution bandwidth", "bandwidth of the receiver"],
    "sweep": ["takes one sweep", "one measurement", "runs a single sweep and waits for its end"],
    "table": ["the measured points", "prints the last sweep", "measured values, a point a line"],
    "s11": ["reflection, S11", "S11 of the last sweep"],
    "s21": ["transmission, S21", "S21 of the last sweep"],
    "frequencies": ["frequencies of the points", "frequency list"],
    "settings": ["present settings", "what is set now"],
    "pause": ["stops sweeping", "holds the last sweep"],
    "resume": ["sweeps again", "lets it sweep freely"],
}
EXTRAS = [
    ("reset", "restarts the instrument"), ("beep", "makes a noise"), ("save", "stores the settings in flash"),
    ("light", "display backlight on or off"), ("erase", "erases the memory"), ("temp", "temperature of the board"),
    ("calibrate", "starts a calibration"), ("update", "enters the loader"), ("uptime", "seconds since power-up"),
]  # fmt: skip
PROMPTS = ["> ", "ready> ", "% ", "$ ", "next: ", "* ", "=>", "cmd? ", "bench# ", "ok\n"]
LINE_ENDS = ["\r", "\n", "\r\n"]
UNITS = ["hz", "hz", "khz", "mhz"]
BRACKETS = ["<{}>", "[{}]", "{{{}}}", "({})", "UPPER"]
REFUSALS = [
    ("ERR", "ERR 12 {word} not known"),
    ("?", "? {word}"),
    ("error:", "error: no such command"),
    ("what", "what is {word}"),
]
FORMS = {
    "ri": ("re", "im"), "db": ("db", "deg"), "ma": ("mag", "deg"), "rad": ("mag", "rad"),
}  # fmt: skip


@dataclass
class Variant:
    """One invented console: profile, quirks and a line that says what it is."""

    seed: int
    profile: str
    quirks: str
    story: str
    forbidden: list[str] = field(default_factory=list)

    def write(self, folder: Path) -> tuple[Path, Path]:
        """Both files in a folder."""
        profile, quirks = folder / "truth.toml", folder / "quirks.toml"
        profile.write_text(self.profile, encoding="utf-8")
        quirks.write_text(self.quirks, encoding="utf-8")
        return profile, quirks


class _Maker:
    def __init__(self, seed: int) -> None:
        self.r = random.Random(seed)
        self.taken: set[str] = set()
        self.style = self.r.choice(["columns", "dash", "colon", "row", "row+details"])
        self.bracket = self.r.choice(BRACKETS)
        self.lines: list[str] = []
        self.details: list[str] = []
        self.words: list[str] = []

    def word(self, function: str) -> str:
        free = [word for word in WORDS[function] if word not in self.taken]
        chosen = self.r.choice(free)
        self.taken.add(chosen)
        return chosen

    def entry(self, word: str, arguments: list[str], says: str) -> None:
        """One line of the listing in this variant's style."""
        shown = " ".join(
            name.upper() if self.bracket == "UPPER" and "|" not in name else
            (self.bracket if self.bracket != "UPPER" else "<{}>").format(name)
            for name in arguments
        )  # fmt: skip
        head = f"{word} {shown}".strip()
        self.words.append(word)
        if self.style == "columns":
            self.lines.append(f"{head:<28}  {says}")
        elif self.style == "dash":
            self.lines.append(f"{head} - {says}")
        elif self.style == "colon":
            self.lines.append(f"{head}: {says}")
        self.details.append(f"{word}\t{head}  {says}")

    def says(self, function: str) -> str:
        return self.r.choice(SAYS[function])


def make_variant(seed: int) -> Variant:
    """The variant of a seed."""
    m = _Maker(seed)
    r = m.r
    unit = r.choice(UNITS)
    shown_unit = {"hz": "Hz", "khz": "kHz", "mhz": "MHz"}[unit]
    names = r.choice([("start", "stop"), ("from", "to"), ("f1", "f2"), ("low", "high")])
    commands: dict[str, str] = {}
    in_end = r.choice(["\r\n", "\n", "\r\n"])
    prompt = r.choice(PROMPTS).replace("\n", in_end)

    identify = m.word("identify")
    commands["identify"] = identify
    m.entry(identify, [], m.says("identify"))
    frequency = [f"{name}({shown_unit})" if r.random() < 0.5 else f"{name}_{unit}" for name in names]
    layout = r.choice(["together", "apart", "span+points"])
    inline = layout == "together" and r.random() < 0.25
    if layout == "together":
        order = r.choice([(0, 1, 2), (2, 0, 1)])
        fields = [f"{{start_{unit}}}", f"{{stop_{unit}}}", "{points}"]
        shown = [*frequency, "points"]
        word = m.word("sweep" if inline else "span")
        commands["sweep" if inline else "span"] = " ".join([word, *(fields[i] for i in order)])
        m.entry(word, [shown[i] for i in order], "sweeps and prints the points" if inline else m.says("span"))
    elif layout == "span+points":
        word = m.word("span")
        commands["span"] = f"{word} {{start_{unit}}} {{stop_{unit}}}"
        m.entry(word, frequency, m.says("span"))
    else:
        for function, shown_name in zip(("start", "stop"), frequency, strict=True):
            word = m.word(function)
            commands[function] = f"{word} {{{function}_{unit}}}"
            m.entry(word, [shown_name], m.says(function))
    if layout != "together":
        word = m.word("points")
        commands["points"] = f"{word} {{points}}"
        m.entry(word, ["count"], m.says("points"))

    codes: list[str] = []
    bandwidths = [100, 1000, 4000] if r.random() < 0.5 else [30, 300, 3000, 10000]
    kind = r.choice(["list", "kilo", "words"])
    word = m.word("bandwidth")
    if kind == "list":
        commands["bandwidth"] = f"{word} {{bandwidth_hz}}"
        m.entry(word, ["|".join(str(hz) for hz in bandwidths)], m.says("bandwidth") + " in Hz")
    elif kind == "kilo":
        codes = [f"{hz // 1000}k" if hz % 1000 == 0 else str(hz) for hz in bandwidths]
        commands["bandwidth"] = f"{word} {{bandwidth_code}}"
        m.entry(word, ["|".join(codes)], m.says("bandwidth"))
    else:
        codes = ["slow", "middle", "fast", "wild"][: len(bandwidths)]
        commands["bandwidth"] = f"{word} {{bandwidth_code}}"
        told = ", ".join(f"{code}={hz}Hz" for code, hz in zip(codes, bandwidths, strict=True))
        m.entry(word, ["|".join(codes)], f"{m.says('bandwidth')}: {told}")

    free = not inline and r.random() < 0.2
    if free:
        for function in ("pause", "resume"):
            word = m.word(function)
            commands[function] = word
            m.entry(word, [], m.says(function))
    elif not inline:
        word = m.word("sweep")
        commands["sweep"] = word
        m.entry(word, [], m.says("sweep"))

    reads, number = _reads(m, inline)
    readback = ""
    if r.random() < 0.6:
        word = m.word("settings")
        m.entry(word, [], m.says("settings"))
        lines = [f"start {{start_{unit}}} {shown_unit}", f"stop = {{stop_{unit}}} {shown_unit}", "points: {points}"]
        readback = f"\n[[console.readback]]\ncommand = {json.dumps(word)}\nlines = {json.dumps(lines)}\n"
    extras = r.sample(EXTRAS, 3)
    for word, says in extras:
        m.entry(word, [], says)
    help_word = m.word("help")
    commands["help"] = help_word
    m.entry(help_word, [], "this list")

    prefix, refusal = r.choice(REFUSALS)
    chatter, every = r.choice([("", 0), ("# board at 31.5 C", 3), ("note: fan on", 4), ("[i] usb ok", 2)])
    paged = r.random() < 0.35 and not m.style.startswith("row")
    listing = m.lines
    if m.style.startswith("row"):
        listing = ["commands: " + r.choice([" ", ", "]).join(m.words)]
    echo = r.random() < 0.5
    profile = "\n".join(
        [
            'schema = 1\nfamily = "console"', f'name = "variant {seed}"', "corrects_itself = true",
            "[limits]\nstart_hz = 1e6\nstop_hz = 1.5e9\nmin_points = 11\nmax_points = 401",
            f"bandwidths_hz = {bandwidths}",
            "[timing]\nsettling_s = 0.0002\nbandwidth_factor = 1.0\noverhead_s = 0.02\n[console]",
            f"prompt = {json.dumps(prompt)}", f"echo = {json.dumps(echo)}",
            f"out_end = {json.dumps(r.choice(LINE_ENDS))}", f"in_end = {json.dumps(in_end)}",
            f"error_prefix = {json.dumps(prefix)}",
            f"chatter_prefix = {json.dumps(chatter.split()[0] if chatter else '')}",
            *([f"bandwidth_codes = {json.dumps(codes)}"] if codes else []), "[console.commands]",
            *(f"{name} = {json.dumps(text)}" for name, text in commands.items()),
        ]
    )  # fmt: skip
    quirks = [
        f"listing = {json.dumps(listing)}", f"refusal = {json.dumps(refusal)}", f"number = {json.dumps(number)}",
    ]  # fmt: skip
    if m.style == "row+details":
        quirks.append(f"details = {json.dumps(m.details)}")
    if paged:
        pager = r.choice(["-- more --", "press any key", "-- page 1/2, Enter continues --"])
        quirks += ["page_lines = 4", f"pager = {json.dumps(pager)}"]
    if chatter:
        quirks += [f"chatter = {json.dumps(chatter)}", f"chatter_every = {every}"]
    story = (
        f"{m.style}, {layout}, {unit}, {'inline' if inline else 'free' if free else 'single'}, {kind}, paged {paged}"
    )
    return Variant(
        seed, profile + "\n" + reads + readback, "\n".join(quirks) + "\n", story, [word for word, _ in extras[:]]
    )  # fmt: skip


def _reads(m: _Maker, inline: bool) -> tuple[str, str]:
    """The reads of a variant and its number format."""
    r = m.r
    shape = "table" if inline else r.choice(["table", "table", "traces", "long traces"])
    form = r.choice(list(FORMS))
    one, two = FORMS[form]
    number = r.choice([".9e", "+.8f", ".10f"] if form != "db" else [".4f", "+.5f"])
    unit = r.choice(["hz", "hz", "mhz", "khz"])
    gap = r.choice([" ", ",", ";", ", ", "\t"])
    gap = " " if gap == "\t" else gap
    if shape == "table":
        named = r.random() < 0.6
        traces = ["s11", "s21"] if r.random() < 0.7 else ["s21", "s11"]
        columns = [f"{{{trace}_{part}}}" for trace in traces for part in (one, two)]
        if r.random() < 0.7:
            columns.insert(0, f"{{frequency_{unit}}}")
        if r.random() < 0.2:
            columns.insert(0, "{index}")
        lines = ["", "[[console.reads]]"]
        if not inline:
            word = m.word("table")
            order = " and ".join(trace.upper() for trace in traces)
            m.entry(word, [], f"{m.says('table')}: {order}" if named else m.says("table"))
            lines.append(f"command = {json.dumps(word)}")
        lines.append(f"line = {json.dumps(gap.join(columns))}")
        if r.random() < 0.3:
            lines.append(f"heading = {json.dumps(r.choice(['points {points}', '{points} rows', 'begin']))}")
        if r.random() < 0.2:
            lines.append('ending = "done"')
        return "\n".join(lines) + "\n", number
    lines = []
    for trace in ("s11", "s21"):
        word = m.word(trace)
        m.entry(word, [], m.says(trace))
        lines += ["", "[[console.reads]]", f"command = {json.dumps(word)}"]
        inner, outer = r.choice([(",", ";"), (" ", ","), (",", " ")])
        if shape == "traces":
            lines.append(f"line = {json.dumps(f'{{{trace}_{one}}}{gap}{{{trace}_{two}}}')}")
        else:
            lines.append(f"line = {json.dumps(f'{{{trace}_{one}}}{inner}{{{trace}_{two}}}')}")
            lines += ["points_per_line = 0", f"separator = {json.dumps(outer)}"]
    if r.random() < 0.5:
        word = m.word("frequencies")
        m.entry(word, [], m.says("frequencies"))
        lines += [
            "",
            "[[console.reads]]",
            f"command = {json.dumps(word)}",
            f"line = {json.dumps(f'{{frequency_{unit}}}')}",
        ]
    return "\n".join(lines) + "\n", number
