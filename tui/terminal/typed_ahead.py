"""Keys that come faster than what they ask for: each is handed on when the one before it has done all it does.

Owns: the order. Over a slow line keys arrive in bursts, and a field that a key opens has the focus only once the key
has gone through the widgets' queues to its action: what is typed behind it is for that field, not for the keys of the
page. Refuses: to know any screen.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Awaitable, Callable, Sequence
from typing import Any

from textual.app import App
from textual.dom import DOMNode
from textual.events import Key, Paste
from textual.message_pump import MessagePump
from textual.screen import Screen
from textual.timer import Timer

LOST_S = 0.5
"""After this the next key goes on whatever became of the one before: a widget may be taken away with its queue."""
ROUNDS = 2
"""A key climbs from its widget to the app, and so does what the widget says of it (a line was typed)."""

Typed = Key | Paste


class TypedAhead:
    """What was typed and is not handed on yet."""

    def __init__(self, app: App[Any], hand_on: Callable[[Typed], Awaitable[None]]) -> None:
        self._app, self._hand_on = app, hand_on
        self._waiting: deque[Typed] = deque()
        self._number = 0
        """Of the key that is being handed on; what is heard of an earlier one counts for nothing."""
        self._busy = False
        self._lost: Timer | None = None

    async def take(self, event: Typed) -> None:
        """Hand it on, now or when those before it are done."""
        self._waiting.append(event)
        if not self._busy:
            await self._next()

    async def _next(self) -> None:
        if not self._waiting:
            self._busy = False
            return
        self._busy, self._number = True, self._number + 1
        screen, target = self._app.screen, self._app.focused or self._app.screen
        path = [node for node in target.ancestors_with_self if isinstance(node, DOMNode)]
        number = self._number
        self._lost = self._app.set_timer(LOST_S, lambda: self._done(number))
        try:
            await self._hand_on(self._waiting.popleft())
        finally:
            self._climb(number, path * ROUNDS, screen)

    def _climb(self, number: int, path: Sequence[MessagePump], screen: Screen[Any]) -> None:
        """Through the queues that the key goes through, behind it."""
        if number != self._number:
            return
        for place, node in enumerate(path):
            if node.call_later(self._climb, number, path[place + 1 :], screen):
                return
        now = self._app.screen
        if now is not screen:  # it opened another one: its field has the focus when its queue is through
            self._climb(number, [now, self._app], now)
        else:
            self._done(number)

    def _done(self, number: int) -> None:
        if number != self._number or not self._busy:
            return
        if self._lost is not None:
            self._lost.stop()
            self._lost = None
        self._number += 1
        if self._waiting:
            self._app.call_later(self._next)
        else:
            self._busy = False
