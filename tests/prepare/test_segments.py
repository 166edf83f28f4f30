"""What a stretch says of itself: its depth, whatever single soundings were bad."""

from __future__ import annotations

from typing import Any

import numpy as np
import pyarrow as pa
import pytest

from trialcapture.channels import trial_channels
from trialcapture.config import load_config
from trialcapture.prepare.steady.segments import check_segments, depth_range, rows_of, silence_holes
from trialcapture.prepare.steady.setpoint_holds import Silence, Stretch

GRID_S = 0.1


def on_grid(soundings_m: np.ndarray, every_s: float) -> np.ndarray:
    """Return soundings on the grid of the samples, joined by straight lines as the grid joins them."""
    t = np.arange(round(soundings_m.size * every_s / GRID_S)) * GRID_S
    return np.interp(t, np.arange(soundings_m.size) * every_s, soundings_m)


@pytest.mark.parametrize("every_s", [0.2, 1.0, 2.0])
@pytest.mark.parametrize("bad_m", [0.0, 1.5, 8.0, 210.0])
@pytest.mark.parametrize("at", [[10], [3, 14, 25, 36], [20, 21, 22], [0], [-1]])
def test_bad_soundings_make_no_water_shallow_and_none_deep(every_s: float, bad_m: float, at: list[int]) -> None:
    rng = np.random.default_rng(1)
    true_m = 32.0 + 0.5 * np.sin(np.arange(60) / 9.0)
    soundings = true_m + rng.normal(0.0, 0.08, true_m.size)
    soundings[at] = bad_m
    found = depth_range(on_grid(soundings, every_s), GRID_S)
    assert found is not None
    assert found == pytest.approx((true_m.min(), true_m.max()), abs=0.3)


def test_a_real_shoal_is_kept() -> None:
    depth = np.interp(np.arange(900) * GRID_S, [0.0, 30.0, 50.0, 90.0], [30.0, 28.0, 6.0, 5.0])
    assert depth_range(depth, GRID_S) == pytest.approx((5.0, 30.0), abs=0.5)
    ridge = 20.0 - 12.0 * np.exp(-(((np.arange(900) * GRID_S - 45.0) / 15.0) ** 2))
    assert depth_range(ridge, GRID_S) == pytest.approx((8.0, 20.0), abs=0.5)


def test_few_soundings_and_none() -> None:
    none = np.full(300, np.nan)
    assert depth_range(none, GRID_S) is None
    one = none.copy()
    one[155] = 12.0
    assert depth_range(one, GRID_S) == (12.0, 12.0)
    two = none.copy()
    two[100:120], two[200:220] = 12.0, 12.4
    assert depth_range(two, GRID_S) == pytest.approx((12.0, 12.4), abs=0.05)


ENGINES = '[[engine]]\nid = "port"\nrated_rpm = 2400\nidle_rpm = 600\n[[engine]]\nid = "stbd"\nrated_rpm = 2400\n'
ROWS = 600
FIRST_NS = 1_790_000_000 * 10**9


def row_of(**channels: float) -> dict[str, Any]:
    """Return the row of an accepted minute in which every channel given keeps one value."""
    engines = ("port", "stbd")
    columns = {
        c.name: pa.array(np.full(ROWS, channels[c.name])) if c.name in channels else pa.nulls(ROWS, pa.float64())
        for c in trial_channels(engines)
    }
    t = pa.array(FIRST_NS + np.arange(ROWS) * 10**8, pa.timestamp("ns", "UTC"))
    made = check_segments(
        rows_of(pa.table({"t": t} | columns)), FIRST_NS, [Stretch(0, ROWS, True, "")], load_config(ENGINES)
    )
    row: dict[str, Any] = made[0].to_pylist()[0]
    return row


@pytest.mark.parametrize("current_kn", [2.1, 3.0, 5.5])
def test_lying_in_neutral_in_a_current_is_no_band_and_keeps_its_velocity(current_kn: float) -> None:
    drift = {"sog_kn": current_kn, "cog_true_deg": 250.0, "rpm_port": 600.0, "rpm_stbd": 610.0}
    for told in ({"heading_true_deg": 20.0}, {"heading_true_deg": 250.0, "stw_kn": 0.1}):
        row = row_of(**drift, **told)
        assert not row["accepted"]
        assert row["reason"].startswith("in neutral: ")
        assert row["sog_kn_mean"] == pytest.approx(current_kn)
        assert row["cog_true_deg_mean"] == pytest.approx(250.0)
    stopped = row_of(sog_kn=current_kn, cog_true_deg=90.0, heading_true_deg=90.0, rpm_port=0.0, rpm_stbd=0.0)
    assert stopped["reason"].startswith("in neutral: engines at 0 rpm")


def test_idling_ahead_is_a_band_also_across_a_current() -> None:
    ahead = {"sog_kn": 3.5, "heading_true_deg": 20.0, "rpm_port": 600.0, "rpm_stbd": 600.0}
    assert row_of(**ahead, cog_true_deg=22.0)["accepted"]
    assert row_of(**ahead, cog_true_deg=55.0, stw_kn=3.1)["accepted"]
    assert row_of(**{**ahead, "rpm_port": 0.0}, cog_true_deg=22.0)["accepted"]


def test_a_silence_that_cut_a_hold_is_told_with_its_time_and_its_cost() -> None:
    config = load_config(ENGINES)
    silence = Silence("rpm", 1, 250, 313)
    before = Stretch(10, 240, False, "rpm silent: 6.3 s", silence)
    (hole,) = silence_holes([before], FIRST_NS, config)
    assert (hole.start_ns, hole.stop_ns) == (FIRST_NS + 25_000_000_000, FIRST_NS + 31_300_000_000)
    assert hole.what == "rpm of engine stbd"
    assert hole.cost == "23 s of a hold not used: one leg"
    after = Stretch(320, 700, True, "", silence)
    (hole,) = silence_holes([before, after], FIRST_NS, config)
    assert hole.cost == "23 s of a hold not used"
