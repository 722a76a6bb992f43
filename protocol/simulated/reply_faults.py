"""What can go wrong with a reply on its way: silence, bytes one at a time, garbage, half a reply, damage, chatter,
delay.

Owns: the faults in waiting and what they do to a reply. Refuses: a port. Faults strike replies with data in them.
"""

from __future__ import annotations

from collections import deque

import numpy as np

from protocol.simulated.replies import Action, Data, Dialect, Wait

NAMES = ("silence", "trickle", "garbage", "half", "garble", "count", "refuse", "chatter", "mishear", "slow")
CHATTER = b"note: fan speed changed\r\n"


class ReplyFaults:
    """Faults in the order they were asked for; each strikes once per count."""

    def __init__(self, seed: int) -> None:
        self._waiting: deque[tuple[str, float]] = deque()
        self._rng = np.random.default_rng(seed + 3)

    def ask(self, name: str, amount: str, dialect: Dialect) -> str:
        """Put a fault in waiting: how often, or for slow how many seconds. Raises ValueError for an unknown one."""
        if name not in NAMES:
            raise ValueError(f"no such fault {name!r}; there are {', '.join(NAMES)}")
        try:
            value = float(amount)
        except ValueError:
            raise ValueError(f"{amount!r} is not a number") from None
        if name == "count":
            dialect.wrong_count = int(value)
        elif name == "mishear":
            dialect.front.misheard = int(value)
        elif name == "refuse":
            dialect.refusals = int(value)
        else:
            self._waiting.extend([(name, value)] if name == "slow" else [(name, 1.0)] * int(value))
        return f"fault {name} waits"

    def strike(self, actions: list[Action]) -> list[Action]:
        """The same actions with waiting faults done to replies that carry data."""
        done: list[Action] = []
        for action in actions:
            if isinstance(action, Data) and self._waiting:
                done += self._spoil(action, *self._waiting.popleft())
            else:
                done.append(action)
        return done

    def _spoil(self, reply: Data, name: str, amount: float) -> list[Action]:
        middle = len(reply) // 2
        if name == "silence":
            return []
        if name == "trickle":
            return [bytes([byte]) for byte in reply]
        if name == "garbage":
            return [self._rng.integers(0, 256, len(reply), np.uint8).tobytes()]
        if name == "half":
            return [reply[:middle]]
        if name == "garble":
            return [reply[:middle] + b"\x07?x" + reply[middle + 3 :]]
        if name == "chatter":
            return [CHATTER + reply]
        return [Wait(amount), bytes(reply)]
