"""Is the analyzer good enough, in words and as JSON.

Owns: the page, understandable to the owner of a site, the table of common cases. Refuses: figures of its own;
`visit.day.suits` has them.
"""

from __future__ import annotations

import math
from dataclasses import replace

from rf.floor.soonest import Setting
from rf.values.figure import Figure
from rf.values.words import as_json, finite, text
from visit.day.instrument import ASSUMED
from visit.day.planner import time_words
from visit.day.side_forecast import Way
from visit.day.suits import Suits
from visit.report.computed import two_digits

VERDICTS = {"yes": "GOOD ENOUGH", "perhaps": "PERHAPS good enough", "no": "NOT good enough"}
ENDS = {
    "random": "noise ends it",
    "leak": "the leak ends it: averaging on gains nothing",
    "drift": "drift ends it",
    "points": "its few points at the channel end it",
    "time": "too slow: not ten sweeps in the time",
}


LONG_MIN = 1.5
"""From so many minutes on a time is told in minutes."""


PLAIN = (
    "a forecast of what the instrument can show of a duplexer: how deep a rejection, in which time; no pass of a"
    " duplexer rests on it"
)


def suits_lines(made: Suits) -> list[str]:
    """The page: the answer first, then the ways, the place, what would help, what it rests on."""
    lines = [verdict_words(made), PLAIN, proof_words(made), other_words(made)]
    for way in made.ways:
        lines += [f"{way.name} ({way_words(way)}):", *(f"  {line}" for line in reach_words(way, no_leak_words(made)))]
    lines += place_words(made)
    lines += [help_words(number, one) for number, one in enumerate(help_texts(made), 1)]
    return [*lines, *(f"rests on: {source}" for source in made.known.sources)]


def verdict_words(made: Suits) -> str:
    """The answer in a sentence."""
    condition = f", {made.condition}" if made.condition else ""
    return f"{VERDICTS[made.verdict]} for {made.site.name}: {made.says}{condition}"


def rests_words(made: Suits) -> str:
    """What somebody took for granted, in a line that never gives way."""
    known = made.known
    parts = [f"{', '.join(known.assumed)}: {ASSUMED}"] if known.assumed else []
    return "; ".join([*parts, *(["the leak: not known, taken as none"] if made.condition else [])])


def no_leak_words(made: Suits) -> str:
    """Beside a figure that only holds where nothing leaks."""
    return " where nothing leaks" if made.condition else ""


def proof_words(made: Suits) -> str:
    """How long the proof takes with a usual unit, and by which setting."""
    proof, goal = made.proof, made.site.goals.rejection_db
    of = f"showing {goal:g} dB of a unit that is {proof.spare_db:g} dB better"
    if not proof.minutes.known:
        return f"{of}: {timed(proof.minutes)} ({proof.minutes.why})"
    said = f"{of} takes {timed(proof.minutes)}"
    if proof.setting is None or proof.usual is None:
        return said
    return f"{said}: {_setting(proof.setting)}{_gained(proof.setting, proof.usual)}"


def other_words(made: Suits) -> str:
    """The same with a good and a scarce unit."""
    others = [proof for proof in made.proofs if proof is not made.proof]
    return "; ".join(f"{proof.spare_db:g} dB better: {timed(proof.minutes)}" for proof in others)


def _setting(setting: Setting) -> str:
    return f"{setting.sweeps} sweeps of {setting.points} points at {setting.bandwidth_hz:g} Hz"


def _gained(setting: Setting, usual: Setting) -> str:
    if setting == usual:
        return ""
    took = f"{usual.points} at {usual.bandwidth_hz:g} Hz would take {time_words(usual.seconds)}"
    return f" ({time_words(setting.seconds)}; {took})"


def way_words(way: Way) -> str:
    """Its setting."""
    s = way.settings
    khz = (s.stop_hz - s.start_hz) / 1e3
    span = f"{khz:.3g} kHz" if khz < 1000.0 else f"{khz / 1e3:.3g} MHz"
    return f"{span}, {s.points} points at {s.bandwidth_hz:g} Hz, {way.sweeps} sweeps"


def reach_words(way: Way, where: str) -> list[str]:
    """What it reaches, a figure a line; `where` that holds."""
    return [
        f"a rejection up to {text(way.reads)} will be a READING{where}",
        f"up to {text(way.shows)} can be shown as a bound{where}, to within 1 dB of it in {timed(way.minutes)};"
        f" {ENDS[way.ends]}",
    ]


def place_words(made: Suits) -> list[str]:
    """How well the notch's place will be known, and how far it may move."""
    if not made.place.known:
        return [f"place of the notch: {text(made.place)} ({made.place.why})"]
    return [
        f"place of the mean notch, standard deviation: {text(made.place)}; it may move by {text(made.holds)} before"
        " 3 dB are lost"
    ]


def help_texts(made: Suits) -> list[str]:
    """What would help, the most helpful first."""
    return [f"{one.name}: {text(one.gain)}; {one.says}" for one in made.helps]


def help_words(number: int, says: str) -> str:
    """One of them."""
    return f"{'helps most' if number == 1 else 'helps too'}: {says}"


def suits_data(made: Suits) -> dict[str, object]:
    """For JSON (docs/json.md)."""
    return {
        "verdict": made.verdict,
        "says": made.says,
        "goal_db": made.site.goals.rejection_db,
        "window_min": made.window_min,
        "ways": [
            {
                "name": way.name,
                "points": way.settings.points,
                "bandwidth_hz": way.settings.bandwidth_hz,
                "span_hz": way.settings.stop_hz - way.settings.start_hz,
                "sweeps": way.sweeps,
                "reads": as_json(way.reads),
                "shows": as_json(way.shows),
                "minutes": as_json(way.minutes),
                "ends": way.ends,
            }
            for way in made.ways
        ],
        "proofs": [
            {
                "spare_db": proof.spare_db,
                "minutes": as_json(proof.minutes),
                "setting": _setting_data(proof.setting),
                "usual": _setting_data(proof.usual),
                "over_limit": finite(proof.over_limit),
            }
            for proof in made.proofs
        ],
        "place": as_json(made.place),
        "holds": as_json(made.holds),
        "helps": [{"name": one.name, "gain": as_json(one.gain), "says": one.says} for one in made.helps],
        "sources": list(made.known.sources),
        "condition": made.condition,
        "assumed": bool(made.known.assumed),
        "words": [verdict_words(made)],
    }


def _setting_data(setting: Setting | None) -> dict[str, float] | None:
    if setting is None:
        return None
    return {
        "points": setting.points,
        "bandwidth_hz": setting.bandwidth_hz,
        "sweeps": setting.sweeps,
        "seconds": setting.seconds,
    }


def timed(minutes: Figure) -> str:
    """A time in the unit that a watch would show."""
    if minutes.known and minutes.value < LONG_MIN:
        minutes = replace(
            minutes, unit="s", value=60.0 * minutes.value, low=60.0 * minutes.low, high=60.0 * minutes.high
        )
    if minutes.known and math.isinf(minutes.high):  # at worst no average gets there
        value, low = two_digits(minutes.value), two_digits(minutes.low)
        return f"INFERRED {value} {minutes.unit} (from {low} {minutes.unit} on, or never)"
    return text(minutes)


def short(figure: Figure) -> str:
    """A figure in a cell of a table, without its word, which stands over the column."""
    return text(figure).removeprefix("INFERRED ") if figure.known else "-"
