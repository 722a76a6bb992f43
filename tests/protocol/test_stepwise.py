"""SCPI analyzers that are deaf after a command and tell no end of a sweep: a block of data is awaited whole."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from protocol.dialects.events import Event, Identify, Send, SweepReply, TakeSweep
from protocol.dialects.scpi_stepwise import StepwiseScpiDialect
from protocol.profiles.profile import load_profile
from protocol.profiles.templates import Template
from protocol.sweep import SweepSettings
from tests.protocol.feeding import definite_block

IDENTITY = b"Gentianhill,G2,1,1.0\n"
NONE = b'0,"No error"\n'


@pytest.mark.parametrize("piece", [1, 7, 4096])
def test_a_block_is_awaited_whole_by_an_analyzer_that_is_deaf_after_commands(piece: int) -> None:
    """The numbers hold line ends and the signs of a block; the pieces cut them anywhere."""
    shipped = load_profile("scpi")
    assert shipped.scpi is not None
    wait = Template.parse("*WAI", frozenset())
    scpi = replace(shipped.scpi, pause_s=0.1, complete=wait, setup=(), select=None)
    dialect = StepwiseScpiDialect(replace(shipped, scpi=scpi))
    numbers = np.frombuffer(b"\n#12\r\n#0" * 10, ">f8").astype(np.float64)
    assert np.isfinite(numbers).all()
    trace = definite_block(numbers, 8) + b"\r\n"
    events: list[Event] = [Send(dialect.start(Identify()))]
    dialect.receive(IDENTITY)
    events = [Send(dialect.start(TakeSweep(SweepSettings(1e6, 2e6, 5, 1000.0))))]
    while isinstance(event := events.pop(0), Send):
        reply = b""
        for line in event.data.split(b"\n"):
            reply += {b"*IDN?": IDENTITY, b"SYSTem:ERRor?": NONE, b"CALCulate:DATA? SDATA": trace}.get(line, b"")
        for at in range(0, len(reply), piece):
            events += dialect.receive(reply[at : at + piece])
    assert isinstance(event, SweepReply)
    assert np.array_equal(event.s11.view(np.float64), numbers) and np.array_equal(event.s21, event.s11)
