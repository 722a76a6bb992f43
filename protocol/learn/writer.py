"""From a draft to the text of a profile: every line with the evidence for it, what is not known in words at the top.

Owns: the layout of a learned file. Refuses: to write a value that the draft does not hold.
"""

from __future__ import annotations

import json
from collections.abc import Sequence

from protocol.dialects.reply import Manner
from protocol.files.harmless import harmless
from protocol.learn.found import Found
from protocol.learn.session import Session

WOKEN = "it asked for it before it listened"
MOST_PRINTED = 80
"""Lines of what a console printed that a half-filled profile keeps."""


def text(value: str) -> str:
    """A TOML string."""
    return json.dumps(value)


def wrapped(lines: list[str], width: int = 110) -> list[str]:
    """Sentences as comment lines."""
    out = []
    for line in lines:
        rest = f"# {harmless(line)}"
        while len(rest) > width:
            cut = rest.rfind(" ", 0, width)
            cut = cut if cut > 2 else width
            out.append(rest[:cut])
            rest = "#   " + rest[cut:].strip()
        out.append(rest)
    return out


class Page:
    """Lines of a TOML file, each with its evidence behind it."""

    def __init__(self, evidence: dict[str, str]) -> None:
        self.lines: list[str] = []
        self._evidence = evidence

    def put(self, key: str, value: str, evidence: str = "") -> None:
        """`key = value`, the evidence as a comment."""
        why = evidence or self._evidence.get(key, "")
        self.lines.append(f"{key} = {value}" + (f"  # {harmless(why)}" if why else ""))

    def table(self, name: str) -> None:
        """A new table."""
        self.lines += ["", name]


def head(name: str, family: str, when: str, unknown: list[str]) -> list[str]:
    """The first lines: what this is, when it was learned, what is not known."""
    lines = [f"# Learned from the analyzer itself on {when}. Behind each line stands the evidence for it."]
    if unknown:
        lines.append("# Not known:")
        lines += wrapped([f"- {sentence}" for sentence in unknown])
    else:
        lines.append("# Nothing that was looked for stayed unknown.")
    return [*lines, "schema = 1", f"family = {text(family)}", f"name = {text(name)}"]


def console_profile(session: Session, when: str) -> str:
    """The whole file of a text console; keys that are missing stand in it as comments."""
    found, manner = session.found, session.manner()
    page = Page(found.evidence)
    page.lines = head(found.identity[:60] or "learned console", "console", when, found.unknown)
    page.put("corrects_itself", "false", "not known; the learner looks at open leads only")
    page.put("conjugate", _bool(found.meaning.conjugate if found.meaning else False), "by the slope of S11's phase")
    _limits(page, found)
    _timing(page, found)
    page.table("[console]")
    _framing(page, session, manner)
    page.table("[console.commands]")
    asked = _commands(page, session)
    _reads(page, found)
    for command, lines in found.readback.items():
        page.table("[[console.readback]]")
        page.put("command", text(command), found.evidence.get(f"readback {command}", ""))
        page.put("lines", _list(lines))
    if (not found.commands and not asked) or found.meaning is None:
        page.lines += _printed(session)
    return "\n".join(page.lines) + "\n"


def _timing(page: Page, found: Found) -> None:
    page.table("[timing]")
    seconds = found.acquisition.seconds if found.acquisition else 0.0
    points = found.acquisition.parts[0].shapes[0].points if found.acquisition and found.acquisition.parts else 0
    each = max(seconds / points if points else 0.0, 0.001)
    page.put("settling_s", f"{each:.4f}", f"a sweep of {points} points while learning took {seconds:.2f} s")
    page.put("bandwidth_factor", "2.0", "assumed; the pace is learned while sweeping")
    page.put(
        "overhead_s", f"{seconds + 0.3:.2f}", "the whole of that sweep once more: how it grows with points is not known"
    )
    page.put("reply_s", "1.5")
    page.put("quiet_s", "0.15")


def _framing(page: Page, session: Session, manner: Manner) -> None:
    """How replies are framed, and how a sweep is waited for."""
    found = session.found
    page.put("prompt", _list(manner.prompts) if manner.prompts else text(""))
    page.put("echo", _bool(manner.echo))
    page.put("out_end", text(session.talk.out_end.decode()))
    if session.talk.keys:
        page.put("keys", "true")
    for key, values in (
        ("ends", manner.ends),
        ("refusals", manner.refusals),
        ("remarks", manner.chatter),
        ("counts", manner.counts),
        ("heads", manner.heads),
    ):
        if values:
            page.put(key, _list(values))
    if manner.sums:
        page.put("sums", text(manner.sums), "it named the right one behind lines that had none")
    page.put("resolution_hz", f"{found.resolution_hz:g}")
    if found.bounds.codes:
        page.put("bandwidth_codes", _list(found.bounds.codes))
    acquisition = found.acquisition
    if acquisition is not None and not acquisition.sweep:
        page.put("reads_sweep", "true", "asking for data brought a new sweep")
    if acquisition is not None and acquisition.again:
        page.put("asks_again", "true", "data were refused while a sweep ran")
    elif acquisition is not None and not acquisition.poll and any(part.command for part in acquisition.parts):
        page.put(
            "asks_again",
            "true",
            "assumed: nothing tells when a sweep has ended; a longer one may refuse data until then",
        )
    if acquisition is not None and acquisition.poll:
        page.put("ready", text(acquisition.ready))
    page.put("axis", text(found.axis))


def _commands(page: Page, session: Session) -> bool:
    """The commands, those that are missing as comments; whether the sweep's own command carries the settings."""
    found, acquisition = session.found, session.found.acquisition
    if session.opening.wake:
        page.put("wake", text(session.opening.wake), session.opening.evidence.get("wake", WOKEN))
    page.put("identify", text(found.identify))
    if found.unlock:
        page.put("unlock", text(found.unlock), "typed by hand, and kept by the technician's wish; it is in clear here")
    for key, value in found.commands.items():
        page.put(key, text(value))
    if found.bounds.bandwidth:
        page.put("bandwidth", text(found.bounds.bandwidth))
    if acquisition is not None:
        enough = " " if acquisition.enough else ""
        for key, value in (("sweep", acquisition.sweep), ("poll", acquisition.poll), ("enough", enough)):
            if value:
                page.put(key, text(value))
    elif found.commands:
        page.lines.append('# MISSING: sweep = "..."')
    asked = acquisition is not None and "{" in acquisition.sweep
    if not found.commands and not asked:
        page.lines += [
            '# MISSING: start = "... {start_hz}"',
            '# MISSING: stop = "... {stop_hz}"',
            '# MISSING: points = "... {points}"',
        ]
    if found.help and found.help != found.identify:
        page.put("help", text(found.help))
    return asked


def _printed(session: Session) -> list[str]:
    """What the console said of itself, as comments: whoever finishes the file may never have seen it."""
    lines = list(dict.fromkeys(line.rstrip() for line in session.opening.printed if line.strip()))[:MOST_PRINTED]
    return ["", "# What it printed when it was asked for its words:", *(f"#   {harmless(line, 110)}" for line in lines)]


def _limits(page: Page, found: Found) -> None:
    bounds = found.bounds
    page.table("[limits]")
    for key, value in (
        ("start_hz", f"{bounds.start_hz:.0f}"), ("stop_hz", f"{bounds.stop_hz:.0f}"),
        ("min_points", str(bounds.min_points)), ("max_points", str(bounds.max_points)),
    ):  # fmt: skip
        if float(value) > 0:
            page.put(key, value)
        else:
            page.lines.append(f"# MISSING: {key} = ...")
    if bounds.points:
        page.put("points", "[" + ", ".join(map(str, bounds.points)) + "]", "others were not taken")
    bandwidths = bounds.bandwidths_hz or [1000.0]
    why = (
        "the console lists them; none was refused" if bounds.bandwidths_hz else "a placeholder: no word for it is known"
    )
    page.put("bandwidths_hz", "[" + ", ".join(f"{hz:g}" for hz in bandwidths) + "]", why)


def _reads(page: Page, found: Found) -> None:
    if found.acquisition is None or found.meaning is None:
        page.lines += [
            "# MISSING: [[console.reads]]",
            '#   command = "..."  # and the line of one point, as it comes:',
            '#   line = "{frequency_hz} {s11_re} {s11_im} {s21_re} {s21_im}"',
        ]
        return
    for part, rows in zip(found.acquisition.parts, found.meaning.names, strict=True):
        first = True
        for shape, names in zip(part.shapes, rows, strict=True):
            if not names.traces and not any(name.startswith("frequency") for name in names.fields):
                continue
            if not names.traces and found.acquisition.axis is None and len(part.shapes) > 1:
                continue
            page.table("[[console.reads]]")
            if first and part.command:
                page.put("command", text(part.command), f"{shape.points} points came, as many as were set")
                if part.piece:
                    page.put("piece", str(part.piece))
                    page.put("first", str(part.first))
            elif not first:
                page.put("same", "true")
            first = False
            page.put("line", text(shape.line(names.fields)), found.evidence.get("columns", ""))
            page.put("loose", "true")
            if shape.stream:
                page.put("points_per_line", "0")
            for key, value in (("begin", shape.begin), ("finish", shape.finish)):
                if value:
                    page.put(key, text(value))
    axis = found.acquisition.axis
    if axis is not None and found.axis == "list":
        page.table("[[console.reads]]")
        page.put("command", text(axis.command))
        page.put("line", text(axis.shapes[0].line([f"frequency_{found.listed}"])))
        page.put("loose", "true")


def _list(values: Sequence[str]) -> str:
    return "[" + ", ".join(text(value) for value in values) + "]"


def _bool(value: bool) -> str:
    return "true" if value else "false"
