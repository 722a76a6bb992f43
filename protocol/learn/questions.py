"""What only the person before the analyzer can tell: the unit of its frequencies, and what hangs on its leads.

Owns: the wording of these questions, asked only when the answer matters, and the check of each answer by the delay of
an open lead or by a sweep. Refuses: to believe an answer that the sweep contradicts.
"""

from __future__ import annotations

from collections.abc import Sequence

from protocol.learn.dialogue import Dialogue
from protocol.learn.found import MissingError, UnitUnknownError
from protocol.learn.sweeps.axis import Meaning, sensible
from protocol.learn.sweeps.columns import Kind
from protocol.learn.sweeps.windows import Writing
from protocol.profiles.templates import UNITS

OFFERED = (("Hz", "hz"), ("kHz", "khz"), ("MHz", "mhz"), ("GHz", "ghz"), ("10 Hz", "10hz"), ("100 Hz", "100hz"),
           ("10 kHz", "10khz"))  # fmt: skip
USUAL_DELAY_S = (1.5e-9, 30e-9)
"""A lead of 0.2 to 3 m, there and back; beyond it a unit that nobody told is not believed."""
OPEN = "Take everything off both leads, so that port 1 and port 2 hang open and apart from each other."
JOIN = "Join the two leads, port 1 to port 2, straight."
APART = "Take the leads apart again: port 1 and port 2 hang open."


def usual_units(delay_s: float, tried: str) -> list[str]:
    """Units with which the lead would be as long as leads are, from its delay with the unit that was tried."""
    delays = {unit: abs(delay_s) * UNITS[tried] / UNITS[unit] for _, unit in OFFERED}
    return [unit for unit, seconds in delays.items() if USUAL_DELAY_S[0] < seconds < USUAL_DELAY_S[1]]


async def unit_said(dialogue: Dialogue, tried: Writing, meaning: Meaning) -> Writing:
    """The unit that the person says. Raises UnitUnknownError when none is said, or when an open lead contradicts it."""
    delay_s, scale = abs(meaning.delay.seconds), UNITS[tried.unit]
    offered = {name: unit for name, unit in OFFERED if sensible(delay_s * scale / UNITS[unit])}
    told = f"an open lead's delay would be {delay_s * 1e9:.3g} ns with {tried.unit}, which was tried"
    if not offered:
        raise UnitUnknownError(f"the unit of its frequencies is not told, and {told}; no unit makes it a usual lead")
    names = [f"{name} (this lead: {delay_s * scale / UNITS[unit] * 1e9:.2g} ns)" for name, unit in offered.items()]
    answer = await dialogue.question("In which unit does this analyzer take frequencies?", names)
    unit = dict(zip(names, offered.values(), strict=True)).get(answer) or offered.get(answer)
    if unit is None:
        raise UnitUnknownError(f"the unit of its frequencies is not told, and {told}")
    return Writing(unit, tried.form)


async def kind_said(dialogue: Dialogue, kinds: Sequence[Kind]) -> Kind:
    """The form of the numbers that the person says. Raises MissingError when none is said."""
    names = {_form(kind): kind for kind in kinds}
    angles = len({kind.first for kind in kinds}) == 1 and kinds[0].first != "re"
    names = {name.removeprefix(f"{_size(kind)}, ") if angles else name: kind for name, kind in names.items()}
    asked = "What do the angles in its data count in?" if angles else "What are the two numbers of a trace in its data?"
    answer = await dialogue.question(asked, tuple(names))
    if answer not in names:
        may = "its angles may count in" if angles else "the two numbers of a trace may be"
        raise MissingError(
            f"{may} {' or '.join(names)}: nothing tells it, and no sweep that it takes turns the phase once round"
        )
    return names[answer]


def _form(kind: Kind) -> str:
    if kind.first == "re":
        return "real and imaginary part" + ("" if kind.divisors[0] == 1 else f" in 1/{kind.divisors[0]:g}")
    unit = {"deg": "degrees", "rad": "radians", "turn": "turns"}[kind.second]
    return f"{_size(kind)}, {unit}" if kind.divisors[1] == 1 else f"{_size(kind)}, 1/{kind.divisors[1]:g} {unit}"


def _size(kind: Kind) -> str:
    unit = {"db": "decibels", "loss": "decibels of loss"}.get(kind.first, "amplitude")
    return unit if kind.divisors[0] == 1 else f"1/{kind.divisors[0]:g} {unit}"
