"""The proof run: zoom, points and sweeps from what the wide run told, how long it will take, what will stop it.

Owns: the plan and its forecast in words. Refuses: to promise; it says what has a chance of 90 %.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from protocol.errors import RequestError
from protocol.sweep import SweepSettings
from rf.floor.ability import Ability
from rf.floor.forecast import floor_needed_db
from rf.floor.leakage import LEAK_HALF_HZ, leak_points, survey_sweeps
from rf.floor.pool import HIGHEST_Q, planned_bias_db
from rf.floor.proof import Limits
from rf.floor.sequential import ERROR, spent_at
from rf.floor.settling import settling_time_s
from rf.floor.soonest import Setting, soonest, taken
from rf.notch.notch import NotchPlace
from rf.values.decibel import amplitude, amplitude_db
from rf.values.figure import Figure, Kind
from rf.values.words import text
from visit.figures.assessment import Assessment, Role
from visit.figures.leak_advice import APART, survey_advice
from visit.figures.looks import WIDE_PART
from visit.record.instrument_card import USUAL_OVERHEAD_S
from visit.site.hookup import Side
from visit.site.presets import wide as wide_sweep
from visit.site.presets import zoom
from visit.site.site import Site

LONGEST = 2000
"""More sweeps than this are not planned: leads and temperature move meanwhile."""
LEAST_ROOM = 0.35
"""Share of what the goal allows that is kept for the leak where the unit is hardly better than its goal."""
LEAST_READ = 0.1
"""The same where what the unit lets through was read already, and not only inferred."""
TAKEN = 0.6
"""Share of its room that the leak's limit may take: a proof is then about six times as long as without."""
FILLED = 3.0
"""A limit so many times the room is the leak's own where one was found; a smaller one is still mostly noise."""
DEARER = 1.8
"""So many times the sweeps of a survey whose noise happens to be nothing: noise reads as some leak, and leads move."""
ROOMY_DB = 10.0
"""A survey before the fine turns goes so much deeper than the goal: around one channel that costs two minutes."""
LEAST_STEP_HZ = 10.0
"""Steps of the synthesisers of small analyzers (common practice)."""
AGAIN = 2
"""So many times the sweeps of a proof that was expected to show the goal and did not."""
WORTH, MOVING_S = 1.5, 30.0
"""A wide survey may last so many times as long as zooms, and so much longer: nobody has to wait for the second one."""


@dataclass(frozen=True, slots=True)
class ProofPlan:
    """`settings` and `sweeps` of the run; `seconds` it takes; `limited_by` what will stop it; `says` all of it."""

    settings: SweepSettings
    sweeps: int
    seconds: float
    limited_by: str
    says: str
    proves: bool = False
    """Whether it has the chance that it says."""


@dataclass(frozen=True, slots=True)
class SurveyPlan:
    """A survey on loads that leaves room for the proofs: `settings` None is the wide sweep over both channels; `sides`
    that it is for."""

    settings: SweepSettings | None
    sweeps: int
    seconds: float
    why: str
    sides: tuple[Side, ...] = ()


@dataclass(frozen=True, slots=True)
class Tried:
    """What was tried already at a goal: `runs` zooms that were looked at, and the `sweeps` of one that stands now and
    did not show it, with the seconds that its filter gathered (0: as a plain zoom's)."""

    runs: int = 0
    sweeps: int = 0
    filtered_s: float = 0.0


UNTRIED = Tried()


def plan_proof(
    site: Site,
    wide: Assessment,
    bandwidth_hz: float,
    seconds_per_point: float,
    *,
    port2_return_loss_db: float = 20.0,
    tried: Tried = UNTRIED,
    ability: Ability | None = None,
) -> ProofPlan:
    """Plan the proof of the rejection goal after a fitted wide run. `seconds_per_point` from the sweeps so far. Each
    zoom that was `tried` leaves the next one less to spend, and one that did not show the goal is not repeated as it
    was: it told less than was hoped.

    The goal is set higher by what averaging does not lower (mismatch, load, fit) and by the surveyed leak. With the
    analyzer's `ability` bandwidth and points are those that reach the proof soonest. Raises RequestError when the wide
    run does not tell the width.
    """
    side, notch = wide.hookup.side, wide.notch
    if side is None or notch is None or not notch.trusted or not notch.rejection_at[0].known:
        why = "this hook-up has no notch of its own" if notch is None else notch.why or "the skirts do not tell"
        raise RequestError(f"a proof needs a fitted wide sweep first (w): {why}")
    if not wide.floor_now.known:
        raise RequestError("a proof needs the floor first: take a few sweeps more")
    settings = zoom(site.reject_hz(side), notch.bottom_width_hz, bandwidth_hz)
    goal = site.goals.rejection_db
    systematic = proof_spares_db(wide, notch, port2_return_loss_db)
    room = amplitude(-(goal + systematic)) - (wide.leakage or 0.0)
    able = _able(ability, wide, bandwidth_hz, seconds_per_point)
    per_sweep = able.sweep_s(settings.points, bandwidth_hz)
    truth, expected = _expected(wide, notch)
    if room <= 0.0:
        return ProofPlan(settings, 25, 25 * per_sweep, "leakage", _leak_in_the_way(wide, settings, goal, systematic))
    q = notch.unloaded_q.value if notch.unloaded_q.known else HIGHEST_Q
    found = proof_settings(able, settings, truth.value, -amplitude_db(room), unloaded_q=q, run=tried.runs + 1)
    if found is None:
        spare = truth.value - goal
        said = f"{expected}, {spare:+.1f} dB against {goal:g}"
        says = f"{said}: too close to prove in {LONGEST} sweeps; expect a verdict on condition"
        if truth.high < goal:
            says = f"{said}: the goal is missed, and no average shows it; turn screws first (x)"
        return ProofPlan(settings, 400, 400 * per_sweep, "the unit itself" if spare <= systematic else "random", says)
    chosen, usual = _beyond(able, found[0], settings, tried), found[1]
    if tried.sweeps and filtered_s(chosen) > LONGEST * settings.points / settings.bandwidth_hz:
        says = f"{expected}: {tried.sweeps} sweeps did not show {goal:g} dB; as good as can be had is on condition"
        return ProofPlan(settings, 400, 400 * per_sweep, "random", says)
    settings = replace(settings, points=chosen.points, bandwidth_hz=chosen.bandwidth_hz)
    limited = "leakage" if (wide.leakage or 0.0) > amplitude(-(goal + systematic)) / 2.0 else "random"
    says = f"{expected}: {_takes(chosen, usual, goal, limited)}"
    if wide.leakage is None:
        power = able.power(chosen.bandwidth_hz)
        asked = survey_advice(goal, power, settings.frequency_hz(), systematic).sweeps
        says = f"first a survey of {asked} sweeps like these (k, leads on loads), then {says}"
    return ProofPlan(settings, chosen.sweeps, chosen.seconds, limited, says, proves=True)


def _takes(chosen: Setting, usual: Setting, goal_db: float, limited: str) -> str:
    """What a proof takes, and the usual setting beside it where it is another one."""
    says = (
        f"{chosen.sweeps} zoom sweeps = {time_words(chosen.seconds)} at {chosen.seconds / chosen.sweeps:.2f} s each"
        f" should show {goal_db:g} dB (90 % chance); limited by {limited}"
    )
    if chosen == usual:
        return says
    return (
        f"{says}; {chosen.points} points at {chosen.bandwidth_hz:g} Hz, for {usual.points} at {usual.bandwidth_hz:g} Hz"
        f" take {time_words(usual.seconds)}"
    )


def proof_settings(
    able: Ability, settings: SweepSettings, truth_db: float, aimed_db: float, *, unloaded_q: float, run: int = 1
) -> tuple[Setting, Setting] | None:
    """The setting that shows `aimed_db` of a unit that holds back `truth_db` soonest in the run-th zoom, and the usual
    one of `settings`; None where the usual one would not show it in `LONGEST` sweeps and no other in that time."""
    needed = floor_needed_db(truth_db, aimed_db)
    if not math.isfinite(needed):
        return None
    count = functools.partial(zooms_for, run=run)
    usual = taken(able, needed, settings.points, settings.bandwidth_hz, count)
    centre = (settings.start_hz + settings.stop_hz) / 2.0
    settled = settling_time_s(unloaded_q, centre, aimed_db)
    best = soonest(able, needed, usual, dwell_s=settled, count=count, points=zoom_points(able, settings))
    longest_s = LONGEST * able.sweep_s(settings.points, settings.bandwidth_hz)
    return (best, usual) if best.seconds <= longest_s and best.sweeps <= LONGEST else None


def zoom_points(able: Ability, settings: SweepSettings) -> list[int]:
    """Points that a zoom may have: no two nearer than analyzers of this class tell frequencies apart."""
    span = settings.stop_hz - settings.start_hz
    return [points for points in able.points if points < 2 or span / (points - 1) >= LEAST_STEP_HZ]


def _beyond(able: Ability, chosen: Setting, plain: SweepSettings, tried: Tried) -> Setting:
    """The setting with more sweeps than what was tried and did not show the goal, by what the filter gathers."""
    before_s = tried.filtered_s or tried.sweeps * plain.points / plain.bandwidth_hz
    if filtered_s(chosen) > before_s:
        return chosen
    sweeps = math.ceil(AGAIN * before_s * chosen.bandwidth_hz / chosen.points)
    return replace(chosen, sweeps=sweeps, seconds=sweeps * able.sweep_s(chosen.points, chosen.bandwidth_hz))


def filtered_s(setting: Setting) -> float:
    """Seconds that the filter gathers: runs at any settings with as many leave the same noise."""
    return setting.sweeps * setting.points / setting.bandwidth_hz


def zooms_for(plain: float, run: int = 1) -> int:
    """Whole sweeps of the run-th zoom whose last look shows what `plain` many show by a plain 95 % bound."""
    count = max(math.ceil(plain - 1e-9), 1)
    while count <= 2 * LONGEST and count < plain * _dearer(count, run):
        count += max(count // 32, 1)
    return count


def _able(ability: Ability | None, wide: Assessment, bandwidth_hz: float, seconds_per_point: float) -> Ability:
    """The analyzer as the sweeps showed it; nothing to choose from where its settings are not known."""
    if ability is None:
        settling = max(seconds_per_point - 1.0 / bandwidth_hz, 0.0)
        factor = (seconds_per_point - settling) * bandwidth_hz
        ability = Ability(((bandwidth_hz, 0.0),), settling, factor, USUAL_OVERHEAD_S, (), ())
    return ability.with_floor(wide.bandwidth_hz or bandwidth_hz, wide.floor_now.value)


def _power(seen: Assessment, bandwidth_hz: float) -> float:
    """E|n|^2 of a point of one sweep at a bandwidth, by the floor that was seen at another (10 dB a decade)."""
    return float(10.0 ** (seen.floor_now.value / 10.0)) * bandwidth_hz / (seen.bandwidth_hz or bandwidth_hz)


def _expected(seen: Assessment, notch: NotchPlace) -> tuple[Figure, str]:
    """What the unit holds back, and in words where that is from: read through the floor already, else by the skirts."""
    reject = seen.channel(Role.REJECT)
    if reject is not None and reject.transmission.kind is Kind.READING:
        return reject.transmission, f"read so far {text(reject.transmission)}"
    return notch.rejection_at[0], f"skirts {text(notch.rejection_at[0])}"


def proof_spares_db(wide: Assessment, notch: NotchPlace, port2_return_loss_db: float = 20.0) -> float:
    """By how much a proof stays below what noise allows: mismatch, load, shape, which averaging does not lower."""
    load_db = max((channel.load.limit_db for channel in wide.channels if channel.load is not None), default=0.0)
    limits = Limits(None, port2_return_loss_db, third_port_db=load_db)
    return limits.systematic_db + planned_bias_db(notch.bottom())


@dataclass(frozen=True, slots=True)
class LeakRoom:
    """What the leak may take of a side's proof: `room` as an amplitude re thru, `limit` what it may be by the surveys
    (None: not surveyed), `found` whether a leak stood out, `sweeps` of the survey that told."""

    room: float
    limit: float | None
    found: bool
    sweeps: int

    @property
    def enough(self) -> bool:
        """Whether the surveys leave room for a proof of fair length."""
        return self.limit is not None and self.limit <= TAKEN * self.room

    @property
    def leaks(self) -> bool:
        """Whether a leak that was found fills the room by itself, so that no longer survey helps."""
        return self.found and self.limit is not None and self.limit > FILLED * self.room


def leak_room(site: Site, wide: Assessment, *, port2_return_loss_db: float = 20.0) -> LeakRoom | None:
    """Between what the unit lets through by its skirts and what the goal allows, less all that averaging does not
    lower; None where the skirts do not tell, or say that the goal is missed."""
    side, notch = wide.hookup.side, wide.notch
    if side is None or notch is None or not notch.trusted or not notch.rejection_at[0].known:
        return None
    if notch.rejection_at[0].high < site.goals.rejection_db:
        return None
    allowed = amplitude(-(site.goals.rejection_db + proof_spares_db(wide, notch, port2_return_loss_db)))
    truth = _expected(wide, notch)[0]
    least = LEAST_ROOM if truth.kind is Kind.INFERRED else LEAST_READ
    room = max(allowed - amplitude(-truth.value), least * allowed)
    reject = wide.channel(Role.REJECT)
    limit, source = (None, None) if reject is None else (reject.leakage, reject.leak_source)
    if source is not None and source.doubt:
        limit, source = None, None  # as good as none
    return LeakRoom(room, limit, source is not None and source.found, 0 if source is None else source.sweeps)


def plan_survey(
    site: Site, sides: Sequence[Assessment], bandwidth_hz: float, seconds_per_point: float, *, anew: bool = False
) -> SurveyPlan | None:
    """The survey that the proofs of these sides still lack; None when they lack none, or when a leak was found that no
    survey takes away. Wide where that is not much longer than a zoom for each: the leads are moved once; a zoom is for
    the first of them. `anew`: the leads are others now, and nothing that was surveyed before counts."""
    lacking: list[tuple[Side, Assessment, LeakRoom, SweepSettings]] = []
    for seen in sides:
        room, side = leak_room(site, seen), seen.hookup.side
        if room is None or side is None or not seen.floor_now.known:
            continue
        room = replace(room, limit=None, found=False, sweeps=0) if anew else room
        if room.enough or room.leaks:
            continue
        plan = plan_proof(site, seen, bandwidth_hz, seconds_per_point)
        if room.limit is not None and plan.proves and plan.sweeps <= LONGEST / 2:
            continue  # hardly less time is had by moving the leads again
        assert seen.notch is not None  # else there was no room
        lacking.append((side, seen, room, zoom(site.reject_hz(side), seen.notch.bottom_width_hz, bandwidth_hz)))
    if not lacking:
        return None
    both = wide_sweep(site, None, bandwidth_hz)
    wides, zooms = 0, []
    for _, seen, room, settings in lacking:
        power = _power(seen, bandwidth_hz)
        goal_db = -amplitude_db(room.room)
        least = 2 * room.sweeps if room.limit is not None else 0
        asked = [survey_sweeps(power, leak_points(f), goal_db) for f in (both.frequency_hz(), settings.frequency_hz())]
        wides = max(wides, math.ceil(DEARER * asked[0]), least)
        zooms.append(max(math.ceil(DEARER * asked[1]), least))
    wide_s = wides * (seconds_per_point * both.points + 0.05)
    zoom_s = [count * (seconds_per_point * each[3].points + 0.05) for each, count in zip(lacking, zooms, strict=True)]
    goal = f"{site.goals.rejection_db:g} dB"
    if wide_s <= MOVING_S + WORTH * sum(zoom_s) and wides <= LONGEST:
        sides_of = tuple(side for side, *_ in lacking)
        return SurveyPlan(None, wides, wide_s, f"{wides} wide sweeps leave room for a proof of {goal}", sides_of)
    if zooms[0] > LONGEST:
        return None  # leads and temperature move meanwhile: the unit is too close to its goal
    side, _, _, settings = lacking[0]
    where = f"{(settings.start_hz + settings.stop_hz) / 2e6:.4f} MHz, which A>{side.value} rejects,"
    why = f"{zooms[0]} sweeps zoomed on {where} leave room for a proof of {goal}"
    return SurveyPlan(settings, zooms[0], zoom_s[0], why, (side,))


def survey_for_turns(site: Site, side: Side, seen: Assessment, sweep_s: float) -> SurveyPlan | None:
    """A survey around the reject channel alone, after which no leak looks like a side that meets its goal, and a proof
    has room; with the points and bandwidth of the look that was `seen`, `sweep_s` each. As long as a survey may take
    where the floor asks for more. None where that look knows no floor."""
    if not seen.floor_now.known or seen.bandwidth_hz is None:
        return None
    points = int(seen.frequency_hz.size)
    settings = SweepSettings.around(site.reject_hz(side), 2.0 * LEAK_HALF_HZ, points, seen.bandwidth_hz)
    goal_db = site.goals.rejection_db + Limits(None, 20.0).systematic_db + ROOMY_DB
    asked = survey_sweeps(_power(seen, seen.bandwidth_hz), leak_points(settings.frequency_hz()), goal_db)
    sweeps = min(math.ceil(DEARER * asked), LONGEST)  # leads and temperature move meanwhile
    where = f"{site.reject_hz(side) / 1e6:.4f} MHz"
    return SurveyPlan(settings, sweeps, sweeps * sweep_s, f"{sweeps} sweeps around {where} tell the leak there")


def _leak_in_the_way(wide: Assessment, settings: SweepSettings, goal_db: float, systematic_db: float) -> str:
    """What to do about a limit of the leak that leaves no room: a longer survey where noise alone made the limit."""
    level = f"{amplitude_db(wide.leakage or 1.0):.0f} dB"
    source = next((each.leak_source for each in wide.channels if each.leak_source is not None), None)
    if source is None or source.found or not source.sweeps:
        cure = f"a half-wave jumper ({APART}), or better leads"
        return f"the leak's limit ({level}) alone keeps {goal_db:g} dB from being shown: {cure}"
    power = _power(wide, settings.bandwidth_hz)
    asked = survey_advice(goal_db, power, settings.frequency_hz(), systematic_db).sweeps
    return (
        f"the survey was too short: {source.sweeps} sweeps found no leak, and leave room for one of {level}; survey"
        f" longer, {asked} sweeps with these settings (k, leads on loads), before {goal_db:g} dB can be shown"
    )


@functools.lru_cache(maxsize=4096)
def _dearer(count: int, run: int = 1) -> float:
    """How many times the sweeps of a plain 95 % bound the last look of the run-th zoom needs: the noise that may be
    left falls with the logarithm of the chance that it may spend."""
    last = spent_at(run, count, count, part=1.0 - WIDE_PART)
    return math.log(last) / math.log(ERROR)


def time_words(seconds: float) -> str:
    """How long something takes: whole seconds, from 90 on tenths of minutes."""
    return f"{seconds:.0f} s" if seconds < 90 else f"{seconds / 60:.1f} min"
