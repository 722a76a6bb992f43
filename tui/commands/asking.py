"""Questions to the technician on a plain terminal, for commands without a screen.

Owns: one question, one line of answer. Refuses: to ask where nobody can answer.
"""

from __future__ import annotations

import asyncio
import sys
from collections.abc import Sequence

from protocol.files.harmless import harmless
from tui.commands.printing import show


async def at_the_terminal(question: str, answers: Sequence[str]) -> str:
    """Ask on stderr, read one line; "" for an empty line or an answer that was not offered."""
    offered = f" ({' / '.join(answers)}; Enter: I don't know)" if answers else " (Enter: I don't know)"
    show(f"? {harmless(question)}{harmless(offered)} ")
    line = str(await asyncio.to_thread(sys.stdin.readline)).strip()
    if not answers or line in answers:
        return line
    matching = [answer for answer in answers if line and answer.startswith(line.lower())]
    return matching[0] if len(matching) == 1 else ""


async def nobody(_: str, __: Sequence[str]) -> str:
    """Nobody is there."""
    return ""
