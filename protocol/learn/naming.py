"""What each column of the data is: axis, parts of a complex number, S11 or S21, raw receivers; and the sign of time.

Owns: naming by the instrument's own words first, by consistency of small sweeps second, by asking third. Refuses: to
name S11 and S21 by their order alone.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from protocol.learn.draft import Ask, Draft
from protocol.learn.shapes import (
    Block,
    axis_columns,
    complex_of,
    hints_of,
    noisy_share,
    order_from_words,
    pair_form,
)
from protocol.sweep import SweepSettings

Complex = NDArray[np.complex128]
Pair = tuple[int, tuple[int, int], tuple[str, str]]
"""Which read, which two columns, which parts of a complex number they are."""

IN_NOISE = 0.02
"""A trace with so many of its samples in the noise is a transmission: a reflection never falls below its
directivity."""

REFERENCE_WORDS = {"reference", "ref", "incident", "forward", "fwd"}
RAW_LEAD_S = 3e-9
"""A flat total reflection behind so much delay is the open end of a lead that nobody has calibrated out."""


class Naming:
    """Names the columns of the draft's reads from several sweeps of one setting."""

    def __init__(self, draft: Draft, ask: Ask) -> None:
        self._draft, self._ask = draft, ask
        self.named = False
        self.problems: list[str] = []
        self._first: tuple[list[Pair], list[list[Complex]]] | None = None
        self._roles: dict[str, Pair] = {}

    def look(self, sweeps: Sequence[Sequence[Block]], settings: SweepSettings) -> bool:
        """Name everything by what these sweeps show; False when S11 and S21 could not be told apart in them. `sweeps`:
        blocks of each read, per sweep."""
        draft = self._draft
        pairs: list[Pair] = []
        forms: list[str] = []
        receivers = 0
        for number, read in enumerate(draft.reads):
            block = sweeps[0][number]
            names, _ = axis_columns(block, settings.start_hz, settings.stop_hz)
            hints = read.hints + hints_of(block.heading or "", *block.literals)
            free = [column for column, name in enumerate(names) if name == ""]
            if len(free) in (5, 7, 9):
                free = self._without_constant(block, free)
            if len(free) % 2:
                draft.unknown.append(
                    f"the {len(free)} numbers per point of {read.command or draft.sweep!r}: an odd count"
                )
                return False
            chosen = free[:6] if len(free) == 6 and self._has_reference(block, free) else free[:4]
            for first, second in zip(chosen[::2], chosen[1::2], strict=True):
                form = pair_form(block.columns[:, first], block.columns[:, second], hints)
                pairs.append((number, (first, second), form[:2]))
                forms.append(f"{form[0]} and {form[1]}: {form[2]}")
            receivers = max(receivers, len(chosen) // 2)
            read.block.names = [name or "skip" for name in names]
        if len(pairs) not in (2, 3):
            draft.unknown.append(
                f"{len(pairs)} complex values per point came; S11 and S21 are two, with a reference three"
            )
            return False
        draft.evidence["form"] = forms[0]
        values = [[complex_of(blocks[number], columns, parts) for blocks in sweeps] for number, columns, parts in pairs]
        if self._first is None:
            self._first = (pairs, values)
        order = self._receivers(values) if len(pairs) == 3 else self._traces(pairs, values)
        if order is not None:
            self._name(order, self._first[0])
        return self.named

    def _name(
        self,
        order: Sequence[str],
        pairs: Sequence[Pair],
    ) -> None:
        """Put the names on the columns."""
        draft = self._draft
        for name, (number, columns, parts) in zip(order, pairs, strict=True):
            for column, part in zip(columns, parts, strict=True):
                draft.reads[number].block.names[column] = f"{name}_{part}"
        self._roles = dict(zip(order, pairs, strict=True))
        self.named = True

    def _named_trace(self, name: str, blocks: Sequence[Block]) -> Complex:
        number, columns, parts = self._roles[name]
        return complex_of(blocks[number], columns, parts)

    async def asked(self) -> bool:
        """Let the technician say what the sweeps could not; False when nobody answers."""
        if self._first is None:
            return False
        pairs, values = self._first
        if len(pairs) == 3:
            order: Sequence[str] = ("reference", "reflected", "through")
            answer = await self._ask("Three receivers come. Is the order reference, reflected, through?", ("yes", "no"))
            good = answer == "yes"
        else:
            levels = [20 * math.log10(max(float(np.median(np.abs(trace[0]))), 1e-12)) for trace in values]
            answer = await self._ask(
                f"Two traces come, at {levels[0]:.0f} and {levels[1]:.0f} dB. Which one is S11 (the reflection)?",
                ("first", "second"),
            )
            order = ("s11", "s21") if answer == "first" else ("s21", "s11")
            good = answer in ("first", "second")
        if not good:
            self.problems = [
                "which trace is S11 and which S21: no name tells it and neither lies in the noise; learn again with"
                " both leads open, or with a load on each"
            ]
            return False
        self._draft.evidence["order"] = "as the technician said"
        self._name(order, pairs)
        return True

    @staticmethod
    def _without_constant(block: Block, free: list[int]) -> list[int]:
        return [column for column in free if np.ptp(block.columns[:, column]) > 0.0] if len(free) % 2 else free

    @staticmethod
    def _has_reference(block: Block, free: list[int]) -> bool:
        """Whether one of three pairs is a reference: never small, and smoother than a device."""
        sizes = [np.hypot(block.columns[:, a], block.columns[:, b]) for a, b in zip(free[::2], free[1::2], strict=True)]
        return any(size.min() > 0.2 * size.max() > 0.0 for size in sizes)

    def _traces(self, pairs: Sequence[Pair], values: Sequence[Sequence[Complex]]) -> tuple[str, ...] | None:
        """Which of two traces is S11."""
        draft = self._draft
        reads = [draft.reads[number] for number, _, _ in pairs]
        if reads[0] is not reads[1]:
            each = [order_from_words(read.hints + hints_of(read.block.heading or "")) for read in reads]
            if all(len(order) == 1 for order in each) and each[0] != each[1]:
                draft.evidence["order"] = "each trace is called by its name"
                return each[0] + each[1]
        else:
            hints = hints_of(reads[0].block.heading or "", *reads[0].block.literals) + reads[0].hints
            order = order_from_words(hints)
            if len(order) == 2:
                draft.evidence["order"] = f"named in this order: {', '.join(order).upper()}"
                return order
        noisy = [noisy_share(trace) for trace in values]
        levels = [20 * math.log10(max(float(np.median(np.abs(trace[0]))), 1e-12)) for trace in values]
        for first, second in ((0, 1), (1, 0)):
            if noisy[second] > IN_NOISE >= noisy[first] and levels[first] > levels[second]:
                draft.evidence["order"] = (
                    f"one trace lies in the noise at {100 * noisy[second]:.0f} % of its points"
                    f" ({levels[second]:.0f} dB), which no reflection does; the other stands at {levels[first]:.1f} dB"
                )
                return ("s11", "s21") if first == 0 else ("s21", "s11")
        return None

    def _receivers(self, values: Sequence[Sequence[Complex]]) -> tuple[str, ...] | None:
        """Which of three receivers is the reference, the reflected and the through one."""
        draft = self._draft
        sizes = [np.abs(trace[0]) for trace in values]
        spans = [float(size.max() / max(size.min(), 1e-12)) for size in sizes]
        noisy = [noisy_share(trace) for trace in values]
        reference = int(np.argmin(spans))
        rest = [index for index in range(3) if index != reference]
        through = max(rest, key=lambda index: (noisy[index], -float(np.median(sizes[index]))))
        reflected = next(index for index in rest if index != through)
        if not noisy[through] > IN_NOISE >= noisy[reflected]:
            return None
        names = {reference: "reference", reflected: "reflected", through: "through"}
        draft.evidence["order"] = "the steadiest receiver is the reference, the one in the noise the through receiver"
        return tuple(names[index] for index in range(3))

    async def sense(self, sweeps: Sequence[Sequence[Block]], settings: SweepSettings) -> None:
        """Sign of time, and whether the analyzer corrects itself, from sweeps of a span so narrow that no line turns
        the phase by half a turn between points. A passive reflection turns the usual way too (Foster's reactance
        theorem)."""
        draft = self._draft
        traces = {
            name: np.mean(np.array([self._named_trace(name, blocks) for blocks in sweeps]), axis=0)
            for name in self._roles
        }
        if "reference" in traces:
            s11, s21 = (traces[name] / traces["reference"] for name in ("reflected", "through"))
        else:
            s11, s21 = traces["s11"], traces["s21"]
        strong = s21 if float(np.median(np.abs(s21))) > 0.1 else s11
        turn = np.angle(strong[1:] * strong[:-1].conj())
        slope = float(np.median(turn))
        delay_s = -slope / (2 * math.pi * settings.step_hz)
        agree = float((np.sign(turn) == np.sign(slope)).mean())
        if agree > 0.9 and abs(delay_s) > 0.2e-9:
            draft.conjugate = delay_s < 0
            draft.evidence["conjugate"] = (
                f"the phase turns by {math.degrees(slope):+.2f} degrees a point: {abs(delay_s) * 1e9:.1f} ns of line,"
                + (" backwards" if draft.conjugate else " the usual way")
            )
        else:
            draft.unknown.append("the sign of time: nothing on the leads delays enough; taken as the usual one")
        await self._corrected(s11, delay_s, agree)

    async def _corrected(self, s11: Complex, delay_s: float, agree: float) -> None:
        """Levels are re a thru only if the analyzer applies a calibration; raw leads show their delay and their
        loss."""
        draft = self._draft
        level = 20 * math.log10(max(float(np.median(np.abs(s11))), 1e-12))
        ripple = 20 * math.log10(float(np.abs(s11).max() / max(float(np.abs(s11).min()), 1e-12)))
        if abs(level) < 3.0 and ripple < 1.0 and agree > 0.9 and abs(delay_s) > RAW_LEAD_S:
            draft.corrects_itself = False
            draft.evidence["corrects_itself"] = (
                f"a total reflection reads {level:+.2f} dB behind {abs(delay_s) * 1e9:.1f} ns of lead: it does not"
            )
            return
        answer = await self._ask(
            "Is a calibration of the analyzer's own switched on (a straight thru would read 0 dB)?", ("yes", "no")
        )
        draft.corrects_itself = answer == "yes"
        if answer in ("yes", "no"):
            draft.evidence["corrects_itself"] = "as the technician said"
        else:
            draft.evidence["corrects_itself"] = "not known, so taken as no"
            draft.unknown.append(
                "whether it corrects itself: taken as no, so calibrate on this computer; or set corrects_itself = true"
            )
