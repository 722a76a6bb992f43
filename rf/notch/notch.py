"""Where a notch lies and how deep it is, from the part of the response that stands above the floor.

Owns: what is said of a fitted chain of cavities, and what is withheld. Refuses: the lowest sample of a clipped
response, and single notches that the data do not resolve. Everything here is INFERRED: it guides the hand and never
supports a pass.

Main path: `find_notch` -> `rf.notch.chain_choice` -> starts (`rf.notch.chain_search`, `chain_start`) -> descent
(`rf.notch.chain_fit`) on the circuit (`rf.notch.chain_model`).
"""

from __future__ import annotations

import contextlib
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from rf.floor.pool import Bottom, BottomShape
from rf.notch.apart import Apart, Each
from rf.notch.cause import likely_cause
from rf.notch.chain_choice import (
    DEPARTURES,
    ENDING,
    SKIRT_LEVEL,
    Blend,
    blend_fits,
    ending,
    first_fit,
    strained,
)
from rf.notch.chain_fit import LEAK, ChainFit, Observed
from rf.notch.chain_model import Chain, ChainShape
from rf.notch.chain_search import hidden
from rf.notch.chain_start import hidden_band, strong_points
from rf.notch.holding import Falls, falls_alone, falls_together
from rf.notch.nudge import Circuit
from rf.notch.spread import over_spreads
from rf.values.decibel import amplitude_db
from rf.values.figure import NORMAL_95, Figure, cant_say, inferred

HALF_WIDTH = 1.06 * NORMAL_95
"""Half-width of a place in standard deviations. The fit is not quite linear where notches nearly merge: without the 6 %
the 95 % interval held in 92 to 96 % of 500 draws a case."""

FAR_OFF = 1.4
"""How much wider where the data ask for the largest departures that are tried: then the circuit of the fit is farther
off than its own covariance tells (own trials on another circuit model, two to six cavities)."""

UNLIKE = 1.4
"""How much wider a place is where no instrument is ideal: the notches carry part of what the circuit of the fit lacks.
Without it 175 benches of another circuit model held 88 %, the own bench with all errors together 81 %."""

HARD_PRESSED, PRESSED_FROM = 1.5, 1.0
"""The same where the priors, per parameter, cost more than they would were they right (of those 14 benches 8 held)."""

ROUGH = 0.01
"""A misfit of this much (0.09 dB) doubles all intervals: what the circuit lacks is no noise that averages out."""

PASS_SEEN = 0.3
"""A sweep whose largest level is below this (-10 dB) shows skirts only."""

LARGEST_MISFIT = 0.1
"""Relative error (0.8 dB) beyond which the circuit is not the one on the bench and nothing is inferred."""

FALSE_MINIMUM = 10.0
"""Cost of the priors, per parameter, beyond which the search has not found the circuit on the bench and nothing is
inferred. Own trials on another circuit model: 7.8 at most where the place held, 40 where it lay 1.2 MHz off."""

FEWEST_SKIRT_POINTS = 12
"""On each side of the notch; with fewer the skirts do not tell its place."""

UNLOADED_Q = 1500.0
"""What is assumed of a cavity before any sweep, within a factor of two: common practice for VHF and UHF cavities."""

COUNTS = (1, 2, 3, 4, 5, 6)
"""Cavities of one side to try where the site file does not say how many there are."""

USUAL_COUNTS = (3, 4)
"""Tried first; then fewer until the fewest are clearly behind, and more until the two most are."""

CLEARLY = 5.0
"""So far below the best does the log evidence of a number lie that is clearly behind."""

FINALISTS = 20.0
"""Numbers of cavities whose first fit lies no farther behind the best are compared with all departures."""

UNFIXED = "the skirts do not fix the notch: average on, or widen the span"

UNCOUNTED = "nobody told how many cavities there are, and the skirts do not: put their number into the site file"
"""Of their Q where the likeliest number needs a circuit as far from any ideal one as is tried: in eight of eight such
fits whose Q did not hold there were one or two cavities too many, with a half to a third of the Q."""

LEAST_LEAK = 1e-6
"""No survey rules out less (-120 dB)."""

WEIGHTY = 0.05
"""Fits with less than this share of the best one's weight do not say what shape a bottom may have."""

LEVEL_WIDTH = 1.25 * NORMAL_95
"""Half-width of a fitted level in standard deviations: under the floor a level bends more than a place (own trials on
another circuit model: 1.06 held 92 %)."""

TRACKING_DB = 0.3
"""What a thru may read beside 0 dB where nobody states it: no fit of the signal knows its level better."""

BOTTOM_POINTS, ROUGHLY = 801, 101
"""Points over a bottom for its width, and for its place alone."""

LARGEST_DEPTH_HALF_DB = 20.0
"""A depth known no better than this is not worth saying."""


@dataclass(frozen=True, slots=True)
class NotchPlace:
    """What the skirts tell of a notch.

    `centre` in Hz is the mean of the cavities' notches; `depth` in positive dB re thru at the fitted bottom;
    `rejection_at` the same at each frequency that was asked for; a spacing of notches below `singles_limit_hz` = f / 2Q
    cannot be resolved [study, F11].
    Levels hold for the loads as they were. `ideal_at` is the same for matched loads, empty unless the reflection of the
    third port's load is known.
    `bottom_width_hz` is the fitted width 3 dB above the bottom (NaN when not trusted), `shapes_at` slope and curvature
    at each frequency that was asked for (empty when not trusted). `departure` is the scale of the
    usual departures from an ideal circuit that the data ask for, `misfit` the relative error that the fit needed,
    `p_value` the chance of a fit this bad were the stated errors all; `model` (K,) the fitted response; `ended` where
    the fit ended, to begin a later one from. `centred_at`: what `rejection_at` would be with every cavity's notch
    brought to that frequency and nothing else changed. `falls`: what a drift of the whole response costs at the first
    frequency that was asked for, `falls_alone` what the shift of one cavity costs, `circuit` the fits
    themselves, `apart` the single notches (None when not trusted); `counted`: the number of cavities was told.
    """

    centre: Figure
    depth: Figure
    unloaded_q: Figure
    rejection_at: tuple[Figure, ...]
    singles_limit_hz: float
    bottom_width_hz: float
    shapes_at: tuple[BottomShape, ...]
    trusted: bool
    departure: float
    misfit: float
    p_value: float
    model: NDArray[np.complex128] | None
    why: str
    ended: NDArray[np.float64] | None = None
    ideal_at: tuple[Figure, ...] = ()
    cavities: int = 0
    centred_at: tuple[Figure, ...] = ()
    falls: Falls | None = None
    falls_alone: Falls | None = None
    circuit: Circuit | None = None
    apart: Apart | None = None
    counted: bool = True

    def sure_at(self, at_hz: float) -> Figure:
        """`rejection_at` of the first frequency that was asked for, over all places of the notches that the data allow:
        INFERRED, wider, and what a promise may rest on."""
        if not (self.trusted and self.rejection_at):
            return cant_say("dB", self.why or "no fit")
        if self.apart is None or not self.centred_at:
            return self.rejection_at[0]
        wide = self.apart.rejection(at_hz, self.centred_at[0])
        return wide if wide.known else self.rejection_at[0]

    @property
    def each(self) -> Each:
        """The cavities' own notches, from low to high, with what is not told apart as groups; nothing where the fit is
        not trusted, or where nobody told the number of cavities and the data do not part them all."""
        if self.apart is None or not (self.counted or all(self.apart.parted)):
            return Each()
        return self.apart.each if self.counted or self.apart.each.resolved else Each()

    @property
    def singles(self) -> tuple[Figure, ...]:
        """The cavities' own notches, from low to high, where all are told apart; else none."""
        may = self.apart is not None and all(self.apart.parted)
        return self.each.figures if may and self.each.resolved else ()

    def bottom(self, asked: int = 0) -> Bottom:
        """Width, and shape at one of the frequencies that were asked for; unknown when the fit is not trusted."""
        return Bottom(self.bottom_width_hz, self.shapes_at[asked] if self.shapes_at else None)


def find_notch(
    frequency_hz: NDArray[np.float64],
    s21: NDArray[np.complex128],
    noise_power: NDArray[np.float64] | float,
    *,
    relative_error: float,
    cavities: int | None,
    reject_hz: float,
    pass_hz: float | None,
    kind: str = "band-reject",
    other_side: bool = True,
    unloaded_q: float | None = None,
    port_reflection: float = 0.0,
    least_departure: float = 0.0,
    ask_hz: Sequence[float] = (),
    begin: NDArray[np.float64] | None = None,
    leakage: float | None = None,
    third_reflection: float | None = None,
    tracking_db: float = TRACKING_DB,
) -> NotchPlace:
    """Fit a chain of `cavities` notches to the averaged sweep `s21` (K,) over additive noise E|n|^2 (K,) re thru.

    `cavities` None: the number from one to six with the largest evidence. `relative_error` is the error that grows
    with the signal. `pass_hz` None or `other_side` False: a notch filter alone. `kind`: of a "pass-reject" unit the
    rods move pass and notch together. `unloaded_q` is what is expected of the cavities, within a factor of two.
    `port_reflection` is what the analyzer's ports may reflect (amplitude). `begin`: the `ended` of an earlier fit of
    the same response with fewer sweeps, which saves the search. `leakage` is the amplitude that may leak past the unit
    (None: nobody surveyed it), `third_reflection` that of the load on the third port (None: unknown; then nothing is
    said of ideal loads), `tracking_db` what a thru reads beside 0 dB at most. Never raises for data: what cannot be
    told comes back as CAN'T SAY.
    """
    noise = np.broadcast_to(np.asarray(noise_power, float), frequency_hz.shape)
    usable = np.isfinite(s21) & np.isfinite(noise) & (noise > 0) & (s21 != 0)
    f, data, noise = frequency_hz[usable], s21[usable], noise[usable]
    obstacle = _obstacle(f, data, noise, reject_hz, cavities or 1)
    if not obstacle and least_departure > 0 and int((np.abs(data) < SKIRT_LEVEL).sum()) < FEWEST_SKIRT_POINTS:
        obstacle = "hardly anything in this span is attenuated: check hook-up, channels and span"
    if obstacle:
        return no_notch(obstacle, ask_hz)
    observed = Observed(
        data, noise, relative_error, unloaded_q or UNLOADED_Q, port_reflection, least_departure,
        LEAK if leakage is None else max(leakage, LEAST_LEAK), third_reflection,
    )  # fmt: skip
    shape = ChainShape(cavities or 1, reject_hz, pass_hz, other_side and pass_hz is not None, kind == "pass-reject")
    counted = cavities is not None
    try:
        if begin is None and hidden(shape, f, observed):
            return no_notch(UNFIXED, ask_hz)
        searched = cavities is None and begin is None
        if cavities is None:
            shape, begin = _likeliest(shape, f, observed, begin)
        blend = blend_fits(shape, f, observed, begin, searched=searched)
    except np.linalg.LinAlgError:
        return no_notch("the fit did not converge on this response", ask_hz)
    return _said(blend, observed, frequency_hz, ask_hz, tracking_db, counted)


def _likeliest(
    shape: ChainShape, f: NDArray[np.float64], observed: Observed, begin: NDArray[np.float64] | None
) -> tuple[ChainShape, NDArray[np.float64] | None]:
    """The number of cavities with the largest evidence, from a usual one on until more tell nothing more, and where its
    fit ended. An earlier fit's number stands. Raises LinAlgError where no fit stands."""
    shapes = [replace(shape, cavities=count) for count in COUNTS]
    if begin is not None:
        known = [each for each in shapes if begin.size == each.size + ENDING]
        if known:
            return known[0], begin
    found: list[tuple[float, ChainShape, NDArray[np.float64]]] = []
    evidence: dict[int, float] = {}

    def tell(count: int) -> float:
        """Try so many; the evidence of the best so far."""
        evidence[count], each = -math.inf, shapes[count - 1]
        with contextlib.suppress(np.linalg.LinAlgError):
            fit = first_fit(each, f, observed)
            evidence[count] = fit.log_evidence
            found.append((fit.log_evidence, each, ending(fit, observed.relative_error)))
        return max(evidence.values())

    best = [tell(count) for count in USUAL_COUNTS][-1]
    while (fewest := min(evidence)) > COUNTS[0] and evidence[fewest] >= best - CLEARLY:
        best = tell(fewest - 1)
    while (most := max(evidence)) < COUNTS[-1] and max(evidence[most - 1], evidence[most]) >= best - CLEARLY:
        best = tell(most + 1)
    if not found:
        raise np.linalg.LinAlgError("no fit of any number of cavities stands")
    ahead = [one for one in found if one[0] > best - FINALISTS]
    if len(ahead) == 1:
        return ahead[0][1:]
    found = []
    for _, each, ended in ahead:
        with contextlib.suppress(np.linalg.LinAlgError):
            blend = blend_fits(each, f, observed, ended, patient=False, searched=True)
            found.append((blend.evidence, each, ending(blend.best, blend.relative_error)))
    _, shape, ended = max(found or ahead, key=lambda one: one[0])
    return shape, ended


def _obstacle(
    f: NDArray[np.float64], data: NDArray[np.complex128], noise: NDArray[np.float64], reject_hz: float, cavities: int
) -> str:
    if f.size < 4 * cavities + 20:
        return "too few usable samples for a fit: sweep with more points"
    if not f[0] < reject_hz < f[-1]:
        return "the sweep does not reach over the reject channel"
    strong = strong_points(data, noise)
    if int(strong.sum()) < 2 * FEWEST_SKIRT_POINTS:
        return (
            "no skirts above the floor in this span: sweep wider (in a zoom: as expected); if it is wide, a lead is off"
        )
    low, high = hidden_band(f, data, noise, reject_hz) if not strong.all() else (reject_hz, reject_hz)
    if (
        int((strong & (f <= low)).sum()) < FEWEST_SKIRT_POINTS
        or int((strong & (f >= high)).sum()) < FEWEST_SKIRT_POINTS
    ):
        return "only one skirt in the sweep, or too few points on it: move the span so that both sides rise"
    return ""


def _said(
    blend: Blend,
    observed: Observed,
    frequency_hz: NDArray[np.float64],
    ask_hz: Sequence[float],
    tracking_db: float = TRACKING_DB,
    counted: bool = True,
) -> NotchPlace:
    best, needed = blend.best, blend.relative_error
    shape, n = best.shape, best.shape.cavities
    if needed > LARGEST_MISFIT:
        why = f"not the response of {n} notch cavities (misfit {100 * needed:.0f} %): {likely_cause(best, observed)}"
        return no_notch(why, ask_hz, needed, blend.p_value)
    if strained(best, FALSE_MINIMUM):
        why = f"no usual circuit of {n} notch cavities gives this response: {likely_cause(best, observed)}"
        return no_notch(why, ask_hz, needed, blend.p_value)
    if best.departure >= DEPARTURES[-1] and float(np.abs(observed.data).max()) < PASS_SEEN:
        # Many cavities seen from the skirts alone: nothing holds the circuit (own trials: 9 of 16 places missed).
        why = (
            "the sweep reaches no pass, so that the skirts alone do not fix so many cavities: sweep over both channels"
        )
        return no_notch(why, ask_hz, needed, blend.p_value)
    span = float(frequency_hz[-1] - frequency_hz[0])
    mean = np.zeros(shape.size)
    mean[shape.places] = shape.reject_hz / n
    centre, sd_hz = blend.estimate(lambda fit: (shape.reject_hz + float(mean @ fit.p), mean))
    slack = _slack(blend, observed)
    sd_hz *= UNLIKE if observed.least_departure > 0 else 1.0
    sd_hz *= HARD_PRESSED if strained(best, PRESSED_FROM) else 1.0
    half = HALF_WIDTH * sd_hz * slack
    if not frequency_hz[0] < centre < frequency_hz[-1] or half > span / 4.0:
        return no_notch(UNFIXED, ask_hz, needed, blend.p_value)
    _, width_hz = fitted_bottom(best.chain, best.p, centre)
    asked_hz = ask_hz[0] if ask_hz else shape.reject_hz
    held = asked_hz, width_hz, float(np.abs(frequency_hz[[0, -1]] - asked_hz).min()), LEVEL_WIDTH * slack
    open_ = over_spreads(blend)
    why = f"circuit fits to {100 * needed:.1f} % only: interval widened" if needed > observed.relative_error else ""
    return NotchPlace(
        centre=inferred(centre, centre - half, centre + half, "Hz", limited_by="model" if why else "random", why=why),
        depth=_level(open_, None, tracking_db, slack),
        unloaded_q=_quality(open_, slack) if counted or best.departure < DEPARTURES[-1] else cant_say("", UNCOUNTED),
        rejection_at=tuple(_level(open_, hz, tracking_db, slack) for hz in ask_hz),
        singles_limit_hz=shape.reject_hz / 2.0 / math.exp(best.p[shape.log_q]) if n > 1 else 0.0,
        bottom_width_hz=width_hz,
        shapes_at=tuple(_shape(blend, hz, width_hz) for hz in ask_hz),
        trusted=True,
        departure=best.departure,
        misfit=needed,
        p_value=blend.p_value,
        model=np.exp(best.chain.at(frequency_hz).log_s21(best.p)[0]),
        why=why,
        ended=ending(best, needed),
        ideal_at=()
        if observed.third_reflection is None
        else tuple(_level(open_, hz, tracking_db, slack, ideal=True) for hz in ask_hz),
        cavities=n,
        centred_at=tuple(_level(open_, hz, tracking_db, slack, centred=True) for hz in ask_hz),
        circuit=Circuit(blend, slack),
        apart=Apart(blend, slack, sd_hz),
        counted=counted,
        falls=falls_together(open_, *held) if ask_hz else None,
        falls_alone=falls_alone(blend, *held) if ask_hz else None,
    )


def fitted_bottom(
    chain: Chain, p: NDArray[np.float64], centre_hz: float, points: int = BOTTOM_POINTS
) -> tuple[float, float]:
    """Where the response of a circuit with parameters `p` (P,) is lowest, and how wide it is 3 dB above, in hertz."""
    spread = float(np.ptp(p[chain.shape.places])) * chain.shape.reject_hz
    reach = spread + 2.0 * centre_hz / math.exp(p[chain.shape.log_q])
    grid = np.linspace(centre_hz - reach, centre_hz + reach, points)
    level = chain.at(grid).log_s21(p)[0].real
    low = int(np.argmin(level))
    above = level > level[low] + math.log(10.0) * 3.0103 / 20.0
    left, right = np.flatnonzero(above[:low]), np.flatnonzero(above[low:])
    first = grid[left[-1]] if left.size else grid[0]
    last = grid[low + right[0]] if right.size else grid[-1]
    return float(grid[low]), float(last - first)


def _shape(blend: Blend, at_hz: float, width_hz: float) -> BottomShape:
    """Steepest slope and sharpest curvature at a frequency that the fits allow: the largest of what those with any
    weight show, each with two standard deviations."""
    step = width_hz / 32.0
    slopes: list[float] = []
    curvatures: list[float] = []
    for fit, weight in zip(blend.fits, blend.weights, strict=True):
        if weight < WEIGHTY * blend.weights[0]:
            continue
        log, dlog = fit.chain.at(at_hz + step * np.array([-1.0, 0.0, 1.0])).log_s21(fit.p)
        left, right = np.exp(log[0] - log[1]), np.exp(log[2] - log[1])
        dleft, dright = left * (dlog[:, 0] - dlog[:, 1]), right * (dlog[:, 2] - dlog[:, 1])
        for found, value, change in (
            (slopes, right - left, dright - dleft),
            (curvatures, right + left - 2.0, dright + dleft),
        ):
            spread = math.sqrt(blend.inflation * max(float((change @ fit.covariance @ np.conj(change)).real), 0.0))
            found.append(float(abs(value)) + 2.0 * spread)
    return BottomShape(max(slopes) / (2.0 * step), max(curvatures) / (2.0 * step**2))


def _slack(blend: Blend, observed: Observed) -> float:
    """How much wider intervals are than the covariances tell, where the circuit is not quite the one on the bench."""
    far_off = FAR_OFF if blend.best.departure >= DEPARTURES[-1] else 1.0
    return far_off * (1.0 + max(blend.relative_error - observed.relative_error, 0.0) / ROUGH)


def _level(
    blend: Blend,
    at_hz: float | None,
    tracking_db: float = 0.0,
    slack: float = 1.0,
    *,
    ideal: bool = False,
    centred: bool = False,
) -> Figure:
    """Inferred attenuation in positive dB at one frequency, or of each fit at its bottom, between matched ports;
    `ideal`: with a matched load on the third port too, else with the load as it was, where nobody knows that one the
    interval reaches over both; `centred`: were every notch at that frequency. The analyzer's `tracking_db` is a sine of
    unknown phase."""
    value, sd = _estimated(blend, at_hz, ideal=ideal, centred=centred)
    half = math.hypot(LEVEL_WIDTH * slack * sd, tracking_db)
    if half > LARGEST_DEPTH_HALF_DB:
        return cant_say("dB", "the skirts do not tell the depth")
    # Of a load that nobody knows the fit tells what it does: the unit's own level is the one without it.
    unknown = not ideal and blend.observed.third_reflection is None and blend.best.departure > 0
    other = _estimated(blend, at_hz, ideal=True, centred=centred)[0] if unknown else value
    return inferred(value, min(value, other) - half, max(value, other) + half, "dB", limited_by="model")


def _estimated(blend: Blend, at_hz: float | None, *, ideal: bool, centred: bool) -> tuple[float, float]:
    """Value and standard deviation of a level in positive dB; arguments as `_level` has them."""
    db = -amplitude_db(math.e)

    def quantity(fit: ChainFit) -> tuple[float, NDArray[np.float64]]:
        given = np.r_[fit.shape.load, fit.shape.source]
        given = np.r_[given, fit.shape.waves] if ideal else given
        p = fit.p.copy()
        p[given] = 0.0
        if at_hz is None:
            mean_hz = fit.shape.reject_hz * (1.0 + float(fit.p[fit.shape.places].mean()))
            point = np.array(fitted_bottom(fit.chain, fit.p, mean_hz, ROUGHLY)[:1])
        else:
            point = np.array([at_hz])
        if centred and at_hz is not None:
            p[fit.shape.places] = at_hz / fit.shape.reject_hz - 1.0
            given = np.r_[given, fit.shape.places]
        log, dlog = fit.chain.at(point).log_s21(p)
        slope = db * dlog[:, 0].real
        slope[given] = 0.0
        return db * float(log[0].real), slope

    return blend.estimate(quantity)


def _quality(blend: Blend, slack: float) -> Figure:
    """Unloaded Q of the cavities, geometric mean: what they have in common alone may be far from it, for the larger the
    departures the less it is told from what each has of its own."""
    shape = blend.best.shape
    pick = np.zeros(shape.size)
    pick[shape.log_q] = 1.0
    pick[shape.own[1]] = 1.0 / shape.cavities
    log, sd = blend.estimate(lambda fit: (float(pick @ fit.p), pick))
    spread = math.exp(NORMAL_95 * slack * sd)
    return inferred(math.exp(log), math.exp(log) / spread, math.exp(log) * spread, "", limited_by="model")


def no_notch(why: str, ask_hz: Sequence[float], misfit: float = math.nan, p_value: float = math.nan) -> NotchPlace:
    """Nothing is told of a notch, and why."""
    nothing = cant_say("dB", why)
    return NotchPlace(
        cant_say("Hz", why), nothing, cant_say("", why), tuple(nothing for _ in ask_hz), math.nan, math.nan,
        (), False, math.nan, misfit, p_value, None, why,
    )  # fmt: skip
