"""What is known of a visit, what is missing, what to do next: one answer for the live screen, the commands and the
report.

Owns: the order in which things are worth doing, and the words. Refuses: to measure, and to say "done" while a side was
not looked at.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from protocol.errors import RequestError
from protocol.sweep import SweepSettings
from rf.floor.ability import Ability
from rf.floor.third_port import COMMON_LOAD_DB
from rf.repeater.hookup_check import State
from rf.values.decibel import amplitude_db
from rf.values.figure import Kind
from rf.values.verdict import Verdict
from rf.values.words import text
from visit.calibration.doubts import WAS_OFF
from visit.day.day import FREEZE_STEP, REPORT_STEP
from visit.day.planner import LONGEST, UNTRIED, ProofPlan, Tried, leak_room, plan_proof, plan_survey
from visit.day.stages import AS_FOUND, AS_LEFT, stages
from visit.day.tuning import SPARED_DB, SPREAD_DB
from visit.figures.assessment import Assessment, GoalResult, Role
from visit.figures.leak_advice import PAST_IT, TOO_SHORT
from visit.figures.looks import NO_LOOKS, covers_both
from visit.figures.replay import Replay
from visit.figures.run_figures import RunFigures
from visit.figures.third_load import ASSUMED
from visit.record.instrument_card import ability_in
from visit.record.visit_file import RunRow, VisitFile
from visit.site.hookup import CAVITY, CAVITY_ONE, PART, PART_BACK, HookUp, Side
from visit.site.presets import BANDWIDTH_HZ, POINTS
from visit.site.site import BENCH_HOOKUPS, Site

TRUSTED = " trusted against its looks"
"""What stands in the log when somebody has gone and seen how the leads hang."""
AS_DECLARED = "it hangs as declared"
CHECKING_S, CHECK_FAILED = 60.0, "last check failed"
CALIBRATING_S = 300.0
"""Short, open, load, thru and proof with a practised hand."""
LOAD_S = 60.0
GOOD_LOAD_DB = 30.0
"""Return loss of a load that is in order: what one that is measured may be hoped to have."""
USUAL_SWEEP_S = 0.5
VAGUE_DB, MANY = 4.0, 200
"""A rejection inferred within more than this plans nothing; more sweeps than this do not sharpen it."""


@dataclass(frozen=True, slots=True)
class Facts:
    """`now` what the run in hand shows (None: nothing yet), `left_s` seconds to its planned end (None: it does not run
    or has no end); `sides` the best evidence of each side that was measured; which stages are frozen; `turned`: a screw
    was turned since as found; `sweep_s` and `bandwidth_hz` of the newest run over both channels."""

    site: Site
    now: Assessment | None = None
    left_s: float | None = None
    sides: Mapping[Side, Assessment] = field(default_factory=dict)
    as_found: bool = False
    as_left: bool = False
    turned: bool = False
    looked_at: frozenset[Side] = frozenset()
    """Sides whose cavities were looked at on the tuning screen since as found."""
    sweep_s: float = USUAL_SWEEP_S
    bandwidth_hz: float = BANDWIDTH_HZ
    points: int = POINTS
    """Of the sweep that takes `sweep_s`."""
    ability: Ability | None = None
    """Of the analyzer, by its card or its profile."""
    tried: Mapping[Side, Tried] = field(default_factory=dict)
    """What was tried already to prove the rejection of each side."""
    unchecked: bool = False
    """Sweeps of the duplexer rest on a calibration of ours that was not read back since."""
    trusted: frozenset[str] = frozenset()
    """Hook-ups of which somebody said that they are as declared, whatever they look like."""


@dataclass(frozen=True, slots=True)
class NextDeed:
    """`do` in a few words, `key` of the live screen that does it ("" for none), `why`, and how long it takes. The key
    brings `settings` (None: those of its own) and so many `sweeps` (None: the usual); `step` of the day that does it.
    """

    do: str
    why: str
    key: str = ""
    seconds: float | None = None
    settings: SweepSettings | None = None
    sweeps: int | None = None
    step: int | None = None

    @property
    def words(self) -> str:
        """All of it in one sentence."""
        more = ", ".join(part for part in (self.key, _clock(self.seconds)) if part)
        do, sep, unless = self.do.partition(f"; y if {AS_DECLARED}")
        return f"{do}{f' ({more})' if more else ''}{sep}{unless}: {self.why}"

    def data(self) -> dict[str, str | float | None]:
        """The documented JSON form."""
        return {"do": self.do, "key": self.key, "why": self.why, "seconds": self.seconds}


def _clock(seconds: float | None) -> str:
    if seconds is None:
        return ""
    return f"{seconds:.0f} s" if seconds < 90.0 else f"{seconds / 60.0:.0f} min"


REPORT = NextDeed("write the report", "both sides are measured and every goal is met", "g", step=REPORT_STEP)


def next_deed(facts: Facts) -> NextDeed:
    """The next sensible deed. Pure."""
    now = facts.now
    if (now is None or now.hookup.part) and facts.site.kind in BENCH_HOOKUPS:
        return NextDeed("sweep it and turn its screws on its own page", f"{facts.site.kind}: no third port", "x")
    if now is None:
        return _side(Side.LOW) if not facts.sides else _overall(facts)
    if now.check.state is State.WRONG:
        return NextDeed(now.check.cure, now.check.short, "k")
    if now.check.state is State.NOTE and now.check.asks and now.hookup.text not in facts.trusted:
        return NextDeed(f"{now.check.cure}; y if {AS_DECLARED}", now.check.short, "space")
    failed = next((doubt for doubt in now.doubts if doubt.startswith(CHECK_FAILED)), "")
    if failed and not now.hookup.survey:
        return NextDeed("calibrate anew", f"{failed}: what was measured since the last good one is in doubt", "c",
                        CALIBRATING_S)  # fmt: skip
    off = next((doubt for doubt in (*now.doubts, *now.cautions) if doubt.startswith(WAS_OFF)), "")
    if off and not now.hookup.alone:
        return NextDeed("read the thru again", off, "v", CHECKING_S)
    if any("uncorrected" in caution for caution in now.cautions):
        return NextDeed("calibrate", "no level can be told before it", "c", CALIBRATING_S)
    if now.too_busy:
        return NextDeed("wait for a quieter minute, or sweep closer (e)", "over a quarter of the sweeps was hit")
    if now.hookup.survey:
        return _after_survey(facts, now)
    if now.hookup.name in (CAVITY, CAVITY_ONE):
        return NextDeed("the cavity's screen: f0, Q, loops, what to turn", "a single cavity hangs on the leads", "X")
    if now.hookup.name in (PART, PART_BACK):
        return NextDeed("the chain's screen (m, then c): keep it there", "a further part hangs on the leads", "m")
    hidden = next((one.transmission for one in now.channels if one.transmission.limited_by == "ingress"), None)
    if hidden is not None and not hidden.known:
        return NextDeed("wait until it is off, then sweep anew", hidden.why, "space")
    plugs = _plugs_first(facts, now)
    if plugs is not None:
        return plugs
    side = now.hookup.side
    if side is not None and not now.hookup.alone:
        own = _of_side(facts, side, now)
        if own is not None:
            return own
    return _overall(facts)


def _plugs_first(facts: Facts, now: Assessment) -> NextDeed | None:
    """A pass that is missed is a plug or a lead more often than a duplexer, and changing one costs a minute; the
    rejection read through it is none either."""
    missed = next((goal for goal in now.goals if goal.name != "rejection" and goal.met is False), None)
    if missed is None or now.hookup.text in facts.trusted or now.check.state is State.UNSEEN:
        return None
    why = f"{missed.name} {text(missed.figure)}, goal {missed.goal_db:g}: most often a lead"
    return NextDeed(f"plugs and leads first, lead 2 changed, then anew; y if {AS_DECLARED}", why, "space")


def _after_survey(facts: Facts, now: Assessment) -> NextDeed:
    """A survey lasts until it is long enough; then the duplexer goes back on."""
    if now.survey is None or facts.left_s:
        said = [caution for caution in now.cautions if not caution.startswith(TOO_SHORT)]  # it is not at its end yet
        why = said[0] if said else "the leak is told from all of its sweeps"
        return NextDeed("let the survey run", why, seconds=facts.left_s)
    more = _survey(facts)
    if more is not None:
        return more
    if now.cautions and not facts.sides:
        return NextDeed("survey on", now.cautions[0], "n")
    side = next((side for side in Side if side not in facts.sides), None)
    side = side or next((side for side in Side if _unshown(facts, side)), Side.LOW)
    return NextDeed(f"leads on the duplexer, A>{side.value}", "the survey is complete", "k")


def _unshown(facts: Facts, side: Side) -> bool:
    """Whether a side still waits for its proof."""
    rejection = _goal(facts.sides[side], "rejection")
    return rejection is not None and rejection.verdict is not Verdict.PASS and not _no_screw(facts, side)


def _survey(facts: Facts, *, anew: bool = False, own: Side | None = None) -> NextDeed | None:
    """The survey that the sides measured so far still lack, that of the side on the leads first; None when they lack
    none. `anew`: with other leads; `own`: only what this side waits for."""
    if not facts.sides:
        return None
    hung = own or (None if facts.now is None else facts.now.hookup.side)
    seen = [facts.sides[side] for side in sorted(facts.sides, key=lambda side: side is not hung)]
    plan = plan_survey(facts.site, seen, facts.bandwidth_hz, facts.sweep_s / facts.points, anew=anew)
    if plan is None or (own is not None and own not in plan.sides):
        return None
    again = all(room is not None and room.limit is not None for room in (leak_room(facts.site, one) for one in seen))
    do = f"survey {'longer' if again else 'first'}: both leads on loads"
    return NextDeed(do, plan.why, "k", plan.seconds, plan.settings, plan.sweeps)


def _of_side(facts: Facts, side: Side, now: Assessment) -> NextDeed | None:
    """What the side on the leads still needs; None when it needs nothing."""
    best = facts.sides.get(side, now)
    notch = now.notch if now.notch is not None and now.notch.trusted else best.notch
    if notch is not None and not notch.trusted and facts.site.kind != "band-pass":
        if facts.left_s:
            return NextDeed("let it sweep on", f"no notch yet: {notch.why}", seconds=facts.left_s)
        read = _goal(best, "rejection")
        if read is not None and read.verdict is Verdict.FAIL:  # so far off that no fit stands: its dips lead
            return _missed(facts, side, text(read.figure))
        if "sweep wider" in notch.why or "only one skirt" in notch.why or "reach over" in notch.why:
            return NextDeed("sweep wide", notch.why, "w")
        return NextDeed("average longer", f"no notch yet: {notch.why}", "n")
    rejection = _goal(best, "rejection")
    if rejection is None or rejection.verdict is Verdict.PASS or (not facts.left_s and _far_as_it_goes(facts, best)):
        return None
    at = notch.rejection_at[0] if notch is not None and notch.trusted and notch.rejection_at else None
    goal = facts.site.goals.rejection_db
    missed = rejection.verdict is Verdict.FAIL or (at is not None and at.known and at.high < goal)
    if missed and _no_screw(facts, side):
        return None
    if missed:
        return _missed(facts, side, text(at) if at is not None and at.known else text(rejection.figure))
    worse = _missed_elsewhere(facts, side)
    if worse is not None:
        return worse
    reject = best.channel(Role.REJECT)
    unsurveyed = reject is not None and reject.leakage is None
    if unsurveyed and not facts.left_s and facts.site.kind != "band-pass":
        other = next((other for other in Side if other not in facts.sides and other is not side), None)
        if other is not None:
            return NextDeed(f"leads on A>{other.value}, sweep wide", "one survey then serves both sides", "k")
    if unsurveyed:
        longer = _survey(facts)
        return longer or NextDeed("survey: both leads on loads", "the rejection is not shown to be met without it", "k")
    if facts.left_s:
        return NextDeed("let it sweep on", f"rejection {text(rejection.figure)} so far, goal {goal:g}",
                        seconds=facts.left_s)  # fmt: skip
    if facts.turned and facts.as_found and _read_short(best, goal):
        return _missed(facts, side, f"read as {text(rejection.figure)}, less than the skirts promised")
    return _proof(facts, best, now)


def _missed(facts: Facts, side: Side, said: str) -> NextDeed:
    """The goal is missed: first as found is kept, then screws are turned."""
    why = f"rejection of the {side.word} side {said}, goal {facts.site.goals.rejection_db:g}"
    if facts.as_found and facts.now is not None and facts.now.hookup.side is not side:
        return NextDeed(f"leads on A>{side.value}, then screws", why, "k")
    if facts.as_found and facts.site.kind == "band-pass":
        return NextDeed(f"resonators, swept from port {side.value}", why, "x")
    if facts.as_found:
        return NextDeed("turn screws", why, "x")
    other = next((other for other in Side if other not in facts.sides and other is not side), None)
    if other is not None:
        return NextDeed(f"sweep A>{other.value} too, before any screw", f"{why}; as found holds both sides", "k")
    return NextDeed("freeze as found", f"{why}; no screw before it", "g", step=FREEZE_STEP)


def _read_short(seen: Assessment, goal_db: float) -> bool:
    """Whether a proof read less than the goal where all cavities on the channel give clearly more: a screw is worth
    more than a longer proof then."""
    reject, notch = seen.channel(Role.REJECT), seen.notch
    if reject is None or notch is None or not (notch.trusted and notch.centred_at and notch.centred_at[0].known):
        return False
    read = reject.transmission
    short = read.kind is Kind.READING and read.value < goal_db
    return short and notch.centred_at[0].value - read.value > SPARED_DB


def _missed_elsewhere(facts: Facts, side: Side | None) -> NextDeed | None:
    """What a miss of another side than this one asks for, before anything is proved; by what the skirts say, too."""
    for other, seen in facts.sides.items():
        rejection = _goal(seen, "rejection")
        if other is side or rejection is None or rejection.verdict is Verdict.PASS or _no_screw(facts, other):
            continue
        at = seen.notch.rejection_at[0] if seen.notch is not None and seen.notch.trusted else None
        by_skirts = at is not None and at.known and at.high < facts.site.goals.rejection_db
        if rejection.verdict is Verdict.FAIL or by_skirts:
            return _missed(facts, other, text(at) if at is not None and by_skirts else text(rejection.figure))
    return None


def _no_screw(facts: Facts, side: Side) -> str:
    """Why no screw of a side brings its rejection; "" while one may, or while nobody has looked at its cavities."""
    seen, goal_db = facts.sides.get(side), facts.site.goals.rejection_db
    if side not in facts.looked_at or seen is None or seen.notch is None or not seen.notch.trusted:
        return ""
    if not (seen.notch.centred_at and seen.notch.rejection_at):
        return ""
    centred, at = seen.notch.centred_at[0], seen.notch.rejection_at[0]
    if not (centred.known and at.known) or centred.high >= goal_db or centred.value - at.value > SPREAD_DB:
        return ""
    return f"all cavities of the {side.word} side centred give {text(centred)}: no screw brings {goal_db:g} dB"


def _proof(facts: Facts, best: Assessment, now: Assessment) -> NextDeed:
    """The proof with its length, what must come before it, or why it can't be planned."""
    room, longer = leak_room(facts.site, best), _survey(facts, own=best.hookup.side)
    if longer is not None:
        return longer
    if room is not None and room.leaks:
        level = f"{amplitude_db(room.limit or 1.0):.0f} dB"
        goal = f"{facts.site.goals.rejection_db:g} dB"
        why = f"a leak of {level} was found: it keeps {goal} from being shown; or {PAST_IT}"
        deed = _survey(facts, anew=True) or NextDeed("", "", "k")
        return replace(deed, do="better leads, then survey anew: both leads on loads", why=why)
    for seen in (now, best):
        try:
            plan = _plan(facts, seen)
        except RequestError:
            continue
        at = best.notch.rejection_at[0] if best.notch is not None and best.notch.rejection_at else None
        vague = at is not None and at.known and at.high - at.low > VAGUE_DB
        if at is not None and vague and not plan.proves and now.channel(Role.PASS) is not None and now.sweeps < MANY:
            return NextDeed("average longer", f"skirts {text(at)}: too vague to plan a proof by", "n")
        load = _load_first(facts, seen)
        if load is not None:
            return load
        return NextDeed("prove the rejection", plan.says, "p", plan.seconds, plan.settings, plan.sweeps)
    return NextDeed("sweep wide", "a proof is planned from a wide sweep whose notch is known", "w")


def _load_first(facts: Facts, seen: Assessment) -> NextDeed | None:
    """Measuring the load on the third port, where a load of which nobody knows more than common practice is what keeps
    the proof from having a chance, and a good one would not."""
    loads = [channel.load for channel in seen.channels if channel.load is not None and channel.load.source == ASSUMED]
    if not loads or _plan(facts, seen).proves:
        return None
    channels = tuple(
        replace(one, load=None if one.load is None else replace(one.load, return_loss_db=GOOD_LOAD_DB))
        for one in seen.channels
    )
    hoped = _plan(facts, replace(seen, channels=channels))
    if not hoped.proves or hoped.sweeps > LONGEST:
        return None
    costs_db = max(load.limit_db for load in loads)
    why = (
        f"taken for {COMMON_LOAD_DB:g} dB as long as nobody knows it, it costs {costs_db:.1f} dB, which a proof of"
        f" {facts.site.goals.rejection_db:g} dB needs"
    )
    return NextDeed("measure the third port's load: it on lead 1", why, "k", LOAD_S)


def _plan(facts: Facts, seen: Assessment) -> ProofPlan:
    """The proof of the side that was `seen`. Raises RequestError."""
    side = seen.hookup.side
    tried = UNTRIED if side is None else facts.tried.get(side, UNTRIED)
    each_s = facts.sweep_s / facts.points
    return plan_proof(facts.site, seen, facts.bandwidth_hz, each_s, tried=tried, ability=facts.ability)


def _overall(facts: Facts) -> NextDeed:
    """Nothing is left to do for the side on the leads: the other one, then the stages, then the report."""
    for side in Side:
        if side not in facts.sides:
            return _side(side)
    beyond = {side: why for side in facts.sides if (why := _no_screw(facts, side))}
    worse = _missed_elsewhere(facts, None)
    if worse is not None:
        return worse
    for side, seen in facts.sides.items():
        rejection = _goal(seen, "rejection")
        if side in beyond:
            continue
        if rejection is not None and rejection.verdict is not Verdict.PASS and not _far_as_it_goes(facts, seen):
            why = f"rejection of the {side.word} side {text(rejection.figure)}: not shown yet"
            return NextDeed(f"leads on A>{side.value}", why, "k")
    if facts.unchecked and not (facts.as_found and facts.as_left):
        return NextDeed("read the thru again", "the closing check: does the calibration still hold?", "v", CHECKING_S)
    if not facts.as_found:
        return NextDeed("freeze as found", "both sides are measured", "g", step=FREEZE_STEP)
    missed = [
        (side, goal)
        for side, seen in facts.sides.items()
        for goal in seen.goals
        if goal.met is False and not (side in beyond and goal.name == "rejection")
    ]
    if missed:
        side, goal = missed[0]
        why = f"{goal.name} of the {side.word} side {text(goal.figure)}, goal {goal.goal_db:g}"
        if facts.site.kind == "band-pass":
            return NextDeed(f"plugs, then resonators, swept from port {side.value}", why, "x")
        return NextDeed("plugs, harness, then pass tuning", why)
    if facts.turned and not facts.as_left:
        return NextDeed("freeze as left", "screws were turned since as found", "g", step=REPORT_STEP)
    for why in beyond.values():
        return replace(REPORT, why=f"{why}; cables, loads or a cavity limit it")
    for side, seen in facts.sides.items():
        rejection = _goal(seen, "rejection")
        if rejection is not None and rejection.verdict is not Verdict.PASS:
            shown = f"{text(rejection.figure)}, {rejection.words}"
            if rejection.figure.limited_by == "leakage":
                return replace(REPORT, why=f"{side.word} side {shown}: a leak ends it; {PAST_IT}")
            return replace(REPORT, why=f"rejection of the {side.word} side: {shown}; no longer proof is worth its time")
    return REPORT


def _far_as_it_goes(facts: Facts, seen: Assessment) -> bool:
    """Whether a proof that can't be expected to show the goal was made in its length: no longer one is planned."""
    reject = seen.channel(Role.REJECT)
    if reject is None or reject.proof is None:
        return False
    try:
        plan = _plan(facts, seen)
        if _load_first(facts, seen) is not None:
            return False
    except RequestError:
        return False
    return not plan.proves and seen.sweeps >= plan.sweeps and _survey(facts, own=seen.hookup.side) is None


def _side(side: Side) -> NextDeed:
    return NextDeed(f"leads on A>{side.value}, sweep wide", f"the {side.word} side was not measured yet", "k")


def _goal(seen: Assessment, name: str) -> GoalResult | None:
    return next((goal for goal in seen.goals if goal.name == name), None)


def facts_of(
    visit: VisitFile,
    figures: RunFigures,
    now: Assessment | None = None,
    left_s: float | None = None,
    sweep_s: float | None = None,
) -> Facts:
    """The facts of a visit by its file; `now` is what the run in hand shows. Raises RecordError."""
    frozen = stages(visit)
    replay = Replay(visit, figures=figures)
    sides, tried = {}, {}
    for side in Side:
        hookup = HookUp("A", side.value)
        found = replay.figures(hookup)
        if found is not None:
            sides[side] = found.assessment
            zoomed = max((found.sweeps[run_id] for run_id in found.run_ids[1:]), default=0)
            filtered = [found.sweeps[run.id] * run.settings.points / run.settings.bandwidth_hz
                        for run in figures.runs if run.id in found.run_ids[1:]]  # fmt: skip
            tried[side] = Tried(figures.zooms_spent(hookup), zoomed, max(filtered, default=0.0))
    since = max((stage.at_s for stage in frozen if stage.name == AS_FOUND), default=None)
    rows = visit.rows("select count(*) from nudge where at_s > ?", (since,)) if since is not None else [(0,)]
    run, wide = _newest(figures)
    ability, pace_s, points = ability_in(visit), sweep_s or USUAL_SWEEP_S, POINTS
    if run is not None and sweep_s:
        points = run.settings.points
    if run is not None and wide is not None and ability is not None:
        at = run.settings
        ability = ability.with_pace(at.points, at.bandwidth_hz, sweep_s) if sweep_s else ability
        points, pace_s = wide.settings.points, ability.sweep_s(wide.settings.points, wide.settings.bandwidth_hz)
    return Facts(
        site=figures.site,
        now=now,
        left_s=left_s,
        sides=sides,
        tried=tried,
        as_found=since is not None,
        as_left=any(stage.name == AS_LEFT for stage in frozen),
        turned=bool(rows[0][0]),
        looked_at=frozenset(
            run.hookup.side
            for run in figures.runs
            if since is not None and run.purpose == NO_LOOKS and run.started_s > since and run.hookup.side is not None
        ),
        sweep_s=pace_s,
        unchecked=_unchecked(visit, figures),
        trusted=frozenset(
            str(words).removesuffix(TRUSTED)
            for (words,) in visit.rows("select words from remark where kind = 'hook-up'")
            if str(words).endswith(TRUSTED)
        ),
        bandwidth_hz=wide.settings.bandwidth_hz if wide is not None else BANDWIDTH_HZ,
        points=points,
        ability=ability,
    )


def _newest(figures: RunFigures) -> tuple[RunRow | None, RunRow | None]:
    """The newest run, and the newest that covers both channels (the newest again where none does): a proof's bandwidth
    is its own, and no other sweep's."""
    newest = figures.runs[-1] if figures.runs else None
    wides = [run for run in figures.runs if covers_both(run, figures.site)]
    return newest, wides[-1] if wides else newest


def _unchecked(visit: VisitFile, figures: RunFigures) -> bool:
    """Whether the duplexer was swept through the newest calibration since it, or a known part, was last read back."""
    if not figures.calibrations:
        return False
    newest = max(figures.calibrations)
    ((checked,),) = visit.rows("select max(run_id) from known_part where calibration_id = ?", (newest,))
    swept = [run.id for run in figures.runs if run.calibration_id == newest and run.hookup.side is not None]
    # The run that begins by itself after a check is as good as the check.
    return bool(swept) and max(swept) > int(str(checked or 0)) + 1
