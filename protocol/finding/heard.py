"""Says what an unknown analyzer sent, where it was not understood: never that nothing came when something did.

Owns: the sentence. Refuses: to guess what the bytes mean beyond what can be seen of them.
"""

from __future__ import annotations

from collections.abc import Sequence

from protocol.dialects.exchange import plain, shown
from protocol.dialects.reply import LINE_END

STRANGE = 0.3
"""Share of bytes that are no text above which the speed of the port is suspected."""


def heard(said: Sequence[tuple[str, bytes]]) -> str:
    """One sentence on what came; "" when no byte did. `said` is each sending and what came for it."""
    answered = [(sent, came) for sent, came in said if came]
    if not answered:
        return ""
    whole = b"".join(came for _, came in answered)
    text = sum(0x20 <= byte <= 0x7E or byte in b"\r\n\t" for byte in whole)
    if text < (1 - STRANGE) * len(whole):
        return (
            f"{len(whole)} bytes came that are no text ({shown(whole[-24:])}): the port's speed or parity differs"
            " ([serial] baud in a profile), or it speaks in bytes"
        )
    own = [_lines(sent.encode("ascii", "replace")) for sent, _ in answered]
    if all(set(_lines(came)) <= set(sent) for (_, came), sent in zip(answered, own, strict=True)):
        return (
            "only what was sent comes back: an echo, with no analyzer behind it or one that knows none of these words"
        )
    for sent, came in sorted(answered, key=lambda one: "*IDN?" not in one[0]):  # the question that everybody knows
        lines = [line for line in _lines(came) if line not in _lines(sent.encode("ascii", "replace"))]
        if lines:
            asked = plain(sent.encode("ascii", "replace"), 40)
            how = f"{asked!r} was answered" if asked else "by itself or to an empty line it says"
            return f"{how} {shown(lines[0])}"
    return ""


def _lines(data: bytes) -> list[bytes]:
    return [line.strip() for line in LINE_END.split(data) if line.strip()]
