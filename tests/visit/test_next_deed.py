"""What to do next follows from what is known: each state of a visit and the deed that it asks for."""

from __future__ import annotations

from dataclasses import replace

import pytest

from rf.repeater.hookup_check import HookUpCheck, State
from rf.values.figure import cant_say, inferred, reading
from rf.values.verdict import Verdict
from tests.tui.picture import load, picture
from visit.calibration.doubts import restart_doubt
from visit.day.next_deed import REPORT, Facts, next_deed
from visit.day.planner import Tried
from visit.figures.assessment import Assessment
from visit.figures.known import LeakSource
from visit.figures.leak_advice import TOO_SHORT
from visit.figures.third_load import MEASURED
from visit.site.hookup import HookUp, Side


@pytest.fixture(scope="module")
def seen() -> Assessment:
    """Thirty sweeps of A>L, rejection under the floor."""
    made = picture(30).assessment
    assert made is not None
    return made


def with_rejection(
    a: Assessment, verdict: Verdict, leak: float | None = 1e-6, skirts_db: float | None = None
) -> Assessment:
    """The same with another verdict on the rejection, a surveyed leak and other skirts; all else passes."""
    goals = tuple(
        replace(goal, verdict=verdict if goal.name == "rejection" else Verdict.PASS, condition="") for goal in a.goals
    )
    channels = tuple(replace(channel, leakage=leak) for channel in a.channels)
    notch = a.notch
    if skirts_db is not None and notch is not None:
        notch = replace(notch, rejection_at=(inferred(skirts_db, skirts_db - 0.5, skirts_db + 0.5, "dB"),))
    return replace(a, goals=goals, channels=channels, notch=notch, cautions=())


def facts(now: Assessment | None, **changes: object) -> Facts:
    made = Facts(site=load(), now=now, sides={} if now is None else {Side.LOW: now})
    return replace(made, **changes)  # type: ignore[arg-type]


def test_an_empty_visit_begins_with_a_side() -> None:
    deed = next_deed(facts(None))
    assert deed.words == "leads on A>L, sweep wide (k): the low side was not measured yet"


def test_a_side_too_far_off_for_a_fit_needs_screws_all_the_same(seen: Assessment) -> None:
    assert seen.notch is not None
    far = with_rejection(seen, Verdict.FAIL)
    far = replace(far, notch=replace(seen.notch, trusted=False, why="no usual circuit"))
    other = replace(far, hookup=far.hookup)
    both = {Side.LOW: far, Side.HIGH: other}
    assert next_deed(facts(far, sides=both)).do == "freeze as found"
    assert next_deed(facts(far, sides=both, as_found=True)).do == "turn screws"
    assert next_deed(facts(far, sides=both, as_found=True, left_s=5.0)).do == "let it sweep on"
    unread = replace(with_rejection(seen, Verdict.CANT_SAY), notch=far.notch)
    assert next_deed(facts(unread, as_found=True)).do == "average longer"


def test_faults_come_first(seen: Assessment) -> None:
    wrong = replace(seen, check=HookUpCheck(State.WRONG, "looks like a thru", "take the leads apart", "thru"))
    assert next_deed(facts(wrong)).words == "take the leads apart (k): looks like a thru"
    off = replace(seen, doubts=restart_doubt(1.7e9, 1.6e9))
    assert next_deed(facts(off)).words.startswith("read the thru again (v, 60 s): the analyzer was off at ")
    raw = replace(seen, cautions=("analyzer uncorrected: calibrate it",))
    assert next_deed(facts(raw)).words == "calibrate (c, 5 min): no level can be told before it"


def test_no_pass_without_a_survey(seen: Assessment) -> None:
    bare = with_rejection(seen, Verdict.CANT_SAY, leak=None)
    deed = next_deed(facts(bare))
    assert deed.words == "leads on A>H, sweep wide (k): one survey then serves both sides"
    survey = next_deed(facts(bare, sides={Side.LOW: bare, Side.HIGH: bare}))
    assert (survey.do, survey.key) == ("survey first: both leads on loads", "k")
    assert survey.sweeps and f"{survey.sweeps} " in survey.why and "leave room for a proof of 90 dB" in survey.why


def test_a_survey_whose_limit_takes_the_room_of_the_proof_is_made_longer(seen: Assessment) -> None:
    """Twenty sweeps that found nothing leave room for a leak; one that was found and fills the room stays."""
    for found, leak, do in (
        (False, 2e-5, "survey longer"), (True, 2e-5, "survey longer"), (True, 5e-5, "better leads, then survey anew"),
    ):  # fmt: skip
        short = replace(with_rejection(seen, Verdict.CANT_SAY, leak=leak), leakage=leak)
        source = LeakSource("survey, run 2", found, 20)
        channels = tuple(replace(channel, leak_source=source) for channel in short.channels)
        sides = {side: replace(short, channels=channels) for side in Side}
        deed = next_deed(facts(sides[Side.LOW], sides=sides))
        assert (deed.do, deed.key) == (f"{do}: both leads on loads", "k")
        assert leak > 2e-5 or (deed.sweeps is not None and deed.sweeps >= 40)


@pytest.mark.parametrize("hung", list(Side))
def test_a_survey_around_one_channel_is_that_of_the_side_on_the_leads(seen: Assessment, hung: Side) -> None:
    """Whichever side hangs there: its own channel first, and the side is named; what the other side lacks does not keep
    it from its proof."""
    bare = with_rejection(seen, Verdict.CANT_SAY, leak=2e-5)
    source = LeakSource("survey, run 2", False, 300)  # twice as many wide sweeps would be too long
    channels = tuple(replace(channel, leak_source=source) for channel in bare.channels)
    sides = {side: replace(bare, channels=channels, hookup=HookUp("A", side.value), leakage=2e-5) for side in Side}
    made = facts(sides[hung], sides=sides)
    deed = next_deed(made)
    where = f"{made.site.reject_hz(hung) / 1e6:.4f} MHz, which A>{hung.value} rejects"
    assert deed.do.startswith("survey longer") and where in deed.why and deed.settings is not None
    assert deed.settings.start_hz < made.site.reject_hz(hung) < deed.settings.stop_hz
    enough = with_rejection(seen, Verdict.CANT_SAY, leak=1e-7)
    settled = {**sides, hung: replace(enough, hookup=HookUp("A", hung.value))}
    assert "survey" not in next_deed(facts(settled[hung], sides=settled)).do


def test_a_survey_that_runs_is_not_told_how_long_it_would_have_to_be(seen: Assessment) -> None:
    hookup = HookUp.parse("loads")
    survey = replace(seen, hookup=hookup, channels=(), goals=(), notch=None, cautions=(f"{TOO_SHORT} for 90 dB",))
    deed = next_deed(facts(survey, sides={Side.LOW: seen}, left_s=300.0))
    assert deed.do == "let the survey run" and TOO_SHORT not in deed.why


def test_a_goal_that_is_missed_leads_to_the_screws_by_way_of_as_found(seen: Assessment) -> None:
    missed = with_rejection(seen, Verdict.CANT_SAY, skirts_db=60.0)
    assert next_deed(facts(missed)).do == "sweep A>H too, before any screw"
    both = {Side.LOW: missed, Side.HIGH: missed}
    assert (next_deed(facts(missed, sides=both)).do, next_deed(facts(missed, sides=both)).key) == (
        "freeze as found",
        "g",
    )
    tuned = next_deed(facts(missed, sides=both, as_found=True))
    assert (tuned.do, tuned.key) == ("turn screws", "x") and "INFERRED 60.0" in tuned.why


def test_out_of_reach_of_the_screws_leads_to_the_report_once_somebody_looked(seen: Assessment) -> None:
    """All cavities stand together and the goal is missed: nobody is sent to the screws twice, and the other side is
    proved all the same."""
    missed = with_rejection(seen, Verdict.CANT_SAY, skirts_db=60.0)
    assert missed.notch is not None
    worn = replace(missed, notch=replace(missed.notch, centred_at=(inferred(60.4, 59.5, 61.3, "dB"),)))
    met = with_rejection(seen, Verdict.PASS)
    sides = {Side.LOW: worn, Side.HIGH: met}
    assert next_deed(facts(worn, sides=sides, as_found=True)).do == "turn screws"
    looked = {"as_found": True, "looked_at": frozenset({Side.LOW})}
    done = next_deed(facts(worn, sides=sides, **looked))
    assert done.do == REPORT.do and "no screw brings 90 dB" in done.why and "INFERRED 60.4" in done.why
    high = next_deed(facts(worn, sides={Side.LOW: worn, Side.HIGH: with_rejection(seen, Verdict.CANT_SAY)}, **looked))
    assert high.do == "leads on A>H"
    apart = replace(missed, notch=replace(missed.notch, centred_at=(inferred(80.0, 79.0, 81.0, "dB"),)))
    assert next_deed(facts(apart, sides={**sides, Side.LOW: apart}, **looked)).do == "turn screws"


def test_a_load_that_nobody_knows_is_measured_where_it_alone_stands_in_the_way(seen: Assessment) -> None:
    """At 92.4 dB a proof of 90 has no room with a load of 20 dB, and room with a good one."""
    near = with_rejection(seen, Verdict.CANT_SAY, leak=1e-6, skirts_db=92.4)
    deed = next_deed(facts(near))
    assert (deed.do, deed.key) == ("measure the third port's load: it on lead 1", "k") and "costs 0.9 dB" in deed.why
    known = tuple(
        replace(one, load=one.load and replace(one.load, return_loss_db=32.0, source=MEASURED)) for one in near.channels
    )
    assert next_deed(facts(replace(near, channels=known))).do == "prove the rejection"
    assert next_deed(facts(with_rejection(seen, Verdict.CANT_SAY, leak=1e-6, skirts_db=90.9))).key == "p"


def test_a_proof_that_did_not_show_the_goal_is_not_repeated_as_it_was(seen: Assessment) -> None:
    near = with_rejection(seen, Verdict.CANT_SAY)
    first = next_deed(facts(near))
    assert first.sweeps is not None
    later = next_deed(facts(near, tried={Side.LOW: Tried(4, 0)}))
    assert later.sweeps is not None and later.sweeps > 1.3 * first.sweeps  # less is left to spend
    again = next_deed(facts(near, tried={Side.LOW: Tried(1, 2 * first.sweeps)}))
    assert again.sweeps == 4 * first.sweeps
    enough = next_deed(facts(near, tried={Side.LOW: Tried(3, 1500)}))
    assert "1500 sweeps did not show 90 dB" in enough.why


def test_a_goal_in_reach_is_proved_and_its_length_is_said(seen: Assessment) -> None:
    near = with_rejection(seen, Verdict.CANT_SAY)
    deed = next_deed(facts(near))
    assert (deed.do, deed.key) == ("prove the rejection", "p") and deed.seconds is not None
    assert "zoom sweeps" in deed.why
    running = next_deed(facts(near, left_s=30.0))
    assert running.do == "let it sweep on" and running.seconds == 30.0


def test_a_proof_that_read_less_than_the_skirts_promised_leads_back_to_the_screws(seen: Assessment) -> None:
    near = with_rejection(seen, Verdict.CANT_SAY, skirts_db=95.0)
    assert near.notch is not None
    notch = replace(near.notch, centred_at=(inferred(96.0, 95.0, 97.0, "dB"),))

    def after(read_db: float) -> str:
        channels = tuple(
            replace(one, transmission=reading(read_db, read_db - 3.0, read_db + 3.0, "dB")) if one.leakage else one
            for one in near.channels
        )
        proved = replace(near, notch=notch, channels=channels)
        return next_deed(facts(proved, as_found=True, turned=True, looked_at=frozenset({Side.LOW}))).do

    assert after(88.0) == "turn screws" and after(92.0) != "turn screws"


def test_one_side_proved_leads_to_the_other_then_to_the_stages(seen: Assessment) -> None:
    met = with_rejection(seen, Verdict.PASS)
    assert next_deed(facts(met)).do == "leads on A>H, sweep wide"
    both = {Side.LOW: met, Side.HIGH: met}
    assert next_deed(facts(met, sides=both)).do == "freeze as found"
    assert next_deed(facts(met, sides=both, as_found=True)) == REPORT
    turned = next_deed(facts(met, sides=both, as_found=True, turned=True))
    assert turned.do == "freeze as left"
    lossy = replace(met, goals=tuple(replace(g, verdict=Verdict.FAIL) if g.name == "loss" else g for g in met.goals))
    deed = next_deed(facts(met, sides={Side.LOW: met, Side.HIGH: lossy}, as_found=True))
    assert deed.do == "plugs, harness, then pass tuning" and "loss of the high side" in deed.why


def test_without_a_notch_it_says_what_brings_one(seen: Assessment) -> None:
    assert seen.notch is not None
    blind = replace(seen.notch, trusted=False, why="no skirts above the floor in this span: sweep wider")
    now = replace(with_rejection(seen, Verdict.CANT_SAY), notch=blind, notch_offset=cant_say("Hz", blind.why))
    assert next_deed(facts(now)).words.startswith("sweep wide (w): no skirts")
    assert next_deed(facts(now, left_s=9.0)).do == "let it sweep on"


def test_a_side_that_was_shown_to_fail_is_not_reported_as_done(seen: Assessment) -> None:
    met, failed = with_rejection(seen, Verdict.PASS), with_rejection(seen, Verdict.FAIL)
    deed = next_deed(facts(met, sides={Side.LOW: met, Side.HIGH: failed}, as_found=True))
    assert (deed.do, deed.key) == ("leads on A>H, then screws", "k") and "high side" in deed.why


def test_a_band_pass_side_is_turned_by_its_resonators(seen: Assessment) -> None:
    missed = replace(with_rejection(seen, Verdict.FAIL), notch=None)
    deed = next_deed(facts(missed, site=replace(load(), kind="band-pass"), as_found=True))
    assert (deed.do, deed.key) == ("resonators, swept from port L", "x")
    good = with_rejection(seen, Verdict.PASS)
    short = replace(
        good,
        goals=tuple(replace(g, verdict=Verdict.PASS if g.name == "rejection" else Verdict.FAIL) for g in good.goals),
    )
    both = dict.fromkeys(Side, short)
    after = next_deed(facts(None, site=replace(load(), kind="band-pass"), as_found=True, sides=both))
    assert after.do.startswith("plugs, then resonators, swept from port L") and after.key == "x"


def test_a_proof_that_a_leak_ends_names_what_looks_past_it(seen: Assessment) -> None:
    """The leak found is far above the goal and leads were changed already: report, with both ways past the leak."""
    leaky = replace(with_rejection(seen, Verdict.CANT_SAY, leak=5e-5), leakage=5e-5)
    source = LeakSource("survey, run 2", True, 20)
    channels = tuple(replace(channel, leak_source=source) for channel in leaky.channels)
    sides = {side: replace(leaky, channels=channels) for side in Side}
    deed = next_deed(facts(sides[Side.LOW], sides=sides))
    assert "jumper test (k, jumper=half) or second witness (W)" in deed.why


def test_what_hangs_alone_on_the_leads_has_a_screen_of_its_own(seen: Assessment) -> None:
    for hookup, key in (("cavity", "X"), ("cavity-one", "X"), ("part", "m")):
        alone = replace(seen, hookup=HookUp.parse(hookup))
        assert next_deed(facts(alone, sides={})).key == key
