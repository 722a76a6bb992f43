"""What is advised at the screws: from turns whose truth is known to words that a hand can follow."""

from __future__ import annotations

import math
from dataclasses import replace
from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest

from protocol.sweep import SweepSettings
from rf.notch.apart import Apart, Each
from rf.notch.notch import NotchPlace
from rf.values.figure import NORMAL_95, Figure, cant_say, inferred, reading
from rf.values.words import as_json
from tests.visit.stations import ROOT
from visit.day.cavities import Places, track
from visit.day.directions import spoken, way
from visit.day.nudges import NudgeRow, Told
from visit.day.planner import SurveyPlan
from visit.day.tuning import Advice, Deed, Tuning, advise, cavity_lines, spread_words
from visit.figures.assessment import Channel, Role
from visit.figures.run_figures import RunFigures
from visit.record.visit_file import RunRow
from visit.run.site_visit import proved
from visit.site.hookup import HookUp, Side
from visit.site.site import load_site

REJECT_HZ = 150.6e6
UNKNOWN = cant_say("Hz", "under the noise")
Q = 3300.0


def about(value: float, half: float = 2e3, unit: str = "Hz") -> Figure:
    return inferred(value, value - half, value + half, unit)


def turned(
    cavity: int | None, was_hz: float, by_hz: float, turns: float | None = 0.25, way: str = "clockwise", *,
    seen: bool = True, misfit: float = 1.0, mean: tuple[float, float] | None = None,
) -> NudgeRow:  # fmt: skip
    """A row of the ledger: `was_hz` off the channel, moved `by_hz`."""
    figures = {
        "before": as_json(about(REJECT_HZ + was_hz) if seen else UNKNOWN),
        "after": as_json(about(REJECT_HZ + was_hz + by_hz) if seen else UNKNOWN),
        "moved": as_json(about(by_hz) if seen else UNKNOWN),
        "misfit": misfit,
    }
    if mean is not None:
        figures |= {"mean_before": as_json(about(mean[0], 1e3)), "mean_after": as_json(about(mean[1], 1e3))}
    return NudgeRow(0.0, "L", Told(cavity, "rod", way, turns), 1, 2, figures)


def skirts(rejection_db: float, centred_db: float = 95.0, half_db: float = 1.0) -> NotchPlace:
    nothing = cant_say("dB", "")
    return NotchPlace(
        about(REJECT_HZ), nothing, about(Q, 100.0, ""), (about(rejection_db, half_db, "dB"),), 40e3, 30e3,
        (), True, 0.0, 0.0, 1.0, None, "", centred_at=(about(centred_db, half_db, "dB"),),
    )  # fmt: skip


def at(places: Places, rejection_db: float, **changes: object) -> Tuning:
    now = Tuning(
        90.0, REJECT_HZ, cant_say("dB", ""), skirts(rejection_db), about(0.0, 1e3), places, 3, 8
    )  # fmt: skip
    return replace(now, **changes)  # type: ignore[arg-type]


def off(places: Places) -> list[float]:
    return [round(one.place.value / 1e3, 1) if one.place.known else math.nan for one in places.cavities]


def test_a_mean_on_the_channel_is_no_reason_to_stop() -> None:
    """+60, -110 and +35 kHz: 27 dB are missing though the mean is right."""
    now = at(track([], REJECT_HZ, 3, about(-5e3, 1e3)), 67.3)
    advice = advise(now)
    assert advice.deed is Deed.TRIAL and advice.do.startswith("cavity 1, rod: 0.12 turn clockwise")
    assert "stop" not in advice.do + advice.why
    assert spread_words(now).startswith("the mean is right, the spread is not: it costs about 28 of 28 dB")


def test_each_turn_tells_its_own_cavity_and_the_last_follows_from_the_mean() -> None:
    rows = [turned(1, 60e3, 12e3), turned(2, -110e3, 10e3)]
    places = track(rows, REJECT_HZ, 3, about((72e3 - 100e3 + 35e3) / 3.0, 500.0))
    assert off(places)[:2] == pytest.approx([72.0, -100.0], abs=0.5)
    assert off(places)[2] == pytest.approx(35.0, abs=3.0)
    assert not places.cavities[2].turned
    now = at(places, 67.3)
    advice = advise(now)
    # The farthest first: 100 kHz at 40 kHz a turn, the way that moved it up.
    assert advice.deed is Deed.TURN and advice.told == Told(2, "rod", "clockwise", 2.5)
    assert advice.do == "cavity 2, rod: 2.5 turns clockwise (900 degrees)"
    assert "-100" in advice.why and "40 kHz" in advice.why and "rejection INFERRED" in advice.expect


def test_the_other_way_is_said_in_the_hands_own_words() -> None:
    rows = [turned(1, 40e3, 20e3, 0.5, "in"), turned(2, 0.0, 5e3), turned(3, 0.0, 5e3)]
    advice = advise(at(track(rows, REJECT_HZ, 3), 75.0))
    assert advice.told == Told(1, "rod", "out", 1.5)
    assert spoken(*way("ccw")) == "anticlockwise" and spoken("to me", -1) == "against to me"


def test_a_turn_that_shows_nothing_is_made_larger() -> None:
    rows = [turned(1, 0.0, 0.0, 0.12, seen=False)]
    places = track(rows, REJECT_HZ, 3)
    advice = advise(at(places, 67.0))
    assert advice.deed is Deed.TRIAL and advice.told is not None and advice.told.cavity == 2  # never turned: first
    rows = [turned(k, 0.0, 0.0, 0.12, seen=False) for k in (1, 2, 3)]
    advice = advise(at(track(rows, REJECT_HZ, 3), 67.0))
    assert advice.told is not None and advice.told.turns == pytest.approx(0.24)
    # To and fro: all one way they would walk the whole side off its channel.
    assert advice.told.direction == "anticlockwise"


def test_where_ratio_and_means_disagree_the_means_tell_what_a_turn_does() -> None:
    """A ratio of sweeps whose notches lie under the floor says 80 +-25 kHz; the mean of three moved by 10 +-1.4."""
    row = turned(1, 0.0, 0.0, 0.5, mean=(0.0, 10e3))
    row.figures["moved"] = as_json(about(80e3, 25e3))
    assert track([row], REJECT_HZ, 3).cavities[0].hz_per_turn == pytest.approx(60e3)
    row.figures["moved"] = as_json(about(60e3, 25e3))
    assert track([row], REJECT_HZ, 3).cavities[0].hz_per_turn == pytest.approx(120e3)


def test_a_movement_that_no_screw_makes_teaches_nothing_of_it() -> None:
    """A fit that went over to another answer looks like a turn of tens of megahertz; smaller turns would never end."""
    rows = [turned(1, 400e3, -900e3, 0.12), turned(1, -500e3, 900e3, 0.03), turned(2, 400e3, 40e3, 0.12)]
    one, other = track(rows, REJECT_HZ, 2).cavities
    assert one.hz_per_turn is None and other.hz_per_turn == pytest.approx(40e3 / 0.12)


def test_a_cavity_near_the_channel_is_not_turned_to_and_fro() -> None:
    """Cavity 2 is known to 16 kHz around the channel, cavity 3 is not known and the mean is off: 3 is next."""
    rows = [turned(1, 20e3, -20e3), turned(2, 12e3, -12e3), turned(3, 0.0, 0.0, 0.12, seen=False)]
    for row in rows[1:2]:
        row.figures.update(
            {name: as_json(about(REJECT_HZ + hz, 16e3)) for name, hz in (("before", 12e3), ("after", 0.0))}
        )
        row.figures["moved"] = as_json(about(-12e3, 4e3))
    advice = advise(at(track(rows, REJECT_HZ, 3), 82.0, offset=about(-25e3, 1e3)))
    assert advice.told is not None and advice.told.cavity == 3, advice
    done = [*rows[:2], turned(3, -60e3, 60e3)]
    assert advise(at(track(done, REJECT_HZ, 3), 86.0)).deed is Deed.LONGER


def test_the_mean_tells_the_movement_where_the_ratio_does_not() -> None:
    row = turned(1, 0.0, 0.0, 0.5, seen=False, mean=(10e3, 0.0))
    one = track([row], REJECT_HZ, 3, about(0.0, 1e3)).cavities[0]
    assert one.hz_per_turn == pytest.approx(-60e3) and one.forward == "clockwise"


def test_two_screws_in_one_turn_are_not_believed() -> None:
    rows = [turned(1, 60e3, 12e3), turned(2, -110e3, 10e3, misfit=9.0)]
    places = track(rows, REJECT_HZ, 3)
    assert "more than one screw" in places.mixed
    assert not any(one.place.known for one in places.cavities)
    assert cavity_lines(at(places, 67.0))[0] == places.mixed


def test_two_screws_that_look_like_one_are_told_by_the_mean_and_by_what_a_turn_does() -> None:
    """Turned in a hurry, +19 and -49 kHz read as one move of -32; +21 and +47 as one of +65."""
    mean = track([turned(1, 60e3, 34e3, mean=(0.0, 3e3))], REJECT_HZ, 3, about(3e3, 1e3))
    assert "more than one screw" in mean.mixed and not any(one.place.known for one in mean.cavities)
    assert not track([turned(1, 60e3, 34e3, mean=(0.0, 11e3))], REJECT_HZ, 3, about(11e3, 1e3)).mixed
    known = [turned(1, 60e3, 20e3), turned(1, 80e3, -70e3, way="anticlockwise")]
    assert "more than one screw" in track(known, REJECT_HZ, 3).mixed
    assert not track([*known[:1], turned(1, 80e3, -30e3, way="anticlockwise")], REJECT_HZ, 3).mixed


def test_another_screw_than_was_told_is_noticed() -> None:
    rows = [turned(1, 60e3, -10e3), turned(1, -110e3, -10e3)]
    places = track(rows, REJECT_HZ, 3)
    assert places.mixed == "what moved stood at -110 kHz, cavity 1 at +50: another screw?"
    assert off(places)[0] == pytest.approx(-120.0, abs=0.5)


def test_a_notch_that_moves_with_no_turn_told_makes_all_places_doubtful() -> None:
    rows = [turned(1, 60e3, -60e3), turned(2, -110e3, 110e3), turned(3, 35e3, -35e3)]
    assert off(track(rows, REJECT_HZ, 3, about(0.0, 1e3))) == pytest.approx([0.0, 0.0, 0.0], abs=1.0)
    places = track(rows, REJECT_HZ, 3, about(30e3, 1e3))
    assert "no turn told" in places.mixed and not any(one.place.known for one in places.cavities)


def test_resolved_zeros_find_their_cavity_once_a_turn_told_which() -> None:
    zeros = [about(REJECT_HZ + hz, 1e3) for hz in (-110e3, 35e3, 72e3)]
    assert not any(one.place.known for one in track([], REJECT_HZ, 3, None, zeros).cavities)
    assert len(track([], REJECT_HZ, 3, None, zeros).zeros) == 3
    rows = [turned(1, 60e3, 12e3), turned(2, -120e3, 10e3)]
    places = track(rows, REJECT_HZ, 3, None, zeros)
    assert off(places) == pytest.approx([72.0, -110.0, 35.0], abs=0.8)


def test_enough_by_the_skirts_is_proved_and_nearly_enough_is_looked_at_longer() -> None:
    places = track([], REJECT_HZ, 3)
    done = advise(at(places, 92.0))
    assert done.deed is Deed.PROVE and "only a proof shows it" in done.why
    nearly = advise(at(places, 90.5))
    assert nearly.deed is Deed.LONGER and nearly.sweeps == 32
    read = advise(at(places, 92.0, measured=reading(85.0, 84.0, 86.0, "dB")))
    assert read.deed is not Deed.PROVE  # a reading that misses the goal outweighs the skirts


class Hidden:
    """Cavities whose places the skirts leave open."""

    parted, each = (True,), Each()

    def __init__(self, low: float, high: float) -> None:
        self._ends = low, high

    def rejection(self, at_hz: float, centred: Figure) -> Figure:
        return inferred(sum(self._ends) / 2.0, *self._ends, "dB")


def hiding(rejection_db: float, low: float, high: float) -> NotchPlace:
    return replace(skirts(rejection_db, centred_db=97.0), apart=cast("Apart", Hidden(low, high)))


def test_a_leak_is_bounded_before_cavities_that_may_hide_behind_it_are_turned() -> None:
    lacking = SurveyPlan(None, 60, 30.0, "")
    asked = advise(at(track([], REJECT_HZ, 3), 95.0, notch=hiding(95.0, 74.0, 98.0), survey=lacking))
    assert asked.deed is Deed.SURVEY and asked.do.startswith("survey first (60 sweeps, 0.5 min): s")
    for more in ({"survey": None}, {"notch": hiding(95.0, 93.5, 96.0)}, {"notch": hiding(30.0, 20.0, 40.0)}):
        other = advise(
            at(track([], REJECT_HZ, 3), 95.0, **{"notch": hiding(95.0, 74.0, 98.0), "survey": lacking, **more})
        )
        assert other.deed is not Deed.SURVEY


def test_nothing_is_promised_that_a_place_which_the_skirts_allow_would_break() -> None:
    vague = advise(at(track([], REJECT_HZ, 3), 95.0, notch=hiding(95.0, 86.0, 98.0)))
    assert vague.deed is Deed.LONGER
    sure = advise(at(track([], REJECT_HZ, 3), 95.0, notch=hiding(95.0, 93.0, 96.0)))
    assert sure.deed is Deed.PROVE and "94.5 ±1.5" in sure.why


def test_a_proof_that_read_less_is_taken_in() -> None:
    rows = [turned(1, 60e3, 12e3), turned(2, -110e3, 112e3), turned(3, 40e3, -40e3)]
    places = track(rows, REJECT_HZ, 3)
    now = at(places, 95.0, sweeps=128)
    failed = advise(replace(now, proved=reading(86.0, 85.0, 87.0, "dB")))
    assert failed.deed is Deed.TURN and failed.told is not None and failed.told.cavity == 1
    near = track([turned(k, 10e3, -8e3) for k in (1, 2, 3)], REJECT_HZ, 3)
    assert advise(at(near, 95.0, sweeps=128)).deed is Deed.PROVE
    telling = advise(at(near, 95.0, sweeps=128, proved=reading(86.0, 85.0, 87.0, "dB")))
    assert telling.deed is Deed.TRIAL and "no place tells where" in telling.why


def test_a_zoom_on_another_place_takes_no_proof_away() -> None:
    site = load_site(ROOT / "fixtures/sites/demo-450.toml")

    def zoom(number: int, middle_hz: float) -> RunRow:
        return RunRow(number, "zoom", HookUp("A", "L"), SweepSettings.around(middle_hz, 2e5, 51, 1e3), (), 9, None, 0.0)

    read = reading(86.0, 85.0, 87.0, "dB")
    channel = Channel(site.high_hz, Role.REJECT, read, read)
    seen = SimpleNamespace(channel=lambda role: channel)
    figures = SimpleNamespace(
        runs=[zoom(3, site.high_hz), zoom(4, site.low_hz)], assess=lambda run: seen if run.id == 3 else None
    )
    assert proved(site, Side.LOW, [], cast(RunFigures, figures)) is read
    assert proved(site, Side.LOW, [replace(turned(1, 0.0, 1e3), after_run=3)], cast(RunFigures, figures)) is None


def test_out_of_reach_is_said_with_its_figure() -> None:
    now = at(track([], REJECT_HZ, 3), 80.0, notch=skirts(80.0, centred_db=84.0))
    advice = advise(now)
    assert advice.deed is Deed.OUT_OF_REACH
    assert advice.why == "all cavities centred would give INFERRED 84.0 ±1.0 dB: goal 90 is out of reach"
    far = at(track([], REJECT_HZ, 3), 67.0, notch=skirts(67.0, centred_db=84.0))
    assert advise(far).deed is Deed.TRIAL  # cavities that stand far apart do not tell how deep all of them together are


def test_advice_never_stops_short_of_a_goal_that_can_be_reached() -> None:
    """Whatever is known, the next deed is one while the skirts say that the goal is missed and in reach."""
    rng = np.random.default_rng(5)
    for _ in range(300):
        rows = []
        for _ in range(int(rng.integers(0, 6))):
            was_hz, by_hz = rng.uniform(-150e3, 150e3, 2)
            rows.append(turned(int(rng.integers(1, 4)), float(was_hz), float(by_hz), seen=bool(rng.random() < 0.7)))
        now = at(track(rows, REJECT_HZ, 3, about(float(rng.uniform(-50e3, 50e3)))), float(rng.uniform(50.0, 88.0)))
        advice: Advice = advise(now)
        assert advice.deed in (Deed.TRIAL, Deed.TURN, Deed.LONGER), advice
        if advice.told is not None:
            assert advice.told.turns is not None and advice.told.turns > 0.0 and advice.told.direction
            one = now.places.cavity(advice.told.cavity or 0)
            assert one is not None
            if advice.deed is Deed.TURN:  # it goes to the channel, by what its own turns told
                assert one.hz_per_turn is not None
                sign = way(advice.told.direction)[1]
                assert sign * one.hz_per_turn * one.place.value < 0.0
                assert NORMAL_95 * one.sd_hz < now.unit_hz
