"""What an analyzer will reach on one side of a duplexer: wide sweep, zoom, pool, the proof, the notch's place.

Owns: the forecast of each with its interval, and what ends an average. Refuses: laws of its own (floors, readings,
proofs, settings and places come from the functions that plans and figures use), and more than INFERRED.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from protocol.sweep import SweepSettings
from rf.floor.ability import Ability
from rf.floor.bound import upper_limit
from rf.floor.forecast import floor_needed_db
from rf.floor.leakage import LEADS_MOVE, ROOM_SHARE
from rf.floor.pool import HALF_WIDTH_SHARE, Bottom, BottomShape, planned_bias_db
from rf.floor.proof import Limits
from rf.floor.reach import deepest_reading_db, shown_db
from rf.floor.sequential import spent_at
from rf.floor.soonest import FEWEST, FEWEST_POINTS, LONGEST_SWEEP_S, Setting, limit_s
from rf.floor.third_port import COMMON_LOAD_DB, ThirdLoad
from rf.notch.chain_model import ChainShape
from rf.notch.expected import ExpectedSide, expected_side
from rf.repeater.passband import Residuals
from rf.values.decibel import amplitude, amplitude_db
from rf.values.figure import Figure, cant_say, inferred
from visit.day.instrument import KnownInstrument
from visit.day.planner import LEAST_ROOM, LONGEST, proof_settings, zoom_points
from visit.figures.assess import SMALLEST_ERROR
from visit.figures.looks import WIDE_PART
from visit.site.hookup import Side
from visit.site.presets import ZOOM_POINTS, wide, zoom
from visit.site.site import Site

USUAL_CAVITIES = 3
SPARES_DB = (10.0, 6.0, 4.0)
"""By how much units are better than their goal: good, usual, scarce ones (common practice). A proof itself takes about
two of it: mismatch and load."""
DRIFTS_DB = 0.5
"""A drift of the level by this much ends an average: no proof spares more for it."""
AS_GOOD_DB = 1.0
"""Within this of the best bound the time is told; an average that can gain no more is ended by its leak."""
GAIN_JITTER = 1e-3
"""Of a sweep against the last one, where no run showed it."""
PLACE_WIDER = 1.6
"""What a fit's interval is wider than its covariance foretells: several circuits fit, residuals are not white (own
simulation of four units: 1.3 to 2.4)."""
PLACE_SHARE = 2.0
"""Of the standard deviation of a place either way, where Q is known: the skirts of real units are not the model's."""

LEAST_LEAK_DB = 30
"""A leak so far below the goal keeps no unit from it."""

WAYS = ("wide sweep", "zoom", "pool")


@dataclass(frozen=True, slots=True)
class Way:
    """One way of sweeping for `sweeps`: up to which rejection a unit gives a READING (`reads`), what can be shown of
    one that lets nothing through (`shows`), the minutes to within 1 dB of that, and what ends it: random, leak, drift,
    points or time."""

    name: str
    settings: SweepSettings
    sweeps: int
    reads: Figure
    shows: Figure
    minutes: Figure
    ends: str


@dataclass(frozen=True, slots=True)
class Proof:
    """`minutes` until the goal is shown of a unit that is `spare_db` better; by which `setting`, what the `usual` one
    takes, and the time over the limit (`rf.floor.soonest`)."""

    spare_db: float
    minutes: Figure
    setting: Setting | None
    usual: Setting | None
    over_limit: float


@dataclass(frozen=True, slots=True)
class SideForecast:
    """One side and one analyzer, for `window_s`. `sides`: with the least, a middle and a high Q, or the one that is
    known; none of a band-pass unit, or where no usual cavity does it. `limits` all but the leak."""

    site: Site
    known: KnownInstrument
    able: Ability
    window_s: float
    sides: tuple[ExpectedSide, ...]
    limits: Limits

    @classmethod
    def of(cls, site: Site, known: KnownInstrument, able: Ability, window_min: float, q: float | None) -> SideForecast:
        """Of the low side, which holds back the high channel."""
        side = Side.LOW
        shape = ChainShape(
            site.cavities or USUAL_CAVITIES, site.reject_hz(side), site.pass_hz(side), True, site.kind == "pass-reject"
        )
        meant = site.goals.rejection_db + SPARES_DB[1]
        sides = () if site.kind == "band-pass" else expected_side(shape, meant, site.goals.loss_db, q)
        load = ThirdLoad(site.load_return_loss_db or COMMON_LOAD_DB)
        return cls(site, known, able, 60.0 * window_min, sides, Limits(None, third_port_db=load.limit_db))

    @property
    def reject_hz(self) -> float:
        """The channel to hold back."""
        return self.site.reject_hz(Side.LOW)

    @property
    def bottom(self) -> Bottom:
        """Of the middle side; of a band-pass unit, or one that no usual cavity makes, where its skirts have risen 3 dB:
        n resonators far off fall as the n-th power of the distance."""
        if self.sides:
            return self.sides[len(self.sides) // 2].bottom
        order = self.site.cavities or USUAL_CAVITIES
        apart = self.site.high_hz - self.site.low_hz
        shape = BottomShape(order / apart, order * (order + 1) / 2.0 / apart**2)
        return Bottom(2.0 * apart * (1.0 - 10.0 ** (-3.0103 / 20.0 / order)), shape)

    def zoomed(self) -> SweepSettings:
        """The plain zoom, at the usual bandwidth."""
        return zoom(self.reject_hz, self.bottom.width_hz, self.usual_hz)

    @property
    def usual_hz(self) -> float:
        """The bandwidth nearest to a kilohertz that the analyzer has."""
        known = self.able.bandwidths_hz or tuple(hz for hz, _ in self.able.floors)
        return min(known, key=lambda hz: abs(math.log(hz / 1000.0)))

    # What it reaches

    def way(self, name: str) -> Way:
        """One way, to where it ends."""
        settings, carrying = self._swept(name)
        per_sweep = self.able.sweep_s(settings.points, settings.bandwidth_hz)
        one = self.able.power(settings.bandwidth_hz) / carrying
        fits = int(self.window_s / per_sweep)
        sweeps, ends = self._end(name, fits, per_sweep, one, carrying)
        power = one / max(sweeps, 1)
        leak = self.leak(one, max(sweeps, 1))
        return Way(
            name, settings, sweeps, self._reads(power, leak), self._shows(power, leak, max(sweeps, 1)),
            self._minutes(one, leak[1], max(sweeps, 1), per_sweep), ends,
        )  # fmt: skip

    def _swept(self, name: str) -> tuple[SweepSettings, int]:
        """Settings, and how many samples of a sweep carry the value at the channel."""
        if name == "wide sweep":
            most = max(self.able.points, default=401)
            settings = wide(self.site, None, self.usual_hz)
            if settings.points > most:
                points = most - (most - 1) % 8
                settings = replace(settings, points=max(points, 9))
            half = HALF_WIDTH_SHARE * self.bottom.width_hz
            return settings, 1 + 2 * int(half / settings.step_hz)
        settings = self.zoomed()
        if name == "zoom":
            return settings, 1
        points, bandwidth = self._best_setting()
        return replace(settings, points=points, bandwidth_hz=bandwidth), points

    def _best_setting(self) -> tuple[int, float]:
        """That of the proof; without one the setting whose noise falls fastest."""
        made = self.proof().setting
        if made is not None:
            return made.points, made.bandwidth_hz
        able = self.able
        usual = ZOOM_POINTS, self.usual_hz
        points = [number for number in zoom_points(able, self.zoomed()) if number >= FEWEST_POINTS]
        every = [(number, hz) for number in points for hz in able.bandwidths_hz]
        fair = [each for each in every if able.sweep_s(*each) <= LONGEST_SWEEP_S]
        return min([usual, *fair], key=lambda each: able.power(each[1]) * able.sweep_s(*each) / each[0])

    def _end(self, name: str, fits: int, per_sweep: float, one: float, carrying: int) -> tuple[int, str]:
        """Sweeps, and what ends the average."""
        if fits < FEWEST:
            return fits, "time"
        fits = min(fits, LONGEST)
        drift = abs(self.able.drift_db_per_min)
        drifts = int(60.0 * DRIFTS_DB / drift / per_sweep) if drift > 0.0 else fits
        ends = "points" if name == "wide sweep" and carrying == 1 else "random"
        sweeps, ends = (fits, ends) if fits <= drifts else (max(drifts, 1), "drift")
        if self.able.leak_found and self.able.leak is not None:
            # Where the noise that is left adds less than AS_GOOD_DB to the leak.
            share = self.able.leak * (amplitude(AS_GOOD_DB) - 1.0)
            enough = math.ceil((float(upper_limit(0.0, one)) / share) ** 2)
            if enough < sweeps:
                return max(enough, FEWEST), "leak"
        return sweeps, ends

    def leak(self, one: float, sweeps: int) -> tuple[float, float, float]:
        """Amplitude of the leak's limit: at the least, as it is likely, at the most. One that nobody found is at most
        what a survey of as many sweeps leaves, and a long one leaves nothing."""
        if self.able.leak_found and self.able.leak is not None:
            return self.able.leak, self.able.leak, LEADS_MOVE * self.able.leak
        most = LEADS_MOVE * float(upper_limit(0.0, one / sweeps))
        most = most if self.able.leak is None else min(most, self.able.leak)
        return 0.0, most / 3.0, most

    def _reads(self, power: float, leak: tuple[float, float, float]) -> Figure:
        low, value, high = (
            deepest_reading_db(power, limit, chance) for limit, chance in zip(leak, (0.025, 0.5, 0.975), strict=True)
        )
        return self._within(high - self.able.floor_half_db, value, low + self.able.floor_half_db)

    def _shows(self, power: float, leak: tuple[float, float, float], sweeps: int) -> Figure:
        """Nothing comes through but the leak that was found: it is read with the noise, and allowed for beside that."""
        confidence = 1.0 - spent_at(1, sweeps, sweeps, part=1.0 - WIDE_PART)
        bias = planned_bias_db(self.bottom)
        inside = (0.0, *(leak[1:] if self.able.leak_found else (0.0, 0.0)))
        high, value, low = (
            shown_db(signal, power, replace(self.limits, leakage=limit), confidence, chance, bias)
            for signal, limit, chance in zip(inside, leak, (0.025, 0.5, 0.975), strict=True)
        )
        return self._within(low - self.able.floor_half_db, value, high + self.able.floor_half_db)

    @staticmethod
    def _within(low: float, value: float, high: float) -> Figure:
        return inferred(value, min(low, value), max(high, value), "dB", limited_by="model")

    def _minutes(self, one: float, leak: float, sweeps: int, per_sweep: float) -> Figure:
        """Until the bound lies within AS_GOOD_DB of where the average ends."""
        limit = float(upper_limit(0.0, one))
        wanted = amplitude(AS_GOOD_DB) * (limit / math.sqrt(sweeps) + leak) - leak
        count = min(max(math.ceil((limit / wanted) ** 2), FEWEST), max(sweeps, 1))
        return self._timed(count * per_sweep)

    def _timed(self, seconds: float, low_s: float | None = None, high_s: float | None = None) -> Figure:
        share, value = self.known.pace_share, seconds / 60.0
        low, high = (value if end is None else end / 60.0 for end in (low_s, high_s))
        return inferred(value, min(low, value) / (1.0 + share), max(high, value) * (1.0 + share), "min",
                        limited_by="model")  # fmt: skip

    # How long a proof takes

    def proof(self, spare_db: float = SPARES_DB[1]) -> Proof:
        """Until the goal is shown of a unit that is so much better than it."""
        half, goal = self.able.floor_half_db, self.site.goals.rejection_db
        better, middle, worse = (self._proof_of(spare_db, by_db) for by_db in (-half, 0.0, half))
        if self.able.leak_by_sheet:  # at best none of it stands in the trace
            better = self._proof_of(spare_db, -half, leaks=False)
            middle = middle or self._proof_of(spare_db, 0.0, leaks=False)
        if middle is None:
            why = f"the leak, or the noise that {LONGEST} sweeps leave, is above {goal:g} dB"
            return Proof(spare_db, cant_say("min", why), None, None, math.nan)
        setting, usual, over = middle
        low, high = (setting.seconds if one is None else one[0].seconds for one in (better, worse))
        timed = self._timed(setting.seconds, low, high)
        return Proof(spare_db, timed if worse is not None else replace(timed, high=math.inf), setting, usual, over)

    def _proof_of(self, spare_db: float, by_db: float, *, leaks: bool = True) -> tuple[Setting, Setting, float] | None:
        """For a unit that is better by so much than the goal with all that is spared, with a floor `by_db` higher.
        `leaks`: whether a leak that was told stands in the trace too, or only has to be allowed for."""
        settings, able = self.zoomed(), replace(
            self.able, floors=tuple((hz, level + by_db) for hz, level in self.able.floors)
        )  # fmt: skip
        allowed, leak = amplitude(-self._shown_goal_db), self.proof_leak(spare_db)
        truth = self.site.goals.rejection_db + spare_db
        if self.able.leak_found and leaks:
            truth = -amplitude_db(math.hypot(amplitude(-truth), leak))  # it is read with the signal, in any phase
        if leak >= allowed:
            return None
        aimed = -amplitude_db(allowed - leak)
        q = self.sides[len(self.sides) // 2].unloaded_q if self.sides else 1500.0
        found = proof_settings(able, settings, truth, aimed, unloaded_q=q)
        if found is None:
            return None
        return *found, found[0].seconds / limit_s(able, floor_needed_db(truth, aimed))

    @property
    def leak_known(self) -> bool:
        """Whether what leaks was told or found, or a survey bounded it low enough for a usual unit."""
        if self.able.leak_found or self.able.leak is None:
            return self.able.leak_found
        most_db = self.most_leak_db()
        return most_db is not None and -amplitude_db(self.able.leak) >= most_db

    def most_leak_db(self) -> float | None:
        """How far below a thru a leak has to lie (whole dB) so that the goal is shown in time of a usual unit although
        it leaks; None: not even where nothing leaks."""
        goal = self.site.goals.rejection_db
        return next((db for db in (goal + k for k in range(LEAST_LEAK_DB)) if self._shown_with(db)), None)

    def _shown_with(self, leak_db: float) -> bool:
        able = replace(self.able, leak=amplitude(-leak_db), leak_found=True, leak_by_sheet=False)
        minutes = replace(self, able=able).proof().minutes
        return minutes.known and 60.0 * minutes.high <= self.window_s

    @property
    def _shown_goal_db(self) -> float:
        """The goal with all that a proof spares."""
        return self.site.goals.rejection_db + self.limits.systematic_db + planned_bias_db(self.bottom)

    def proof_leak(self, spare_db: float) -> float:
        """Amplitude of the leak that a proof has to allow for: the one that was found; else what a survey leaves, which
        is planned to take a third of what unit and goal leave (`visit.day.planner`)."""
        if self.able.leak_found and self.able.leak is not None:
            return self.able.leak
        allowed = amplitude(-self._shown_goal_db)
        truth = amplitude(-self.site.goals.rejection_db - spare_db)
        return ROOM_SHARE * max(allowed - truth, LEAST_ROOM * allowed)

    # Where the notch is

    def place(self) -> tuple[Figure, Figure]:
        """Standard deviation of the mean notch after the window's wide sweeps, and the shift that loses 3 dB."""
        if self.site.kind == "band-pass":
            why = "a band-pass unit has no notch: its rejection comes from the skirts of its pass"
            return cant_say("Hz", why), cant_say("Hz", why)
        if not self.sides:
            why = (
                "no usual cavity holds this back so near its pass with"
                f" {self.site.goals.loss_db:g} dB of loss: look at channels and goals"
            )
            return cant_say("Hz", why), cant_say("Hz", why)
        way = self.way("wide sweep")
        sweeps = max(way.sweeps, 1)
        power = self.able.power(way.settings.bandwidth_hz) / sweeps
        error = max(GAIN_JITTER / math.sqrt(sweeps), SMALLEST_ERROR)
        reflection = amplitude(-Residuals().port2_return_loss_db)
        leak = self.leak(power * sweeps, sweeps)[2]
        half = amplitude(2.0 * self.able.floor_half_db) if len(self.sides) > 1 else PLACE_SHARE
        found = [
            PLACE_WIDER * side.place_sd_hz(way.settings.frequency_hz(), power, error, reflection, leak)
            for side in self.sides
        ]
        widths = [side.bottom.width_hz / 2.0 for side in self.sides]
        if not all(math.isfinite(sd) for sd in found):
            return cant_say("Hz", "the skirts do not tell the place at this floor"), _between(widths, 1.0)
        return _between(found, half), _between(widths, 1.1)


def _between(values: list[float], share: float) -> Figure:
    middle = sorted(values)[len(values) // 2]
    return inferred(middle, min(values) / share, max(values) * share, "Hz", limited_by="model")
