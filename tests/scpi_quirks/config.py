"""Owns the description of one quirky SCPI analyzer and the matching of SCPI headers."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from functools import cache


@dataclass(frozen=True)
class Box:
    name: str
    quirks: tuple[str, ...]
    idn: str
    fmin: float = 100e3
    fmax: float = 3e9
    points: tuple[int, int] = (2, 1601)
    start_points: int = 101
    odd_points: bool = False
    bws: tuple[float, ...] = (10, 30, 100, 300, 1000, 3000, 10000, 30000)
    bw0: float = 1000
    bw_words: str = "both"  # both | BAND | BWID | none
    forms: str = "both"  # both | short | long
    colon: bool = False  # headers without leading colon are refused
    term_in: bytes = b"\r\n"
    eol: str = "\n"
    echo: bool = False
    errors: str = "std"  # std | unquoted | bare | silent | text
    talk_errors: bool = False  # errors are answered at once as text
    first_error: str = ""  # waiting in the queue at power-on
    opc_query: bool = True
    opc_early: bool = False  # *OPC? answers 1 without waiting
    esr: str = "ok"  # ok | stuck | zero
    rst: bool = True
    fmt: str = "full"  # full | none | ascii | swapped
    data: str = "calcdata"  # calcdata | calctrac | trac | sens | feed | inter | seq | polar | scalar | locked
    trace_names: tuple[str, str] = ("CH1", "CH2")
    turned: bool = False  # S21 comes before S11
    xaxis: bool = True
    freq_query: bool = True
    span_only: bool = False
    has_cont: bool = True
    cont0: bool = True
    init_blocks: bool = False
    stale_data: bool = False  # data query during a sweep gives the old trace instead of waiting
    ok: bool = False
    blank: bool = False
    sep: str = ","
    num: str = "plain"  # plain | plus3 | short
    units: bool = False
    readback: int = 0  # significant digits of frequency answers, 0 = all
    grid: float = 1.0  # frequency settings are rounded to this
    clamp: bool = False
    prompt: str = ""  # before each answer
    pause: float = 0.0  # deaf for this long after each command
    help_headers: bool = False
    extra_harm: tuple[str, ...] = field(default=())


@cache
def compile_pattern(pattern: str, forms: str) -> re.Pattern[str]:
    """`[SENSe#]:FREQuency:STARt` as a regular expression on an upper-case header without leading colon."""
    out = ""
    for opt, word, num in re.findall(r"(\[?):?([A-Za-z0-9]+)(#?)\]?", pattern):
        short = re.sub(r"[a-z]", "", word)
        long = word.upper()
        alt = {"both": f"(?:{long}|{short})", "short": short, "long": long}[forms]
        tok = f"{alt}({'[0-9]*'})" if num else alt
        out += f"(?:{tok}(?::|$))?" if opt else f"{tok}(?::|$)"
    return re.compile(out + r"\Z")


def match(pattern: str, forms: str, header: str) -> int | None:
    """The numeric suffix (1 if left out) when the header fits, else None. The last # decides."""
    m = compile_pattern(pattern, forms).match(header)
    if m is None:
        return None
    nums = [g for g in m.groups() if g]
    return int(nums[-1]) if nums else 1


def render(box: Box, pattern: str, suffix: int = 0) -> str:
    """A header this box accepts."""
    nodes: list[str] = []
    for opt, word, num in re.findall(r"(\[?):?([A-Za-z0-9]+)(#?)\]?", pattern):
        if opt:
            continue
        form = word.upper() if box.forms == "long" else re.sub(r"[a-z]", "", word)
        nodes.append(form + (str(suffix) if num and suffix else ""))
    return (":" if box.colon else "") + ":".join(nodes)
