"""Two-ports one behind the other: isolator, preamplifier, preselector, combiner beside the duplexer, as figures.

Owns: loss forwards and backwards of a chain with the interval that mismatch at each joint leaves, the exact cascade
where all phases are known, the noise figure of a chain. Refuses: a phase that nobody measured, and to know a kind.

Seen from its end a chain obeys S21 = S21_a S21_rest / (1 - S22_a S11_rest), S11 = S11_a + S21_a S12_a S11_rest / (1 -
S22_a S11_rest) (signal flow graph; Pozar, section 4.5): the first with amplitudes only gives the interval, 20 log(1 -+
|S22_a| |S11_rest|), with the largest |S11_rest| that the second allows.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rf.values.combine import total
from rf.values.decibel import amplitude, amplitude_db
from rf.values.figure import Figure, Kind, at_least, cant_say, inferred, reading

Complex = NDArray[np.complex128]


@dataclass(frozen=True, slots=True)
class Link:
    """One two-port at one frequency, in dB: `forward` loss in the signal's direction (a gain is negative), `backward`
    loss against it, return losses of its input and output."""

    forward: Figure
    backward: Figure
    match_in: Figure
    match_out: Figure

    @property
    def turned(self) -> Link:
        """The same seen from the other end."""
        return Link(self.backward, self.forward, self.match_out, self.match_in)


def chained(links: Sequence[Link], end: Figure | None = None) -> Link:
    """A chain of one link or more as one. `end`: return loss of what follows behind the last (None: matched), of which
    mismatch counts. `match_out` is that of the last link alone where it is one, else CAN'T SAY: turn the chain for it.
    """
    reflection = 0.0 if end is None else _largest(end)
    forward: list[Figure] = []
    backward = [link.backward for link in links]
    for link in reversed(links):
        loop = _largest(link.match_out) * reflection
        if loop >= 1.0:
            why = "two reflecting parts face each other: the length of the cable between decides"
            return Link(*(cant_say("dB", why, limited_by="mismatch"),) * 4)
        forward.append(link.forward)
        if loop > 0.0:
            joint = reading(0.0, amplitude_db(1.0 - loop), amplitude_db(1.0 + loop), "dB", limited_by="mismatch")
            forward.append(joint)
            backward.append(joint)
        through = _largest(link.forward) * _largest(link.backward)
        reflection = _largest(link.match_in) + through * reflection / (1.0 - loop)
    matched = at_least(-amplitude_db(reflection), "dB") if reflection > 0.0 else links[0].match_in
    only = len(links) == 1 and end is None
    return Link(
        total(forward, "dB"),
        total(backward, "dB"),
        links[0].match_in if only else matched,
        links[-1].match_out if only else cant_say("dB", "turn the chain round"),
    )


def _largest(decibels: Figure) -> float:
    """Largest amplitude that a loss or return loss leaves; a gain leaves more than 1; unknown: a whole reflection."""
    if not decibels.known or decibels.low == -math.inf:
        return 1.0
    return amplitude(-decibels.low)


def cascade(parts: Sequence[Complex]) -> Complex:
    """S (K, 2, 2) of two-ports one behind the other, all phases known; scikit-rf joins port 2 of each to port 1 of the
    next."""
    from skrf.network import connect_s  # noqa: PLC0415 - scikit-rf loads only where networks are joined

    whole = parts[0]
    for part in parts[1:]:
        whole = np.asarray(connect_s(whole, 1, part, 0), np.complex128)
    return whole


def noise_figure_of(stages: Sequence[tuple[Figure, Figure | None]], receiver_db: Figure) -> Figure:
    """Noise figure in dB at the input of a chain before a receiver of `receiver_db` (Friis 1944): a stage is its loss
    in dB (a gain is negative) and its noise figure, None for a passive one, whose noise figure is its loss at 290 K.

    It grows with each loss and each noise figure, and shrinks with a gain: its ends are in two corners.
    """
    told = [receiver_db, *(figure for stage in stages for figure in stage if figure is not None)]
    unknown = next((figure for figure in told if not figure.known), None)
    if unknown is not None:
        return cant_say("dB", unknown.why)
    if any(figure.kind in (Kind.AT_LEAST, Kind.AT_MOST) for figure in told):
        return cant_say("dB", "a part whose loss is only a bound")

    def made(pick: str) -> float:
        factor = 10.0 ** (getattr(receiver_db, pick) / 10.0)
        for loss, noise in reversed(stages):
            lost = 10.0 ** (getattr(loss, pick) / 10.0)
            own = lost if noise is None else 10.0 ** (getattr(noise, pick) / 10.0)
            factor = own + (factor - 1.0) * lost
        return 10.0 * math.log10(factor)

    low, value, high = (made(pick) for pick in ("low", "value", "high"))
    return inferred(value, min(low, value), max(high, value), "dB", limited_by="noise figures")
