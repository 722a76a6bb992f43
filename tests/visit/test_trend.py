"""Slopes over many visits of a site, and the drawing of them in text and page.

Source: weighted least squares with Student's t (common practice; JCGM 100, annex H.3, from memory).
"""

from __future__ import annotations

import itertools
import re
import time
from dataclasses import replace
from html.parser import HTMLParser

import numpy as np
import pytest
from scipy.optimize import curve_fit
from scipy.special import stdtrit

from rf.values.figure import Kind, cant_say, inferred, reading
from tests.visit.stations import site
from visit.report.report import Report
from visit.report.report_html import report_html
from visit.report.report_text import report_text
from visit.report.trend import YEAR_S, Point, chart, slopes, trend_lines

KELVIN = (20.0, -5.0, 12.0, 28.0, 3.0, 17.0)


def point(years: float, kelvin: float | None, hz: float, half: float = 500.0) -> Point:
    place = inferred(hz, hz - half, hz + half, "Hz")
    return Point(
        "a.visit", "Windmill Ridge", 1.7e9 + years * YEAR_S, "L", 455e6, kelvin, place, reading(92, 91, 93, "dB"),
        reading(1.4, 1.3, 1.5, "dB"),
    )  # fmt: skip


def visits(rng: np.random.Generator, per_kelvin: float, per_year: float, scatter_hz: float = 255.0) -> list[Point]:
    return [
        point(n, warm, 1e3 + per_kelvin * warm + per_year * n + scatter_hz * rng.standard_normal())
        for n, warm in enumerate(KELVIN)
    ]


def test_slopes_are_those_of_a_general_fit() -> None:
    """Outside: SciPy's curve_fit of the same plane (weights from the intervals), Student's factor of 3 spare visits."""
    points = visits(np.random.default_rng(3), -900.0, 2000.0, 1500.0)
    design = np.array([[p.temperature_c, p.at_s / YEAR_S] for p in points]).T
    sigma = np.full(len(points), 500.0 / 1.959964)
    place = [p.notch_offset.value for p in points]
    found, spread = curve_fit(lambda x, a, b, c: a + b * x[0] + c * x[1], design, place, sigma=sigma)
    half = stdtrit(3, 0.975) * np.sqrt(np.diag(spread))
    both = slopes(points)
    assert both.per_kelvin.kind is Kind.INFERRED and both.per_kelvin.unit == "ppm/K"
    assert both.per_kelvin.value * 455 == pytest.approx(found[1], rel=1e-5)
    assert (both.per_kelvin.high - both.per_kelvin.value) * 455 == pytest.approx(half[1], rel=1e-4)
    assert both.per_year.value * 1e3 == pytest.approx(found[2], rel=1e-5)
    assert (both.per_year.high - both.per_year.value) * 1e3 == pytest.approx(half[2], rel=1e-4)


def test_slopes_keep_their_promise() -> None:
    """95 % of 400 sets of six visits hold the true slope; 2 sd of a count of 400 at 0.95 are 8.7."""
    rng = np.random.default_rng(11)
    kept = np.zeros(2)
    for _ in range(400):
        both = slopes(visits(rng, -900.0, 2000.0))
        kept += (
            both.per_kelvin.low * 455 <= -900.0 <= both.per_kelvin.high * 455,
            both.per_year.low * 1e3 <= 2000.0 <= both.per_year.high * 1e3,
        )
    assert np.all(kept >= 380 - 9)


def test_slopes_that_cannot_be_told() -> None:
    three = [point(n, 5.0 * n, 0.0) for n in range(3)]
    assert "there are 3" in slopes(three).per_kelvin.why
    together = [point(n, 2.0 + 3.0 * n, 700.0 * n) for n in range(6)]
    assert "ran together" in slopes(together).per_year.why
    same = [point(n, 15.0, 0.0) for n in range(6)]
    assert "equally warm" in slopes(same).per_kelvin.why and slopes(same).per_year.kind is Kind.INFERRED
    one_month = [point(n / 60, warm, -900.0 * warm) for n, warm in enumerate(KELVIN)]
    assert slopes(one_month).per_kelvin.value * 455 == pytest.approx(-900.0)
    assert "few weeks" in slopes(one_month).per_year.why
    unknown = [point(n, None, 0.0) for n in range(6)]
    assert "there are 0" in slopes(unknown).per_kelvin.why


def test_chart_stands_in_80_columns_and_in_order() -> None:
    points = visits(np.random.default_rng(1), -900.0, 2000.0)
    lines = chart(points)
    assert len(lines) == 7 and max(map(len, lines)) <= 78
    for line, shown in zip(lines[1:], points, strict=True):
        assert time.strftime("%Y-%m-%d", time.localtime(shown.at_s)) in line and "o" in line
    places = [line.index("o") for line in lines[1:]]
    assert list(np.argsort(places)) == list(np.argsort([p.notch_offset.value for p in points]))
    assert chart(points[:1]) == []
    lost = replace(points[0], notch_offset=cant_say("Hz", "no"))
    assert len(chart([lost, *points])) == 7
    assert any("INFERRED" in line and "ppm/K" in line for line in trend_lines(points))


class Places(HTMLParser):
    """Where words stand in a drawing: (x, y, anchor, text)."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[tuple[float, float, str, str]] = []
        self._at: tuple[float, float, str] | None = None

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        a = dict(attrs)
        self._at = (float(a["x"] or 0), float(a["y"] or 0), a.get("text-anchor") or "start") if tag == "text" else None

    def handle_data(self, data: str) -> None:
        if self._at:
            self.found.append((*self._at, data))


def test_report_shows_the_years() -> None:
    """Nine visits in two years: no label over another, every visit a mark, text and page alike."""
    rng = np.random.default_rng(5)
    points = [
        point(n / 4, warm, -900.0 * warm + 255 * rng.standard_normal()) for n, warm in enumerate((*KELVIN, 8, 2, 9))
    ]
    report = Report(site("demo-450"), 1.7e9, (1.7e9, 1.7e9), "0" * 64, years={"L": points}, next_due="2027-05")
    page, plain = report_html(report), report_text(report)
    assert page.count("<circle") == 9 and "over the visits" in page
    seen = Places()
    seen.feed(page)
    dates = [entry for entry in seen.found if re.match(r"\d{4}-", entry[3])]
    for first, second in itertools.pairwise(dates):
        assert second[0] - first[0] >= (len(first[3]) + len(second[3])) / 2 * 5.5  # 11 px sans-serif is 5.5 px a letter
    assert min(x - len(words) * 2.75 for x, _, _, words in dates) > 0
    assert max(x + len(words) * 2.75 for x, _, _, words in dates) < 720
    assert "NEXT DUE" in plain and "2027-05" in plain and "[" in plain and max(map(len, plain.splitlines())) <= 79
    assert "not written down" in report_text(Report(site("demo-450"), 1.7e9, (1.7e9, 1.7e9), "0" * 64))
