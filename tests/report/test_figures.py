"""Drawings: nothing lost in thinning, nothing shared between figures."""

from __future__ import annotations

import io
import math
import re
from dataclasses import replace

import matplotlib as mpl
import numpy as np
import pyarrow as pa
from hypothesis import given
from hypothesis import strategies as st
from rich.console import Console

from tests.report.trial_tables import curves, make_trial, render, typed
from trialcapture.reduce.summary import FigureAxis, FigureMark, FigureSeries, FigureSpec, as_json
from trialcapture.report.figures import COMPACT, draw, envelope
from trialcapture.report.figures_results import (
    CurrentPoint,
    current_figure,
    current_rows,
    draw_specification,
    fit_points,
    pair_points,
    sheet_figure,
)
from trialcapture.report.figures_trial import clocks_figure, onset, timeline, track
from trialcapture.report.format import ReaderUnits, engine_ids, floats, rows, times_ns
from trialcapture.report.terminal import bands_view


@given(st.integers(0, 2**32 - 1), st.integers(1, 4000), st.integers(1, 200))
def test_thinning_keeps_both_extremes_of_the_series(seed: int, n: int, bins: int):
    rng = np.random.default_rng(seed)
    values = rng.normal(size=n)
    values[rng.random(n) < 0.1] = np.nan
    t = np.cumsum(rng.random(n) + 1e-3)
    x, y = envelope(t, values, bins)
    assert len(x) == len(y)
    assert np.all(np.diff(x) > 0)
    if np.isfinite(values).any():
        assert np.nanmax(y) == np.nanmax(values)
        assert np.nanmin(y) == np.nanmin(values)
    # every point drawn is a point measured
    kept = np.isfinite(y)
    assert np.isin(x[kept], t).all()


def test_thinning_keeps_a_gap_open():
    t = np.arange(10_000.0)
    values = np.sin(t / 500)
    values[4000:5000] = np.nan
    x, y = envelope(t, values, 100)
    inside = (x >= 4000) & (x < 5000)
    assert inside.any()
    assert np.isnan(y[inside]).all()


def test_thinning_leaves_short_series_alone():
    t, values = np.arange(5.0), np.array([1.0, np.nan, 2.0, 3.0, 4.0])
    assert envelope(t, values, 10)[0] is t


def test_ids_belong_to_one_figure_and_the_label_is_escaped():
    svg = draw("one", COMPACT, lambda f: f.add_subplot().plot([0, 1], [0, 1], "o"), label='a "b" <c>')
    ids = re.findall(r'\bid="([^"]+)"', svg)
    assert ids
    assert all(i.startswith("one-") for i in ids)
    used = re.findall(r'(?:url\(#|href="#)([^)"]+)', svg)
    assert set(used) <= set(ids)
    assert 'aria-label="a &quot;b&quot; &lt;c&gt;"' in svg
    assert "<metadata" not in svg


def test_a_record_of_one_instant_has_an_axis_about_it():
    t = np.array([1_790_000_000_000_000_000], dtype="datetime64[ns]")
    drawing = timeline(pa.table({"t": t, "sog_kn": [5.0]}), None, {})
    assert drawing is not None
    times = re.findall(r">(\d\d:\d\d:\d\d)<", drawing.svg)
    assert len(set(times)) == len(times) > 1


def test_a_name_in_letters_that_the_measuring_font_lacks_is_drawn_without_a_warning():
    svg = draw("name", COMPACT, lambda f: f.add_subplot().set_title("\u6d77"), label="x")
    assert "\u6d77" in svg


def test_a_single_reading_between_gaps_is_a_dot():
    n = 600
    sog = np.full(n, np.nan)
    sog[[100, 300]] = 5.0, 7.0
    t = pa.array(np.arange(n) * 10**9, pa.int64()).cast(pa.timestamp("ns", tz="UTC"))
    some = timeline(pa.table({"t": t, "sog_kn": sog}), None, {})
    none = timeline(pa.table({"t": t, "sog_kn": np.full(n, np.nan)}), None, {})
    assert some
    assert none
    assert some.svg.count("<use") == none.svg.count("<use") + 2


def test_a_persons_matplotlib_settings_change_no_byte_of_a_drawing():
    trial = make_trial()
    before = curves(trial["bands"], trial["legs"], typed(trial["summary"]))
    with mpl.rc_context({"font.size": 23, "axes.grid": True, "svg.fonttype": "path", "lines.linewidth": 5}):
        assert curves(trial["bands"], trial["legs"], typed(trial["summary"])) == before
        assert mpl.rcParams["font.size"] == 23


def test_a_long_trial_is_drawn_with_few_pieces():
    trial = make_trial(steps=tuple(range(600, 3600, 120)))
    drawing = timeline(trial["samples"], trial["segments"], {})
    assert drawing
    # a path for each line, lane and frame; not one for each stretch
    assert trial["segments"].num_rows > 30
    assert drawing.svg.count("<path") < 30


def test_the_alternative_text_of_a_curve_reads_out_its_points():
    trial = make_trial()
    speed = curves(trial["bands"], trial["legs"], typed(trial["summary"]))[0]
    last = trial["bands"].to_pylist()[-1]
    assert f"{last['speed_kn']:.1f} ± {2 * last['speed_u_kn']:.1f}" in speed.alt


def test_only_quantities_with_values_are_drawn():
    assert [d.key for d in curves(*_bands(fuel=False))] == ["speed"]
    assert [d.key for d in curves(*_bands(fuel=True))] == ["speed", "fuel", "economy", "range"]


def test_the_figure_of_the_sheet_names_what_it_circles():
    bands, _, _ = _bands(fuel=False)
    rpm = float(bands["band_rpm"][0].as_py())
    for circled, words in (((), ""), ((("speed", rpm),), "Circled: top speed. "), ((("economy", rpm),), "")):
        drawing = sheet_figure(bands, circled)
        assert drawing is not None
        assert drawing.caption == words + "Bars are ± at 95 %."


def _bands(fuel: bool) -> tuple[pa.Table, pa.Table, dict[str, object]]:
    trial = make_trial(fuel=fuel)
    return trial["bands"], trial["legs"], typed(trial["summary"])


def test_a_short_trial_in_a_long_record_is_drawn_close_up_and_the_caption_says_so():
    trial = make_trial(steps=(1400, 2600), pad_s=20_000)
    line = timeline(trial["samples"], trial["segments"], {})
    assert line
    assert "no stretch was found in the part not drawn" in line.caption
    chart = track(trial["samples"], trial["legs"])
    assert chart
    assert "outside the drawing" in chart.caption


def test_the_greatest_rise_is_found_where_the_throttle_was_opened():
    trial = make_trial(steps=(800, 2600), engines=("main",))
    drawing = onset(trial["samples"])
    assert drawing
    # the second step is ordered 60 s + 2 legs of 150 s after the start
    assert re.search(r"16:06:0[0-9] UTC", drawing.caption) or re.search(r"08:06:0[0-9] UTC", drawing.caption)


def test_a_flat_record_has_no_rise_to_show():
    n = 600
    samples = pa.table({
        "t": pa.array(np.arange(n) * 10**9, pa.int64()).cast(pa.timestamp("ns", tz="UTC")),
        "sog_kn": np.full(n, 3.0), "rpm_main": np.full(n, 700.0),
    })  # fmt: skip
    assert onset(samples) is None


def test_a_track_across_the_date_line_is_one_piece():
    trial = make_trial(steps=(2600,))
    samples = trial["samples"]
    lon = floats(samples, "lon_deg")
    moved = (lon - lon.mean() + 180.0 + 180.0) % 360.0 - 180.0
    samples = samples.set_column(samples.schema.get_field_index("lon_deg"), "lon_deg", pa.array(moved))
    there, here = track(samples, trial["legs"]), track(trial["samples"], trial["legs"])
    assert there
    assert here
    assert re.search(r"(179° 5\d\.\d′|180° 00\.0′) [EW]", there.alt)
    assert abs(len(there.svg) - len(here.svg)) < 0.02 * len(here.svg)


def test_a_boat_at_rest_and_a_single_fix_stop_nothing():
    n = 50
    t = pa.array(np.arange(n) * 10**9, pa.int64()).cast(pa.timestamp("ns", tz="UTC"))
    still = pa.table({"t": t, "lat_deg": np.full(n, 12.0), "lon_deg": np.full(n, 34.0)})
    assert track(still, None) is not None
    assert track(still.slice(0, 1), None) is None


def test_pairs_are_set_beside_the_fit_at_their_own_time():
    fit = [CurrentPoint(0.0, 1.0, 350.0, None, None), CurrentPoint(100.0, 1.0, 10.0, None, None)]
    row = current_rows([CurrentPoint(50.0, 0.9, 60.0, 0.05, 1500.0)], fit)[0]
    # half-way between two vectors 20° apart: due north, shortened to cos 10°; along 060° half of that (elementary)
    assert row.fit == "0.49"
    assert (row.pair, row.pair_pm, row.pair_towards) == ("0.90", "0.10", "060°")
    late = current_rows([CurrentPoint(500.0, 0.9, 60.0, None, 1500.0)], fit)[0]
    assert late.fit == "–"


def test_the_fit_along_a_pairs_line_keeps_the_pairs_direction():
    summary = make_trial(steps=(2000,))["summary"]
    given = {"t": "2031-05-14T08:00:00Z", "speed_kn": 0.8, "towards_deg": 255.0, "along_kn": -0.8, "fit_along_kn": -0.7}
    summary["current"]["pairs"] = [summary["current"]["pairs"][0] | given]
    (point,) = pair_points(typed(summary), pa.table({}), None)
    assert point.fit_kn == 0.7
    assert current_rows([point], [])[0].fit == "0.70"


def test_without_pairs_in_the_summary_the_band_table_gives_them():
    trial = make_trial()
    trial["summary"]["current"] |= {"pairs": [], "fit": []}
    found = pair_points(typed(trial["summary"]), trial["bands"], trial["legs"])
    assert len(found) == trial["bands"].num_rows
    assert fit_points(typed(trial["summary"])) == []
    assert current_figure(found, []) is not None
    assert current_figure([], []) is None


def test_sources_without_an_uncertainty_are_left_out_of_the_clock_figure():
    clocks = pa.table({
        "source": ["a", "b"], "offset_s": pa.array([0.1, None]), "offset_u_s": pa.array([0.01, None], pa.float64()),
    })  # fmt: skip
    drawing = clocks_figure(clocks)
    assert drawing
    assert "b ±" not in drawing.alt
    assert clocks_figure(clocks.slice(1)) is None


def test_absent_and_odd_columns_are_all_void():
    table = pa.table({"a": [1, None], "b": ["x", "y"]})
    assert np.isnan(floats(table, "missing")).all()
    assert np.isnan(floats(table, "b")).all()
    assert floats(table, "a").tolist()[0] == 1.0
    assert floats(None, "a").size == 0
    assert times_ns(table, "b").size == 0


def test_times_of_any_unit_are_nanoseconds_and_a_null_stays_one():
    for unit, factor in (("s", 10**9), ("ms", 10**6), ("us", 10**3), ("ns", 1)):
        table = pa.table({"t": pa.array([5, None, 7], pa.timestamp(unit, tz="UTC"))})
        assert times_ns(table, "t").tolist() == [5 * factor, np.iinfo(np.int64).min, 7 * factor]
        assert [row["t"] for row in rows(table)] == [5 * factor, None, 7 * factor]
        assert [row["t"] for row in rows(table.slice(1))] == [None, 7 * factor]
    assert times_ns(pa.table({"t": pa.array([5, None], pa.uint32())}), "t").tolist() == [5, np.iinfo(np.int64).min]


def test_engine_ids_are_read_from_the_rpm_columns_only():
    names = ["rpm_mean", "rpm_sd", "rpm_port", "rpm_port_age_s", "rpm_port_flag", "rpm_stbd_mean", "fuel_l_per_h_port"]
    table = pa.table({name: pa.array([1.0]) for name in names})
    assert engine_ids(table) == ("port", "stbd")


SPEEDS = FigureSpec(
    "acceleration", "Speed through water", FigureAxis("Time from the first rise of rpm", "s"),
    FigureAxis("Speed through water", "kn"),
    (
        FigureSeries("run on 075°", (0.0, 4.0, 8.0), (0.0, 10.0, 24.3), None, "line"),
        FigureSeries("run on 255°", (0.0, 4.0, 8.0), (0.0, 9.0, 23.1), None, "line"),
        FigureSeries("", (8.0,), (24.3,), (0.4,), "points"),
    ),
    (FigureMark(8.0, 24.3, "20 kn passed"),), "Two runs.",
)  # fmt: skip


def test_any_specification_is_drawn_in_the_units_of_its_reader():
    metric, us = draw_specification(SPEEDS), draw_specification(SPEEDS, ReaderUnits("us"))
    assert "Speed through water [kn]</text>" in metric.svg
    assert "[mph]" not in metric.svg
    assert "[mph]</text>" in us.svg
    for name in ("run on 075°", "run on 255°", "20 kn passed", "Time from the first rise of rpm [s]"):
        assert f"{name}</text>" in metric.svg
    assert metric.caption == "Two runs."
    assert "8 s 24.3 ± 0.4" in metric.alt
    consumption = replace(SPEEDS, y=FigureAxis("Fuel rate", "L/h"), title="Fuel rate", marks=())
    drawn = draw_specification(consumption, ReaderUnits("us", "metric"))
    # 24.3 L/h are 6.419 US gal/h (by hand, divided by 3.785411784)
    assert "8 s 6.42 ± 0.11" in drawn.alt
    assert "[gal/h]" in drawn.svg
    assert "[L/h]</text>" in drawn.svg
    assert draw_specification(SPEEDS) == metric


def test_a_specification_without_a_known_point_is_drawn_empty():
    empty = replace(SPEEDS, series=(FigureSeries("", (1.0,), (math.nan,), None, "line"),), marks=())
    assert "<svg" in draw_specification(empty).svg


def test_another_result_stands_in_the_page_and_on_the_screen():
    trial = make_trial(steps=(2000,))
    answer = {"label": "Time from neutral to 5 kn", "value": 4.21, "u": 0.15, "unit": "s", "coverage_factor": 2.4}
    found = {"name": "to_5_kn", "claimed": True, "reason": "", "answer": answer | {"notes": ["on 075°"]}}
    open_end = found | {
        "name": "x",
        "answer": answer | {"label": "Stop", "value": None, "u": None, "notes": ["no run"]},
    }
    rest = {"manoeuvres": [], "warnings": [], "figures": [as_json(SPEEDS)]}
    trial["summary"]["measures"] = [found | rest, open_end | rest | {"figures": []}]
    html = render(**trial)
    # 2.4 times 0.15 s
    assert "4.21 ± 0.36 s" in re.sub(r"<[^>]+>", "", html)
    assert "fig-acceleration" in html
    out = io.StringIO()
    Console(file=out, width=80).print(bands_view(trial["bands"], typed(trial["summary"])))
    assert "4.21 ± 0.36 s, on 075°" in " ".join(out.getvalue().split())
    assert "Stop" in out.getvalue()
