"""What is done with a visit besides sweeping: its steps, its stages, its notes, the ledger of screws, its calibration.

Owns: all that a screen writes into the visit file or asks it for, apart from runs. Refuses: the analyzer; see
`visit.run.station`.
"""

from __future__ import annotations

import os
import time
from collections.abc import Mapping, Sequence
from pathlib import Path

from protocol.profiles.profile import Profile
from protocol.sweep import Limits
from rf.calibration.standards import Kit
from rf.values.figure import Figure, cant_say
from rf.values.words import text
from visit.day.cavities import expected_of, seen_move, track
from visit.day.day import Day
from visit.day.far import FarLook
from visit.day.next_deed import USUAL_SWEEP_S
from visit.day.nudges import (
    LOCK_NUT,
    Around,
    NudgeRow,
    Told,
    add_nudge,
    compare,
    correct,
    dips_of,
    ledger,
    lock_words,
    nudge_words,
    strike,
    whole_ledger,
)  # fmt: skip
from visit.day.passes import pass_look, returned_in
from visit.day.planner import survey_for_turns
from visit.day.stages import AS_FOUND, freeze, freeze_these, stages, to_freeze
from visit.day.tuning import Tuning
from visit.figures.assessment import Assessment, Role
from visit.figures.known import AXIS, BY_HAND, CONFIRMED, by_hand
from visit.figures.looks import NO_LOOKS
from visit.figures.replay import Figures
from visit.figures.run_figures import RunFigures
from visit.figures.sides import SideState, sides_of
from visit.figures.together import Together
from visit.record.database import Tell
from visit.record.visit_file import VisitFile
from visit.run.calibrating import Calibrator
from visit.site.hookup import Side
from visit.site.presets import far_sweeps, is_far
from visit.site.site import Site
from visit.site.typed import changes

LAST_TOOK = "select duration_s from sweep where run_id = ? order by sequence desc limit 1"


def _around(first: Assessment | None, second: Assessment | None) -> Around:
    """What the skirts showed in two looks."""
    nothing = cant_say("Hz", "not known")
    means = [nothing if a is None else a.notch_offset for a in (first, second)]
    zeros = [a.notch.singles if a is not None and a.notch is not None else () for a in (first, second)]
    return Around((means[0], means[1]), (zeros[0], zeros[1]), (returned_in(first), returned_in(second)))


def _frozen_words(one: Figures) -> str:
    """A hook-up's figures in one line."""
    parts = []
    for channel in one.assessment.channels:
        alike = sum(other.role is channel.role for other in one.assessment.channels) > 1
        at = f" at {channel.frequency_hz / 1e6:.4f} MHz" if alike else ""
        parts.append(f"{'rejection' if channel.role is Role.REJECT else 'loss'}{at} {text(channel.transmission)}")
    notch = one.assessment.notch_offset
    parts += [f"notch {text(notch, signed=True)}"] if one.hookup.side is not None and notch.known else []
    runs = ", ".join(f"{run_id}: {count} sweeps" for run_id, count in one.sweeps.items())
    return f"{one.hookup.text}: {', '.join(parts)} (run {runs})"


def proved(site: Site, side: Side, rows: Sequence[NudgeRow], figures: RunFigures) -> Figure | None:
    """What the newest zoom on the channel that a side rejects read since the last of its turns (`rows`); None where
    there was none."""
    last, reject_hz = max((row.after_run for row in rows), default=0), site.reject_hz(side)
    for run in reversed(figures.runs):
        start_hz, stop_hz = run.settings.start_hz, run.settings.stop_hz
        narrow = stop_hz - start_hz < site.high_hz - site.low_hz and start_hz <= reject_hz <= stop_hz
        if run.id > last and run.hookup.side is side and run.purpose != NO_LOOKS and narrow:
            seen = figures.assess(run)
            channel = None if seen is None else seen.channel(Role.REJECT)
            return None if channel is None else channel.transmission
    return None


class SiteVisit:
    """One visit to one site, kept in one file."""

    def __init__(self, file: VisitFile, site: Site, profile: Profile, kit: tuple[Kit, str] | None = None) -> None:
        """`kit`: what the calibration's parts are."""
        self.file, self.site = file, site
        self.calibrator = Calibrator(file, own=profile.corrects_itself, kit=kit)
        self.calibrator.temperature_c = site.temperature_c
        self._asked: tuple[str, float, list[Figures]] | None = None
        """What was shown as what would be frozen, under which name, when."""
        self._asking: object = None
        """The question in hand; what an earlier one still finds is not what was shown."""

    def resume(self) -> None:
        """Take up the calibration that the file holds already. Raises RecordError."""
        self.calibrator.resume()

    def tell_leak(self, amplitude: float) -> None:
        """The leak exceeds this amplitude re thru at neither channel, by an earlier survey. Raises RecordError."""
        self.file.add_row("told_leak", {"at_s": time.time(), "amplitude": amplitude})

    def note(self, kind: str, words: str) -> None:
        """A line in the log of the visit."""
        self.file.remark(kind, words, time.time())

    def axis_doubt(self) -> str:
        """Why frequencies or traces of this visit are not believed; "" when they are."""
        rows = self.file.rows("select words from remark where kind = ? order by id desc limit 1", (AXIS,))
        words = str(rows[0][0]) if rows else CONFIRMED
        return "" if words == CONFIRMED or words.startswith(BY_HAND) else words

    def confirm_axis(self, identity: str) -> None:
        """The technician answers for frequencies and traces of this analyzer; the doubt stays in the log."""
        self.note(AXIS, by_hand(identity))

    def change_site(self, site: Site, path: Path) -> None:
        """The site was edited: the newest counts from now on, and the log says what changed."""
        now_s = time.time()
        self.file.change_site(site, os.path.abspath(path), now_s)  # noqa: PTH100 - a link stays a link
        self.file.remark("site", f"edited: {'; '.join(changes(self.site, site)) or 'nothing that counts'}", now_s)
        self.site = site

    def day(self) -> Day:
        """The steps of this visit."""
        return Day(self.file)

    def to_freeze(self, name: str, shown: Mapping[int, int] | None = None, tell: Tell = lambda *_: None) -> list[str]:
        """What freezing under a name would freeze now, a hook-up a line; of the runs in `shown` only so many sweeps.
        It is that which `freeze` freezes then, until it is forgotten. Raises RequestError."""
        asking, now_s = object(), time.time()
        self._asked, self._asking = None, asking
        reader = VisitFile.open(self.file.path, read_only=True, tell=tell)
        try:
            found = to_freeze(reader, name, shown=shown)
        finally:
            reader.close()
        if self._asking is asking:
            self._asked = name, now_s, found
        return [_frozen_words(one) for one in found]

    def forget_asked(self) -> None:
        """What was shown is not what is to be frozen."""
        self._asked = self._asking = None

    def freeze(self, name: str, shown: Mapping[int, int] | None = None) -> list[str]:
        """Freeze as found or as left, exactly what was shown where it was asked; the hook-ups that were. Raises
        RequestError."""
        asked, self._asked = self._asked, None
        if asked is not None and asked[0] == name:
            return [stage.hookup for stage in freeze_these(self.file, name, asked[2], asked[1])]
        return [stage.hookup for stage in freeze(self.file, name, shown=shown)]

    def together(self) -> list[str]:
        """What the runs of this visit show together, read from the file. Raises RequestError when it can't be read."""
        reader = VisitFile.open(self.file.path, read_only=True)
        try:
            return Together(reader).lines()
        finally:
            reader.close()

    def sides(self) -> list[SideState]:
        """Both sides by their best runs, read from the file. Raises RequestError when it can't be read."""
        reader = VisitFile.open(self.file.path, read_only=True)
        try:
            return sides_of(reader)
        finally:
            reader.close()

    def nudged(
        self, before: int, after: int, told: Told, first: Assessment | None = None, second: Assessment | None = None
    ) -> str:
        """Compare two runs around a turn, write the ledger, say what the turn did. `first` and `second`: what the two
        runs showed, as far as somebody has it. Raises RequestError."""
        runs = self.file.run(before), self.file.run(after)
        side = runs[0].hookup.side
        expected = None
        if side is not None:
            rows = [row for row in ledger(self.file) if row.side == side.value]
            blind = self._blind(side, rows)
            expected = expected_of(rows, self.site.reject_hz(side), self.site.cavities, told, blind)
        nudge = compare(RunFigures(self.file), *runs, first, second, expected)
        add_nudge(self.file, *runs, told, nudge, _around(first, second))
        assert side is not None  # else it could not be compared
        if told.screw == LOCK_NUT:
            return lock_words(nudge, *self._allowed(first, second), self.site.goals.rejection_db)
        if not nudge.known:  # the ratio of the sweeps does not tell: perhaps the skirts do
            moved = seen_move(ledger(self.file)[-1], self.site.cavities)[2]
            if moved.known:
                name = f"cavity {told.cavity}" if told.cavity else "it"
                return f"by the skirts you moved {name} by {text(moved, signed=True)}; where it stands is not known yet"
        return nudge_words(nudge, self.site.reject_hz(side), told)

    def turns(self) -> list[NudgeRow]:
        """The whole ledger, with what was struck out. Raises RecordError when it can't be read."""
        return whole_ledger(self.file)

    def correct_turn(self, number: int, told: Told) -> None:
        """A turn was another one than was entered. Raises RequestError."""
        correct(self.file, number, told)

    def strike_turn(self, number: int, why: str) -> None:
        """What was entered as a turn was none. Raises RequestError."""
        strike(self.file, number, why)

    def tuning(self, side: Side, seen: Assessment, run: int | None = None, limits: Limits | None = None) -> Tuning:
        """What is known of the cavities of a side, by the ledger and by what the present look shows; by the dips of its
        `run` too, where one is named and the fit does not lead or a screw moves nothing (`limits` of the analyzer).
        Raises RequestError."""
        rows = [row for row in ledger(self.file) if row.side == side.value]
        reject_hz, notch, cavities = self.site.reject_hz(side), seen.notch, self.site.cavities
        singles = notch.singles if notch is not None else ()
        channel = seen.channel(Role.REJECT)
        assert channel is not None  # every hook-up of one side has one
        figures = RunFigures(self.file)
        far = None if run is None else self._far_look(side, run, limits, figures)
        if far is not None and not (notch is not None and notch.trusted):
            singles = far.dips
        blind = self._blind(side, rows)
        rods = track(rows, reject_hz, cavities, seen.notch_offset, singles, blind)
        passing = pass_look(self.site, seen, rows, rods)
        trims = passing is not None and bool(passing.rows)
        return Tuning(
            goal_db=self.site.goals.rejection_db,
            reject_hz=reject_hz,
            measured=channel.transmission,
            notch=notch,
            offset=seen.notch_offset,
            places=track(rows, reject_hz, cavities, seen.notch_offset, singles, blind, trims=True) if trims else rods,
            cavities=cavities,
            sweeps=seen.sweeps,
            spacing_hz=self.site.high_hz - self.site.low_hz,
            far=far,
            survey=None if channel.leakage is not None else survey_for_turns(self.site, side, seen, self._pace_s(run)),
            proved=proved(self.site, side, rows, figures),
            passing=passing,
        )

    def _pace_s(self, run: int | None) -> float:
        """What the last sweep of a run took."""
        rows = [] if run is None else self.file.rows(LAST_TOOK, (run,))
        return float(str(rows[0][0])) if rows else USUAL_SWEEP_S

    def _blind(self, side: Side, rows: list[NudgeRow]) -> int:
        """How many turns of a side were read before the first survey of its channel."""
        reject_hz = self.site.reject_hz(side)
        surveys = [run.started_s for run in self.file.runs()
                   if run.hookup.survey and run.settings.start_hz <= reject_hz <= run.settings.stop_hz]  # fmt: skip
        return sum(row.at_s < min(surveys) for row in rows) if surveys else 0

    def _far_look(self, side: Side, run: int, limits: Limits | None, figures: RunFigures) -> FarLook | None:
        """The dips of a look; None where it has none to show. Raises RequestError."""
        averaged = figures.averaged(self.file.run(run))
        if averaged is None or self.site.kind == "band-pass":
            return None
        spans = tuple((one.start_hz, one.stop_hz) for one in far_sweeps(self.site, side, limits))
        start, stop = float(averaged.frequency_hz[0]), float(averaged.frequency_hz[-1])
        level = 0
        if is_far(self.site, averaged.frequency_hz):
            level = 1 + min(range(len(spans)), key=lambda k: abs(spans[k][1] - spans[k][0] - (stop - start)))
        farther = None
        for row in reversed(figures.runs):
            if row.hookup.side is side and row.id <= run:
                made = averaged if row.id == run else figures.averaged(row)
                if made is not None and is_far(self.site, made.frequency_hz):
                    farther = made
                    break
        dips, far_dips = (
            None if one is None else tuple(dip.figure for dip in dips_of(one)) for one in (averaged, farther)
        )
        return FarLook(dips or (), start, stop, level, spans, far_dips)

    def _allowed(self, *looks: Assessment | None) -> tuple[Figure, Figure]:
        """How far all notches together, and one alone, may move before the goal is lost: by the first look that tells,
        from what it measured at the channel, or from the skirts where that shows less than the goal."""
        goal_db, found = self.site.goals.rejection_db, cant_say("Hz", "no fit of the skirts")
        for seen in looks:
            notch = None if seen is None else seen.notch
            channel = None if seen is None else seen.channel(Role.REJECT)
            if notch is None or channel is None or notch.falls is None or notch.falls_alone is None:
                continue
            for shown in (channel.transmission, *notch.rejection_at[:1]):
                together, alone = (falls.within(shown, goal_db) for falls in (notch.falls, notch.falls_alone))
                if together.known and alone.known:
                    return together, alone
                found = together
        return found, found

    def ghosts(self, side: Side) -> list[tuple[str, str]]:
        """What it was when we came, on this side (FOUND), and how the other side stood (OTHER)."""
        lines = []
        for stage in stages(self.file):
            for channel in stage.figures["channels"]:
                if stage.name == AS_FOUND and channel["role"] == "reject" and ">" in stage.hookup:
                    figure, mine = channel["rejection"], stage.hookup.endswith(side.value)
                    if "A" not in stage.hookup or figure["value"] is None:
                        continue
                    words = f"{figure['kind'].replace('_', ' ').upper()} {figure['value']:.1f} dB"
                    offset = stage.figures["notch_offset"]["value"]
                    place = "" if offset is None else f", notch INFERRED {offset / 1e3:+.1f} kHz"
                    lines.append(("FOUND" if mine else "OTHER", f"{stage.hookup}: {words}{place}"))
        return lines
