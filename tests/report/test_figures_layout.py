"""Where things stand in the drawings: nothing clipped, nothing written over, in any reader's font."""

from __future__ import annotations

import re
from functools import cache
from typing import Any
from xml.etree import ElementTree

import pytest
from matplotlib.font_manager import FontProperties
from matplotlib.textpath import text_to_path

from tests.report.trial_tables import curves, make_trial, typed
from trialcapture.report.figures import Drawing
from trialcapture.report.figures_results import current_figure, fit_points, pair_points
from trialcapture.report.figures_trial import clocks_figure, onset, timeline, track
from trialcapture.report.format import METRIC, ReaderUnits

SVG = "{http://www.w3.org/2000/svg}"


def drawings(trial: dict[str, Any], units: ReaderUnits = METRIC) -> list[Drawing]:
    summary = typed(trial["summary"])
    pairs, fit = pair_points(summary, trial["bands"], trial["legs"]), fit_points(summary)
    found = [
        *curves(trial["bands"], trial["legs"], summary, units),
        timeline(trial["samples"], trial["segments"], {}),
        track(trial["samples"], trial["legs"]),
        current_figure(pairs, fit),
        onset(trial["samples"]),
        clocks_figure(trial["clocks"]),
    ]
    return [drawing for drawing in found if drawing is not None]


@cache
def drawn(name: str, units: ReaderUnits = METRIC) -> list[Drawing]:
    """The drawings of one of the trials, made once."""
    return drawings(made(name), units)


@cache
def made(name: str) -> dict[str, Any]:
    return make_trial(**TRIALS[name])


@cache
def _width(text: str, size: float, bold: bool) -> float:
    """Return the width of a text in DejaVu Sans, the widest of the usual screen fonts (from memory)."""
    look = FontProperties(family="DejaVu Sans", size=size, weight="bold" if bold else "normal")
    return float(text_to_path.get_text_width_height_descent(text, look, ismath=False)[0])


def _texts(svg: str) -> list[tuple[str, float, float, float, float]]:
    """Return text, left, right, baseline and size of each text."""
    found = []
    for e in ElementTree.fromstring(svg).iter(f"{SVG}text"):
        style = e.attrib["style"]
        # the size stands alone or in the shorthand for fonts, as the version of matplotlib has it
        font = re.search(r"([\d.]+)px", style)
        assert font
        x, y, size = float(e.attrib["x"]), float(e.attrib["y"]), float(font[1])
        wide = _width(e.text or "", size, re.search(r"\b(700|bold)\b", style) is not None)
        anchor = re.search(r"text-anchor: (\w+)", style)
        left = x - {"start": 0.0, "middle": wide / 2, "end": wide}[anchor[1] if anchor else "start"]
        found.append((e.text or "", left, left + wide, y, size))
    return found


TRIALS: dict[str, dict[str, Any]] = {
    "usual": {},
    "one engine": {"engines": ("main",)},
    "four engines of long names": {"engines": ("port outer", "port inner", "starboard inner", "starboard outer")},
    "many bands": {"steps": tuple(range(600, 3600, 120))},
    "no fuel": {"fuel": False},
}


@pytest.mark.parametrize("name", TRIALS)
def test_no_text_runs_out_of_its_drawing_or_over_its_neighbour_on_the_line(name: str):
    for drawing in [*drawn(name), *drawn(name, ReaderUnits("us", "metric"))]:
        for svg in filter(None, (drawing.svg, drawing.narrow_svg)):
            view = re.search(r'viewBox="0 0 ([\d.]+) ([\d.]+)"', svg)
            assert view
            width, height = float(view[1]), float(view[2])
            texts = _texts(svg)
            for text, left, right, base, size in texts:
                assert left >= 0, (drawing.key, text)
                assert right <= width, (drawing.key, text)
                assert base - 0.75 * size >= 0, (drawing.key, text)
                assert base + 0.2 * size <= height, (drawing.key, text)
            # names along one line of writing
            for i, (text, left, right, base, _) in enumerate(texts):
                for other, o_left, o_right, o_base, _ in texts[i + 1 :]:
                    if abs(base - o_base) < 0.1:
                        assert right <= o_left or o_right <= left, (drawing.key, text, other)


@pytest.mark.parametrize("name", TRIALS)
def test_every_drawing_is_sound_xml_and_refers_only_to_itself(name: str):
    seen: set[str] = set()
    for drawing in drawn(name):
        for svg in filter(None, (drawing.svg, drawing.narrow_svg)):
            ids = {e.attrib["id"] for e in ElementTree.fromstring(svg).iter() if "id" in e.attrib}
            assert not ids & seen
            seen |= ids
            assert set(re.findall(r"url\(#([^)]+)\)", svg)) <= ids
            assert "nan" not in re.sub(r">[^<]*<|aria-label=\"[^\"]*\"", "", svg)
