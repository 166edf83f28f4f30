"""The paper under the drawings: round ticks, lines as short text, nothing clipped, nothing written over."""

from __future__ import annotations

import math
import re
from itertools import pairwise
from typing import Any
from xml.etree import ElementTree

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.report.trial_tables import make_trial
from trialcapture.report.columns import Floats
from trialcapture.report.figures import Drawing
from trialcapture.report.figures_bands import curves
from trialcapture.report.figures_clocks import clocks_figure, onset
from trialcapture.report.figures_current import current_figure, fit_points, pair_points
from trialcapture.report.figures_time import timeline
from trialcapture.report.figures_track import track
from trialcapture.report.ink import nice_ticks, path_of
from trialcapture.report.sheet import Sheet

SVG = "{http://www.w3.org/2000/svg}"
_NARROWEST_LETTER = 0.5
"""Width of a digit over its size in the narrowest of the usual screen fonts (from memory)."""


@given(st.floats(-1e6, 1e6), st.floats(1e-2, 1e7), st.integers(1, 9))
def test_ticks_are_round_lie_within_the_limits_and_say_their_value(low: float, span: float, most: int):
    high = low + span
    values, names = nice_ticks(low, high, most)
    assert len(values) <= most + 1
    step = values[1] - values[0] if len(values) > 1 else span
    assert all(low - 1e-6 * step <= v <= high + 1e-6 * step for v in values)
    for value, name in zip(values, names, strict=True):
        assert math.isclose(float(name.replace("−", "-")), value, abs_tol=1e-6 * step)
    if len(values) > 1:
        lead = step / 10 ** math.floor(math.log10(step * (1 + 1e-9)))
        assert min(abs(lead - x) for x in (1, 2, 2.5, 5)) < 1e-3
        # one step longer and the axis would have had room for twice as many
        assert span / step > most / 2.6


def test_limits_without_a_span_have_no_ticks():
    assert nice_ticks(3.0, 3.0, 5) == ([], [])
    assert nice_ticks(0.0, math.nan, 5) == ([], [])


def _points(data: str) -> list[list[tuple[float, float]]]:
    runs = []
    for run in data.split("M")[1:]:
        numbers = [float(x) for x in re.findall(r"-?[\d.]+", run.removesuffix("h0"))]
        runs.append(list(zip(numbers[::2], numbers[1::2], strict=True)))
    return runs


@given(st.integers(0, 2**32 - 1), st.integers(1, 400))
def test_a_path_leaves_out_only_points_that_its_line_passes_through(seed: int, n: int):
    rng = np.random.default_rng(seed)
    x = np.cumsum(rng.integers(0, 3, n) * rng.choice([0.5, 1.0], n))
    y = np.cumsum(rng.integers(-1, 2, n)).astype(np.float64)
    y[rng.random(n) < 0.05] = np.nan
    runs = _points(path_of(x, y))
    known = np.isfinite(y)
    assert len(runs) == np.count_nonzero(np.diff(known, prepend=False) & known)
    for px, py in zip(x[known], y[known], strict=True):
        assert any(_off(px, py, run) < 1e-9 for run in runs)


def _off(px: float, py: float, run: list[tuple[float, float]]) -> float:
    """Return the distance of a point from a broken line."""
    if len(run) == 1:
        return math.dist(run[0], (px, py))
    best = math.inf
    for (ax, ay), (bx, by) in pairwise(run):
        along = ((px - ax) * (bx - ax) + (py - ay) * (by - ay)) / ((bx - ax) ** 2 + (by - ay) ** 2)
        along = min(max(along, 0.0), 1.0)
        best = min(best, math.hypot(px - ax - along * (bx - ax), py - ay - along * (by - ay)))
    return best


def test_a_line_that_doubles_back_keeps_its_turning_point():
    x: Floats = np.array([0.0, 10.0, 5.0])
    assert _points(path_of(x, np.zeros(3))) == [[(0.0, 0.0), (10.0, 0.0), (5.0, 0.0)]]


def test_a_single_reading_between_gaps_is_a_dot():
    assert path_of(np.array([1.0, 2.0, 3.0]), np.array([np.nan, 5.0, np.nan])) == "M2 5h0"


def test_a_sheet_without_data_still_draws():
    sheet = Sheet("none", 300, 200, 11)
    sheet.panel().line(np.array([np.nan]), np.array([np.nan]), "#000000")
    assert ElementTree.fromstring(sheet.svg("nothing")).tag == f"{SVG}svg"


def drawings(trial: dict[str, Any]) -> list[Drawing]:
    pairs, fit = pair_points(trial["summary"], trial["bands"], trial["legs"]), fit_points(trial["summary"])
    found = [
        *curves(trial["bands"], trial["legs"], trial["summary"]),
        timeline(trial["samples"], trial["segments"], {}),
        track(trial["samples"], trial["legs"]),
        current_figure(pairs, fit),
        onset(trial["samples"]),
        clocks_figure(trial["clocks"]),
    ]
    return [drawing for drawing in found if drawing is not None]


def _texts(svg: str) -> list[tuple[str, float, float, float, float, str]]:
    """Return text, left, right, baseline, size and anchor of each text, in the narrowest letters."""
    found = []
    for e in ElementTree.fromstring(svg).iter(f"{SVG}text"):
        x, y, size = (float(e.attrib[k]) for k in ("x", "y", "font-size"))
        wide = _NARROWEST_LETTER * size * len(e.text or "")
        anchor = e.attrib.get("text-anchor", "start")
        left = x - {"start": 0.0, "middle": wide / 2, "end": wide}[anchor]
        found.append((e.text or "", left, left + wide, y, size, anchor))
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
    for drawing in drawings(make_trial(**TRIALS[name])):
        for svg in filter(None, (drawing.svg, drawing.narrow_svg)):
            view = re.search(r'viewBox="0 0 ([\d.]+) ([\d.]+)"', svg)
            assert view
            width, height = float(view[1]), float(view[2])
            texts = _texts(svg)
            for text, left, right, base, size, _ in texts:
                assert left >= 0, (drawing.key, text)
                assert right <= width, (drawing.key, text)
                assert base - 0.75 * size >= 0, (drawing.key, text)
                assert base + 0.2 * size <= height, (drawing.key, text)
            # names along one line of writing
            for i, (text, left, right, base, _, _) in enumerate(texts):
                for other, o_left, o_right, o_base, _, _ in texts[i + 1 :]:
                    if abs(base - o_base) < 0.1:
                        assert right <= o_left or o_right <= left, (drawing.key, text, other)


@pytest.mark.parametrize("name", TRIALS)
def test_every_drawing_is_sound_xml_and_refers_only_to_itself(name: str):
    seen: set[str] = set()
    for drawing in drawings(make_trial(**TRIALS[name])):
        for svg in filter(None, (drawing.svg, drawing.narrow_svg)):
            ids = {e.attrib["id"] for e in ElementTree.fromstring(svg).iter() if "id" in e.attrib}
            assert not ids & seen
            seen |= ids
            assert set(re.findall(r"url\(#([^)]+)\)", svg)) <= ids
            assert "nan" not in re.sub(r">[^<]*<|aria-label=\"[^\"]*\"", "", svg)
