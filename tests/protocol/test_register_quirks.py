"""Register analyzers that acknowledge writes, have an opcode per width, or write some registers the other way round."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from protocol.analyzer import Analyzer
from protocol.dialects.events import Apply, Fault, Identify, Send
from protocol.dialects.registers import RegisterDialect
from protocol.errors import AnalyzerError, RequestError
from protocol.profiles.profile import Profile, load_profile, parse_profile
from protocol.simulated.bench import Bench
from protocol.sweep import SweepSettings

SHIPPED = Path(load_profile("registers").source).read_text(encoding="utf-8")
SETTINGS = SweepSettings(442.5e6, 462.5e6, 501, 1000.0)  # two fetches
ACKNOWLEDGED = ('checksum = "sum8"', 'checksum = "sum8"\nacknowledge = "06"')
PER_WIDTH = (
    ('write = "6B {address:2} {width} {value}"', "\n".join(
        f'write_{width} = "{0x70 + width:02X} {{address:2}} {{value}}"' for width in (1, 2, 8)
    )),
    ('read = "6D {address:2} {width}"', "\n".join(
        f'read_{width} = "{0x80 + width:02X} {{address:2}}"' for width in (1, 2, 4, 8)
    )),
)  # fmt: skip
MIXED = (
    ("address = 0x0200\nwidth = 8", 'address = 0x0200\nwidth = 8\nbyte_order = "little"'),
    ("address = 0x0101\nwidth = 4", 'address = 0x0101\nwidth = 4\nbyte_order = "little"'),
    ("max_records = 400", 'max_records = 400\nrecord_order = "little"'),
)
KINDS = {
    "acknowledged": (ACKNOWLEDGED,),
    "an opcode per width": PER_WIDTH,
    "mixed byte orders": MIXED,
    "all of it": (ACKNOWLEDGED, *PER_WIDTH, *MIXED),
}


def changed(*changes: tuple[str, str]) -> str:
    text = SHIPPED
    text = "\n".join(line.partition("  #")[0].rstrip() for line in text.splitlines())
    for before, after in changes:
        assert before in text, before
        text = text.replace(before, after)
    return text


async def measured(tmp_path: Path, served: str, spoken: Profile) -> np.ndarray:
    path = tmp_path / "box.toml"
    path.write_text(served, encoding="utf-8")
    async with await Bench.start(["--speed", "0", "--seed", "3", "--profile", str(path)]) as bench:
        analyzer = await Analyzer.open(bench.node, spoken)
        try:
            applied = await analyzer.apply(SETTINGS)
            assert {"start_hz", "stop_hz", "points", "bandwidth_hz"} <= applied.verified
            await analyzer.sweep()
            sweep = await analyzer.sweep()
        finally:
            await analyzer.close()
    return np.stack((sweep.s11, sweep.s21))


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory) -> np.ndarray:
    import asyncio

    return asyncio.run(measured(tmp_path_factory.mktemp("plain"), SHIPPED, load_profile("registers")))


@pytest.mark.parametrize("kind", KINDS)
async def test_it_measures_as_the_plain_one_does(kind: str, tmp_path: Path, plain: np.ndarray) -> None:
    text = changed(*KINDS[kind])
    profile = parse_profile(text)
    assert await measured(tmp_path, text, profile) == pytest.approx(plain, abs=1e-7)


async def test_a_profile_without_the_acknowledgement_fails_in_words(tmp_path: Path) -> None:
    def quick(profile: Profile) -> Profile:
        return replace(profile, timing=replace(profile.timing, reply_s=0.2, quiet_s=0.03, ready_s=0.1))

    with pytest.raises(AnalyzerError, match="identity register reads"):
        await measured(tmp_path, changed(ACKNOWLEDGED), quick(load_profile("registers")))
    with pytest.raises((AnalyzerError, RequestError), match=r"stopped after|instead of 06"):
        await measured(tmp_path, SHIPPED, quick(parse_profile(changed(ACKNOWLEDGED))))


def test_a_refused_write_is_told_by_its_place() -> None:
    """The third write is answered 15; all has come, so the wire stays in step."""
    profile = parse_profile(changed(ACKNOWLEDGED))
    dialect = RegisterDialect(profile)
    dialect.start(Identify())
    dialect.receive(bytes.fromhex("494E5641"))
    dialect.receive(b"\x01\x02")
    sent = dialect.start(Apply(SweepSettings(442.5e6, 462.5e6, 101, 1000.0)))
    assert sent.count(b"\x6b\x02") == 4
    (fault,) = dialect.receive(bytes.fromhex("06 06 15 06 494E5641"))
    assert isinstance(fault, Fault) and fault.refused and not isinstance(fault, Send)
    assert "write 3 of 4 of the settings was answered 15 instead of 06" in fault.message


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        (((PER_WIDTH[0][0], 'write_1 = "71 {address:2} {value}"'),), "registers.write_8: is missing"),
        (((PER_WIDTH[1][0], 'read_2 = "71 {value}"'),), "registers.read_2: needs"),
        ((ACKNOWLEDGED, ('acknowledge = "06"', 'acknowledge = "6"')), "registers.acknowledge: '6' is not bytes"),
        ((MIXED[0], ('byte_order = "little"', 'byte_order = "odd"')), "registers.map.start_hz.byte_order: must be"),
    ],
)
def test_wrong_keys_are_named(changes: tuple[tuple[str, str], ...], words: str) -> None:
    with pytest.raises(RequestError, match=words):
        parse_profile(changed(*changes))
