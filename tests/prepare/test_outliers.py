"""Chauvenet's criterion as an option, from the settings to the report."""

from __future__ import annotations

from typing import Any

import numpy as np
import pyarrow as pa
import pytest

from trialcapture.channels import trial_channels
from trialcapture.config import load_config
from trialcapture.measure.trial import measure_trial
from trialcapture.prepare.sample_statistics import find_chauvenet_outliers, leave_out_outliers
from trialcapture.prepare.steady.detection import Stretch
from trialcapture.prepare.steady.segments import check_segments, rows_of

ENGINE = '[[engine]]\nid = "main"\nrated_rpm = 2400\n'
N = 900


def samples(**changed: np.ndarray) -> pa.Table:
    """Return 90 s at 10 Hz of a boat holding 20 kn, course north."""
    rng = np.random.default_rng(3)
    values = {
        "sog_kn": 20.0 + rng.normal(0, 0.1, N), "cog_true_deg": rng.normal(0, 1.0, N) % 360.0,
        "heading_true_deg": rng.normal(0, 1.0, N) % 360.0, "rpm_main": 2000.0 + rng.normal(0, 3.0, N),
        "fuel_l_per_h_main": 60.0 + rng.normal(0, 0.5, N), "depth_m": 30.0 + rng.normal(0, 0.1, N),
    } | changed  # fmt: skip
    t = pa.array(1_790_000_000 * 10**9 + np.arange(N) * 10**8, pa.timestamp("ns", "UTC"))
    columns = {c.name: pa.array(values.get(c.name), pa.float64()) if c.name in values else pa.nulls(N, pa.float64())
               for c in trial_channels(("main",))}  # fmt: skip
    return pa.table({"t": t} | columns)


def segment(table: pa.Table, text: str = "") -> dict[str, Any]:
    config = load_config(text + ENGINE)
    return check_segments(rows_of(table), 0, [Stretch(0, N, True, "")], config)[0].to_pylist()[0]


def with_spikes() -> pa.Table:
    plain = samples()
    sog, cog, depth, fuel = (
        np.array(plain[c].to_pylist()) for c in ("sog_kn", "cog_true_deg", "depth_m", "fuel_l_per_h_main")
    )
    sog[[100, 500]] += 5.0
    cog[200] = 40.0
    depth[300] = 4.0
    fuel[400] = 0.0
    return samples(sog_kn=sog, cog_true_deg=cog, depth_m=depth, fuel_l_per_h_main=fuel)


def test_it_is_off_unless_asked_for() -> None:
    spiked, plain = segment(with_spikes()), segment(samples())
    assert spiked["sog_kn_mean"] - plain["sog_kn_mean"] == pytest.approx(10.0 / N)
    assert spiked["n_outliers"] is None


def test_asked_for_it_takes_spikes_out_of_every_mean_and_counts_them() -> None:
    text = "[steady]\nchauvenet = true\n"
    spiked, plain = segment(with_spikes(), text), segment(samples())
    assert spiked["sog_kn_mean"] == pytest.approx(plain["sog_kn_mean"], abs=1e-3)
    assert spiked["fuel_l_per_h_mean"] == pytest.approx(plain["fuel_l_per_h_mean"], abs=5e-3)
    turned = (spiked["cog_true_deg_mean"] - plain["cog_true_deg_mean"] + 180.0) % 360.0 - 180.0
    assert abs(turned) < 0.01
    assert spiked["sog_kn_sd"] < 0.11
    # two of speed, one of course, one of fuel in two columns; what noise alone loses is a handful of 5 channels
    assert 5 <= spiked["n_outliers"] <= 14
    # depth has a rule of its own: bad soundings are out whatever the option says
    assert spiked["depth_m_min"] == pytest.approx(plain["depth_m_min"], abs=0.05)


def test_the_reduction_says_that_it_was_used_and_how_often() -> None:
    config = load_config("[steady]\nchauvenet = true\n" + ENGINE)
    segments = check_segments(rows_of(with_spikes()), 0, [Stretch(0, N, True, "")], config)[0]
    _, _, summary = measure_trial(segments, config, clocks=None, samples=None, session_id="t")
    assert summary.statistics.chauvenet is True
    assert summary.statistics.values_left_out == segments["n_outliers"][0].as_py()
    (said,) = [w for w in summary.warnings if w.code == "outliers-left-out"]
    assert f"They are {segments['n_outliers'][0].as_py()} single values" in said.text
    plain = load_config(ENGINE)
    _, _, summary = measure_trial(
        check_segments(rows_of(samples()), 0, [Stretch(0, N, True, "")], plain)[0],
        plain,
        clocks=None,
        samples=None,
        session_id="t",
    )
    assert summary.statistics.values_left_out is None
    assert "outliers-left-out" not in {w.code for w in summary.warnings}


def test_it_is_applied_once_and_directions_go_the_short_way_round() -> None:
    # after the 1000 is gone the 30 would be the next outlier; it stays
    values = np.concatenate([np.tile([9.9, 10.1], 10), [30.0, 1000.0]])
    assert np.flatnonzero(find_chauvenet_outliers(values)).tolist() == [21]
    angles = np.concatenate([np.tile([359.0, 1.0], 10), [181.0]])
    assert np.flatnonzero(find_chauvenet_outliers(angles, angle=True)).tolist() == [20]
    assert not find_chauvenet_outliers(np.tile([359.0, 1.0], 10), angle=True).any()
    assert not find_chauvenet_outliers(np.array([0.0, 180.0, 0.0, 180.0]), angle=True).any()


def test_untouched_channels_and_voids_stay_as_they_are() -> None:
    values = {"a": np.array([1.0] * 20 + [9.0, np.nan]), "deep": np.array([1.0] * 20 + [9.0, np.nan])}
    kept, count = leave_out_outliers(values, (), ("deep",))
    assert count == 1
    assert np.isnan(kept["a"][20])
    assert kept["deep"][20] == 9.0
