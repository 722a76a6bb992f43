"""The fitted circuit against chain matrices of its parts, with every parameter away from nothing, and its derivatives.

Source: chain (ABCD) matrices of a shunt branch and of a lossy line, and a tee as one node (Pozar, Microwave
Engineering, 4.4 and table 4.1); derivatives by central differences. The program works with admittances and an adjoint.
"""

from __future__ import annotations

import cmath
import math

import numpy as np
import pytest

from rf.notch.chain_model import LEAK_TERMS, RIPPLE_TERMS, SLOW_TERMS, Chain, ChainShape

REJECT, LOW, HIGH = 455e6, 448e6, 461e6
F = np.array([448.5e6, 450.2e6, 453.7e6, 454.9e6, 455.3e6, 458.8e6])

SHAPES = {
    "one alone": ChainShape(1, REJECT, None, other_side=False),
    "two alone": ChainShape(2, REJECT, None, other_side=False),
    "one": ChainShape(1, REJECT, 450e6),
    "pass below": ChainShape(3, REJECT, 450e6),
    "pass above": ChainShape(2, REJECT, 460e6),
    "follows below": ChainShape(2, REJECT, 450e6, pass_follows=True),
    "follows above": ChainShape(3, REJECT, 460e6, pass_follows=True),
    "a notch filter with a pass": ChainShape(2, REJECT, 450e6, other_side=False),
}


def anywhere(shape: ChainShape, seed: int = 1) -> np.ndarray:
    """Every parameter off what it usually is, by about its usual departure."""
    rng = np.random.default_rng(seed)
    p = rng.normal(size=shape.size)
    p[shape.places] *= 3e-4
    p[shape.log_x], p[shape.log_q] = 2.5 + 0.2 * p[shape.log_x], 6.5 + 0.2 * p[shape.log_q]
    p[shape.harness], p[shape.trim] = 1.0 + 0.1 * p[shape.harness], 1.0 + 0.1 * p[shape.trim]
    p[shape.other] *= 3e-4
    p[shape.loss] = 0.02
    for part in (shape.far, shape.far_turn, shape.load, shape.source, *shape.own, shape.other_own):
        p[part] *= 0.1
    p[shape.slow] *= 0.3
    p[shape.ripple] *= 0.02
    p[shape.leak] *= 0.01
    return p


def branch(f: float, place: float, x: float, q: float, channel: float, trim: float) -> complex:
    """A series resonator, and beside it a capacitor or an inductor that cancels `trim` times of it at a channel."""
    y = 1.0 / (1j * x * (f / place - place / f) + x / q)
    if channel:
        held = 1.0 / (x * (channel / place - place / channel))
        y += 1j * trim * (held * f / channel if held > 0 else held * channel / f)
    return y


def arm(branches: list[complex], lines: list[complex], end: complex) -> tuple[complex, complex]:
    """From the tee outwards: a line, a branch, a line ...; admittance at the tee, and its voltage over that at the end
    that a reflection closes."""
    whole = np.eye(2, dtype=complex)
    for y, t in zip(branches, lines, strict=True):
        whole = whole @ np.array([[cmath.cosh(t), cmath.sinh(t)], [cmath.sinh(t), cmath.cosh(t)]])
        whole = whole @ np.array([[1.0, 0.0], [y, 1.0]])
    close = (1.0 - end) / (1.0 + end)
    voltage, current = whole @ np.array([1.0, close])
    return complex(current / voltage), complex(voltage)


def s21(shape: ChainShape, p: np.ndarray, f_hz: float, leaks: bool) -> complex:
    """The same by chain matrices."""
    f, n = f_hz / REJECT, shape.cavities
    passes = 0.0 if shape.pass_hz is None else shape.pass_hz / REJECT
    own = [p[part] if part.stop > part.start else np.zeros(n) for part in shape.own]

    def pair(part: slice) -> complex:
        return complex(p[part][0], p[part][1])

    def line(quarters: float, at: float) -> complex:
        quarter = math.pi / 2.0 * f / at
        return complex(quarter * p[shape.loss], quarter * quarters)

    branches = []
    for k in range(n):
        place = 1.0 + p[k]
        channel = passes * place if shape.pass_follows else passes
        x, q = math.exp(p[shape.log_x] + own[0][k]), math.exp(p[shape.log_q] + own[1][k])
        branches.append(branch(f, place, x, q, channel, p[shape.trim] + own[2][k]))
    lines = [line(p[shape.harness] + own[3][k], 1.0) for k in range(n)]
    node, through = arm(branches, lines, pair(shape.load))
    if shape.other_side:
        x = math.exp(p[shape.log_x] + p[shape.other_own][0])
        place, q = passes * (1.0 + p[shape.other]), math.exp(p[shape.log_q])
        held = 1.0 / (x * (1.0 / passes - passes))  # cancelled at the channel that this side passes
        y = branch(f, place, x, q, 0.0, 0.0) + 1j * p[shape.trim] * (held * f if held > 0 else held / f)
        waves = p[shape.far.start : shape.far_turn.stop].reshape(-1, 2) @ [1.0, 1j]
        offset = (f_hz - REJECT) / (HIGH - LOW)  # each wave half a turn more over the span
        third = complex(sum(wave * cmath.exp(-1j * math.pi * k * offset) for k, wave in enumerate(waves)))
        node += arm([y] * n, [line(p[shape.harness] + p[shape.other_own][1], passes)] * n, third)[0]
    source = pair(shape.source)
    node += (1.0 - source) / (1.0 + source)
    off, along = (f_hz - REJECT) / ((HIGH - LOW) / 2.0), (f_hz - LOW) / (HIGH - LOW)
    slow, ripple, leak = (p[part].reshape(-1, 2) @ [1.0, 1j] for part in (shape.slow, shape.ripple, shape.leak))
    gain = sum(slow[k] * off**k for k in range(SLOW_TERMS))
    gain += sum(ripple[k] * math.cos((k + 1) * math.pi * along) for k in range(RIPPLE_TERMS))
    passed = cmath.exp(gain) * 2.0 / (through * node)
    return complex(passed + (sum(leak[k] * off**k for k in range(LEAK_TERMS)) if leaks else 0.0))


@pytest.mark.parametrize("name", SHAPES)
def test_the_circuit_is_that_of_its_parts(name: str) -> None:
    shape = SHAPES[name]
    chain, p = Chain(shape, F, LOW, HIGH), anywhere(shape)
    seen = chain.seen(p)
    assert seen.total == pytest.approx([s21(shape, p, f, True) for f in F], rel=1e-9)
    assert seen.s21 == pytest.approx([s21(shape, p, f, False) for f in F], rel=1e-9)
    assert np.exp(chain.log_s21(p)[0]) == pytest.approx(seen.s21, rel=1e-9)
    bare = p.copy()
    bare[shape.slow.start :] = 0.0
    assert chain.alone(p) == pytest.approx(chain.seen(bare).s21, rel=1e-9)
    assert chain.at(F[2:4]).seen(p).total == pytest.approx(seen.total[2:4], rel=1e-9)


@pytest.mark.parametrize("name", SHAPES)
def test_every_derivative(name: str) -> None:
    shape = SHAPES[name]
    chain, p = Chain(shape, F, LOW, HIGH), anywhere(shape, 2)
    per = np.linspace(0.5, 2.0, F.size)
    slopes, logs = chain.slopes(chain.seen(p), per), chain.log_s21(p)[1]
    dead = {shape.trim, *range(shape.own[2].start, shape.own[2].stop)} if shape.pass_hz is None else set()
    if not shape.other_side:
        dead |= {shape.other, *range(shape.far.start, shape.far_turn.stop)}
        dead |= {*range(shape.other_own.start, shape.other_own.stop)}
    for k in range(shape.size):
        step = 1e-7 if k in range(shape.cavities) or k == shape.other else 1e-5
        up, down = p.copy(), p.copy()
        up[k] += step
        down[k] -= step
        told = (chain.seen(up).total - chain.seen(down).total) / (2.0 * step) / per
        assert np.abs(slopes[k] - told).max() <= 1e-5 * max(np.abs(told).max(), 1e-9), k
        assert bool(np.abs(told).max() == 0.0) is (k in dead), k
        told = (chain.log_s21(up)[0] - chain.log_s21(down)[0]) / (2.0 * step)
        told = told.real + 1j * ((told.imag * 2.0 * step + math.pi) % (2.0 * math.pi) - math.pi) / (2.0 * step)
        assert np.abs(logs[k] - told).max() <= 1e-5 * max(np.abs(told).max(), 1e-9), k


def test_many_at_once_are_each_by_itself_and_may_be_picked_and_put() -> None:
    shape = SHAPES["pass below"]
    chain = Chain(shape, F, LOW, HIGH)
    many = np.array([anywhere(shape, seed) for seed in range(4)])
    per = np.ones(F.size)
    seen = chain.seen(many)
    slopes = chain.slopes(seen, np.ones((4, F.size)))
    for k, p in enumerate(many):
        assert seen.total[k] == pytest.approx(chain.seen(p).total, rel=1e-12)
        np.testing.assert_allclose(slopes[k], chain.slopes(chain.seen(p), per), rtol=1e-9, atol=1e-12)
    some = seen.only(np.array([2, 0]))
    np.testing.assert_allclose(chain.slopes(some, np.ones((2, F.size))), slopes[[2, 0]], rtol=1e-12)
    seen.put(np.array([1, 3]), some)
    np.testing.assert_allclose(chain.slopes(seen, np.ones((4, F.size))), slopes[[0, 2, 2, 0]], rtol=1e-12)
    assert (seen.p == many[[0, 2, 2, 0]]).all()
