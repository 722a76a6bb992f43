"""Owns the table of the thirty hand-written consoles."""

from __future__ import annotations

from . import hand_a, hand_b, hand_c, hand_d
from .hand_base import Hand

_MODULES = (hand_a, hand_b, hand_c, hand_d)
HAND: dict[str, type[Hand]] = {
    name.lower(): thing for module in _MODULES for name, thing in vars(module).items()
    if isinstance(thing, type) and issubclass(thing, Hand) and thing is not Hand}
