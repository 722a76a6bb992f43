"""What the repeater gains, in words and as JSON.

Owns: the page, understandable to the owner of a site. Refuses: figures of its own; `visit.day.gains` has them.
"""

from __future__ import annotations

from dataclasses import fields

from rf.values.figure import Figure
from rf.values.words import as_json, text
from visit.day.gains import ALLOWED_DB, At, Gains

NO_POWER = "type the transmitter's power first (deepnotch gains FILE.visit --power W)"
NAMES = {
    "noise_dbm_hz": "transmitter's noise at the receiver",
    "noise_margin": "it lies below the receiver's own by",
    "desense": "desensitisation",
    "carrier_dbm": "carrier at the receiver",
    "carrier_margin": "the carrier lies below what blocks the receiver by",
    "deafness": "loss, site noise and desensitisation together",
    "radiated_dbm": "power into the feeder",
}
BETWEEN = {
    "noise": "isolation at the receive channel",
    "carrier": "isolation at the transmit channel",
    "transmit_loss": "loss for the transmitter",
    "receive_loss": "loss for the receiver",
}


PLAIN = (
    "desensitisation is by how much the transmitter deafens the receiver: 3 dB are half its sensitivity, 0.5 dB nobody"
    " hears; isolation is what the duplexer keeps of the transmitter from the receiver"
)
OWNERS = ("noise", "desense", "carrier_margin", "radiated_dbm")
"""What the owner of a site asks of each time."""


def gains_lines(gains: Gains, *, brief: bool = False) -> list[str]:
    """The page: the change in words first, then before and after, what was seen, what it all rests on. `brief`: the
    page of a report, with what its owner asks only; the words are the same."""
    if not gains.known.radios.power_dbm.known:
        return [NO_POWER]
    lines = [heard_words(gains), radiated_words(gains.radiates), PLAIN]
    for at in (gains.before, gains.after):
        if at is not None:
            lines += [f"{at.when}:", *(f"  {line}" for line in at_lines(at, brief=brief))]
    lines += seen_lines(gains)
    noise, carrier = gains.needed
    lines.append(
        f"needed for {ALLOWED_DB:g} dB of desensitisation: {text(noise)} against the transmitter's noise,"
        f" {text(carrier)} against its carrier"
    )
    return [*lines, *(f"rests on: {source}" for source in gains.known.sources)]


def seen_lines(gains: Gains) -> list[str]:
    """What was seen with the radio, and whether it fits."""
    return [f"seen {one.when}, {one.name} {one.decibels:g} dB: {one.says}" for one in gains.seen]


def at_lines(at: At, *, brief: bool = False) -> list[str]:
    """One time, a figure a line."""
    told = [(key, name, getattr(at.between, key)) for key, name in BETWEEN.items()]
    told += [(key, name, getattr(at.outcome, key)) for key, name in NAMES.items()]
    lines = [f"{name}: {said(figure)}" for key, name, figure in told if key in OWNERS or not brief]
    if at.site.known or not brief:
        lines.append(f"deafer by the site's noise, transmitter off: {said(at.site)}")
    if at.sensitivity_dbm.known:
        lines.append(f"sensitivity at the antenna port: {text(at.sensitivity_dbm)}")
    return [*lines, at.says]


def said(figure: Figure) -> str:
    """A figure, with the reason where it has none."""
    return text(figure) if figure.known else f"{text(figure)} ({figure.why})"


def heard_words(gains: Gains) -> str:
    """The range in words."""
    hears, farther = gains.hears, gains.farther
    if not hears.known:
        return f"whether it hears farther: {text(hears)} ({hears.why})"
    by = f"{text(hears, signed=True)}, {text(farther, signed=True)} in distance (plane earth to free space)"
    if hears.low > 0.0:
        return f"the repeater hears FARTHER than as found: {by}"
    if hears.high < 0.0:
        return f"the repeater hears LESS FAR than as found: {by}"
    return f"that the repeater hears farther than as found is not shown: {by}"


def radiated_words(radiates: Figure) -> str:
    """What more goes to the antenna."""
    if not radiates.known:
        return f"power to the feeder: {text(radiates)} ({radiates.why})"
    return f"power to the feeder changed by {text(radiates, signed=True)}"


def gains_data(gains: Gains) -> dict[str, object]:
    """For JSON (docs/json.md)."""
    return {
        "hears": as_json(gains.hears),
        "farther": as_json(gains.farther),
        "radiates": as_json(gains.radiates),
        "before": _at_data(gains.before),
        "after": _at_data(gains.after),
        "seen": [
            {"when": one.when, "name": one.name, "db": one.decibels, "agrees": one.agrees, "says": one.says}
            for one in gains.seen
        ],
        "radios": {one.name: as_json(getattr(gains.known.radios, one.name)) for one in fields(gains.known.radios)},
        "needed": {"noise": as_json(gains.needed[0]), "carrier": as_json(gains.needed[1])},
        "sources": list(gains.known.sources),
        "assumed": gains.known.assumed,
        "words": [heard_words(gains), radiated_words(gains.radiates)],
    }


def _at_data(at: At | None) -> dict[str, object] | None:
    if at is None:
        return None
    between = {key: as_json(getattr(at.between, key)) for key in BETWEEN}
    follows = {key: as_json(getattr(at.outcome, key)) for key in NAMES}
    return {
        "when": at.when,
        **between,
        **follows,
        "site": as_json(at.site),
        "desense_on_load": as_json(at.on_load),
        "sensitivity_dbm": as_json(at.sensitivity_dbm),
        "says": at.says,
    }
