"""Recorded sweeps: a Touchstone file gives the same figures as the sweep it holds; a bad one is named in one line."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from protocol.errors import RequestError
from tests.benchtop import make_unit, take
from tui.cli import main
from visit.record.touchstone_sweeps import read_recorded

SITE = Path(__file__).parents[2] / "fixtures/sites/demo-450.toml"


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


def s2p(path: Path, f: np.ndarray, s11: np.ndarray, s21: np.ndarray, digits: int = 12) -> Path:
    rows = ["# Hz S RI R 50"]
    for hz, a, b in zip(f, s11, s21, strict=True):
        numbers = " ".join(f"{part:.{digits}e}" for part in (a.real, a.imag, b.real, b.imag))
        rows.append(f"{hz:.1f} {numbers} 0 0 0 0")
    path.write_text("\n".join(rows) + "\n")
    return path


def swept(seed: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    sweep = take(make_unit("U6"), (442.5e6, 462.5e6), 1, points=201, seed=seed)[0]
    return sweep.frequency_hz, sweep.s11, sweep.s21


@pytest.mark.parametrize("digits", [12, 7])
def test_a_copy_is_named_whatever_its_name_and_format(tmp_path: Path, digits: int) -> None:
    files = [s2p(tmp_path / f"{seed}.s2p", *swept(seed)) for seed in range(4)]
    copy = s2p(tmp_path / "z.s2p", *swept(1), digits=digits)
    with pytest.raises(RequestError, match=r"z\.s2p: the same samples as .*1\.s2p: a copy of a sweep"):
        read_recorded([*files, copy])
    assert len(read_recorded(files)) == 4


def test_falling_frequencies_are_turned_round(tmp_path: Path) -> None:
    """scikit-rf takes what falls for noise parameters: it was told as too few points."""
    f, s11, s21 = swept(1)
    (sweep,) = read_recorded([s2p(tmp_path / "down.s2p", f[::-1], s11[::-1], s21[::-1])])
    np.testing.assert_allclose(sweep.frequency_hz, f)
    np.testing.assert_allclose(sweep.s21, s21, atol=1e-11)


def test_exact_zeros_are_no_measured_sweep(tmp_path: Path) -> None:
    f, s11, s21 = swept(1)
    with pytest.raises(RequestError, match="S21 is exactly zero at 201 of 201 points"):
        read_recorded([s2p(tmp_path / "one.s2p", f, s11, 0 * s21)])


def figures(capsys: pytest.CaptureFixture[str], files: list[Path]) -> dict[str, Any]:
    main(["read", *map(str, files), "--site", str(SITE), "--leakage", "-150", "--json"])
    out = capsys.readouterr()
    assert out.out, out.err
    return dict(json.loads(out.out))


def test_s11_without_noise_gives_figures(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """It was told as "needs two sweeps or more"."""
    still = swept(0)[1]
    files = [s2p(tmp_path / f"{seed}.s2p", swept(seed)[0], still, swept(seed)[2]) for seed in range(4)]
    data = figures(capsys, files)
    assert data["sweeps"] == 4 and data["channels"][0]["return_loss"]["kind"] in ("reading", "at_least")


def test_reading_a_growing_set_again_and_again_spends_of_the_same_five_percent(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    files = [s2p(tmp_path / f"{seed}.s2p", *swept(seed)) for seed in range(12)]
    first = figures(capsys, files[:6])
    assert first["looks"]["nth_run"] == 1
    proven = [figures(capsys, files[:count]) for count in (8, 10, 12)]
    assert [each["looks"]["nth_run"] for each in proven] == [2, 3, 4]
    assert figures(capsys, files[:6]) == first  # the same set is the same look
    assert any("set 4 of sweeps that was read for this goal" in caution for caution in proven[-1]["cautions"])
    beside = tmp_path / "deepnotch-looks.json"
    beside.unlink()
    alone = figures(capsys, files)
    assert alone["looks"]["nth_run"] == 1 and alone["proven_db"] > proven[-1]["proven_db"]


@pytest.mark.parametrize("how", ["not ours", "damaged", "a folder"])
def test_where_nothing_can_be_kept_the_bound_holds_for_every_count(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], how: str
) -> None:
    files = [s2p(tmp_path / f"{seed}.s2p", *swept(seed)) for seed in range(6)]
    beside = tmp_path / "deepnotch-looks.json"
    if how == "a folder":
        beside.mkdir()
    else:
        beside.write_text("{" if how == "damaged" else '{"schema": 1, "sets": {"a": [1]}}')
    data = figures(capsys, files)
    assert data["looks"]["nth_run"] == 6
    assert any("every count of files is taken as looked at" in caution for caution in data["cautions"])
    assert how == "a folder" or beside.read_text().startswith("{")
