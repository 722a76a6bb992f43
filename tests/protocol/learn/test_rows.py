"""Points a line each in many forms: what a column holds is told by how it behaves; what is learned is what is read."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from protocol.dialects.numbers import PointTable, complex_columns
from protocol.learn.sweeps.acquire import Acquisition, Part
from protocol.learn.sweeps.axis import meaning_of, standing_columns
from protocol.learn.sweeps.rows import first_sweep, rows_alike
from protocol.learn.sweeps.shape import Shape
from protocol.learn.sweeps.shapes import shapes_of
from protocol.profiles.consoles import Read
from protocol.profiles.templates import DATA_FIELDS, Template

POINTS, START_HZ, STOP_HZ = 31, 143e6, 191e6
HERTZ = np.round(np.linspace(START_HZ, STOP_HZ, POINTS))
NOISE = np.random.default_rng(7).normal(scale=2e-4, size=(2, POINTS))
S11 = 0.93 * np.exp(-2j * np.pi * HERTZ * 9e-9)
S21 = NOISE[0] + 1j * NOISE[1]
Row = Callable[[int, float, complex, complex], str]


def word(value: float, digits: int = 4) -> str:
    """Two's complement in hexadecimal; a whole is half of the range."""
    return f"{round(value * (16**digits // 2 - 1)) % 16**digits:0{digits}X}"


def comma(value: float, places: int = 5) -> str:
    return f"{value:.{places}f}".replace(".", ",")


def parts(*values: complex) -> list[float]:
    return [part for value in values for part in (value.real, value.imag)]


def frequencies_follow(lines: list[str]) -> bool:
    """Whether a console of this kind would print other frequencies in another span; an address stays."""
    return not any(line.startswith("0408:") for line in lines)


def learned(lines: list[str]) -> tuple[list[Shape], dict[str, np.ndarray], str]:
    """What a profile reads from the lines with the templates that learning makes of them; the frequencies' unit."""
    shapes = shapes_of(lines, POINTS)
    assert shapes, "no points found"
    found = Acquisition(parts=[Part("dump", shapes)])
    if not frequencies_follow(lines):
        found.standing = standing_columns([shapes], [shapes])
    meaning = meaning_of(found, [shapes], START_HZ, STOP_HZ)
    assert meaning is not None, "points found but not understood"
    columns: dict[str, np.ndarray] = {}
    for shape, names in zip(shapes, meaning.names[0], strict=True):
        line = Template.parse(shape.line(names.fields), DATA_FIELDS)
        read = Read(None, line, 0 if shape.stream else 1, " ", None, None, True, False, shape.begin, shape.finish)
        table = PointTable.of(read, b"\r\n")
        columns |= table.loose_columns([text.encode() for text in lines], POINTS, "dump")
    return shapes, columns, meaning.unit


def rows(row: Row) -> list[str]:
    return [row(at, hz, one, two) for at, (hz, one, two) in enumerate(zip(HERTZ, S11, S21, strict=True))]


def each(row: Row) -> list[str]:
    """The same with a line for each number."""
    return [text for line in rows(row) for text in line.split()]


KINDS: dict[str, list[str]] = {
    "a line a number, hexadecimal of eight digits": each(
        lambda n, f, a, b: f"{f / 1e6:.6f} " + " ".join(word(x, 8) for x in parts(a, b))
    ),
    "a line a number, small letters": each(lambda n, f, a, b: " ".join(word(x).lower() for x in parts(a, b))),
    "a line a number, a decimal comma in one of them": each(
        lambda n, f, a, b: f"{n} {comma(f / 1e6, 4)} " + " ".join(f"{x * 32767:.0f}" for x in parts(a, b))
    ),
    "all on one line, index and frequency with it": [
        "sweep: " + " | ".join(rows(lambda n, f, a, b: f"{n:3d} | {f / 1e6:g}M | " + " | ".join(
            word(x, 6) for x in parts(a, b))))
    ],
    "all on one line behind a count": [
        "sweep 17: " + " ".join(rows(lambda n, f, a, b: " ".join(f"{x:.5f}" for x in parts(a, b))))
    ],
    "all on one line, decimal commas": [
        ";".join(rows(lambda n, f, a, b: ";".join(comma(x) for x in parts(a, b))))
    ],
    "a line for each trace": [
        f"{name} " + ",".join(f"{x:.5f}" for x in parts(*trace)) for name, trace in (("in", S11), ("out", S21))
    ],
    "an object with words of six digits": [
        "{" + ", ".join(f'"{name}": [' + ", ".join(f'["{word(z.real, 6)}", "{word(z.imag, 6)}"]' for z in trace) + "]"
                        for name, trace in (("a", S11), ("b", S21))) + "}"
    ],
    "index in hexadecimal": rows(lambda n, f, a, b: f"{n:02X} " + " ".join(f"{x:.6f}" for x in parts(a, b))),
    "address in steps of eight": rows(
        lambda n, f, a, b: f"{0x400 + 8 * n:04X}: " + ",".join(f"{x:.6f}" for x in parts(a, b))
    ),
    "index without leading noughts": rows(lambda n, f, a, b: f"{n:x}|" + "|".join(f"{x:+.6f}" for x in parts(a, b))),
    "frequency in hexadecimal, scaled counts": rows(
        lambda n, f, a, b: f"{int(f):08X} " + " ".join(f"{x * 1e5:.0f}" for x in parts(a, b))
    ),
    "index and frequency in hexadecimal": rows(
        lambda n, f, a, b: f"{n:04X};{int(f):X};" + ";".join(f"{x:.5e}" for x in parts(a, b))
    ),
    "traces named by letters, halves in hexadecimal": [
        line for at, (a, b) in enumerate(zip(S11, S21, strict=True))
        for line in (f"P/{at}/{word(a.real)}/{word(a.imag)}", f"Q/{at}/{word(b.real)}/{word(b.imag)}")
    ],
    "traces named by letters that are hexadecimal too": [
        line for at, (a, b) in enumerate(zip(S11, S21, strict=True))
        for line in (f"A {at:3d} {a.real:.5f} {a.imag:.5f}", f"B {at:3d} {b.real:.5f} {b.imag:.5f}")
    ],
    "traces named by numbers that nobody knows": [
        f"{tag} {at} {x.real:.5f} {x.imag:.5f}" for tag, trace in ((5, S11), (6, S21)) for at, x in enumerate(trace)
    ],
    "words of eight digits": rows(lambda n, f, a, b: ",".join(word(x, 8) for x in parts(a, b))),
    "words without a sign between them": rows(lambda n, f, a, b: " ".join(
        "".join(word(x) for x in parts(z)) for z in (a, b))),
    "all words of a row as one": rows(lambda n, f, a, b: "".join(word(x) for x in parts(a, b))),
    "decimal commas, semicolons": rows(
        lambda n, f, a, b: ";".join([comma(f / 1e6, 6), *(comma(x) for x in parts(a, b))])
    ),
    "decimal commas, blanks": rows(lambda n, f, a, b: " ".join(comma(x) for x in parts(a, b))),
    "decimal commas in frequencies alone": rows(
        lambda n, f, a, b: ";".join([comma(f / 1e6, 6), *(word(x) for x in parts(a, b))])
    ),
    "decibels and degrees with decimal commas": rows(
        lambda n, f, a, b: "\t".join(comma(x, 2) for z in (a, b)
                                     for x in (20 * np.log10(abs(z)), np.degrees(np.angle(z))))
    ),
    "each number with its unit": rows(
        lambda n, f, a, b: f"{f / 1e6:.6f}MHz " + " ".join(
            f"{20 * np.log10(abs(z)):.3f}dB {np.degrees(np.angle(z)):.2f}deg" for z in (a, b))
    ),
    "sums": rows(lambda n, f, a, b: f"{n} {a.real:.5f}{a.imag:+.5f}j {b.real:.5f}{b.imag:+.5f}j"),
    "names before each number": rows(
        lambda n, f, a, b: f"n={n} refl={word(a.real)} {word(a.imag)} thru={word(b.real)} {word(b.imag)}"
    ),
    "numbers in columns": rows(
        lambda n, f, a, b: f"{n:3d},{f / 1e3:10.1f}," + ",".join(f"{x:9.5f}" for x in parts(a, b))
    ),
    "wide counts": rows(lambda n, f, a, b: " ".join(f"{x * 1e7:.0f}" for x in parts(a, b))),
}  # fmt: skip


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("around", [[], ["freq s11 s21", "sweep of 31"]])
def test_a_kind_is_read_as_it_was_written(kind: str, around: list[str]) -> None:
    _, columns, unit = learned([*around, *KINDS[kind], *around[:1]])
    assert np.allclose(complex_columns(columns, "s11"), S11, atol=2e-3)
    assert np.allclose(complex_columns(columns, "s21"), S21, atol=2e-3)
    if unit:
        assert np.allclose(columns["frequency_hz"], HERTZ, atol=100)


def test_frequencies_stand_where_they_come() -> None:
    with_axis = [kind for kind in KINDS if "frequenc" in kind or "semicolons" in kind or "unit" in kind]
    assert all(learned(KINDS[kind])[2] for kind in with_axis) and len(with_axis) >= 4


def test_an_index_of_two_digits_has_no_sign() -> None:
    line = Template.parse("{index:hex} {s11_re:hex}", DATA_FIELDS)
    assert line.read(b"F0 FF") == {"index": 240.0, "s11_re": -1.0}


def test_decimals_that_could_be_hexadecimal_stay_decimals() -> None:
    (table,) = shapes_of([f"{1000 + 8 * at} {at * at} {7 - at}" for at in range(9)], 9)
    assert table.forms == ("", "", "")


def test_what_does_not_go_on_is_no_pair_of_halves() -> None:
    rng = np.random.default_rng(5)
    wide = [[word(x, 8) for x in parts(a)] for a in S11]
    (table,) = shapes_of([f"{a} {b}" for a, b in wide], POINTS)
    assert table.values.shape == (POINTS, 2) and table.forms == ("hex", "hex")
    noise = [" ".join(f"{rng.integers(16**8):08X}" for _ in range(2)) for _ in range(POINTS)]
    (table,) = shapes_of(noise, POINTS)
    assert table.values.shape == (POINTS, 2)


@pytest.mark.parametrize(
    "kind", [kind for kind in KINDS if "nobody knows" not in kind and "line" not in kind and "object" not in kind]
)
def test_the_first_of_endless_sweeps_is_cut_out(kind: str) -> None:
    sweep = ["-- again", *KINDS[kind]]
    assert first_sweep([*sweep, *sweep, *sweep[:9]], POINTS)[: len(sweep)] == sweep
    assert len(first_sweep([*sweep, *sweep, *sweep[:9]], POINTS)) <= len(sweep) + 1


def test_digits_behind_a_comma_that_happen_to_rise_are_no_column() -> None:
    small = [f"{comma(92.1 + at * 0.942857, 6)};{word(b.real)};{word(b.imag)}"
             for at, b in enumerate(S21)]  # fmt: skip
    (table,) = shapes_of(small, POINTS)
    assert table.forms == ("comma", "hex", "hex")


def test_rows_of_one_kind_are_counted() -> None:
    assert rows_alike(["freq re im", *KINDS["frequency in hexadecimal, scaled counts"], "done 4"]) == POINTS
    assert rows_alike(["no such word", "try help"]) == 0


def test_noise_alone_tells_no_comma() -> None:
    rng = np.random.default_rng(11)
    first, *more = ([f"{comma(-75 + 4 * x, 6)} {comma(180 * y, 6)}" for x, y in rng.uniform(-1, 1, (POINTS, 2))]
                    for _ in range(60))  # fmt: skip
    kept = shapes_of(first, POINTS)
    assert kept[0].forms == ("comma", "comma")
    assert all(shapes_of(lines, POINTS, kept)[0].forms == ("comma", "comma") for lines in more)
