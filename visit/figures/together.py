"""What several runs of one visit show only together: two states of the path, two ranges, three ports, the antenna.

Owns: finding the runs that belong together in the visit file and saying what they tell, each figure with its word.
Refuses: to sweep, and to guess a hook-up; what is missing is named.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rf.calibration.error_terms import correct_both, on_grid
from rf.calibration.stitch import stitch
from rf.calibration.three_port import PORTS, Taken, assemble, isolation, isolation_any_phase
from rf.floor.average import average_sweeps
from rf.floor.bound import rejection_figure
from rf.floor.leakage import pad_test, two_states
from rf.floor.pool import Pooled, pool_at
from rf.floor.proof import Limits, rejection_of
from rf.values.decibel import amplitude, amplitude_db, level_db
from rf.values.figure import Figure, reading
from rf.values.words import text
from visit.calibration.corrector import CONNECTION_DB, Calibration, Corrector
from visit.calibration.stored_calibration import calibrations
from visit.figures.assessment import floor_of
from visit.figures.replay import no_figures
from visit.record.visit_file import RunRow, VisitFile
from visit.site.hookup import ANTENNA, HookUp, Path
from visit.site.site import Site

ZOOMED_SHARE = 0.02
"""A run narrower than this share of the channel spacing was zoomed into the bottom: all its samples carry one value
(the zoom preset takes a quarter of the bottom, which is about one per cent of the spacing of usual units)."""

JUMPER_ERROR = 0.05
"""A jumper cut by ruler and connector is half a wave within three degrees: so much of the leak may stay behind."""

SMALL_PAD_DB = 3.0
"""Two runs whose pads differ by less tell nothing about leakage."""

Complex = NDArray[np.complex128]


@dataclass(frozen=True, slots=True)
class Averaged:
    """One run, averaged and corrected: arrays (K,), E|n|^2 of the averaged S21 (K,), sweeps."""

    run: RunRow
    frequency_hz: NDArray[np.float64]
    s11: Complex
    s21: Complex
    power: NDArray[np.float64]
    floor_db: float
    sweeps: int


class Together:
    """Reads the runs of a visit once and answers what they show together."""

    def __init__(self, visit: VisitFile, site: Site) -> None:
        self._visit, self._site = visit, site
        self._calibrations = calibrations(visit)
        self._cache: dict[int, Averaged | None] = {}
        self._runs = [run for run in visit.runs() if run.purpose != "calibration"]

    def lines(self) -> list[str]:
        """All findings as sentences; what is missing for the next finding where there is none."""
        with no_figures(self._visit, "what its runs show together"):
            found = [
                *self.doubtful(),
                *self.both_ways(),
                *self.jumper_tests(),
                *self.pad_tests(),
                *self.ranges(),
                *self.three_ports(),
            ]
        return found or [
            "nothing yet. What more hook-ups would show:",
            "  the same zoom with a half-wave jumper (jumper=half): leakage and signal apart",
            "  the same sweep with a 10 dB pad at port 2 (pad2=10): is it signal or leakage?",
            "  the same wide sweep with an amplifier (amp=20): a stitched range",
            "  A>L, L>H and H>A: all three ports, isolation with a load and with the antenna",
        ]

    def averaged(self, run: RunRow) -> Averaged | None:
        """A run averaged and corrected; None when it kept no sweep or bursts spoilt it."""
        if run.id not in self._cache:
            self._cache[run.id] = self._average(run)
        return self._cache[run.id]

    def _average(self, run: RunRow) -> Averaged | None:
        stored = self._visit.sweeps(run.id)
        if not stored:
            return None
        calibration = self._calibrations.get(run.calibration_id or 0)
        corrector = Corrector(calibration.terms if calibration else None, run.hookup.path)
        f = stored[0].frequency_hz
        both = [corrector(f, sweep.s11, sweep.s21) for sweep in stored]
        s11, s21 = (average_sweeps(np.array([pair[port] for pair in both])) for port in (0, 1))
        if s21.too_busy:
            return None
        floor = floor_of(s21)
        power = np.asarray(floor.averaged_power * np.ones(f.size))
        level = floor.averaged.value if floor.averaged.known else 0.0
        return Averaged(run, f, s11.mean, s21.mean, power, level, s21.sweeps)

    def _latest(self, hookup: HookUp, like: RunRow | None = None) -> Averaged | None:
        """The newest run of that hook-up, path and all; on the grid of `like` where one is given."""
        for run in reversed(self._runs):
            same = like is None or (
                run.settings.start_hz == like.settings.start_hz
                and run.settings.stop_hz == like.settings.stop_hz
                and run.settings.points == like.settings.points
            )
            if run.hookup == hookup and same:
                found = self.averaged(run)
                if found is not None:
                    return found
        return None

    def _with_path(self, wanted: str) -> list[tuple[Averaged, Averaged]]:
        """Pairs (bare leads, with something in the path) on one grid, newest first, one per hook-up and path."""
        pairs, seen = [], set()
        for run in reversed(self._runs):
            path = run.hookup.path
            key = (run.hookup.text, run.settings.start_hz, run.settings.points)
            if run.hookup.alone or getattr(path, wanted) in (0.0, "none") or key in seen:
                continue
            seen.add(key)
            bare = HookUp(run.hookup.driven, run.hookup.read, run.hookup.third)
            second, first = self.averaged(run), self._latest(bare, run)
            if first is not None and second is not None:
                pairs.append((first, second))
        return pairs

    def _at(self, averaged: Averaged, channel_hz: float) -> Pooled | None:
        """The value at a channel: all samples of a zoom, else the nearest sample."""
        f = averaged.frequency_hz
        if not f[0] <= channel_hz <= f[-1]:
            return None
        spacing = self._site.high_hz - self._site.low_hz
        zoomed = f[-1] - f[0] <= ZOOMED_SHARE * spacing
        half = float(f[-1] - f[0]) / 2 if zoomed else float(np.abs(f - channel_hz).min()) * 1.001 + 1.0
        return pool_at(f, averaged.s21, averaged.power, channel_hz, half)

    def _channels(self, hookup: HookUp) -> Sequence[float]:
        side = hookup.side
        return (self._site.low_hz, self._site.high_hz) if side is None else (self._site.reject_hz(side),)

    # Findings

    def doubtful(self) -> list[str]:
        """Runs that a failed closing check puts in doubt: all since the last good one."""
        lines = []
        for calibration in self._calibrations.values():
            since = calibration.doubtful_from_s()
            if since is None:
                continue
            runs = [run.id for run in self._runs if run.calibration_id == calibration.id and run.started_s >= since]
            runs = [run for run in runs if run not in self._known_part_runs()]
            if runs:
                which = ", ".join(str(run) for run in runs)
                lines.append(
                    f"doubtful: run {which}: the check after it failed ({calibration.checks[-1].verified.says})"
                )
        return lines

    def _known_part_runs(self) -> set[int]:
        return {int(str(row[0])) for row in self._visit.rows("select run_id from known_part")}

    def both_ways(self) -> list[str]:
        """A device measured in both orientations on one grid with one calibration: the full two-port correction."""
        lines = []
        for driven, read in (("A", "L"), ("A", "H"), ("L", "H")):
            forward = self._latest(HookUp(driven, read))
            reverse = self._latest(HookUp(read, driven), forward.run) if forward is not None else None
            calibration = self._calibrations.get(forward.run.calibration_id or 0) if forward is not None else None
            if forward is None or reverse is None or calibration is None:
                continue
            if reverse.run.calibration_id != forward.run.calibration_id:
                continue
            terms = on_grid(calibration.terms, forward.frequency_hz)
            s = correct_both(terms, self._raw(forward.run), self._raw(reverse.run))
            ends = f"{driven} and {read}"
            for channel in (self._site.low_hz, self._site.high_hz):
                if not forward.frequency_hz[0] <= channel <= forward.frequency_hz[-1]:
                    continue
                at = int(np.argmin(np.abs(forward.frequency_hz - channel)))
                noise = float(np.sqrt(forward.power[at]))
                levels = [level_db(s[at : at + 1, i, j])[0] for i, j in ((1, 0), (0, 1), (0, 0), (1, 1))]
                if abs(s[at, 1, 0]) < 30.0 * noise:
                    continue  # a reject channel is read better zoomed, one way
                half = CONNECTION_DB + 8.686 * noise / abs(s[at, 1, 0])
                loss = -(levels[0] + levels[1]) / 2.0
                lines.append(
                    f"{driven}>{read} and {read}>{driven} at {channel / 1e6:.4f} MHz, corrected both ways: loss"
                    f" {text(reading(loss, loss - half, loss + half, 'dB'))}, match of {ends} {-levels[2]:.1f} and"
                    f" {-levels[3]:.1f} dB; the two directions differ by {abs(levels[0] - levels[1]):.2f} dB"
                )
        return lines

    def _raw(self, run: RunRow) -> tuple[Complex, Complex]:
        stored = self._visit.sweeps(run.id)
        s11 = average_sweeps(np.array([sweep.s11 for sweep in stored])).mean
        return s11, average_sweeps(np.array([sweep.s21 for sweep in stored])).mean

    def jumper_tests(self) -> list[str]:
        """Signal and leakage parted by a half-wave jumper (study, scenario 26)."""
        lines = []
        for first, second in self._with_path("jumper"):
            ratio = {"half": -1.0 + 0j, "quarter": -1j}[second.run.hookup.path.jumper]
            for channel in self._channels(first.run.hookup):
                x0, x1 = self._at(first, channel), self._at(second, channel)
                if x0 is None or x1 is None:
                    continue
                parted = two_states(x0.value, x1.value, ratio, x0.power, x1.power)
                leak = abs(parted.leakage)
                pooled = Pooled(parted.signal, parted.power, x0.points, x0.bias_db, x0.half_width_hz, x0.dof)
                figure = rejection_of(pooled, Limits(leak * JUMPER_ERROR, self._port2_db(first.run))).figure
                lines.append(
                    f"{second.run.hookup.path.jumper}-wave jumper, {first.run.hookup.name} at {channel / 1e6:.4f} MHz:"
                    f" rejection {text(figure)}; leak {amplitude_db(leak):.1f} dB taken out;"
                    f" one state alone read {-amplitude_db(abs(x0.value)):.1f} dB"
                )
        return lines

    def pad_tests(self) -> list[str]:
        """Does a pad at port 2 lower the reading by itself? (study, scenario 27)"""
        lines = []
        for first, second in self._with_path("pad2_db"):
            pad = second.run.hookup.path.pad2_db
            if pad < SMALL_PAD_DB:
                continue
            for channel in self._channels(first.run.hookup):
                x0, x1 = self._at(first, channel), self._at(second, channel)
                if x0 is None or x1 is None:
                    continue
                before, after = amplitude_db(abs(x0.value)), amplitude_db(abs(x1.value)) - pad
                said = pad_test(before, after, pad)
                lines.append(
                    f"{pad:g} dB pad, {first.run.hookup.name} at {channel / 1e6:.4f} MHz:"
                    f" fell by {before - after:.1f} dB: {said} (the pad also changes the mismatch, by up to"
                    f" {Limits(None, self._port2_db(first.run)).mismatch_db:.1f} dB at the notch)"
                )
        return lines

    def ranges(self) -> list[str]:
        """Two ranges, with and without an amplifier, joined where they agree (study, scenario 35)."""
        lines = []
        for first, second in self._with_path("amp_db"):
            gain = second.run.hookup.path.amp_db
            joined = stitch(first.s21, second.s21 * amplitude(gain), gain, first.floor_db)
            name = f"amplifier {gain:g} dB, {first.run.hookup.name}"
            if not joined.joined or joined.s21 is None:
                lines.append(f"{name}: not joined: {joined.why}")
                continue
            lines.append(f"{name}: joined: {joined.why}")
            scale = abs(amplitude(gain - joined.gain_db))
            for channel in self._channels(first.run.hookup):
                pooled = self._at(second, channel)
                if pooled is None:
                    continue
                value = Pooled(
                    pooled.value * scale, pooled.power * scale**2, pooled.points, pooled.bias_db,
                    pooled.half_width_hz, pooled.dof,
                )  # fmt: skip
                limits = Limits(None, self._port2_db(first.run), joined.disagreement_db)
                lines.append(f"  rejection at {channel / 1e6:.4f} MHz: {text(rejection_of(value, limits).figure)}")
        return lines

    def three_ports(self) -> list[str]:
        """Isolation between the sides, with a load and with the antenna (study, scenario 40)."""
        found = self.assembled()
        if isinstance(found, str):
            return [found] if found else []
        s, power, loads, names = found
        lines = [f"three ports from {', '.join(names)}; loads {loads}"]
        antenna = self._latest(HookUp(ANTENNA, ANTENNA, ""))
        for index, channel in enumerate((self._site.low_hz, self._site.high_hz)):
            at = f"{channel / 1e6:.4f} MHz"
            plain = abs(complex(isolation(s)[index]))
            lines.append(f"  isolation at {at}, load on A: {text(self._isolation(plain, power[index]))}")
            if antenna is None or not antenna.frequency_hz[0] <= channel <= antenna.frequency_hz[-1]:
                continue
            gamma = _interpolated(antenna.frequency_hz, antenna.s11, channel)
            closed = abs(complex(isolation(s, gamma)[index]))
            low, high = (float(edge[index]) for edge in isolation_any_phase(s, abs(gamma)))
            worst = text(self._isolation(high, power[index]))
            lines.append(
                f"  with the measured antenna ({-amplitude_db(abs(gamma)):.1f} dB return loss):"
                f" {text(self._isolation(closed, power[index]))}; worst at any phase {worst}, best"
                f" {-amplitude_db(max(low, 1e-12)):.1f} dB"
            )
        return lines

    def _isolation(self, size: float, power: float) -> Figure:
        return rejection_figure(complex(size), power, leakage=None, systematic_db=0.1)

    def assembled(self) -> tuple[NDArray[np.complex128], NDArray[np.float64], str, list[str]] | str:
        """S (2, 3, 3) at both channels, E|n|^2 of S_HL (2,), words on the loads, hook-ups used; or what is missing, ""
        when no side-to-side hook-up was measured."""
        channels = (self._site.low_hz, self._site.high_hz)
        load = self._latest(HookUp("load", "load", ""))
        taken: dict[str, Taken] = {}
        power = np.zeros(2)
        for driven in PORTS:
            for read in PORTS:
                if driven == read:
                    continue
                values = [self._corner(HookUp(driven, read), channel) for channel in channels]
                known = [value for value in values if value is not None]
                if len(known) < len(channels):
                    continue
                third = [0j if load is None else _interpolated(load.frequency_hz, load.s11, hz) for hz in channels]
                columns = np.array([value[:3] for value in known]).T
                taken[f"{driven}>{read}"] = Taken(columns[0], columns[1], columns[2], np.array(third))
                if {driven, read} == {"L", "H"}:
                    power = np.array([value[3] for value in known]).real
        if not any({name[0], name[2]} == {"L", "H"} for name in taken):
            return ""
        try:
            s = assemble(taken)
        except ValueError as error:
            return f"three ports: {error}"
        words = "taken as perfect (measure yours as hook-up load)" if load is None else "as measured"
        return s, power, words, list(taken)

    def _corner(self, hookup: HookUp, channel_hz: float) -> tuple[complex, complex, complex, float] | None:
        """S11, S21, port 2's match and the noise of S21 at a channel, from the run that holds the least noise there."""
        best: tuple[complex, complex, complex, float] | None = None
        for run in reversed(self._runs):
            if run.hookup != hookup:
                continue
            found = self.averaged(run)
            pooled = self._at(found, channel_hz) if found is not None else None
            if found is None or pooled is None or (best is not None and pooled.power >= best[3]):
                continue
            match = self._match(run, channel_hz)
            s11 = _interpolated(found.frequency_hz, found.s11, channel_hz)
            # The corrector took port 2 out of S11; the assembly wants what one orientation reads.
            best = (s11 + match * pooled.value**2, pooled.value, match, pooled.power)
        return best

    def _match(self, run: RunRow, channel_hz: float) -> complex:
        calibration = self._calibrations.get(run.calibration_id or 0)
        if calibration is None:
            return 0j
        return _interpolated(calibration.terms.frequency_hz, calibration.terms.load_match, channel_hz)

    def _port2_db(self, run: RunRow) -> float:
        calibration: Calibration | None = self._calibrations.get(run.calibration_id or 0)
        return 20.0 if calibration is None else calibration.residuals(Path()).port2_return_loss_db


def _interpolated(frequency_hz: NDArray[np.float64], values: Complex, at_hz: float) -> complex:
    real = np.interp(at_hz, frequency_hz, values.real)
    return complex(real, np.interp(at_hz, frequency_hz, values.imag))
