"""A unit whose screws somebody turned: dips, whose they are, and the coarse deeds, on the simulated circuit."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from rf.notch.dips import Dip, Expected, find_dips, moved_dip
from tests.visit.far_visit import FarVisit
from visit.day.nudges import dips_of
from visit.day.tuning import Deed
from visit.site.presets import wide

SPAN = (140e6, 160e6)


def dip(mhz: float, level_db: float = -30.0, *, hidden: bool = False) -> Dip:
    return Dip(mhz * 1e6, 2e3, level_db, hidden)


def response(zeros_hz: list[float], f: NDArray[np.float64], q: float = 2000.0) -> NDArray[np.complex128]:
    """Zeros over broad poles, one each."""
    s = np.ones(f.size, complex)
    for hz in zeros_hz:
        s *= (f - hz * (1 + 0.5j / q)) / (f - hz * (1 + 10.0j / q))
    return s


def test_dips_are_found_where_the_zeros_are_and_shoulders_too() -> None:
    """+0.15 MHz beside -0.1 is but a shoulder in the level: the phase tells it."""
    f, rng = np.linspace(148e6, 152e6, 401), np.random.default_rng(3)
    zeros = [148.9e6, 149.9e6, 150.15e6, 151.4e6]
    s = response(zeros, f) + 1e-4 * (rng.normal(size=f.size) + 1j * rng.normal(size=f.size))
    found = find_dips(f, s, np.full(f.size, 2e-8))
    assert [one.hz for one in found] == pytest.approx(zeros, abs=6e3)
    assert all(one.figure.low < hz < one.figure.high for one, hz in zip(found, zeros, strict=True))


def test_what_lies_under_the_floor_is_one_stretch_and_ripple_is_no_dip() -> None:
    f, rng = np.linspace(148e6, 152e6, 401), np.random.default_rng(4)
    noise = 1e-2 * (rng.normal(size=f.size) + 1j * rng.normal(size=f.size))
    found = find_dips(f, response([149.95e6, 150.0e6, 150.05e6], f, 4000.0) + noise, np.full(f.size, 2e-4))
    assert found and all(one.hidden for one in found)
    ripple = 0.7 + 0.3 * np.exp(2j * np.pi * (f - f[0]) / 1.5e6)
    assert find_dips(f, ripple + 1e-2 * noise, np.full(f.size, 2e-8)) == ()


def test_the_dip_that_moved_is_told_and_the_others_stay() -> None:
    told = moved_dip([dip(149), dip(151)], [dip(149.001), dip(151.3)], SPAN)
    assert told.before.value == 151e6 and told.moved.value == pytest.approx(0.3e6)
    nothing = moved_dip([dip(149), dip(151)], [dip(149), dip(151)], SPAN)
    assert nothing.unseen and not nothing.moved.known
    under = moved_dip([dip(149), dip(150, hidden=True)], [dip(149), dip(150, hidden=True)], SPAN)
    assert not under.unseen and "floor" in under.why


def test_two_that_coincide_part_and_one_that_joins_another_is_told_by_its_depth() -> None:
    parted = moved_dip([dip(150, -60)], [dip(150, -40), dip(150.4, -42)], SPAN)
    assert (parted.before.value, parted.after.value) == (150e6, 150.4e6)
    joined = moved_dip([dip(150, -40), dip(150.4, -42)], [dip(150, -60)], SPAN)
    assert joined.before.value == 150.4e6 and joined.after.value == 150e6


def test_what_is_expected_decides_between_several() -> None:
    before, after = [dip(148), dip(150)], [dip(148.6), dip(151)]
    assert not moved_dip(before, after, SPAN).moved.known
    mine = moved_dip(before, after, SPAN, Expected((150e6, 5e3), (0.9e6, 0.2e6)))
    assert mine.moved.value == pytest.approx(1e6)
    still = moved_dip([dip(148), dip(150)], [dip(148), dip(150)], SPAN, Expected((150e6, 5e3), (0.9e6, 0.2e6)))
    assert still.unseen
    gone = moved_dip([dip(159.5)], [], SPAN, Expected((159.5e6, 5e3), (2e6, 0.5e6)))
    assert gone.left and "left the sweep" in gone.why


def test_a_turn_of_the_phase_that_is_no_notch_is_no_dip() -> None:
    """Where the passes of two cavities of a pass-reject unit meet, the phase turns too, over a wider stretch."""
    visit = FarVisit("P6", 2, [-1092e3, -368e3, 862e3])
    run, _ = visit._look(wide(visit.site), 8)
    stand = [hz - visit.site.high_hz for hz in visit.unit.notch_hz("L")]
    assert [one.hz - visit.site.high_hz for one in dips_of(visit._averages[run.id])] == pytest.approx(
        sorted(stand), abs=5e3
    )


def test_cavities_that_hide_behind_a_leak_are_reckoned_with() -> None:
    """250 kHz below and 320 above: 74 dB, and a leak and a fit of both in the middle look the same."""
    visit = FarVisit("V4", 0, [-251e3, 323e3])
    seen = visit._look(wide(visit.site), 128)[1]
    assert seen.notch is not None
    promised, sure = seen.notch.rejection_at[0], seen.notch.sure_at(visit.site.high_hz)
    assert promised.low > visit.true_db() > sure.low
    visit._survey(seen)
    after = visit._look(wide(visit.site), 128)[1].notch
    assert after is not None and after.sure_at(visit.site.high_hz).high < 80.0


@pytest.mark.parametrize(
    ("unit", "rods_khz"),
    [
        ("U6", (-6559.0, -2221.0, 5730.0)),
        pytest.param("V4", (206.0, 1094.0), marks=pytest.mark.long),
        pytest.param("V6", (1495.0, 420.0, -244.0), marks=pytest.mark.long),
        pytest.param("P6", (201.0, 1066.0, 438.0), marks=pytest.mark.long),
    ],
)
def test_from_far_off_to_the_proof(unit: str, rods_khz: tuple[float, ...]) -> None:
    """Turns a fifth off; the advice alone leads."""
    visit = FarVisit(unit, 5, [1e3 * khz for khz in rods_khz])
    ended = visit.run()
    assert ended.deed is Deed.PROVE and visit.true_db() >= 90.0, "\n".join(visit.said)
    assert visit.turns <= 40


def test_a_screw_at_the_end_of_its_travel_is_named() -> None:
    visit = FarVisit("V6", 1, [-900e3, 420e3, -244e3], ends_hz={0: (-2e6, -600e3)})
    ended = visit.run()
    assert "cavity 1 needs the bench" in ended.do and "out of reach" in ended.why, "\n".join(visit.said)


def test_a_cavity_outside_every_sweep_is_named() -> None:
    visit = FarVisit("V6", 2, [300e3, 20e6, -244e3])
    ended = visit.run()
    assert "cavity 2 needs the bench" in ended.do and "out of reach" in ended.why, "\n".join(visit.said)


@pytest.mark.long
def test_two_that_coincide_far_off_are_told_apart() -> None:
    visit = FarVisit("V6", 3, [800e3, 800e3, -700e3])
    assert visit.run().do.startswith("lock the nuts"), "\n".join(visit.said)
