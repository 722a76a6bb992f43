"""The fault tree of a desense test with generator and isolation tee (study, step 10; repeater pages, common practice):
deaf on a load is duplexer, jumpers or radios; deaf only with the antenna is feeder, arrester, antenna, rust; deaf with
the transmitter off is the site."""

from __future__ import annotations

import pytest

from rf.repeater.desense_levels import ANTENNA_OFF, ANTENNA_ON, LOAD_OFF, LOAD_ON, findings, levels_of
from rf.values.figure import Figure, Kind, at_most, inferred


def levels(load_off: float, load_on: float, antenna_off: float, antenna_on: float) -> dict[str, float]:
    return {LOAD_OFF: load_off, LOAD_ON: load_on, ANTENNA_OFF: antenna_off, ANTENNA_ON: antenna_on}


def test_a_tee_drops_out_of_the_differences() -> None:
    """A generator through 40 dB: 12 dB SINAD at -78 dBm, 3 dB lost on a load, 5 with the antenna, 2 by the site."""
    shown = levels_of(levels(-78.0, -75.0, -76.0, -71.0))
    assert [shown.with_load.value, shown.with_antenna.value, shown.site.value, shown.beyond.value] == [3, 5, 2, 2]
    assert shown == levels_of(levels(-118.0, -115.0, -116.0, -111.0))
    assert shown.with_load.kind is Kind.READING and (shown.with_load.low, shown.with_load.high) == (2.0, 4.0)
    half = levels_of({LOAD_OFF: -118.0})
    assert not half.with_load.known and LOAD_ON in half.with_load.why and not half.beyond.known


@pytest.mark.parametrize(
    ("dbm", "explained", "told", "duplexer"),
    [
        ((-118, -118, -118, -118), None, ["in order"], False),
        ((-118, -115, -118, -115), None, ["measure the duplexer"], True),
        ((-118, -115, -118, -115), inferred(3.0, 1.0, 6.0, "dB"), ["adjust it"], True),
        ((-118, -110, -118, -110), at_most(0.8, "dB"), ["swap the jumpers"], False),
        ((-118, -113, -118, -113), inferred(11.0, 8.0, 20.0, "dB"), ["typed right"], True),
        ((-118, -118, -118, -118), inferred(11.0, 8.0, 20.0, "dB"), ["typed right"], True),
        ((-118, -118, -118, -112), None, ["in order", "arrester"], False),
        ((-118, -118, -112, -112), None, ["in order", "no screw"], False),
        ((-118, -113, -114, -105), at_most(1.0, "dB"), ["swap the jumpers", "arrester", "no screw"], False),
        ((-118, -122, -118, -118), None, ["take the levels again", "arrester"], False),
    ],
)
def test_the_fault_tree(dbm: tuple[float, ...], explained: Figure | None, told: list[str], duplexer: bool) -> None:
    found = findings(levels_of(levels(*dbm)), explained)
    assert len(found) == len(told)
    assert all(words in one.look for words, one in zip(told, found, strict=True))
    assert any(one.duplexer for one in found) is duplexer
