"""Learns which of the standard's words a SCPI analyzer takes, and writes them down as a profile.

Owns: the proof of what was found by sweeps through the ordinary path, limits and timing, the text of the profile. The
finding itself is that of the analyzer's opening. Refuses: *RST, *SAV, *RCL and anything else that alters the instrument
beyond its sweep settings.
"""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np

from protocol.analyzer import Analyzer
from protocol.errors import AnalyzerError, RequestError
from protocol.files.strict_toml import Table
from protocol.finding.scpi import Finder
from protocol.learn.words.talk import Talk
from protocol.learn.writer import Page, head, text
from protocol.profiles.profile import Profile, parse_profile
from protocol.profiles.scpi import WORDS, Scpi, read_scpi
from protocol.sweep import SweepSettings

LIMITS = {
    "start_hz": "SENSe:FREQuency:STARt? MIN", "stop_hz": "SENSe:FREQuency:STOP? MAX",
    "min_points": "SENSe:SWEep:POINts? MIN", "max_points": "SENSe:SWEep:POINts? MAX",
    "min_level_dbm": "SOURce:POWer? MIN", "max_level_dbm": "SOURce:POWer? MAX",
}  # fmt: skip


@dataclass
class Probe:
    """What plain questions told: identity, limits by name, the words that are taken, how the data are asked for."""

    identity: str
    scpi: Scpi | None = None
    limits: dict[str, float] = field(default_factory=dict)
    way: str = ""
    evidence: dict[str, str] = field(default_factory=dict)
    fault: str = ""
    """Why no data could be had."""


async def probe_scpi(talk: Talk) -> Probe | None:
    """Ask for the identity the standard's way, then for the words that are taken; None when this is no SCPI."""
    finder = Finder(talk.link, read_scpi(Table.parse("find = true", "scpi")), lambda _: None, open_leads=True)
    fault, scpi = "", None
    try:
        scpi = await finder.find()
        if scpi is None:
            talk.transcript += finder.said
            return None
    except AnalyzerError as error:
        fault = str(error)
    probe = Probe(
        finder.identity.decode("ascii", "replace"), scpi, way=finder.way, evidence=finder.evidence, fault=fault
    )
    questions = dict(LIMITS)
    if scpi is not None and scpi.start is None:
        questions["start_hz"], questions["stop_hz"] = "SENSe:FREQuency:CENTer? MIN", "SENSe:FREQuency:CENTer? MAX"
    if scpi is not None and scpi.bandwidth is not None:
        header = scpi.header("bandwidth")
        questions |= {"min_bandwidth_hz": f"{header} MIN", "max_bandwidth_hz": f"{header} MAX"}
    for key, question in questions.items():
        value = await finder.value(question) if scpi is not None else None
        if value is not None:
            probe.limits[key] = value
    talk.transcript += finder.said
    return probe


async def learn_scpi(port: str, probe: Probe, tell: Callable[[str], None]) -> tuple[str, list[str]]:
    """The text of a profile and what stayed unknown. Raises AnalyzerError with the reason when no data could be had."""
    if probe.scpi is None:
        raise AnalyzerError(probe.fault)
    text_of, _ = _profile_text(probe, probe.scpi, {})
    tell(f"SCPI: {probe.way}; two sweeps for the timing")
    timing = await _try(port, parse_profile(text_of, "trial"))
    return _profile_text(probe, probe.scpi, timing)


async def _try(port: str, profile: Profile) -> dict[str, float]:
    """The timing of two sweeps of different length through the ordinary path. Raises AnalyzerError with the reason."""
    quick = replace(profile, timing=replace(profile.timing, ready_s=0.5))
    try:
        analyzer = await Analyzer.open(port, quick)
    except (AnalyzerError, RequestError) as error:
        raise _unproved(port, str(error)) from error
    try:
        times = []
        low, high = profile.limits.min_points, profile.limits.max_points
        bandwidth = min(max(1000.0, profile.limits.min_bandwidth_hz), profile.limits.max_bandwidth_hz)
        for points in (min(max(101, low), high), min(401, high)):
            await analyzer.apply(SweepSettings(*_span(profile), points, bandwidth))
            sweep = await analyzer.sweep()
            sizes = np.abs(np.concatenate((sweep.s11, sweep.s21)))
            if not (sizes.max() < 20.0 and np.median(sizes) > 1e-9):
                raise AnalyzerError(f"{port}: its numbers are no S-parameters (up to {sizes.max():.3g})")
            times.append((points, sweep.duration_s))
        (first, second), (third, fourth) = times
        each = max(fourth - second, 0.0) / max(third - first, 1)
        return {"each_s": each, "overhead_s": max(second - first * each, 0.0) + 0.02, "bandwidth_hz": bandwidth}
    except (AnalyzerError, RequestError) as error:
        raise _unproved(port, str(error)) from error
    finally:
        await analyzer.close()


def _unproved(port: str, why: str) -> AnalyzerError:
    """Words were found, but a sweep with them failed."""
    bare = why.removeprefix(f"{port}: ")
    return AnalyzerError(
        f"{port}: it speaks SCPI and words for a sweep were found, but a sweep with them failed: {bare};"
        " learn again, with --wire-log to see every byte"
    )


def _span(profile: Profile) -> tuple[float, float]:
    """A span of 10 MHz within the limits."""
    low = min(max(120e6, profile.limits.start_hz), profile.limits.stop_hz - 10e6)
    return round(low), round(low + 10e6)


def _profile_text(probe: Probe, scpi: Scpi, timing: dict[str, float]) -> tuple[str, list[str]]:
    """The file for what was found."""
    unknown = [
        "whether it corrects itself: SCPI has no question for it; taken as no, so calibrate on this computer, or set"
        " corrects_itself = true",
        "the sign of time: taken as the usual one; a known line on the leads would tell",
    ]
    if scpi.traces_assumed:
        unknown.append(
            "which of its traces is S11: taken in their order; with open leads S11 must read near 0 dB, so learn again"
            " with both leads open, or look and set traces and traces_assumed"
        )
    if "the second reflects" in probe.evidence.get("traces", ""):
        unknown.append(
            "whether its leads were open: its first trace was taken for S21, for the second reflected nearly all; if"
            " anything was connected, learn again"
        )
    if scpi.bandwidth is None:
        unknown.append("its bandwidth: it can't be set, and nothing tells it; the limits of it stand for form only")
    page = Page({})
    limits = probe.limits
    usual = {
        "start_hz": 100e3, "stop_hz": 1e9, "min_points": 2, "max_points": 201, "min_bandwidth_hz": 10,
        "max_bandwidth_hz": 10e3,
    }  # fmt: skip
    settable = scpi.bandwidth is not None
    missing = [key for key in usual if key not in limits and (settable or "bandwidth" not in key)]
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
            "as it answered" if key in limits else "careful" if key in missing else "for form: it can't be set",
        )
    level = "min_level_dbm" in limits and "max_level_dbm" in limits
    if level:
        page.put("level_dbm", f"[{limits['min_level_dbm']:g}, {limits['max_level_dbm']:g}]", "as it answered")
    page.table("[timing]")
    each = timing.get("each_s", 0.003)
    factor = 1.0 if settable else 0.0
    settling = max(each - factor / timing.get("bandwidth_hz", 1000.0), 0.0)
    page.put("settling_s", f"{settling:.6f}", "two sweeps were timed" if timing else "")
    page.put("bandwidth_factor", f"{factor:g}", "assumed; the pace is learned while sweeping" if settable else "")
    page.put("overhead_s", f"{timing.get('overhead_s', 0.1):.4f}")
    page.table("[scpi]")
    page.put("format", text(scpi.number_format), "the numbers that came make sense so")
    page.put("byte_order", text("swapped" if scpi.swapped else "normal"))
    page.put("setup", "[" + ", ".join(text(line.source) for line in scpi.setup) + "]")
    for key in WORDS:
        template = getattr(scpi, key)
        if key == "level":
            page.put(key, text("SOURce:POWer {level_dbm}" if level else ""))
        else:
            page.put(key, text(template.source if template is not None else ""), probe.evidence.get(key, ""))
    page.put("traces", "[" + ", ".join(text(name) for name in scpi.traces) + "]", probe.evidence.get("traces", ""))
    page.put("traces_assumed", "true" if scpi.traces_assumed else "false")
    page.put("layout", text(scpi.layout), probe.way)
    page.put("out_end", json.dumps(scpi.out_end.decode("ascii")), "*IDN? was answered so")
    page.put("prompt", text(scpi.prompt))
    page.put("acknowledge", text(scpi.acknowledge))
    page.put("forms", text(scpi.forms), "the number of points could be asked for so")
    for flag in ("colon", "echo", "stepwise", "queries"):
        page.put(flag, "true" if getattr(scpi, flag) else "false", probe.evidence.get(flag, ""))
    page.put("pause_s", f"{scpi.pause_s:g}")
    page.put("readback_digits", f"{scpi.readback_digits}")
    return "\n".join(page.lines) + "\n", unknown
