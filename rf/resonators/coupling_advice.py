"""Which coupling of a band-pass side to change once its resonators stand on the channel and the match falls short.

Owns: the one coupling whose change gives most match. Refuses: more than one at a time; all is INFERRED.

Synchronously tuned, the match at the channel is the couplings' alone: the input's external Q against the first coupling
bandwidth, that against the next, and so on (Dishal, Proc. IRE 39 (1951) 1448; Ness, IEEE Trans. MTT 46 (1998) 343).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from rf.resonators.circuit import Elements, response

FACTORS = np.exp(np.linspace(-0.7, 0.7, 57))
"""So far a coupling is thought changed: to a half, to the double."""
WORTH_DB = 1.0


@dataclass(frozen=True, slots=True)
class CouplingMove:
    """`what`: "1-2", or "loop in", "loop out"; the `factor` of its coupling; `match_db` return loss at the channel
    then, with all resonators on it."""

    what: str
    factor: float
    match_db: float


def best_coupling(e: Elements, pass_hz: float) -> CouplingMove | None:
    """The change that gives most match; None where none gives WORTH_DB."""
    tuned = replace(e, f_hz=np.full(e.order, pass_hz))
    stands = match_db(tuned, pass_hz)
    changes: list[tuple[str, Callable[[float], Elements]]] = [
        (f"{i + 1}-{i + 2}", partial(_coupled, tuned, i)) for i in range(e.order - 1)
    ]
    changes.append(("loop in", lambda factor: replace(tuned, q_in=tuned.q_in / factor)))
    if math.isfinite(e.q_out):
        changes.append(("loop out", lambda factor: replace(tuned, q_out=tuned.q_out / factor)))
    found = [
        CouplingMove(what, float(factor), match_db(made(float(factor)), pass_hz))
        for what, made in changes
        for factor in FACTORS
    ]
    best = max(found, key=lambda one: (round(min(one.match_db, 26.0), 1), -abs(math.log(one.factor))))
    return best if best.match_db > stands + WORTH_DB else None


def match_db(e: Elements, at_hz: float) -> float:
    """Return loss there."""
    return -20.0 * math.log10(max(abs(complex(response(np.array([at_hz]), e).s11[0])), 1e-4))


def _coupled(e: Elements, i: int, factor: float) -> Elements:
    k = e.k.copy()
    k[i] *= factor
    return replace(e, k=k)
