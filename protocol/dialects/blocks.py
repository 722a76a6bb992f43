"""Binary data as SCPI instruments send them: arbitrary blocks of IEEE 488.2 (definite 8.7.9, indefinite 8.7.10).

Owns: the block header, the frame of a block within a stream, numbers from and to blocks. Refuses: to return fewer
values than were announced.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from protocol.dialects.exchange import WireError, shown


@dataclass(frozen=True, slots=True)
class Header:
    """`offset` is where the data begin; `length` their number of bytes, None for an indefinite block."""

    offset: int
    length: int | None


def block_header(buffer: bytes | bytearray) -> Header | None:
    """Read `#<digits><length>`, or `#0`; None while more must come. Raises WireError when it is none."""
    if not buffer:
        return None
    if buffer[0] != ord("#"):
        raise WireError(f"a data block was expected, got {shown(bytes(buffer[:80]))}")
    if len(buffer) < 2:
        return None
    if not chr(buffer[1]).isdigit():
        raise WireError(f"the header of the data block is damaged: {shown(bytes(buffer[:12]))}")
    digits = buffer[1] - ord("0")
    if digits == 0:
        return Header(2, None)
    number = bytes(buffer[2 : 2 + digits])
    if number and not number.isdigit():
        raise WireError(f"the header of the data block is damaged: {shown(bytes(buffer[:12]))}")
    if len(number) < digits:
        return None
    return Header(2 + digits, int(number))


def block_frame(buffer: bytearray, expected: int, limit: int) -> tuple[bytes, int] | None:
    """The data of one block that is followed by a line end, and the bytes used up; None while more must come.

    An indefinite block has no length and over a serial line no end message: it holds `expected` bytes, and the
    line end must stand behind them. Raises WireError for a damaged header, a length above `limit` or a missing
    line end.
    """
    header = block_header(buffer)
    if header is None:
        return None
    length = expected if header.length is None else header.length
    if length > limit:
        raise WireError(f"a block of {length} bytes is announced, but {limit} are the most that can be right")
    end = header.offset + length
    tail = bytes(buffer[end : end + 2])
    if not tail or tail == b"\r":
        return None
    if tail[:1] != b"\n" and tail != b"\r\n":
        raise WireError(
            f"the data block is short or damaged: {length} bytes are announced and behind them stands {shown(tail)} "
            "instead of a line end; sweep thrown away"
        )
    return bytes(buffer[header.offset : end]), end + (1 if tail[:1] == b"\n" else 2)


def block_values(data: bytes, size: int, *, swapped: bool) -> NDArray[np.float64]:
    """IEEE 754 numbers of `size` bytes (4 or 8) as doubles, shape (values,).

    `swapped` False: most significant byte first (FORMat:BORDer NORMal).
    """
    if len(data) % size:
        raise WireError(f"a block of {len(data)} bytes does not hold whole numbers of {size} bytes")
    return np.frombuffer(data, dtype=f"{'<' if swapped else '>'}f{size}").astype(np.float64)
