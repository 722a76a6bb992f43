"""The first minute with an unknown console: line end, prompt, echo, what a refusal looks like, the list of words.

Owns: the order in which it is approached: listen, a lone line end, one sign that is no word, then questions for help.
Refuses: to send a letter before it is known that the console takes lines, and anything after a warning.
"""

from __future__ import annotations

import re
import time
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from protocol.dialects.reply import LINE_END, Manner, cleaned
from protocol.files.harmless import harmless
from protocol.learn.words.framing import closing_apart, numbered_alike, numbered_head
from protocol.learn.words.hushing import hushed, streamed
from protocol.learn.words.lexicon import HARM, HARM_NAME
from protocol.learn.words.talk import FEWEST_LISTED, NEWLINE, Talk, asks, asks_at_last
from protocol.learn.words.wrapped import verbs_of
from protocol.profiles.sums import kind_of

LISTEN_S = 0.5
KEY_S = 0.7
"""A lone sign is given so long: a slow menu of keys that answers later would take the letters of a word for keys."""
COUNTING_S = 3.0
"""Remarks that count sweeps come within this."""
SELDOM_S = 12.0
"""A remark that came to two signs by chance comes by itself within this; what a key shows does not."""
SURE_S = 2.0
"""And so long once more, before the first letter is sent."""
LINE_ENDS = (b"\r", b"\n", b"\r\n")
HELP_WORDS = (
    "?", "help", "commands", "menu", "cmds", "usage", "hlp", "??", "words", "HELP", "cmd", "CMD", "HLP",
    "h", "list", "man", "H",
)  # fmt: skip
"""Words of help; the last four mean something else on some consoles (hold, play a list, by hand), so they come last."""
PLAIN_HELP = ("?", "help", "??", "commands", "menu", "cmds", "usage", "hlp", "HELP")
"""Words that mean nothing but help: they are tried although nothing tells unknown words apart."""
ENOUGH, FEWEST_NAMES = 4, 6
FEWEST_REFUSED = 2
"""Lines that a refusal has at most."""
DECLINED = re.compile(rb"(?:[yY] ?/ ?\[[nN]\]|[\[(]y/N[\])])[ ?:]*$")
"""A question that waits from before, whose answer is no unless somebody says yes."""


HINTS = tuple(
    re.compile(pattern, re.IGNORECASE)
    for pattern in (
        r'"try"\s*:\s*(\{[^{}]*\})',
        r"\btry\b[:\s]*(\(\w+\)|\{[^{}]*\})",
        r"(?<!\S)([/\\:.!@](?:help|h|list|menu|commands|cmds))\b",
        r"\b(?:try|type|say|see|use|send|enter)\b[:\s]*[\"'<]?([A-Za-z?]{1,12}(?:\.[A-Za-z]{1,12})?)(?![\w(])",
        r"([@?A-Za-z]{1,12})['\"]?(?: alone)? (?:lists|shows|prints)\b",
        r"([@?A-Za-z]{1,12})[`'\"]?(?: alone)? (?:shows|gives|prints) (?:all |the |every |a )*"
        r"(?:list|calls|orders|commands|words|verbs|menu|help)\b",
        r"[`'\"]([A-Za-z]{1,12})[`'\"] to (?:see|list|show) (?:the |all )*(?:commands|words|calls|orders)\b",
        r"\b(?:enter|type|press|send|use) [`'\"]?([A-Za-z]{1,3})[`'\"]? for (?:the |a )?"
        r"(?:menu|list|help|index|commands|words)\b",
        r"(?<![\w<-])([A-Za-z?]{1,3}) ?(?:=|is) ?(?:the )?(?:menu|list|index|help)\b",
        r"\((?:menu|list|help|index): ?([A-Za-z?]{1,3})\)",
        r"\((?:list|help): ([A-Za-z?]{1,12})\)",
        r"(?<![\w.])(help\(\))",
        r"(?<!\w)((?i:h|he|hp|hl|hel|hlp)|[?])(?: is|:)? for (?:help|(?:a |the )?(?:list|commands|words))\b",
        r"(?<!\w)([A-Za-z?]{1,3}) ?= ?help\b",
        r"^\S{1,6} \(([a-z]{2,10})\)$",
        r"\b(?:start|begin) with ['\"]?([^\w\s])['\"]?$",
        r"(?<![\w<-])(ls|dir|menu|map|index|ops|toc|verbs|commands)(?![\w>-])",
    )
)
"""Ways in which a refusal names the word that lists the words."""
SHOWS = re.compile(
    r"(?i)(?<![\w.,-])(\d{1,2}|[^\w\s\"'(),.:;-])(?: alone)? (?:(?:is |= )?(?:shows|lists|prints|gives|for)|=|is)"
    r" (?:it|(?:the |a |this |all )*(?:list|card|menu|help|commands?|words|index))\b"
)
"""The same where it is a number or a sign; judged by this clause alone."""
LISTS = re.compile(
    r"(?i)\blists\b|\b(?:shows|gives|prints) (?:all |the |every |a )*(?:list|calls|orders|commands|words|verbs|menu)\b|"
    r"(?:=|\bis|\bfor) ?(?:the |a )?(?:menu|index|list|help)\b|\((?:menu|index|list|help): |\bhelp\(\)|"
    r"\bto (?:see|list|show) (?:the |all )*(?:commands|words|calls|orders)\b|"
    r"\bfor (?:help|(?:a |the )?(?:list|commands|words))\b"
)
"""The text itself says that the word lists."""
HINTED = re.compile(
    r"(?i)[({/\\:.!@]?(?:\W*\b\w{1,8}\W+)?(?:\?+|h|help|hlp|list|ls|dir|menu|map|index|words?|commands?|cmds?|ops|verbs|usage|man|toc|catalogu?e?|"
    r"contents|topics|about|syntax|card|sheet|guide|legend|orders|instructions|directions|vocabulary|lexicon|glossary|"
    r"codes|manual|primer|hints?|calls|messages|phrases|signals|hello|hi|wake|vars?|variables|params|parameters|names|"
    r"keywords|functions|actions|overview|summary)\W*"
)
"""Words that are known to list or to greet, in whatever signs; another word is not sent because a refusal names it:
it may name any."""


REFUSES = r"(?i:no|err|error|bad|sorry|refused|denied|failed): (?=\w)"
"""What a refusal may begin with; all that begins so is one."""
STATE = re.compile(rb"(?:\w+ ?[=:] ?[-+.\w]*\d[.\w]*[\s,;]*){2,}")
"""A line of settings, each behind its name."""


class TalksError(Exception):
    """It sends data by itself, and nothing tells how to stop it. The text is a line of them."""


class KeyMenuError(Exception):
    """It acts on single keys; nothing more is sent. The text is what it showed."""


@dataclass
class Opening:
    """What the first minute told: every line that the console printed, and the word that lists its words."""

    printed: list[str] = field(default_factory=list)
    banner: list[str] = field(default_factory=list)
    """What it said before it was asked anything."""
    help_word: str = ""
    wake: str = ""
    """What it wants to hear before it listens, by its own words."""
    evidence: dict[str, str] = field(default_factory=dict)
    answers: bool = False
    echoes: bool = False
    """Whether a line came back, and nothing else."""


async def open_console(talk: Talk) -> Opening:
    """Approach a console. Raises AsksError when it warns or asks, KeyMenuError when it acts on single keys."""
    opening = Opening()
    idle = await talk.listen(LISTEN_S)
    if not DECLINED.search(cleaned(idle).rstrip()):  # an empty line, which comes next, declines
        asks(idle, "")
    _menu(idle)
    opening.banner = [line for line in _texts(idle) if len(line.strip()) > 2]
    unasked = streamed(idle)
    if unasked:
        opening.wake = await hushed(talk, LINE_ENDS, hinted)
        if not opening.wake:
            raise TalksError(unasked)
        opening.evidence["wake"] = "it named this word for stopping what it sent by itself"
    tails = await _line_end(talk, opening, idle)
    await _refusals(talk, opening, tails)
    return opening


def _menu(got: bytes) -> None:
    """A text that says that keys act at once."""
    text = cleaned(got).decode("ascii", "replace")
    if re.search(r"(?i)press a key|single key|hit a key|\?\s*=\s*keys", text):
        raise KeyMenuError(harmless(text, 120))


async def _line_end(talk: Talk, opening: Opening, idle: bytes) -> list[bytes]:
    """Which line end is heard; the answers to empty lines and to a lone sign."""
    heard: dict[bytes, list[bytes]] = {}
    for end in LINE_ENDS:
        talk.out_end = end
        got = await talk.raw(end, 0.25, pages=True)
        _asks(got)
        _menu(got)
        heard[end] = [got]
    for end in LINE_ENDS:
        talk.out_end = end
        if end == LINE_ENDS[0]:
            key = await _no_keys(talk, KEY_S)
            got = key + await talk.raw(end, 0.4, pages=True)
        else:
            got = await talk.raw(b"*" + end, 0.4, pages=True)
        _asks(got, "*")
        heard[end].append(got)
        if _says(got):
            opening.answers = True
            again = await talk.raw(end, 0.3, pages=True)
            opening.evidence["out_end"] = f"a line ended by {end!r} was answered".replace("b'", "'")
            return [heard[end][0], got, again]
    listing = max(LINE_ENDS, key=lambda end: len(cleaned(heard[end][0]).strip()))
    if len(LINE_END.split(cleaned(heard[listing][0]).strip())) >= ENOUGH:  # it answers an empty line, and nothing else
        talk.out_end, opening.answers = listing, True
        return heard[listing][:1]
    echoing = [end for end in LINE_ENDS if any(cleaned(got).strip() == b"*" for got in heard[end][1:])]
    talk.out_end = (echoing or LINE_ENDS)[0]
    opening.echoes = bool(echoing)
    return []


def _asks(got: bytes, command: str = "") -> None:
    """Raise AsksError when the answer to an empty line warns or asks; a list of words may speak of warnings."""
    if (
        sum(
            re.match(r"\s*\S{1,16}(?:\s*[-:=|]\s|\s\s|\t| [<{\[]|[=:][<{A-Z])", line) is not None
            for line in _texts(got)
        )
        > 2 * FEWEST_LISTED
    ):
        asks_at_last(got)
    else:
        asks(got, command)


def _texts(got: bytes) -> list[str]:
    return [line.decode("ascii", "replace") for line in LINE_END.split(cleaned(got)) if line.strip()]


def _says(got: bytes) -> bool:
    """More than the sign's own echo."""
    return bool(cleaned(got).strip(b" \r\n*\x00\xfe"))


async def _no_keys(talk: Talk, seconds: float) -> bytes:
    """Send one sign that is no word, without a line end; the echo that came. Raises KeyMenuError when it is answered
    and the console is quiet unasked."""
    got = await talk.raw(b"*", seconds)
    shown = cleaned(got).strip(b" \r\n")
    if shown in (b"", b"*"):
        return got
    counts = re.search(rb"\d", shown) is not None  # a remark that counts comes again by itself, if seldom
    if cleaned(await talk.listen(COUNTING_S if counts else max(seconds, LISTEN_S))).strip():  # it talks all the time
        return b""
    again = await talk.raw(b"*", SURE_S)  # a remark that came by itself does not come again
    if cleaned(again).strip(b" \r\n") in (b"", b"*"):
        return again
    if counts and await _comes_unasked(talk, cleaned(again)):
        return b""
    raise KeyMenuError(harmless(shown.decode("ascii", "replace"), 120))


async def _comes_unasked(talk: Talk, seen: bytes) -> bool:
    """Whether a line like the one that came twice to a sign comes once more to nothing, but for its numbers."""
    shapes = {_no_numbers(line) for line in LINE_END.split(seen) if line.strip(b" *")}
    until = time.monotonic() + SELDOM_S
    while shapes and time.monotonic() < until:
        heard = LINE_END.split(cleaned(await talk.listen(LISTEN_S)))
        if any(_no_numbers(line) in shapes for line in heard):
            return True
    return False


def _no_numbers(line: bytes) -> bytes:
    return re.sub(rb"\d+(?:\.\d+)?", b"#", line).strip(b" *")


def _sums_wanted(asked: list[tuple[bytes, bytes]]) -> str:
    """The sum that refusals name behind each line as it was sent; "" where they name none."""
    pairs = {}
    for word, reply in asked:
        if not word and not cleaned(reply).strip():
            continue  # an empty line is often let pass
        match = re.search(rb"(?:^|\s)" + re.escape(word) + rb"([^\w\s*][0-9A-Fa-f]{2,3})(?!\w)", cleaned(reply))
        if match is None:
            return ""
        pairs[word] = match.group(1)
    found = kind_of(pairs)
    return f"{found[1].decode()}{found[0]}" if found else ""


def _without_sums(line: str, sums: str) -> str:
    return re.sub(rf"{re.escape(sums[0])}[0-9A-Fa-f]{{2,3}}(?!\w)", "", line)


def _one_by_one(empty: bytes, one: bytes, two: bytes) -> bool:
    """Whether two signs on a line are answered twice over: then keys act, whatever the time that an answer takes."""
    none, once, twice = (sorted(cleaned(text).replace(b"*", b"")) for text in (empty, one, two))
    return once != none and sorted(twice + none) == sorted(once + once)


async def _refusals(talk: Talk, opening: Opening, tails: list[bytes]) -> None:
    """Echo, prompt, end of replies and refusal, from lines that are no word; then the words of help."""
    got = []
    if opening.answers:
        if talk.manner.sums:  # it takes lines, and only whole ones
            got = [await talk.raw(b"*" + talk.out_end, 0.4, pages=True)]
        else:
            sign = await _no_keys(talk, SURE_S)
            got = [sign + await talk.raw(talk.out_end, 0.4, pages=True)]
        got += [await talk.raw(text + talk.out_end, 0.4, pages=True) for text in (b"**", b"*")]
    empty = [await talk.raw(talk.out_end, 0.3, pages=True) for _ in range(2)] if opening.answers else []
    if got and _one_by_one(empty[0], got[0], got[1]):
        raise KeyMenuError(harmless(_texts(got[1])[0], 120) if _texts(got[1]) else "each sign is answered")
    framed = _framed([*tails[-1:], *empty], got) if opening.answers else Manner((), opening.echoes)
    talk.manner = replace(framed, sums=talk.manner.sums)
    for reply in (*tails, *got):
        opening.printed += [line for line in talk.lines(reply) if len(line) > 2]
    if opening.answers and not talk.manner.sums:
        sums = _sums_wanted([(b"*", got[0]), (b"**", got[1]), *((b"", reply) for reply in empty[:1])])
        if sums:
            talk.manner = Manner(sums=sums)
            opening.printed = [_without_sums(line, sums) for line in opening.printed]
            opening.evidence["sums"] = "it named the right sum behind lines that had none"
            await _refusals(talk, opening, [])
            return
    if opening.answers:
        talk.manner = _refusal(talk, [(b"*", got[0]), (b"**", got[1]), (b"*", got[2])])
        opening.evidence["prompt"] = "ended the answers to empty lines" if talk.manner.prompts else "none came"


def _framed(empty: list[bytes], got: list[bytes]) -> Manner:
    """Prompts and echo by what stands open at the end of every answer."""
    tails = [_open_line(reply) for reply in (*empty, *got) if reply]
    echo = bool(got) and all(
        LINE_END.split(cleaned(reply).lstrip(b"\r\n"))[0].strip() == text
        for reply, text in zip(got, (b"*", b"**", b"*"), strict=False)
    )
    counted = Counter(re.sub(rb"\d+", b"{n}", tail) for tail in tails if tail.strip())
    if counted:
        shape, times = counted.most_common(1)[0]
        if times >= max(2, 0.6 * len(tails)):
            raw = Counter(tail for tail in tails if re.sub(rb"\d+", b"{n}", tail) == shape)
            text = shape if len(raw) > 1 else next(iter(raw))
            return Manner((text.decode("ascii", "replace"),), echo)
    alone = [LINE_END.split(cleaned(reply).strip()) for reply in empty if cleaned(reply).strip()]
    ends = Counter(lines[-1].strip() for lines in alone)
    if ends and len(empty) >= 2:
        line, times = ends.most_common(1)[0]
        last = [LINE_END.split(cleaned(reply).strip())[-1].strip() for reply in got if cleaned(reply).strip()]
        more = any(len(LINE_END.split(cleaned(reply).strip())) > 1 + echo for reply in got)  # else it is a refusal
        if STATE.fullmatch(line):
            return Manner((), echo)  # it tells what holds, and will tell it in other numbers
        if times >= 2 and last and more and all(text == line for text in last):
            return Manner((line.decode("ascii", "replace"),), echo)
    return Manner((), echo)


def _open_line(reply: bytes) -> bytes:
    """What stands behind the last line end."""
    return NEWLINE.split(cleaned(reply))[-1].replace(b"\xfe", b"").replace(b"\x00", b"")


def _refusal(talk: Talk, asked: list[tuple[bytes, bytes]]) -> Manner:
    """Lines that came to every word that is none."""
    shapes: Counter[str] = Counter()
    for word, reply in asked:
        lines = talk.lines(reply, word.decode())
        if len(lines) <= 3:
            shapes.update({_blotted(line, word.decode()) for line in lines if not STATE.fullmatch(line.encode())})
    common = [shape for shape, times in shapes.items() if times == len(asked)] or numbered_alike(
        [talk.lines(reply, word.decode()) for word, reply in asked]
    )
    closing = [shape for shape in common if len(common) > 1 and re.fullmatch(r"[=*#$~@%:]\d{1,5}", shape)]
    if closing and not talk.manner.prompts:  # a checksum behind the refusal
        common = [shape for shape in common if shape not in closing]
        talk.manner = replace(talk.manner, ends=(f"{closing[0][0]}{{n}}",))
    counts = tuple(re.sub(r"\d+", "{n}", shape) for shape in common if re.fullmatch(r"\d+ [a-z]+", shape))
    worded = [shape for shape in common if not re.fullmatch(r"\d+ [a-z]+", shape)]
    refusals = tuple(one for shape in worded for one in _coded(shape))
    talk.nonsense = tuple(worded)
    numbered = [match for shape in common if (match := re.match(r"([^\w\s{*]\w{0,3} ?)\d+ \w", shape))]
    others = tuple(f"{match.group(1)}{{n}} {{word}}" for match in numbered)  # other numbers, other reasons
    heads = [match.group() for shape in common if (match := re.match(r"[-!?~] (?=[A-Za-z])|" + REFUSES, shape))]
    others += tuple(f"{head.strip()} {{word}}" for head in heads)
    others += tuple(f"{head} {{word}}" for shape in common if (head := numbered_head(shape)))
    return replace(talk.manner, refusals=(*refusals, *others), counts=counts)


def _coded(shape: str) -> tuple[str, ...]:
    """A short refusal with a number: other numbers are other refusals. A sign and a digit is a code, whose zero is said
    where nothing is wrong."""
    if re.fullmatch(r"[^\w\s{}][1-9]", shape):
        return tuple(f"{shape[0]}{digit}" for digit in range(1, 10))
    return (re.sub(r"\d+", "{n}", shape) if len(shape) <= 12 and "{" not in shape else shape,)


def _blotted(line: str, word: str) -> str:
    rest = line.replace(word, "", 1)
    wild = "{word}" if re.search(r"[A-Za-z]", rest) else "{x}"  # a word with nothing but signs around it
    return line.replace(word, wild, 1) if word in line else line


async def list_words(talk: Talk, opening: Opening) -> list[str]:
    """The fullest text that a word of help brings, all pages of it."""
    best: list[str] = []
    empty = talk.listed(await talk.say("", pages=True), "")
    if len(empty) >= ENOUGH or _row_of_words(empty):
        opening.help_word, best = "", empty
    if not opening.answers:
        for end in (talk.out_end,) if talk.manner.echo else LINE_ENDS:
            talk.out_end = end
            for word in PLAIN_HELP:
                best = best or await _first(talk, word, best, opening)
            if best:
                opening.answers = True
                break
    told = [line for line in dict.fromkeys(opening.printed) if not talk.refused([line])]
    spoken = opening.printed if len(told) < 2 * ENOUGH else []  # words of a list are no hints
    hints = [word for word in hinted([*talk.manner.refusals, *opening.banner, *spoken]) if word not in HELP_WORDS]
    waiting = [*hints, *HELP_WORDS] if opening.answers else []  # what says nothing may act all the same
    while waiting and len(best) < ENOUGH:
        word = waiting.pop(0)
        letter = len(word) == 1 and word.isalpha()
        if letter and not (talk.manner.refusals or talk.manner.error_prefix):
            continue  # a letter may be a command; where unknown words are refused it is most likely one of help
        if letter and word.isupper() and any(map(_has_small, (*opening.printed, *talk.manner.refusals))):
            continue  # it writes small letters: a capital is none of its letters for help
        before = len(talk.transcript)
        best = await _first(talk, word, best, opening)
        said = talk.lines(talk.transcript[before][1], word)
        if not best and 0 < len(said) <= FEWEST_REFUSED:  # a word is refused otherwise than a sign
            more = [one for one in hinted(said) if one not in (*hints, *HELP_WORDS)]
            hints, waiting = [*hints, *more], [*more, *waiting]
        if word in hints and opening.help_word != word and len(best) < ENOUGH:
            lines = talk.lines(talk.transcript[before][1], word)
            if lines and not talk.refused(lines):
                opening.wake = word
                await _refusals(talk, opening, [])
    told = [line for line in dict.fromkeys(opening.printed) if not talk.refused([line])]
    if not best and len(told) >= ENOUGH:
        best = told
    return best


def _has_small(line: str) -> bool:
    """Whether a line has small letters of its own."""
    return re.search(r"[a-z]", re.sub(r"\{\w+\}", "", line)) is not None


def _row_of_words(lines: Sequence[str]) -> bool:
    """Whether the lines are names with commas between them, and nothing else."""
    names = [part.strip() for part in ",".join(lines).split(",") if part.strip()]
    return len(names) >= FEWEST_NAMES and all(re.fullmatch(r"[A-Za-z][\w.-]{0,15}", name) for name in names)


def hinted(lines: Sequence[str]) -> list[str]:
    """What a refusal says should be sent instead to see a list of words; nothing that speaks of harm."""
    found = []
    verbs = verbs_of(lines)
    if verbs is not None and verbs.read == "GET":
        found.append("GET /")
    for line in lines:
        found += [
            match.group(1) for match in SHOWS.finditer(line) if not HARM.search(re.sub(r"\bcard\b", "", match.group()))
        ]
        for pattern in HINTS:
            for match in pattern.finditer(line.replace('\\"', '"')):
                word = match.group(1).rstrip(".,;:!")
                known = LISTS.search(match.group()) or HINTED.fullmatch(word) or not re.search(r"[A-Za-z]", word)
                told = HINTED.fullmatch(word) or not HARM.search(line)
                if word and word not in found and known and told and not HARM_NAME.search(word):
                    found.append(word)
    return list(dict.fromkeys(found))[:4]


async def _first(talk: Talk, word: str, best: list[str], opening: Opening) -> list[str]:
    talk.permit(word)
    got = await talk.say(word, pages=True)
    talk.manner = closing_apart(talk.manner, talk.lines(got, word))
    talk.nonsense = tuple(line for line in talk.nonsense if line not in talk.manner.ends)
    lines = talk.listed(got, word)
    if talk.refused(lines) or len(" ".join(lines)) <= max(20, len(" ".join(best))):
        return best
    opening.help_word = word
    opening.evidence["help"] = f"listed its words on {len(lines)} lines"
    return lines
