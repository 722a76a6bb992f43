"""What fitted last time is found again under another number, is private, and a damaged file is only a line."""

from __future__ import annotations

import dataclasses
import os
import pty
from collections.abc import Iterator
from pathlib import Path

import pytest

from visit.site.remembered import SAME_DAY_S, Memory, Remembered


@pytest.fixture
def nodes() -> Iterator[tuple[str, str]]:
    """Two device nodes: the same analyzer before and after it was unplugged."""
    pairs = [pty.openpty() for _ in range(2)]
    yield os.ttyname(pairs[0][1]), os.ttyname(pairs[1][1])
    for pair in pairs:
        for descriptor in pair:
            os.close(descriptor)


def test_it_is_found_again_by_its_lasting_name(tmp_path: Path, nodes: tuple[str, str]) -> None:
    by_id = tmp_path / "by-id"
    by_id.mkdir()
    (by_id / "usb-Invented_0001").symlink_to(nodes[0])
    memory = Memory(tmp_path / "state" / "last-time.json")
    memory.keep(Remembered(site="/a/site.toml").with_analyzer(nodes[0], "scpi", "bench", by_id))
    assert memory.path.stat().st_mode & 0o777 == 0o600
    again = Memory.load(memory.path)
    assert again.fault == "" and again.known == memory.known and again.known.site == "/a/site.toml"
    found = again.known.at(nodes[0])
    assert found is not None and found.profile == "scpi"

    (by_id / "usb-Invented_0001").unlink()
    assert again.known.at(nodes[0]) is None  # a pseudo-terminal's bare number may be anybody's
    (by_id / "usb-Invented_0001").symlink_to(nodes[1])
    moved = again.known.at(nodes[1])
    assert moved is not None and moved.now == str(by_id / "usb-Invented_0001")
    assert again.known.at(nodes[0]) is None
    assert len(again.known.with_analyzer(nodes[1], "other", "bench", by_id).fitted) == 1


def test_hardware_tells_only_while_it_is_alone(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    known = (0x1234, 0x5678, "")
    plugged = {"/dev/ttyACM0": known}
    for where in ("protocol.wire.find_again", "protocol.wire.ports"):
        monkeypatch.setattr(f"{where}.hardware_ports", lambda: plugged)
    remembered = Remembered().with_analyzer("/dev/ttyACM0", "scpi", "bench", tmp_path)
    plugged = {"/dev/ttyACM3": known}
    at = remembered.at("/dev/ttyACM3")
    assert at is not None and at.now == "/dev/ttyACM3"
    plugged = {"/dev/ttyACM3": known, "/dev/ttyACM4": known}
    assert remembered.at("/dev/ttyACM3") is None


@pytest.mark.parametrize(
    "text",
    [
        "",
        "{",
        "[]",
        '{"schema": 9}',
        '{"schema": 1}',
        '{"schema": 1, "at_s": "x", "fitted": [], "site": "", "visit": ""}',
        '{"schema": 1, "at_s": 1, "fitted": [{"port": 3}], "site": "", "visit": ""}',
        '{"schema": 1, "at_s": 1, "fitted": {"a": 1}, "site": "", "visit": ""}',
        '{"schema": 1, "at_s": 1, "fitted": [], "site": "a\\u0000b", "visit": ""}',
        "[" * 5000,
    ],
)
def test_a_damaged_file_is_a_line_and_no_more(tmp_path: Path, text: str) -> None:
    path = tmp_path / "last-time.json"
    path.write_text(text)
    memory = Memory.load(path)
    assert memory.known == Remembered() and "damaged" in memory.fault and "\n" not in memory.fault
    memory.keep(Remembered(site="s"))
    assert Memory.load(path).known.site == "s"


def test_a_visit_of_another_day_is_not_gone_on_with() -> None:
    known = dataclasses.replace(Remembered(visit="v"), at_s=1000.0)
    assert known.same_day(1000.0 + SAME_DAY_S - 1)
    assert not known.same_day(1000.0 + SAME_DAY_S) and not known.same_day(0.0)


def test_a_file_of_another_version_is_kept_aside(tmp_path: Path) -> None:
    path = tmp_path / "last-time.json"
    path.write_text('{"schema": 99}')
    memory = Memory.load(path)
    assert "another version" in memory.fault
    memory.keep(memory.known)
    assert path.with_suffix(".old").read_text() == '{"schema": 99}' and Memory.load(path).fault == ""
