"""One measurement from a command's point of view: what is opened for it, what is closed behind it, and what becomes of
it when the terminal goes or another process measures into the same file.

Owns: putting site, profile, visit file and station together. Refuses: screens, and to know how anything is measured.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

from protocol.errors import RequestError
from protocol.profiles.profile import Profile, load_profile
from protocol.sweep import SweepSettings
from rf.values.decibel import amplitude
from tui.commands.printing import Bar, say
from tui.terminal.crash import crash_line
from tui.terminal.terminal_gone import Signals, let_go_of_terminal
from visit.record.opening import RecordError, there
from visit.record.owner import busy_words, living, register, take_over
from visit.record.visit_file import RunRow, VisitFile
from visit.run.conductor import RunOrder, new_visit
from visit.run.station import Station
from visit.run.tool import default_visit_path
from visit.site.folders import data_folder
from visit.site.hookup import HookUp
from visit.site.kit import load_kit
from visit.site.presets import first_sweep
from visit.site.site import Site, load_site

TERMINATED = "ended by a signal (SIGTERM)"
NO_END = "stopped: the terminal went away, and the run had no planned end"
NO_END_AFTER_CRASH = "stopped: the screen failed, and the run had no planned end"
NEWEST = 30
"""So many of the user's newest visit files are looked at for one that is being measured into."""


@dataclass(frozen=True, slots=True)
class Session:
    """What is open while a command measures."""

    station: Station
    site: Site
    profile: Profile
    order: RunOrder
    path: Path
    visit: VisitFile


@contextlib.contextmanager
def session(options: argparse.Namespace, *, watched: bool = True) -> Iterator[Session]:
    """Everything opened for a measurement, everything closed behind it."""
    site = load_site(options.site)
    profile = load_profile(options.profile)
    if getattr(options, "raw", False):
        profile = replace(profile, corrects_itself=False)
    options.hookup = options.hookup or site.first_hookup
    trusted = getattr(options, "trust_hookup", False)
    purpose = "live" if watched else options.command
    order = RunOrder(
        HookUp.parse(options.hookup), _settings(options, site, profile), options.sweeps, purpose, trusted
    )  # fmt: skip
    path = options.visit or default_visit_path(site, time.time())
    kit = load_kit(options.kit)
    bar = Bar(path)
    visit = VisitFile.open(path, tell=bar.tell) if there(path) else new_visit(path, site, str(options.site))
    try:
        _same_site(visit, site, path)
        register(visit, options.port)  # before anything of its runs is changed
        leakage = given_leakage(options)
        with Station(options.port, profile, site, visit, order.hookup, watched=watched, kit=kit) as station:
            station.visit.resume()
            if leakage is not None:
                station.visit.tell_leak(leakage)
            if getattr(options, "resume", False):
                order = _resumed(visit, order, path)
            if watched:  # from now on the screen stands where it would be drawn
                bar.clear()
                visit.tell = lambda *_: None
            yield Session(station, site, profile, order, path, visit)
    finally:
        bar.clear()
        visit.close()


def _resumed(visit: VisitFile, order: RunOrder, path: Path) -> RunOrder:
    """The order that resumes the run that was broken off last; the order itself where no sweep was kept yet, so that
    whoever always says --resume begins. Raises RequestError when the last run is whole."""
    run = _last_run(visit)
    if run is None or visit.sweep_count(run.id) == 0:
        say(f"deepnotch: no sweep was kept yet in {path}: the run begins anew")
        return order
    if run.outcome == "complete" or run.planned_sweeps is None:
        raise RequestError(f"{path}: no run was broken off; leave --resume out")
    done = visit.sweep_count(run.id)
    if done >= run.planned_sweeps:
        raise RequestError(f"{path}: the last run has all its {done} sweeps; leave --resume out")
    visit.reopen(run.id, time.time())
    say(f"run {run.id} goes on: {done} of {run.planned_sweeps} sweeps are there")
    return replace(
        order, hookup=run.hookup, settings=run.settings, planned_sweeps=run.planned_sweeps, resume=run.id
    )  # fmt: skip


def _same_site(visit: VisitFile, site: Site, path: Path) -> None:
    """A visit is continued at its own site only. Raises RequestError."""
    kept = visit.site()
    if (kept.name, kept.low_hz, kept.high_hz) != (site.name, site.low_hz, site.high_hz):
        raise RequestError(f"{path} is a visit to {kept.name!r}, not to {site.name!r}; give another name with --visit")


def _last_run(visit: VisitFile) -> RunRow | None:
    return next((run for run in reversed(visit.runs()) if run.purpose in ("live", "check", "zoom")), None)


def measured_by_another(options: argparse.Namespace) -> Path | None:
    """The visit file that another process measures into now: the one that was named, or, when none was, the one in the
    user's folder whose analyzer is on the same port. Raises RequestError without a folder."""
    if options.visit is not None:
        return options.visit if _is_measured(options.visit) else None
    port = os.path.realpath(options.port)
    files = sorted(data_folder().glob("*.visit"), key=lambda path: path.stat().st_mtime, reverse=True)[:NEWEST]
    for path in files:
        if _is_measured(path, port):
            return path
    return None


def _is_measured(path: Path, port: str | None = None) -> bool:
    """False also for a file that can't be read as a visit: whoever opens it for good says why."""
    try:
        visit = VisitFile.open(path, read_only=True, glance=True)
    except RecordError:
        return False
    try:
        owner = living(visit)
        return owner is not None and (port is None or os.path.realpath(owner.port) == port)
    finally:
        visit.close()


def take_over_or_refuse(path: Path, options: argparse.Namespace) -> None:
    """Ask the other process for its analyzer when the user wants that; its run is continued. Raises RequestError."""
    visit = VisitFile.open(path)
    try:
        owner = living(visit)
        if owner is not None:
            if not options.take_over:
                raise RequestError(busy_words(visit, owner))
            take_over(visit, owner)
    finally:
        visit.close()
    options.visit, options.resume = path, broken_off(path)


def broken_off(path: Path) -> bool:
    """True when the file's last run has not all its sweeps. Only glances: whoever resumes it checks the file."""
    visit = VisitFile.open(path, read_only=True, glance=True)
    try:
        run = _last_run(visit)
        return run is not None and (run.planned_sweeps or 0) > visit.sweep_count(run.id) and run.outcome != "complete"
    finally:
        visit.close()


def go_on_alone(now: Session, signals: Signals) -> None:
    """The terminal is gone: let go of it, measure on to the planned end."""
    let_go_of_terminal()
    now.station.nobody_looks()
    if not now.station.running:
        now.visit.remark("terminal", "the terminal went away; nothing was running", time.time())
        return
    progress = now.station.state().progress
    planned = progress.order.planned_sweeps if progress.order is not None else None
    words = "the terminal went away; the run goes on without one" if planned is not None else NO_END
    now.visit.remark("terminal", words, time.time())
    signals.listen(lambda: None, lambda: now.station.halt(TERMINATED))
    if planned is None:
        now.station.halt(NO_END)
    now.station.wait()


def go_on_after_crash(now: Session, signals: Signals, fault: Exception) -> None:
    """The screen failed: say so in one line, measure on to the planned end as after a hang-up. Ctrl-C ends it."""
    say(f"deepnotch: {crash_line(fault, 'ended the screen')}")
    now.station.nobody_looks()
    progress = now.station.state().progress
    if not now.station.running:
        now.visit.remark("terminal", "the screen failed; nothing was running", time.time())
        say("deepnotch: nothing was running")
        return
    planned = progress.order.planned_sweeps if progress.order is not None else None
    words = "the screen failed; the run goes on without one" if planned is not None else NO_END_AFTER_CRASH
    now.visit.remark("terminal", words, time.time())
    signals.listen(let_go_of_terminal, lambda: now.station.halt(TERMINATED))
    if planned is None:
        now.station.halt(NO_END_AFTER_CRASH)
    else:
        say(f"deepnotch: the run goes on to its {planned} sweeps without a screen; Ctrl-C ends it, all is kept")
    now.station.wait()


def end_at_sweep(now: Session) -> None:
    """Told to end: the sweep in hand is still taken."""
    now.station.halt(TERMINATED)
    now.station.wait()


def given_leakage(options: argparse.Namespace) -> float | None:
    """Amplitude of the leak that an earlier survey bounded. Raises RequestError for one above a thru."""
    if options.leakage is None:
        return None
    if not -200.0 <= options.leakage < 0.0:
        raise RequestError("--leakage is a level in dB re thru, so below 0; take the limit that a survey printed")
    return amplitude(options.leakage)


def _settings(options: argparse.Namespace, site: Site, profile: Profile) -> SweepSettings:
    preset = first_sweep(site, HookUp.parse(options.hookup), profile.limits, options.bandwidth)
    start = preset.start_hz if options.start is None else options.start * 1e6
    stop = preset.stop_hz if options.stop is None else options.stop * 1e6
    return SweepSettings(start, stop, preset.points if options.points is None else options.points, preset.bandwidth_hz)
