"""Lying in neutral shows the current; a tide that rises through the trial is told from speed by it, or allowed for."""

from __future__ import annotations

from typing import Any

import numpy as np
import pyarrow as pa
import pytest

from tests.segment_builder import (
    PLANING_STEPS,
    T0_NS,
    Current,
    Leg,
    build_segments,
    no_clocks,
    reciprocal_legs,
    terms_of,
)
from trialcapture.config import load_config
from trialcapture.measure.trial import measure_trial

ENGINE = '[[engine]]\nid = "{}"\nrated_rpm = 3500\nidle_rpm = 600\n'
CONFIG = load_config(ENGINE.format("port") + ENGINE.format("stbd"))


def up_then_down(gap_min: float = 3.0, duration_s: float = 90.0) -> list[Leg]:
    """Return all steps up one way, then all of them down the other way."""
    legs, t_h = [], 0.0
    for way, steps in ((40.0, PLANING_STEPS), (220.0, PLANING_STEPS[::-1])):
        for rpm, speed in steps:
            legs.append(Leg(rpm, speed, way, t_h + duration_s / 7200.0, None, duration_s))
            t_h += duration_s / 3600.0 + gap_min / 60.0
    return legs


def linear_tide(start_kn: float, kn_per_h: float, towards_deg: float) -> Current:
    unit = np.array([np.cos(np.radians(towards_deg)), np.sin(np.radians(towards_deg))])

    def at(t_h: float) -> tuple[float, float]:
        north, east = (start_kn + kn_per_h * t_h) * unit
        return float(north), float(east)

    return at


def drift_row(segments: pa.Table, current: Current, at_h: float, **more: Any) -> pa.Table:
    """Return the segments with two minutes of lying still in neutral."""
    north, east = current(at_h)
    start = T0_NS + round((at_h * 3600.0 - 60.0) * 1e9)
    row = dict.fromkeys(segments.schema.names) | {
        "segment_id": segments.num_rows + 1, "start": start, "stop": start + 120 * 10**9, "duration_s": 120.0,
        "accepted": False, "reason": "lying still: 0.9 kn", "sog_kn_mean": float(np.hypot(north, east)),
        "cog_true_deg_mean": float(np.degrees(np.arctan2(east, north)) % 360.0), "rpm_mean": 600.0, "sog_u_kn": 0.02,
    } | more  # fmt: skip
    return pa.concat_tables([segments, pa.Table.from_pylist([row], schema=segments.schema)])


def reduce(segments: pa.Table) -> tuple[list[dict[str, Any]], dict[str, Any]]:
    bands, _, summary = measure_trial(segments, CONFIG, clocks=no_clocks(), samples=None, session_id="t")
    return bands.to_pylist(), summary


def errors(rows: list[dict[str, Any]]) -> np.ndarray:
    return np.array([row["speed_kn"] - speed for row, (_, speed) in zip(rows, PLANING_STEPS, strict=True)])


@pytest.mark.parametrize("towards", [40.0, 95.0, 220.0])
def test_a_tide_that_cannot_be_told_from_speed_is_in_the_uncertainty_and_said(towards: float) -> None:
    rows, summary = reduce(build_segments(up_then_down(), linear_tide(-0.5, 1.5, towards)))
    u = np.array([row["speed_u_kn"] for row in rows])
    assert np.all(np.abs(errors(rows)) <= 2.0 * u)
    warning = next(w for w in summary.warnings if w.code == "tide-not-told")
    assert "1000" in warning.where
    assert "repeated both ways" in warning.text


def test_runs_there_and_back_show_the_tide_and_pay_nothing_for_it() -> None:
    tide = linear_tide(-0.5, 1.5, 40.0)
    rows, summary = reduce(build_segments(reciprocal_legs(PLANING_STEPS, gap_min=3.0), tide))
    assert np.abs(errors(rows)).max() < 0.02
    assert max(row["speed_u_kn"] for row in rows) < 0.07
    assert not [w for w in summary.warnings if w.code == "tide-not-told"]


def test_lying_in_neutral_before_and_after_tells_the_tide() -> None:
    tide = linear_tide(0.5, 1.5, 40.0)
    segments = build_segments(up_then_down(), tide)
    last_h = up_then_down()[-1].mid_h
    blind, _ = reduce(segments)
    for at_h in (-0.08, last_h / 2, last_h + 0.08):
        segments = drift_row(segments, tide, at_h)
    rows, summary = reduce(segments)
    assert np.abs(errors(rows)).max() < 0.25 * np.abs(errors(blind)).max()
    assert all(row["speed_u_kn"] < 0.5 * before["speed_u_kn"] for row, before in zip(rows, blind, strict=True) if
               before["speed_u_kn"] > 0.2)  # fmt: skip
    assert not [w for w in summary.warnings if w.code == "tide-not-told"]


def test_lying_in_neutral_shows_the_current_abeam_that_no_heading_does() -> None:
    stream = linear_tide(1.5, 0.0, 130.0)
    segments = build_segments(reciprocal_legs(PLANING_STEPS, gap_min=3.0), stream, heading=False, course_held=True)
    blind, before = reduce(segments)
    rows, after = reduce(drift_row(drift_row(segments, stream, -0.08), stream, 1.2))
    unseen = [terms["current abeam unseen"] for found in (before, after) for terms in terms_of(found)]
    assert max(unseen[7:]) < 0.1 * max(unseen[:7])
    for found in (blind, rows):
        assert np.all(np.abs(errors(found)) <= 2.0 * np.array([row["speed_u_kn"] for row in found]))
    assert np.abs(errors(rows)).max() < 0.3 * np.abs(errors(blind)).max()


@pytest.mark.parametrize(
    "kept_still",
    [
        {"sog_kn_mean": 0.1},  # made fast
        {"stw_kn_mean": 2.0},  # stemming the stream
        {"rpm_mean": 1400.0},
        {"reason": "turning"},
        {"cog_true_deg_mean": 130.0, "sog_kn_mean": 2.5},  # towed, or in other water: it contradicts the runs
    ],
)
def test_a_boat_that_does_not_drift_with_the_stream_shows_no_current(kept_still: dict[str, Any]) -> None:
    tide = linear_tide(0.9, 0.0, 40.0)
    segments = build_segments(reciprocal_legs(PLANING_STEPS, gap_min=3.0), tide)
    without, _ = reduce(segments)
    rows, _ = reduce(drift_row(segments, tide, 0.2, **kept_still))
    assert [row["speed_kn"] for row in rows] == pytest.approx([row["speed_kn"] for row in without], abs=1e-9)


@pytest.mark.parametrize("heading_deg", [40.0, 220.0])
def test_lying_in_neutral_with_the_stream_from_ahead_or_astern_is_no_band(heading_deg: float) -> None:
    # she lies along the stream and drifts with it at 2.2 kn, engines at idle: nothing but the other runs tells it
    stream = linear_tide(2.2, 0.0, 40.0)
    legs = [*reciprocal_legs(PLANING_STEPS, gap_min=3.0), Leg(600.0, 0.0, heading_deg, 1.4)]
    rows, summary = reduce(build_segments(legs, stream))
    assert [row["band_rpm"] for row in rows] == [rpm for rpm, _ in PLANING_STEPS]
    assert np.abs(errors(rows)).max() < 0.05
    assert summary.top_speed.band_rpm == 3500.0
    assert [w.severity for w in summary.warnings if w.code == "drifted"] == ["info"]


def test_idling_ahead_in_a_stream_stays_a_band() -> None:
    stream = linear_tide(1.5, 0.0, 40.0)
    legs = [*reciprocal_legs(PLANING_STEPS, gap_min=3.0), Leg(600.0, 3.4, 40.0, 1.4), Leg(600.0, 3.4, 220.0, 1.45)]
    rows, _ = reduce(build_segments(legs, stream))
    assert rows[0]["band_rpm"] == pytest.approx(600.0)
    assert rows[0]["speed_kn"] == pytest.approx(3.4, abs=0.1)
