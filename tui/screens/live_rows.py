"""The words of the live screen: from a `LiveState` to rows of text, block by block. Pure, so that tests read the rows.

Owns: what stands where and in which words. Refuses: any number without its kind; figures come through
`rf.values.words` only.
"""

from __future__ import annotations

import math
import textwrap
import time
from dataclasses import replace

from rf.repeater.hookup_check import State
from rf.values.decibel import amplitude_db
from rf.values.figure import Figure, Kind, shifted
from rf.values.words import Words, words
from tui.drawing.digits import big
from tui.drawing.marks import FAINT, GREEN, VERMILLION, WORD_STYLE, YELLOW, MarkSet, plain
from tui.drawing.rows import Row
from tui.drawing.wrapping import wrapped
from tui.screens.picture_rows import pooled_only
from visit.figures.assessment import Assessment, Channel, Role, leak_words
from visit.figures.leak_advice import planned_enough
from visit.run.conductor import Phase
from visit.run.live import LiveState
from visit.site.hookup import HookUp, Side

BESIDE = 6
"""Columns of the unit between big digits and what stands beside them."""
BAR_FROM_DB, BAR_TO_DB = 40.0, 120.0
"""Ends of the goal bar. Duplexers are asked for 65 to 100 dB (study, part 1); the bar keeps room at both sides."""


def figure_runs(figure: Figure, *, signed: bool = False) -> Row:
    """A figure as runs: the word in its style, then number and interval."""
    parts = words(figure, signed=signed)
    rest = " ".join(part for part in (parts.number + parts.spread, parts.unit) if part)
    runs: Row = [(parts.word, WORD_STYLE[parts.word])]
    if rest:
        runs.append((f" {rest}", ""))
    return runs


def megahertz(hz: float) -> str:
    """A channel the way it is written on a licence: three decimals, four where the raster needs them."""
    text = f"{hz / 1e6:.4f}"
    return text[:-1] if text.endswith("0") else text


def head_row(state: LiveState, width: int) -> Row:
    """Channels with their use, hook-up, correction, temperature; the site's name where there is room."""
    site = state.site
    uses = ("TX", "RX") if site.transmit.value == "L" else ("RX", "TX")
    parts = [
        f" low {site.low_hz / 1e6:.3f} {uses[0]}  high {site.high_hz / 1e6:.3f} {uses[1]}",
        f"HOOK {_hook_words(state, width)}",
        f"CAL {_calibration_words(state, width)}",
    ]
    if site.temperature_c is not None:
        parts.append(f"{site.temperature_c:.0f}°C")
    if len(" │ ".join((*parts, site.name))) <= width:
        parts.append(site.name)
    return [(" │ ".join(parts), "bold")]


def _calibration_words(state: LiveState, width: int) -> str:
    """Whose correction it is, how old ours is, and whether it is in doubt."""
    doubts = state.assessment.doubts if state.assessment is not None else state.doubts
    mark = "?" if doubts else " ok"
    if state.calibrated_at_s is not None:
        return f"{max(time.time() - state.calibrated_at_s, 0.0) / 60:.0f}m{mark}"
    if not state.corrects_itself:
        return "none"
    return ("analyzer's own" if width >= 100 else "own") + ("?" if doubts else "")


def _hook_words(state: LiveState, width: int) -> str:
    """What the check says of the hook-up; only declared where it could not be seen, nor seen while no sweep comes."""
    if state.progress.phase in (Phase.FAULT, Phase.WAITING):
        return f"{state.hookup.name} not seen now"
    check = state.assessment.check if state.assessment is not None else None
    if check is None or check.state is State.UNSEEN:
        more = "" if check is None or width < 100 else f", {check.short}"
        return f"{state.hookup.name} declared{more}"
    return check.short


def reject_rows(state: LiveState, width: int, marks: MarkSet) -> list[Row]:
    """Title, three rows of big figure with its word, and the goal bar (five rows)."""
    assessment = state.assessment
    channel = assessment.channel(Role.REJECT) if assessment else None
    goal = state.site.goals.rejection_db
    at = _reject_hz(state)
    title: Row = [(f" REJECT at {megahertz(at)} MHz", "bold"), (f"  goal {goal:.0f} dB  ", "")]
    title += _verdict_runs(assessment)
    notch = assessment.notch if assessment else None
    if notch is not None and notch.rejection_at and notch.rejection_at[0].known:
        said: Row = [("  skirts ", ""), *figure_runs(notch.rejection_at[0])]
        title += said if sum(len(part) for part, _ in title + said) <= width else []
    if state.hookup.survey:
        return _survey_title(assessment)
    if state.hookup.alone:
        return [
            [(f" {state.hookup.name.upper()}  on the leads, no duplexer: no rejection here", "bold")],
            *_echo_rows(assessment),
        ]
    if channel is None:
        blank: Row = [("", "")]
        return [title, [("  waiting for the first sweep", FAINT)], blank, blank, _bar_row(None, goal, width)]
    return [
        title,
        *_big_rows(
            channel.transmission,
            marks,
            width,
            doubtful=bool(assessment and assessment.doubts),
            besides=leak_words(channel),
        ),
        _bar_row(channel.transmission, goal, width),
    ]


def _echo_rows(assessment: Assessment | None) -> list[Row]:
    """Four rows: the feeder's strongest echo, and what cannot be told of it."""
    echo = assessment.echo if assessment is not None else None
    if echo is None:
        return [[("", "")]] * 4
    if not echo.place.known:
        said: list[Row] = [[("  strongest echo ", ""), *figure_runs(echo.place)], [(f"  {echo.place.why}", FAINT)]]
    else:
        said = [
            [("  strongest echo ", ""), *figure_runs(echo.place)],
            [("  as seen here   ", ""), *figure_runs(echo.level)],
            [(f"  {echo.limits}", FAINT)],
        ]
    return said + [[("", "")]] * (4 - len(said))


def _survey_title(assessment: Assessment | None) -> list[Row]:
    """What a survey is for, in place of a rejection."""
    limit = assessment.leakage if assessment is not None else None
    known = "not known before five sweeps"
    if limit is not None:
        known = f"no leak above {amplitude_db(limit):.1f} dB at either channel (95 %)"
    elif assessment is not None and assessment.survey is not None:
        known = _covered(assessment)
    return [
        [(" SURVEY  both leads on loads, the duplexer left out", "bold")],
        [("  what is seen now is the instrument and the cables alone", FAINT)],
        [(f"  {known}", "")],
        [("  later runs take this limit; a better one that was surveyed before stays", FAINT)],
        [("", "")],
    ]


def _covered(assessment: Assessment) -> str:
    """The channel that a survey is for which does not cover both."""
    site, f = assessment.site, assessment.frequency_hz
    sides = [side for side in Side if f[0] <= site.reject_hz(side) <= f[-1]]
    if len(sides) != 1:
        return "this sweep misses a channel: there, an earlier survey's limit stays"
    return f"for {site.reject_hz(sides[0]) / 1e6:.4f} MHz alone, which A>{sides[0].value} rejects"


def _reject_hz(state: LiveState) -> float:
    side = state.hookup.side
    return state.site.high_hz if side is None else state.site.reject_hz(side)


def _verdict_runs(assessment: Assessment | None) -> Row:
    result = next((goal for goal in assessment.goals if goal.name == "rejection"), None) if assessment else None
    if result is None:
        return []
    style = GREEN if result.met else VERMILLION if result.met is False else YELLOW
    return [(f"[{result.verdict.word}]", f"bold {style}")]


def _big_rows(figure: Figure, marks: MarkSet, width: int, *, doubtful: bool, besides: str = "") -> list[Row]:
    """Three rows: the word at the left of the middle one, the number in big digits, why at the right."""
    parts = words(figure)
    style = FAINT if doubtful else WORD_STYLE[parts.word]
    word = f"  {parts.word:<10}"
    lines = big(parts.number, marks) if parts.number else ("", "", "")
    said = figure if figure.why else replace(figure, why=besides)
    notes = _notes(said, parts, width - len(word) - len(lines[0]) - BESIDE)
    rows: list[Row] = []
    for index, line in enumerate(lines):
        left = word if index == 1 else " " * len(word)
        unit = f" {parts.unit}" if index == 2 and parts.unit else "   "
        rows.append([(left, style), (line, style), (f"{unit}   ", ""), (notes[index], "")])
    return rows


def _notes(figure: Figure, parts: Words, room: int) -> tuple[str, str, str]:
    """Three lines beside the digits, none longer than `room`; the interval gives way where the reason needs three."""
    if figure.kind is Kind.CANT_SAY:
        cut = _wrap(figure.why, room)
        return cut[0], cut[1], cut[2]
    interval = f"interval{parts.spread} {parts.unit} (95 %)" if parts.spread else "95 % bound: the truth is more"
    limit = f"limited by: {figure.limited_by}" if figure.limited_by else ""
    more = _wrap("; ".join(part for part in (limit, figure.why) if part), room)
    return (interval, more[0], more[1]) if not more[2] else (more[0], more[1], more[2])


def _wrap(text: str, width: int) -> list[str]:
    lines = [""]
    for word in text.split():
        if lines[-1] and len(lines[-1]) + 1 + len(word) > width:
            lines.append("")
        lines[-1] = f"{lines[-1]} {word}".strip()
    return [*lines[:3], "", "", ""]


def _bar_row(figure: Figure | None, goal_db: float, width: int) -> Row:
    """The goal bar: filled up to what is shown, the goal as a mark, both also in the text above."""
    columns = width - 12
    if columns < 20:
        return [("", "")]

    def at(level: float) -> int:
        share = (min(max(level, BAR_FROM_DB), BAR_TO_DB) - BAR_FROM_DB) / (BAR_TO_DB - BAR_FROM_DB)
        return round(share * (columns - 1))

    cells = ["─"] * columns
    if figure is not None and figure.known:
        shown = figure.low if figure.kind is Kind.READING else figure.value
        for x in range(at(shown)):
            cells[x] = "█"
        if figure.kind is Kind.READING:
            for x in range(at(figure.low), at(figure.high) + 1):
                cells[x] = "▒"
        elif figure.kind is Kind.AT_LEAST:
            cells[at(shown)] = "→"
    goal_at = at(goal_db)
    return [
        (f"  {BAR_FROM_DB:3.0f} ", FAINT),
        ("".join(cells[:goal_at]), ""),
        ("◆", f"bold {YELLOW}"),
        ("".join(cells[goal_at + 1 :]), ""),
        (f" {BAR_TO_DB:.0f}", FAINT),
    ]


def notch_rows(state: LiveState) -> list[Row]:
    """Where the notch is against the target, and the band that holds no information."""
    a = state.assessment
    target = _reject_hz(state)
    first: Row = [(" NOTCH   ", "")]
    second: Row = [(" CLIPPED ", "")]
    if a is None:
        return [first, second]
    first += [("mean of cavities ", ""), *figure_runs(a.notch_offset, signed=True)]
    if a.notch_offset.known:
        first.append((f" off {megahertz(target)} MHz", ""))
    elif a.notch_offset.why:
        first.append((f": {a.notch_offset.why}", FAINT))
    if a.survey is not None or a.hookup.survey:
        return survey_rows(a)
    if a.check.state is State.WRONG:
        return [[(" NOTCH   no figure while the hook-up is wrong", FAINT)], [("", "")]]
    if a.site.kind == "band-pass" and not a.notch_offset.known:
        first = [(" BAND    ", ""), ("a band-pass side has resonators, no notch: x tells where they stand", "")]
    if a.clipped is None and a.lowest is not None and a.lowest.place.known:
        place = shifted(a.lowest.place, -_target(a))
        second.append(("none; deepest ", ""))
        second += [*figure_runs(a.lowest.depth), (" at ", ""), *figure_runs(place, signed=True)]
    elif a.clipped is None:
        second.append(("none: the whole response stands above the floor", FAINT))
    elif pooled_only(a):
        second.append((f"under the floor point by point; read from {a.pooled_points} of them together", ""))
    else:
        least = "more than " if a.clipped.open_low or a.clipped.open_high else ""
        second.append((f"{least}{a.clipped.width_hz / 1e3:.0f} kHz under the floor: no information there", ""))
    if a.notch is not None and a.notch_offset.known:
        second.append(("; " + _singles(a), FAINT))
    return [first, second]


def survey_rows(a: Assessment) -> list[Row]:
    """Leakage and how far averaging helps, from both leads on loads."""
    split = a.survey
    if split is None:
        return [[(" LEAKAGE ", ""), ("five sweeps at least, both leads on loads", FAINT)], [("", "")]]
    # The title has the limit at a channel, which few points tell; this is of all points together.
    first: Row = [(" LEAKAGE over the whole sweep ", ""), *figure_runs(split.leakage)]
    if split.leakage.kind is Kind.AT_LEAST:
        first.append((" down: none was found", ""))
    worth = f"averaging pays up to {split.worth_sweeps} sweeps" if split.worth_sweeps else "averaging still pays"
    interfered = int(split.ingress.sum())
    second = f" INGRESS at {interfered} of {split.ingress.size} points; {worth}"
    return [first, [(second, "")]]


def _singles(a: Assessment) -> str:
    assert a.notch is not None
    if not a.notch.singles:
        return "cavities not resolved"
    return "cavities " + " ".join(f"{(f.value - _target(a)) / 1e3:+.0f}" for f in a.notch.singles) + " kHz INFERRED"


def _target(a: Assessment) -> float:
    channel = a.channel(Role.REJECT)
    return channel.frequency_hz if channel else 0.0


def pass_row(state: LiveState) -> Row:
    """Loss and match at the pass channel."""
    a = state.assessment
    channel: Channel | None = a.channel(Role.PASS) if a else None
    if channel is None:
        return [(" LOSS    ", ""), ("no channel passes in this hook-up", FAINT)] if a else [(" LOSS    ", "")]
    row: Row = [(f" LOSS    at {megahertz(channel.frequency_hz)} MHz  ", ""), *figure_runs(channel.transmission)]
    return [*row, ("  match ", ""), *figure_runs(channel.return_loss)]


def floor_row(state: LiveState) -> Row:
    """The random floor of one sweep and of the average."""
    a = state.assessment
    if a is None:
        return [(" FLOOR   ", "")]
    return [
        (" FLOOR   one sweep ", ""),
        *figure_runs(a.floor_now),
        ("   averaged ", ""),
        *figure_runs(a.floor_averaged),
    ]


def sweeps_row(state: LiveState) -> Row:
    """Sweeps done, thrown out, time each and to go, and what more time would bring."""
    p = state.progress
    planned = p.order.planned_sweeps if p.order else None
    parts = [f"{p.done} of {planned}" if planned is not None else f"{p.done}, until stopped"]
    a = state.assessment
    if a is not None:
        parts.append(f"thrown out {a.thrown_sweeps}")
    if p.sweep_time_s is not None:
        parts.append(f"{p.sweep_time_s:.2f} s")
        parts.append(f"-3 dB in {clock(p.sweep_time_s * max(p.done, 1))}")
    if a is not None and a.proof.next_look is not None and p.phase is Phase.SWEEPING:
        parts.append(f"look at {a.proof.next_look}")
    left = p.time_left_s
    if left is not None:
        parts.append(f"left {clock(left)}")
    style = f"bold {VERMILLION}" if a is not None and a.too_busy else ""
    return [(" SWEEPS  ", ""), ("  ".join(parts), style)]


def clock(seconds: float) -> str:
    """Seconds as m:ss or h:mm:ss."""
    whole = math.ceil(seconds)
    hours, minutes = whole // 3600, whole % 3600 // 60
    return f"{hours}:{minutes:02d}:{whole % 60:02d}" if hours else f"{minutes}:{whole % 60:02d}"


def path_row(state: LiveState, width: int) -> Row:
    """The leads as declared, and when the last sweep reached the disk."""
    saved = state.progress.saved_at_s
    stamp = f"SAVED {time.strftime('%H:%M:%S', time.localtime(saved))}" if saved else "nothing saved yet"
    if saved and width >= 100:
        stamp += f" in {state.visit_name}"
    return [(f" PATH    {path_strip(state.hookup)}", ""), (f"   {stamp}", FAINT)]


def path_strip(hookup: HookUp) -> str:
    """The leads in one line, e.g. ``P1-cable-[A L]-cable-P2  H: load``."""
    path = hookup.path
    first = f"P1-cable-{f'pad{path.pad1_db:g}-' if path.pad1_db else ''}"
    last = "".join(
        text
        for text, there in (
            (f"{path.jumper}wave-", path.jumper != "none"),
            (f"pad{path.pad2_db:g}-", path.pad2_db),
            (f"amp{path.amp_db:g}-", path.amp_db),
        )
        if there
    )
    if hookup.survey:
        return f"{first}load   load-{last}cable-P2"
    if hookup.name == "thru":
        return f"{first}thru-{last}cable-P2"
    if hookup.alone:
        return f"{first}{hookup.name}   P2 free"
    return f"{first}[{hookup.driven}  {hookup.read}]-{last}cable-P2  {hookup.third_port}: {hookup.third}"


def message_rows(state: LiveState, width: int) -> list[Row]:
    """The most urgent message, whole, over as many rows as it takes."""
    title, text, style = _message(state)
    lines = textwrap.wrap(text, width - len(title) - 1, break_on_hyphens=False) or [""]
    return [[((title if number == 0 else " " * len(title)) + line, style)] for number, line in enumerate(lines)]


def _message(state: LiveState) -> tuple[str, str, str]:
    """The most urgent line: a fault, a change the analyzer made on its own, a caution, or who is connected."""
    p = state.progress
    if p.phase is Phase.FAULT:
        return " FAULT   ", p.message, f"bold {VERMILLION}"
    if state.figures_fault:
        return " FAULT   ", state.figures_fault, f"bold {VERMILLION}"
    if p.phase is Phase.WAITING:
        return " WAITS   ", p.message, f"bold {YELLOW}"
    check = state.assessment.check if state.assessment is not None else None
    wrong = check is not None and check.state is State.WRONG
    if p.file_words and not wrong:
        return " FILE    ", p.file_words, f"bold {YELLOW}"
    if p.changes:
        return " NOTE    ", p.changes[0], f"bold {YELLOW}"
    if check is not None and wrong:
        return " HOOK-UP ", check.cure, f"bold {VERMILLION}"
    if check is not None and check.state is State.NOTE:
        return " HOOK-UP ", check.cure, YELLOW
    cautions = [] if state.assessment is None else state.assessment.cautions
    planned = p.order.planned_sweeps if p.order is not None and p.phase is Phase.SWEEPING else None
    said = next((words for words in cautions if not planned_enough(words, planned)), "")
    if said:
        return " NOTE    ", said, YELLOW
    return " ", p.message or f"{p.identity} on {state.port}, {p.phase.value}", FAINT


def next_rows(state: LiveState, width: int) -> list[Row]:
    """What to do next, with its key, its length and the reason; two rows where one does not hold it."""
    if state.progress.phase is Phase.WAITING:
        return [[(" NEXT    ", "bold"), ("mend what it waits for; the run then goes on by itself", "")]]
    if state.deed is None:
        far = f": {state.taken_in} are averaged" if state.taken_in else ""
        return [[(" NEXT    ", "bold"), (f"wait for the first figures{far}", FAINT)]]
    return wrapped([(" NEXT    ", "bold"), (state.deed.words, "")], width)


def plain_rows(rows: list[Row], marks: MarkSet) -> list[Row]:
    """The same rows for a terminal that has only ASCII."""
    return [[(plain(text, marks), style) for text, style in row] for row in rows]
