"""The first minute with an unknown console: line ends, prompt, echo, what a refusal looks like, the list of commands.

Owns: finding these from a handful of harmless lines. Refuses: to go on without a prompt, which is how the end of a
reply is told.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import takewhile

from protocol.learn.listing import parse_listing
from protocol.learn.talk import NEWLINE, UNKNOWN_WORDS, Talk, blotted, words_of
from protocol.learn.vocabulary import Entry

LISTEN_S = 0.6
LINE_ENDS = (b"\r", b"\n", b"\r\n")
HELP_WORDS = ("help", "?", "h", "commands", "list", "menu", "words", "usage", "help all")
ENOUGH_ENTRIES = 4


@dataclass
class Opening:
    """What the first minute told. `entries` are the commands of the instrument's own list; `evidence` a sentence for
    each thing found."""

    entries: list[Entry]
    help_word: str
    evidence: dict[str, str] = field(default_factory=dict)
    unknown: list[str] = field(default_factory=list)


async def open_console(talk: Talk) -> Opening | None:
    """Find the manner of a console and its list of commands. None when no prompt was found."""
    evidence: dict[str, str] = {}
    idle = await talk.listen(LISTEN_S)
    replies = await _prompt(talk, evidence)
    if replies is None:
        return None
    stray = [line for reply in (idle, *replies) for line in _stray(reply, talk.manner.prompt)]
    unknown: list[str] = []
    await _refusal(talk, evidence, stray, unknown)
    entries, word = await _listing(talk, evidence)
    talk.manner.in_end = _line_end(talk, evidence)
    if not entries:
        unknown.append("its list of commands: none of " + ", ".join(HELP_WORDS) + " showed one")
    return Opening(entries, word, evidence, unknown)


async def _prompt(talk: Talk, evidence: dict[str, str]) -> list[bytes] | None:
    """Which line end is heard, and what stands at the end of every answer to an empty line."""
    for end in LINE_ENDS:
        replies = [await talk.raw(end, first_s=0.5) for _ in range(4)]
        heard = [reply for reply in replies[1:] if reply]  # the first may end a line that was left open
        if len(heard) < 3:
            continue
        tails = Counter(_tail(reply) for reply in heard)
        prompt, count = tails.most_common(1)[0]
        if not prompt.strip() or count < 2:
            continue
        talk.manner.out_end, talk.manner.prompt = end, prompt
        evidence["prompt"] = f"ended the answers to {count} of 3 empty lines"
        evidence["out_end"] = f"an empty line ended by {end!r} was answered".replace("b'", "'")
        return replies
    return None


def _tail(reply: bytes) -> bytes:
    """What stands behind the last line end; the last line with its end where nothing does."""
    ends = list(NEWLINE.finditer(reply))
    if not ends:
        return reply
    last = reply[ends[-1].end() :]
    if last:
        return last
    lines = [line for line in NEWLINE.split(reply) if line.strip()]
    return lines[-1] + ends[-1].group() if lines else b""


def _stray(reply: bytes, prompt: bytes) -> list[str]:
    """Lines that came where none belongs: between prompts."""
    bare = prompt.strip()
    return [
        line.decode("ascii", "replace")
        for line in NEWLINE.split(reply.replace(prompt, b"\n"))
        if line.strip() and line.strip() != bare
    ]


async def _refusal(talk: Talk, evidence: dict[str, str], stray: list[str], unknown: list[str]) -> None:
    """Say words that no instrument knows; what is alike in the answers marks a refusal, what is extra is a remark."""
    manner = talk.manner
    shapes: list[list[str]] = []
    for word in UNKNOWN_WORDS * 2:
        got = await talk.raw(word.encode() + manner.out_end)
        first = NEWLINE.split(got)[0].strip()
        manner.echo = first == word.encode()
        shapes.append([blotted(line, word) for line in talk.body(word, got) if line.strip()])
    evidence["echo"] = (
        "a line that was sent stood first in its answer" if manner.echo else "no line that was sent came back"
    )
    counts = Counter(line for shape in shapes for line in set(shape))
    if counts:
        manner.refusal, times = counts.most_common(1)[0]
        if times < 2:
            manner.refusal = ""
    extra = [line for shape in shapes for line in shape if counts[line] < len(shapes) and line != manner.refusal]
    remarks = [line for line in (*stray, *extra) if line != manner.refusal]
    manner.chatter_prefix = _prefix_of(remarks)
    if manner.chatter_prefix:
        evidence["chatter_prefix"] = f"came unasked {len(remarks)} times, e.g. {remarks[0]!r}"
        cleared = [[line for line in shape if not line.startswith(manner.chatter_prefix)] for shape in shapes]
        again = Counter(line for shape in cleared for line in set(shape))
        manner.refusal = again.most_common(1)[0][0] if again else ""
    manner.error_prefix = _error_prefix(manner.refusal)
    if manner.error_prefix:
        evidence["error_prefix"] = f"words that no analyzer knows were answered {manner.refusal!r}".replace(
            "\\x00", "..."
        )
    elif manner.refusal:
        unknown.append("how a refusal begins: it repeats the command first")
    else:
        unknown.append("how a refusal looks: unknown words were not answered")


def _prefix_of(remarks: Sequence[str]) -> str:
    """How unasked lines begin: their signs before the first letter, else their first word."""
    if not remarks:
        return ""
    common = "".join(
        next(iter(signs)) for signs in takewhile(lambda s: len(s) == 1, map(set, zip(*remarks, strict=False)))
    )
    marks = re.match(r"[^A-Za-z0-9\s]+", common)
    if marks:
        return marks.group()
    word = re.match(r"[A-Za-z]+[:>\]=]?", common)
    return word.group() if word and len(remarks) > 1 else remarks[0].split()[0]


def _error_prefix(refusal: str) -> str:
    head = refusal.partition("\0")[0]
    if ":" in head:
        return head[: head.index(":") + 1]
    mark = re.match(r"[^A-Za-z0-9\s]+|[A-Za-z0-9]+", head.strip())
    return mark.group() if mark else ""


async def _listing(talk: Talk, evidence: dict[str, str]) -> tuple[list[Entry], str]:
    """The fullest list of commands that a word of help brings."""
    best: list[Entry] = []
    best_word, shown = "", 0
    for word in HELP_WORDS:
        lines = await talk.ask(word)
        if not lines:
            continue
        entries = [entry for entry in parse_listing(lines) if entry.word.lower() not in ("commands", "usage")]
        if len(entries) > len(best):
            best, best_word, shown = entries, word, len(lines)
        if len(best) >= ENOUGH_ENTRIES:
            break
    if best:
        evidence["help"] = f"listed {len(best)} commands on {shown} lines"
    return best, best_word


async def details(talk: Talk, opening: Opening, entry: Entry) -> Entry:
    """An entry whose arguments the list did not show, asked for by name (help sweep)."""
    if entry.shown or entry.unsafe or not opening.help_word:
        return entry
    lines = await talk.ask(f"{opening.help_word} {entry.word}")
    fuller = [found for found in parse_listing(lines or []) if found.word == entry.word and found.arguments]
    if fuller:
        return fuller[0]
    text = " ".join(lines or [])
    return Entry(entry.word, (), text, shown=False) if 0 < len(words_of(text)) < 30 and len(lines or []) < 4 else entry


def _line_end(talk: Talk, evidence: dict[str, str]) -> bytes:
    """What ends the instrument's lines, by the longest answer so far."""
    longest = max((got for _, got in talk.transcript), key=len, default=b"")
    counts = {end: longest.count(end) for end in (b"\r\n", b"\n", b"\r")}
    end = b"\r\n" if counts[b"\r\n"] and counts[b"\r\n"] >= 0.8 * counts[b"\n"] else b"\n" if counts[b"\n"] else b"\r"
    evidence["in_end"] = f"{counts[end]} lines of its longest answer ended so"
    return end
