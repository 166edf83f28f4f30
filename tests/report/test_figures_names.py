"""Names written by one artist stand where matplotlib puts a text of the same look."""

from __future__ import annotations

import re
from typing import Any

import pytest

from trialcapture.report.figures import HALO, draw, write_names
from trialcapture.report.figures_layout import new_axes

NAMES = [(0.1, 0.3, "12"), (0.5, 0.6, "left out"), (0.9, 0.2, "−2.5"), (0.4, 0.9, 'Queen <&> "Á"')]


def texts(paint: Any) -> list[str]:
    return re.findall(r"<text.*?</text>", draw("fig", (300, 200), paint, label=""))


@pytest.mark.parametrize("va", ["top", "bottom", "center", "baseline", "center_baseline"])
@pytest.mark.parametrize("ha", ["left", "center", "right"])
@pytest.mark.parametrize("look", [{}, {"fontsize": 9.5, "fontweight": "bold", "color": "#8f3300"}])
def test_names_are_written_as_texts_of_their_own_would_be(va: str, ha: str, look: dict[str, Any]):
    def one_artist(figure: Any) -> None:
        write_names(new_axes(figure), NAMES[:3], va=va, ha=ha, **look)

    def an_artist_each(figure: Any) -> None:
        axes = new_axes(figure)
        for x, y, name in NAMES[:3]:
            figure.text(x, y, name, va=va, ha=ha, transform=axes.transData, **look)

    made = texts(one_artist)
    assert len(made) == 3
    assert made == texts(an_artist_each)


def test_names_are_escaped_and_share_one_line_of_writing():
    def paint(figure: Any) -> None:
        write_names(new_axes(figure), [(x, 0.5, name) for x, _, name in NAMES], va="center")

    made = texts(paint)
    assert 'Queen &lt;&amp;&gt; "Á"' in made[3]
    assert len({re.search(r' y="([^"]*)"', text)[1] for text in made}) == 1


def test_the_paper_about_names_is_kept_free_once_for_all():
    svg = draw("fig", (300, 200), lambda f: write_names(new_axes(f), NAMES, gid=HALO), label="")
    assert svg.count("paint-order") == 1
    group = svg[svg.index("<g stroke=") :]
    assert group[: group.index("</g>")].count("<text") == len(NAMES)


def test_no_names_are_no_artist():
    figure_artists: list[int] = []

    def paint(figure: Any) -> None:
        write_names(new_axes(figure), [])
        figure_artists.append(len(figure.artists))

    draw("fig", (300, 200), paint, label="")
    assert figure_artists == [0]
