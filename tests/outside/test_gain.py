"""What the repeater gains, against handbook values and a reference library (scikit-rf).

Desensitisation 10 log(1 + 10^((I-N)/10)): ECO handbook 1.2.8, Eq. 8-9 (read). kT at 290 K is -173.98 dBm/Hz. Range:
40 log d over plane earth, 20 log d in free space (Friis; common practice): 12.04 dB double the range over plane earth,
6.02 dB in free space. 0.25 microvolt in 50 ohm are -119.03 dBm (own computation).
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
import skrf
from skrf.network import connect

from rf.repeater.gain import (
    Between,
    Radios,
    hears_better,
    needed,
    outcome,
    own_noise_by_figure,
    own_noise_by_sensitivity,
    range_change,
    site_by_levels,
    site_deafness,
    site_over_own,
    with_antenna,
)
from rf.values.combine import mapped, negative, total
from rf.values.figure import Figure, Kind, at_least, at_most, cant_say, inferred, reading


def exact(value: float, unit: str = "dB") -> Figure:
    return inferred(value, value, value, unit)


def about(value: float, half: float, unit: str = "dB") -> Figure:
    return inferred(value, value - half, value + half, unit)


RADIOS = Radios(exact(47.0, "dBm"), exact(-130.0, "dBc/Hz"), own_noise_by_figure(exact(8.0)), exact(-20.0, "dBm"))
"""50 W, -130 dBc/Hz, noise figure 8 dB."""


def between(noise: Figure, loss: float = 1.0) -> Between:
    return Between(noise, exact(90.0), exact(loss), exact(loss))


@pytest.mark.parametrize(("isolation", "lost"), [(85.0, 2.1), (90.0, 0.8), (95.0, 0.3)])
def test_desensitisation_of_the_worked_example(isolation: float, lost: float) -> None:
    """47 - 130 - 90 = -173 dBm/Hz against -165.98: I/N -7.02 dB, 0.79 dB lost."""
    follows = outcome(RADIOS, between(reading(isolation, isolation, isolation, "dB")))
    assert follows.desense.value == pytest.approx(lost, abs=0.06) and follows.desense.kind is Kind.INFERRED
    assert follows.noise_dbm_hz.value == pytest.approx(-83.0 - isolation)
    assert follows.noise_margin.value == pytest.approx(isolation - 82.975, abs=0.01)
    assert follows.carrier_dbm.value == -43.0 and follows.carrier_margin.value == 23.0
    assert follows.radiated_dbm.value == 46.0


def test_the_sites_noise_is_that_of_the_system_factor() -> None:
    """f = f_a - 1 + f_c f_t f_r (Recommendation ITU-R P.372, all losses at 290 K): 12 dB over kT, 2 dB of line, a
    receiver of 8 dB are 14.85 + 1.585 * 6.31 = 24.85 at the antenna, 13.95 dB; behind the line 11.95 dB, 3.95 dB over
    the receiver's own."""
    e = site_over_own(exact(12.0), own_noise_by_figure(exact(8.0)))
    deaf = site_deafness(e, exact(2.0))
    assert deaf.value == pytest.approx(13.953 - 2.0 - 8.0, abs=0.01) and deaf.kind is Kind.INFERRED
    assert site_by_levels(deaf, exact(2.0)).value == pytest.approx(e.value)
    assert site_over_own(exact(0.0), own_noise_by_figure(exact(8.0))).value == 0.0
    assert not site_deafness(e, at_least(40.0, "dB")).known
    with_it, without = (outcome(RADIOS, between(exact(85.0), 2.0), None, site) for site in (deaf, None))
    assert with_it.noise_margin.value - without.noise_margin.value == pytest.approx(deaf.value)
    lost = 10 * math.log10(24.85 + 10 ** (0.2 + 0.8 + (-168.0 + 165.975) / 10)) - 13.953
    assert with_it.desense.value == pytest.approx(lost, abs=0.02)
    assert with_it.deafness.value == pytest.approx(2.0 + deaf.value + lost, abs=0.02)
    better = hears_better(RADIOS, between(exact(85.0), 2.0), between(exact(95.0), 2.0), e)
    quiet = hears_better(RADIOS, between(exact(85.0), 2.0), between(exact(95.0), 2.0))
    assert 0.0 < better.value < quiet.value  # a noisy site hides a part of it
    assert needed(RADIOS, 0.5, deaf)[0].value == pytest.approx(needed(RADIOS, 0.5)[0].value - deaf.value)


def test_needed_isolation_turns_the_worked_example_round() -> None:
    noise, carrier = needed(RADIOS, 0.79)
    assert noise.value == pytest.approx(90.0, abs=0.1) and carrier.value == 67.0


def test_a_rejection_that_is_at_least_makes_a_noise_that_is_at_most() -> None:
    radios = Radios(about(47.0, 0.3, "dBm"), inferred(-132.0, -140.0, -125.0, "dBc/Hz"),
                    own_noise_by_figure(about(8.0, 3.0)), about(-20.0, 10.0, "dBm"))  # fmt: skip
    follows = outcome(radios, Between(at_least(90.0, "dB"), at_least(80.0, "dB"), exact(1.5), exact(1.5)))
    assert follows.noise_dbm_hz.kind is follows.carrier_dbm.kind is follows.desense.kind is Kind.AT_MOST
    assert follows.noise_margin.kind is follows.carrier_margin.kind is Kind.AT_LEAST
    # The worse ends: 47.3 - 125 - 90 = -167.7 dBm/Hz against -168.98: I/N +1.28 dB, 3.7 dB.
    assert follows.noise_dbm_hz.value == pytest.approx(-167.7)
    assert follows.desense.value == pytest.approx(10 * math.log10(1 + 10 ** (0.1275)), abs=0.01)
    assert follows.deafness.kind is Kind.AT_MOST
    assert follows.deafness.value == pytest.approx(follows.desense.value + 1.5)
    unknown = outcome(radios, between(cant_say("dB", "A>L was not measured")))
    assert not unknown.desense.known and "A>L was not measured" in unknown.desense.why


def test_what_was_gained_from_a_reading_to_a_bound() -> None:
    """70 dB before, 90 or more after: at least the difference of the two desensitisations."""
    before, after = between(reading(70.0, 69.0, 71.0, "dB"), 1.4), between(at_least(90.0, "dB"), 1.4)
    better = hears_better(RADIOS, before, after)
    least = 10 * math.log10(1 + 10 ** ((12.975 - 1.0) / 10)) - 10 * math.log10(1 + 10**-0.7025)
    assert better.kind is Kind.AT_LEAST and better.value == pytest.approx(least, abs=0.01)
    worse = hears_better(RADIOS, after, before)
    assert worse.kind is Kind.AT_MOST and worse.value == pytest.approx(-least, abs=0.01)
    assert hears_better(RADIOS, after, after).kind is Kind.CANT_SAY
    same = hears_better(RADIOS, before, before)
    assert same.kind is Kind.INFERRED and same.low < 0.0 < same.high and same.value == 0.0
    gone = hears_better(RADIOS, before, between(cant_say("dB", "not measured")))
    assert gone.kind is Kind.CANT_SAY
    no_pass = Between(at_least(90.0, "dB"), exact(90.0), exact(1.0), at_least(40.0, "dB"))
    assert hears_better(RADIOS, before, no_pass).kind is Kind.CANT_SAY


def test_the_radios_are_the_same_both_times() -> None:
    """The corners hold every truth: 2000 draws of radios, isolations and losses from their intervals."""
    rng = np.random.default_rng(11)
    radios = Radios(about(47.0, 0.3, "dBm"), inferred(-132.0, -140.0, -125.0, "dBc/Hz"),
                    own_noise_by_figure(about(8.0, 3.0)), about(-20.0, 10.0, "dBm"))  # fmt: skip
    before = Between(reading(75.0, 74.0, 76.0, "dB"), exact(80.0), exact(1.0), reading(1.5, 1.3, 1.7, "dB"))
    after = Between(reading(88.0, 85.0, 92.0, "dB"), exact(80.0), exact(1.0), reading(1.2, 1.0, 1.4, "dB"))
    better = hears_better(radios, before, after)

    def draw(figure: Figure) -> float:
        return float(rng.uniform(figure.low, figure.high))

    lost = []
    for _ in range(2000):
        over = draw(radios.over_own)
        gain = draw(before.receive_loss) - draw(after.receive_loss)
        for side, sign in ((before, 1.0), (after, -1.0)):
            gain += sign * 10 * math.log10(1 + 10 ** ((over - draw(side.noise)) / 10))
        lost.append(gain)
    assert better.low <= min(lost) and max(lost) <= better.high
    # Ends added without that knowledge would be wider.
    apart = total((outcome(radios, before).deafness, negative(outcome(radios, after).deafness)), "dB")
    assert better.high - better.low < apart.high - apart.low


def test_range_over_plane_earth_and_in_free_space() -> None:
    double = range_change(exact(12.041))
    assert double.value == pytest.approx(100.0, abs=0.1) and double.high == pytest.approx(300.0, abs=0.2)
    assert range_change(exact(6.0206)).high == pytest.approx(100.0, abs=0.1)
    assert range_change(at_least(12.041, "dB")).value == pytest.approx(100.0, abs=0.1)
    fewer = range_change(at_most(-12.041, "dB"))
    assert fewer.kind is Kind.AT_MOST and fewer.value == pytest.approx(-50.0, abs=0.1)
    assert range_change(at_least(-12.041, "dB")).value == pytest.approx(-75.0, abs=0.1)
    assert not range_change(cant_say("dB", "why")).known


def test_own_noise_by_sheet() -> None:
    """Noise figure 6 dB: -167.98 dBm/Hz. 0.25 microvolt for 12 dB SINAD comes to about that (common practice)."""
    by_figure = own_noise_by_figure(exact(6.0))
    assert by_figure.value == pytest.approx(-167.975, abs=0.01)
    quarter_microvolt = 10 * math.log10(0.25e-6**2 / 50 * 1e3)
    assert quarter_microvolt == pytest.approx(-119.03, abs=0.01)
    by_ear = own_noise_by_sensitivity(exact(quarter_microvolt, "dBm"))
    assert by_ear.low <= by_figure.value <= by_ear.high


def test_isolation_with_an_antenna_holds_what_the_reference_library_finds() -> None:
    """200 random reciprocal three-ports (side, side, antenna) closed by a random antenna through scikit-rf."""
    rng = np.random.default_rng(5)
    for _ in range(200):
        sizes = {"rt": rng.uniform(60, 100), "at": rng.uniform(60, 100), "ra": rng.uniform(0.5, 3.0)}
        turn = np.exp(2j * np.pi * rng.random(6))
        s_rt, s_at, s_ra = (10 ** (-size / 20) * turn[k] for k, size in enumerate(sizes.values()))
        s_aa, gamma = 10 ** (-rng.uniform(12, 30) / 20) * turn[3], 10 ** (-rng.uniform(6, 25) / 20) * turn[4]
        s = np.array([[[0.05, s_rt, s_at], [s_rt, 0.05, s_ra], [s_at, s_ra, s_aa]]])
        axis = skrf.Frequency.from_f([450e6], unit="hz")
        three = skrf.Network(frequency=axis, s=s, z0=50)
        antenna = skrf.Network(frequency=axis, s=np.array([[[gamma]]]), z0=50)
        truth = -20 * np.log10(abs(connect(three, 2, antenna, 0).s[0, 0, 1]))
        plain = reading(sizes["rt"], sizes["rt"], sizes["rt"], "dB")
        rest = exact(sizes["at"]), exact(sizes["ra"])
        matches = exact(-20 * math.log10(abs(gamma))), exact(-20 * math.log10(abs(s_aa)))
        told = with_antenna(plain, *rest, *matches)
        assert told.low - 1e-9 <= truth <= told.high + 1e-9
        bound = with_antenna(at_least(sizes["rt"], "dB"), *rest, *matches)
        assert bound.kind is Kind.AT_LEAST and bound.value <= truth + 1e-9
    assert with_antenna(plain, *rest, cant_say("dB", "not swept"), matches[1]) is plain
    assert not with_antenna(plain, *rest, exact(0.0), cant_say("dB", "?")).known
    assert not with_antenna(at_most(70.0, "dB"), *rest, *matches).known


def test_figures_of_figures_keep_kind_and_ends() -> None:
    one, two = reading(10.0, 9.0, 12.0, "dB"), reading(3.0, 2.5, 3.5, "dB")
    both = total((one, negative(two)), "dB")
    assert (both.kind, both.value, both.low, both.high) == (Kind.READING, 7.0, 5.5, 9.5)
    assert total((one, exact(1.0)), "dB").kind is Kind.INFERRED
    least = total((at_least(90.0, "dB"), two), "dB")
    assert least.kind is Kind.AT_LEAST and least.value == 92.5
    most = total((negative(at_least(90.0, "dB")), two), "dB")
    assert most.kind is Kind.AT_MOST and most.value == -86.5
    assert negative(negative(at_least(90.0, "dB"))) == at_least(90.0, "dB")
    assert total((at_least(90.0, "dB"), at_most(3.0, "dB")), "dB").kind is Kind.CANT_SAY
    assert total((cant_say("dB", "no sweep"), one), "dB").why == "no sweep"
    assert mapped(at_least(20.0, "dB"), lambda x: 1.0 / x, "", falling=True).kind is Kind.AT_MOST
    assert mapped(at_least(20.0, "dB"), lambda x: 2.0 * x, "dB").value == 40.0


def test_bounds_both_times_still_tell_what_a_loss_that_fell_must_bring() -> None:
    """12.1 dB lost at first and 1.3 dB after, the isolation a bound both times. Own computation: whatever was lost to
    the transmitter before, at least 11.3 dB went in the loss; after it at most 1.4 dB and 10 lg (1 + 10^(I/10)) with
    I = 47 - 130 - 77.5 + 165.98 = 5.48 dB: 6.57 dB. So 3.33 dB are gained at least."""
    before = Between(at_least(79.0, "dB"), exact(60.0), exact(1.0), about(12.1, 0.8))
    after = Between(at_least(77.5, "dB"), exact(60.0), exact(1.0), about(1.3, 0.1))
    hears = hears_better(RADIOS, before, after)
    over_db = 47.0 - 130.0 - 77.5 - (noise_of(8.0))
    least = 11.3 - (1.4 + 10.0 * math.log10(1.0 + 10.0 ** (over_db / 10.0)))
    assert hears.kind is Kind.AT_LEAST and hears.value == pytest.approx(least, abs=1e-6) and least > 3.0
    worse = hears_better(RADIOS, after, before)
    assert worse.kind is Kind.AT_MOST and worse.value == pytest.approx(-least, abs=1e-6)
    assert not hears_better(RADIOS, after, replace(after, noise=at_least(78.0, "dB"))).known


def noise_of(figure_db: float) -> float:
    """kT at 290 K with a noise figure, dBm/Hz."""
    return 10.0 * math.log10(1.380649e-23 * 290.0 * 1e3) + figure_db
