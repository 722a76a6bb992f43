"""One poisoned text through every way out of the program, looking at the bytes that come."""

from __future__ import annotations

import csv
import html.parser
import io
import json
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from protocol.files.harmless import LONGEST, harmless, harmless_data
from protocol.files.strict_toml import Table
from protocol.files.touchstone import read_touchstone
from protocol.learn.writer import Page, wrapped
from protocol.simulated.bench import Bench, start_bench
from tests.hostile.visits import SITE, changed
from tests.tui.terminal import terminal
from tests.visit.test_recorded import write_s2p
from tui.cli import main
from tui.commands.exit_status import ExitStatus
from visit.report.exports import FORMULA, plain_cell

EVIL = (
    "=1+1 \x1b[38;5;199m\x1b]0;owned\x07\x9b7m\u202eevil\u2066\n@FORGED pass\r-FORGED\t+x\x7f\u2028FORGED"
    " [blink]x[/blink] [link=http://192.0.2.1]y[/link] [@click=app.exit]z[/] <script>alert(1)</script>"
    ' <img src="x" onerror="y"> "\' & \u200b\x1b\\'
)
"""A formula, colours, a title, 8-bit controls, turned directions, line ends of all kinds, markup of screens, pages."""
NAME = "=\x1b[38;5;199m\u202e [b]x <script>\n@FORGED"
RUN = "run001-A-L"


def quoted(text: str) -> str:
    """As a TOML string; JSON's escapes are TOML's, but for the one letter JSON leaves bare."""
    return json.dumps(text).replace("\x7f", "\\u007f")


def evil_site(folder: Path) -> Path:
    text = SITE.read_text().replace('"Windmill Ridge"', quoted(EVIL)).replace('"ZZ0DEMO"', quoted(EVIL))
    path = folder / "site.toml"
    path.write_text(text.replace('"Invented site. Three notch cavities a side."', quoted(EVIL)))
    return path


@pytest.fixture
def evil(tmp_path: Path) -> Path:
    """A visit whose every free text is poisoned, its file name too."""
    toml = evil_site(tmp_path).read_text()
    kit = f"schema = 1\nname = {quoted(EVIL)}\n"
    texts = (
        "analyzer set identity", "analyzer set profile_name", "analyzer set port", "run set changes", "run set outcome",
        "remark set words", "remark set kind", "step set words", "entry set words", "entry set name", "entry set unit",
        "nudge set screw", "nudge set direction", "known_part set says", "known_part set part", "card set identity",
        "keeper set port", "keeper set mark", "site set path",
    )  # fmt: skip
    return changed(
        tmp_path / f"{NAME}.visit",
        *((f"update {text} = ?", (EVIL,)) for text in texts),
        ("update site set toml = ?", (toml,)),
        ("update calibration set kit = ?", (kit,)),
        "update known_part set good = 0",
    )


def check_plain(text: str, *, tabs: bool = False) -> None:
    """What may go to a terminal: printable letters and line ends, and no line that an untrusted text began."""
    for letter in text:
        assert letter.isprintable() or letter == "\n" or (tabs and letter == "\t"), f"{letter!r} came out"
    for line in text.split("\n"):
        assert not line.lstrip("@-").startswith("FORGED"), f"a forged line: {line}"


def test_reports_on_a_terminal(evil: Path, capfd: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    for words in (["report"], ["together"], ["trend"], ["watch"], ["freeze"]):
        last = ["left"] if words == ["freeze"] else []
        main([*words, str(evil), *last])
        out, err = capfd.readouterr()
        assert out or err
        check_plain(out, tabs=words == ["freeze"])
        check_plain(err)
    (tmp_path / "in").mkdir()
    evil.rename(tmp_path / "in" / evil.name)
    assert main(["archive", str(tmp_path / "in"), "--build", "--ask", "select * from visits"]) == 0
    out, err = capfd.readouterr()
    assert "script" in out
    check_plain(out, tabs=True)
    check_plain(err)


def test_faults_on_a_terminal(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """Names of files, keys of TOML, refused words: one line each on stderr, documented status, nothing on stdout."""
    bad = tmp_path / f"{NAME}.toml"
    bad.write_text(f'name = "x"\n{quoted(EVIL)} = 1\n')
    binary = tmp_path / (NAME + "2.toml")
    binary.write_bytes(b"\xff\x1b[31m")
    ask = ["archive", str(tmp_path), "--ask"]
    for words in (
        ["report", str(tmp_path / f"{NAME}.visit")],
        ["read", str(tmp_path / f"{NAME}.s2p"), "--site", str(bad)],
        ["read", str(tmp_path / f"{NAME}.s2p"), "--site", str(SITE)],
        ["read", str(tmp_path / f"{NAME}.s2p"), "--site", str(binary)],
        ["check", "--port", f"/dev/{NAME}", "--site", str(SITE), "--visit", str(tmp_path / "a.visit")],
        ["check", "--port", "x", "--site", str(SITE), "--hookup", EVIL, "--visit", str(tmp_path / "b.visit")],
        ["check", "--port", "x", "--site", str(SITE), "--profile", f"/{EVIL}"],
        [*ask, EVIL],
        ["archive", str(tmp_path / NAME), "--build"],
    ):
        assert main(words) in (ExitStatus.USAGE, ExitStatus.FAULT)
        out, err = capfd.readouterr()
        assert out == ""
        assert err.startswith("deepnotch: ")
        assert err.count("\n") == 1
        check_plain(err)
    for words in (["report", "a.visit", f"--{EVIL}"], ["freeze", "a.visit", EVIL]):
        with pytest.raises(SystemExit) as left:
            main(words)
        assert left.value.code == ExitStatus.USAGE
        check_plain(capfd.readouterr().err.replace("\n                 ", " "))


def test_names_that_no_alphabet_has(tmp_path: Path) -> None:
    """A file name that is no UTF-8, an ASCII terminal: a line, no traceback."""
    name = os.fsencode(tmp_path) + b"/\xff\xfe\x1b.visit"
    environment = {**os.environ, "PYTHONIOENCODING": "ascii:strict", "PYTHONUTF8": "0", "LC_ALL": "C"}
    done = subprocess.run(
        [sys.executable, "-m", "tui.cli", "report", name], capture_output=True, env=environment, check=False
    )
    assert done.returncode == ExitStatus.USAGE
    assert done.stderr.startswith(b"deepnotch: ") and b"\x1b" not in done.stderr and done.stderr.isascii()
    path = changed(tmp_path / "a.visit", ("update analyzer set identity = ?", ("Ωhm ☃ \x1b",)))
    done = subprocess.run(
        [sys.executable, "-m", "tui.cli", "report", str(path)], capture_output=True, env=environment, check=False
    )
    assert done.returncode == 0 and b"?hm ?" in done.stdout and done.stdout.isascii() and done.stderr == b""


@pytest.fixture
def bench() -> Iterator[Bench]:
    with start_bench(["--speed", "0", "--seed", "4"]) as bench:
        yield bench


def test_a_measurement_for_an_untrusted_site(bench: Bench, tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    site = evil_site(tmp_path)
    words = ["check", "--port", bench.node, "--site", str(site), "--sweeps", "3", "--visit", str(tmp_path / "a.visit")]
    assert main(words) != ExitStatus.USAGE
    out, err = capfd.readouterr()
    check_plain(out)
    check_plain(err)
    write_s2p(tmp_path / "a.s2p")
    for more in ([], ["--json"]):
        main(["read", str(tmp_path / "a.s2p"), "--site", str(site), *more])
        out, err = capfd.readouterr()
        check_plain(out)
    check_json(out)


def check_json(text: str) -> None:
    assert text.isascii()
    check_plain(text)

    def look(data: object) -> None:
        if isinstance(data, str):
            check_plain(data.replace("\n", "\x00"))
        for inner in data.values() if isinstance(data, dict) else data if isinstance(data, list) else ():
            look(inner)

    look(json.loads(text))


class Page_(html.parser.HTMLParser):  # noqa: N801 - beside the learner's Page
    """Tags and attributes of a page."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: set[str] = set()
        self.attributes: set[str] = set()
        self.text = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        self.attributes |= {name for name, _ in attrs}

    def handle_data(self, data: str) -> None:
        self.text += data


def test_a_page_holds_no_untrusted_tag(evil: Path, tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    assert main(["report", str(evil), "--html", str(tmp_path / "a.html")]) == 0
    capfd.readouterr()
    text = (tmp_path / "a.html").read_text(encoding="utf-8")
    check_plain(text)
    page = Page_()
    page.feed(text)
    assert page.tags <= {
        "html", "head", "meta", "title", "style", "body", "h1", "h2", "h3", "p", "table", "tr", "th", "td", "ul", "li",
        "section", "figure", "div", "span", "svg", "rect", "line", "text", "polyline", "circle",
    }  # fmt: skip
    assert not {name for name in page.attributes if name.startswith("on") or name in ("href", "src", "style")}
    assert "<script>alert(1)</script>" in page.text


def test_exports_hold_no_formula_and_no_forged_line(
    evil: Path, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    assert main(["export", str(evil), "--to", str(tmp_path / "out")]) == 0
    check_plain(capfd.readouterr().out)
    for path in (tmp_path / "out").iterdir():
        check_plain(path.read_text(encoding="utf-8"))
    check_json((tmp_path / "out/figures.json").read_text())
    cells = 0
    for name in ("figures.csv", f"{RUN}.csv"):
        for line in list(csv.reader(io.StringIO((tmp_path / "out" / name).read_text())))[1:]:
            for cell in line:
                try:
                    float(cell)  # a number, minus signs and all, stays a number
                except ValueError:
                    cells += 1
                    assert not cell or cell.lstrip()[0] not in FORMULA, cell
    assert cells > 3
    lines = (tmp_path / f"out/{RUN}.s2p").read_text().splitlines()
    assert all(line[0] in "!#0123456789" for line in lines)
    assert sum(line.startswith("!") for line in lines) == 9
    frequency, s = read_touchstone(tmp_path / f"out/{RUN}.s2p", "a sweep", 2)
    assert s.shape == (frequency.size, 2, 2)


def test_a_poisoned_visit_on_a_screen(evil: Path) -> None:
    """The bytes that reach the terminal, and what it shows: words, with their brackets."""
    with terminal("watch", str(evil)) as screen:
        screen.wait_for("WATCHING")
        screen.type("o")
        screen.wait_for("to take over")
        screen.type("q")
        assert screen.wait_for_end() == 0
        check_screen(screen.raw)


def notice(text: str) -> str:
    """The words of the notice in the corner, wherever its lines were broken."""
    return "".join(line.rpartition("▌")[2].strip() for line in text.splitlines() if "▌" in line)


def test_the_markup_of_a_file_name_is_shown(tmp_path: Path) -> None:
    with terminal("watch", str(changed(tmp_path / "[b]x[red]y.visit"))) as screen:
        screen.wait_for("WATCHING")
        screen.type("o")
        screen.wait_for(lambda text: "[b]x[red]y" in notice(text), 8.0)
        screen.type("q")
        assert screen.wait_for_end() == 0


def test_a_poisoned_site_and_kit_on_screens(bench: Bench, tmp_path: Path) -> None:
    kit = tmp_path / "kit.toml"
    kit.write_text(f"schema = 1\nname = {quoted(EVIL)}\n")
    words = ("--site", str(evil_site(tmp_path)), "--kit", str(kit), "--visit", str(tmp_path / "a.visit"))
    with terminal("live", "--port", bench.node, *words, "--sweeps", "2") as screen:
        screen.wait_for("q quit")
        screen.type("g")
        assert "[38;5;199m" in screen.wait_for("DAY")
        screen.type("q")
        screen.wait_for("PATH")
        screen.type("c")
        screen.wait_for("=1+1")
        screen.type("q")
        screen.wait_for("PATH")
        screen.type("q\r")
        screen.wait_for_end()
        check_screen(screen.raw)


def check_screen(raw: bytes) -> None:
    for evil in (b"\x1b[38;5;199m", b"\x1b]0;", b"\x1b]8;", b"\xc2\x9b", b"\x9b7m", "\u202e".encode(), b"\x1b[5m"):
        assert evil not in raw, f"{evil!r} reached the terminal"


# The rule itself


@given(st.text())
def test_harmless_is_one_plain_line(text: str) -> None:
    line = harmless(text)
    assert line.isprintable()
    assert harmless(line) == line
    assert len(line) <= LONGEST + 20


@given(st.text(alphabet=st.characters(min_codepoint=0x20, max_codepoint=0x7E)))
def test_harmless_leaves_plain_words_alone(text: str) -> None:
    assert harmless(text) == text


def test_harmless_knows_its_letters() -> None:
    assert harmless("Ågård, 5 µΩ, 高い山, שלום, \u00a0±1 °C") == "Ågård, 5 µΩ, 高い山, שלום,  ±1 °C"
    assert harmless("a\r\nb\tc\u2028d") == "a  b c d"
    assert harmless("\x1b\x9b\x7f\u202e\ud800\x1c") == "??????"
    assert harmless("a" + "\u0301" * 50 + "b") == "a" + "\u0301" * 3 + "b"
    assert harmless("x" * 10_000).endswith("(cut)")
    assert harmless_data({"\x1b": ["\n", 1, None, 2.5, {"a": (True, "\x9b")}]}) == {
        "?": [" ", 1, None, 2.5, {"a": [True, "?"]}]
    }


@given(st.text())
def test_no_text_is_a_formula(text: str) -> None:
    cell = plain_cell(text)
    assert not cell.strip() or cell.lstrip()[0] not in FORMULA
    (line,) = list(csv.reader(io.StringIO(f'"{cell.replace(chr(34), chr(34) * 2)}"\n')))
    assert line == [cell]


@given(st.text())
def test_what_an_analyzer_says_stays_a_comment_of_a_learned_profile(text: str) -> None:
    page = Page({})
    page.put("baud", "9600", evidence=text or "x")
    whole = "\n".join([*wrapped([text]), *page.lines])
    table = Table.parse(whole, "learned")
    assert table.integer("baud", low=0, high=10_000) == 9600
    table.done()
