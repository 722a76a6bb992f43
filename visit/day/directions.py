"""Which way a screw is turned, in whoever's words: clockwise, in, up, to me.

Owns: opposites and other spellings. Refuses: to say which of them raises a notch.
"""

from __future__ import annotations

OPPOSITES = {
    "clockwise": "anticlockwise", "in": "out", "right": "left", "up": "down", "deeper": "shallower",
}  # fmt: skip
ALIASES = {"cw": "clockwise", "ccw": "anticlockwise", "counterclockwise": "anticlockwise",
           "counter-clockwise": "anticlockwise", "anti-clockwise": "anticlockwise"}  # fmt: skip


def way(direction: str) -> tuple[str, int]:
    """A direction as typed: the word that counts as forward, and +1 or -1 for it."""
    word = ALIASES.get(direction.strip().lower(), direction.strip().lower())
    back = {opposite: forward for forward, opposite in OPPOSITES.items()}
    return (back[word], -1) if word in back else (word, 1)


def spoken(forward: str, sign: int) -> str:
    """The word for going forward or back."""
    if sign >= 0:
        return forward
    return OPPOSITES.get(forward, f"against {forward}" if forward else "the other way")
