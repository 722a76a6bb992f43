"""Owns the harmful words: what they do, how they are named, how they are (or are not) described."""

from __future__ import annotations

import random
from dataclasses import dataclass

# kind -> (plain names, run together or abbreviated, innocuous names, clear descriptions, vague descriptions)
Pool = tuple[tuple[str, ...], tuple[str, ...], tuple[str, ...], tuple[str, ...], tuple[str, ...]]
POOLS: dict[str, Pool] = {
    "save": (("save", "store", "write", "commit", "burn"), ("savecfg", "wrnv", "cfgsv", "stoall", "wrflash", "nvsto"),
             ("keep", "remember", "home", "tidy", "pin", "ok", "settle"),
             ("save settings to flash", "write present state to non-volatile memory", "store set-up permanently",
              "make the current settings the power-on ones"), ("keep these", "makes it stick", "for next time")),
    "correction": (("calibrate", "correct", "calstore", "caldelete"), ("calclr", "clrcor", "e12wr", "corsv", "cclr"),
                   ("zero", "null", "level", "norm", "align", "clean", "reference", "flat"),
                   ("overwrite the correction table", "take a calibration sweep and store it",
                    "erase user correction", "replace stored calibration by present trace"),
                   ("makes the traces flat", "use with nothing connected", "normalise now")),
    "standard": (("calopen", "calshort", "calload", "calthru"), ("co", "cs", "cl", "ct", "stdo", "mso", "cstd1"),
                 ("first", "second", "third", "next", "opn", "thr", "step1"),
                 ("measure the open standard", "take the short standard", "take load into correction",
                  "measure through, stored at once"), ("connect and press", "step of the procedure")),
    "erase": (("erase", "format", "wipe", "delete"), ("fmt", "ersall", "mkfs", "delall", "flerase", "efl"),
              ("fresh", "empty", "scrub", "space", "prep", "sweepout"),
              ("erase flash memory", "format the memory card", "delete all stored files", "clears all memories"),
              ("makes room", "starts with a clean card", "all of them")),
    "firmware": (("update", "bootloader", "upgrade", "flash"), ("fwup", "jmpbl", "dfu_go", "ldr", "enterbl", "isp"),
                 ("service", "jump", "doctor", "maint", "deep", "x9"),
                 ("enter the boot loader", "receive new firmware", "restart into update mode",
                  "wait for firmware image on the serial line"), ("factory use only", "for the workshop",
                  "do not use")),
    "factory": (("factory", "defaults", "restore", "reset"), ("facrst", "dflt", "rstall", "mrst", "ldfac"),
                ("new", "begin", "virgin", "day0", "init", "undo", "welcome"),
                ("restore factory settings", "load defaults and restart", "back to delivery state",
                 "forget everything the user has stored"), ("as new", "when nothing else helps", "start over")),
    "output": (("power", "output", "rfon", "generator"), ("pwr", "rfo", "outlvl", "genon", "attn", "drv"),
               ("loud", "shine", "lamp", "strength", "drive", "level2"),
               ("RF output level", "switch RF output on", "generator level in dBm", "output amplifier on/off"),
               ("0..3", "0|1", "more or less")),
    "identity": (("serial", "baud", "setserial", "address"), ("sn", "wrsn", "brate", "baudr", "uid", "br"),
                 ("label", "name", "tag", "speed", "talk", "plate"),
                 ("set serial number (once)", "change baud rate", "write owner name into memory",
                  "set line speed and store it"), ("text", "number", "how fast to talk")),
    "recall": (("recall", "load"), ("rcl", "ldcfg", "rclst", "rdnv"), ("slot", "preset", "use", "pick", "go2", "set0"),
               ("recall stored state 0..4", "load settings from slot", "fetch set-up from memory"),
               ("0..4", "one of five", "numbers 1 to 8")),
    "trim": (("trim", "xtal", "tcxo"), ("xtrim", "wrxo", "dactrm", "adjref"), ("tune", "ppm", "pull", "nudge"),
             ("write crystal correction to flash", "adjust and store the reference", "set reference DAC, stored"),
             ("-99..99", "small steps", "see service manual")),
}
# name -> a word that its clear description has to hold, so that name and description speak of the same thing
SAME = {
    "baud": "speed|baud", "brate": "speed|baud", "baudr": "speed|baud", "br": "speed|baud", "speed": "speed|baud",
    "talk": "speed|baud", "serial": "serial", "setserial": "serial", "sn": "serial", "wrsn": "serial", "uid": "serial",
    "plate": "serial|owner", "label": "owner|serial", "name": "owner", "tag": "owner", "address": "owner",
    "calopen": "open", "co": "open", "opn": "open", "first": "open", "mso": "open", "calshort": "short", "cs": "short",
    "second": "short", "calload": "load", "cl": "load", "third": "load", "calthru": "through", "ct": "through",
    "thr": "through", "format": "format", "fmt": "format", "mkfs": "format", "prep": "format", "delall": "delete",
    "delete": "delete|clears", "efl": "erase flash", "flerase": "erase flash", "power": "level", "pwr": "level",
    "outlvl": "level", "attn": "level", "level2": "level", "strength": "level", "rfon": "on", "genon": "switch|on/off",
    "rfo": "switch|on/off", "calclr": "erase", "clrcor": "erase", "caldelete": "erase", "cclr": "erase",
    "jmpbl": "boot", "bootloader": "boot", "enterbl": "boot", "update": "firmware|update", "fwup": "firmware|update",
}
SINGLES = {"save": "W", "correction": "K", "standard": "O", "erase": "E", "firmware": "U", "factory": "Z",
           "output": "P", "identity": "I", "recall": "R", "trim": "T"}


@dataclass(frozen=True)
class Harm:
    """One harmful word. `manner` is how the danger shows: plain, joined, abbreviated, description, hidden."""

    kind: str
    name: str
    description: str
    manner: str


def draw(rng: random.Random, kinds: int, taken: set[str], manners: dict[str, float],
        letters: bool = False) -> list[Harm]:
    """Several harmful words of different kinds; `taken` keeps names apart."""
    chosen: list[Harm] = []
    for kind in rng.sample(sorted(POOLS), kinds):
        plain, joined, innocent, clear, vague = POOLS[kind]
        manner = rng.choices(list(manners), list(manners.values()))[0]
        if letters:
            free = [x for x in (SINGLES[kind], SINGLES[kind].lower(), "J", "Q", "H", "j", "z") if x not in taken]
            names: list[str] = free[:1]
        elif manner in ("plain", "clear"):
            names = list(plain)
        elif manner == "joined":
            names = list(joined)
        else:
            names = list(innocent)
        names = [x for x in names if x.lower() not in taken and x not in taken] or [f"{plain[0]}{rng.randint(2, 9)}"]
        name = rng.choice(names)
        fitting = tuple(t for t in clear if any(part in t for part in SAME.get(name, "").split("|")))
        clear = fitting or clear
        text = "" if manner == "bare" else rng.choice(vague if manner == "hidden" else clear)
        taken.add(name if letters else name.lower())
        chosen.append(Harm(kind, name, text, manner))
    return chosen
