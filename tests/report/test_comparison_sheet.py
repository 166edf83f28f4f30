"""The sheet of a comparison: numbers of the reader, the verdict, what is said before them, and a page that is safe."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from rich.console import Console

from tests.reduce.test_session_comparison import STEPS, straight, trial
from trialcapture.reduce.session_comparison import RULE, SessionsCompared, compare_sessions
from trialcapture.report.comparison_sheet import (
    comparison_figure,
    comparison_screen,
    comparison_view,
    render_comparison,
)
from trialcapture.report.format import METRIC, ReaderUnits


def quicker(rpm: float) -> float:
    return straight(rpm) * (1.03 if rpm > 1500.0 else 1.0)


@pytest.fixture(scope="module")
def found() -> SessionsCompared:
    return compare_sessions([trial("spring", STEPS, straight)], [trial("autumn", STEPS, quicker, version="0.2.0")])


def test_every_row_has_both_values_the_difference_and_the_verdict(found: SessionsCompared) -> None:
    view = comparison_view(found)
    speed = view.tables[0]
    assert (speed.heading, speed.unit) == ("Speed", "kn")
    assert [row.name for row in speed.rows] == ["1000", "1200", "1400", "1600", "1800"]
    assert [row.verdict for row in speed.rows] == ["within noise"] * 3 + ["real"] * 2
    last = speed.rows[-1]
    # 9.00 and 9.27 kn; own 0.02 each, and what the tachometer leaves of the difference, 0.001 x 0.27
    assert (last.first, last.second) == ("9.00 ± 0.11", "9.27 ± 0.11")
    assert last.difference == "+0.27 ± 0.06"
    assert last.percent.startswith("+3.0 ± 0.6")
    count, real = found.counted()
    assert view.headline.startswith(f"{real} of {count} comparisons are real")
    assert "by chance" in view.headline


def test_units_of_the_reader_stand_everywhere(found: SessionsCompared) -> None:
    view = comparison_view(found, ReaderUnits("us"))
    units = [(table.heading, table.unit) for table in view.tables]
    assert ("Speed", "mph") in units
    assert ("Fuel flow", "gal/h") in units
    mph = next(table for table in view.tables if table.unit == "mph")
    assert mph.rows[-1].difference.startswith("+0.31 ± 0.07"), "0.27 kn are 0.31 mph"
    assert "@page { size: letter;" in render_comparison(found, ReaderUnits("us"))
    assert "@page { size: A4;" in render_comparison(found)


def test_what_must_be_read_first_stands_before_the_numbers(found: SessionsCompared) -> None:
    page = render_comparison(found)
    assert page.index("different versions") < page.index("<table")
    assert RULE.split(".")[0] in page
    console = Console(width=80, record=True, color_system=None)
    console.print(comparison_screen(found))
    text = console.export_text()
    assert text.index("different versions") < text.index("Speed, kn")
    assert max(map(len, text.splitlines())) <= 80
    assert text.count("real") >= 2


def test_equal_input_gives_equal_bytes(found: SessionsCompared) -> None:
    assert render_comparison(found) == render_comparison(found)


def test_the_figure_tells_in_words_what_it_shows(found: SessionsCompared) -> None:
    drawing = comparison_figure(found, METRIC)
    assert drawing is not None
    assert "over engine speed" in drawing.alt
    assert drawing.svg.startswith("<svg")
    nothing = replace(found, bands=())
    assert comparison_figure(nothing) is None
    assert "Nothing could be compared" in comparison_view(nothing).headline
    assert "<figure" not in render_comparison(nothing)


def test_names_of_strangers_are_text() -> None:
    hostile = "<script>alert(1)</script>\u202e{{ 7 * 7 }}"
    a, b = trial("a", STEPS, straight, boat=hostile), trial("b", STEPS, straight, boat=hostile)
    page = render_comparison(compare_sessions([a], [b]))
    assert "<script" not in page
    assert "&lt;script&gt;" in page
    assert "\u202e" not in page
    assert "{{ 7 * 7 }}" in page
    assert re.search(r"default-src (&#39;|')none", page)


def test_a_value_from_between_two_bands_has_a_note() -> None:
    view = comparison_view(compare_sessions(
        [trial("a", STEPS, straight)], [trial("b", (1100.0, 1300.0, 1500.0, 1700.0), straight, ways=1)]
    ))  # fmt: skip
    rows = {row.name: row for row in view.tables[0].rows}
    letter = rows["1200"].notes
    assert dict(view.notes)[letter] == "B between 1100 and 1300 rpm"
    assert ("1000 rpm", "B: run from 1100 to 1700 rpm only") in view.not_compared
