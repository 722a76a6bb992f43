"""What is known of transmitter and receiver: as typed from their sheets, else by a table of common practice, said so.

Owns: that table, and which of both counts. Refuses: to hide an assumption; each figure comes with the words of its
source.
"""

from __future__ import annotations

from dataclasses import dataclass

from rf.repeater.desense import watt_dbm
from rf.repeater.gain import Radios, own_noise_by_figure, own_noise_by_sensitivity
from rf.values.figure import Figure, cant_say, inferred
from visit.record.sheet import BLOCKING, NOISE, NOISE_FIGURE, POWER, SENSITIVITY, SITE_NOISE, Line, Sheet
from visit.site.site import Site

ASSUMED = "ASSUMED, common practice"

NOISE_BY_OFFSET = ((1e6, (-140.0, -132.0, -125.0)), (3e6, (-145.0, -138.0, -130.0)), (1e12, (-150.0, -143.0, -135.0)))
"""Noise of FM voice transmitters in dBc/Hz up to so many hertz from the carrier: quiet, usual and loud ones (common
practice, from memory: seldom on a sheet; a synthesiser's far noise and the power stages' broadband noise)."""
USUAL_NOISE_FIGURE_DB = (5.0, 8.0, 11.0)
BLOCKING_DBM = (-30.0, -20.0, -10.0)

TYPED_HALF = {POWER: 0.3, NOISE: 1.0, NOISE_FIGURE: 0.5, SENSITIVITY: 1.0, BLOCKING: 1.0, SITE_NOISE: 1.0}
"""Half-width in dB of what a sheet says or a wattmeter (7 %) shows."""


@dataclass(frozen=True, slots=True)
class KnownRadios:
    """The radios; `power_told`: without a power nothing follows. `sources`: a sentence for each number; `assumed`: one
    of them rests on no sheet."""

    radios: Radios
    sources: tuple[str, ...]
    assumed: bool
    sensitivity_dbm: Figure
    site_noise: Figure | None
    """dB over kT at the antenna, where it was typed."""


def known_radios(site: Site, sheet: Sheet, measured_watt: float | None) -> KnownRadios:
    """By the sheet; `measured_watt` is the power that was measured into the duplexer, where none was typed."""
    sources: list[str] = []
    power = _power(sheet, measured_watt, sources)
    offset = site.high_hz - site.low_hz
    usual = next(levels for edge, levels in NOISE_BY_OFFSET if offset < edge)
    noise = _typed(sheet, NOISE, sources)
    if noise is None:
        noise = _table(usual, "dBc/Hz")
        sources.append(
            f"transmitter noise {usual[0]:g} to {usual[2]:g} dBc/Hz at {offset / 1e6:g} MHz from the carrier: {ASSUMED}"
        )
    sensitivity = _typed(sheet, SENSITIVITY, sources)
    noise_figure = _typed(sheet, NOISE_FIGURE, sources)
    if noise_figure is not None:
        own = own_noise_by_figure(noise_figure)
    elif sensitivity is not None:
        own = own_noise_by_sensitivity(sensitivity)
    else:
        own = own_noise_by_figure(_table(USUAL_NOISE_FIGURE_DB, "dB"))
        low, _, high = USUAL_NOISE_FIGURE_DB
        sources.append(f"receiver noise figure {low:g} to {high:g} dB: {ASSUMED}")
    blocking = _typed(sheet, BLOCKING, sources)
    if blocking is None:
        blocking = _table(BLOCKING_DBM, "dBm")
        sources.append(f"receiver blocked by {BLOCKING_DBM[0]:g} to {BLOCKING_DBM[2]:g} dBm: {ASSUMED}")
    site_noise = _typed(sheet, SITE_NOISE, sources)
    assumed = any(ASSUMED in source for source in sources)
    unknown = cant_say("dBm", "the receiver's sensitivity was not typed")
    return KnownRadios(Radios(power, noise, own, blocking), tuple(sources), assumed, sensitivity or unknown, site_noise)


def _power(sheet: Sheet, measured_watt: float | None, sources: list[str]) -> Figure:
    watt = sheet.value(POWER)
    said = "as typed" if watt is not None else "as measured into the duplexer"
    watt = watt if watt is not None else measured_watt
    if not watt:
        return cant_say("dBm", "the transmitter's power was not typed")
    sources.append(f"transmitter power {watt:g} W {said}")
    dbm, half = watt_dbm(watt), TYPED_HALF[POWER]
    return inferred(dbm, dbm - half, dbm + half, "dBm", limited_by="power")


def _typed(sheet: Sheet, line: Line, sources: list[str]) -> Figure | None:
    value = sheet.value(line)
    if value is None:
        return None
    sources.append(f"{line.name} {value:g} {line.unit} as typed")
    half = TYPED_HALF[line]
    return inferred(value, value - half, value + half, line.unit, limited_by=line.name)


def _table(levels: tuple[float, float, float], unit: str) -> Figure:
    low, usual, high = levels
    return inferred(usual, low, high, unit, limited_by="assumed")
