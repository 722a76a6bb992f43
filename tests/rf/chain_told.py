"""Fits and descents that are told instead of computed, for tests of how a search and a choice go on."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np

from rf.notch.chain_choice import Blend
from rf.notch.chain_fit import Observed
from rf.notch.chain_model import Chain, ChainShape

REJECT = 455e6
F = np.linspace(445e6, 465e6, 401)
ONE, TWO = ChainShape(1, REJECT, 450e6), ChainShape(2, REJECT, 450e6)


def hidden(count: int = 21) -> Observed:
    """Samples 40 dB over the noise but for `count` in the middle: the hidden band reaches one sample farther on either
    side, 50 kHz each."""
    data = np.full(401, 0.1 + 0j)
    data[200 - count // 2 : 201 + count // 2] = 1e-6
    data[:20] = data[-20:] = 0.9
    return Observed(data, np.full(401, 1e-6), 1e-4, 1500.0)


OBSERVED = hidden()
SEALED = replace(OBSERVED, leak=0.0)
"""Nothing may leak: no fit is tried again without a leak."""
BAND = (REJECT - 11 * 5e4, REJECT + 11 * 5e4)


def fit(
    cost: float = 0.0, *, at_hz: float = REJECT, departure: float = 0.6, evidence: float = 0.0, shape: ChainShape = ONE,
    chi2: float = 700.0, dof: float = 700.0,
) -> Any:  # fmt: skip
    p = np.zeros(shape.size)
    p[shape.places] = at_hz / REJECT - 1.0
    return SimpleNamespace(
        p=p, cost=cost, departure=departure, log_evidence=evidence, shape=shape, chain=Chain(shape, F, F[0], F[-1]),
        chi2=chi2, dof=dof, residual=np.array([1.0 + 0j] * 401), model=OBSERVED.data,
    )  # fmt: skip


def blend(best: Any, *, p_value: float = 0.5, evidence: float = 0.0) -> Blend:
    return Blend((best,), (1.0,), 1e-4, 1.0, p_value, evidence, OBSERVED)


def told(*answers: list[Any]) -> tuple[Callable[..., list[Any]], list[tuple[Any, ...]]]:
    """Descents that answer as told, in turn; the last answer again and again."""
    asked: list[tuple[Any, ...]] = []

    def fit_chains(chain: Any, observed: Any, begins: Any, departures: Any, **options: Any) -> list[Any]:
        asked.append((chain, observed, np.array(begins), list(departures), options))
        return answers[min(len(asked), len(answers)) - 1]

    return fit_chains, asked
