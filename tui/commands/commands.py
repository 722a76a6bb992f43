"""The commands behind the words that measure: demo, live, watch, check, read, learn, card, ports, profiles.

Owns: putting site, profile, visit file and station together for each. Each returns its exit status. stdout gets data
only, stderr gets what is meant for people. Refuses: to know how anything is measured or computed.
"""

from __future__ import annotations

import argparse
import importlib.resources
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from protocol.errors import RequestError, not_written
from protocol.files.small_files import private_folder, write_private
from protocol.profiles.profile import load_profile, profile_names
from protocol.wire.ports import list_ports
from tui.commands.exit_status import ExitStatus
from tui.commands.printing import Bar, data, row, say, show
from tui.commands.session import (
    TERMINATED,
    broken_off,
    end_at_sweep,
    given_leakage,
    go_on_after_crash,
    go_on_alone,
    measured_by_another,
    session,
    take_over_or_refuse,
)
from tui.drawing.report_lines import figures_lines, json_text
from tui.screens.bench_words import bench_lines
from tui.terminal.terminal_gone import Signals, let_go_of_terminal
from visit.day.next_deed import NextDeed
from visit.figures.assessment import Assessment, overall, with_zoom
from visit.figures.assessor import Assessor
from visit.figures.known import Known
from visit.figures.read_looks import spending_of
from visit.record.owner import run_words
from visit.record.touchstone_sweeps import read_recorded
from visit.record.visit_file import VisitFile
from visit.run.conductor import HaltedError, Phase, RunOrder, little_room
from visit.run.station import Station
from visit.run.tool import BenchLike, Tool
from visit.run.watch import LOOK_EVERY_S, Watcher
from visit.site.hookup import HookUp
from visit.site.presets import zoom, zooms_across
from visit.site.site import Site, load_site

if TYPE_CHECKING:
    from protocol.simulated.cases import CaseBench
    from tui.screens.app import Left

DEMO_SITES = {"U6": "demo-450.toml", "V6": "demo-150.toml", "V4": "demo-154.toml", "B4": "demo-460.toml"}
DEMO_SEED = 7


def demo(options: argparse.Namespace) -> ExitStatus:
    """Live screen on the simulated analyzer, through a real device node."""
    from protocol.simulated.bench import start_bench  # noqa: PLC0415 - only the demo needs it
    from protocol.simulated.cases import CASES, CaseBench  # noqa: PLC0415

    options.unit = options.unit or (CASES[options.case].unit if options.case in CASES else "U6")
    if options.unit not in DEMO_SITES:
        raise RequestError(f"no demo unit {options.unit!r}; there are {', '.join(DEMO_SITES)}")
    site_path = Path(str(importlib.resources.files("fixtures") / "sites" / DEMO_SITES[options.unit]))
    words = ["--unit", options.unit, "--speed", str(options.speed), "--seed", str(DEMO_SEED)]
    hookup = HookUp.parse(options.hookup or "A>L")
    words += ["--hookup", "A>L" if hookup.alone else hookup.name, *(["--raw"] if options.raw else [])]
    with ThreadPoolExecutor(1) as pool, tempfile.TemporaryDirectory(prefix="deepnotch-") as folder:
        link = Path(folder) / "analyzer"  # a lasting name, as a real one has: it comes back under it when replugged
        words += ["--link", str(link)]
        starting = pool.submit(start_bench, words)
        import tui.screens.app  # noqa: F401, PLC0415 - Textual loads while the bench's process starts

        with starting.result() as process:
            site = load_site(site_path)
            bench = CaseBench(process, site.high_hz - site.low_hz)
            for line in bench_lines(hookup, site):
                bench.say(line)
            if options.case:
                bench.choose(options.case)
            options.port, options.profile, options.site = str(link), "scpi", site_path
            options.kit = Path(str(importlib.resources.files("fixtures") / "kits" / "bench.toml"))
            return _screen(options, bench, ended=partial(_coach, bench))


def _coach(bench: CaseBench, visit: VisitFile) -> None:
    """What the coach says of a rehearsal, to whoever sat at the screen."""
    from protocol.simulated.cases import CASES  # noqa: PLC0415 - only the demo has them
    from visit.day.coach import Rehearsed, coach_lines  # noqa: PLC0415

    case = CASES[bench.case]
    told = Rehearsed(case.title, case.found, case.signs, case.sides, tuple(bench.done), tuple(bench.left()))
    for line in coach_lines(visit, told):
        say(line)


def live(options: argparse.Namespace) -> ExitStatus:
    """Live screen on the analyzer at a serial port; what was not given is chosen on the start screen."""
    if options.port is not None and options.site is not None:
        options.profile = options.profile or "scpi"
        return _screen(options, None)
    from tui.commands.setting_up import choose, remember  # noqa: PLC0415 - the start screen alone needs it

    if not choose(options):
        return ExitStatus.GOALS_MET
    if not options.port:
        options.unit, options.speed, options.raw, options.visit, options.case = "U6", 1.0, False, None, ""
        return demo(options)
    return _screen(options, None, remember)


def _screen(
    options: argparse.Namespace,
    bench: BenchLike | None,
    fitted: Callable[[argparse.Namespace, Path], None] | None = None,
    ended: Callable[[VisitFile], None] | None = None,
) -> ExitStatus:
    """`fitted` hears that site, profile and visit opened, `ended` that the user left them."""
    from tui.drawing.marks import terminal_marks  # noqa: PLC0415
    from tui.screens.app import Left, check_terminal, run_screen  # noqa: PLC0415 - Textual loads only for screens

    check_terminal()
    marks = terminal_marks(options.marks)
    with Signals() as signals:
        busy = None if bench is not None else measured_by_another(options)
        if busy is not None:
            left = _watch_on_screen(busy, options, signals, can_take_over=True)
            if left is not Left.TAKE_OVER:
                return ExitStatus.TERMINATED if signals.terminated else ExitStatus.GOALS_MET
            options.visit, options.resume = busy, broken_off(busy)
        with session(options) as now:
            if fitted is not None:
                fitted(options, now.path)
            tool = Tool(now.site, now.profile, now.station, bench, options.site)
            left, fault = run_screen(tool, now.order, marks, signals)
            if fitted is not None and now.visit.path != now.path:  # somebody spoiled the file
                fitted(options, now.visit.path)
            if fault is not None:
                go_on_after_crash(now, signals, fault)
            elif left is Left.HUNG_UP:
                go_on_alone(now, signals)
            elif left is Left.TERMINATED:
                end_at_sweep(now)
            elif left is Left.SITE_EDITED:
                options.site, options.visit = now.visit.site_path, now.visit.path
                options.hookup, options.resume = now.order.hookup.text, False
            if left is Left.BY_KEY and ended is not None:
                now.station.close()
                ended(now.visit)
    if left is Left.SITE_EDITED:
        return _screen(options, bench, fitted, ended)
    say(f"visit file: {now.visit.path}")
    if left is Left.CRASHED:
        return ExitStatus.BUG
    return ExitStatus.TERMINATED if signals.terminated else ExitStatus.GOALS_MET


def _watch_on_screen(path: Path, options: argparse.Namespace, signals: Signals, *, can_take_over: bool) -> Left:
    from tui.drawing.marks import terminal_marks  # noqa: PLC0415
    from tui.screens.app import run_watch  # noqa: PLC0415

    with Bar(path) as bar, Watcher(path, bar.tell) as watcher:
        bar.clear()
        return run_watch(watcher, terminal_marks(options.marks), signals, can_take_over=can_take_over)


def watch(options: argparse.Namespace) -> ExitStatus:
    """Look on while another process measures: a screen on a terminal, otherwise a line whenever a sweep came."""
    if sys.stdin.isatty() and sys.stdout.isatty() and sys.stderr.isatty():
        from tui.screens.app import check_terminal  # noqa: PLC0415

        check_terminal()
        with Signals() as signals:
            _watch_on_screen(options.visit, options, signals, can_take_over=False)
        return ExitStatus.TERMINATED if signals.terminated else ExitStatus.GOALS_MET
    with Bar(options.visit) as bar, Watcher(options.visit, bar.tell) as watcher:
        return _follow(watcher)


def _follow(watcher: Watcher) -> ExitStatus:
    """A line for each change, until nobody measures any more."""
    pause, shown = threading.Event(), ""
    while True:
        owner, progress = watcher.owner, watcher.state().progress
        line = f"{run_words(watcher.visit)}, {progress.phase.value}"
        if line != shown:
            shown = line
            if not data([line]):
                return ExitStatus.GOALS_MET  # nobody reads any more
        if owner is None:
            return ExitStatus.GOALS_MET if progress.phase is Phase.COMPLETE else ExitStatus.CANT_SAY
        pause.wait(LOOK_EVERY_S)


def check(options: argparse.Namespace) -> ExitStatus:
    """The same measurement without a screen."""
    if options.sweeps < 1:
        raise RequestError("--sweeps must be 1 or more")
    if options.zoom is not None and options.zoom < 1:
        raise RequestError("--zoom must be 1 or more")
    busy = measured_by_another(options)
    if busy is not None:
        take_over_or_refuse(busy, options)
    with Signals() as signals, session(options, watched=False) as now:
        signals.listen(let_go_of_terminal, lambda: now.station.halt(TERMINATED))
        room = little_room(now.path, now.order)
        if room:
            say(f"deepnotch: {room}")
        try:
            assessment = _measured(now.station, now.order)
            if options.zoom is not None:
                for order in _zoom_orders(now.order, now.site, assessment, options.zoom):
                    assessment = with_zoom(assessment, _measured(now.station, order))
            deed = now.station.next_deed(assessment)
        except HaltedError as error:
            say(f"deepnotch: {error}: {run_words(now.visit)} kept in {now.visit.path}; continue with --resume")
            return ExitStatus.TERMINATED if signals.terminated else ExitStatus.CANT_SAY
    say(f"visit file: {now.visit.path}")
    return _print_figures(assessment, options.json, deed)


def _measured(station: Station, order: RunOrder) -> Assessment:
    """One order carried out, with its progress on stderr, and what it shows."""
    done = threading.Event()
    watcher = threading.Thread(target=_progress, args=(station, done), name="progress")
    watcher.start()
    try:
        station.measure(order)
    finally:
        done.set()
        watcher.join()
    return station.assess_now()


def _zoom_orders(order: RunOrder, site: Site, wide_run: Assessment, sweeps: int) -> list[RunOrder]:
    """The same hook-up, zoomed on its reject channel; side to side on both, as narrow as a bottom can be. Raises
    RequestError when the wide sweep gave no width."""
    side, notch = order.hookup.side, wide_run.notch
    if side is None and not order.hookup.alone and site.kind != "band-pass":
        zooms = zooms_across(site, order.settings.bandwidth_hz)
        return [replace(order, settings=settings, planned_sweeps=sweeps, purpose="zoom") for settings in zooms]
    if side is None or notch is None or not notch.trusted:
        why = "this hook-up has no notch of its own" if notch is None else notch.why
        raise RequestError(f"--zoom needs a fitted notch first, and there is none: {why}")
    settings = zoom(site.reject_hz(side), notch.bottom_width_hz, order.settings.bandwidth_hz)
    return [replace(order, settings=settings, planned_sweeps=sweeps, purpose="zoom")]


def read(options: argparse.Namespace) -> ExitStatus:
    """Figures from recorded sweeps."""
    site = load_site(options.site)
    known = Known(given_leakage(options))
    hookup, at = HookUp.parse(options.hookup), options.files[0]
    try:
        sweeps = read_recorded(options.files)
        spending = spending_of(sweeps, at.parent, site, hookup)
        assessor = Assessor(site, hookup, known=known, spending=spending)
        for path, sweep in zip(options.files, sweeps, strict=True):
            at = path
            assessor.add(sweep)
        assessment = assessor.assess()
    except (ValueError, ArithmeticError, IndexError) as error:  # other points, no bench's numbers
        raise RequestError(f"{at}: {error}; give only repeated sweeps of one hook-up, each once") from None
    assert assessment is not None
    return _print_figures(assessment, options.json)


def ports(_: argparse.Namespace) -> ExitStatus:
    """List serial devices by stable name."""
    found = list_ports()
    for port in found:
        row(*(text for text in (port.best, port.node, port.description) if text))
    if not found:
        say("no serial device found: plug the analyzer in, then look again")
    return ExitStatus.GOALS_MET


def profiles(_: argparse.Namespace) -> ExitStatus:
    """List the profiles that ship with the program."""
    for name in profile_names():
        row(name, load_profile(name).name)
    return ExitStatus.GOALS_MET


def learn(options: argparse.Namespace) -> ExitStatus:
    """Learn an unknown analyzer and write its profile."""
    import asyncio  # noqa: PLC0415 - only commands that talk to a port by themselves

    from protocol.learn.learner import NotLearnedError  # noqa: PLC0415
    from protocol.learn.learner import learn as learn_port  # noqa: PLC0415
    from tui.commands.asking import AtTheTerminal, NobodyThere  # noqa: PLC0415
    from visit.run.set_up import kept_under  # noqa: PLC0415
    from visit.site.folders import data_folder  # noqa: PLC0415

    say("Transmitter off, nothing on the leads: port 1 and port 2 open. Sent are questions for help and identity, then")
    say("only words whose own text, or you, say that a sweep needs them. Nothing that it asks is confirmed.")
    path = options.out
    if path is not None and path.exists():
        raise RequestError(f"{path} exists already; give another name with --out, nothing was changed")
    dialogue = AtTheTerminal() if options.ask == "yes" and sys.stdin.isatty() else NobodyThere()
    profiles_folder = data_folder() / "profiles" if path is None else path.parent
    try:
        learned = asyncio.run(learn_port(options.port, dialogue))
    except NotLearnedError as error:
        _keep_half(profiles_folder, error.half)
        raise
    except KeyboardInterrupt:
        say("")  # behind the ^C of the terminal
        say("stopped; what was tried on it stays as it was set last: switch it off and on before it is used")
        _keep_half(profiles_folder, dialogue.half)
        raise
    if path is None:
        path = kept_under(profiles_folder, learned.profile.name, learned.text)
    else:
        try:
            private_folder(path.parent)
            write_private(path, learned.text, new=True)
        except OSError as error:
            raise not_written(error)(f"can't write {path}: {error.strerror}; choose another place with --out") from None
    say(f"proof: {learned.proof}")
    for sentence in learned.unknown:
        say(f"not known: {sentence}")
    data([path])
    return ExitStatus.GOALS_MET


def _keep_half(folder: Path, half: str) -> None:
    """Keep what was found of an analyzer that was not learned, and say where; nothing for nothing."""
    from visit.run.set_up import HALF_FILLED, kept_under  # noqa: PLC0415 - only where something is left to keep

    if half:
        path = kept_under(folder, time.strftime(f"{HALF_FILLED}%Y%m%d-%H%M%S"), half)
        say(f"what was found, with its evidence, is in {path}; what is missing is marked there")


def profile(options: argparse.Namespace) -> ExitStatus:
    """Go through a profile line by line, at an analyzer or in a wire log, and say what came back."""
    from tui.commands.profile_lines import try_profile  # noqa: PLC0415 - only this command needs it

    return try_profile(options)


def card(options: argparse.Namespace) -> ExitStatus:
    """Measure what the analyzer can do, and compare with last time."""
    import asyncio  # noqa: PLC0415

    from visit.run.card import card_lines, card_text, keep_card, last_card, measure_card  # noqa: PLC0415

    site, profile = load_site(options.site), load_profile(options.profile)
    if options.sweeps < 5:
        raise RequestError("--sweeps must be 5 or more: the floor is estimated from their scatter")
    say("A load on each lead, the duplexer left out. Transmitter off.")
    made = asyncio.run(measure_card(options.port, profile, site, options.sweeps, lambda line: say(f".. {line}")))
    before = last_card(made.identity)
    path = keep_card(made)
    data(card_text(made).splitlines() if options.json else card_lines(made, before))
    say(f"card: {path}")
    return ExitStatus.GOALS_MET


def _progress(station: Station, done: threading.Event) -> None:
    """A bar on a terminal, otherwise a line now and then; ends when `done` is set."""
    terminal, told = sys.stderr.isatty(), ""
    while not done.wait(0.2 if terminal else 5.0):
        progress = station.state().progress
        if progress.file_words != told:
            told = progress.file_words
            show("\n" if terminal else "")
            say(f"deepnotch: {told or 'the visit file can be opened again'}")
        planned = progress.order.planned_sweeps if progress.order else None
        if progress.phase is not Phase.SWEEPING or not planned:
            continue
        if terminal:
            filled = round(30 * progress.done / planned)
            bar = "#" * filled + "." * (30 - filled)
            show(f"\r[{bar}] {progress.done} of {planned} sweeps")
        else:
            say(f"{progress.done} of {planned} sweeps")
    if terminal:
        show("\r" + " " * 60 + "\r")


def _print_figures(assessment: Assessment, as_json: bool, deed: NextDeed | None = None) -> ExitStatus:
    data(json_text(assessment, deed).splitlines() if as_json else figures_lines(assessment, deed))
    met = overall(assessment)
    if met is None:
        return ExitStatus.CANT_SAY
    return ExitStatus.GOALS_MET if met else ExitStatus.GOALS_NOT_MET
