"""The independent model keeps the laws of circuits: reciprocal, passive, lossless limit, textbook notches and lines."""

from tests.truth import names
from tests.truth.selftest import checks


def test_the_model_keeps_the_laws_of_circuits() -> None:
    found = checks(names()[::6])
    assert len(found) == 14
    for what, value, limit in found:
        assert value <= limit, what


def test_it_shares_nothing_with_what_it_judges() -> None:
    import re
    from pathlib import Path

    for path in Path(__file__).parent.glob("*.py"):
        if path.name.startswith("test_"):
            continue
        foreign = re.findall(
            r"^\s*(?:from|import) (rf|visit|protocol|tui|fixtures|skrf|scipy)\b", path.read_text(), re.M
        )
        assert foreign == [], path.name
