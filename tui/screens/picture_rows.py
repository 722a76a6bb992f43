"""What the picture of a live screen shows: the trace in view, its floor, channels, goals, the marker and its row. Pure.

Owns: scales and marks of the picture, and the words of the marker. Refuses: to draw what lies under the floor as a
response, and a marker's level without its word.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from rf.values.figure import Kind
from rf.values.words import level_text
from tui.drawing.plot import Mark, Plot
from tui.drawing.rows import Row
from tui.drawing.view import Span, View
from visit.figures.assessment import Assessment, Role
from visit.figures.marker import S11, S21
from visit.figures.unsurveyed import may_be_leak
from visit.run.live import LiveState

MOSTLY = 0.8
"""A zoom lies under the floor nearly everywhere."""
NO_TRACE_DB = -300.0
"""Below this a level is no measured one."""
ROOM_DB = 5.0
"""Left free above and below what a part of a trace shows."""
MARKER = "M"


def whole_span(a: Assessment) -> Span:
    """Ends of the sweep in hertz."""
    return float(a.frequency_hz[0]), float(a.frequency_hz[-1])


def trace_names(a: Assessment) -> tuple[str, ...]:
    """The traces that can be looked at."""
    return a.traces.names() if a.traces is not None else ()


def plot_of(state: LiveState, view: View = View()) -> Plot | None:  # noqa: B008 - frozen
    """The trace in view with its floor, channels, goals and marker; None before there is one."""
    a = state.assessment
    if a is None or a.frequency_hz.size < 2:
        return None
    made = _reflection(state, a) if _name(a, view) == S11 else _transmission(state, a)
    whole = whole_span(a)
    marker = view.marked(whole)
    if marker is not None:
        made = replace(made, marks=(*made.marks, Mark(marker, MARKER, line="┊")))
    if view.window_hz is None or view.within(whole) == whole:
        return made
    return _part(made, view.within(whole))


def _name(a: Assessment, view: View) -> str:
    names = trace_names(a)
    return view.trace if view.trace in names else names[0] if names else S21


def _channels(state: LiveState, goals: dict[Role, float]) -> tuple[Mark, ...]:
    side = state.hookup.side
    marks = []
    for hz, sign in ((state.site.low_hz, "L"), (state.site.high_hz, "H")):
        role = Role.REJECT if side is None or hz == state.site.reject_hz(side) else Role.PASS
        marks.append(Mark(hz, sign, goals[role]))
    return tuple(marks)


def _transmission(state: LiveState, a: Assessment) -> Plot:
    """Averaged level, averaged floor, clipped band, both channels, the goal."""
    marks = _channels(state, {Role.REJECT: -state.site.goals.rejection_db, Role.PASS: math.nan})
    floor = a.floor_averaged.value if a.floor_averaged.known else math.nan
    lowest = min(-state.site.goals.rejection_db, floor if math.isfinite(floor) else 0.0)
    finite = a.level_db[a.level_db > NO_TRACE_DB]
    highest = float(finite.max()) if finite.size else 0.0
    top = 0.0 if highest > -30 else min(math.ceil((highest + 10) / 10) * 10.0, 0.0)
    band = (a.clipped.low_hz, a.clipped.high_hz) if a.clipped and not pooled_only(a) else None
    return Plot(
        a.frequency_hz, a.level_db, top, math.floor(lowest / 10 - 1) * 10.0,
        a.threshold_db if math.isfinite(a.threshold_db) else floor, band, marks, name=S21,
    )  # fmt: skip


def _reflection(state: LiveState, a: Assessment) -> Plot:
    """The match at port 1, with the goal at the channel that shall pass."""
    assert a.traces is not None
    trace = a.traces.traces[S11]
    goal = -state.site.goals.return_loss_db
    marks = _channels(state, {Role.REJECT: math.nan, Role.PASS: goal})
    levels = np.where(trace.held, np.nan, trace.level_db)
    finite = levels[np.isfinite(levels) & (levels > NO_TRACE_DB)]
    floor = trace.floor.averaged.value if trace.floor.averaged.known else math.nan
    lowest = min(goal, float(finite.min()) if finite.size else goal)
    highest = max(float(finite.max()) if finite.size else 0.0, goal)
    return Plot(
        a.frequency_hz, levels, math.ceil(max(highest, 0.0) / 10) * 10.0, math.floor(lowest / 10 - 0.5) * 10.0,
        floor, None, marks, name=S11,
    )  # fmt: skip


def _part(plot: Plot, window: Span) -> Plot:
    """A part of a plot, its levels as large as they fit: what is in sight of trace, floor and goals."""
    inside = (plot.frequency_hz >= window[0]) & (plot.frequency_hz <= window[1])
    levels = plot.level_db[inside]
    shown = [float(level) for level in levels[np.isfinite(levels) & (levels > NO_TRACE_DB)]]
    marks = [m.goal_db for m in plot.marks if math.isfinite(m.goal_db) and window[0] <= m.frequency_hz <= window[1]]
    band = plot.clipped_hz
    floored = band is not None and band[0] < window[1] and band[1] > window[0] and math.isfinite(plot.floor_db)
    tops = shown + marks + ([plot.floor_db] if floored else [])
    if not tops:
        return replace(plot, window_hz=window)
    bottoms = [max(level, plot.floor_db) if floored else level for level in shown] + marks
    bottom = min(bottoms, default=min(tops))
    top = math.ceil((max(tops) + ROOM_DB / 5) / ROOM_DB) * ROOM_DB
    return replace(plot, window_hz=window, top_db=top, bottom_db=math.floor((bottom - ROOM_DB / 5) / ROOM_DB) * ROOM_DB)


def pooled_only(a: Assessment) -> bool:
    """Whether a reading was pooled from samples that lie under the floor one by one: there is information then."""
    reject = a.channel(Role.REJECT)
    span = float(a.frequency_hz[-1] - a.frequency_hz[0])
    wide = a.clipped is not None and a.clipped.width_hz > MOSTLY * span
    return (
        wide and reject is not None and (reject.transmission.kind is Kind.READING or may_be_leak(reject.transmission))
    )


def marker_rows(state: LiveState, view: View) -> list[Row]:
    """Place and level at the marker, each with its word; nothing without a marker."""
    a = state.assessment
    if a is None:
        return []
    at = view.marked(whole_span(a))
    if at is None:
        return []
    if a.traces is None:
        why = a.cautions[0] if a.cautions else "nothing hangs between the leads"
        return [[(f" MARKER  {at / 1e6:.6f} MHz  CAN'T SAY: {why}", "")]]
    point = float(a.frequency_hz[a.traces.nearest(at)])
    said = []
    for name in a.traces.names():
        channel = next((c for c in a.channels if abs(c.frequency_hz - point) <= _half_step(a)), None)
        figure = a.traces.loss_at(name, point, channel.leakage if channel is not None and name == S21 else None)
        why = f": {figure.why}" if not figure.known else f" ({figure.why})" if figure.why and name == S21 else ""
        said.append(f"{name} {level_text(figure)}{why}")
    return [[(f" MARKER  {point / 1e6:.6f} MHz  {';  '.join(said)}", "")]]


def _half_step(a: Assessment) -> float:
    return float(a.frequency_hz[1] - a.frequency_hz[0]) / 2.0
