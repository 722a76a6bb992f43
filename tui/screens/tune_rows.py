"""The words of the tuning screen: from what is known of the cavities to blocks of lines. Pure.

Owns: what stands where and what gives way first on a small terminal. Refuses: to compute, and to hide the cautions.
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass

from rf.repeater.hookup_check import State
from rf.values.words import text, words
from tui.drawing.blocks import Block, flowed, labelled
from tui.drawing.digits import big
from tui.drawing.marks import MarkSet
from tui.drawing.strip import Place, strip_lines
from visit.day.nudges import Told
from visit.day.tuning import Advice, Deed, Tuning, cavity_lines, spread_words
from visit.day.turn_words import told_words
from visit.figures.assessment import Assessment, Role
from visit.site.hookup import Side
from visit.site.site import Site

KEYS = (
    "t before and after a turn", "e it was another turn", "o lock nut", "+ - sweeps a look", "u not turned after all",
    "c correct an entry",    "s survey", "g bell", "h strip of places", "q back",
)  # fmt: skip


STRIP_ROWS = 8
"""Rows of the strip, its scale among them, at the usual size; half as many where there are fewer rows."""


@dataclass(frozen=True, slots=True)
class TunePicture:
    """All that is shown. `shown` the look in hand, `tuning` and `advice` rest on the last whole one; `told` what
    was entered of the next turn; `turning` a screw is being turned, `measuring` the look after a turn is being taken;
    `ghosts` label and words of what was found."""

    site: Site
    side: Side
    marks: MarkSet
    planned: int
    shown: Assessment | None = None
    tuning: Tuning | None = None
    advice: Advice | None = None
    told: Told | None = None
    turning: bool = False
    measuring: bool = False
    trusted: bool = False
    last: str = ""
    best_db: float | None = None
    ghosts: Sequence[tuple[str, str]] = ()
    strip: Sequence[Place] | None = None
    """The looks of a strip of the notch's place; None: it is not asked for."""
    now_s: float = 0.0
    strip_rows: int = STRIP_ROWS
    survey: str = ""
    """What the hands do while a survey is made between two turns; "": none is."""


def tune_blocks(p: TunePicture, width: int) -> list[Block]:
    """Blocks from top to bottom, no line wider than `width`."""
    now = (
        "SURVEY"
        if p.survey
        else "TURNING: t when done"
        if p.turning
        else "measuring the turn"
        if p.measuring
        else "looking"
    )
    if p.shown is not None and not (p.turning or p.survey):
        now += f" {min(p.shown.sweeps + p.shown.thrown_sweeps, p.planned)} of {p.planned}"
    title = f" TUNE  {p.side.value} side to {p.site.reject_hz(p.side) / 1e6:.4f} MHz"
    best = "" if p.best_db is None else f"so far INFERRED {p.best_db:.1f} dB"
    return [
        Block((f"{title}{now:>{max(width - len(title), len(now) + 3)}}",)),
        Block(tuple(_mean(p.shown, p.marks, width)), 5),
        Block(tuple(_strip(p, width)), 10),
        Block(tuple(_places(p.tuning, width)), 9),
        Block(tuple(_do(p, width))),
        Block(tuple(labelled("LAST", p.last, width=width)), 8),
        Block(tuple(_states(p, width)), 6),
        Block(tuple(labelled("BEST", best, width=width)), 2),
        Block(tuple(line for ghost in p.ghosts for line in labelled(*ghost, width=width)), 3),
        Block(tuple(flowed(KEYS, width))),
    ]


def _mean(a: Assessment | None, marks: MarkSet, width: int) -> list[str]:
    """How far the mean notch is off, to be read from the duplexer's other end."""
    if a is None:
        return labelled("MEAN", "waiting for the first figures", width=width)
    if not a.notch_offset.known:
        return labelled("MEAN", f"CAN'T SAY: {a.notch_offset.why}", width=width)
    words_of = words(a.notch_offset, signed=True)
    digits = big(words_of.number, marks)
    beside = ("  MEAN OF ALL ", f"  {words_of.word:<12}", "")
    left = [f"{head:<14}{line}" for head, line in zip(beside, digits, strict=True)]
    said = " ".join(part for part in (words_of.spread.strip(), words_of.unit, "off the channel") if part)
    after = textwrap.wrap(said, width - len(left[0]) - 2)
    if len(after) > len(left):  # digits so wide that nothing stands beside them
        return labelled("MEAN", f"{text(a.notch_offset, signed=True)} off the channel", width)
    after = [*[""] * (len(left) - len(after)), *after]
    return [f"{line}  {more}".rstrip() for line, more in zip(left, after, strict=True)]


def _strip(p: TunePicture, width: int) -> list[str]:
    return [] if p.strip is None else strip_lines(p.strip, p.now_s, width, p.strip_rows, p.marks)


def _places(tuning: Tuning | None, width: int) -> list[str]:
    if tuning is None:
        return []
    lines = cavity_lines(tuning)
    heads = ["CAVITY", *[""] * len(lines)]
    return [line for head, one in zip(heads, lines, strict=False) for line in labelled(head, one, width=width)]


def _do(p: TunePicture, width: int) -> list[str]:
    advice, seen = p.advice, p.shown
    if p.survey:
        return labelled("DO", p.survey, width=width)
    if seen is not None and seen.check.state is State.WRONG and not p.trusted:
        return [
            *labelled("DO", f"{seen.check.cure}; or y if it hangs as declared", width=width),
            *labelled("WHY", f"{seen.check.short}: no sweep is kept while it looks so", width=width),
        ]
    if p.turning:
        told = p.told or (advice.told if advice is not None else None)
        if told is None or told == Told():
            return labelled("DO", "turn ONE screw a little, then t; e says which it was", width=width)
        return labelled("DO", f"{told_words(told)}; then t (e if it was another turn)", width=width)
    if p.measuring:
        return labelled("DO", "hands off: the look after the turn is being taken", width=width)
    if advice is None:
        return labelled("DO", f"wait for a whole look of {p.planned} sweeps", width=width)
    key = ": t, turn, t" if advice.told is not None and advice.deed is not Deed.OUT_OF_REACH else ""
    do = f"{advice.do}{key}" if p.told is None else f"as entered, {told_words(p.told)}: t, turn, t"
    return [
        *labelled("DO", do, width=width),
        *labelled("WHY", advice.why, width=width),
        *labelled("EXPECT", advice.expect, width=width),
    ]


def _states(p: TunePicture, width: int) -> list[str]:
    reject = p.shown.channel(Role.REJECT) if p.shown is not None else None
    goal = f"goal {p.site.goals.rejection_db:g}"
    lines = labelled("NOW", f"rejection {text(reject.transmission)}, {goal}", width=width) if reject is not None else []
    if p.tuning is not None:
        if p.tuning.rejection.known:
            lines += labelled("SKIRTS", f"{text(p.tuning.rejection)} at the channel", width=width)
        lines += labelled("", spread_words(p.tuning), width=width)
    return lines


def bench_line(told: Told | None) -> str:
    """The line that makes the simulated hand turn so; "" where no turn was told."""
    return f"screw {told.cavity} {told.turns:g} {told.direction}" if told and told.cavity and told.turns else ""


def told_from(line: str) -> Told:
    """Words to what was told: the first whole number is the cavity, a number with a point or a second one the turns."""
    cavity: int | None = None
    turns: float | None = None
    screw, rest = "rod", []
    for word in line.replace(",", " ").split():
        try:
            number = float(word)
        except ValueError:
            if word.lower() in ("rod", "trimmer"):
                screw = word.lower()
            else:
                rest.append(word)
            continue
        if cavity is None and number == int(number) and 1 <= number <= 8:
            cavity = int(number)
        else:
            turns = number
    return Told(cavity, screw, " ".join(rest), turns)
