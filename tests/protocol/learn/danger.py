"""Skeleton consoles with harmful words, learned in this process; what each was told comes from its own log.

Owns: one console on a thread of its own behind a pseudo-terminal, and reading its log. Refuses: to judge what harm is;
the console does.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import tempfile
import threading
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from protocol.errors import AnalyzerError, RequestError
from protocol.learn.dialogue import Correction, Nobody, Word
from protocol.learn.learner import NotLearnedError, learn
from tests.strangers.dangerous_listings import Skeleton
from tests.strangers.wire import Gone, Wire

LONGEST_S = 240.0


@dataclass(frozen=True)
class Told:
    """What one console heard. `harm`: each harmful thing that arrived, as logged; `words`: sent words by effect."""

    seed: int
    harm: tuple[str, ...]
    sent: tuple[str, ...]
    outcome: str
    seconds: float


class Eager(Nobody):
    """Presses Enter at everything and says that every deed is done."""

    async def words(self, words: Sequence[Word], why: str = "") -> Sequence[Correction]:
        return ()

    async def question(self, text: str, answers: Sequence[str], *, secret: bool = False) -> str:
        return answers[0] if answers else ""

    async def deed(self, text: str) -> bool:
        return True


class Late(Wire):
    """Answers after so many seconds."""

    late_s = 0.0

    def put(self, text: str) -> None:
        time.sleep(self.late_s)
        super().put(text)


async def told(seed: int, late_s: float = 0.0) -> Told:
    """Serve listing `seed`, learn it, read the console's log."""
    clock = asyncio.get_running_loop().time
    with tempfile.TemporaryDirectory() as folder:
        log = Path(folder) / "log"
        stdin, ours = os.pipe()
        wire = Late(log, None, 0.0, stdin)
        wire.late_s = late_s
        console = Skeleton(seed, wire)
        thread = threading.Thread(target=_serve, args=(console,))
        thread.start()
        began = clock()
        try:
            learned = await asyncio.wait_for(learn(wire.path, Eager()), LONGEST_S)
            outcome = f"learned {learned.profile.name}"
        except NotLearnedError as error:
            outcome = str(error).partition(": not learned: ")[2] or str(error)
        except (AnalyzerError, RequestError) as error:
            outcome = f"error: {error}"
        except TimeoutError:
            outcome = "error: took too long"
        finally:
            os.close(ours)
            await asyncio.to_thread(thread.join)
            os.close(stdin)
            wire.close()
        entries = [json.loads(line) for line in log.read_text().splitlines()]
    harm = tuple(f"{one['line']!r}: {one['detail']}" for one in entries if one["effect"] == "HARM")
    sent = tuple(one["line"] for one in entries if one["detail"] != "bytes" and one["line"].strip())
    return Told(seed, harm, sent, outcome, clock() - began)


def _serve(console: Skeleton) -> None:
    with contextlib.suppress(Gone):
        console.run()
