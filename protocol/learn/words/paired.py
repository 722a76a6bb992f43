"""Words that nothing describes but their unit: two that count hertz and are named as the two ends of one thing.

Owns: start and stop told by a pair of names with a unit of frequency each, and the count that stands beside them.
Refuses: one such word alone (a reference and an oscillator count hertz, too), three of a kind, any name that sounds of
harm.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from protocol.learn.dialogue import Role
from protocol.learn.words.lexicon import HARM, HARM_NAME

FIRST = ("start", "begin", "first", "from", "low", "lower", "left", "initial", "bottom", "minimum")
LAST = ("stop", "end", "last", "to", "upto", "high", "upper", "right", "final", "finish", "top", "maximum")
COUNTS = frozenset(
    ("points", "point", "pts", "pt", "pnts", "pnt", "npts", "npt", "np", "n", "nop", "nofp", "num", "nr", "no",
     "number", "count", "cnt", "cn", "ct", "samples", "sample", "smp", "smpl", "smpls", "nsmp", "dots")
)  # fmt: skip
"""Names that mean a number of points and nothing else; `ps` and `sl` may be a preset and a slot."""
_STEMS = re.compile(r"(?i)(?:sw|swp|sweep|scan)?[._-]?(?:f|fr|fq|frq|freq|frequency|hz|edge|end|[abehkqwx])?[._-]?")
"""What two names that differ in their last sign may begin with: oscillators (o1), clocks, markers have numbers, too."""
UNIT = re.compile(
    r"\W*(?:[fvn]\W+)?(?:in )?(?:\d+ ?)?(?:[kMG]?Hz|HZ|KHZ|MHZ|GHZ|[kmg]?hz|FREQ|freq|"
    r"(?i:(?:kilo|mega|giga)?hertz))(?i:,? \d{1,2} digits)?\W*(?:--\W*)?"
)
"""An argument that is a frequency and nothing else."""
_RANGE = re.compile(r"\D{0,3}(\d{1,3}) ?(?:\.\.\.?|-|to) ?(\d{2,6})\D{0,3}")
_COUNTED = re.compile(r"(?i)\W*(?:points?|pts|n|(?:number|count)(?: of points)?)\W*")


def paired(rows: Sequence[tuple[str, str, str]], *, known: bool = False) -> dict[int, tuple[Role, str]]:
    """Roles of words by their place. A row is the word itself, its arguments, its description (each may be "").

    `known`: what sets the frequencies is known already, only the count is looked for.
    """
    counting = [
        at
        for at, (word, arguments, told) in enumerate(rows)
        if (UNIT.fullmatch(arguments) or UNIT.fullmatch(told)) and not HARM_NAME.search(word) and not HARM.search(told)
    ]
    ends = None if known else _ends({at: rows[at][0] for at in counting})
    if ends is None and not known:
        return {}
    found: dict[int, tuple[Role, str]] = {}
    if ends is not None:
        why = f"{rows[ends[0]][0]!r} and {rows[ends[1]][0]!r} are named as two ends, and count hertz"
        found = {ends[0]: (Role.START, why), ends[1]: (Role.STOP, why)}
    counts = [
        at
        for at, (word, arguments, told) in enumerate(rows)
        if at not in found and word.lower() in COUNTS and not HARM_NAME.search(word)
        and any(_counts(text) for text in (arguments, told) if text.strip())
    ]  # fmt: skip
    if len(counts) == 1:
        found[counts[0]] = (Role.POINTS, "its name is short for a count, and it takes a whole number")
    return found


def _ends(words: dict[int, str]) -> tuple[int, int] | None:
    """The two that are named as ends; None where there are none, or more than one pair."""
    low = [at for at, word in words.items() if _short_for(word, FIRST)]
    high = [at for at, word in words.items() if _short_for(word, LAST)]
    if len(low) == len(high) == 1 and low != high:
        return low[0], high[0]
    alike = [
        (one, other)
        for one, first in words.items()
        for other, second in words.items()
        if len(first) == len(second) <= 9
        and first[:-1] == second[:-1]
        and ord(second[-1]) == ord(first[-1]) + 1
        and _STEMS.fullmatch(first[:-1])
    ]
    return alike[0] if len(alike) == 1 and len(words) == 2 else None


def _counts(text: str) -> bool:
    """Whether an argument is a count of points: a range that goes from few to many, or the word."""
    found = _RANGE.fullmatch(text.strip())
    return _COUNTED.fullmatch(text) is not None or (
        found is not None and 1 <= int(found.group(1)) <= 101 and int(found.group(2)) >= 51
    )


def short_for_first(word: str) -> bool:
    """Whether a word names the lower end of a sweep, whole or cut short."""
    return _short_for(word, FIRST)


def short_for_last(word: str) -> bool:
    """The same for the upper end."""
    return _short_for(word, LAST)


def _short_for(word: str, wholes: Sequence[str]) -> bool:
    """Whether a word is one of these or is made of its letters in their order, the first of them first."""
    name = re.sub(r"^(?:sweep|swp|freq)[._/-]?(?=\w)|^f[._/-](?=\w)", "", word.lower())
    name = re.sub(r"(?<=[a-z]{2})[._/-]?(?:freq|frq|hz)$", "", name)
    return any(_made_of(name, whole) for whole in wholes)


def _made_of(name: str, whole: str) -> bool:
    if name == whole:
        return True
    if not name.isalpha() or name[0] != whole[0] or len(name) > len(whole):
        return False
    if len(name) == 1:
        return False
    letters = iter(whole)
    return all(letter in letters for letter in name)
