"""What became of each word that a technician typed or named: proved by trials, taken as typed, or of no use.

Start, stop, centre, span, step and points are proved by two sweeps: the count and an open lead's phase follow them.
Owns: the sentences about words that nothing showed. Refuses: to put a word into a profile or to take one out.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from protocol.learn.dialogue import Role, Word
from protocol.learn.found import Found


def unproved(words: Sequence[Word], found: Found) -> list[str]:
    """A sentence for each word of the technician's that no trial proved."""
    sentences = []
    lines = list(_lines(found))
    for word in words:
        if word.told is None or word.role in (Role.NEVER, Role.UNKNOWN):
            continue
        if not any(word.name in line for line in lines):
            sentences.append(
                f"whether {word.name!r} {word.role.value}, as the technician says: no trial needed it or showed it,"
                " so it is not used"
            )
        elif word.role is Role.BANDWIDTH and not _read_back(found, "bandwidth"):
            sentences.append(
                f"whether {word.name!r} {word.role.value}, as the technician says: it was not refused,"
                " but nothing shows what it set"
            )
    return sentences


def _lines(found: Found) -> Iterator[str]:
    """Everything that the profile sends."""
    yield from (found.identify, found.help, found.bounds.bandwidth, *found.commands.values(), *found.readback)
    acquisition = found.acquisition
    if acquisition is not None:
        yield from (acquisition.sweep, acquisition.poll, *(part.command for part in acquisition.parts))
        if acquisition.axis is not None:
            yield acquisition.axis.command


def _read_back(found: Found, name: str) -> bool:
    return any("{" + name in line for lines in found.readback.values() for line in lines)
