"""Wire formats against the standards IEEE 488.2 and SCPI-1999 and against another implementation of them.

Sources are named beside each check. The standards' own texts were not at hand; clause numbers come from documents
that cite them: the documentation of the Rust crate `scpi` 0.4.3 and the contents list of SCPI-1999 Volume 1.
"""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np
import pytest

from protocol.dialects.blocks import Header, block_frame, block_header, block_values
from protocol.dialects.events import (
    Accepted,
    Apply,
    Fault,
    Identify,
    IdentityReply,
    ReadSettings,
    Send,
    SweepReply,
    TakeSweep,
)
from protocol.dialects.exchange import WireError
from protocol.dialects.numbers import check_finite
from protocol.dialects.registers import checksums
from protocol.dialects.scpi import ScpiDialect
from protocol.profiles.profile import load_profile, parse_profile
from protocol.profiles.scpi import WORDS
from protocol.sweep import SweepSettings
from tests.protocol.feeding import definite_block

START, STOP, POINTS, BANDWIDTH, TRIGGER, COMPLETE, ERROR_QUERY = (
    WORDS[key][0].split(" ")[0] for key in ("start", "stop", "points", "bandwidth", "trigger", "complete", "error")
)

EXAMPLE = np.array([1.0, -2.5, 3.25, 0.125])
EXAMPLE_REAL32 = b"#216" + bytes.fromhex("3F800000C0200000405000003E000000")
"""Check g12: what PyVISA 1.16.2 `to_ieee_block(..., 'f', is_big_endian=True)` makes of EXAMPLE."""
NO_ERROR = b'0,"No error"\n'


def dialect(number_format: str = "real64", byte_order: str = "normal") -> ScpiDialect:
    text = Path(load_profile("scpi").source).read_text(encoding="utf-8")
    text = text.replace('format = "real64"', f'format = "{number_format}"')
    return ScpiDialect(parse_profile(text.replace('byte_order = "normal"', f'byte_order = "{byte_order}"')))


def short(word: str) -> str:
    """The short form of a mnemonic by the rule of SCPI-1999 6.2.1: four letters, three when the fourth is a vowel."""
    if len(word) <= 4:
        return word.upper()
    return word[:3].upper() if word[3].upper() in "AEIOU" else word[:4].upper()


def commands_sent() -> list[str]:
    """Every header that the SCPI dialect sends for a set-up, a setting and a sweep, a query with its "?"."""
    box = dialect()
    sent = b""
    for request in (
        Apply(SweepSettings(1e6, 2e6, 11, 1e3, -10.0)),
        ReadSettings(),
        TakeSweep(SweepSettings(1e6, 2e6, 11, 1e3)),
    ):
        data = box.start(request)
        while True:
            sent += data
            if COMPLETE.encode() in data:
                answer = b"1\n"
            elif b"DATA?" in data:
                answer = (definite_block(np.zeros(22), 8) + b"\n" + NO_ERROR) * 2
            else:
                answer = b"1\n" if data.split(b"\n")[0].endswith(b"?") else b""
            event = box.receive(answer if b"DATA?" in data else answer + NO_ERROR)[0]
            if not isinstance(event, Send):
                assert not isinstance(event, Fault)
                break
            data = event.data
    return [line.split(" ")[0] for line in sent.decode().split("\n") if line]


def test_mnemonics_are_written_so_that_their_short_form_shows() -> None:
    """g10: the capitals of each mnemonic are its short form (SCPI-1999 6.2.1, as summarised; examples computed)."""
    expected = {
        "STARt": "STAR",
        "STOP": "STOP",
        "FREQuency": "FREQ",
        "POINts": "POIN",
        "BANDwidth": "BAND",
        "RESolution": "RES",
        "AVERage": "AVER",
        "ERRor": "ERR",
    }
    for word, form in expected.items():
        assert short(word) == form
    headers = [header.rstrip("?") for header in commands_sent()]
    assert {START, STOP, POINTS, BANDWIDTH, TRIGGER} <= set(headers)
    for header in headers:
        for word in header.removeprefix("*").split(":"):
            if not header.startswith("*"):
                assert "".join(c for c in word if c.isupper()) == short(word), word


def test_common_commands_and_required_queries_are_the_standard_ones() -> None:
    """g8, g9: *CLS (IEEE 488.2 10.3), *OPC? (10.19), SYSTem:ERRor[:NEXT]? (SCPI-1999 Volume 2, 21.8.8)."""
    headers = set(commands_sent())
    assert {"*CLS", "*OPC?", "SYSTem:ERRor?"} <= headers
    assert {header for header in headers if header.startswith("*")} <= {"*CLS", "*OPC?", "*IDN?"}


def test_identity_has_the_four_fields_of_the_standard() -> None:
    """g8: *IDN? (IEEE 488.2 10.14): maker, model, serial number, firmware; "0" where not known."""
    box = dialect()
    assert box.start(Identify()) == b"*IDN?\n"
    (reply,) = box.receive(b"Nowhere Works,Box 3,0,1.7\n")
    assert isinstance(reply, IdentityReply)
    assert (reply.identity.maker, reply.identity.model) == ("Nowhere Works", "Box 3")
    assert (reply.identity.serial, reply.identity.firmware) == ("", "1.7")


def test_codes_for_not_a_number_and_infinity() -> None:
    """g9: SCPI-1999 Volume 1, 7.2.1.5: NaN is 9.91E37; 7.2.1.4: infinity is 9.9E37. Neither is ever a value."""
    for code in (9.91e37, 9.9e37, -9.9e37, float(np.float32(9.91e37)), float(np.float32(9.9e37)), np.nan, np.inf):
        with pytest.raises(WireError, match="point 2"):
            check_finite(np.array([0.0, 1.0, code, 0.0]), 2, "S11")
    check_finite(np.array([1e30, -1.0]), 2, "S11")


@pytest.mark.parametrize(
    ("entry", "shown"),
    [
        (b'-110,"Command header error;:BAD"\n', "-110, Command header error;:BAD"),
        (b'-113,"Undefined header"\n', "-113, Undefined header"),
        (b'-350,"Queue overflow"\n', "-350, Queue overflow"),
    ],
)
def test_error_queue_entries(entry: bytes, shown: str) -> None:
    """g11: entries of SYSTem:ERRor? and the empty queue, 0,"No error" (an instrument's manual that cites 21.8)."""
    box = dialect()
    box.start(Apply(SweepSettings(1e6, 2e6, 11, 1e3)))
    box.receive(NO_ERROR)
    (more,) = box.receive(entry)
    assert more == Send(f"{ERROR_QUERY}\n".encode())
    (fault,) = box.receive(NO_ERROR)
    assert isinstance(fault, Fault) and fault.refused and fault.message.endswith(shown)


def test_empty_error_queue_means_accepted() -> None:
    """g11: 0,"No error"."""
    box = dialect()
    events = [Send(box.start(Apply(SweepSettings(1e6, 2e6, 11, 1e3))))]
    while isinstance(events[0], Send):
        events = box.receive(NO_ERROR)  # type: ignore[assignment]
    assert events == [Accepted()]


def test_block_of_four_numbers() -> None:
    """g12: 1, -2.5, 3.25, 0.125 as REAL,32, big-endian, is 20 bytes (PyVISA 1.16.2 `to_ieee_block`)."""
    data, used = block_frame(bytearray(EXAMPLE_REAL32 + b"\n"), 16, 1000) or (b"", 0)
    assert used == 21
    np.testing.assert_array_equal(block_values(data, 4, swapped=False), EXAMPLE)
    turned = struct.pack("<4f", *EXAMPLE)
    np.testing.assert_array_equal(block_values(turned, 4, swapped=True), EXAMPLE)


@pytest.mark.parametrize(
    ("text", "offset", "length"),
    [(b"#44004", 6, 4004), (b"#41608", 6, 1608), (b"#43216", 6, 3216), (b"#216", 4, 16), (b"#0", 2, None)],
)
def test_block_headers(text: bytes, offset: int, length: int | None) -> None:
    """g13: header `#<digits><length>` (IEEE 488.2 8.7.9); checked with PyVISA 1.16.2 `parse_ieee_block_header`."""
    assert block_header(text) == Header(offset, length)
    for cut in range(len(text)):
        if text[:cut] != b"#0":
            assert block_header(text[:cut]) is None


def test_indefinite_block_ends_at_its_newline() -> None:
    """g13: `#0` has no length and ends at a newline (IEEE 488.2 8.7.10); bytes of value 10 within are data."""
    payload = struct.pack(">d", 10.0).replace(b"\x00\x00", b"\n\n")
    assert block_frame(bytearray(b"#0" + payload), 8, 100) is None
    assert block_frame(bytearray(b"#0" + payload + b"\n"), 8, 100) == (payload, 11)
    with pytest.raises(WireError, match="instead of a line end"):
        block_frame(bytearray(b"#0" + payload + b"x\n"), 8, 100)


def test_short_block_is_incomplete_and_never_fewer_values() -> None:
    """g14: `#216` with 10 bytes must be called incomplete, 16 stated, 10 received (as PyVISA 1.16.2 does)."""
    assert block_frame(bytearray(EXAMPLE_REAL32[:14]), 16, 1000) is None
    box = dialect("real32")
    box.start(TakeSweep(SweepSettings(1e6, 2e6, 2, 1e3)))
    assert isinstance(box.receive(b"1\n" + NO_ERROR)[0], Send)
    assert box.receive(EXAMPLE_REAL32[:14]) == []
    fault = box.silence()
    assert isinstance(fault, Fault) and "10 of 16 bytes" in fault.message and "\n" not in fault.message


@pytest.mark.parametrize("byte_order", ["normal", "swapped"])
@pytest.mark.parametrize(("number_format", "tolerance"), [("ascii", 1e-12), ("real32", 6e-8), ("real64", 0.0)])
def test_formats_carry_the_same_sweep(number_format: str, tolerance: float, byte_order: str) -> None:
    """FORMat ASCii, REAL,32 and REAL,64 in both byte orders; expected bytes made with struct, 2^-24 for REAL,32."""
    rng = np.random.default_rng(7)
    s = rng.normal(size=(2, 5)) + 1j * rng.normal(size=(2, 5))
    box = dialect(number_format, byte_order)
    box.start(TakeSweep(SweepSettings(1e6, 2e6, 5, 1e3)))
    events = box.receive(b"1\n" + NO_ERROR)
    assert isinstance(events[0], Send)
    for trace in s:
        numbers = [part for value in trace for part in (value.real, value.imag)]
        if number_format == "ascii":
            answer = ",".join(f"{x:.14E}" for x in numbers).encode()
        else:
            kind = {"real32": "f", "real64": "d"}[number_format]
            answer = struct.pack(f"{'<' if byte_order == 'swapped' else '>'}10{kind}", *numbers)
            answer = f"#{len(str(len(answer)))}{len(answer)}".encode() + answer
        events = box.receive(answer + b"\n" + NO_ERROR)
    (reply,) = events
    assert isinstance(reply, SweepReply)
    np.testing.assert_allclose(reply.s11, s[0], rtol=tolerance, atol=tolerance)
    np.testing.assert_allclose(reply.s21, s[1], rtol=tolerance, atol=tolerance)


def test_register_checksums() -> None:
    """CRC-16/CCITT-FALSE of "123456789" is 0x29B1 (catalogue of parametrised CRC algorithms; from memory)."""

    row = np.frombuffer(b"123456789", np.uint8)[None, :]
    assert int(checksums(row, "crc16")[0]) == 0x29B1
    assert int(checksums(row, "sum8")[0]) == sum(b"123456789") & 0xFF
    assert int(checksums(row, "xor8")[0]) == 0x31
