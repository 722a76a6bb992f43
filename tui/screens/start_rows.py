"""The rows of the start screen: ports, sites and visits, the chosen one marked, the list moved to where it stands.

Owns: what of each fits 80 columns. Refuses: to look for any of them; `visit.run.set_up` does.
"""

from __future__ import annotations

import time
from pathlib import Path
from typing import TypeVar

from tui.drawing.marks import FAINT
from tui.drawing.rows import Row
from tui.drawing.shortened import shortened
from visit.run.set_up import Plugged, SetUp
from visit.site.site import Site
from visit.site.typed import channels

T = TypeVar("T")
STRONG = "bold"
PORTS, SITES, VISITS = 4, 3, 2
"""So many of each stand on the screen where it has room; the rest are in the lists behind a, s and v."""


def port_rows(now: SetUp, width: int, most: int = PORTS) -> list[Row]:
    """The ports that are there."""
    if not now.ports:
        return [[(" ANALYZER   none is plugged in: plug it in, then r", "")], [("", "")]]
    rows = [
        _row("ANALYZER" if number == 0 else "", one is now.plugged, port_words(one, width - 14))
        for number, one in enumerate(_around(now.ports, now.plugged, most))
    ]
    return [*rows, *_rest(len(now.ports), most, "a"), [("", "")]]


def site_rows(now: SetUp, width: int, most: int = SITES) -> list[Row]:
    """The sites of the user."""
    if not now.sites:
        return [[(" SITE       none yet: n types one (Enter asks for it too)", "")], [("", "")]]
    chosen = next((pair for pair in now.sites if pair[0] == now.site), None)
    rows = [
        _row("SITE" if number == 0 else "", pair is chosen, site_words(pair[1], width - 14))
        for number, pair in enumerate(_around(now.sites, chosen, most))
    ]
    return [*rows, *_rest(len(now.sites), most, "s"), [("", "")]]


def visit_rows(now: SetUp, width: int, most: int = VISITS) -> list[Row]:
    """A new visit and the recent ones."""
    rows = [_row("VISIT", now.visit is None, "a new one, in your data folder")]
    shown = _around(now.visits, now.visit, most)
    rows += [_row("", path == now.visit, visit_words(path, width - 14)) for path in shown]
    return [*rows, *_rest(len(now.visits), most, "v")]


def port_words(one: Plugged, width: int) -> str:
    """Name, what it says of itself, and whether it is known."""
    known = f"known: {shortened(one.fitted.name, 24)}" if one.fitted else "not known yet"
    name = one.port.stable.rpartition("/")[2] or one.port.node
    room = width - len(known) - 2
    if one.port.description and len(name) + len(one.port.description) + 2 <= room:
        name = f"{name}  {one.port.description}"
    return f"{shortened(name, room)}  {known}"


def site_words(site: Site, width: int) -> str:
    """Name and channels."""
    where = channels(site)
    return f"{shortened(site.name, width - len(where) - 2)}  {where}"


def visit_words(path: Path, width: int) -> str:
    """Name and when it was last written."""
    try:
        when = time.strftime("%Y-%m-%d %H:%M", time.localtime(path.stat().st_mtime))
    except OSError:
        when = "gone"
    return f"{shortened(path.name, width - len(when) - 2)}  {when}"


def _row(title: str, chosen: bool, words: str) -> Row:
    return [(f" {title:<9}{'>' if chosen else ' '} ", STRONG if chosen else ""), (words, STRONG if chosen else "")]


def _around(items: tuple[T, ...], chosen: T | None, room: int) -> tuple[T, ...]:
    at = items.index(chosen) if chosen in items else 0
    first = max(0, min(at - room // 2, len(items) - room))
    return items[first : first + room]


def _rest(count: int, room: int, key: str) -> list[Row]:
    return [[(f"            {count - room} more: {key}", FAINT)]] if count > room else []
