"""What a turn of the ledger did, in words: the same on the screen, in the list of turns and in the report.

Owns: these words. Refuses: to say more than `visit.day.cavities` saw.
"""

from __future__ import annotations

from rf.values.words import text
from visit.day.cavities import seen_move
from visit.day.nudges import NudgeRow, Told


def did_words(row: NudgeRow, cavities: int | None) -> str:
    """How far the zero of the turned screw went; by the skirts where the ratio of the sweeps does not tell."""
    moved = seen_move(row, cavities)[2]
    if not moved.known:
        return "movement not determined"
    by_skirts = "" if row.figure("moved").known else " by the skirts"
    return f"moved{by_skirts} {text(moved, signed=True)}"


def so_many(turns: float) -> str:
    """How far to turn: hundredths, as few digits as tell it."""
    return f"{turns:.2f}".rstrip("0").rstrip(".") + (" turn" if turns <= 1.0 else " turns")


def told_words(told: Told) -> str:
    """Which screw, how far, which way."""
    what = f"{f'cavity {told.cavity}' if told.cavity else 'a cavity'}, {told.screw}"
    how = " ".join(part for part in (so_many(told.turns) if told.turns else "", told.direction) if part)
    return f"{what}: {how}" if how else what


def count_words(rows: list[NudgeRow]) -> str:
    """How many turns of how many screws."""
    screws = len({(row.side, row.told.cavity, row.told.screw) for row in rows})
    turns = "1 turn" if len(rows) == 1 else f"{len(rows)} turns"
    return f"{turns} of {'1 screw' if screws == 1 else f'{screws} screws'}"
