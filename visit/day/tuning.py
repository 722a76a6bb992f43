"""What to do next at the screws of one side: which one, which way, how far, and what it should bring.

Owns: the deed and its words, from figures that others made. Refuses: "stop" while the goal is missed and can be
reached, a turn for a cavity whose place is not known, and any promise: all that is expected is INFERRED.
"""

from __future__ import annotations

import enum
import math
from dataclasses import dataclass, replace

from rf.notch.notch import NotchPlace
from rf.values.figure import NORMAL_95, Figure, Kind, cant_say, inferred
from rf.values.words import text
from visit.day.cavities import HAND_SHARE, MOST_HUNTS, MOST_WORTH, CavityState, Places, zero_words
from visit.day.directions import spoken, way
from visit.day.far import ENOUGH as FAR_ENOUGH
from visit.day.far import NEAR, FarLook, coarse, dip_words, stuck_words
from visit.day.nudges import FOR_THE_PASS, ROD, TRIMMER, USUAL_Q, Told
from visit.day.passes import PassLook, Step, next_step
from visit.day.planner import SurveyPlan
from visit.day.turn_words import so_many

FIRST_TRIAL = 0.125
"""Turns of a screw of which nothing is known: an eighth moves a notch by more than the noise and by less than a
channel."""
TRIAL_WIDTHS = 1.1
"""What a trial turn should move, once other screws of the unit tell what a turn does, in half-widths f / 2Q,"""
MOST_TRIAL_WIDTHS = 2.6
"""what it may move at most,"""
LARGEST_TRIAL = 1.0
"""and the most that is tried while nothing is seen to move, in turns."""
LEAST_TURN = 0.01
VAGUE_DB = 3.0
"""Width of an interval with which nobody locks a nut."""
WORTH_DB = 0.3
"""A turn that is expected to bring less is not worth a hand on the screw."""
ENOUGH = 32
"""Sweeps of a look with which a turn of a whole turn must be seen on any screw that does anything."""
SPARED_DB = 3.0
"""What a proof spares for mismatch, load, leak and fit: a unit that only meets its goal is not shown to."""
LONGEST_LOOK = 128
"""Sweeps of a look beyond which it is the proof that has to decide."""
SPREAD_DB = 1.0
"""What is lost to cavities that stand off, beyond which a screw is still worth a turn."""
BLIND_DB = 9.0
"""So wide is a promise, over all places that the data allow, with which fine turns would be made blind."""
APART_WIDTHS = 3.0
"""Nor while one is known to stand so many half-widths off, or all of them together do."""
LEAKS_DB = 50.0
"""Analyzers of this class leak less than this: what is above it is the duplexer, whatever leaks."""
TOLD_APART_DB = 6.0
"""With more than this lost to cavities that stand off, nobody is told that no screw brings the goal."""
LEAST_TELLING_WIDTHS = 0.5
"""A turn that is made to find a place moves it by so many half-widths at least."""
LONGER = 4
"""Sweeps are raised so many times at once: the noise halves."""


class Deed(enum.Enum):
    """What is to be done at the screws."""

    WAIT = "wait"
    LOOK = "look"
    TRIAL = "trial"
    TURN = "turn"
    LONGER = "longer"
    SURVEY = "survey"
    PROVE = "prove"
    OUT_OF_REACH = "out of reach"


_COARSE = {"look": Deed.LOOK, "longer": Deed.LONGER, "trial": Deed.TRIAL, "turn": Deed.TURN, "bench": Deed.OUT_OF_REACH}


@dataclass(frozen=True, slots=True)
class Tuning:
    """Figures of the present look. `measured`: rejection at the channel; `sweeps` of a look; `rejection` and `centred`
    in dB (INFERRED, now and with all cavities on the channel); `spacing_hz` of the channels; `far` the dips of this
    look, where they were taken."""

    goal_db: float
    reject_hz: float
    measured: Figure
    notch: NotchPlace | None
    offset: Figure
    places: Places
    cavities: int | None
    sweeps: int
    spacing_hz: float = math.inf
    far: FarLook | None = None
    survey: SurveyPlan | None = None
    """None: the leak at the channel is bounded."""
    proved: Figure | None = None
    """What the last proof since the last turn read at the channel; None: there was none."""

    passing: PassLook | None = None
    """The pass, where the rods move it with the notches."""

    @property
    def screw(self) -> str:
        """What moves the notches now: the rods, until they were set by the pass."""
        return TRIMMER if self.passing is not None and self.passing.rows else ROD

    @property
    def fitted(self) -> bool:
        """Whether the fit of the whole chain is trusted in this look."""
        return self.notch is not None and self.notch.trusted

    @property
    def rejection(self) -> Figure:
        """By the skirts, now."""
        fitted = self.notch is not None and self.notch.trusted and self.notch.rejection_at
        return self.notch.rejection_at[0] if self.notch is not None and fitted else cant_say("dB", "no fit")

    @property
    def sure(self) -> Figure:
        """The same over all places of the cavities that the skirts allow: what a promise may rest on."""
        return self.notch.sure_at(self.reject_hz) if self.notch is not None and self.fitted else self.rejection

    @property
    def missed(self) -> Figure | None:
        """What was read at the channel and is less than the goal; None where nothing was."""
        read = (self.measured, self.proved)
        return next((one for one in read if one and one.kind is Kind.READING and one.high < self.goal_db), None)

    @property
    def centred(self) -> Figure:
        """By the skirts, with every cavity on the channel."""
        fitted = self.notch is not None and self.notch.trusted and self.notch.centred_at
        return self.notch.centred_at[0] if self.notch is not None and fitted else cant_say("dB", "no fit")

    @property
    def hopeless(self) -> bool:
        """Whether no screw brings the goal: with all cavities on the channel it would be missed still. A fit of
        cavities that stand far apart knows too little of their depth to say so."""
        centred, at = self.centred, self.rejection
        stand = [one.place.value for one in self.places.cavities if one.place.known]
        stand += [self.offset.value] if self.offset.known else []
        near = not at.known or centred.value - at.value < TOLD_APART_DB
        unit_hz = min(self.unit_hz, self.reject_hz / USUAL_Q)  # a fit that is misled has cavities that are too poor
        near = near and all(abs(hz) < APART_WIDTHS * unit_hz for hz in stand)
        return centred.known and centred.high < self.goal_db and near

    @property
    def unit_hz(self) -> float:
        """Half-width f / 2Q of one cavity's notch: so far off it has lost 3 dB of its own."""
        known = self.notch is not None and self.notch.unloaded_q.known
        q = self.notch.unloaded_q.value if self.notch is not None and known else USUAL_Q
        return self.reject_hz / 2.0 / q

    def lost_db(self, off_hz: float) -> float:
        """What one cavity that far off takes from the rejection."""
        return 10.0 * math.log10(1.0 + (off_hz / self.unit_hz) ** 2)


@dataclass(frozen=True, slots=True)
class Advice:
    """The next deed: `do` is what the hand does, `why` its reason, `expect` what should be seen afterwards. `told` is
    the turn as it will be entered when it is made as advised, `sweeps` the length of look that is asked for."""

    deed: Deed
    do: str
    why: str
    expect: str = ""
    told: Told | None = None
    sweeps: int | None = None
    level: int | None = None
    """The far sweep that is asked for; 0: the usual one over both channels."""


def advise(now: Tuning) -> Advice:
    """The next deed. Pure."""
    passing = now.passing
    if passing is None or passing.trimmed:
        return _for_the_notch(now)
    step = None if now.cavities is None else next_step(passing, now.cavities)
    begun = bool(passing.rows)
    if step is not None and (begun or _for_the_notch(now).deed is Deed.PROVE):
        turn = _for_the_pass(now, step)
        if turn is not None:
            return turn
    return _for_the_notch(now)


def _for_the_pass(now: Tuning, step: Step) -> Advice | None:
    """A turn of a rod for the pass; None while nobody knows what a turn of it does."""
    one = now.places.cavity(step.cavity)
    known = None if one is None or now.passing is None else now.passing.rates.get(step.cavity)
    if one is None or known is None:
        return None
    rate, forward = known  # of the rod: where trimmers bring the notches back the places tell of those
    turns = step.turns or max(round(abs(step.widths * now.unit_hz / rate), 2), LEAST_TURN)
    do, told = _named(now, one, turns, spoken(forward, 1 if step.widths * rate > 0 else -1), FOR_THE_PASS)
    expect = "return loss rises, or falls: then back; the trimmers bring the notches back afterwards"
    return Advice(Deed.TURN, do, step.why, expect, told)


def _for_the_notch(now: Tuning) -> Advice:
    at, goal, read = now.rejection, now.goal_db, now.measured
    far = _far(now)
    if far is not None:
        return far
    if read.may_support_pass and read.low >= goal:
        return _prove(f"{text(read)}: goal {goal:g}")
    sure = now.sure
    blind = at.low >= goal or (sure.high - sure.low > BLIND_DB and sure.high > LEAKS_DB)
    if now.survey is not None and at.known and sure.low < goal and blind:
        return _survey(now)
    if now.missed is not None:
        return _missed(now, now.missed)
    if at.known and at.low >= goal:
        more = _turning(now) if at.value < _aim_db(now) else None
        if more is not None and more.deed is Deed.TURN:
            return more  # it is met as it stands, and too barely for a proof to show it
        if (at.high - at.low > VAGUE_DB or sure.low < goal) and now.sweeps < LONGEST_LOOK:
            return _longer(now, f"by the skirts {text(sure)}, goal {goal:g}: too vague to leave the screws")
        less, least_db = sure, _aim_db(now) - SPREAD_DB
        if now.proved is not None and now.proved.kind is Kind.READING:  # the proof did not show it: as good as it gets
            less, least_db = now.proved, max(least_db, now.centred.value - SPREAD_DB)
        if less.value < least_db and less.low < goal:
            more = _turning(now) or _telling(now, now.centred.value - less.value)
            if more is not None:
                return more
        return _prove(f"by the skirts {text(sure)}: goal {goal:g}, and only a proof shows it")
    if now.hopeless:
        return _out_of_reach(now)
    return _turning(now) or _waiting(now)


def _prove(why: str, decides: str = "") -> Advice:
    return Advice(Deed.PROVE, f"lock the nuts one by one (o), then prove it (q, p){decides}", why)


def _survey(now: Tuning) -> Advice:
    """What leaks past the unit looks like cavities that stand together: it is bounded before the fine turns."""
    assert now.survey is not None  # else nothing is lacking
    minutes = f"{now.survey.sweeps} sweeps, {max(now.survey.seconds / 60.0, 0.1):.1f} min"
    why = f"{text(now.sure)} at the channel: a leak past the unit may look like it, and cavities apart hide behind it"
    return Advice(Deed.SURVEY, f"survey first ({minutes}): s, then as it says here", why,
                  "the leak's limit; the proof needs it, too")  # fmt: skip


def _missed(now: Tuning, read: Figure) -> Advice:
    """The goal was read to be missed, whatever the skirts promise: what stands off is turned."""
    goal, at = now.goal_db, now.rejection
    if now.hopeless:
        return _out_of_reach(now)
    known = _turning(now)
    if known is not None:
        return known
    if now.sweeps < LONGEST_LOOK:
        return _longer(now, f"{text(read)} was read, goal {goal:g}, and by the skirts {text(at)}: which one is off?")
    lost_db = max(now.centred.value - read.value, SPREAD_DB) if now.centred.known else SPREAD_DB
    return _telling(now, lost_db) or _waiting(now)


def _far(now: Tuning) -> Advice | None:
    """The deed for a side that is far off, or whose screw does not follow; None where the fit leads on."""
    met = now.rejection.known and now.rejection.low >= now.goal_db
    told = None if met else stuck_words(now.places, now.goal_db)
    if told is None and now.far is not None and now.cavities:
        near_hz = NEAR * now.spacing_hz
        leads = now.fitted and now.offset.known and abs(now.offset.value) < near_hz
        leads = leads and not now.hopeless
        told = coarse(
            replace(now.far, screw=now.screw), now.places, leads=leads, reject_hz=now.reject_hz,
            spacing_hz=now.spacing_hz, unit_hz=now.unit_hz, goal_db=now.goal_db, sweeps=now.sweeps,
        )  # fmt: skip
    if told is None:
        return None
    level = told.level if told.kind == "look" else None
    sweeps = FAR_ENOUGH if told.kind == "longer" else None
    return Advice(_COARSE[told.kind], told.do, told.why, told.expect, told.told, sweeps, level)


def _aim_db(now: Tuning) -> float:
    """What is tuned for: the goal and what its proof spares, as far as the cavities give that; never less than the
    goal."""
    reach = now.centred.value - SPREAD_DB if now.centred.known else now.goal_db
    return max(now.goal_db, min(now.goal_db + SPARED_DB, reach))


def _out_of_reach(now: Tuning) -> Advice:
    why = f"all cavities centred would give {text(now.centred)}: goal {now.goal_db:g} is out of reach"
    turn = _turning(now)
    if turn is not None and turn.deed is Deed.TURN:
        return Advice(Deed.OUT_OF_REACH, f"not the screws alone; the best they give: {turn.do}", why, turn.expect,
                      turn.told)  # fmt: skip
    do = "look at cables, loads and cavities: no screw brings the goal; q, then NEXT goes on"
    return Advice(Deed.OUT_OF_REACH, do, why)


def _waiting(now: Tuning) -> Advice:
    """No cavity is known to stand off: more sweeps, a turn that tells, or the proof."""
    at, goal = now.rejection, now.goal_db
    if not (at.known or now.measured.known):
        return Advice(Deed.WAIT, "wait for the figures of this look", now.offset.why or "no figure yet")
    said = f"by the skirts {text(at)}, goal {goal:g}"
    enough = at.known and at.value >= goal
    if now.sweeps < (LONGEST_LOOK if enough else ENOUGH):
        return _longer(now, f"{said}: not decided")
    lost_db = now.centred.value - at.value if now.centred.known and at.known else 0.0
    if not enough and lost_db > SPREAD_DB:
        telling = _telling(now, lost_db)
        if telling is not None:
            return telling
    if now.sweeps < LONGEST_LOOK:
        return _longer(now, f"{said}: not decided")
    if at.known and at.high >= goal:
        why = f"{said}: no turn is known to bring more"
        return _prove(why, ": the proof decides")
    why = f"{text(at)} of {goal:g} dB, yet no cavity is known to stand off"
    return Advice(Deed.WAIT, "sweep wide with the live screen (q, w): is the hook-up whole?", why)


def _telling(now: Tuning, lost_db: float) -> Advice | None:
    """The skirts say that something stands off and the places do not tell which: the cavity that may lose most is
    turned once more, with the long look that stands now."""
    able = [one for one in now.places.cavities if one.hz_per_turn and one.place.known]
    if not able:
        return None
    one = max(able, key=lambda each: now.lost_db(math.hypot(each.place.value, each.sd_hz)))
    rate = one.hz_per_turn
    assert rate is not None  # of those that are able
    by_hz = -math.copysign(max(abs(one.place.value), LEAST_TELLING_WIDTHS * now.unit_hz), one.place.value)
    turns = max(round(abs(by_hz / rate), 2), LEAST_TURN)
    do, told = _named(now, one, turns, spoken(one.forward, 1 if by_hz * rate > 0 else -1))
    why = f"by the skirts {lost_db:.0f} dB are lost and no place tells where: it stands {text(one.place, signed=True)}"
    return Advice(Deed.TRIAL, do, why, "its place, closer than before", told)


def _longer(now: Tuning, why: str) -> Advice:
    sweeps = min(now.sweeps * LONGER, LONGEST_LOOK)
    return Advice(Deed.LONGER, f"average longer: + until {sweeps} sweeps a look, then wait for it", why,
                  "intervals narrower by half", sweeps=sweeps)  # fmt: skip


def _turning(now: Tuning) -> Advice | None:
    """The turn that brings most, or the trial turn that tells most; None when no turn is known to help."""
    if now.rejection.known and now.rejection.value >= _aim_db(now) and now.sweeps < LONGEST_LOOK:
        return None  # it may be enough already: look closer before another screw is touched
    cavities = now.places.cavities or (CavityState(1, cant_say("Hz", ""), math.inf, turned=False),)
    best: tuple[float, CavityState] | None = None
    for one in cavities:
        if one.resolved(now.unit_hz) and one.hz_per_turn:
            gain = now.lost_db(one.place.value) - now.lost_db(math.hypot(HAND_SHARE * one.place.value, one.sd_hz))
            if gain > WORTH_DB and (best is None or gain > best[0]):
                best = gain, one
    # A cavity that stands far off hides nothing of the others: those not yet known are found first only when what is
    # known can't bring the goal.
    unknown = [one for one in cavities if not (one.turned and one.resolved(now.unit_hz) and one.hz_per_turn)]
    met = now.rejection.known and now.rejection.value >= now.goal_db and now.sweeps < LONGEST_LOOK
    if best is not None and (not unknown or met or best[0] > now.lost_db(now.unit_hz)):
        return _turn(now, best[1], best[0])
    if unknown and not met:  # a screw of which nothing is known is not tried where it may be enough already
        # First those never turned, then the one that may lose most: turning one that stands near the channel to and fro
        # tells nothing of the others.
        one = min(unknown, key=lambda each: (each.turned, each.hunted // MOST_HUNTS,
                                             -round(_may_lose_db(now, each), 1), each.number))  # fmt: skip
        if one.hunted >= MOST_HUNTS and not one.place.known and now.sweeps < ENOUGH:
            return _longer(now, f"{one.hunted} turns of cavity {one.number} did not tell its place")
        near = one.place.known and abs(one.place.value) < NORMAL_95 * one.sd_hz
        if near and one.hz_per_turn and now.sweeps < ENOUGH:
            return _longer(now, f"cavity {one.number} is not resolved ({text(one.place, signed=True)})")
        return _trial(now, one)
    return None


def _may_lose_db(now: Tuning, one: CavityState) -> float:
    """What a cavity may take, by its place, or where all of them stand."""
    return now.lost_db(math.hypot(_likely_off(now, one), one.sd_hz if one.place.known else now.unit_hz))


def _named(now: Tuning, one: CavityState, turns: float, direction: str, screw: str = "") -> tuple[str, Told]:
    screw = screw or now.screw
    degrees = f"{round(72 * turns) * 5} degrees"  # nobody turns a screw to a degree
    told = Told(one.number, screw, direction, round(turns, 2))
    return f"cavity {one.number}, {screw}: {so_many(turns)} {direction} ({degrees})", told


def _turn(now: Tuning, one: CavityState, gain_db: float) -> Advice:
    need, rate = -one.place.value, one.hz_per_turn
    assert rate is not None  # else it was not chosen
    turns = max(round(abs(need / rate), 2), LEAST_TURN)
    do, told = _named(now, one, turns, spoken(one.forward, 1 if need * rate > 0 else -1))
    why = f"it stands {text(one.place, signed=True)} off; a turn does about INFERRED {abs(rate) / 1e3:.0f} kHz"
    return Advice(Deed.TURN, do, why, _expected(now, one, gain_db), told)


def _expected(now: Tuning, one: CavityState, gain_db: float) -> str:
    left = NORMAL_95 * math.hypot(HAND_SHARE * one.place.value, one.sd_hz)
    place = inferred(0.0, -left, left, "Hz")
    words = f"cavity {one.number} at {text(place)}"
    at = now.rejection
    if at.known:
        value = at.value + gain_db
        top = max(at.high + now.lost_db(one.place.value), value)
        words += f"; rejection {text(inferred(value, min(at.low, value), top, 'dB'))}"
    return words


def _trial(now: Tuning, one: CavityState) -> Advice:
    """A small turn that shows which zero is this screw's and what a turn does."""
    known = [abs(other.hz_per_turn) for other in now.places.cavities if other.hz_per_turn]
    rate = abs(one.hz_per_turn) if one.hz_per_turn else (sorted(known)[len(known) // 2] if known else None)
    turns = FIRST_TRIAL if rate is None else TRIAL_WIDTHS * now.unit_hz / rate
    turns = max(turns, 2.0 * one.unseen_turns) if one.unseen_turns else turns
    turns = max(round(min(turns, LARGEST_TRIAL), 2), LEAST_TURN)
    if one.unseen_turns and 2.0 * one.unseen_turns > LARGEST_TRIAL and now.sweeps < ENOUGH:
        return _longer(now, f"cavity {one.number}: {so_many(one.unseen_turns)} moved nothing that is seen")
    direction, toward = one.forward, _likely_off(now, one)
    if one.unseen_turns and one.last is not None:  # to and fro: trials all one way would walk the side off its channel
        direction = spoken(one.forward, -way(one.last.direction)[1])
    if one.hz_per_turn and toward:
        # Never farther away: the channel lies on the other side of where it stands, or of where all stand.
        wider = 2.0 ** min(max(one.hunted - 1, 0), 2)  # with each turn that did not tell
        least, most = LEAST_TELLING_WIDTHS * now.unit_hz * wider, MOST_TRIAL_WIDTHS * now.unit_hz
        by_hz = -math.copysign(min(max(abs(toward), least), most), toward)
        turns = max(round(abs(by_hz / one.hz_per_turn), 2), LEAST_TURN)
        direction = spoken(one.forward, 1 if by_hz * one.hz_per_turn > 0 else -1)
    do, told = _named(now, one, turns, direction)
    if not one.turned:
        why = "a small trial turn: which notch is its own, and how far a turn goes, is not known"
    elif one.unseen_turns >= LARGEST_TRIAL:
        why = f"{so_many(one.unseen_turns)} of it moved nothing that is seen: is it this side's screw, and free?"
    elif not one.hz_per_turn:
        why = "the last turn did not tell how far a turn goes: one more"
    elif one.place.known:
        why = f"its place is not resolved ({text(one.place, signed=True)}): this turn tells it"
    else:
        why = f"its place is not known; all together stand {text(now.offset, signed=True)} off: this turn tells it"
    return Advice(Deed.TRIAL, do, why, "its place, and which way it went", told)


def _likely_off(now: Tuning, one: CavityState) -> float:
    """Where a cavity stands in hertz off the channel: by its own turns, else where all of them stand; 0: unknown."""
    if one.place.known:
        return one.place.value
    return now.offset.value if now.offset.known else 0.0


def spread_words(now: Tuning) -> str:
    """Whether it is the mean or the spread of the cavities that costs, in one line; "" when nothing is known."""
    if not (now.centred.known and now.rejection.known and now.offset.known):
        return ""
    count = now.cavities or max(len(now.places.cavities), 1)
    costs = max(now.centred.value - now.rejection.value, 0.0)
    mean = min(count * now.lost_db(now.offset.value), costs)
    if costs < 1.0:
        return f"cavities stand together on the channel; centred {text(now.centred)}"
    if costs - mean > mean:
        right = abs(now.offset.value) < now.unit_hz / 2.0
        said = "the mean is right, the spread is not" if right else "mostly the spread"
        return f"{said}: it costs about {costs - mean:.0f} of {costs:.0f} dB; centred {text(now.centred)}"
    return f"the mean is off: it costs about {mean:.0f} of {costs:.0f} dB; centred {text(now.centred)}"


def cavity_lines(now: Tuning) -> list[str]:
    """Each cavity with its place, interval and whether that is enough to turn by; zeros without a screw after them."""
    lines = [now.places.mixed] if now.places.mixed else []
    for one in now.places.cavities:
        if not one.place.known:
            said = "not known: shows by its first turn"
        else:
            said = text(one.place, signed=True)
            if not one.resolved(now.unit_hz):
                said += f", not resolved: by a turn, or {_needed(now, one)} sweeps a look"
        lines.append(f"{one.number}  {said}")
    dips = "" if now.far is None or now.fitted else dip_words(now.far, now.reject_hz)
    if dips:
        lines.append(dips)
    elif now.places.zeros:
        zeros = " ".join(f"{zero.value / 1e3:+.0f}" for zero in now.places.zeros)
        lines.append(f"notches resolved at INFERRED {zeros} kHz; whose they are shows by turning")
    elif any(not one.place.known for one in now.places.cavities) and now.notch is not None and now.notch.trusted:
        zeros, limit = zero_words(now.notch.each, now.reject_hz), now.notch.singles_limit_hz
        if zeros:
            lines.append(f"notches by the skirts: {zeros}")
        elif math.isfinite(limit):
            lines.append(f"notches nearer than {limit / 1e3:.0f} kHz are not told apart by this look")
    return lines


def _needed(now: Tuning, one: CavityState) -> int:
    half, wanted = NORMAL_95 * one.sd_hz, MOST_WORTH * now.unit_hz
    return math.ceil(now.sweeps * min((half / wanted) ** 2, 100.0))
