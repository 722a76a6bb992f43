"""The rules by which runs of a visit become figures, each alone: rows and fits are told, nothing is simulated.

Expected values are closed forms named at each check, or the rule itself as README and DESIGN state it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from protocol.sweep import SweepSettings
from rf.floor.pool import Bottom
from rf.notch.notch import NotchPlace
from tests.visit.told import A_TO_L, FIRST, LOADS, SITE, WIDE, ZOOM, Rows, notch, run, sweep
from visit.figures import earlier_runs as earlier_runs_module
from visit.figures import known as known_module
from visit.figures import run_figures as run_figures_module
from visit.figures.assessment import NOT_CHECKED
from visit.figures.known import Knowledge, Known
from visit.figures.looks import Look, Spending, covers_both, spendings, write_looks
from visit.figures.run_figures import RunFigures
from visit.record.opening import RecordError
from visit.record.visit_file import PORT_BACK, RESTARTED, RunRow
from visit.site.hookup import HookUp

# Looks


@pytest.mark.parametrize(
    ("start", "stop", "wide"),
    [(450e6, 455e6, True), (449e6, 456e6, True), (450.1e6, 456e6, False), (449e6, 454.9e6, False)],
)
def test_a_wide_run_holds_both_channels(start: float, stop: float, wide: bool) -> None:
    assert covers_both(run(1, SweepSettings(start, stop, 101, 1000.0)), SITE) is wide


def spent(runs: list[RunRow], counts: dict[int, int], **told: Any) -> dict[int, Spending]:
    visit: Any = Rows(runs, **told)
    return spendings(visit, SITE, runs, counts)


def test_zooms_have_nine_tenths_of_the_five_percent_and_wide_runs_one() -> None:
    """A planned run of 50: its looks at 25 and 50 share the first run's part by halves."""
    found = spent([run(1, WIDE), run(2)], {1: 60, 2: 60})
    wide, zoom = found[1].look(25), found[2].look(50)
    assert wide is not None and wide.chance == pytest.approx(0.1 * FIRST / 2)
    assert zoom is not None and zoom.chance == pytest.approx(0.9 * FIRST / 2)
    assert (zoom.number, zoom.taken, zoom.bound_db) == (2, False, None)
    assert found[1].goal == "A>L as found, wide" and found[2].goal == "A>L as found, zoom"
    assert found[2].look(26) is None and found[2].next(25) == 50 and found[2].next(50) is None
    plain = Spending(planned=50).look(50)
    assert plain is not None and plain.chance == pytest.approx(FIRST / 2)
    assert Spending(planned=50, watched=False).look(25) is None


def test_a_frozen_stage_parts_the_runs() -> None:
    """As found was frozen at the moment at which the second run began: that run is of the other stage."""
    found = spent([run(1), run(2), run(3)], {1: 50, 2: 50, 3: 50}, stage=[(200.0,)])
    assert [one.goal.split()[1:3] for one in found.values()] == [["as", "found,"], ["since", "as"], ["since", "as"]]
    assert [one.nth_run for one in found.values()] == [1, 1, 2]
    assert [one.nth_run for one in spent([run(1), run(2)], {1: 50, 2: 50}).values()] == [1, 2]


def test_only_runs_with_looks_count() -> None:
    """Too short for a look; while a screw was turned; on loads; and one whose row stands although no sweep does."""
    runs = [run(1), run(2, purpose="tune"), run(3, hookup=LOADS), run(4), run(5)]
    rows = [(4, 25, 1, 0.01, None, None), (4, 50, 2, 0.02, 91.5, 1e-6)]
    found = spent(runs, {1: 24, 2: 60, 3: 60, 5: 60}, look=rows)
    assert set(found) == {1, 2, 4, 5}
    assert [one.nth_run for one in found.values()] == [1, 1, 1, 2]
    assert not found[2].proves and found[2].look(50) is None and found[2].next(0) is None and found[1].proves
    assert found[4].look(25) == Look(25, 1, 0.01, None, None, True)
    assert found[4].look(50) == Look(50, 2, 0.02, 91.5, 1e-6, True)
    assert not any(one.earlier for one in found.values())


def test_looks_are_written_as_they_were_taken_and_none_is_no_writing() -> None:
    written: list[tuple[Any, ...]] = []
    began: list[str] = []

    @contextmanager
    def writing() -> Iterator[Any]:
        began.append("begin")
        yield SimpleNamespace(executemany=lambda statement, rows: written.extend(rows))

    visit: Any = SimpleNamespace(writing=writing)
    write_looks(visit, 7, Spending("goal", 3), [])
    assert began == []
    write_looks(visit, 7, Spending("goal", 3), [Look(25, 1, 0.01, 91.5, 1e-6, True)])
    assert [row[1:] for row in written] == [(7, 25, 1, "goal", 3, 0.01, 91.5, 1e-6)] and began == ["begin"]


def test_a_run_of_an_earlier_program_counts_as_watched() -> None:
    (found,) = spent([run(1, watched=None)], {1: 50}).values()
    assert found.earlier and found.watched
    (found,) = spent([run(1, watched=False)], {1: 50}).values()
    assert not found.watched and found.look(25) is None and found.look(50) is not None


# What is known


def test_the_nearest_leak_and_bottom_belong_to_their_channel() -> None:
    """Within half a hertz; the least limit of all; nothing told is nothing known."""
    one = Known(1e-4, ((455e6, Bottom(2e5)),), ((455e6, 3e-5), (455e6, 2e-4)))
    assert one.bottom_at(455e6 + 0.25).width_hz == 2e5 and not one.bottom_at(455e6 + 0.5).known
    assert one.leak_at(455e6 + 0.25) == 3e-5 and one.leak_at(455e6 + 0.5) == one.leak_at(450e6) == 1e-4
    assert Known().leak_at(455e6) is None and replace(one, leakage=1e-6).leak_at(455e6) == 1e-6
    assert Known().trusted is False


def check(at_s: float, *, good: bool = True) -> Any:
    return SimpleNamespace(at_s=at_s, verified=SimpleNamespace(good=good, says="0.4 dB off", part="thru"))


class Own:
    """A calibration told: terms, checks, what it finds and from when."""

    def __init__(self, at_s: float, *checks: Any, found: tuple[str, ...] = (), since: float | None = None) -> None:
        self.terms: Any = SimpleNamespace(transmission_tracking=np.ones(3))
        self.at_s, self.checks, self.isolation_limit = at_s, checks, None
        self.found, self.since, self.asked = found, since, list[tuple[Any, ...]]()

    def doubts(self, *asked: Any) -> tuple[str, ...]:
        self.asked.append(asked)
        return self.found

    def problem(self, settings: object) -> str:
        return ""

    def doubtful_from_s(self) -> float | None:
        return self.since

    def residuals(self, path: Any) -> str:
        return "residuals"


@pytest.fixture
def know(monkeypatch: pytest.MonkeyPatch) -> Callable[..., Knowledge]:
    def made(own: Own | None = None, checks: tuple[Any, ...] = (), **told: Any) -> Knowledge:
        monkeypatch.setattr(known_module, "calibrations", lambda visit: {} if own is None else {7: own})
        monkeypatch.setattr(known_module, "checks_of", lambda visit, which: checks)
        visit: Any = Rows(**told)
        return Knowledge(visit, SITE)

    return made


CALIBRATED = run(2, calibration_id=7)
"""Began at 200 s."""


def test_levels_are_re_a_thru_by_a_calibration_or_by_the_analyzer(know: Callable[..., Knowledge]) -> None:
    said = [(0.0, "corrects itself", "no")]
    own = Own(100.0)
    assert know(own, remark=said).of(CALIBRATED).uncorrected == ""
    assert "calibrate it" in know(own, remark=said).of(run(2)).uncorrected
    assert know().of(run(2)).uncorrected == ""  # nothing was said: as it was then
    known = know(own).of(CALIBRATED)
    assert known.residuals == "residuals" and known.trusted and known.axis_doubt == ""  # type: ignore[comparison-overlap]
    assert know(own).of(run(2)).residuals is None
    assert know(own).corrector(CALIBRATED)._terms is own.terms and know(own).corrector(run(2))._terms is None


def test_what_was_said_last_before_a_run_holds(know: Callable[..., Knowledge]) -> None:
    """After the clock was set back, all came later: then the first."""
    said = [(100.0, "corrects itself", "no"), (200.0, "corrects itself", "yes"), (300.0, "corrects itself", "no")]
    known = know(remark=said)
    assert [known.corrects_itself(run(n)) for n in (1, 2, 3)] == [False, True, False]
    assert known.corrects_itself(run(0)) is False
    assert know(remark=said[1:]).corrects_itself(run(0)) is True


def test_time_on_a_point_is_settling_and_a_share_of_the_bandwidth(know: Callable[..., Knowledge]) -> None:
    for words, seconds in (("0.001 2.0", 0.003), ("0.001", 0.0), ("0.001 nan", 0.0), ("2e6 1", 0.0), ("", 0.0)):
        assert know(remark=[(0.0, "point time", words)]).of(run(1)).dwell_s == pytest.approx(seconds)


def test_an_axis_is_believed_when_it_was_confirmed_last(know: Callable[..., Knowledge]) -> None:
    said = [(0.0, "axis", "never checked"), (900.0, "axis", "confirmed")]
    assert know(remark=said).of(run(1)).axis_doubt == ""
    assert know(remark=said[:1]).of(run(1)).axis_doubt == "never checked"


def test_leaks_told_up_to_a_time(know: Callable[..., Knowledge]) -> None:
    known = know(told_leak=[(100.0, 1e-4), (200.0, 1e-5)])
    assert [known.told_leaks(at_s) for at_s in (99.0, 100.0, 200.0)] == [[], [1e-4], [1e-4, 1e-5]]


def test_a_restart_after_the_last_proof_is_a_doubt(know: Callable[..., Knowledge]) -> None:
    """Proved at the calibration or by a good check before the run, whichever is later; off up to the run's end."""
    kinds = (RESTARTED, PORT_BACK)
    for kind in kinds:
        off = [(150.0, kind, "")]
        assert "was off" in know(Own(100.0), remark=off).doubts(CALIBRATED)[0]
        assert know(Own(160.0), remark=off).doubts(CALIBRATED) == ()
        assert know(Own(100.0, check(170.0)), remark=off).doubts(CALIBRATED) == ()
        assert know(Own(100.0, check(170.0, good=False)), remark=off).doubts(CALIBRATED) != ()
        assert know(Own(100.0, check(210.0)), remark=off).doubts(CALIBRATED) != ()  # it proves later runs only
        twice = [(50.0, kind, ""), (150.0, kind, "")]  # the last one counts
        assert "was off" in know(Own(100.0), remark=twice).doubts(CALIBRATED)[0]
        late = [(250.0, kind, "")]
        assert know(Own(100.0), remark=late).doubts(CALIBRATED) == ()
        assert "was off" in know(Own(100.0), remark=late, sweep=[(260.0,)]).doubts(CALIBRATED)[0]
        assert "was off" in know(None, (check(140.0),), remark=off).doubts(run(2))[0]
        assert know(None, (check(160.0),), remark=off).doubts(run(2)) == ()
    assert know(Own(100.0, check(140.0)), (check(160.0),), remark=off).doubts(CALIBRATED) != ()  # another's checks
    assert know(Own(100.0)).doubts(CALIBRATED) == know().doubts(run(2)) == ()


def test_a_failed_check_speaks_against_what_came_after_the_last_good_one(know: Callable[..., Knowledge]) -> None:
    failed = ("last check failed (0.4 dB off)", "calibration 70 min old")
    assert know(Own(0.0, found=failed, since=150.0)).doubts(CALIBRATED) == failed
    assert know(Own(0.0, found=failed, since=200.0)).doubts(CALIBRATED) == failed
    assert know(Own(0.0, found=failed, since=250.0)).doubts(CALIBRATED) == failed[1:]
    assert know(Own(0.0, found=failed)).doubts(CALIBRATED) == failed
    own = (check(100.0), check(300.0, good=False))
    assert "last check failed" in know(None, own).doubts(run(2))[0]
    assert know(None, own, remark=[(0.0, "corrects itself", "no")]).doubts(run(2)) == ()


def test_a_clock_that_was_set_back_is_a_doubt(know: Callable[..., Knowledge]) -> None:
    """By rows the proof came before the run; its time stands more than a minute after the run's begin."""
    assert "set back" in know(Own(261.0)).doubts(CALIBRATED)[0]
    assert know(Own(259.0)).doubts(CALIBRATED) == ()
    asked: list[object] = []

    def proved(values: tuple[object, ...]) -> list[tuple[float]]:
        asked.append(values)
        return [(261.0,)]

    assert "set back" in know(Own(100.0), known_part=proved).doubts(CALIBRATED)[0]
    assert asked[0] == (7, 2)
    assert "set back" in know(None, known_part=proved).doubts(run(2))[0]


def test_the_temperature_is_the_one_told_last_before_the_runs_end(know: Callable[..., Knowledge]) -> None:
    """The site's (14 C) before anything was told; what is no number is passed over."""
    own = Own(100.0)
    told = [(150.0, "temperature", "20 C"), (260.0, "temperature", "30 C"), (261.0, "temperature", "40 C"),
            (150.0, "point time", "1 1")]  # fmt: skip
    for words, ended, degrees in (([], None, 14.0), (told, None, 20.0), (told, 260.0, 30.0),
                                  ([(150.0, "temperature", "warm")], None, 14.0)):  # fmt: skip
        own.asked.clear()
        know(own, remark=words, sweep=[] if ended is None else [(ended,)]).doubts(CALIBRATED)
        assert own.asked == [(ZOOM, ended or 200.0, degrees)]


# All runs of a visit


@pytest.fixture
def figures(monkeypatch: pytest.MonkeyPatch) -> Callable[..., RunFigures]:
    def made(runs: list[RunRow], assessed: dict[int, Any] | None = None, own: Any = None, **told: Any) -> RunFigures:
        monkeypatch.setattr(known_module, "calibrations", lambda visit: {} if own is None else {7: own})
        monkeypatch.setattr(known_module, "checks_of", lambda visit, which: ())
        visit: Any = Rows(runs, **told)
        visit.counts = {each.id: 3 for each in runs}
        found = RunFigures(visit)
        if assessed is not None:
            monkeypatch.setattr(found, "settled", lambda each: assessed.get(each.id))
        return found

    return made


def shown(place: NotchPlace | None, hookup: HookUp = A_TO_L) -> Any:
    return SimpleNamespace(notch=place, hookup=hookup, site=SITE, check=NOT_CHECKED)


def test_an_average_is_made_once_until_sweeps_come(figures: Callable[..., RunFigures]) -> None:
    made = figures([run(1)])
    visit: Any = made.visit
    first = made.averaged(made.runs[0])
    assert first is not None and first.sweeps == 3 and made.averaged(made.runs[0]) is first
    assert visit.taken == [(1, 3)]
    visit.counts = {1: 4}
    made.refresh()
    again = made.averaged(made.runs[0])
    assert again is not None and again.sweeps == 4
    visit.counts = {}
    made.refresh()
    assert made.averaged(made.runs[0]) is None
    assert [
        each.id for each in figures([run(1, purpose="calibration"), run(2), run(3, purpose="known part")]).runs
    ] == [2]


def test_figures_are_made_again_when_sweeps_come_or_more_is_known(
    figures: Callable[..., RunFigures], monkeypatch: pytest.MonkeyPatch
) -> None:
    made = figures([run(1)])
    visit: Any = made.visit
    built: list[Any] = []

    class Told:
        def __init__(self, *told: Any, **options: Any) -> None:
            self.told, self.options, self.sweeps = told, options, list[Any]()
            self.average = SimpleNamespace(average=lambda: None)
            built.append(self)

        def add(self, sweep: Any) -> None:
            self.sweeps.append(sweep)

        def assess(self) -> Any:
            return SimpleNamespace(sweeps=len(self.sweeps))

    monkeypatch.setattr(run_figures_module, "Assessor", Told)
    first: Any = made.assess(made.runs[0])
    assert first.sweeps == 3 and made.assess(made.runs[0]) is first and visit.taken == [(1, 3)]
    assert built[0].told == (SITE, A_TO_L, 1) and built[0].options["spending"].goal == "A>L as found, zoom"
    visit.counts = {1: 5}
    made.refresh()
    more: Any = made.assess(made.runs[0])
    assert more.sweeps == 5
    visit.told["told_leak"] = [(0.0, 1e-5)]
    made.refresh()
    assert made.assess(made.runs[0]) is not more and len(built) == 3
    assert built[2].options["known"].leak_at(455e6) == 1e-5
    other: Any = made.assessor(run(9))
    assert other.options["spending"].proves is False  # a run that nobody counted proves nothing
    assert made.assess(made.runs[0], -1.0) is more  # by what was known before the leak was told


def test_numbers_that_no_bench_gives_end_in_one_line(figures: Callable[..., RunFigures]) -> None:
    made = figures([run(1)])
    visit: Any = made.visit
    visit.sweeps = lambda run_id, limit: [sweep(1, np.full(101, math.nan + 0j))]
    with pytest.raises(RecordError, match="run 1 gives no figures"):
        made.averaged(made.runs[0])


def test_the_newest_trusted_wide_fit_before_a_run(figures: Callable[..., RunFigures]) -> None:
    """Of the same hook-up, wide, earlier, and trusted."""
    other = HookUp("A", "H")
    runs = [run(1, WIDE), run(2, WIDE), run(3, ZOOM), run(4, WIDE, other), run(5, WIDE), run(6, WIDE), run(7, WIDE)]
    assessed = {
        1: shown(notch(455.1e6)), 2: shown(notch(455.2e6)), 3: shown(notch(455.3e6)),
        4: shown(notch(455.4e6), other), 5: shown(notch(trusted=False)), 6: shown(None), 8: shown(notch()),
    }  # fmt: skip
    made = figures(runs, assessed)
    assert made.earlier.fitted(A_TO_L) is assessed[2]
    assert made.earlier.fitted(A_TO_L, 2) is assessed[1] and made.earlier.fitted(A_TO_L, 1) is None
    assert made.earlier.fitted(other) is assessed[4]


def test_a_zoom_takes_the_bottom_of_the_wide_run_before_it(figures: Callable[..., RunFigures]) -> None:
    driven_back = HookUp("L", "A")
    runs = [run(1, WIDE), run(2, ZOOM), run(3, WIDE), run(4, WIDE, HookUp("A", "H")), run(5, ZOOM, HookUp("L", "H")),
            run(6, WIDE, HookUp("L", "H")), run(7, WIDE, driven_back), run(8, WIDE, HookUp("L", "H"))]  # fmt: skip
    assessed = {
        1: shown(notch(bottom_width_hz=1e5)), 3: shown(notch(bottom_width_hz=3e5)),
        4: shown(notch(bottom_width_hz=4e5), HookUp("A", "H")), 7: shown(notch(bottom_width_hz=7e5), driven_back),
    }  # fmt: skip
    made = figures(runs, assessed)
    bottoms = {each.id: {hz: bottom.width_hz for hz, bottom in made.known(each).bottoms} for each in runs}
    assert bottoms[2] == {455e6: 1e5} and bottoms[1] == bottoms[3] == {}  # a wide run has its own
    assert bottoms[5] == bottoms[6] == {455e6: 3e5, 450e6: 4e5}
    assert bottoms[8] == {455e6: 7e5, 450e6: 4e5}  # driven the other way is the same side
    bare = figures([run(1, ZOOM, HookUp("L", "H"))], {})
    narrow = dict(bare.known(bare.runs[0]).bottoms)  # as narrow as three cavities of the highest Q
    assert {hz: round(bottom.width_hz) for hz, bottom in narrow.items()} == {455e6: 38662, 450e6: 38237}
    assert earlier_runs_module._bottom_of(shown(None)) == earlier_runs_module._bottom_of(None) == ()
    assert earlier_runs_module._bottom_of(shown(notch(), HookUp("L", "H"))) == ()


def test_leaks_are_the_least_of_what_was_surveyed_and_told(
    figures: Callable[..., RunFigures], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A survey damped by a pad of 20 dB saw a tenth of the leak inside; read behind such a pad the leak counts tenfold.
    A survey of a later time, or with a jumper in the path, says nothing; nor does one that found nothing."""
    limits = {1: 1e-5, 2: 1e-6, 3: 1e-9, 4: 1e-9}
    monkeypatch.setattr(earlier_runs_module, "leak_limits", lambda site, f, split: [(455e6, split)])
    on_loads = ("loads", "loads pad2=20", "loads jumper=half", "loads", "loads", "loads")
    runs = [run(number, WIDE, HookUp.parse(words)) for number, words in enumerate(on_loads, 1)]
    runs += [run(7), run(8, hookup=HookUp.parse("A>L pad2=20"))]
    runs[3] = replace(runs[3], started_s=2000.0)
    alike = {"sweeps": 5, "frequency_hz": None, "notch": None, "hookup": LOADS}
    assessed = {n: SimpleNamespace(survey=limits[n], **alike) for n in limits}
    assessed[5] = SimpleNamespace(survey=None, frequency_hz=None, notch=None, hookup=LOADS)
    monkeypatch.setattr(earlier_runs_module, "found", lambda split: False)
    monkeypatch.setattr(earlier_runs_module, "LEADS_MOVE", 1.0)
    made = figures(runs, assessed, told_leak=[(0.0, 2e-5)])
    assert dict(made.known(runs[6], 1000.0).leaks) == pytest.approx({450e6: 2e-5, 455e6: 1e-7})
    assert dict(made.known(runs[6], 2000.0).leaks)[455e6] == pytest.approx(1e-9)
    assert dict(made.known(runs[6], 150.0).leaks)[455e6] == pytest.approx(1e-5)
    assert dict(made.known(runs[7], 1000.0).leaks)[455e6] == pytest.approx(1e-6)
    assert made.known(runs[0]).leaks == ()  # a survey has none itself
    own: Any = Own(0.0)
    calibrated = replace(runs[6], calibration_id=7)
    assert figures([calibrated], {}, own).known(calibrated).leaks == ()
    own.isolation_limit = 3e-6
    found = figures([calibrated], {}, own).known(calibrated)
    assert found.leaks == ((450e6, 3e-6), (455e6, 3e-6))
    assert figures([runs[6]], {}, own).known(runs[6]).leaks == ()


def test_followed_figures_need_not_be_made_again(figures: Callable[..., RunFigures]) -> None:
    made = figures([run(1, WIDE)])
    kept = shown(notch())
    kept.sweeps = 8
    made.keep(1, kept, Known())
    assert made.earlier.fitted(A_TO_L) is kept
