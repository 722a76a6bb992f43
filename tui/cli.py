"""The command line: words, options, exit status. Answers `--help` and `--version` before anything heavy is loaded.

Owns: the parser and the only mapping from faults to exit status. stdout carries data only; everything said to people
goes to stderr. Refuses: to measure; the commands live in `tui.commands`.
"""

from __future__ import annotations

import argparse
import os
import signal
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any, NoReturn, TypeAlias

from tui.commands.exit_status import ExitStatus
from tui.terminal.shortage import shortage, too_little


class Parser(argparse.ArgumentParser):
    """Says what is wrong with the words in one line; a file name among them may be untrusted."""

    def _print_message(self, message: str, file: Any = None) -> None:
        """As argparse does, but an output that takes nothing is a fault."""
        if file is not sys.stdout:
            super()._print_message(message, file)
        elif message and sys.stdout is not None:
            print(message, end="", flush=True)  # noqa: T201 - asked for

    def error(self, message: str) -> NoReturn:
        """Usage and the fault on stderr, status 2."""
        from protocol.files.harmless import harmless  # noqa: PLC0415 - only where something is wrong

        super().error(harmless(message))


_Commands: TypeAlias = "argparse._SubParsersAction[Parser]"

BESIDE = frozenset({"feeder", "gains", "desense", "part", "suits", "cavity", "resonators", "witness"})
KEPT = frozenset({"together", "report", "export", "copy", "trend", "archive", "note", "freeze"})
"""The commands of `tui.commands.beside` and `tui.commands.kept`; all others measure."""
ON_SCREEN = frozenset({"demo", "live", "watch"})
"""Those that load what draws a screen, too."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return the exit status; every fault of use or instrument is one line on stderr."""
    _open_three()
    try:
        status = _run(arguments)
        if sys.stdout is not None and not sys.stdout.closed:
            sys.stdout.flush()
    except OSError as error:  # of the words before any command: version, help
        from tui.commands.printing import nothing_more, output_words, say  # noqa: PLC0415 - only then

        nothing_more(sys.stdout)
        if isinstance(error, BrokenPipeError):
            return ExitStatus.GOALS_MET
        say(f"deepnotch: {output_words(error)}")
        return ExitStatus.MACHINE
    except KeyboardInterrupt:  # while libraries load
        return ExitStatus.INTERRUPTED
    return status


def _open_three() -> None:
    """Input, output and error output are there, if only as /dev/null: no file may get their numbers, and words for
    people may not go to stdout, where `print` sends them when there is no stderr."""
    for descriptor in (0, 1, 2):
        try:
            os.fstat(descriptor)
        except OSError:
            os.open(os.devnull, os.O_RDWR)
    if sys.stderr is None:
        sys.stderr = open(2, "w", encoding="utf-8", errors="replace", closefd=False)  # noqa: SIM115 - until the end


def _run(arguments: Sequence[str] | None) -> int:
    words = list(sys.argv[1:] if arguments is None else arguments)
    if words[:1] == ["simulate"]:
        from protocol.simulated.__main__ import main as simulate  # noqa: PLC0415 - only this command needs it

        try:
            return int(simulate(words[1:]) or 0)
        except SystemExit:  # it was asked for help
            sys.stdout.flush()
            raise
    parser = build_parser()
    options = parser.parse_args(words)
    if options.version:
        from protocol.files.program import program_version  # noqa: PLC0415

        print(f"deepnotch {program_version()}", flush=True)  # noqa: T201 - data
        return ExitStatus.GOALS_MET
    if options.command is None:
        parser.print_help(sys.stderr)
        return ExitStatus.USAGE
    # The fits are many small matrices: threads of the linear algebra library only get in one another's way there.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    try:
        if too_little(screen=options.command in ON_SCREEN):
            raise MemoryError
        return _done(options)
    except Exception as error:  # libraries are loaded there: memory may be lacking before anybody can tell of it
        lacking = shortage(error)
        if not lacking:
            raise
        print(f"deepnotch: {lacking}", file=sys.stderr, flush=True)  # noqa: T201 - for people
        return ExitStatus.MACHINE


def _done(options: argparse.Namespace) -> int:
    from protocol.errors import AnalyzerError, MachineError, RequestError  # noqa: PLC0415 - after --help was answered
    from protocol.wire import wire_log  # noqa: PLC0415
    from tui.commands import beside, commands, kept  # noqa: PLC0415
    from tui.commands.printing import plain_streams, say  # noqa: PLC0415

    plain_streams()
    try:
        if signal.getsignal(signal.SIGINT) is signal.SIG_DFL:
            signal.signal(signal.SIGINT, signal.default_int_handler)
        if getattr(options, "wire_log", None) is not None:
            wire_log.begin(options.wire_log)
        where = beside if options.command in BESIDE else kept if options.command in KEPT else commands
        return int(getattr(where, options.command)(options))
    except MachineError as error:
        say(f"deepnotch: {error}")
        return ExitStatus.MACHINE
    except RequestError as error:
        say(f"deepnotch: {error}")
        return ExitStatus.USAGE
    except AnalyzerError as error:
        say(f"deepnotch: {error}")
        return ExitStatus.FAULT
    except KeyboardInterrupt:
        return ExitStatus.INTERRUPTED
    except Exception as error:
        if shortage(error):
            raise
        if isinstance(error, OSError):  # one that nobody nearer to it has foreseen: a name too long, a disk that fails
            say(f"deepnotch: {_machine_words(error)}")
            return ExitStatus.MACHINE
        from tui.terminal.crash import crash_line  # noqa: PLC0415 - only when it is needed

        say(f"deepnotch: {crash_line(error)}")
        return ExitStatus.BUG
    finally:
        wire_log.end()


def _machine_words(error: OSError) -> str:
    where = f"{os.fsdecode(error.filename)}: " if isinstance(error.filename, str | bytes) else ""
    return f"{where}{error.strerror or error}; a fault of the computer or of a name: what was kept stays"


def _witness_options(witness: argparse.ArgumentParser) -> None:
    """Options of `witness`."""
    _visit(witness)
    witness.add_argument("--side", choices=("low", "high"), help="the side that the levels or the curve belong to")
    witness.add_argument("--thru", metavar="DBM", help="write down the level with the leads joined, source on")
    witness.add_argument("--pad", metavar="DB", help="write down the pad that stood between the joined leads only")
    witness.add_argument("--duplexer", metavar="DBM", help="write down the level with the duplexer between the leads")
    witness.add_argument("--off", metavar="DBM", help="write down the same with the source off")
    witness.add_argument("--loads", metavar="DBM", help="write down the level with source on and each lead on a load")
    witness.add_argument("--scale", metavar="DB", help="write down the error of the receiver's scale, by its sheet")
    witness.add_argument("--match", metavar="DB", help="write down the return loss of source and receiver at the leads")
    witness.add_argument("--source", metavar="DBM", help="write down the source's level, in place of joined leads")
    witness.add_argument("--source-error", metavar="DB", help="write down the error of that level")
    witness.add_argument("--leads", metavar="DB", help="write down what both leads lose together")
    witness.add_argument("--leads-error", metavar="DB", help="write down the error of that loss")
    witness.add_argument(
        "--correction", metavar="DB", help="write down what the receiver's curve adds: dB, or MHz:dB,MHz:dB"
    )
    witness.add_argument("--known-pad", metavar="DB", help="write down a known pad that both were tried on")
    witness.add_argument("--known-read", metavar="DB", help="write down what they read of it")
    witness.add_argument("--known-error", metavar="DB", help="write down by what they may differ from it")
    witness.add_argument("--floor", metavar="DBM", help="write down the receiver's floor by its sheet")
    witness.add_argument("--ask", metavar="PORT", help="ask the receiver at this port for the level given as 'ask'")
    witness.add_argument("--question", default="READ?", metavar="LINE", help="what it is asked, SCPI (default READ?)")
    witness.add_argument("--maker", nargs=2, metavar=("REJECTION", "LOSS"), help="write down the maker's, in dB")
    witness.add_argument("--maker-file", type=Path, metavar="FILE.s2p", help="take them from the maker's Touchstone")
    _json(witness)


def build_parser() -> argparse.ArgumentParser:
    """All commands and options."""
    parser = Parser(
        prog="deepnotch",
        description="Adjust and prove a repeater's antenna duplexer with a low-cost two-port analyzer.",
        epilog="Exit status: 0 goals met (or done), 1 goals not met, 2 usage, 3 can't say, 4 analyzer or link fault,"
        " 5 fault of the computer (disk full, not writable), 6 fault of the program.",
    )
    parser.add_argument("--version", action="store_true", help="print the version and leave")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND")
    _measuring_commands(commands)
    _analyzer_commands(commands)
    _beside_commands(commands)
    _repeater_commands(commands)
    _kept_commands(commands)
    simulate = commands.add_parser("simulate", help="start a simulated analyzer and print its device node")
    simulate.add_argument("options", nargs=argparse.REMAINDER, help="see: deepnotch simulate --help")
    commands.add_parser("ports", help="list serial devices by stable name")
    commands.add_parser("profiles", help="list the analyzer profiles that ship with the program")
    return parser


def _measuring_commands(commands: _Commands) -> None:
    """Those that take sweeps, or look at sweeps being taken or that were taken elsewhere."""
    demo = commands.add_parser("demo", help="live screen on a simulated analyzer and duplexer")
    demo.add_argument("--unit", help="simulated duplexer: U6, V6, V4 or B4, a band-pass one (default U6)")
    demo.add_argument("--speed", type=float, default=1.0, help="1: real time; 0: as fast as the machine can")
    demo.add_argument(
        "--case",
        default="",
        metavar="NAME",
        help="what is wrong: detuned, far, pair, band-pass, cable, leads, busy, load, feeder",
    )
    demo.add_argument("--raw", action="store_true", help="an analyzer that does not correct itself, to calibrate")
    _measuring(demo, sweeps=100)
    _screen(demo)

    live = commands.add_parser("live", help="live screen on an analyzer; without --port and --site a screen to choose")
    _port(live, asked=True)
    _measuring(live, sweeps=100)
    live.add_argument("--resume", action="store_true", help="resume the last run of --visit if it was broken off")
    _screen(live)
    _kit(live)
    _wire_log(live)

    check = commands.add_parser("check", help="the same measurement without a screen")
    _port(check)
    _measuring(check, sweeps=25)
    _kit(check)
    check.add_argument("--resume", action="store_true", help="resume the last run of --visit if it was broken off")
    check.add_argument(
        "--take-over", action="store_true", help="another process measures into --visit: continue its run here"
    )
    check.add_argument("--trust-hookup", action="store_true", help="store sweeps even if the hook-up looks wrong")
    check.add_argument("--zoom", type=int, metavar="N", help="then N sweeps zoomed on the channel to reject")
    _json(check)
    _wire_log(check)

    watch = commands.add_parser("watch", help="look on while another process measures")
    watch.add_argument("visit", type=Path, metavar="FILE.visit", help="visit file that it measures into")
    _screen(watch)

    read = commands.add_parser("read", help="figures from recorded sweeps (Touchstone .s2p), no analyzer needed")
    read.add_argument("files", nargs="+", type=Path, metavar="FILE.s2p", help="repeated sweeps of one hook-up")
    read.add_argument("--site", type=Path, required=True, help="site file (TOML)")
    read.add_argument("--hookup", default="A>L", help="port 1 and port 2 of the recording, e.g. A>L")
    _known(read)
    _json(read)


def _analyzer_commands(commands: _Commands) -> None:
    """Those that get to know an analyzer."""
    learn = commands.add_parser("learn", help="learn the dialect of an unknown analyzer and write a profile for it")
    learn.add_argument("port", metavar="PORT", help="serial device of the analyzer (see: deepnotch ports)")
    learn.add_argument("--out", type=Path, metavar="FILE", help="profile to write (default: in your data folder)")
    learn.add_argument(
        "--ask", choices=("yes", "no"), default="yes", help="whether anybody is there to answer questions"
    )
    _wire_log(learn)

    card = commands.add_parser(
        "card", help="measure floor, leak, pace and drift of an analyzer with a load on each lead"
    )
    card.add_argument("port", metavar="PORT", help="serial device of the analyzer")
    card.add_argument("--profile", default="scpi", help="name or file of the analyzer's profile (default scpi)")
    card.add_argument("--site", type=Path, required=True, help="site file (TOML): the card is measured at its channels")
    card.add_argument("--sweeps", type=int, default=20, help="sweeps per bandwidth (default 20)")
    card.add_argument("--json", action="store_true", help="the card as JSON on stdout")
    _wire_log(card)

    profile = commands.add_parser("profile", help="try PROFILE: go through a profile line by line")
    profile.add_argument("action", choices=("try",), help="what to do")
    profile.add_argument("profile", help="name or file of the profile")
    where = profile.add_mutually_exclusive_group(required=True)
    where.add_argument("--port", help="serial device of the analyzer")
    where.add_argument("--log", type=Path, metavar="FILE", help="a wire log, instead of the analyzer")
    profile.add_argument("--yes", action="store_true", help="send the lines without asking")
    profile.add_argument("--risky", action="store_true", help="send lines with words such as reset or save, too")
    _wire_log(profile)


def _beside_commands(commands: _Commands) -> None:
    """Those that say more of a visit than the figures of its hook-ups: what they show together, cavities, a second
    witness, the feeder."""
    together = commands.add_parser("together", help="what several hook-ups of a visit file show together")
    _visit(together)

    cavity = commands.add_parser("cavity", help="a single cavity on the bench: f0, Q, coupling, loss; what to turn")
    _visit(cavity)
    cavity.add_argument("--frequency", metavar="MHZ", help="write down where it shall stand")
    cavity.add_argument("--loss", metavar="DB", help="write down what a pass cavity shall lose there")
    cavity.add_argument("--depth", metavar="DB", help="write down what a notch cavity shall take there")
    _json(cavity)

    resonators = commands.add_parser("resonators", help="band-pass sides: resonators, couplings, what to turn")
    _visit(resonators)
    resonators.add_argument("--side", choices=("low", "high"), help="the side whose screw was turned")
    resonators.add_argument("--turned", metavar="TURN", help="write a turn down before its sweep, e.g. '2 0.25 in'")
    _json(resonators)

    _witness_options(
        commands.add_parser("witness", help="a source and a receiver, or the maker's curve, beside a proof")
    )

    feeder = commands.add_parser("feeder", help="feeder and antenna of a visit: match, loss, distance to a fault")
    feeder.add_argument("visit", type=Path, nargs="?", metavar="FILE.visit", help="visit file")
    feeder.add_argument("--incoming", metavar="DBM", help="write down the power that comes down the feeder")
    feeder.add_argument("--cable", metavar="NAME", help="write down the cable, a name of the table")
    feeder.add_argument("--length", metavar="M", help="write down its length in metres")
    feeder.add_argument("--velocity", metavar="FACTOR", help="write down its velocity factor, where its sheet tells it")
    feeder.add_argument("--cables", action="store_true", help="print the table of cables")
    feeder.add_argument(
        "--earlier", type=Path, nargs="+", metavar="FILE.visit", help="earlier visits to the site: what has changed"
    )
    _json(feeder)


def _repeater_commands(commands: _Commands) -> None:
    """Those that speak of the repeater: its gain, its desense, whether an analyzer suits its duplexer, its chain."""
    gains = commands.add_parser("gains", help="what the repeater gains, before and after: desense, margins, range")
    _visit(gains)
    gains.add_argument("--power", metavar="W", help="write down the transmitter's power")
    gains.add_argument("--noise", metavar="DBC_HZ", help="write down its noise at the receive frequency, by its sheet")
    gains.add_argument("--sensitivity", metavar="DBM", help="write down the receiver's sensitivity for 12 dB SINAD")
    gains.add_argument("--site-noise", metavar="DB", help="write down the site's noise over kT at the antenna")
    gains.add_argument("--noise-figure", metavar="DB", help="write down the receiver's noise figure")
    gains.add_argument("--blocking", metavar="DBM", help="write down the carrier that makes the receiver deaf")
    _json(gains)

    desense = commands.add_parser("desense", help="a desense test with a generator: four levels, where the deafness is")
    _visit(desense)
    desense.add_argument("--when", choices=("before", "after"), default="before", help="before the work, or after it")
    for hangs in ("load", "antenna"):
        for keyed in ("off", "on"):
            says = f"write down the level with the {hangs} on the antenna port, transmitter {keyed}"
            desense.add_argument(f"--{hangs}-{keyed}", metavar="DBM", help=says)
    _json(desense)

    suits = commands.add_parser("suits", help="is the analyzer good enough for this duplexer, and how long it takes")
    suits.add_argument("visit", type=Path, nargs="?", metavar="FILE.visit", help="visit file: its site, its card")
    suits.add_argument("--site", type=Path, metavar="FILE", help="site file (TOML), before there is a visit")
    suits.add_argument("--card", type=Path, metavar="FILE", help="an instrument card (card --json, or the kept file)")
    suits.add_argument("--floor", metavar="DB@HZ", help="floor below a thru at a bandwidth, by the sheet, e.g. 90@1000")
    suits.add_argument("--leak", metavar="DB", help="dB below a thru that leaks between its ports, by the sheet")
    suits.add_argument("--points", metavar="N", help="most points of a sweep")
    suits.add_argument("--point-time", metavar="S@HZ", help="seconds a point at a bandwidth, e.g. 0.0012@1000")
    suits.add_argument("--overhead", metavar="S", help="seconds that a sweep takes beside its points")
    suits.add_argument("--narrowest", metavar="HZ", help="narrowest bandwidth")
    suits.add_argument("--drift", metavar="DB", help="drift in dB a minute")
    suits.add_argument("--level", metavar="DBM", help="level of the source")
    suits.add_argument(
        "--minutes", type=float, metavar="MIN", help="time for one side (default 30; a visit has its window)"
    )
    suits.add_argument("--unloaded-q", type=float, metavar="Q", help="of its cavities, where it is known")
    _json(suits)

    part = commands.add_parser("part", help="isolator, preamplifier, preselector, combiner: further parts of the chain")
    _visit(part)
    part.add_argument("name", nargs="?", metavar="NAME", help="name of the part; left out: show all")
    part.add_argument("--kind", choices=("isolator", "preamplifier", "preselector", "combiner", "filter", "cable"),
                      help="what it is")  # fmt: skip
    part.add_argument("--place", choices=("transmit", "receive"), help="before the duplexer, or behind it")
    part.add_argument("--file", type=Path, metavar="FILE.s2p", help="its data as Touchstone, port 1 at its input")
    part.add_argument("--run", type=int, metavar="N", help="its data by run N of hook-up part (check --hookup part)")
    part.add_argument("--back", type=int, metavar="M", help="run M of hook-up part-back: the same turned round")
    part.add_argument("--noise-figure", type=float, metavar="DB", help="of a preamplifier, by its sheet")
    part.add_argument("--out", action="store_true", help="take it out of the chain")
    _json(part)


def _kept_commands(commands: _Commands) -> None:
    """Those that read, write down and carry away what was kept."""
    report = commands.add_parser("report", help="report of a visit: text on stdout, or a page to print")
    _visit(report)
    report.add_argument(
        "--earlier", type=Path, nargs="+", metavar="FILE.visit", help="earlier visits to the site: drift and its plot"
    )
    report.add_argument("--html", type=Path, metavar="FILE", help="write a self-contained page (prints to PDF)")

    export = commands.add_parser("export", help="sweeps as Touchstone and CSV, figures as JSON")
    _visit(export)
    export.add_argument("--to", type=Path, required=True, metavar="FOLDER", help="folder to write into")
    export.add_argument("--sweeps", action="store_true", help="every sweep as a file of its own, too")

    note = commands.add_parser("note", help="write down in a visit what the day asks for, without a screen")
    _visit(note)
    note.add_argument(
        "words", nargs="*", help="what is written down, e.g. technician, then the words or number; left out: list all"
    )
    note.add_argument("--step", type=int, metavar="N", help="step of the day, where several ask for it")
    note.add_argument("--photo", type=Path, nargs="+", metavar="FILE", help="photographs: names and SHA-256 are noted")
    note.add_argument("--done", type=int, metavar="N", help="mark a step of the day as done")
    note.add_argument("--skip", nargs=2, metavar=("N", "REASON"), help="leave a step out, and why")

    copy = commands.add_parser("copy", help="a whole copy of a visit in one file, also while it is measured into")
    _visit(copy)
    copy.add_argument("to", type=Path, metavar="COPY", help="file to make, or a folder to make it in")

    trend = commands.add_parser("trend", help="visits of one site against one another")
    trend.add_argument("visits", nargs="+", type=Path, metavar="FILE.visit", help="visit files of one site")

    archive = commands.add_parser("archive", help="questions over a folder of visits")
    archive.add_argument("folder", type=Path, help="folder of visit files")
    archive.add_argument(
        "--ask", metavar="QUESTION", help="worst, unproven, overdue, drift, faults, or a SELECT over visits"
    )
    archive.add_argument("--build", action="store_true", help="read new and changed files first")
    archive.add_argument("--scheduler", metavar="ADDRESS", help="Dask scheduler to read them with; local: two workers")

    freeze = commands.add_parser("freeze", help="freeze the figures of a visit as found or as left")
    _visit(freeze)
    freeze.add_argument("name", choices=("found", "left"), help="which stage")


def _port(parser: argparse.ArgumentParser, *, asked: bool = False) -> None:
    """`asked`: what is not given is chosen on a screen."""
    needed, profile = not asked, None if asked else "scpi"
    parser.add_argument("--port", required=needed, help="serial device of the analyzer (see: deepnotch ports)")
    parser.add_argument("--profile", default=profile, help="name or file of the analyzer's profile (default scpi)")
    parser.add_argument("--site", type=Path, required=needed, help="site file (TOML)")


def _measuring(parser: argparse.ArgumentParser, sweeps: int) -> None:
    parser.add_argument(
        "--hookup",
        help='port 1 > port 2: A>L (default), A>H, L>H; loads: survey; antenna: feeder; "A>L pad2=10 jumper=half"',
    )
    parser.add_argument("--sweeps", type=int, default=sweeps, help=f"sweeps to average (default {sweeps})")
    parser.add_argument("--start", type=float, metavar="MHZ", help="start in MHz (default: wide over both channels)")
    parser.add_argument("--stop", type=float, metavar="MHZ", help="stop in MHz")
    parser.add_argument("--points", type=int, help="points of a sweep (default 401)")
    parser.add_argument(
        "--bandwidth", type=float, metavar="HZ", help="bandwidth in Hz (default 1000, or the analyzer's nearest to it)"
    )
    _known(parser)
    parser.add_argument("--visit", type=Path, help="visit file to create or continue (default: in your data folder)")


def _known(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--leakage", type=float, metavar="DB", help="limit of the leak that a survey printed, e.g. -98")


def _kit(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--kit", type=Path, metavar="FILE", help="what the calibration's parts are (TOML; default: ideal)"
    )


def _visit(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("visit", type=Path, metavar="FILE.visit", help="visit file")


def _json(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--json", action="store_true", help="figures as JSON on stdout")


def _wire_log(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--wire-log", type=Path, metavar="FILE", help="write every byte of the port to a new file")


def _screen(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--marks", choices=("braille", "blocks", "ascii"), help="how to draw (default: by terminal)")


if __name__ == "__main__":
    sys.exit(main())
