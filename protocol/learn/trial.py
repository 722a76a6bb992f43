"""Small harmless sweeps: which commands set span and points, which take a sweep, which give the data.

Owns: trying candidates until what comes back agrees with what was set, twice. Refuses: to keep a command whose
effect was not seen without saying so.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from protocol.learn.draft import Draft, ReadDraft
from protocol.learn.plans import Plan, plans
from protocol.learn.shapes import Block, axis_columns, find_block, hints_of, order_from_words
from protocol.learn.talk import Talk
from protocol.learn.vocabulary import Entry, ranked
from protocol.profiles.templates import SETTING_FIELDS, Template, setting_values
from protocol.sweep import SweepSettings

TRIALS = (
    SweepSettings(120e6, 130e6, 101, 1000.0),
    SweepSettings(140e6, 156e6, 151, 1000.0),
    SweepSettings(150e6, 158e6, 61, 1000.0),
)
"""Spans that any analyzer for VHF can sweep, all numbers different so that a mix-up shows."""

SWEEP_S = 30.0
FEWEST_VALUES = 4
"""Columns of value: real and imaginary part of S11 and S21."""
ENOUGH = "data came"


@dataclass
class Acquisition:
    """How a sweep is taken and read."""

    sweep: str
    pause: str
    resume: str
    reads: list[ReadDraft]


class Trial:
    """Finds the commands for span, points, sweep and data. `problem` says in words what stands in the way."""

    def __init__(self, talk: Talk, entries: Sequence[Entry], draft: Draft) -> None:
        self._talk, self._entries, self._draft = talk, entries, draft
        self.problem = "no command was found that sets start and stop"

    async def run(self) -> bool:
        """Fill the draft's setters, sweep and reads; False when no combination agreed with itself."""
        fallback: tuple[Plan, Acquisition] | None = None
        for plan in plans(self._entries):
            settings = TRIALS[0]
            replies = await self._apply(plan, settings)
            if replies is None:
                continue
            self.problem = "span could be set, but no sweep with data was found"
            acquisition = await self._acquire(plan, settings, replies)
            if acquisition is None:
                continue
            agreed = self._agrees(acquisition, settings)
            if agreed == "no":
                self.problem = "data came, but not for the span and points that were set"
                continue
            if not await self._again(plan, acquisition):
                self.problem = "data came, but did not follow a change of span and points"
                continue
            if agreed == "seen":
                self._take(plan, acquisition, "the frequencies that came followed what was set, twice")
                return True
            fallback = (plan, acquisition)
            break
        if fallback is None:
            return False
        self._take(*fallback, "the number of points followed what was set; the instrument lists no frequencies")
        return True

    def _take(self, plan: Plan, acquisition: Acquisition, why: str) -> None:
        draft = self._draft
        inline = acquisition.sweep and any(read.command == "" for read in acquisition.reads)
        draft.setters = {
            name: template
            for name, template in plan.templates.items()
            if not (inline and template == acquisition.sweep)
        }
        draft.sweep, draft.pause, draft.resume = acquisition.sweep, acquisition.pause, acquisition.resume
        draft.reads = acquisition.reads
        for name in draft.setters:
            draft.evidence[name] = why
        if draft.sweep:
            draft.evidence["sweep"] = "after it other values came" + (", in its own reply" if inline else "")
        for read in draft.reads:
            draft.evidence[f"read {read.command}"] = (
                f"{read.block.points} points of {read.block.columns.shape[1]} numbers came, as many as were set"
            )

    async def _apply(self, plan: Plan, settings: SweepSettings) -> list[list[str]] | None:
        """Send the plan's commands; None when one was refused."""
        replies = []
        for _, text, _ in plan.parts:
            lines = await self._talk.ask(fill(text, settings), first_s=SWEEP_S if "scan" in text else 5.0)
            if lines is None:
                return None
            replies.append(lines)
        return replies

    async def _acquire(self, plan: Plan, settings: SweepSettings, replies: list[list[str]]) -> Acquisition | None:
        for (_, template, word), reply in zip(plan.parts, replies, strict=True):
            block = find_block(reply, settings.points)
            if block is not None and _values(block, settings) >= FEWEST_VALUES:
                return Acquisition(template, "", "", [ReadDraft("", block, self._hints(word))])
        for sweep in self._sweeps(plan):
            lines = await self._talk.ask(sweep.word, first_s=SWEEP_S, longest_s=2 * SWEEP_S)
            if lines is None:
                continue
            block = find_block(lines, settings.points)
            if block is not None and _values(block, settings) >= FEWEST_VALUES:
                return Acquisition(sweep.word, "", "", [ReadDraft("", block, self._hints(sweep.word))])
            reads = await self._reads(plan, settings, {sweep.word})
            if reads:
                return Acquisition(sweep.word, "", "", reads)
        for pause, resume in self._held():
            if await self._talk.ask(resume) is None or await self._talk.ask(pause) is None:
                continue
            reads = await self._reads(plan, settings, {pause, resume})
            if reads:
                return Acquisition("", pause, resume, reads)
        return None

    def _sweeps(self, plan: Plan) -> list[Entry]:
        """Commands without arguments that may take a sweep."""
        fitting = ranked(self._entries, "sweep")
        return [entry for entry in fitting if not entry.needed and entry.word not in plan.words]

    def _held(self) -> Iterator[tuple[str, str]]:
        pauses = [entry.word for entry in ranked(self._entries, "pause", 2.0) if not entry.needed]
        resumes = [entry.word for entry in ranked(self._entries, "resume", 2.0) if not entry.needed]
        for pause in pauses[:2]:
            for resume in resumes[:2]:
                if pause != resume:
                    yield pause, resume

    async def _reads(self, plan: Plan, settings: SweepSettings, used: set[str]) -> list[ReadDraft]:
        """Reads that together give both traces; empty when they do not."""
        found: list[ReadDraft] = []
        tried = set(used) | set(plan.words)
        gave: set[str] = set()
        for command, entry in self._data_commands(tried):
            if entry.word in gave and not entry.arguments:
                continue  # it gave its data without an argument
            lines = await self._talk.ask(command, first_s=5.0, longest_s=SWEEP_S)
            block = find_block(lines, settings.points) if lines else None
            if block is None or block.points != settings.points:
                continue
            if command == entry.word:
                gave.add(entry.word)
            found.append(ReadDraft(command, block, hints_of(command, entry.description, *(lines or [""])[:1])))
            values = _values(block, settings)
            if values >= FEWEST_VALUES:
                return self._with_axis([found[-1]], found, settings)
        traces = [read for read in found if _values(read.block, settings) == 2]
        return self._with_axis(self._both(traces), found, settings) if len(traces) >= 2 else []

    def _both(self, traces: list[ReadDraft]) -> list[ReadDraft]:
        """The reads of S11 and of S21 among several traces: by their names, else the first two that differ."""
        named: dict[str, ReadDraft] = {}
        for read in traces:
            order = order_from_words(read.hints)
            if len(order) == 1:
                named.setdefault(order[0], read)
        if {"s11", "s21"} <= named.keys():
            return [named["s11"], named["s21"]]
        different = [traces[0]]
        first = traces[0].block.columns
        different += [read for read in traces[1:] if not np.array_equal(read.block.columns, first)]
        return different[:2]

    @staticmethod
    def _with_axis(reads: list[ReadDraft], found: list[ReadDraft], settings: SweepSettings) -> list[ReadDraft]:
        """Add the read of a frequency list when the others hold none."""
        if len(reads) == 1 and _values(reads[0].block, settings) < FEWEST_VALUES:
            return []
        for read in (*reads, *found):
            names, fault = axis_columns(read.block, settings.start_hz, settings.stop_hz)
            if any(name.startswith("frequency") for name in names) and not fault:
                return reads if read in reads else [*reads, read]
        return reads

    def _data_commands(self, used: set[str]) -> Iterator[tuple[str, Entry]]:
        """Commands that may give data: bare ones, then one with each choice of its argument."""
        seen = set(used)
        for function in ("data", "frequencies"):
            for entry in ranked(self._entries, function):
                if entry.word in seen:
                    continue
                seen.add(entry.word)
                if not entry.needed:
                    yield entry.word, entry
                if len(entry.arguments) == 1 or not entry.shown:
                    choices = entry.arguments[0].choices if entry.arguments else ()
                    for choice in choices[:6] or ("s11", "s21", "S11", "S21", "0", "1", "2"):
                        yield f"{entry.word} {choice}", entry

    def _hints(self, word: str) -> list[str]:
        entry = next((entry for entry in self._entries if entry.word == word), None)
        return hints_of(word, entry.description if entry else "")

    def _agrees(self, acquisition: Acquisition, settings: SweepSettings) -> str:
        """ "seen" when a frequency list agrees with what was set, "silent" when there is none, "no" when it
        disagrees."""
        seen = "silent"
        for read in acquisition.reads:
            if read.block.points != settings.points:
                return "no"
            names, fault = axis_columns(read.block, settings.start_hz, settings.stop_hz)
            if fault:
                return "no"
            if any(name.startswith("frequency") for name in names):
                seen = "seen"
        return seen

    async def _again(self, plan: Plan, acquisition: Acquisition) -> bool:
        """The same with another span and other points."""
        settings = TRIALS[1]
        if await self._apply(plan, settings) is None:
            return False
        blocks = await self.sweep(acquisition, settings)
        if blocks is None or any(block.points != settings.points for block in blocks):
            return False
        return all(not axis_columns(block, settings.start_hz, settings.stop_hz)[1] for block in blocks)

    async def sweep(self, acquisition: Acquisition, settings: SweepSettings) -> list[Block] | None:
        """Take one more sweep the same way; None when something was refused or held no data."""
        talk, blocks = self._talk, []
        inline: list[str] | None = None
        if acquisition.sweep:
            inline = await talk.ask(fill(acquisition.sweep, settings), first_s=SWEEP_S, longest_s=2 * SWEEP_S)
            if inline is None:
                return None
        else:
            await talk.ask(acquisition.resume)
            await talk.listen(settings.points * 0.002 + 0.2)
            if await talk.ask(acquisition.pause) is None:
                return None
        for read in acquisition.reads:
            lines = inline if read.command == "" else await talk.ask(read.command, first_s=5.0, longest_s=SWEEP_S)
            block = find_block(lines, settings.points) if lines else None
            if block is None:
                return None
            blocks.append(block)
        return blocks


def fill(template: str, settings: SweepSettings) -> str:
    """A command with its fields written from settings."""
    return Template.parse(template, SETTING_FIELDS).fill(setting_values(settings, resolution_hz=1.0))


def _values(block: Block, settings: SweepSettings) -> int:
    """Columns that hold neither index nor frequency."""
    names, _ = axis_columns(block, settings.start_hz, settings.stop_hz)
    return sum(1 for name in names if name == "")
