"""How one console's settings are found, written and sent.

Owns: the trials of settings and two settings to sweep with. Refuses: sweeps (`session`).
"""

from __future__ import annotations

from protocol.learn.commands import WORDS_OF_ROLES, write_commands
from protocol.learn.dialogue import Dialogue, Role
from protocol.learn.found import MissingError
from protocol.learn.listening import Listening
from protocol.learn.sweeps.acquire import Acquire, Acquisition
from protocol.learn.sweeps.axis import Place
from protocol.learn.sweeps.columns import Kind
from protocol.learn.sweeps.setters import Setters
from protocol.learn.sweeps.shapes import Shape
from protocol.learn.sweeps.trials import Trials
from protocol.learn.sweeps.windows import FIELDS
from protocol.learn.words.talk import Talk
from protocol.profiles.templates import SETTING_FIELDS, Template, setting_values
from protocol.sweep import SweepSettings

FEWEST_TRIED = 11
"""Fewer points than this tell too little of a trace."""


class Setting(Listening):
    """A conversation in which settings are known."""

    def __init__(self, talk: Talk, dialogue: Dialogue) -> None:
        super().__init__(talk, dialogue)
        self._trials: Trials | None = None
        self._odd: tuple[Acquire, Acquisition, SweepSettings, list[list[Shape]]] | None = None
        """Data that look like no open lead, and how they came."""
        self._doubt: tuple[Acquire, list[Kind], SweepSettings, list[list[Shape]]] | None = None
        """Kinds that a sweep leaves open, differing in the scale of their angles."""
        self._through: Place | None = None
        """Where S21 stands, when joining the leads told it."""

    def anew(self) -> None:
        """Forget how settings and sweeps go, for the words are others now."""
        found = self.found
        found.commands.clear()
        found.readback.clear()
        found.acquisition, found.meaning, found.axis, found.listed = None, None, "unconfirmed", ""
        self._trials = None

    async def settings(self) -> None:
        """How frequencies and points are set and read back."""
        setters = Setters(self.talk, self.words, self.opening.printed)
        for word in setters.of(*Role):
            if word.role in WORDS_OF_ROLES or word.role in (Role.RANGE, Role.SETTINGS, Role.BANDWIDTH, Role.AVERAGE):
                setters.permit(word)
        trials = self._trials = Trials(setters)
        if not await trials.run():
            known = ", ".join(word.name for word in self.words if word.role in FIELDS or word.role is Role.RANGE)
            raise MissingError(
                f"no way was found to set frequencies (tried: {known})" if known else "no word sets frequencies"
            )
        self._commands(trials)

    def _commands(self, trials: Trials) -> None:
        write_commands(self.found, trials)

    async def apply(self, settings: SweepSettings) -> None:
        """Send the settings as the profile will."""
        values = setting_values(settings, resolution_hz=self.found.resolution_hz)
        small = values | {"span_hz": 1e5}
        commands = self.found.commands
        order = [("width", small)] if {"centre", "width"} <= commands.keys() else []
        names = ("span", "centre", "width", "start", "stop", "start", "points", "step")
        for name, filling in (*order, *((name, values) for name in names)):
            if name in commands:
                text = Template.parse(commands[name], SETTING_FIELDS).fill(filling)
                for number, line in enumerate(text.split("\n")):
                    await self.talk.say(line, value=number > 0)

    def _by_reading(self) -> bool:
        """Whether what is read back tells both ends."""
        return any(pair <= self._read() for pair in ({"start", "stop"}, {"centre", "width"}, {"start", "step"}))

    def _read(self) -> set[str]:
        lines = " ".join(line for lines in self.found.readback.values() for line in lines)
        return {name for role, name in WORDS_OF_ROLES.items() if role in FIELDS and f"{{{FIELDS[role]}_" in lines}

    def _counted(self) -> bool:
        """Whether a word sets the number of points."""
        return "points" in self.found.commands or "{points}" in self.found.commands.get("span", "")

    def trial_settings(self) -> tuple[SweepSettings, SweepSettings]:
        """Two settings within what is known to be taken, all numbers different."""
        trials = self._trials
        assert trials is not None
        low, high = trials.low_hz, trials.high_hz
        width = min(high - low, 300e6)
        counts = [count for count in trials.points if count >= FEWEST_TRIED] or trials.points or [51, 101]
        if not self._counted() and self.found.acquisition is not None:
            counts = [self.found.acquisition.parts[0].shapes[0].points]
        grain = 1e5 if width > 4e6 else 1e4

        def at(part: float) -> float:
            return round((low + part * width) / grain) * grain

        one = SweepSettings(at(0.3), at(0.5), counts[0], 1000.0)
        two = SweepSettings(at(0.15), at(0.75), counts[-1] if len(counts) > 1 else counts[0], 1000.0)
        return one, two
