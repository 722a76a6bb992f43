"""The further two-ports of the chain in words and as JSON.

Owns: the lines. Refuses: figures of its own.
"""

from __future__ import annotations

from collections.abc import Mapping

from rf.repeater.chain import Link
from rf.values.words import as_json, text
from visit.day.parts import Part, PartPath
from visit.site.site import Site

NAMES = {"forward": "loss", "backward": "backwards", "match_in": "return loss in", "match_out": "out"}
WORDS = {"transmit": "transmitter to duplexer", "receive": "duplexer to receiver"}


def parts_lines(paths: Mapping[str, PartPath], site: Site) -> list[str]:
    """Each path with its parts and what they make together; a gain is a negative loss."""
    lines: list[str] = []
    for place, path in paths.items():
        if path.low is None or path.high is None:
            continue
        lines.append(f"{WORDS[place]}:")
        for part in path.parts:
            source = "file" if part.stored.touchstone else "measured"
            noise = f", noise figure {text(part.noise_figure)}" if part.noise_figure is not None else ""
            lines.append(f"  {part.stored.name} ({part.stored.kind}, {source}{noise})")
            lines += [f"    {line}" for line in _both(site, part.low, part.high)]
        if len(path.parts) > 1:
            how = "all phases known" if path.exact else "mismatch at each joint in any phase"
            lines += [f"  together ({how})", *(f"    {line}" for line in _both(site, path.low, path.high))]
    return lines or ["no further parts: deepnotch part FILE.visit NAME --kind KIND --place PLACE --file FILE.s2p"]


def _both(site: Site, low: Link, high: Link) -> list[str]:
    return [f"{hz / 1e6:.4f} MHz: {_words(link)}" for hz, link in ((site.low_hz, low), (site.high_hz, high))]


def _words(link: Link) -> str:
    return ", ".join(f"{name} {text(getattr(link, key))}" for key, name in NAMES.items())


def parts_data(paths: Mapping[str, PartPath]) -> dict[str, object]:
    """For JSON (docs/json.md)."""
    return {
        place: {
            "parts": [_part_data(part) for part in path.parts],
            "exact": path.exact,
            "low": None if path.low is None else _link_data(path.low),
            "high": None if path.high is None else _link_data(path.high),
        }
        for place, path in paths.items()
    }


def _part_data(part: Part) -> dict[str, object]:
    stored = part.stored
    return {
        "name": stored.name,
        "kind": stored.kind,
        "runs": [row for row in (stored.run, stored.back) if row is not None],
        "noise_figure": None if part.noise_figure is None else as_json(part.noise_figure),
        "low": _link_data(part.low),
        "high": _link_data(part.high),
    }


def _link_data(link: Link) -> dict[str, object]:
    return {key: as_json(getattr(link, key)) for key in NAMES}
