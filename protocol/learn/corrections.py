"""What a technician types about a console's words: corrections by number, and words from the paper manual.

Owns: the wording, read strictly; errors in one line that say what is offered. Refuses: to take a word back from harm
that its own description tells, and to believe anything (`sweeps` tries it).

| typed | means |
|---|---|
| `7 sets start` | word 7 of the listing sets the start |
| `12 never` | word 12 is never sent |
| `7 sets start in kHz` | the same, its number counts kilohertz; also `in hex`, `in MHz comma`, `in suffix` (430.5M) |
| `fz sets start` | a word that the listing does not show |
| `"fz={v}" sets start` | the whole command, {v} where the number stands |
| `"sw {start} {stop} {points}" sets span` | one command for several settings |
| `"fz?" tells start` | the question whose answer shows it |
| `tr1 reads s11` | a word that gives one trace |
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from protocol.errors import RequestError
from protocol.learn.dialogue import Correction, Role, Told, Word
from protocol.learn.words.lexicon import HARM, HARM_SURELY, speaking_of

FREQUENCIES = (Role.START, Role.STOP, Role.CENTRE, Role.SPAN, Role.STEP, Role.RANGE)
SETTINGS = (*FREQUENCIES, Role.POINTS, Role.BANDWIDTH, Role.AVERAGE)
EXAMPLES = '7 sets start, 12 never, fz sets stop in kHz, "sw {start} {stop}" sets span'
MOST = 200
"""Signs of one typed word or command."""

_PART = re.compile(r'(?:[^,;\n"]|"[^"\n]*")+')
_TARGET = re.compile(
    r'\s*(?:"(?P<quoted>[^"]*)"|(?P<number>\d{1,4})(?=[\s:=.])|(?P<bare>[^\s"]+))\s*[:=.]?\s*(?P<rest>.*?)\s*'
)
_UNIT = re.compile(
    r"(?P<rest>.*?)\s+in\s+(?P<unit>10\s?khz|100\s?hz|10\s?hz|hz|khz|mhz|ghz)?(?P<writing>\s*(?:hex|comma|suffix))?",
    re.IGNORECASE,
)
_FIELD = re.compile(r"\{([^{}]*)\}")
_FIELDS = {
    "start": Role.START, "stop": Role.STOP, "centre": Role.CENTRE, "center": Role.CENTRE, "span": Role.SPAN,
    "step": Role.STEP, "points": Role.POINTS, "bandwidth": Role.BANDWIDTH, "average": Role.AVERAGE, "v": None,
}  # fmt: skip
_WRITINGS = {"": "", "hex": "hex", "comma": "comma", "suffix": "si"}


def parse_corrections(text: str, words: Sequence[Word]) -> tuple[Correction, ...]:
    """All that was typed in one line; "" is nothing. A role may be cut short while one fits.

    Raises RequestError that names what was not understood.
    """
    if text.count('"') % 2:
        raise RequestError('a quote is left open: a whole command stands between two, e.g. "fz={v}" sets start')
    known = {word.number: word for word in words}
    found: dict[tuple[int, str, str], Correction] = {}
    for match in _PART.finditer(text):
        part = match.group()
        if part.strip():
            one = _one(part, known)
            key = one.told.question if one.told is not None else ""
            found[one.number, one.name, key] = one
    return tuple(found.values())


def _one(part: str, known: dict[int, Word]) -> Correction:
    match = _TARGET.fullmatch(part)
    if match is None or not match.group("rest"):
        raise RequestError(f"{part.strip()[:30]!r}: say which word and what it is, e.g. {EXAMPLES}")
    rest, unit, writing = _unit(match.group("rest"))
    if match.group("number"):
        number = int(match.group("number"))
        if number not in known:
            raise RequestError(
                f"there is no word {number}; they are numbered 1 to {max(known, default=0)} (a command of digits:"
                " between quotes)"
            )
        role, trace, tells = _role(str(number), rest)
        _harmless(known[number], role)
        if tells:
            raise RequestError(f'{number} tells {tells}: type the question itself, e.g. "{known[number].name}?" {rest}')
        told = _told(role, "", _fits(unit, role), writing, "", trace)
        return Correction(number, role, "", told)
    return _typed(match.group("quoted"), match.group("bare"), rest, unit, writing, known)


def _typed(
    quoted: str | None, bare: str | None, rest: str, unit: str, writing: str, known: dict[int, Word]
) -> Correction:
    typed = (quoted if quoted is not None else str(bare)).strip()
    form = typed.replace("\\n", "\n")
    if not form or len(form) > MOST or not form.replace("\n", "").isascii() or not form.replace("\n", "").isprintable():
        raise RequestError(f"{typed[:20]!r}: a word is printable ASCII, at most {MOST} signs")
    role, trace, tells = _role(typed[:20], rest, short=False)
    same = next((word for word in known.values() if word.name == form), None)
    if same is not None and not tells:
        _harmless(same, role)
        return Correction(same.number, role, "", _told(role, "", _fits(unit, role), writing, "", trace))
    if tells:
        return Correction(0, role, "", _told(role, "", _fits(unit, role), writing, form, trace))
    if role in (Role.NEVER, Role.UNKNOWN):
        raise RequestError(f"{typed[:20]!r}: no word of the listing is called so; only those are taken back, by number")
    form, role = _form(form, role, typed)
    name = _FIELD.split(form)[0].split("\n")[0].rstrip(" =:,") if _FIELD.search(form) else form
    if not name:
        raise RequestError(f"{typed[:20]!r}: a command begins with its word, not with a value")
    whole = form if _FIELD.search(form) else ""
    harm = HARM_SURELY.search(name)
    if harm and not whole:
        raise RequestError(
            f"{name[:20]!r} sounds like harm ({harm.group()}); if it {role.value}, type the whole command with {{v}}"
        )
    return Correction(0, role, name, _told(role, whole, _fits(unit, role), writing, "", trace))


def _told(role: Role, form: str, unit: str, writing: str, question: str, trace: str) -> Told | None:
    """What was said beyond the role."""
    return Told(role, form, unit, writing, question, trace) if form or unit or question or trace else None


def _form(form: str, role: Role, typed: str) -> tuple[str, Role]:
    """A command with its fields checked: one field becomes {v}; several make it a command for several settings."""
    names = _FIELD.findall(form)
    if "{" in _FIELD.sub("", form) or "}" in _FIELD.sub("", form):
        raise RequestError(f"{typed[:24]!r}: a brace without its partner")
    strange = [name for name in names if name not in _FIELDS]
    if strange:
        raise RequestError(f"{typed[:24]!r}: {{{strange[0][:12]}}} is no field; there are {{v}}, {_listed()}")
    if names and role not in (*SETTINGS, Role.TRACE):
        raise RequestError(f"{typed[:24]!r}: only a command that sets something has a value in it")
    if len(set(names)) != len(names):
        raise RequestError(f"{typed[:24]!r}: each field once")
    if len(names) > 1:
        ends = {"center" if name == "centre" else name for name in names}
        if not ({"start", "stop"} <= ends or {"center", "span"} <= ends or {"start", "step"} <= ends):
            raise RequestError(f"{typed[:24]!r}: needs {{start}} and {{stop}}, or {{centre}} and {{span}}, to set both")
        return form.replace("{center}", "{centre}"), Role.RANGE
    if names and _FIELDS[names[0]] not in (None, role):
        raise RequestError(f"{typed[:24]!r}: has {{{names[0]}}} in it, but is said to be what {role.value}")
    return _FIELD.sub("{v}", form), role


def _listed() -> str:
    return ", ".join(f"{{{name}}}" for name in _FIELDS if name not in ("v", "center"))


def _unit(rest: str) -> tuple[str, str, str]:
    """A role's words, and the unit said behind them."""
    match = _UNIT.fullmatch(rest)
    if match is None:
        if re.search(r"\sin\s", rest):
            raise RequestError(f"{rest[:30]!r}: in Hz, 10 Hz, 100 Hz, kHz, 10 kHz, MHz, GHz, hex, MHz comma or suffix")
        return rest, "", ""
    unit = (match.group("unit") or "").lower().replace(" ", "")
    writing = _WRITINGS[(match.group("writing") or "").strip().lower()]
    if writing in ("hex", "si") and not unit:
        unit = "hz"
    if not unit:
        raise RequestError(f"{rest[:30]!r}: in which unit? Hz, 10 Hz, kHz, MHz, GHz, hex or suffix")
    return match.group("rest"), unit, writing


def _fits(unit: str, role: Role) -> str:
    if unit and role not in (*FREQUENCIES, Role.FREQUENCIES):
        raise RequestError(f"in {unit}: only what sets or gives frequencies has a unit")
    return unit


def _harmless(word: Word, role: Role) -> None:
    """A word whose own description speaks of harm is not taken back by a correction."""
    harm = HARM.search(word.description)
    if harm and role not in (Role.NEVER, Role.UNKNOWN):
        raise RequestError(
            f"word {word.number} ({word.name[:20]}) is never sent: its own description says {speaking_of(harm)!r}"
        )


def _role(which: str, typed: str, *, short: bool = True) -> tuple[Role, str, str]:
    """The role, the trace that was said, and what it tells where it is a question for a setting."""
    words = " ".join(typed.lower().split())
    trace = re.fullmatch(r"(?:reads|gives|is) (s ?11|s ?21)", words)
    if trace:
        return Role.DATA, trace.group(1).replace(" ", ""), ""
    tells = re.fullmatch(r"tells (?:the )?(.+)", words)
    if tells:
        fits = [role for role in SETTINGS if tells.group(1) in (role.value.removeprefix("sets "), role.value)]
        if len(fits) != 1:
            offered = ", ".join(role.value.removeprefix("sets ") for role in SETTINGS)
            raise RequestError(f"{which} {words[:20]!r}: tells one of: {offered}")
        return fits[0], "", tells.group(1)
    if words.startswith("reads ") and "gives " + words[6:] in {role.value for role in Role}:
        words = "gives " + words[6:]
    exact = [role for role in Role if words == role.value or (short and words == role.value.partition(" ")[2])]
    fits = exact or [role for role in Role if words and role.value.startswith(words)]
    if len(fits) != 1:
        offered = ", ".join(fits or [role.value for role in Role])
        raise RequestError(f"{which} {words[:20]!r}: say one of: {offered}")
    return fits[0], "", ""
