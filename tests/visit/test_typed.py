"""Frequencies as people type them, the fields of the site form, and the text that the one reader reads again."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from protocol.errors import RequestError
from visit.site.hookup import Side
from visit.site.site import KINDS, load_site, parse_site
from visit.site.typed import changes, check_fields, fields_of, mhz, typed_hz

SITE = {"name": "Heron Bank", "low": "450", "high": "455,5", "transmit": "h", "kind": KINDS[0], "cavities": "3"}
FULL = {**SITE, "rejection": "90", "loss": "2", "return_loss": "15"}


@pytest.mark.parametrize(
    ("typed", "hz"),
    [
        ("450", 450e6),
        ("450 MHz", 450e6),
        ("450mhz", 450e6),
        ("450.000", 450e6),
        ("450,5", 450.5e6),
        ("450,500", 450.5e6),
        ("150.6e6", 150.6e6),
        ("450500 kHz", 450.5e6),
        ("450000000", 450e6),
        ("450 000 000", 450e6),
        ("450,000,000", 450e6),
        ("450.000.000", 450e6),
        ("450.0125", 450.0125e6),
        ("1.2 GHz", 1.2e9),
        ("449999999 Hz", 449999999.0),
        (" 145,6125 M ", 145.6125e6),
    ],
)
def test_a_frequency_is_understood(typed: str, hz: float) -> None:
    assert typed_hz(typed) == hz


@pytest.mark.parametrize(
    ("typed", "expected"),
    [
        ("", "type a frequency"),
        ("fourfifty", "is no frequency"),
        ("450 MHzz", "is no frequency"),
        ("450500", "is that kHz"),
        ("4.5.0", "one decimal point"),
        ("0.1", "outside 1 MHz"),
        ("12 GHz", "outside 1 MHz"),
        ("1e99", "outside"),
        ("-450", "is no frequency"),
        ("nan", "is no frequency"),
        ("450\x1b[2J", "is no frequency"),
    ],
)
def test_what_is_no_frequency_or_two_is_asked(typed: str, expected: str) -> None:
    with pytest.raises(RequestError, match=expected) as caught:
        typed_hz(typed)
    assert "\x1b" not in str(caught.value)


@given(st.integers(10**6, 10**10))
def test_every_hertz_survives_writing_and_reading(hz: int) -> None:
    assert typed_hz(mhz(float(hz))) == hz


@given(st.text(max_size=40))
def test_whatever_is_typed_is_a_frequency_or_a_request(text: str) -> None:
    try:
        assert 1e6 <= typed_hz(text) <= 10e9
    except RequestError as error:
        assert "\n" not in str(error)


def test_fields_make_the_site_that_the_reader_reads() -> None:
    checked = check_fields(FULL)
    assert not checked.faults and checked.site is not None
    site = parse_site(checked.site.source, Path("again.toml"))
    assert site == checked.site
    assert (site.low_hz, site.high_hz, site.transmit, site.cavities) == (450e6, 455.5e6, Side.HIGH, 3)
    assert checked.remarks["high"] == "= 455.500 MHz" and checked.remarks["transmit"] == "= high"


@given(st.text(min_size=1, max_size=60))
def test_any_name_makes_a_file_that_reads(name: str) -> None:
    checked = check_fields({**FULL, "name": name})
    assert (checked.site is None) == (not name.strip())


@pytest.mark.parametrize(
    ("key", "typed", "expected"),
    [
        ("name", " ", "type the name"),
        ("high", "449", "exchanged"),
        ("transmit", "", "low or high"),
        ("transmit", "up", "low or high"),
        ("kind", "b", "one of band-reject"),
        ("cavities", "9", "1 to 8"),
        ("cavities", "x", "1 to 8"),
        ("rejection", "900", "1 to 150"),
        ("loss", "little", "a number of dB"),
        ("return_loss", "nan", "1 to 60"),
    ],
)
def test_a_fault_stands_at_its_field(key: str, typed: str, expected: str) -> None:
    checked = check_fields({**FULL, key: typed})
    assert checked.site is None
    assert list(checked.faults) == [key] and expected in checked.faults[key]


@pytest.mark.parametrize("name", ["demo-450", "demo-150", "demo-154"])
def test_editing_without_a_change_changes_nothing(name: str) -> None:
    site = load_site(Path(f"fixtures/sites/{name}.toml"))
    again = check_fields(fields_of(site), site).site
    assert again is not None and changes(site, again) == []
    assert (again.call_sign, again.temperature_c, again.notes) == (site.call_sign, site.temperature_c, site.notes)
    other = check_fields({**fields_of(site), "rejection": "80"}, site).site
    assert other is not None and changes(site, other) == ["goal: rejection, dB: 90 -> 80"]
