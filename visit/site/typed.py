"""A site as a person types it: frequencies in any usual manner, checked field by field, and the TOML text of it.

Owns: understanding what was typed, or asking; the text of a site file. Refuses: to judge a whole site, which
`visit.site.site` alone does, and to take a number that may mean two things.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path

from protocol.errors import RequestError
from protocol.files.harmless import harmless
from visit.site.hookup import Side
from visit.site.site import KINDS, Goals, Site, parse_site

LOWEST_HZ, HIGHEST_HZ = 1e6, 10e9
MOST_MHZ = Decimal(10_000)
"""A bare number up to this is megahertz, as people say it; from `LEAST_HZ` on it is hertz; between them it is asked."""
LEAST_HZ = Decimal(1_000_000)
LONGEST = 60
"""Letters of a field."""
UNITS = {"hz": 1, "khz": 10**3, "k": 10**3, "mhz": 10**6, "m": 10**6, "ghz": 10**9, "g": 10**9}
_NUMBER = re.compile(r"([0-9][0-9.,' ]*(?:e[+-]?[0-9]{1,2})?)\s*([a-z]*)")
_THOUSANDS = re.compile(r"[0-9]{1,3}(?:[,' ][0-9]{3}){2,}(?:\.[0-9]+)?|[0-9]{1,3}(?:\.[0-9]{3}){2,}(?:,[0-9]+)?")

FIELDS = (
    ("name", "name of the site"),
    ("low", "low channel"),
    ("high", "high channel"),
    ("transmit", "transmitter on (low / high)"),
    ("kind", "kind of duplexer"),
    ("cavities", "cavities a side"),
    ("load", "load on the third port, dB"),
    ("rejection", "goal: rejection, dB"),
    ("loss", "goal: loss at most, dB"),
    ("return_loss", "goal: return loss, dB"),
)
"""Name and label of each field, in the order of asking."""


def typed_hz(text: str) -> float:
    """A frequency in hertz: `450`, `450 MHz`, `450,5`, `450.000`, `150.6e6`, `450500 kHz`, `455 000 000`.

    Raises RequestError that says what to write.
    """
    words = text.strip().lower()
    if not words:
        raise RequestError("type a frequency, e.g. 450.5 (MHz)")
    found = _NUMBER.fullmatch(words)
    unit = found.group(2) if found else ""
    if found is None or (unit and unit not in UNITS):
        raise RequestError(f"{harmless(text.strip(), 20)!r} is no frequency; write it like 450.5 or 450.5 MHz")
    number = _decimal(found.group(1).strip(), text)
    hz = number * UNITS[unit] if unit else _without_unit(number)
    if not LOWEST_HZ <= hz <= HIGHEST_HZ:
        raise RequestError(f"{mhz(float(hz))} lies outside 1 MHz to 10 GHz; add the unit that is meant")
    return float(hz)


def _decimal(number: str, text: str) -> Decimal:
    """One decimal point or comma, or whole groups of three."""
    if _THOUSANDS.fullmatch(number):
        marks = re.findall(r"[^0-9]", number)
        whole, end, part = number.rpartition(marks[-1]) if len(set(marks)) > 1 else (number, "", "")
        return Decimal(re.sub(r"[^0-9]", "", whole) + (f".{part}" if end else ""))
    plain = number.replace(",", ".")
    try:
        return Decimal(plain)
    except ArithmeticError:
        what = harmless(text.strip(), 20)
        raise RequestError(f"{what!r}: one decimal point or comma only; write it like 450.5") from None


def _without_unit(number: Decimal) -> Decimal:
    if number <= MOST_MHZ:
        return number * 10**6
    if number >= LEAST_HZ:
        return number
    raise RequestError(f"{number}: is that kHz? Write {number} kHz, or {number / 1000} MHz")


def mhz(hz: float) -> str:
    """As the trade writes it, every hertz kept."""
    whole = f"{Decimal(repr(hz)) / 10**6:f}"
    head, _, tail = whole.partition(".")
    return f"{head}.{tail.rstrip('0').ljust(3, '0')} MHz"


@dataclass(frozen=True, slots=True)
class Checked:
    """What the fields came to. `remarks` per field: what was understood; `faults` per field: what is wrong."""

    remarks: Mapping[str, str]
    faults: Mapping[str, str]
    site: Site | None


def fields_of(site: Site | None) -> dict[str, str]:
    """What stands in the fields of a known site, or of a new one."""
    goals = site.goals if site else Goals()
    standing = {
        "rejection": f"{goals.rejection_db:g}",
        "loss": f"{goals.loss_db:g}",
        "return_loss": f"{goals.return_loss_db:g}",
    }
    if site is None:
        return {
            "name": "", "low": "", "high": "", "transmit": "", "kind": KINDS[0], "cavities": "",
            "load": "", **standing,
        }  # fmt: skip
    cavities = "" if site.cavities is None else str(site.cavities)
    load = "" if site.load_return_loss_db is None else f"{site.load_return_loss_db:g}"
    return {
        "name": site.name, "low": mhz(site.low_hz), "high": mhz(site.high_hz), "transmit": site.transmit.word,
        "kind": site.kind, "cavities": cavities, "load": load, **standing,
    }  # fmt: skip


def check_fields(typed: Mapping[str, str], before: Site | None = None) -> Checked:
    """Look at what was typed so far. `before`: the site that is edited; what has no field is kept from it."""
    remarks: dict[str, str] = {}
    faults: dict[str, str] = {}
    values: dict[str, str | float | int | None] = {}
    for key, _ in FIELDS:
        try:
            values[key], remarks[key] = _one(key, typed.get(key, "").strip())
        except RequestError as error:
            faults[key] = str(error)
    low, high = values.get("low"), values.get("high")
    if isinstance(low, float) and isinstance(high, float) and low >= high:
        faults["high"] = f"must lie above the low channel, {mhz(low)}: are the two exchanged?"
    if faults:
        return Checked(remarks, faults, None)
    try:
        site = parse_site(_text(values, before), Path("this site"))
    except RequestError as error:  # the reader is the one judge; what it finds stands at the first field
        return Checked(remarks, {"name": str(error)}, None)
    return Checked(remarks, faults, site)


def _one(key: str, text: str) -> tuple[str | float | int | None, str]:
    """Value of a field and what was understood. Raises RequestError."""
    if key == "name":
        if not text:
            raise RequestError("type the name of the site")
        return harmless(text, LONGEST), ""
    if key in ("low", "high"):
        hz = typed_hz(text)
        return hz, f"= {mhz(hz)}"
    if key == "transmit":
        return _choice(text, ("low", "high"), "on which side is the transmitter: low or high?")
    if key == "kind":
        return _choice(text, KINDS, f"one of {', '.join(KINDS)}")
    if key == "cavities":
        if not text:
            return None, "not told"
        if not text.isascii() or not text.isdigit() or not 1 <= int(text[:4]) <= 8:
            raise RequestError("1 to 8, or leave it empty")
        return int(text), ""
    if key == "load" and not text:
        return None, "not told: 20 dB"
    lowest, highest = {
        "load": (3.0, 80.0),
        "rejection": (1.0, 150.0),
        "loss": (0.05, 20.0),
        "return_loss": (1.0, 60.0),
    }[key]
    try:
        value = float(text.lower().removesuffix("db").strip().replace(",", "."))
    except ValueError:
        raise RequestError(f"a number of dB, {lowest:g} to {highest:g}") from None
    if not lowest <= value <= highest:
        raise RequestError(f"{lowest:g} to {highest:g} dB")
    return value, ""


def _choice(text: str, choices: tuple[str, ...], ask: str) -> tuple[str, str]:
    fits = [choice for choice in choices if text and choice.startswith(text.lower())]
    if len(fits) != 1:
        raise RequestError(ask)
    return fits[0], "" if fits[0] == text else f"= {fits[0]}"


def _text(values: Mapping[str, str | float | int | None], before: Site | None) -> str:
    """TOML that `parse_site` reads."""
    low, high = values["low"], values["high"]
    lines = [
        "# A repeater site. Frequencies in hertz, goals in dB.",
        f"name = {_quoted(values['name'])}",
        f"low_hz = {_number(low)}",
        f"high_hz = {_number(high)}",
        f"transmit = {_quoted(values['transmit'])}          # the side the transmitter is on",
        f"kind = {_quoted(values['kind'])}",
    ]
    if values["cavities"] is not None:
        lines.append(f"cavities = {values['cavities']}               # on each side")
    if values["load"] is not None:
        lines.append(f"load_return_loss_db = {values['load']}  # of the load on the third port")
    if before is not None:
        if before.call_sign:
            lines.append(f"call_sign = {_quoted(before.call_sign)}")
        if before.temperature_c is not None:
            lines.append(f"temperature_c = {before.temperature_c}")
        if before.notes:
            lines.append(f"notes = {_quoted(before.notes)}")
    lines += [
        "",
        "[goals]",
        f"rejection_db = {values['rejection']}",
        f"loss_db = {values['loss']}",
        f"return_loss_db = {values['return_loss']}",
    ]
    return "\n".join(lines) + "\n"


def _quoted(text: object) -> str:
    """JSON's quoting is TOML's for harmless text, but for its pairs of surrogates: letters stand as they are."""
    return json.dumps(harmless(text), ensure_ascii=False)


def _number(hz: object) -> str:
    assert isinstance(hz, float)
    return f"{hz:.0f}" if hz == int(hz) else repr(hz)


def channels(site: Site) -> str:
    """The channels in a few words, for lists."""
    return f"{mhz(site.low_hz)[:-4]} / {mhz(site.high_hz)}, transmits {'low' if site.transmit is Side.LOW else 'high'}"


def changes(before: Site, after: Site) -> list[str]:
    """What differs, in words for the log."""
    old, new = fields_of(before), fields_of(after)
    return [
        f"{label}: {old[key] or 'not told'} -> {new[key] or 'not told'}"
        for key, label in FIELDS
        if old[key] != new[key]
    ]
