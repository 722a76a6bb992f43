"""The second witness in words and as JSON.

Owns: the lines. Refuses: figures of its own.
"""

from __future__ import annotations

from collections.abc import Sequence

from rf.values.words import as_json, text
from visit.day.witness import SideWitness
from visit.record.witness import STATES

SAFE = "transmitters off and locked; the source never above what the receiver stands; pads of 6 to 10 dB at each lead"


def witness_lines(sides: Sequence[SideWitness]) -> list[str]:
    """Each side of which anything was typed."""
    lines: list[str] = []
    for side in sides:
        if side.typed or side.maker:
            lines.append(f"{side.side.word} side, {side.reject_hz / 1e6:.4f} MHz held back:")
            lines += [f"  {line}" for line in side_lines(side)]
    return lines or ["no level of a source and a receiver was typed, nothing of the maker's curve", SAFE]


def side_lines(side: SideWitness) -> list[str]:
    """Figures of one side, the contradiction first."""
    lines = []
    if side.typed:
        lines += [f"HARDLY TO BE BELIEVED: {words}" for words in side.hardly]
        lines.append(f"by source and receiver {text(side.witness)}{_why(side)}")
        lines.append(f"by the analyzer {text(side.proof)}: {side.agreement.says}")
        if side.following:
            lines.append(f"next level: {STATES[side.following]}")
    for what, value in side.maker.items():
        lines.append(f"maker's {what} {value:g} dB as typed: {side.held[what].says}")
    return lines


def _why(side: SideWitness) -> str:
    return f" ({side.witness.why})" if side.witness.why else ""


def worth_saying(sides: Sequence[SideWitness]) -> list[str]:
    """For a report: nothing where nothing was typed."""
    return witness_lines(sides) if any(side.typed or side.maker for side in sides) else []


def witness_data(sides: Sequence[SideWitness]) -> list[dict[str, object]]:
    """For JSON (docs/json.md)."""
    return [
        {
            "side": side.side.word,
            "frequency_hz": side.reject_hz,
            "typed": side.typed,
            "witness": as_json(side.witness),
            "analyzer": as_json(side.proof),
            "agrees": side.agreement.agrees,
            "says": side.agreement.says,
            "together": as_json(side.agreement.together),
            "maker": [
                {"what": what, "db": value, "as_good": side.held[what].agrees, "says": side.held[what].says}
                for what, value in side.maker.items()
            ],
            "next": side.following,
            "hardly": list(side.hardly),
        }
        for side in sides
    ]
