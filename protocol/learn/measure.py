"""Bandwidth, read-back, limits and timing of a console whose sweeps are understood.

Owns: setting one thing at a time and seeing whether it took effect. Refuses: to raise the level above what it is.
"""

from __future__ import annotations

import math
import re
from collections.abc import AsyncIterator, Sequence

import numpy as np

from protocol.learn.draft import Ask, Draft
from protocol.learn.shapes import NUMBER, Block, axis_columns
from protocol.learn.talk import UNKNOWN_WORDS, Talk, words_of
from protocol.learn.trial import TRIALS, Acquisition, Trial, fill
from protocol.learn.vocabulary import UNITS, Entry, ranked
from protocol.profiles.templates import SETTING_FIELDS, Template
from protocol.sweep import SweepSettings

USUAL_BANDWIDTHS_HZ = (10.0, 30.0, 100.0, 300.0, 1000.0, 3000.0, 10_000.0, 30_000.0, 100_000.0)
POINT_COUNTS = (11, 21, 51, 101, 201, 256, 401, 501, 801, 1001, 1024, 1601, 2001, 4001)
STARTS_HZ = (10e3, 50e3, 100e3, 300e3, 1e6, 5e6, 10e6, 25e6, 50e6, 100e6)
STOPS_HZ = (6e9, 4.4e9, 3e9, 1.5e9, 1.3e9, 1e9, 900e6, 600e6, 500e6, 300e6, 200e6)
TILE_HZ = 10e6
TILES_HZ = tuple(float(f) * 1e6 for f in (*range(136, 176, 10), *range(400, 520, 10)))
"""The land-mobile and amateur bands in which a duplexer on the leads has its notches."""
CLOSE_HZ = 2e6
"""A look at a low place is so wide; nearer in, the reflection of a matched port crosses zero too."""

EFFECT = 1.3
"""Sweep time or noise must change by this between the narrowest and the widest bandwidth for the setting to count as
seen."""


class Measure:
    """Completes a draft whose setters, sweep and reads are known."""

    def __init__(self, talk: Talk, entries: Sequence[Entry], draft: Draft, trial: Trial, ask: Ask) -> None:
        self._talk, self._entries, self._draft, self._trial, self._ask = talk, entries, draft, trial, ask
        self._naming = TRIALS[1]

    @property
    def acquisition(self) -> Acquisition:
        """The sweep as the draft has it."""
        draft = self._draft
        return Acquisition(draft.sweep, draft.pause, draft.resume, draft.reads)

    async def apply(self, settings: SweepSettings) -> bool:
        """Send the draft's setters; False when one was refused."""
        for name in ("span", "start", "stop", "points"):
            template = self._draft.setters.get(name)
            if template and await self._talk.ask(fill(template, settings), first_s=5.0) is None:
                return False
        return True

    async def sweeps(self, settings: SweepSettings, count: int) -> list[list[Block]]:
        """So many sweeps of one setting, blocks per read; shorter when one failed."""
        taken: list[list[Block]] = []
        if not await self.apply(settings):
            return taken
        for _ in range(count):
            blocks = await self._trial.sweep(self.acquisition, settings)
            if blocks is None:
                break
            taken.append(blocks)
        return taken

    async def naming_sweeps(self, count: int) -> AsyncIterator[tuple[SweepSettings, list[list[Block]]]]:
        """Sweeps for naming the columns: the widest span known to be taken; then, if that did not do, closely around
        the smallest values of each trace in the bands where repeaters work. A transmission meets the noise there."""
        taken = await self.sweeps(self._naming, count)
        if len(taken) == count:
            yield self._naming, taken
        points = await self._dense_points()
        lowest: dict[tuple[int, int, str], tuple[float, float]] = {}
        for low in TILES_HZ:
            settings = SweepSettings(low, low + TILE_HZ, points, 1000.0)
            for blocks in await self.sweeps(settings, 1):
                for key, size, place in _low_places(blocks, settings):
                    if key not in lowest or size < lowest[key][0]:
                        lowest[key] = (size, place)
        for _, place in sorted(lowest.values()):
            settings = SweepSettings(place - CLOSE_HZ / 2, place + CLOSE_HZ / 2, TRIALS[0].points, 1000.0)
            taken = await self.sweeps(settings, count)
            if len(taken) == count:
                yield settings, taken

    async def _dense_points(self) -> int:
        """As many points as are taken, out of a few usual numbers."""
        for points in (401, 201):
            taken = await self.sweeps(SweepSettings(140e6, 150e6, points, 1000.0), 1)
            if taken and taken[0][0].points == points:
                return points
        return TRIALS[0].points

    async def widen(self) -> None:
        """Find a wide span that is taken."""
        self._naming = TRIALS[1]
        points = TRIALS[1].points
        for stop_hz in (900e6, 600e6, 500e6, 300e6):
            settings = SweepSettings(50e6, stop_hz, points, 1000.0)
            taken = await self.sweeps(settings, 1)
            if taken and all(
                block.points == points and not axis_columns(block, settings.start_hz, settings.stop_hz)[1]
                for block in taken[0]
            ):
                self._naming = settings
                return

    async def abort(self) -> None:
        """A word that breaks a sweep off, if it is taken while nothing runs."""
        for entry in ranked(self._entries, "abort", 3.0):
            if not entry.needed and await self._talk.ask(entry.word) is not None:
                self._draft.abort = entry.word
                self._draft.evidence["abort"] = "taken while nothing ran"
                return

    # Read-back

    async def readback(self) -> None:
        """Queries that give the settings back, proved by two different settings."""
        draft = self._draft
        used = {word_of(text) for text in (*draft.setters.values(), draft.sweep) if text}
        candidates = [entry.word for entry in ranked(self._entries, "settings") if not entry.needed]
        for template in draft.setters.values():
            word = word_of(template)
            candidates += [f"{word}?", word]
        listed = {entry.word for entry in self._entries}
        candidates += [word for word in listed if word.endswith("?") and word not in candidates]
        covered: set[str] = set()
        for command in dict.fromkeys(candidates):
            if command in (draft.sweep, draft.pause, draft.resume, draft.identify) or (
                command in used and command not in listed
            ):
                continue
            lines = await self._templates(command)
            fresh = [line for line, fields in lines if not fields & covered]
            if fresh:
                draft.readback.append((command, fresh))
                covered |= {name for line, fields in lines if line in fresh for name in fields}
                draft.evidence[f"readback {command}"] = "its numbers followed two different settings"
        if not {"span", "start"} & draft.setters.keys():
            return  # they travel with the sweep command
        for name in ("start_hz", "stop_hz", "points"):
            if name not in covered and not (name != "points" and {"centre_hz", "span_hz"} <= covered):
                draft.unknown.append(
                    f"how to read {name.removesuffix('_hz')} back: whether it was taken shows in the data only"
                )

    async def _templates(self, command: str) -> list[tuple[str, set[str]]]:
        """Line templates of a query's reply and the settings that each reads."""
        replies = []
        for settings in TRIALS[:2]:
            if not await self.apply(settings):
                return []
            lines = await self._talk.ask(command)
            if not lines:
                return []
            replies.append(lines)
        found: list[tuple[str, set[str]]] = []
        for line in replies[0]:
            template = _template_of(line, TRIALS[0])
            if template is None:
                continue
            parsed = Template.parse(template, SETTING_FIELDS)
            values = [parsed.read(other.encode()) for other in replies[1]]
            good = [value for value in values if value is not None and _matches(value, TRIALS[1])]
            if len(good) == 1 and sum(parsed.read(other.encode()) is not None for other in replies[1]) == 1:
                found.append((template, set(parsed.bases) - {"skip"}))
        return found

    # Bandwidth

    async def bandwidth(self) -> None:
        """The bandwidth command, its values, and whether it changes the sweep."""
        draft = self._draft
        for entry in ranked(self._entries, "bandwidth", 2.0):
            if len(entry.needed) > 1 or entry.word in {word_of(text) for text in draft.setters.values()}:
                continue
            choices = entry.arguments[0].choices if entry.arguments else ()
            choices = choices or await self._refused_choices(entry)
            accepted = [
                choice
                for choice in choices or [f"{hz:g}" for hz in USUAL_BANDWIDTHS_HZ]
                if await self._talk.ask(f"{entry.word} {choice}") is not None
            ]
            hertz = [_hertz(choice, entry) for choice in accepted]
            if accepted and all(value is not None for value in hertz):
                pairs = sorted(
                    (value, choice) for value, choice in zip(hertz, accepted, strict=True) if value is not None
                )
                unique = dict(pairs)
                draft.bandwidths_hz = list(unique)
                numbers = {value: _plain(choice) for value, choice in unique.items()}
                if all(number == value for value, number in numbers.items()):
                    draft.setters["bandwidth"] = f"{entry.word} {{bandwidth_hz}}"
                elif all(number is not None and number * 1e3 == value for value, number in numbers.items()):
                    draft.setters["bandwidth"] = f"{entry.word} {{bandwidth_khz}}"
                else:
                    draft.setters["bandwidth"] = f"{entry.word} {{bandwidth_code}}"
                    draft.bandwidth_codes = list(unique.values())
                await self._effect(entry.word, list(unique.values()), bool(choices))
                return
            if accepted and await self._coded(entry, accepted):
                return
        draft.bandwidths_hz = []
        draft.unknown.append(
            "how to set the bandwidth: no command for it was understood; the floor may be higher than need be"
        )

    async def _refused_choices(self, entry: Entry) -> tuple[str, ...]:
        """The values that a refusal lists when it is given one that can't be."""
        got = await self._talk.raw(f"{entry.word} {UNKNOWN_WORDS[0]}".encode() + self._talk.manner.out_end)
        for line in self._talk.body(f"{entry.word} {UNKNOWN_WORDS[0]}", got):
            listed = re.search(r"[\w.]+(?:\s*[|/,]\s*(?:or\s+)?[\w.]+)+", line.replace(" or ", ", "))
            if listed:
                return tuple(re.split(r"\s*[|/,]\s*", listed.group()))
        return ()

    async def _coded(self, entry: Entry, accepted: list[str]) -> bool:
        """Bandwidths that are words: their hertz must be told."""
        answers = []
        for code in accepted:
            said = await self._ask(f"How many hertz is the bandwidth {code!r}?", ())
            value = _plain(said)
            if value is None:
                self._draft.unknown.append(
                    f"how many hertz the bandwidths {', '.join(accepted)} of {entry.word!r} are: the manual tells"
                )
                return False
            answers.append((value, code))
        answers.sort()
        self._draft.bandwidths_hz = [value for value, _ in answers]
        self._draft.bandwidth_codes = [code for _, code in answers]
        self._draft.setters["bandwidth"] = f"{entry.word} {{bandwidth_code}}"
        await self._effect(entry.word, self._draft.bandwidth_codes, True)
        return True

    async def _effect(self, word: str, values: Sequence[str], listed: bool) -> None:
        """Sweep time and noise at both ends: did the setting take effect?"""
        draft, seen = self._draft, []
        for value in (values[0], values[-1]):
            await self._talk.ask(f"{word} {value}")
            taken = await self.sweeps(TRIALS[2], 3)
            if len(taken) < 3:
                break
            block = np.array([blocks[-1].columns for blocks in taken])
            seen.append((self._talk.last_s, float(block.std(axis=0).mean())))
        source = "the instrument lists them" if listed else "tried one by one; those that were not refused"
        if len(seen) == 2 and len(values) > 1:
            noise = seen[1][1] / max(seen[0][1], 1e-30)
            if noise > EFFECT:
                source += f"; from the first to the last the scatter rose {20 * math.log10(noise):.0f} dB"
            else:
                draft.unknown.append("whether the bandwidth takes effect: the scatter did not change with it")
        draft.evidence["bandwidth"] = source
        middle = min(values, key=lambda text: abs(math.log((_plain(text) or 1000.0) / 1000.0)))
        await self._talk.ask(f"{word} {middle}")

    # Limits and timing

    async def limits(self) -> None:
        """Most and fewest points, lowest and highest frequency, by asking and looking."""
        draft = self._draft
        good = []
        for points in POINT_COUNTS:
            settings = SweepSettings(120e6, 130e6, points, 1000.0)
            taken = await self.sweeps(settings, 1)
            if taken and taken[0][0].points == points:
                good.append(points)
            elif good:
                break
        draft.min_points, draft.max_points = (good[0], good[-1]) if good else (TRIALS[0].points, TRIALS[1].points)
        draft.evidence["points"] = draft.evidence.get("points", "") or "as many points came as were set"
        draft.evidence["max_points"] = f"{draft.max_points} came, more did not" if good else "more were not tried"
        draft.start_hz = await self._edge(
            STARTS_HZ, lambda hz: SweepSettings(hz, max(2 * hz, 20e6), good[-1] if good else 101, 1000.0)
        )
        draft.stop_hz = await self._edge(
            STOPS_HZ, lambda hz: SweepSettings(hz * 0.9, hz, good[-1] if good else 101, 1000.0)
        )
        if not draft.start_hz < draft.stop_hz:
            draft.start_hz, draft.stop_hz = TRIALS[0].start_hz, TRIALS[1].stop_hz
            draft.unknown.append("its frequency range: only the spans tried so far are known")
        draft.evidence["start_hz"] = draft.evidence["stop_hz"] = "the farthest of the round values that was taken"
        await self.apply(TRIALS[0])

    async def _edge(self, values: Sequence[float], settings_of) -> float:  # type: ignore[no-untyped-def]
        """The first value that is taken as set."""
        for hz in values:
            settings = settings_of(hz)
            if await self.apply(settings) and await self._holds(settings):
                return float(hz)
        return 0.0

    async def _holds(self, settings: SweepSettings) -> bool:
        """Whether settings hold, by read-back or by the frequencies that come."""
        draft = self._draft
        for command, lines in draft.readback:
            reply = await self._talk.ask(command) or []
            for line in lines:
                parsed = Template.parse(line, SETTING_FIELDS)
                for text in reply:
                    values = parsed.read(text.encode())
                    if values is not None and not _matches(values, settings):
                        return False
        if draft.readback:
            return True
        if not any(name.startswith("frequency") for read in draft.reads for name in read.block.names):
            return True
        taken = await self.sweeps(settings, 1)
        if not taken:
            return False
        for read, block in zip(draft.reads, taken[0], strict=True):
            for number, name in enumerate(read.block.names):
                if name.startswith("frequency"):
                    scale = UNITS[name.removeprefix("frequency_")]
                    column = block.columns[:, number] * scale
                    slack = 0.51 * settings.step_hz
                    return bool(
                        abs(column[0] - settings.start_hz) < slack and abs(column[-1] - settings.stop_hz) < slack
                    )
        return True

    async def timing(self) -> None:
        """Sweep time against points and bandwidth: points x (settling + factor / bandwidth) + overhead, least
        squares."""
        import time  # noqa: PLC0415 - only here

        draft, rows, times = self._draft, [], []
        counts = sorted({draft.min_points, min(draft.max_points, 4 * draft.min_points), min(draft.max_points, 401)})
        template = draft.setters.get("bandwidth", "")
        bandwidths = draft.bandwidths_hz or [1000.0]
        chosen = sorted({bandwidths[len(bandwidths) // 2], bandwidths[-1]})
        for hz in chosen:
            if template:
                code = draft.bandwidth_codes[bandwidths.index(hz)] if draft.bandwidth_codes else ""
                parsed = Template.parse(template, SETTING_FIELDS)
                await self._talk.ask(parsed.fill({"bandwidth_hz": hz, "bandwidth_code": code}))
            for points in counts:
                settings = SweepSettings(120e6, 130e6, max(points, 2), 1000.0)
                if not await self.apply(settings):
                    continue
                began = time.monotonic()
                if await self._trial.sweep(self.acquisition, settings) is None:
                    continue
                rows.append([settings.points, settings.points / hz, 1.0])
                times.append(time.monotonic() - began)
        if len(rows) >= 2:
            from scipy.optimize import nnls  # noqa: PLC0415 - heavy imports stay out of start-up

            (settling, factor, overhead), _ = nnls(np.array(rows), np.array(times))
            draft.settling_s, draft.bandwidth_factor = float(settling), max(float(factor), 0.5)
            draft.overhead_s = float(overhead) + 0.02
            draft.evidence["timing"] = f"{len(rows)} sweeps of {counts[0]} to {counts[-1]} points were timed"


def _low_places(blocks: Sequence[Block], settings: SweepSettings) -> list[tuple[tuple[int, int, str], float, float]]:
    """Where neighbouring columns are smallest, taken as parts of a number and taken as decibels: (key, size, place)."""
    found = []
    for read, block in enumerate(blocks):
        names, _ = axis_columns(block, settings.start_hz, settings.stop_hz)
        free = [number for number, name in enumerate(names) if name == ""]
        for first, second in zip(free[::2], free[1::2], strict=False):
            sizes = np.hypot(block.columns[:, first], block.columns[:, second])
            for kind, column in (("parts", sizes), ("decibels", block.columns[:, first])):
                index = int(np.argmin(column))
                place = settings.start_hz + index * settings.step_hz
                found.append(((read, first, kind), float(column[index]), place))
    return found


def word_of(template: str) -> str:
    """The command's word without its fields."""
    return template.split(" ", maxsplit=1)[0] if template else ""


def _plain(text: str) -> float | None:
    try:
        return float(text)
    except ValueError:
        return None


def _hertz(choice: str, entry: Entry) -> float | None:
    """Hertz of a bandwidth choice: 100, 1k, 10kHz; a word only if the description says how much it is."""
    match = re.fullmatch(r"([0-9.]+)\s*([kK]|[kK]?[hH][zZ])?", choice)
    if match:
        unit = (match.group(2) or "").lower()
        scale = 1e3 if unit.startswith("k") else 1.0
        if not unit and entry.arguments and entry.arguments[0].unit_hz:
            scale = entry.arguments[0].unit_hz
        elif not unit and "khz" in words_of(entry.description):
            scale = 1e3
        return float(match.group(1)) * scale
    said = re.search(rf"{re.escape(choice)}\s*[=:(]?\s*([0-9.]+)\s*(k?hz|k)?", entry.description, re.IGNORECASE)
    if said:
        return float(said.group(1)) * (1e3 if (said.group(2) or "").lower().startswith("k") else 1.0)
    return None


def _expected(settings: SweepSettings) -> dict[str, float]:
    return {
        "start_hz": settings.start_hz,
        "stop_hz": settings.stop_hz,
        "centre_hz": (settings.start_hz + settings.stop_hz) / 2,
        "span_hz": settings.stop_hz - settings.start_hz,
        "points": settings.points,
    }


def _template_of(line: str, settings: SweepSettings) -> str | None:
    """A reply line with the numbers that are settings made fields; None when it holds none."""
    expected, out, at, found = _expected(settings), "", 0, 0
    for match in NUMBER.finditer(line):
        name = _named(float(match.group()), expected, line[match.end() : match.end() + 4])
        if name is None:
            continue
        out += line[at : match.start()] + f"{{{name}}}"
        at, found = match.end(), found + 1
    out += line[at:]
    if not found or "{" in line or "}" in line or not out.isascii():
        return None
    return out.strip()


def _named(value: float, expected: dict[str, float], behind: str) -> str | None:
    """The setting and unit that a number can only be."""
    for name, wanted in expected.items():
        if name == "points":
            if value == wanted:
                return "points"
            continue
        for unit, scale in (("hz", 1.0), ("khz", 1e3), ("mhz", 1e6), ("ghz", 1e9)):
            if abs(value * scale - wanted) <= 1e-9 * wanted:
                if (
                    behind.strip().lower()[:3] not in ("", unit[:3])
                    and behind.strip().lower()[:1] in ("k", "m", "g", "h")
                    and (behind.strip().lower()[:1] != unit[:1])
                ):
                    continue
                return f"{name.removesuffix('_hz')}_{unit}"
    return None


def _matches(values: dict[str, float | str], settings: SweepSettings) -> bool:
    expected = _expected(settings)
    return all(
        name not in expected
        or (isinstance(value, float) and abs(value - expected[name]) <= 1e-6 * expected[name] + 0.5)
        for name, value in values.items()
    )
