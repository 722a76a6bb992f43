"""The pages are true and short: what they name exists, what is made is current, and no sentence is too long."""

from __future__ import annotations

import argparse
import re
from pathlib import Path

import pytest

from scripts.pages import PAGES
from tests.named import ROOT, absent_files, absent_places
from tui.cli import build_parser
from tui.commands.exit_status import MEANINGS, ExitStatus
from tui.drawing.glossary import SORTS, load_glossary

LONGEST_SENTENCE = 30
README_WORDS = 900
OF_TABLES = {"faults.md", "fuzzing.md", "notch-methods.md", "commands.md", "profiles.md", "truth.md"}
"""Made by scripts, or references that are looked up and not read."""
PROSE = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted((ROOT / "docs").glob("*.md"))]


def prose(text: str) -> list[str]:
    """Paragraphs, items and table cells without code blocks, pictures, addresses and marks."""
    text = re.sub(r"^(    .*|#.*|```.*)$", "", text, flags=re.MULTILINE)
    text = re.sub(r"!?\[([^\]]*)\]\([^)]*\)", r"\1", text)
    text = re.sub(r"^\|[-|: ]+\|$", "", text, flags=re.MULTILINE)
    text = re.sub(r"^\s*(?:[*-]|\d+\.) ", "\n\n", text, flags=re.MULTILINE)
    text = re.sub(r"^> ?|[*`]", "", text, flags=re.MULTILINE)
    parts = re.split(r"\n\s*\n|(?<=[^\\])\||\n(?=\|)", text)
    return [part for part in (" ".join(part.split()) for part in parts) if part]


def sentences(text: str) -> list[str]:
    return [one for part in prose(text) for one in re.split(r"(?<=[.!?]) +", part)]


def words(text: str) -> int:
    return len(re.findall(r"[\w'’/-]*[A-Za-z0-9][\w'’/-]*", text))


def test_the_readme_is_short() -> None:
    assert sum(map(words, prose((ROOT / "README.md").read_text(encoding="utf-8")))) < README_WORDS


@pytest.mark.parametrize("page", [page for page in PROSE if page.name not in OF_TABLES], ids=lambda p: p.name)
def test_no_sentence_is_long(page: Path) -> None:
    long = [one for one in sentences(page.read_text(encoding="utf-8")) if words(one) > LONGEST_SENTENCE]
    assert not long, "\n".join(long)


@pytest.mark.parametrize("page", PROSE, ids=lambda page: page.name)
def test_what_a_page_names_exists(page: Path) -> None:
    text = page.read_text(encoding="utf-8")
    assert absent_files(text) == []
    assert absent_places(text) == []
    links = [link for link in re.findall(r"\]\(([^)#:]+)(?:#[^)]*)?\)", text) if not (page.parent / link).exists()]
    assert links == []


def test_an_absent_name_is_found() -> None:
    assert absent_places("`rf/values/words.py:words`, `rf/values/words.py: nothing`, `rf/none.py:words`") == [
        "rf/none.py:words", "rf/values/words.py:nothing",
    ]  # fmt: skip
    file = "visit/record/visit_file.py"
    assert absent_places(f"`{file}:VisitFile.add_sweep` `{file}:VisitFile.x`") == [f"{file}:VisitFile.x"]
    assert absent_places("`protocol/dialects/*.py: receive` `protocol/dialects/*.py: deceive`") == [
        "protocol/dialects/*.py:deceive"
    ]
    assert absent_files("see `rf/values/none.py` and rf/values/words.py.") == ["rf/values/none.py"]


@pytest.mark.parametrize("page", PROSE, ids=lambda page: page.name)
def test_every_command_line_of_a_page_is_one(page: Path) -> None:
    """Each `./start COMMAND --option` in a block of code names a command and options that the parser knows."""
    chosen = next(a for a in build_parser()._actions if isinstance(a, argparse._SubParsersAction))
    known = {name: {o for a in parser._actions for o in a.option_strings} for name, parser in chosen.choices.items()}
    known["test"] = set()  # ./start's own
    for line in re.findall(r"^    .*\./start +([^#\n]+)", page.read_text(encoding="utf-8"), re.MULTILINE):
        command = line.split()[0] if line.split() else "demo"
        assert set(re.findall(r"(?<!\S)--[a-z-]+", line)) <= known[command], line


def test_every_exit_status_has_its_meaning() -> None:
    assert set(MEANINGS) == set(ExitStatus)


@pytest.mark.parametrize("name", PAGES)
def test_a_made_page_is_current(name: str) -> None:
    assert (ROOT / "docs" / name).read_text(encoding="utf-8") == PAGES[name](), "run: make docs"


def test_the_glossary_is_short_and_in_order() -> None:
    entries = load_glossary()
    assert len({entry.name for entry in entries}) == len(entries) > 20
    assert {entry.sort for entry in entries} == set(SORTS)
    assert all(words(entry.means) <= LONGEST_SENTENCE and entry.means.endswith(".") for entry in entries)
