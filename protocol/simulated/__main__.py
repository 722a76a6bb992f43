"""`python -m protocol.simulated`, also `deepnotch simulate`: a simulated analyzer on a device node of its own.

Owns: the options. Prints the node first, then obeys control lines on standard input, one answer each.
"""

from __future__ import annotations

import argparse
import signal
import sys
from collections.abc import Sequence
from pathlib import Path

from protocol.errors import RequestError
from protocol.profiles.profile import load_profile
from protocol.simulated.console_server import ConsoleServer
from protocol.simulated.control import Control, recorded_device
from protocol.simulated.duplexer import load_unit
from protocol.simulated.hookup import HookUp
from protocol.simulated.instrument import Instrument, InstrumentOptions
from protocol.simulated.quirks import PLAIN, load_quirks
from protocol.simulated.register_server import RegisterServer
from protocol.simulated.replies import Dialect
from protocol.simulated.reply_faults import ReplyFaults
from protocol.simulated.scpi_server import ScpiServer
from protocol.simulated.serve import PtyPort, Server, announce

WORDS = """control lines on standard input (one answer each):
  connect A L load=H | connect thru | connect loads, short, open, load, antenna | close H open | close H load 14
  connect feeder-open | connect feeder-short | feeder METRES VELOCITY [DB100 DB400 PLUG] | kink METRES [DB] | kink none
  antenna DB [RESONANCE] | part FILE.s2p | connect part | connect part-back
  cavity pass 450e6 5000 2500 2500 | cavity notch 450e6 5000 400 | cavity turn +30kHz | cavity loop 1 1.2
  connect cavity | connect cavity-one
  pad 2 10 | amp 20 | jumper half 450e6 | lead 2 off | gap 1pF | device FILE.s2p | device none
  turn L 1 +30kHz [trimmer] | worn L 2 0.3 | gain -0.8
  temperature 4 | bursts 0.1 40 | carrier 451e6 -30 | leakage -85 | floor -70
  fault silence|trickle|garbage|half|garble|count|refuse|mishear|chatter [N] | fault slow SECONDS
  freeze on|off | overload on|off | restart | forget | unplug | replug | status"""


def build_parser() -> argparse.ArgumentParser:
    """All options."""
    parser = argparse.ArgumentParser(
        prog="deepnotch simulate",
        description="A simulated analyzer and duplexer on a serial device node: prints the node, serves until stopped.",
        epilog=WORDS,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--unit", default="U6", help="duplexer on the bench: U6, V6, V4, P6, B4 (default U6)")
    parser.add_argument("--hookup", default="A>L", help="port 1 > port 2, e.g. A>L (default)")
    parser.add_argument("--device", metavar="FILE", help="a Touchstone file on the bench instead of the unit")
    parser.add_argument("--profile", default="scpi", help="dialect: scpi, or another profile by name or file")
    parser.add_argument("--quirks", type=Path, metavar="FILE", help="listing, pages, remarks of a console")
    parser.add_argument("--scpi-style", choices=("define", "named", "traces"), default="define", help="SCPI's ways")
    parser.add_argument("--serial", default="SIM-0001", help="serial number in its identity (default SIM-0001)")
    parser.add_argument("--speed", type=float, default=1.0, help="real seconds per simulated second; 0: no waiting")
    parser.add_argument("--seed", type=int, default=1, help="same seed and same orders give the same numbers")
    parser.add_argument("--link", type=Path, help="keep a symbolic link to the node here")
    parser.add_argument("--floor", type=float, default=-70.0, help="floor in dB at 1 kHz bandwidth (default -70)")
    parser.add_argument("--leakage", type=float, help="steady leak in dB (default none)")
    parser.add_argument(
        "--bursts", type=float, nargs=2, metavar=("RATE", "DB"), help="share of sweeps hit, and by how much"
    )
    parser.add_argument(
        "--turn", action="append", default=[], metavar="SCREW",
        help="a screw that somebody turned: 'L 1 -900kHz', 'H 2 +30kHz trimmer'; as often as needed",
    )  # fmt: skip
    parser.add_argument("--ppm", type=float, default=0.0, help="frequency error in ppm")
    parser.add_argument("--raw", action="store_true", help="uncorrected: raw errors of a plain bridge")
    parser.add_argument("--clamp", action="store_true", help="clip settings outside the limits without a word")
    parser.add_argument("--max-points", type=int, default=1001, help="most points of a sweep (default 1001)")
    parser.add_argument("--min-points", type=int, default=101, help="fewest points of a sweep (default 101)")
    parser.add_argument("--child", action="store_true", help="end when standard input ends")
    return parser


def make_instrument(options: argparse.Namespace) -> Instrument:
    """The instrument and bench that the options describe. Raises ValueError."""
    driven, _, read = options.hookup.upper().partition(">")
    hookup = HookUp()
    hookup.connect(driven.strip(), read.strip())
    if options.device:
        hookup.recorded = recorded_device(options.device)
    settings = InstrumentOptions(
        seed=options.seed,
        serial=options.serial,
        floor_db=options.floor,
        leakage_db=options.leakage,
        corrected=not options.raw,
        frequency_error_ppm=options.ppm,
        clamp_quietly=options.clamp,
        max_points=options.max_points,
        min_points=options.min_points,
    )
    if options.device:
        settings.stop_hz = 1e12
    if options.bursts:
        settings.burst_rate, settings.burst_db = options.bursts
    instrument = Instrument(settings, load_unit(options.unit), hookup)
    for screw in options.turn:
        Control(instrument)(f"turn {screw}")
    return instrument


def main(arguments: Sequence[str] | None = None) -> int:
    """Serve until told to stop; 2 for options that make no sense."""
    options = build_parser().parse_args(arguments)
    try:
        instrument = make_instrument(options)
        profile = load_profile(options.profile)
        if profile.family == "scpi":
            dialect: Dialect = ScpiServer(instrument, options.scpi_style)
        elif profile.console is not None:
            _take_limits(instrument, options, profile.limits.min_points, profile.limits.max_points)
            dialect = ConsoleServer(instrument, profile, load_quirks(options.quirks) if options.quirks else PLAIN)
        else:
            _take_limits(instrument, options, profile.limits.min_points, profile.limits.max_points)
            dialect = RegisterServer(instrument, profile)
        port = PtyPort(options.link)
    except (ValueError, RequestError, OSError) as error:
        print(f"deepnotch simulate: {error}", file=sys.stderr)  # noqa: T201 - one line for people
        return 2
    server = Server(port, dialect, ReplyFaults(options.seed), Control(instrument), options.speed)
    for name in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
        signal.signal(name, server.stop)
    announce(port)
    try:
        server.run(end_with_input=options.child)
    finally:
        port.close()
    return 0


def _take_limits(instrument: Instrument, options: argparse.Namespace, low: int, high: int) -> None:
    """A console analyzer has the points its profile promises, unless the options ask for fewer."""
    instrument.options.min_points = min(low, options.min_points)
    instrument.options.max_points = min(high, options.max_points)
    instrument.points = min(max(instrument.points, low), high)


if __name__ == "__main__":
    sys.exit(main())
