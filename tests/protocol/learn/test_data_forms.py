"""Data as strangers print them: what learning reads, the profile's template must read again, to the same numbers.

Owns: an open lead and a leak in one layout each. Refuses: consoles (`test_kinds`) and single columns (`test_rows`).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np
import pytest
from numpy.typing import NDArray

from protocol.dialects.numbers import PointTable, complex_columns
from protocol.dialects.reply import Manner
from protocol.learn.sweeps.acquire import Acquisition, Part
from protocol.learn.sweeps.axis import Meaning, OtherFrequenciesError, meaning_of
from protocol.learn.sweeps.refusing import head_of, with_heads
from protocol.learn.sweeps.shapes import shapes_of
from protocol.profiles.consoles import Read
from protocol.profiles.templates import DATA_FIELDS, Template

Trace = NDArray[np.complex128]
Replies = Mapping[str, list[str]]
Layout = Callable[[NDArray[np.float64], Trace, Trace], Replies]
SPANS = ((51, 109e6, 121e6), (101, 118e6, 154e6))


def open_leads(hertz: NDArray[np.float64], seed: int) -> tuple[Trace, Trace]:
    """S11 of an open lead and S21 of a leak, shape (points,)."""
    rng = np.random.default_rng(seed)
    noise = 1e-4 * (rng.standard_normal((2, hertz.size)) + 1j * rng.standard_normal((2, hertz.size)))
    return 0.95 * np.exp(-2j * np.pi * hertz * 9e-9) + noise[0], 2e-5 + noise[1]


def points(line: Callable[[float, complex, complex], str]) -> Layout:
    """A layout of one reply, whose lines are made of frequency, S11 and S21."""
    return lambda f, a, b: {"d": "\n".join(line(*row) for row in zip(f, a, b, strict=True)).split("\n")}


def each(text: Callable[[str, Trace], list[str]]) -> Layout:
    """A layout of one reply a trace, made of its name and values."""
    return lambda f, a, b: {"a": text("S11", a), "b": text("S21", b)}


def deg(value: complex) -> float:
    return float(np.degrees(np.angle(value)))


def twos(value: float, digits: int, scale: float) -> str:
    return f"{round(value * scale) % 16**digits:0{digits}X}"


def parted(z: complex) -> str:
    return f"{z.real:.5f} {'-' if z.imag < 0 else '+'} j{abs(z.imag):.5f}"


LAYOUTS: dict[str, Layout] = {
    "sign apart, j": points(lambda f, a, b: f"{f:.0f}, {parted(a)}, {parted(b)}"),
    "run on": points(lambda _, a, b: f"{a.real:+.5f}{a.imag:+.5f}{b.real:+.5f}{b.imag:+.5f}"),
    "six digits": each(lambda _, t: [twos(z.real, 6, 2**22) + twos(z.imag, 6, 2**22) for z in t]),
    "eight digits": points(lambda _, a, b: " ".join(twos(v, 8, 2**30) for v in (a.real, a.imag, b.real, b.imag))),
    "name and count in front": each(
        lambda n, t: [f"+SEND,{n},{t.size}," + ",".join(f"{z.real:.5e},{z.imag:.5e}" for z in t)]
    ),
    "both in named lines": lambda f, a, b: {
        "d": [n + " " + " ".join(f"{z.real:.5f},{z.imag:.5f}" for z in t) for n, t in (("S11", a), ("S21", b))]
    },
    "a line each": points(
        lambda f, a, b: f"F {f / 1e6:.3f}\nA {abs(a):.4f}\nB {deg(a):.2f}\nC {abs(b):.6f}\nD {deg(b):.2f}"
    ),
    "per cent": points(
        lambda f, a, b: f"{f / 1e6:.3f} {abs(a) * 100:.2f}% {deg(a):.1f} {abs(b) * 100:.4f}% {deg(b):.1f}"
    ),
    "one number more": points(
        lambda f, a, b: f"{f:.0f} {abs(a):.4f} {deg(a):.2f} {(1 + abs(a)) / (1 - abs(a)):.2f} {abs(b):.6f} {deg(b):.2f}"
    ),
}  # fmt: skip


def columns_of(found: Acquisition, meaning: Meaning, replies: Replies, count: int) -> dict[str, NDArray[np.float64]]:
    """The columns as measuring reads them."""
    columns = dict[str, NDArray[np.float64]]()
    for part, rows in zip(found.parts, meaning.names, strict=True):
        for shape, names in zip(part.shapes, rows, strict=True):
            if not names.traces:
                continue
            line = Template.parse(shape.line(names.fields), DATA_FIELDS)
            per_line = 0 if shape.stream else 1
            read = Read(None, line, per_line, " ", None, None, loose=True, begin=shape.begin, finish=shape.finish)
            lines = [text.encode() for text in replies[part.command]]
            columns |= PointTable.of(read, b"\r\n").loose_columns(lines, count, "data")
    return columns


@pytest.mark.parametrize("layout", LAYOUTS.values(), ids=LAYOUTS.keys())
def test_what_learning_reads_measuring_reads_again(layout: Layout) -> None:
    found: Acquisition | None = None
    for seed, (count, low, high) in enumerate(SPANS):
        hertz = np.linspace(low, high, count)
        s11, s21 = open_leads(hertz, seed)
        replies = layout(hertz, s11, s21)
        if found is None:
            parts = list[Part]()
            for command, lines in replies.items():
                parts.append(Part(command, shapes_of(lines, count, [one for part in parts for one in part.shapes])))
            found = Acquisition(parts=parts)
        taken = [shapes_of(replies[part.command], count, part.shapes) for part in found.parts]
        meaning = meaning_of(found, taken, low, high)
        assert meaning is not None
        found.parts = [Part(part.command, shapes) for part, shapes in zip(found.parts, taken, strict=True)]
        columns = columns_of(found, meaning, replies, count)
        np.testing.assert_allclose(complex_columns(columns, "s11"), s11, atol=6e-3)
        np.testing.assert_allclose(complex_columns(columns, "s21"), s21, atol=1e-4)


def test_frequencies_that_run_downwards_are_not_taken() -> None:
    hertz = np.linspace(109e6, 121e6, 51)
    s11, s21 = open_leads(hertz, 1)
    rows = [f"{f:.0f} {a.real:.5f} {a.imag:.5f} {b.real:.5f} {b.imag:.5f}"
            for f, a, b in zip(hertz, s11, s21, strict=True)][::-1]  # fmt: skip
    shapes = shapes_of(rows, 51)
    with pytest.raises(OtherFrequenciesError):
        meaning_of(Acquisition(parts=[Part("d", shapes)]), [shapes], 109e6, 121e6)


@pytest.mark.parametrize(
    ("refusal", "head"),
    [("NO, try help", "NO,"), ("- pardon? (help)", "- "), ("not accepted: no such word", "not"),
     ("error {n} (see help)", "error"), ("{word}: not found", ""), ("I don't follow. Say HELP.", ""),
     ("unknown word", "unknown"), ("-{n}", ""), ("-{n} no such word", ""), ("!{n}", "!")],
)  # fmt: skip
def test_how_a_refusal_begins(refusal: str, head: str) -> None:
    assert head_of(refusal) == head


def test_a_beginning_that_good_answers_have_too_refuses_nothing() -> None:
    manner = Manner(refusals=("- pardon? (help)",))
    listing = "\r\n".join(f"- word{number}   does this" for number in range(8)).encode()
    assert with_heads(manner, [("help\r", listing)]).refusals == ("- pardon? (help)",)
    plain = listing.replace(b"- ", b"  ")
    assert with_heads(manner, [("help\r", plain)]).refusals == ("- pardon? (help)", "- {word}")
