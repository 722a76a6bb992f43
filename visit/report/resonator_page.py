"""A single cavity and band-pass sides in words and as JSON.

Owns: the lines. Refuses: figures of its own.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from rf.resonators.cavity_figures import CavityFigures
from rf.resonators.turns import TRIAL
from rf.values.figure import Figure
from rf.values.words import as_json, text
from visit.figures.resonators import BandSight, CavitySight
from visit.site.hookup import HookUp
from visit.site.site import Site

NO_CAVITY = "nothing was swept yet: hook-up cavity (both ports, or its place on a line), or cavity-one (one port)"
NO_PRESELECTOR = "it was not swept yet: hook-up part, lead 1 on its input, lead 2 on its output"
NO_BAND = "no band-pass side was swept yet: hook-up L>A, then H>A"
LOCK = "transmitter off and locked before a lead is moved; nuts are locked one by one while you watch"
HOW = {"pass": "a pass cavity", "notch": "a notch cavity", "one port": "by one port"}


def cavity_lines(sight: CavitySight) -> list[str]:
    """The page from top to bottom."""
    if not sight.runs:
        return [NO_CAVITY]
    lines = ["swept with " + ", ".join(f"{name} (run {run})" for name, run in sight.runs.items())]
    for one in (sight.cavity, sight.one_port):
        if one is not None:
            lines += cavity_words(one)
    lines.append(wish_words(sight))
    lines += [f"do: {deed.do} ({deed.why})" for deed in sight.deeds]
    return [*lines, LOCK]


def wish_words(sight: CavitySight) -> str:
    """What was wished, or how to say it."""
    wish = sight.wish
    parts = [
        f"at {wish.at_hz / 1e6:.4f} MHz" if wish.at_hz is not None else "",
        f"losing {wish.loss_db:g} dB" if wish.loss_db is not None else "",
        f"taking {wish.depth_db:g} dB" if wish.depth_db is not None else "",
    ]
    said = ", ".join(part for part in parts if part)
    return f"wanted: {said}" if said else "wanted: not told; type its frequency and its loss (pass) or depth (notch)"


def cavity_words(one: CavityFigures) -> list[str]:
    """Figures of a cavity, a few lines."""
    if one.why:
        return [f"{HOW[one.kind]}: {text(one.f0)} ({one.why})"]
    lines = [
        f"{HOW[one.kind]} at {text(one.f0)} as its loops stand, {text(one.bandwidth)} wide at 3 dB",
        f"without the pull of its loops: {text(one.alone)} (how far they pull: ASSUMED)",
        f"loaded Q {text(one.loaded_q)}, unloaded Q {text(one.unloaded_q)}",
    ]
    loops = zip(one.couplings, one.external_q, strict=True)
    lines += [
        f"loop {number}: coupling {text(k)}{_tightness(k)}, external Q {text(q)}"
        for number, (k, q) in enumerate(loops, 1)
    ]
    if one.loss.known:
        lines.append(f"loss at f0 {text(one.loss)}")
    if one.depth.known:
        lines.append(f"depth at f0 {text(one.depth)}")
    takes = ", ".join(f"{text(figure)} at {hz / 1e6:.4f} MHz" for hz, figure in one.at)
    return [*lines, f"takes {takes}"] if takes else lines


def _tightness(k: Figure) -> str:
    """Against critical coupling, 1; whether that is tight or loose for what is wished is another matter."""
    if not k.known:
        return ""
    return " (below critical)" if k.high < 1.0 else " (above critical)" if k.low > 1.0 else " (about critical)"


def cavity_data(sight: CavitySight) -> dict[str, object]:
    """For JSON (docs/json.md)."""
    wish = sight.wish
    return {
        "runs": sight.runs,
        "cavity": None if sight.cavity is None else _cavity_data(sight.cavity),
        "one_port": None if sight.one_port is None else _cavity_data(sight.one_port),
        "wanted": {"at_hz": wish.at_hz, "loss_db": wish.loss_db, "depth_db": wish.depth_db},
        "do": [{"do": deed.do, "why": deed.why} for deed in sight.deeds],
    }


def _cavity_data(one: CavityFigures) -> dict[str, object]:
    names = ("f0", "alone", "loaded_q", "unloaded_q", "loss", "depth", "bandwidth")
    return {
        "kind": one.kind,
        **{name: as_json(getattr(one, name)) for name in names},
        "couplings": [as_json(figure) for figure in one.couplings],
        "external_q": [as_json(figure) for figure in one.external_q],
        "takes": [{"frequency_hz": hz, **as_json(figure)} for hz, figure in one.at],
    }


def band_lines(sights: Sequence[BandSight], site: Site) -> list[str]:
    """Each side from top to bottom."""
    if not sights:
        if site.own_side is not None:
            return [NO_PRESELECTOR]
        return [NO_BAND] if site.kind == "band-pass" else [f"the site's duplexer is {site.kind}, not band-pass"]
    lines: list[str] = []
    for sight in sights:
        name = f"{sight.side.word} side" if site.own_side is None else "preselector"
        lines += [f"{name} by {sight.hookup.name} (run {sight.run}, {sight.sweeps} sweeps):"]
        lines += [f"  {line}" for line in side_words(sight, site)]
    return [*lines, LOCK]


def side_words(sight: BandSight, site: Site) -> list[str]:
    """Figures of a side, then what to turn."""
    one, deed = sight.figures, sight.deed
    if one.why:
        return [f"resonators: {text(one.centre)} ({one.why})", f"do: {deed.do}"]
    lines = [
        f"centre {text(one.centre)}, {text(one.bandwidth)} wide at 3 dB, {one.order} resonators",
        f"at {site.pass_hz(sight.side) / 1e6:.4f} MHz: loss {text(one.loss)}, return loss {text(one.return_loss)}",
        f"  with every resonator on it: loss {text(one.tuned_loss)}, return loss {text(one.tuned_return_loss)}",
        f"at {site.reject_hz(sight.side) / 1e6:.4f} MHz: rejection {text(one.rejection)}, goal"
        f" {site.goals.rejection_db:g}; tuned {text(one.tuned_rejection)}",
        f"unloaded Q {text(one.unloaded_q)}, external Q in {text(one.external_q[0])}, out {text(one.external_q[1])}",
        *resonator_words(sight),
    ]
    couplings = ", ".join(f"{n}-{n + 1} {text(k)}" for n, k in enumerate(one.couplings, 1) if k.known)
    if couplings:
        lines.append(f"couplings {couplings}")
    if one.across is not None:
        lines.append(f"across the row {one.across[0]}-{one.across[1]} {text(one.cross, signed=True)}")
    return [*lines, *deed_words(sight)]


def counted_from(hookup: HookUp) -> str:
    """From which end resonators are counted."""
    return "counted from lead 1" if hookup.alone else f"counted from port {hookup.driven}"


def resonator_words(sight: BandSight) -> list[str]:
    """Where each resonator stands."""
    from_port = counted_from(sight.hookup)
    return [
        f"resonator {number} ({from_port}) {text(off, signed=True)} off the channel"
        for number, off in enumerate(sight.figures.offsets, 1)
        if off.known
    ]


def deed_words(sight: BandSight) -> list[str]:
    """What to turn, why, what it brings."""
    deed = sight.deed
    expect = [f"expect: {deed.expect}"] if deed.expect else []
    return [f"do: {deed.do}{turn_words(sight)} ({deed.why})", *expect]


def turn_words(sight: BandSight) -> str:
    """How far and which way the screw goes; a trial turn while nobody knows."""
    if not sight.deed.what or sight.deed.by_hz == 0.0:
        return ""
    turns = sight.turns
    if not turns.known:
        return f"; which way is not known yet: {TRIAL:g} turn in, write it down, sweep"
    way = "in" if turns.value > 0.0 else "out"
    low, high = sorted((abs(turns.low), abs(turns.high)))
    unit = "turn" if abs(turns.value) <= 1.0 else "turns"
    return f": {text(replace(turns, value=abs(turns.value), low=low, high=high))} {unit} {way}"


def band_data(sights: Sequence[BandSight]) -> list[dict[str, object]]:
    """For JSON (docs/json.md)."""
    names = ("centre", "bandwidth", "loss", "return_loss", "unloaded_q", "rejection", "tuned_loss",
             "tuned_return_loss", "tuned_rejection")  # fmt: skip
    return [
        {
            "side": sight.side.word,
            "run": sight.run,
            "hookup": sight.hookup.name,
            "order": sight.figures.order,
            **{name: as_json(getattr(sight.figures, name)) for name in names},
            "resonators": [as_json(figure) for figure in sight.figures.offsets],
            "couplings": [as_json(figure) for figure in sight.figures.couplings],
            "external_q": [as_json(figure) for figure in sight.figures.external_q],
            "across": sight.figures.across,
            "cross": as_json(sight.figures.cross),
            "do": {
                "resonator": sight.deed.resonator,
                "what": sight.deed.what,
                "turns": as_json(sight.turns),
                "by_hz": sight.deed.by_hz,
                "do": sight.deed.do,
                "why": sight.deed.why,
                "expect": sight.deed.expect,
            },
        }
        for sight in sights
    ]
