"""Touchstone files the way the specification reads them (examples of the Touchstone specification, data lines retyped).

g1: example 11; g2: examples 17/18; g3: example 9; g4: example 8; g5: example 13. The reader is scikit-rf; ours is the
door to it (`visit.record.touchstone_sweeps`), which must not change a number.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import skrf

from visit.record.touchstone_sweeps import read_recorded


def network(tmp_path: Path, text: str, name: str = "a.s2p") -> skrf.Network:
    path = tmp_path / name
    path.write_text(text)
    return skrf.Network(str(path))


def test_g1_two_port_order_is_11_21_12_22(tmp_path: Path) -> None:
    """H-parameters referred to 1 ohm; as S: 11 -0.019976-0.183973j, 21 2.227207-0.281998j."""
    s = network(tmp_path, "# kHz H MA R 1\n2 .95 -26 3.57 157 .04 76 .66 -14\n").s[0]
    assert s[0, 0] == pytest.approx(-0.019976 - 0.183973j, abs=1e-6)
    assert s[1, 0] == pytest.approx(2.227207 - 0.281998j, abs=1e-6)
    assert s[0, 1] == pytest.approx(-0.000783 + 0.025142j, abs=1e-6)
    assert s[1, 1] == pytest.approx(0.193072 + 0.065096j, abs=1e-6)


def test_g2_defaults_and_noise_block(tmp_path: Path) -> None:
    """A bare option line: GHz S MA R 50; a frequency that falls back starts the noise block."""
    text = "#\n2 .95 -26 3.57 157 .04 76 .66 -14\n22 .60 -144 1.30 40 .14 40 .56 -85\n"
    text += "4 .7 .64 69 .38\n18 2.7 .46 -33 .40\n"
    found = network(tmp_path, text)
    np.testing.assert_allclose(found.f, [2e9, 22e9])
    assert abs(found.s[0, 1, 0]) == pytest.approx(3.57)
    np.testing.assert_allclose(found.noise_freq.f, [4e9, 18e9])


def test_g3_impedance_is_normalised_in_version_1(tmp_path: Path) -> None:
    z = network(tmp_path, "# MHz Z MA R 75\n100 0.99 -4\n", "a.s1p").z[0, 0, 0]
    assert z == pytest.approx(74.0691 - 5.1794j, abs=1e-4)


def test_g4_one_port_magnitude_angle(tmp_path: Path) -> None:
    found = network(tmp_path, "# MHz S MA R 50\n2.000 0.894 -12.136\n", "a.s1p")
    assert found.f[0] == 2e6
    assert found.s[0, 0, 0] == pytest.approx(0.874020 - 0.187948j, abs=1e-6)


def test_g5_real_imaginary_and_our_door(tmp_path: Path) -> None:
    """Example 13's last line, and a whole recorded sweep in the same form read through `read_recorded`."""
    text = "# GHz S RI R 50.0\n1.0 0.3926 -0.1211 -0.0003 -0.0021 -0.0003 -0.0021 0.3926 -0.1211\n"
    text += "2.0 0.3517 -0.3054 -0.0096 -0.0298 -0.0096 -0.0298 0.3517 -0.3054\n"
    text += "10.0 0.3419 0.3336 -0.0134 0.0379 -0.0134 0.0379 0.3419 0.3336\n"
    s = network(tmp_path, text).s[2]
    assert s[0, 0] == 0.3419 + 0.3336j
    assert s[1, 0] == -0.0134 + 0.0379j
    lines = ["# MHz S RI R 50"]
    values = np.linspace(0.1, 0.9, 41)
    lines += [f"{450 + k * 0.1:.1f} {v:.6f} 0.1 {v / 2:.6f} -0.2 0.7 0.7 0.3 0.3" for k, v in enumerate(values)]
    path = tmp_path / "b.s2p"
    path.write_text("\n".join(lines) + "\n")
    (sweep,) = read_recorded([path])
    np.testing.assert_allclose(sweep.frequency_hz, 450e6 + 1e5 * np.arange(41), rtol=1e-12)
    np.testing.assert_allclose(sweep.s11, values + 0.1j, atol=1e-6)
    np.testing.assert_allclose(sweep.s21, values / 2 - 0.2j, atol=1e-6)  # column 3/4 is 21, not 12


@pytest.mark.parametrize("ending", ["\n", "\r\n", "\r"])
def test_g6_line_ends(tmp_path: Path, ending: str) -> None:
    """LF, CRLF and CR are all legal (IBIS open forum, 2010)."""
    lines = ["# MHz S RI R 50"] + [f"{450 + k * 0.1:.1f} 0.1 0 0.5 0 0.5 0 0.1 0" for k in range(41)]
    path = tmp_path / "c.s2p"
    path.write_bytes((ending.join(lines) + ending).encode())
    assert read_recorded([path])[0].s21.size == 41
