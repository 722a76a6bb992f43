"""Recorded sweeps: a Touchstone file gives the same figures as the sweep it holds; a bad one is named in one line."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from protocol.errors import RequestError
from tests.benchtop import make_unit, take
from visit.record.touchstone_sweeps import read_recorded


def write_s2p(path: Path, count: int = 201, seed: int = 1) -> np.ndarray:
    sweep = take(make_unit("U6"), (442.5e6, 462.5e6), 1, points=count, seed=seed)[0]
    lines = ["! one sweep", "# Hz S RI R 50"]
    for f, s11, s21 in zip(sweep.frequency_hz, sweep.s11, sweep.s21, strict=True):
        lines.append(f"{f:.3f} {s11.real:.12e} {s11.imag:.12e} {s21.real:.12e} {s21.imag:.12e} 0 0 0 0")
    path.write_text("\n".join(lines) + "\n")
    return sweep.s21


def test_what_was_written_is_read(tmp_path: Path) -> None:
    s21 = write_s2p(tmp_path / "a.s2p")
    (sweep,) = read_recorded([tmp_path / "a.s2p"])
    np.testing.assert_allclose(sweep.s21, s21, atol=1e-11)
    assert sweep.frequency_hz[0] == 442.5e6


def test_files_keep_their_order(tmp_path: Path) -> None:
    names = [tmp_path / f"{k}.s2p" for k in range(3)]
    for k, name in enumerate(names):
        write_s2p(name, seed=k)
    assert [sweep.id for sweep in read_recorded(names[::-1])] == [1, 2, 3]


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("# Hz S RI R 50\n1e6 0 0\n2e6 0 0\n", "not readable|port"),
        ("nonsense", "not readable|rising"),
        ("# Hz S RI R 50\n1e6 0 0 0 0 0 0 0 0\n", "33 points"),
    ],
)
def test_bad_files_are_named_in_one_line(tmp_path: Path, text: str, says: str) -> None:
    path = tmp_path / "bad.s2p"
    path.write_text(text)
    with pytest.raises(RequestError, match=says) as caught:
        read_recorded([path])
    assert str(path) in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(RequestError, match="check the name"):
        read_recorded([tmp_path / "none.s2p"])
