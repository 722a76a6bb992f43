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

    here = Path(__file__).parent
    for name in ("bench", "build_units", "cases", "design", "elements", "readme_table", "selftest", "unit"):
        foreign = re.findall(
            r"^\s*(?:from|import) (rf|visit|protocol|tui|fixtures|skrf|scipy)\b",
            (here / f"{name}.py").read_text(),
            re.MULTILINE,
        )
        assert foreign == [], name
