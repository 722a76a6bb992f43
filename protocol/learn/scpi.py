"""Learns which of the standard's words a SCPI analyzer takes: trace query, number format, limits.

Owns: the probe by *IDN? and SYSTem:ERRor?, the candidates, the proof of each by a sweep through the ordinary path.
Refuses: *RST, *SAV, *RCL and anything else that alters the instrument beyond its sweep settings.
"""

from __future__ import annotations

import re
import time
from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np

from protocol.analyzer import Analyzer
from protocol.errors import AnalyzerError, RequestError
from protocol.learn.talk import NEWLINE, Talk
from protocol.learn.writer import Page, head, text
from protocol.profiles.profile import Profile, parse_profile
from protocol.sweep import SweepSettings

STYLES = (
    ("define, select, CALCulate:DATA?", ('CALCulate:PARameter:DEFine "{parameter}",{parameter}',),
     'CALCulate:PARameter:SELect "{parameter}"', "CALCulate:DATA? SDATA"),
    ("select, CALCulate:DATA?", (), 'CALCulate:PARameter:SELect "{parameter}"', "CALCulate:DATA? SDATA"),
    ("TRACe:DATA? by name", (), "", "TRACe:DATA? {parameter}"),
    ("CALCulate:DATA? by name", (), "", "CALCulate:DATA? {parameter}"),
    ("SENSe:DATA? by name", (), "", 'SENSe:DATA? "{parameter}"'),
)  # fmt: skip
"""Ways that SCPI-1999's CALCulate, TRACe and SENSe subsystems leave open: name, set-up, select, data."""

FORMATS = (
    ("real64", "normal"),
    ("real64", "swapped"),
    ("real32", "normal"),
    ("real32", "swapped"),
    ("ascii", "normal"),
)
TRIAL_HZ = (120e6, 130e6)
IDENTITY = re.compile(r"[^,]*[A-Za-z][^,]*,[^,]*,.*")
NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?")


@dataclass
class Probe:
    """What plain questions told: identity, limits by name, which optional words are taken."""

    identity: str
    limits: dict[str, float] = field(default_factory=dict)
    takes: set[str] = field(default_factory=set)


async def probe_scpi(talk: Talk) -> Probe | None:
    """Ask for the identity the standard's way; None when the answer is not SCPI's."""
    await talk.raw(b"\n", first_s=0.3)  # ends whatever was half typed
    identity = await _line(talk, "*IDN?")
    if identity is None or not IDENTITY.fullmatch(identity):
        return None
    if await _error(talk) is None:
        return None
    found = Probe(identity)
    await _drain_errors(talk)
    for key, question in {
        "start_hz": "SENSe:FREQuency:STARt? MIN", "stop_hz": "SENSe:FREQuency:STOP? MAX",
        "min_points": "SENSe:SWEep:POINts? MIN", "max_points": "SENSe:SWEep:POINts? MAX",
        "min_bandwidth_hz": "SENSe:BANDwidth:RESolution? MIN", "max_bandwidth_hz": "SENSe:BANDwidth:RESolution? MAX",
        "min_level_dbm": "SOURce:POWer? MIN", "max_level_dbm": "SOURce:POWer? MAX",
    }.items():  # fmt: skip
        answer = await _line(talk, question)
        if answer is not None and NUMBER.fullmatch(answer):
            found.limits[key] = float(answer)
        await _drain_errors(talk)
    for command in ("ABORt", "SENSe:AVERage:STATe OFF"):
        await talk.raw(f"{command}\n".encode(), first_s=0.1)
        if await _error(talk) == 0:
            found.takes.add(command)
        await _drain_errors(talk)
    return found


async def _line(talk: Talk, question: str) -> str | None:
    """One line of answer; None when none came."""
    got = await talk.raw(f"{question}\n".encode(), first_s=0.5)
    lines = [line.decode("ascii", "replace").strip() for line in NEWLINE.split(got) if line.strip()]
    return lines[-1] if len(lines) == 1 else None


async def _error(talk: Talk) -> int | None:
    """The number of the oldest error; None when the answer is not SCPI's."""
    answer = await _line(talk, "SYSTem:ERRor?")
    match = re.fullmatch(r'([+-]?\d+)\s*,\s*".*"', answer or "")
    return int(match.group(1)) if match else None


async def _drain_errors(talk: Talk) -> None:
    for _ in range(30):
        if await _error(talk) in (0, None):
            return


async def learn_scpi(port: str, probe: Probe, tell: Callable[[str], None]) -> tuple[str, list[str]] | None:
    """The text of a profile and what stayed unknown; None when no way of asking for traces gave data."""
    for style in STYLES:
        for form in FORMATS:
            tell(f"SCPI: {style[0]}, {form[0]} {form[1]}")
            text_of, unknown = _profile_text(probe, style, form, {})
            timing = await _try(port, parse_profile(text_of, "trial"))
            if timing is not None:
                done, unknown = _profile_text(probe, style, form, timing)
                return done, unknown
    return None


async def _try(port: str, profile: Profile) -> dict[str, float] | None:
    """Two sweeps of different length through the ordinary path; their timing, None when they fail or make no sense."""
    quick = replace(profile, timing=replace(profile.timing, ready_s=0.5))
    try:
        analyzer = await Analyzer.open(port, quick)
    except (AnalyzerError, RequestError):
        return None
    try:
        times = []
        low, high = profile.limits.min_points, profile.limits.max_points
        bandwidth = min(max(1000.0, profile.limits.min_bandwidth_hz), profile.limits.max_bandwidth_hz)
        for points in (max(101, low), min(401, high)):
            await analyzer.apply(SweepSettings(*TRIAL_HZ, points, bandwidth))
            sweep = await analyzer.sweep()
            sizes = np.abs(np.concatenate((sweep.s11, sweep.s21)))
            if not (sizes.max() < 20.0 and np.median(sizes) > 1e-9):
                return None
            times.append((points, sweep.duration_s))
        (first, second), (third, fourth) = times
        each = max(fourth - second, 0.0) / max(third - first, 1)
        return {"each_s": each, "overhead_s": max(second - first * each, 0.0) + 0.02, "bandwidth_hz": bandwidth}
    except (AnalyzerError, RequestError):
        return None
    finally:
        await analyzer.close()


def _profile_text(
    probe: Probe, style: tuple[str, tuple[str, ...], str, str], form: tuple[str, str], timing: dict[str, float]
) -> tuple[str, list[str]]:
    """The file for one candidate."""
    unknown = [
        "whether it corrects itself: SCPI has no question for it; taken as no, so calibrate on this computer, or set"
        " corrects_itself = true",
        "the sign of time: taken as the usual one; a known line on the leads would tell",
    ]
    page = Page({})
    limits = probe.limits
    usual = {
        "start_hz": 100e3, "stop_hz": 1e9, "min_points": 2, "max_points": 201, "min_bandwidth_hz": 10,
        "max_bandwidth_hz": 10e3,
    }  # fmt: skip
    missing = [key for key in usual if key not in limits]
    if missing:
        unknown.append(f"its limits {', '.join(missing)}: no answer, so careful values stand here")
    page.lines = head(probe.identity.replace(",", " ")[:60], "scpi", time.strftime("%Y-%m-%d %H:%M"), unknown)
    page.put("corrects_itself", "false", "not known, so taken as no")
    page.table("[limits]")
    for key, careful in usual.items():
        value = limits.get(key, careful)
        page.put(
            key,
            f"{value:.0f}" if value == int(value) else f"{value:g}",
            "as it answered" if key in limits else "careful",
        )
    level = "min_level_dbm" in limits and "max_level_dbm" in limits
    if level:
        page.put("level_dbm", f"[{limits['min_level_dbm']:g}, {limits['max_level_dbm']:g}]", "as it answered")
    page.table("[timing]")
    each = timing.get("each_s", 0.003)
    factor = 1.0
    settling = max(each - factor / timing.get("bandwidth_hz", 1000.0), 0.0)
    page.put("settling_s", f"{settling:.6f}", "two sweeps were timed" if timing else "")
    page.put("bandwidth_factor", f"{factor:g}", "assumed; the pace is learned while sweeping")
    page.put("overhead_s", f"{timing.get('overhead_s', 0.1):.4f}")
    page.table("[scpi]")
    page.put("format", text(form[0]), "the numbers that came make sense so")
    page.put("byte_order", text(form[1]))
    setup = [*style[1], *(command for command in ("SENSe:AVERage:STATe OFF",) if command in probe.takes)]
    page.put("setup", "[" + ", ".join(text(line) for line in setup) + "]")
    page.put("select", text(style[2]), "taken without an error" if style[2] else "not needed")
    page.put("data", text(style[3]), "both traces came with the points that were set")
    page.put("level", text("SOURce:POWer {level_dbm}" if level else ""))
    page.put("abort", text("ABORt" if "ABORt" in probe.takes else ""), "" if "ABORt" in probe.takes else "refused")
    return "\n".join(page.lines) + "\n", unknown
