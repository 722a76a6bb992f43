"""From a draft to the text of a profile: every line with the evidence for it, what is not known in words at the top.

Owns: the layout of a learned file. Refuses: to write a value that the draft does not hold.
"""

from __future__ import annotations

import json
import math

from protocol.files.harmless import harmless
from protocol.learn.draft import Draft, ReadDraft
from protocol.learn.talk import Manner


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


def console_profile(draft: Draft, manner: Manner, when: str) -> str:
    """The whole file of a text console."""
    page = Page(draft.evidence)
    page.lines = head(draft.identity[:60] or "learned console", "console", when, draft.unknown)
    page.put("corrects_itself", _bool(draft.corrects_itself))
    page.put("conjugate", _bool(draft.conjugate))
    page.table("[limits]")
    page.put("start_hz", f"{draft.start_hz:.0f}")
    page.put("stop_hz", f"{draft.stop_hz:.0f}")
    page.put("min_points", str(draft.min_points))
    page.put("max_points", str(draft.max_points))
    bandwidths = draft.bandwidths_hz or [1000.0]
    why = "" if draft.bandwidths_hz else "a placeholder: no command for it is known"
    page.put(
        "bandwidths_hz",
        "[" + ", ".join(f"{hz:g}" for hz in bandwidths) + "]",
        why or draft.evidence.get("bandwidth", ""),
    )
    _timing(page, draft)
    page.table("[console]")
    page.put("prompt", text(manner.prompt.decode("ascii", "replace")))
    page.put("echo", _bool(manner.echo))
    page.put("out_end", text(manner.out_end.decode()))
    page.put("in_end", text(manner.in_end.decode()))
    if manner.error_prefix:
        page.put("error_prefix", text(manner.error_prefix))
    if manner.chatter_prefix:
        page.put("chatter_prefix", text(manner.chatter_prefix))
    if draft.bandwidth_codes:
        page.put("bandwidth_codes", "[" + ", ".join(text(code) for code in draft.bandwidth_codes) + "]")
    page.table("[console.commands]")
    page.put("identify", text(draft.identify))
    for key, value in (
        *draft.setters.items(), ("sweep", draft.sweep), ("pause", draft.pause), ("resume", draft.resume),
        ("abort", draft.abort), ("help", draft.help),
    ):  # fmt: skip
        if value:
            page.put(key, text(value))
    for read in draft.reads:
        _read(page, read)
    for command, lines in draft.readback:
        page.table("[[console.readback]]")
        page.put("command", text(command), draft.evidence.get(f"readback {command}", ""))
        page.put("lines", "[" + ", ".join(text(line) for line in lines) + "]")
    return "\n".join(page.lines) + "\n"


def _timing(page: Page, draft: Draft) -> None:
    page.table("[timing]")
    page.put("settling_s", _seconds(draft.settling_s), draft.evidence.get("timing", "not timed"))
    page.put("bandwidth_factor", f"{draft.bandwidth_factor:.3g}")
    page.put("overhead_s", _seconds(draft.overhead_s))


def _seconds(value: float) -> str:
    return f"{value:.6f}" if value < 1 else f"{value:.3f}"


def _read(page: Page, read: ReadDraft) -> None:
    page.table("[[console.reads]]")
    block = read.block
    if read.command:
        page.put("command", text(read.command), page_evidence(page, f"read {read.command}"))
    page.put("line", text(block.line()), "; ".join(
        why for why in (page_evidence(page, "form"), page_evidence(page, "order")) if why
    ))  # fmt: skip
    if block.points_per_line != 1:
        page.put("points_per_line", str(block.points_per_line), "all points came on one line")
        page.put("separator", text(block.separator or " "))
    if block.heading is not None:
        page.put("heading", text(block.heading), "stood before the points")
    if block.ending is not None:
        page.put("ending", text(block.ending), "stood behind the points")


def page_evidence(page: Page, key: str) -> str:
    """The evidence for a key, "" without."""
    return page._evidence.get(key, "")


def _bool(value: bool) -> str:
    return "true" if value else "false"


def level_text(decibels: float) -> str:
    """A level for a sentence."""
    return f"{decibels:.1f} dB" if math.isfinite(decibels) else "nothing"
