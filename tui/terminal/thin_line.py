"""Pictures over a thin line: only what differs is written, and nothing before the terminal has shown the last picture.

Each picture ends with a question that a terminal answers when it has come so far (ECMA-48 DSR 6, cursor position).
Nothing else tells: between here and the glass stand the kernel, sshd, TCP and a modem, each with a buffer of its own
(TIOCOUTQ of a pty is always 0, measured). Pictures in between are not kept; the newest is shown. On a slow line the
interval grows to twice the time a picture takes, so that half of the line is free for what a key asks for.

Owns: when a picture goes out. Refuses: to know what is on it. `_display` is Textual's inside: pinned, and tested.
"""

from __future__ import annotations

import math
import time
from typing import ClassVar, TypeVar

from rich.color import ColorSystem
from rich.console import COLOR_SYSTEMS
from textual._compositor import ChopsUpdate, LayoutUpdate
from textual.app import App
from textual.binding import Binding
from textual.events import Event, Key, Paste, Resize
from textual.screen import Screen
from textual.timer import Timer

from tui.terminal.glass import Glass
from tui.terminal.thin_driver import ASK, ThinDriver
from tui.terminal.typed_ahead import TypedAhead
from tui.terminal.typed_bytes import BURST_PAUSE_S

T = TypeVar("T")

NO_ANSWER_S = 2.0
"""A terminal that has answered before and does not for so long is written to again, then after twice as long, ..."""
LONGEST_S = 60.0
LOOK_AGAIN_S = 0.1
LONGEST_REST_S = 3.0
SAY_AGAIN_S = 5.0
WHOLE_EVERY_S, QUICK_S = 60.0, 0.5
"""While pictures come anyway, and the line is quick, all of the screen is written now and then: what somebody else
wrote over it (a message to all terminals, a program in the background) hides a figure no longer than that."""
HURRY_S = 1.0
"""So long after a key no picture waits for the line to rest."""


class Pace:
    """When the next picture may go. Times are seconds of one clock that only goes forward."""

    def __init__(self) -> None:
        self._answers = False
        self._asked_s: float | None = None
        self._patience_s = NO_ANSWER_S
        self._rested_s = self._hurried_s = 0.0

    def wait_s(self, now_s: float) -> float:
        """How long the next picture has to wait as things stand; 0 when it may go."""
        if self._asked_s is not None and self._answers:
            return max(self._asked_s + self._patience_s - now_s, 0.0)
        return max(self._rested_s - now_s, 0.0) if now_s > self._hurried_s else 0.0

    def wrote(self, now_s: float) -> None:
        """A picture went out."""
        if self._asked_s is not None and self._answers:
            self._patience_s = min(2 * self._patience_s, LONGEST_S)
        self._asked_s = now_s

    def answered(self, now_s: float) -> float:
        """The terminal shows the picture; seconds that took, infinite when nothing was asked."""
        took_s = now_s - self._asked_s if self._asked_s is not None else math.inf
        if self._asked_s is not None and self._patience_s == NO_ANSWER_S:  # else: it stood still, now it moves again
            self._rested_s = now_s + min(now_s - self._asked_s, LONGEST_REST_S)
        self._answers, self._asked_s, self._patience_s = True, None, NO_ANSWER_S
        return took_s

    def hurry(self, now_s: float) -> None:
        """A key was pressed: what it asks for goes first."""
        self._hurried_s = now_s + HURRY_S


class ThinApp(App[T]):
    """An app whose screen is written with care."""

    BINDINGS: ClassVar = [Binding("ctrl+l", "draw_anew", show=False, priority=True)]

    def __init__(self) -> None:
        super().__init__(driver_class=ThinDriver)
        self._glass, self._pace = Glass(), Pace()
        self._ahead = TypedAhead(self, super().on_event)
        self._later: Timer | None = None
        self._said_s = self._passed_s = float("-inf")
        self._whole_s = time.monotonic()
        self._cursor_stands = (-1, -1)

    def action_draw_anew(self) -> None:
        """On every screen."""
        self.draw_anew()

    def draw_anew(self) -> None:
        """Nobody knows what stands on the terminal (it was resized, somebody else wrote on it): write all of it."""
        self._glass.forget()
        self._whole_s = time.monotonic()
        self.refresh(layout=True)

    async def on_event(self, event: Event) -> None:
        """Keys hurry, and each waits for what the one before it does."""
        now_s = time.monotonic()
        if isinstance(event, Key):
            self._pace.hurry(now_s)
        if isinstance(event, Paste) and not hasattr(self.focused, "_on_paste"):  # no field
            self._say_no_keys(now_s)
            self._passed_s = now_s
        elif isinstance(event, Key) and event.key == "enter" and now_s < self._passed_s + BURST_PAUSE_S:
            return  # of the line that was no command
        if isinstance(event, Key | Paste) and not event.is_forwarded:
            await self._ahead.take(event)
        else:
            await super().on_event(event)

    def _say_no_keys(self, now_s: float) -> None:
        """Once for all pieces of a paste."""
        if now_s > self._said_s + SAY_AGAIN_S:
            self._said_s = now_s
            self.notify("pasted text is no command here: nothing was done", markup=False)

    def on_cursor_position(self) -> None:
        """The answer."""
        now_s = time.monotonic()
        if self._pace.answered(now_s) < QUICK_S and now_s > self._whole_s + WHOLE_EVERY_S:
            self.draw_anew()
        if self._later is not None:
            self._write_later()

    def on_resize(self, event: Resize) -> None:
        """A terminal that changes its size moves its text about; also sent when the program was suspended."""
        self._glass.forget()
        if event.size == self.size:
            self.refresh(layout=True)  # for a new size Textual itself draws all

    def _display(self, screen: Screen[object], renderable: object) -> None:
        if not isinstance(self._driver, ThinDriver) or not isinstance(renderable, LayoutUpdate | ChopsUpdate):
            super()._display(screen, renderable)  # type: ignore[arg-type]
            return
        if self._batch_count or not self._running or self._closed:
            return
        colours = COLOR_SYSTEMS.get(self.console.color_system or "", ColorSystem.TRUECOLOR)
        if isinstance(renderable, LayoutUpdate):
            self._glass.whole(renderable.strips, renderable.region.width, colours)
        else:
            for y in {y for y, _, _ in renderable.spans}:
                for x, strip in renderable.chops[y].items():
                    if strip is not None:
                        self._glass.part(x, y, strip, colours)
        if self._later is None:
            self._write()

    def _write(self) -> None:
        """Write the difference now, or look again when it may go."""
        driver, now_s = self._driver, time.monotonic()
        if not isinstance(driver, ThinDriver):
            return
        wait_s = LOOK_AGAIN_S if driver.waiting else self._pace.wait_s(now_s)
        if wait_s > 0.0:
            self._later = self.set_timer(max(wait_s, LOOK_AGAIN_S), self._write_later)
            return
        picture, cursor = self._glass.difference(), self.screen.outer_size.clamp_offset(self.cursor_position)
        if not picture and cursor == self._cursor_stands:
            return
        self._cursor_stands = cursor
        picture += f"\x1b[{cursor.y + 1};{cursor.x + 1}H{ASK}"
        driver.write(f"\x1b[?2026h{picture}\x1b[?2026l" if self._sync_available else picture)
        self._pace.wrote(now_s)

    def _write_later(self) -> None:
        if self._later is not None:
            self._later.stop()
            self._later = None
        self._write()
