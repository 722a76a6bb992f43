"""Where the descent of a chain fit begins: robust starts from the skirts alone.

Owns: a scan over coupling and place, the slow terms that belong to each, and the candidates for the spread of the
cavities. Refuses: the lowest sample; inside the clipped band nothing is looked at.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from rf.notch.chain_model import SLOW_TERMS, Chain, ChainShape
from rf.values.stretches import stretches

STRONG = 10.0
"""A sample guides the start when its power is this many times the noise: 10 dB."""

COUPLINGS = np.geomspace(0.5, 300.0, 14)
"""Reactance slopes X / Z0 to try: loops from very tight to very loose."""

QUALITIES = (0.5, 1.0, 2.5)
"""Unloaded Q to try, as multiples of the expected one."""

PLACES = (-0.5, 0.0, 0.5)
"""Places to try, in widths of the band under the floor about its middle."""

SPREADS = (0.0, 0.25)
"""Distances of the outer notches from the mean to try, in the same widths."""

TURNS = (0.0, -1.0, 1.0)
"""Turns of the phase to try within the band under the floor, beside what unwrapping makes of it,"""

UNUSUAL = 1e-2
"""and what a slope or a curvature of the gain costs there, by the square of its usual size."""

OUTLIER = 0.2
"""Misfit of log S21 beyond which a sample counts less and less, so that a wrong turn of the phase does not rule."""


def strong_points(data: NDArray[np.complex128], noise_power: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Which samples (K,) stand 10 dB or more above the noise."""
    return np.asarray(np.abs(data) ** 2 > STRONG * noise_power)


def hidden_band(
    frequency_hz: NDArray[np.float64], data: NDArray[np.complex128], noise_power: NDArray[np.float64], near_hz: float
) -> tuple[float, float]:
    """Edges in hertz of the band nearest `near_hz` that gives no guidance; the deepest sample's neighbours when all
    samples stand above the noise."""
    weak = ~strong_points(data, noise_power)
    if weak.any():
        reach = float(frequency_hz[-1] - frequency_hz[0]) / 8.0

        def worth(run: tuple[int, int]) -> float:
            """Length, discounted by the distance from the channel."""
            middle = float(frequency_hz[run[0]] + frequency_hz[run[1] - 1]) / 2.0
            return (run[1] - run[0]) / (1.0 + abs(middle - near_hz) / reach)

        first, last = max(stretches(weak), key=worth)
        return float(frequency_hz[max(first - 1, 0)]), float(frequency_hz[min(last, frequency_hz.size - 1)])
    low = int(np.argmin(np.abs(data)))
    return float(frequency_hz[max(low - 1, 0)]), float(frequency_hz[min(low + 1, frequency_hz.size - 1)])


def starts(
    chain: Chain,
    frequency_hz: NDArray[np.float64],
    data: NDArray[np.complex128],
    noise_power: NDArray[np.float64],
    unloaded_q: float,
    keep: int = 3,
) -> NDArray[np.float64]:
    """Up to `keep` parameter vectors (B, P), best first, from the `data` (K,) that stand above `noise_power` (K,)."""
    shape = chain.shape
    strong = strong_points(data, noise_power)
    low, high = hidden_band(frequency_hz, data, noise_power, shape.reject_hz)
    middle, width = (low + high) / 2.0, high - low

    def tried(guesses: list[NDArray[np.float64]]) -> NDArray[np.float64]:
        """The guesses with their slow terms, best first."""
        filled = np.array(guesses)
        misfits = _slow_terms(chain, filled, data, strong, middle)
        return filled[np.argsort(misfits)]

    pairs = [(coupling, share * unloaded_q) for coupling in COUPLINGS for share in QUALITIES]
    loops = _different(tried([_guess(shape, middle, x, q, 0.0) for x, q in pairs]), shape, keep)
    places = [middle + share * width for share in PLACES]
    if low - width <= shape.reject_hz <= high + width:
        places.append(shape.reject_hz)
    finer = []
    for p in loops:
        x, q = math.exp(p[shape.log_x]), math.exp(p[shape.log_q])
        finer += [_guess(shape, place, x, q, spread * width) for place in places for spread in SPREADS]
    return _different(tried(finer), shape, keep)


def loops(
    chain: Chain,
    frequency_hz: NDArray[np.float64],
    data: NDArray[np.complex128],
    noise_power: NDArray[np.float64],
    unloaded_q: float,
    keep: int,
) -> NDArray[np.float64]:
    """Up to `keep` parameter vectors (B, P), best first, each of another coupling, with its best Q and the notches in
    the middle of the band under the floor."""
    strong = strong_points(data, noise_power)
    middle = sum(hidden_band(frequency_hz, data, noise_power, chain.shape.reject_hz)) / 2.0
    guesses = np.array([
        _guess(chain.shape, middle, coupling, share * unloaded_q, 0.0) for coupling in COUPLINGS for share in QUALITIES
    ])  # fmt: skip
    misfits = _slow_terms(chain, guesses, data, strong, middle).reshape(-1, len(QUALITIES))
    best = np.arange(len(COUPLINGS)) * len(QUALITIES) + misfits.argmin(axis=1)
    return np.asarray(guesses[best[np.argsort(misfits.min(axis=1))][:keep]])


def reordered(shape: ChainShape, p: NDArray[np.float64]) -> NDArray[np.float64]:
    """The same start (P,) with the cavities in other orders (B, P): turned round, each pair exchanged, and single ones
    moved to either end. From the skirts alone these look nearly alike, and a descent does not pass from one to the
    other."""
    n = shape.cavities
    first = tuple(range(n))
    orders = {first[::-1]}
    for a in range(n):
        for b in range(a + 1, n):
            swapped = list(first)
            swapped[a], swapped[b] = swapped[b], swapped[a]
            orders.add(tuple(swapped))
        rest = tuple(k for k in first if k != a)
        orders |= {(a, *rest), (*rest, a)}
    orders.discard(first)
    turned = []
    for order in sorted(orders):
        q = p.copy()
        for part in (shape.places, *shape.own):
            q[part] = q[part][list(order)] if part.stop > part.start else q[part]
        turned.append(q)
    return np.array(turned)


def _guess(
    shape: ChainShape, place_hz: float, coupling: float, unloaded_q: float, spread_hz: float
) -> NDArray[np.float64]:
    p = np.zeros(shape.size)
    offsets = np.linspace(-1.0, 1.0, shape.cavities) if shape.cavities > 1 else np.zeros(1)
    p[: shape.cavities] = (place_hz + offsets * spread_hz) / shape.reject_hz - 1.0
    p[shape.log_x], p[shape.log_q] = math.log(coupling), math.log(unloaded_q)
    p[shape.harness] = p[shape.trim] = 1.0
    return p


def _slow_terms(
    chain: Chain, p: NDArray[np.float64], data: NDArray[np.complex128], strong: NDArray[np.bool_], middle_hz: float
) -> NDArray[np.float64]:
    """Put the slow terms that fit best into each of `p` (B, P); return the misfits (B,) of log S21 over the strong
    samples, 0 to 1, and what unusual slow terms cost.

    How often the phase turns within the band under the floor, about `middle_hz`, no sample tells: once more and once
    less are tried.
    """
    if strong.sum() < SLOW_TERMS + 1:  # a zoom under the floor: nothing tells slow terms from none
        p[:, chain.shape.slow] = 0.0
        return np.ones(len(p))
    with np.errstate(all="ignore"):
        ratio = data / chain.alone(p)
    ratio = np.where(np.isfinite(ratio) & (ratio != 0), ratio, 1.0)
    x = chain.powers[1]
    pair = strong[1:] & strong[:-1]
    turn = (ratio[:, 1:] * np.conj(ratio[:, :-1]))[:, pair]
    per_x = np.angle((turn / np.abs(turn)).sum(axis=1)) / float(x[1] - x[0])
    rest = ratio[:, strong] * np.exp(-1j * per_x[:, None] * x[strong])
    log = np.log(np.abs(rest)) + 1j * np.unwrap(np.angle(rest), axis=1)
    basis, inverse = chain.powers[:, strong], np.linalg.pinv(chain.powers[:, strong])
    beyond = 2j * math.pi * (chain.f[strong] * chain.shape.reject_hz > middle_hz)
    found, misfit = np.zeros((len(p), SLOW_TERMS), complex), np.full(len(p), math.inf)
    for turns in TURNS:
        turned = log + turns * beyond
        c = turned @ inverse
        square = np.abs(turned - c @ basis) ** 2
        off = np.mean(square / (square + OUTLIER**2), axis=1)
        off += UNUSUAL * ((c[:, 1].real / 0.3) ** 2 + (c[:, 2].real / 0.1) ** 2 + (c[:, 2].imag / 0.3) ** 2)
        better = off < misfit
        found[better], misfit[better] = c[better], off[better]
    found[:, 1] += 1j * per_x
    p[:, chain.shape.slow] = np.stack((found.real, found.imag), axis=2).reshape(len(p), -1)
    return np.asarray(misfit)


def _different(ordered: NDArray[np.float64], shape: ChainShape, keep: int) -> NDArray[np.float64]:
    """The first `keep` that are not neighbours of one another on the grid."""
    chosen: list[NDArray[np.float64]] = []
    near = 1.5 * math.log(COUPLINGS[1] / COUPLINGS[0])
    for p in ordered:
        if not any(
            abs(p[shape.log_x] - q[shape.log_x]) < near
            and abs(p[shape.log_q] - q[shape.log_q]) < 0.1
            and np.allclose(p[shape.places], q[shape.places])
            for q in chosen
        ):
            chosen.append(p)
        if len(chosen) == keep:
            break
    return np.array(chosen)
