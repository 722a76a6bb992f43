"""The trade's words for what an analyzer does, and how well a console's command fits each of them.

Owns: the vocabulary and the score. Refuses: any instrument's own word list; only common words of the trade and of plain
English stand here.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from protocol.learn.talk import forbidden, words_of


def _set(text: str) -> frozenset[str]:
    return frozenset(text.split())


REFLECTION = _set("s11 reflection reflected refl reflect r11 returned rl gamma echo")
TRANSMISSION = _set("s21 transmission transmitted through thru trans tran t21 gain")

FUNCTIONS: dict[str, frozenset[str]] = {
    name: frozenset(text.split())
    for name, text in {
        "help": "help commands list words menu usage",
        "identify": "id idn ident identify identity who whoami version ver about model name device describe type hello"
        " info information identification revision",
        "span": "span sweep range band between window limits frequency frequencies freq scan stimulus",
        "start": "start from begin beginning fstart lo low lower lowest first f1 startfreq left",
        "stop": "stop to end ending fstop hi high upper highest last until f2 stopfreq right",
        "centre": "centre center mid middle cf",
        "width": "span width",
        "points": "points pts point n np num number count steps samples rows length npoints nop",
        "bandwidth": "bandwidth bw ifbw rbw if filter selectivity resolution res passband narrow wide rxbw bwidth",
        "level": "level power drive output pwr amplitude dbm strength excitation lvl",
        "average": "average averages avg averaging mean",
        "sweep": "sweep scan single measure measurement trigger trig run acquire acq go shot take once capture sample"
        " perform execute make do meas",
        "data": "data trace traces table value values read fetch dump result results get show s11 s21 reflection"
        " transmission reflected transmitted through thru print output send sparam sparameters complex measured curve",
        "frequencies": "frequencies freqs frequency freq axis grid xaxis stimulus list abscissa flist",
        "pause": "pause hold freeze halt suspend",
        "resume": "resume continue cont unfreeze free release unpause",
        "settings": "settings setting status state setup config configuration params parameters query present current"
        " conditions",
        "abort": "abort cancel break",
    }.items()
}

FUNCTIONS["data"] |= REFLECTION | TRANSMISSION

ARGUMENTS: dict[str, frozenset[str]] = {
    "start": _set("start from begin low lower f1 fstart first lo fmin min left fa startfreq f0 beg"),
    "stop": _set("stop to end high upper f2 fstop last hi fmax max until right fb stopfreq fin"),
    "centre": _set("centre center mid middle cf fc"),
    "span": _set("span width sp"),
    "points": _set("points pts point n np num number count steps samples rows k npoints length size nop"),
    "bandwidth": _set("bandwidth bw ifbw rbw filter res resolution rx selectivity"),
    "step": _set("step increment delta df inc spacing"),
    "level": _set("level power dbm pwr drive lvl"),
    "parameter": _set("s11 s21 parameter param trace port channel ch which quantity sparam index i"),
    "count": _set("count averages avg times"),
}

UNITS = {"hz": 1.0, "hertz": 1.0, "khz": 1e3, "kilohertz": 1e3, "mhz": 1e6, "megahertz": 1e6, "ghz": 1e9}


@dataclass(frozen=True)
class Argument:
    """One argument as a listing shows it: its text, and the choices where it lists them."""

    text: str
    choices: tuple[str, ...] = ()
    optional: bool = False
    suffix: str = ""
    """A unit that stands behind it in the listing; it may have to be sent too."""

    @property
    def role(self) -> str:
        """What it stands for, "" when its name says nothing."""
        if self.choices:
            return ""
        words = set(words_of(self.text))
        roles = [name for name, known in ARGUMENTS.items() if words & known]
        if "count" in roles and "points" in roles:
            roles.remove("count")
        if "step" in roles and "points" in roles and "steps" in words:
            roles.remove("step")
        if "points" in roles and len(roles) > 1 and words & {"points", "pts"}:
            return "points"
        return roles[0] if roles else ""

    @property
    def unit_hz(self) -> float | None:
        """Hertz per unit where the argument names one."""
        return next((UNITS[word] for word in words_of(f"{self.text} {self.suffix}") if word in UNITS), None)


@dataclass(frozen=True)
class Entry:
    """One command of a listing: its word, arguments and description."""

    word: str
    arguments: tuple[Argument, ...] = ()
    description: str = ""
    comma: bool = False
    """Its arguments are parted by commas."""
    shown: bool = True
    """False when the listing gives the bare word only, so that its arguments are not known."""

    @property
    def unsafe(self) -> str:
        """The word for which it may never be sent, or ""."""
        return forbidden(self.word) or next(
            (word for word in words_of(self.description) if word in _GRAVE and word not in words_of(self.word)), ""
        )

    @property
    def roles(self) -> tuple[str, ...]:
        """The roles of its arguments."""
        return tuple(argument.role for argument in self.arguments)

    @property
    def needed(self) -> tuple[Argument, ...]:
        """Arguments that must be given."""
        return tuple(argument for argument in self.arguments if not argument.optional)

    def score(self, function: str) -> float:
        """How well it fits a function: its own word counts most, then its description's first words."""
        known = FUNCTIONS[function]
        role = {"width": "span"}.get(function, function)
        named = 2.0 if len(self.arguments) == 1 and self.arguments[0].role == role else 0.0
        own = words_of(self.word)
        score = named + 3.0 * len(set(own) & known)
        # Run-together words: "setpoints", "ifbandwidth".
        if score == named:
            joined = "".join(own)
            score += 2.0 * any(len(word) > 3 and word in joined for word in known)
        description = words_of(self.description)
        for place, word in enumerate(description):
            if word in known:
                score += 1.0 if place < 4 else 0.5
        return score


_GRAVE = _set("reset reboot erase flash firmware bootloader factory format delete dfu eeprom shutdown")


def ranked(entries: Iterable[Entry], function: str, least: float = 1.0) -> list[Entry]:
    """Safe entries that fit a function, best first; equal ones in the listing's order."""
    scored = [(entry.score(function), -place, entry) for place, entry in enumerate(entries) if not entry.unsafe]
    fitting = [item for item in scored if item[0] >= least]
    return [entry for _, _, entry in sorted(fitting, key=lambda item: item[:2], reverse=True)]
