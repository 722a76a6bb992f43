"""The settings that were found as commands and read-backs of a profile.

Owns: templates of commands and of answers, several fields on one line. Refuses: to try anything.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from protocol.learn.dialogue import Role
from protocol.learn.found import Found
from protocol.learn.sweeps.setters import numbers_in
from protocol.learn.sweeps.trials import Trials
from protocol.learn.sweeps.windows import FIELDS
from protocol.profiles.templates import SETTING_FIELDS, UNITS, Template

WORDS_OF_ROLES = {
    Role.START: "start", Role.STOP: "stop", Role.CENTRE: "centre", Role.SPAN: "width", Role.STEP: "step",
    Role.POINTS: "points",
}  # fmt: skip

PARTED_BY_COMMA = re.compile(r"\},[{\d]|\d,\{")
"""A field beside a comma that parts numbers: no read-back where a comma is the decimal sign as well."""
_FIELD = r"\{[a-z][^{}\"]*\}"
"""A field of a template; a bracket of the answer itself is none, such as one around an object of JSON."""


def write_commands(found: Found, trials: Trials) -> None:
    """The settings as commands and read-backs of a profile."""
    writing = trials.writing
    form = f":{writing.form}" if writing.form else ""
    for role, setter in trials.setters.found.items():
        counted = f"points:{trials.points_form}" if trials.points_form else "points"
        name = counted if role is Role.POINTS else f"{FIELDS[role]}_{setter.unit or writing.unit}{form}"
        found.commands[WORDS_OF_ROLES[role]] = setter.form.replace("{v}", f"{{{name}}}")
        if setter.source is not None and setter.source.command:
            line = _read_line(setter.source.line, name, hexed=writing.form == "hex")
            if writing.form == "comma" and PARTED_BY_COMMA.search(line):
                continue  # nobody can tell 350,5 from 350 and 5
            if any(_same_line(line, other) for other in found.readback.get(setter.source.command, ())):
                others = found.readback[setter.source.command]
                at = next(at for at, other in enumerate(others) if _same_line(line, other))
                others[at] = _merged(others[at], line)
            else:
                found.readback.setdefault(setter.source.command, []).append(line)
            found.evidence[f"readback {setter.source.command}"] = "its numbers followed what was set"
    if trials.combined:
        found.commands["span"] = trials.combined
        _combined_read(found, trials)
    found.resolution_hz = max(1.0, UNITS[writing.unit]) if writing.unit == "10hz" else 1.0


def _combined_read(found: Found, trials: Trials) -> None:
    """The read-back of a command for several settings: the line that holds them all, or one line for each."""
    command, answer = trials.combined_read
    if not command:
        return
    names = re.findall(r"\{([^}]*)\}", trials.combined)
    texts = trials.combined_texts
    lines: list[str] = []
    for line in answer:
        out = re.sub(r"\s+", " ", line).strip()
        for text, name in zip(texts, names, strict=False):
            for shown, value in numbers_in(line):
                if "{" + name not in " ".join([*lines, out]) and (shown == text or value == numbers_in(text)[0][1]):
                    si = ":si" if shown[-1:] in "kMG" and "_" in name and ":" not in name else ""
                    out = re.sub(rf"(?<![\w.{{]){re.escape(shown)}(?![\w.])", f"{{{name}{si}}}", out, count=1)
                    break
        if "{" in out:
            lines.append(_skipped(out, trials.writing.form == "hex"))
    if all("{" + name in " ".join(lines) for name in names[:2]):
        found.readback[command] = lines
        found.evidence[f"readback {command}"] = "its numbers followed what was set"


def _read_line(line: str, name: str, *, hexed: bool = False) -> str:
    """A line of an answer as a template: the value a field, other numbers skipped; a suffix is part of it."""
    head, _, tail = line.partition("{v}")
    suffix = re.match(r" ?[kMG](?:[Hh][Zz])?(?!\w)", tail)
    if suffix and ":" not in name and "_" in name:
        name, tail = f"{name.rpartition('_')[0]}_hz:si", tail[suffix.end() :]
    elif re.match(r" ?[Hh][Zz]\b", tail) and re.search(r"_(?:[kmg]|10+)hz$", name):
        name = f"{name.rpartition('_')[0]}_hz"  # set in another unit than it is told in
    elif suffix and name.endswith(":si"):
        tail = tail[suffix.end() :]
    return f"{_skipped(head, hexed)}{{{name}}}{_skipped(tail, hexed)}"


def _skipped(text: str, hexed: bool = False) -> str:
    """A text with its numbers made fields of no interest; `hexed`: frequencies are written in hexadecimal."""
    if hexed:
        text = re.sub(r"(?<![\w.{])(?:0x)?[0-9A-Fa-f]{6,8}(?![\w.}])", "{skip:hex}", text)
    return re.sub(
        rf"{_FIELD}|(?<![\w.{{])[-+]?\d+(?:\.\d+)?(?P<suffix> ?[kMG](?:[Hh][Zz])?)?(?!\w)",
        lambda match: match[0] if match[0][0] == "{" else "{skip:si}" if match["suffix"] else "{skip}",
        text,
    )


def loosened(line: str, pages: Sequence[Sequence[str]]) -> str:
    """A template of a line whose words that stand for a state are fields, as other answers to the same question show:
    `low {start_khz} hold` where `low 5000 run` came, too. `pages` holds all answers, each as its lines.

    An answer that has the line as it is changes nothing, nor does one in which more than one line would fit.
    """
    for page in pages:
        if _fitting(line, page):
            continue
        others = {one for seen in page if (one := _loose(line, seen)) != line}
        alone = [one for one in others if _fitting(one, page) == 1 and all(_fitting(one, each) < 2 for each in pages)]
        line = alone[0] if len(alone) == 1 else line
    return line


def _fitting(line: str, page: Sequence[str]) -> int:
    template = Template.parse(line, SETTING_FIELDS)
    return sum(template.read(one.encode("ascii", "replace")) is not None for one in page)


def _loose(line: str, answer: str) -> str:
    """A template that fits another answer of its kind as well; as it is for one of another kind."""
    found = _tokens(line)
    values = [at for at, token in enumerate(found) if re.search(r"\{(?!skip|word|rest)", token)]
    joined = re.sub(r"(?<=\d) (?=[kMG]?Hz\b)", "", answer) if ":si}" in line else answer
    seen = joined.split()
    named = {0, *(_name_before(found, at) for at in values)} - {-1, *values}  # what names a value, and the line
    if not values or len(seen) <= max(values) or not all(_alike(found[at], seen[at]) for at in (*named, *values)):
        return line
    unlike = [at for at, (one, other) in enumerate(zip(found, seen, strict=False)) if not _alike(one, other)]
    if len(seen) == len(found) and all(_STATE.fullmatch(found[at]) and _STATE.fullmatch(seen[at]) for at in unlike):
        return " ".join("{word}" if at in unlike else token for at, token in enumerate(found))
    if len(seen) != len(found) and all(at > values[-1] for at in unlike):
        return " ".join([*found[: values[-1] + 1], "{rest}"])
    return line


def _name_before(tokens: Sequence[str], at: int) -> int:
    """Where the word stands that names the value at `at`, past frames and signs; -1 if none does."""
    return next((one for one in range(at - 1, -1, -1) if re.search(r"\w", tokens[one])), -1)


_STATE = re.compile(r"[\[(]?[A-Za-z][A-Za-z_-]*[\])]?[.,;]?|\{word\}")
"""A word that may tell a state; a number or a name with a sign and a value is none."""


def _tokens(line: str) -> list[str]:
    return re.sub(r"\s+(?=[^{}]*\})", "", line).split()


def _alike(token: str, other: str) -> bool:
    """Whether a text of an answer may stand where a template has this one."""
    parts = re.split(r"\{[^}]*\}", token)
    pattern = r"[-+]?[\w.,]+".join(map(re.escape, parts))
    return token in ("{word}", "{rest}") or re.fullmatch(pattern, other) is not None


def _shape_of(line: str) -> str:
    return re.sub(_FIELD, "#", line)


def _same_line(one: str, other: str) -> bool:
    return _shape_of(one) == _shape_of(other) and one.count("{") > 1


def _merged(one: str, other: str) -> str:
    """Two templates of the same line, each with another field, as one."""
    fields = [
        a if not a.startswith("{skip") else b
        for a, b in zip(re.findall(_FIELD, one), re.findall(_FIELD, other), strict=True)
    ]
    parts = _shape_of(one).split("#")
    return parts[0] + "".join(field + part for field, part in zip(fields, parts[1:], strict=True))
