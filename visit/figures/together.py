"""What several runs of one visit show only together: both ways, two states of the path, two ranges, three ports.

Owns: saying what runs that belong together tell, each figure with its word. Refuses: to sweep, and to guess a hook-up;
what is missing is named.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from rf.calibration.error_terms import correct_both, on_grid
from rf.calibration.stitch import stitch
from rf.floor.leakage import pad_test
from rf.floor.pool import Pooled
from rf.floor.proof import Limits, rejection_of
from rf.values.decibel import amplitude, amplitude_db, level_db
from rf.values.figure import reading
from rf.values.words import text
from visit.calibration.corrector import CONNECTION_DB, Calibration
from visit.figures.assessment import Assessment
from visit.figures.averaging import Averaged, Complex, average_of, floor_of
from visit.figures.known import Known
from visit.figures.run_figures import RunFigures, no_figures
from visit.figures.third_load import third_load
from visit.figures.three_ports import three_ports
from visit.figures.two_states import Pair, latest, pairs, parted, quiet, reject_channels, value_at
from visit.record.visit_file import RunRow, VisitFile
from visit.site.hookup import HookUp, Path

JUMPER_ERROR = 0.05
"""A jumper cut by ruler and connector is half a wave within three degrees: so much of the leak may stay behind."""

SMALL_PAD_DB = 3.0
"""Two runs whose pads differ by less tell nothing about leakage."""


class Together:
    """Reads the runs of a visit once and answers what they show together."""

    def __init__(self, visit: VisitFile, figures: RunFigures | None = None) -> None:
        """`figures`: what is made of the runs already."""
        self._visit, self._figures = visit, figures or RunFigures(visit)
        self.site = self._figures.site
        self.runs = [run for run in visit.runs() if run.purpose != "calibration"]

    def averaged(self, run: RunRow) -> Averaged | None:
        """A run averaged and corrected; None when it kept no sweep."""
        return self._figures.averaged(run)

    def lines(self) -> list[str]:
        """All findings as sentences; what is missing for the next finding where there is none."""
        with no_figures(self._visit, "what its runs show together"):
            found = [
                *self.doubtful(),
                *self.both_ways(),
                *self.jumper_tests(),
                *self.pad_tests(),
                *self.ranges(),
                *three_ports(self),
            ]
        return found or [
            "nothing yet. What more hook-ups would show:",
            "  the same zoom with a half-wave jumper (jumper=half): leakage and signal apart",
            "  the same sweep with a 10 dB pad at port 2 (pad2=10): is it signal or leakage?",
            "  the same wide sweep with an amplifier (amp=20): a stitched range",
            "  A>L, L>H and H>A: all three ports, isolation with a load and with the antenna",
        ]

    def doubtful(self) -> list[str]:
        """Runs that a failed closing check puts in doubt: all since the last good one."""
        lines = []
        parts = {int(str(row[0])) for row in self._visit.rows("select run_id from known_part")}
        for calibration in self._figures.calibrations.values():
            since = calibration.doubtful_from_s()
            if since is None:
                continue
            runs = [run.id for run in self.runs if run.calibration_id == calibration.id and run.started_s >= since]
            which = ", ".join(str(run) for run in runs if run not in parts)
            if which:
                lines.append(
                    f"doubtful: run {which}: the check after it failed ({calibration.checks[-1].verified.says})"
                )
        return lines

    def both_ways(self) -> list[str]:
        """A device measured in both orientations on one grid with one calibration: the full two-port correction."""
        lines = []
        for driven, read in (("A", "L"), ("A", "H"), ("L", "H")):
            there = latest(self, HookUp(driven, read))
            back = latest(self, HookUp(read, driven), there[0]) if there is not None else None
            if there is None or back is None:
                continue
            calibration = self.calibration(there[0])
            if calibration is not None and back[0].calibration_id == there[0].calibration_id:
                lines += self._both(there, back, calibration, f"{driven} and {read}")
        return lines

    def _both(
        self, there: tuple[RunRow, Averaged], back: tuple[RunRow, Averaged], calibration: Calibration, ends: str
    ) -> list[str]:
        run, forward = there
        terms, f = on_grid(calibration.terms, forward.frequency_hz), forward.frequency_hz
        s = correct_both(terms, self._raw(run), self._raw(back[0]))
        power = floor_of(forward.s21).averaged_power
        lines = []
        for channel in (self.site.low_hz, self.site.high_hz):
            if not f[0] <= channel <= f[-1]:
                continue
            at = int(np.argmin(np.abs(f - channel)))
            noise = float(np.sqrt(power[at]))
            levels = [level_db(s[at : at + 1, i, j])[0] for i, j in ((1, 0), (0, 1), (0, 0), (1, 1))]
            if abs(s[at, 1, 0]) < 30.0 * noise:
                continue  # a reject channel is read better zoomed, one way
            half = CONNECTION_DB + 8.686 * noise / abs(s[at, 1, 0])
            loss = -(levels[0] + levels[1]) / 2.0
            name, other = run.hookup.name, back[0].hookup.name
            lines.append(
                f"{name} and {other} at {channel / 1e6:.4f} MHz, corrected both ways: loss"
                f" {text(reading(loss, loss - half, loss + half, 'dB'))}, match of {ends} {-levels[2]:.1f} and"
                f" {-levels[3]:.1f} dB; the two directions differ by {abs(levels[0] - levels[1]):.2f} dB"
            )
        return lines

    def _raw(self, run: RunRow) -> tuple[Complex, Complex]:
        made = average_of(self._visit.each_sweep(run.id))
        assert made is not None  # it has an average already
        return made.s11.mean, made.s21.mean

    def jumper_tests(self) -> list[str]:
        """Signal and leakage parted by a half-wave jumper (study, scenario 26)."""
        lines = []
        for pair, channel, x0, x1 in self._two_values("jumper"):
            run, first, jumped, _ = pair
            apart = parted(pair, x0, x1)
            leak = abs(apart.leakage)
            pooled = Pooled(apart.signal, apart.power, x0.points, x0.bias_db, x0.half_width_hz, x0.dof)
            figure = rejection_of(pooled, self._limits(run, first, channel, leak * JUMPER_ERROR)).figure
            lines.append(
                f"{jumped.hookup.path.jumper}-wave jumper, {run.hookup.name} at {channel / 1e6:.4f} MHz:"
                f" rejection {text(figure)}; leak {amplitude_db(leak):.1f} dB taken out;"
                f" one state alone read {-amplitude_db(abs(x0.value)):.1f} dB"
            )
        return lines

    def pad_tests(self) -> list[str]:
        """Does a pad at port 2 lower the reading by itself? (study, scenario 27)"""
        lines = []
        for (run, _, padded, _), channel, x0, x1 in self._two_values("pad2_db"):
            pad = padded.hookup.path.pad2_db
            if pad < SMALL_PAD_DB:
                continue
            before, after = amplitude_db(abs(x0.value)), amplitude_db(abs(x1.value)) - pad
            said = pad_test(before, after, pad)
            lines.append(
                f"{pad:g} dB pad, {run.hookup.name} at {channel / 1e6:.4f} MHz:"
                f" fell by {before - after:.1f} dB: {said} (the pad also changes the mismatch, by up to"
                f" {Limits(None, self._port2_db(run)).mismatch_db:.1f} dB at the notch)"
            )
        return lines

    def ranges(self) -> list[str]:
        """Two ranges, with and without an amplifier, joined where they agree (study, scenario 35)."""
        lines = []
        for run, first, lifted, second in pairs(self, "amp_db"):
            gain = lifted.hookup.path.amp_db
            floor = floor_of(first.s21).averaged
            joined = stitch(
                first.s21.mean, second.s21.mean * amplitude(gain), gain, floor.value if floor.known else 0.0
            )
            name = f"amplifier {gain:g} dB, {run.hookup.name}"
            if not joined.joined or joined.s21 is None:
                lines.append(f"{name}: not joined: {joined.why}")
                continue
            lines.append(f"{name}: joined: {joined.why}")
            scale = abs(amplitude(gain - joined.gain_db))
            for channel in reject_channels(self.site, run.hookup):
                pooled = self._value(run, second, channel)
                if pooled is None:
                    continue
                value = Pooled(
                    pooled.value * scale, pooled.power * scale**2, pooled.points, pooled.bias_db,
                    pooled.half_width_hz, pooled.dof,
                )  # fmt: skip
                limits = self._limits(run, first, channel, None, joined.disagreement_db)
                lines.append(f"  rejection at {channel / 1e6:.4f} MHz: {text(rejection_of(value, limits).figure)}")
        return lines

    def calibration(self, run: RunRow) -> Calibration | None:
        """The calibration that corrects a run."""
        return self._figures.calibrations.get(run.calibration_id or 0)

    def known(self, run: RunRow) -> Known:
        """Everything that is known of a run."""
        return self._figures.known(run)

    def assess(self, run: RunRow) -> Assessment | None:
        """The figures of a run by itself."""
        return self._figures.assess(run)

    def usable(self, run: RunRow) -> Averaged | None:
        """The average of a run; None when it kept no sweep or bursts spoilt it."""
        return quiet(self, run)

    def _two_values(self, wanted: str) -> Iterator[tuple[Pair, float, Pooled, Pooled]]:
        """Each pair of runs without and with `wanted` in the path, and its two values at each channel that is held
        back (Hz) and that both runs cover."""
        for pair in pairs(self, wanted):
            run, first, _, second = pair
            for channel in reject_channels(self.site, run.hookup):
                x0, x1 = self._value(run, first, channel), self._value(run, second, channel)
                if x0 is not None and x1 is not None:
                    yield pair, channel, x0, x1

    def _value(self, bare: RunRow, averaged: Averaged, channel_hz: float) -> Pooled | None:
        """The value of one state of a path at a channel; the bare run tells what is known of the notch."""
        return value_at(self.site, averaged, channel_hz, self._figures.known(bare).bottom_at(channel_hz))

    def _limits(
        self, run: RunRow, averaged: Averaged, channel_hz: float, leak: float | None, step_db: float = 0.0
    ) -> Limits:
        """What limits a rejection of a run besides noise."""
        at = int(np.argmin(np.abs(averaged.frequency_hz - channel_hz)))
        back_db = -amplitude_db(max(abs(averaged.s11.mean[at]), 1e-6))
        seen = reading(back_db, back_db, back_db, "dB")
        load = third_load(self.site, run.hookup, self._figures.known(run), channel_hz, seen)
        return Limits(leak, self._port2_db(run), step_db, load.limit_db if load else 0.0)

    def _port2_db(self, run: RunRow) -> float:
        calibration = self.calibration(run)
        return 20.0 if calibration is None else calibration.residuals(Path()).port2_return_loss_db
