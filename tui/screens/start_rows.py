"""The rows of the start screen: ports, sites and visits, the chosen one marked, the list moved to where it stands, and
what Enter does.

Owns: what of each fits the terminal. Refuses: to look for any of them; `visit.run.set_up` does.
"""

from __future__ import annotations

import time
from pathlib import Path
from typing import TypeVar

from tui.drawing.blocks import flowed, kept_blocks, labelled
from tui.drawing.marks import FAINT
from tui.drawing.rows import Row
from tui.drawing.shortened import shortened
from visit.run.set_up import BOARD, Plugged, SetUp
from visit.site.site import Site
from visit.site.typed import channels

T = TypeVar("T")
STRONG = "bold"
PORTS, SITES, VISITS = 4, 3, 2
"""So many of each stand on the screen where it has room; the rest are in the lists behind a, s and v."""
KEYS = ("a port", "s site", "n new site", "v visit", "i who is it", "d simulated", "? help", "q leave")


def start_rows(now: SetUp, said: str, width: int, room: int) -> list[Row]:
    """The whole screen, `room` rows of at most `width`: lists grow shorter before anything is left out."""
    said = said or (f"! {now.faults[0]}" if now.faults else "")
    for most in range(PORTS, 0, -1):
        blocks: list[tuple[list[Row], int | None]] = [
            ([[(" DEEPNOTCH", STRONG), ("  what measures, where, and into which visit", "")], [("", "")]], 1),
            (port_rows(now, width, most), None),
            (site_rows(now, width, min(most, SITES)), None),
            (visit_rows(now, width, min(most, VISITS)), None),
            ([[("", "")], *([(line, "")] for line in labelled("", said, width, 1))], None),
            ([[(" Local rules come first.", "")]], 2),
            ([[(line, STRONG)] for line in labelled("ENTER", enter_does(now), width)], None),
            ([[(line, FAINT)] for line in flowed(KEYS, width)], None),
        ]
        if sum(len(rows) for rows, weight in blocks if weight is None) <= room:
            break
    kept = kept_blocks([(len(rows), weight) for rows, weight in blocks], room)
    shown = [blocks[at][0] for at in kept]
    gap: list[Row] = [[("", "")]] * max(room - sum(len(rows) for rows in shown), 0)
    return [row for rows in [*shown[:-2], gap, *shown[-2:]] for row in rows]


def enter_does(now: SetUp) -> str:
    """What Enter does now."""
    if not now.ports:
        return "looks again for ports"
    if now.plugged is None:
        others = sum(not one.port.node.startswith(BOARD) for one in now.ports)
        return "choose a port: " + ("several are there" if others > 1 else "only this computer's own are there")
    if not now.plugged.profile:
        kept = "; f takes a profile that was learned before" if now.learned_profiles() else ""
        return f"learn this analyzer: nobody here knows it yet{kept}"
    if fault := now.profile_fault():
        return f"nothing: {fault}; t learns the analyzer anew, f takes another profile"
    if now.chosen_site is None:
        return "choose a site" if now.sites else "type the site, then measure"
    known = now.memory.known
    last = known.fitted and known.fitted[0] == now.plugged.fitted and known.site == str(now.site)
    name = now.plugged.fitted.name if now.plugged.fitted else ""
    return f"{'go on as last time' if last else 'go on'}: {now.chosen_site.name} with {name}"


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
