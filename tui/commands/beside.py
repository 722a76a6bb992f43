"""The commands of what stands beside the duplexer: `feeder`, `gains`, `desense`, `part`, `suits`, `cavity`,
`resonators`, `witness`.

Owns: writing down what was typed, printing a page or its JSON. Refuses: figures and sentences of its own.
"""

from __future__ import annotations

import argparse
import contextlib
from collections.abc import Iterator, Mapping
from pathlib import Path

from protocol.errors import RequestError
from protocol.files.harmless import harmless_json
from tui.commands.exit_status import ExitStatus
from tui.commands.printing import Bar, data, row, say
from visit.record.visit_file import VisitFile


@contextlib.contextmanager
def opened(path: Path, *, write: bool) -> Iterator[VisitFile]:
    """A visit file, with a bar where reading it takes a while."""
    with Bar(path) as bar:
        visit = VisitFile.open(path, read_only=not write, tell=bar.tell)
        try:
            yield visit
        finally:
            visit.close()


def written_down(visit: VisitFile, typed: Mapping[str, str | None]) -> None:
    """Write down what was typed under the names of the sheet. Raises RequestError, with nothing of it written."""
    from visit.record.sheet import LINES, checked, write  # noqa: PLC0415 - only commands that type

    given = {name: words for name, words in typed.items() if words is not None}
    for name, words in given.items():
        checked(LINES[name], words)
    for name, words in given.items():
        write(visit, LINES[name], words)
        say(f"{name} written down: {words}")


def feeder(options: argparse.Namespace) -> ExitStatus:
    """Feeder and antenna: match, loss, distances; or the cable table."""
    from visit.day.day import FEEDER_STEP, Day  # noqa: PLC0415
    from visit.figures.feeder import INCOMING, feeder_sight  # noqa: PLC0415
    from visit.figures.run_figures import RunFigures  # noqa: PLC0415
    from visit.report.feeder_page import (  # noqa: PLC0415
        CABLE_NOTE,
        against_earlier,
        cable_rows,
        feeder_data,
        feeder_lines,
    )

    if options.cables:
        for cells in cable_rows():
            row(*cells)
        say(CABLE_NOTE)
        return ExitStatus.GOALS_MET
    if options.visit is None:
        raise RequestError("give a visit file, or --cables for the table of cables")
    typed = {"feeder cable": options.cable, "feeder length": options.length, "feeder velocity": options.velocity}
    with opened(options.visit, write=any((*typed.values(), options.incoming))) as visit:
        written_down(visit, typed)
        if options.incoming is not None:
            Day(visit).enter(FEEDER_STEP, INCOMING, options.incoming)
        sight = feeder_sight(RunFigures(visit))
        then = against_earlier(visit, sight, options.earlier or ())
    if options.json:
        data(harmless_json({**feeder_data(sight), "against_earlier": then}).splitlines())
    else:
        data([*feeder_lines(sight), *then])
    return ExitStatus.GOALS_MET if sight.runs else ExitStatus.CANT_SAY


def cavity(options: argparse.Namespace) -> ExitStatus:
    """A single cavity on the bench, and what to turn."""
    from visit.figures.resonators import cavity_sight  # noqa: PLC0415
    from visit.figures.run_figures import RunFigures  # noqa: PLC0415
    from visit.report.resonator_page import cavity_data, cavity_lines  # noqa: PLC0415

    typed = {"cavity frequency": options.frequency, "cavity loss": options.loss, "cavity depth": options.depth}
    with opened(options.visit, write=any(typed.values())) as visit:
        written_down(visit, typed)
        sight = cavity_sight(RunFigures(visit))
    data(harmless_json(cavity_data(sight)).splitlines() if options.json else cavity_lines(sight))
    return ExitStatus.GOALS_MET if sight.runs else ExitStatus.CANT_SAY


def resonators(options: argparse.Namespace) -> ExitStatus:
    """Band-pass sides: resonators, couplings, what to turn."""
    from visit.figures.resonators import band_sights, note_turn  # noqa: PLC0415
    from visit.figures.run_figures import RunFigures  # noqa: PLC0415
    from visit.report.resonator_page import band_data, band_lines  # noqa: PLC0415
    from visit.site.hookup import Side  # noqa: PLC0415

    if options.turned and options.side is None:
        raise RequestError("say --side low or --side high: whose screw was turned? nothing was written")
    with opened(options.visit, write=bool(options.turned)) as visit:
        figures = RunFigures(visit)
        if options.turned:
            note_turn(visit, band_sights(figures), Side.HIGH if options.side == "high" else Side.LOW, options.turned)
            say(f"{options.side} side, turn written down: {options.turned}")
        sights = band_sights(figures)
    data(harmless_json(band_data(sights)).splitlines() if options.json else band_lines(sights, figures.site))
    return ExitStatus.GOALS_MET if sights else ExitStatus.CANT_SAY


def witness(options: argparse.Namespace) -> ExitStatus:
    """A second witness of the rejection: levels written down or asked for, the maker's curve, what they say."""
    from visit.day.witness import at_channel, check_level, maker_curve, take_level, witnesses  # noqa: PLC0415
    from visit.figures.replay import Replay  # noqa: PLC0415
    from visit.figures.run_figures import no_figures  # noqa: PLC0415
    from visit.record.sheet import checked, write  # noqa: PLC0415
    from visit.record.witness import CORRECTION, LOSS, REJECTION, STATES, maker_line  # noqa: PLC0415
    from visit.report.witness_page import witness_data, witness_lines  # noqa: PLC0415
    from visit.site.hookup import Side  # noqa: PLC0415

    typed = dict(
        zip(
            STATES,
            (
                options.thru, options.pad, options.duplexer, options.off, options.loads, options.scale, options.match,
                options.source, options.source_error, options.leads, options.leads_error, options.correction,
                options.known_pad, options.known_read, options.known_error, options.floor,
            ),
            strict=True,
        )
    )  # fmt: skip
    given = {state: words for state, words in typed.items() if words is not None}
    writes = bool(given or options.maker or options.maker_file)
    if writes and options.side is None:
        raise RequestError("say --side low or --side high: whose levels are these? nothing was written")
    side = Side.HIGH if options.side == "high" else Side.LOW
    given = {state: _asked(options) if words == "ask" else words for state, words in given.items()}
    with opened(options.visit, write=writes) as visit:
        if CORRECTION in given:
            given[CORRECTION] = at_channel(given[CORRECTION], visit.site().reject_hz(side))
        for state, words in given.items():
            check_level(side, state, words)
        promised = dict(zip((REJECTION, LOSS), options.maker or (), strict=False))
        if options.maker_file:
            curve = maker_curve(options.maker_file, visit.site(), side)
            promised = {what: f"{value:.2f}" for what, value in curve.items()}
        for what, words in promised.items():
            checked(maker_line(side, what), words)
        for state, words in given.items():
            take_level(visit, side, state, words)
            say(f"{side.word} side, {STATES[state]}: written down: {words}")
        for what, words in promised.items():
            write(visit, maker_line(side, what), words)
            say(f"{side.word} side, maker's {what} written down: {words}")
        with no_figures(visit, "its second witness"):
            sides = witnesses(Replay(visit))
    data(harmless_json(witness_data(sides)).splitlines() if options.json else witness_lines(sides))
    told = [one.agreement.agrees for one in sides if one.typed]
    if False in told:
        return ExitStatus.GOALS_NOT_MET
    return ExitStatus.GOALS_MET if True in told else ExitStatus.CANT_SAY


def _asked(options: argparse.Namespace) -> str:
    """A level from the receiver at the port. Raises RequestError, AnalyzerError."""
    import asyncio  # noqa: PLC0415 - only where a receiver is asked

    from protocol.levels import read_level  # noqa: PLC0415

    if options.ask is None:
        raise RequestError("give the receiver's port: --ask PORT")
    return f"{asyncio.run(read_level(options.ask, options.question)):g}"


def gains(options: argparse.Namespace) -> ExitStatus:
    """What the repeater gains, before and after."""
    from visit.day.day import Day  # noqa: PLC0415
    from visit.day.gains import gains_of  # noqa: PLC0415
    from visit.figures.replay import Replay  # noqa: PLC0415
    from visit.figures.run_figures import no_figures  # noqa: PLC0415
    from visit.report.gains_page import gains_data, gains_lines  # noqa: PLC0415

    typed = {
        "transmitter power": options.power,
        "transmitter noise": options.noise,
        "receiver sensitivity": options.sensitivity,
        "receiver noise figure": options.noise_figure,
        "receiver blocking level": options.blocking,
        "site noise": options.site_noise,
    }
    with opened(options.visit, write=any(typed.values())) as visit:
        written_down(visit, typed)
        with no_figures(visit, "what the repeater gains"):
            made = gains_of(Day(visit), Replay(visit))
    data(harmless_json(gains_data(made)).splitlines() if options.json else gains_lines(made))
    return ExitStatus.GOALS_MET if made.before or made.after else ExitStatus.CANT_SAY


def desense(options: argparse.Namespace) -> ExitStatus:
    """A desense test: write its levels down, say what they show."""
    from rf.repeater.desense_levels import STATES  # noqa: PLC0415
    from visit.day.day import Day  # noqa: PLC0415
    from visit.day.desense_test import BEFORE, check_keying, line_of, take, taken  # noqa: PLC0415
    from visit.day.gains import gains_of  # noqa: PLC0415
    from visit.figures.replay import Replay  # noqa: PLC0415
    from visit.record.sheet import checked  # noqa: PLC0415
    from visit.report.desense_page import desense_data, desense_lines  # noqa: PLC0415

    typed = dict(zip(STATES, (options.load_off, options.load_on, options.antenna_off, options.antenna_on), strict=True))
    given = {state: words for state, words in typed.items() if words is not None}
    with opened(options.visit, write=bool(given)) as visit:
        for state, words in given.items():
            checked(line_of(options.when, state), words)
        if given:
            check_keying(Day(visit), options.when)
        for state, words in given.items():
            take(visit, options.when, state, words)
            say(f"{line_of(options.when, state).name} written down: {words}")
        gains_now = gains_of(Day(visit), Replay(visit))
        at = gains_now.before if options.when == BEFORE else gains_now.after
        now = taken(visit, options.when, None if at is None else at.on_load)
    data(harmless_json(desense_data(now)).splitlines() if options.json else desense_lines(now))
    return ExitStatus.GOALS_MET if now.dbm else ExitStatus.CANT_SAY


def suits(options: argparse.Namespace) -> ExitStatus:
    """Is the analyzer good enough: by its card, or by what was typed from its sheet."""
    from visit.day.instrument import of_card, of_sheet  # noqa: PLC0415
    from visit.day.suits import WINDOW_MIN, fitted_q, suits_of  # noqa: PLC0415
    from visit.day.suits import suits as forecast  # noqa: PLC0415
    from visit.figures.replay import Replay  # noqa: PLC0415
    from visit.figures.run_figures import no_figures  # noqa: PLC0415
    from visit.record.instrument_card import read_card  # noqa: PLC0415
    from visit.record.sheet import INSTRUMENT  # noqa: PLC0415
    from visit.report.suits_page import suits_data, suits_lines  # noqa: PLC0415
    from visit.site.site import load_site  # noqa: PLC0415

    typed = {name: getattr(options, name.replace("-", "_")) for name in INSTRUMENT}
    given = {name: words for name, words in typed.items() if words is not None}
    if (options.visit is None) == (options.site is None):
        raise RequestError("give a visit file, or --site FILE before there is one")
    for name, value, most in (("--minutes", options.minutes, 1e4), ("--unloaded-q", options.unloaded_q, 1e5)):
        if value is not None and not 0.0 < value <= most:
            raise RequestError(f"{name} {value:g} can't be: above 0 and at most {most:g}")
    known = of_sheet(given)  # before anything of it is written down
    if options.visit is not None:
        if options.card is not None:
            raise RequestError("a visit has the card of its analyzer; --card goes with --site")
        with opened(options.visit, write=bool(given)) as visit:
            written_down(visit, {INSTRUMENT[name].name: words for name, words in given.items()})
            replay = Replay(visit)
            with no_figures(visit, "whether the analyzer is good enough"):
                made = suits_of(replay, replay.site, options.unloaded_q or fitted_q(replay))
    else:
        if options.card is not None and "floor" in given:
            raise RequestError("give the card or the floor by a sheet, not both")
        if options.card is not None:
            known = of_card(read_card(options.card), given)
        window = WINDOW_MIN if options.minutes is None else options.minutes
        made = forecast(load_site(options.site), known, window_min=window, unloaded_q=options.unloaded_q)
    data(harmless_json(suits_data(made)).splitlines() if options.json else suits_lines(made))
    return SUITS_STATUS[made.verdict]


SUITS_STATUS = {
    "yes": ExitStatus.GOALS_MET,
    "perhaps": ExitStatus.CANT_SAY,
    "no": ExitStatus.GOALS_NOT_MET,
}


def part(options: argparse.Namespace) -> ExitStatus:
    """Further two-ports of the chain: keep one, take one out, show what they make."""
    from visit.day.parts import paths_of  # noqa: PLC0415
    from visit.figures.replay import Replay  # noqa: PLC0415
    from visit.figures.run_figures import no_figures  # noqa: PLC0415
    from visit.record.parts import StoredPart, parts_of, read_part_file, write_part  # noqa: PLC0415
    from visit.report.parts_page import parts_data, parts_lines  # noqa: PLC0415

    if options.name is None and (options.file or options.run is not None or options.out):
        raise RequestError("give the part a name: deepnotch part FILE.visit NAME ...")
    with opened(options.visit, write=options.name is not None) as visit:
        if options.name is not None:
            standing = next((one for one in parts_of(visit) if one.name == options.name), None)
            if options.out:
                if standing is None:
                    raise RequestError(f"there is no part {options.name!r}; nothing was changed")
                write_part(visit, StoredPart(standing.name, standing.kind, standing.place))
            else:
                if bool(options.file) == (options.run is not None):
                    raise RequestError("give its data: --file FILE.s2p, or --run N of hook-up part (--back M turned)")
                if options.kind is None or options.place is None:
                    raise RequestError("say --kind and --place of the part")
                text = read_part_file(options.file) if options.file else ""
                write_part(
                    visit,
                    StoredPart(options.name, options.kind, options.place, text, options.run, options.back,
                               options.noise_figure),
                )  # fmt: skip
            say(f"{options.name} {'taken out' if options.out else 'written down'}")
        replay = Replay(visit)
        with no_figures(visit, "the parts of its chain"):
            paths = paths_of(replay)
    data(harmless_json(parts_data(paths)).splitlines() if options.json else parts_lines(paths, replay.site))
    return ExitStatus.GOALS_MET
