"""Text that must fit a width: long names are shortened in the middle, where the least is lost.

Owns: that one rule. Refuses: text that was not made harmless by the widget that shows it.
"""

from __future__ import annotations

from protocol.files.harmless import harmless


def shortened(text: str, width: int) -> str:
    """At most `width` letters; the beginning and the end stay."""
    plain = harmless(text)
    if len(plain) <= width:
        return plain
    head = (width - 2) // 2
    return f"{plain[:head]}..{plain[len(plain) - (width - 2 - head) :]}"
