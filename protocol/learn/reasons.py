"""Why a console was not learned, in words that are true of what came.

Owns: the sentences about data. Refuses: to try anything.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from protocol.learn.dialogue import Role, Word
from protocol.learn.sweeps.acquire import Acquire, Acquisition
from protocol.learn.sweeps.columns import delay_of, reflecting, value_columns
from protocol.sweep import SweepSettings


def why_no_data(acquire: Acquire, words: Sequence[Word], one: SweepSettings) -> str:
    """Why no sweep with both traces was found."""
    if acquire.thin:
        return "only magnitudes came, one number a trace and point, no phase"
    if acquire.lone is not None:
        shape = acquire.lone.shapes[0]
        columns = value_columns(shape)[:2]
        frequency_hz = np.linspace(one.start_hz, one.stop_hz, shape.points)
        kinds = reflecting(shape.values[:, columns], frequency_hz, acquire.lone.told)
        turns = [delay_of(kind.complex(shape.values[:, columns]), frequency_hz) for kind in kinds[:1]]
        width = one.stop_hz - one.start_hz
        if not any(2 * np.pi * abs(delay.seconds) * width > 5 * delay.error for delay in turns):
            return "two numbers a point came, but no phase in them: only magnitudes, or numbers of another kind"
        return f"only one trace with phase came (to {acquire.lone.command!r}); no word gives the other of S11 and S21"
    if acquire.strange:
        return f"data came but were not understood; a line of them: {acquire.strange!r}"
    if not any(word.role is Role.DATA for word in words):
        return "no word is known that gives data"
    return "no word gave data for S11 and S21"


def shown(acquisition: Acquisition) -> str:
    """The first point that came."""
    row = acquisition.parts[0].shapes[0].values[0]
    return " ".join(f"{value:g}" for value in row[:6])
