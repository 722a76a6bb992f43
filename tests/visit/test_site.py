"""The site file: what is right is read, what is wrong is named with key and line."""

from __future__ import annotations

from pathlib import Path

import pytest

from protocol.errors import RequestError
from visit.site.hookup import HookUp, Side
from visit.site.site import Goals, load_site, parse_site

GOOD = """name = "Windmill Ridge"
low_hz = 450e6
high_hz = 455e6
transmit = "high"
cavities = 3
temperature_c = -5

[goals]
rejection_db = 85
"""


def test_a_good_file_is_read() -> None:
    site = parse_site(GOOD, Path("here.toml"))
    assert (site.name, site.low_hz, site.high_hz, site.transmit) == ("Windmill Ridge", 450e6, 455e6, Side.HIGH)
    assert site.goals == Goals(rejection_db=85.0)
    assert (site.cavities, site.temperature_c, site.kind) == (3, -5.0, "band-reject")
    assert site.pass_hz(Side.LOW) == site.reject_hz(Side.HIGH) == 450e6


@pytest.mark.parametrize("name", ["demo-450", "demo-150", "demo-154"])
def test_the_demo_sites_are_good(name: str) -> None:
    assert load_site(Path(f"fixtures/sites/{name}.toml")).low_hz > 0


@pytest.mark.parametrize(
    ("change", "expected"),
    [
        (("low_hz = 450e6", "low_hz = 460e6"), r"here.toml, line 2: low_hz must lie below high_hz.*exchanged"),
        (("low_hz = 450e6", 'low_hz = "450"'), r"here.toml, line 2: low_hz must be a number"),
        (("low_hz = 450e6", "low_hz = 450"), r"here.toml, line 2: low_hz must lie in 1e\+06"),
        (("low_hz = 450e6", "low_hz = nan"), r"line 2: low_hz must be a number"),
        (("low_hz = 450e6", "low_hz = true"), r"line 2: low_hz must be a number"),
        (("low_hz = 450e6\n", ""), r"here.toml: low_hz is missing"),
        (('transmit = "high"', 'transmit = "up"'), r'line 4: transmit must be "low" or "high"'),
        (("cavities = 3", "cavities = 2.5"), r"line 5: cavities must be a whole number"),
        (("cavities = 3", "cavitys = 3"), r"line 5: cavitys is not a key"),
        (("rejection_db = 85", "rejection_db = 900"), r"line 9: goals.rejection_db must lie in 1..150"),
        (("rejection_db = 85", "depth = 900"), r"line 9: goals.depth is not a key"),
        (("[goals]", "[goals"), r"here.toml: not readable as TOML: .*line 8"),
        (('name = "Windmill Ridge"', "name = 4"), r"line 1: name must be text"),
    ],
)
def test_a_fault_names_key_and_line(change: tuple[str, str], expected: str) -> None:
    with pytest.raises(RequestError, match=expected) as caught:
        parse_site(GOOD.replace(*change), Path("here.toml"))
    assert "\n" not in str(caught.value)


def test_files_that_are_no_site(tmp_path: Path) -> None:
    for name, content in (("binary", b"\xff\xfe\x00"), ("huge", b"#" * 200_000)):
        (tmp_path / name).write_bytes(content)
        with pytest.raises(RequestError, match="not a site file"):
            load_site(tmp_path / name)
    with pytest.raises(RequestError, match="No such file"):
        load_site(tmp_path / "absent")


def test_the_mark_before_a_text_of_some_editors_is_no_fault(tmp_path: Path) -> None:
    """A byte order mark: nobody sees it, so nobody could correct "line 1, column 1"."""
    path = tmp_path / "site.toml"
    path.write_bytes(b"\xef\xbb\xbf" + GOOD.replace("\n", "\r\n").encode())
    assert load_site(path).name == parse_site(GOOD, path).name


def test_hook_ups() -> None:
    hookup = HookUp.parse(" a > l ")
    assert (hookup.name, hookup.third_port, hookup.side) == ("A>L", "H", Side.LOW)
    assert HookUp("L", "H").side is None
    assert HookUp("H", "A").side is Side.HIGH
    for wrong in ("A", "A>A", "A>X", "A>L>H", ""):
        with pytest.raises(RequestError):
            HookUp.parse(wrong)


@pytest.mark.parametrize(
    ("change", "expected"),
    [
        (('transmit = "high"', "transmit = high"), r'line 4: text needs quotes, write transmit = "high"'),
        (('name = "Windmill Ridge"', "name = Windmill Ridge"), r'line 1: .*write name = "Windmill Ridge"'),
        (("low_hz = 450e6", "low_hz = 450.0"), r"low_hz must lie in .*: write low_hz = 450e6 for 450 MHz"),
        (("low_hz = 450e6", "low_hz = 450,5"), r"line 2: hertz and no unit, write low_hz = 450.5e6"),
        (("high_hz = 455e6", "high_hz = 455 MHz"), r"line 3: hertz and no unit, write high_hz = 455e6"),
    ],
)
def test_a_habit_of_the_hand_is_told_what_to_write(change: tuple[str, str], expected: str) -> None:
    with pytest.raises(RequestError, match=expected) as caught:
        parse_site(GOOD.replace(*change), Path("here.toml"))
    assert "\n" not in str(caught.value)
