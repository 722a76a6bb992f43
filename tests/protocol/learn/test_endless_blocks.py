"""An endless stream that gives one trace after the other is cut behind the second, not between them."""

from __future__ import annotations

import pytest

from protocol.learn.sweeps.acquire import _once


@pytest.mark.parametrize("names", [("S11", "S21"), ("R", "T")])
def test_a_named_trace_is_no_repetition_of_another(names: tuple[str, str]) -> None:
    one = [f"{name} {at} {100 + at}.5 0.{at}1 -0.{at}2" for name in names for at in range(6)]
    assert _once([*one, "", *one, "", *one], 6)[:12] == one
    assert len([line for line in _once([*one, *one, *one], 6) if line]) == 12
