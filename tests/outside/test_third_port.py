"""What a load on the third port does to a rejection, against three-port networks closed by scikit-rf.

Source of the check: scikit-rf `connect` (its own signal-flow algebra) on every simulated duplexer, and a by-hand
three-port; Pozar, Microwave Engineering, 4.3 for the sense of the formula.
"""

from __future__ import annotations

import numpy as np
import pytest
import skrf
from skrf.network import connect

from protocol.simulated.duplexer import load_unit
from rf.floor.third_port import COMMON_LOAD_DB, ON_A_SIDE, ON_THE_ANTENNA, ThirdLoad, third_port_db

UNITS = ("U6", "V6")
PORT = {"A": 0, "L": 1, "H": 2}


def closed(s: np.ndarray, f_hz: float, third: int, gamma: complex) -> np.ndarray:
    """S of the two ports that are left, in their order."""
    unit = skrf.Network(f=[f_hz], f_unit="hz", s=s[None], z0=50)
    load = skrf.Network(f=[f_hz], f_unit="hz", s=np.array([[[gamma]]]), z0=50)
    return np.asarray(connect(unit, third, load, 0).s[0])


@pytest.mark.parametrize("name", UNITS)
@pytest.mark.parametrize(("driven", "read", "third"), [("A", "L", "H"), ("A", "H", "L"), ("L", "H", "A")])
def test_no_phase_of_the_load_takes_a_rejection_further_than_the_limit(
    name: str, driven: str, read: str, third: str
) -> None:
    unit = load_unit(name)
    channel = unit.high_hz if read == "L" or driven == "L" else unit.low_hz
    s = np.asarray(unit.s(np.array([channel]))[0])
    ideal = closed(s, channel, PORT[third], 0.0)
    share = ON_THE_ANTENNA if third == "A" else ON_A_SIDE
    for return_loss in (14.0, 20.0, 30.0):
        size = 10 ** (-return_loss / 20)
        changes = []
        for phase in np.linspace(0, 2 * np.pi, 24, endpoint=False):
            s2 = closed(s, channel, PORT[third], size * np.exp(1j * phase))
            changes.append(20 * np.log10(abs(ideal[1, 0]) / abs(s2[1, 0])))
        limit = third_port_db(return_loss, share)
        assert np.abs(changes).max() <= limit
        assert max(changes) >= 0.5 * limit  # and the limit is no idle one


def test_values_by_hand() -> None:
    assert ThirdLoad(COMMON_LOAD_DB).limit_db == pytest.approx(-20 * np.log10(0.9))  # 0.915 dB
    assert third_port_db(15.0) == pytest.approx(1.70, abs=0.01)
    assert third_port_db(200.0) == pytest.approx(0.0, abs=1e-6)
    assert third_port_db(0.0, ON_THE_ANTENNA) == pytest.approx(40.0)  # a reflection of all may undo all
