"""Rounded readings in the reduction: what several of them have in common no averaging takes away."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pyarrow as pa
import pytest

from tests.segment_builder import PLANING_STEPS, build_segments, planing_fuel, reciprocal_legs, steady_current, terms_of
from trialcapture.config import Config, Fuel, load_config
from trialcapture.measure.trial import measure_trial
from trialcapture.reduce.budget import rounding_in_mean

RECTANGLE = 1.0 / np.sqrt(12.0)
ENGINES = ("port", "stbd")
CONFIG = load_config("".join(f'[[engine]]\nid = "{e}"\nrated_rpm = 3500\n' for e in ENGINES))


def with_columns(segments: pa.Table, columns: Mapping[str, np.ndarray]) -> pa.Table:
    """Return segments with columns set or added."""
    for name, values in columns.items():
        array = pa.array(values, pa.float64())
        at = segments.column_names.index(name) if name in segments.column_names else None
        segments = segments.append_column(name, array) if at is None else segments.set_column(at, name, array)
    return segments


def reduce(segments: pa.Table, config: Config = CONFIG) -> tuple[pa.Table, dict]:
    bands, _, summary = measure_trial(segments, config, clocks=None, samples=None, session_id="t")
    return bands, summary


def test_runs_at_one_reading_err_alike_and_others_by_themselves() -> None:
    halves, u = np.array([0.5, 0.5]), np.full(2, RECTANGLE)
    assert rounding_in_mean(halves, np.array([12.0, 12.0]), u) == pytest.approx(RECTANGLE)
    assert rounding_in_mean(halves, np.array([12.0, 13.0]), u) == pytest.approx(RECTANGLE / np.sqrt(2.0))
    many = np.full(8, 1 / 8)
    assert rounding_in_mean(many, np.full(8, 12.0), np.full(8, RECTANGLE)) == pytest.approx(RECTANGLE)
    assert rounding_in_mean(halves, np.array([12.0, np.nan]), u) == pytest.approx(RECTANGLE / 2.0)
    assert rounding_in_mean(halves, np.array([12.0, 12.0]), np.zeros(2)) == 0.0


def test_a_constant_rate_shown_in_whole_litres_is_off_by_no_more_than_it_says() -> None:
    settings = CONFIG.model_copy(update={"fuel": Fuel(uncalibrated_u_pct=0.0)})
    rng = np.random.default_rng(7)
    inside, coarse = [], []
    for _ in range(40):
        factor = rng.uniform(0.05, 0.3)
        segments = build_segments(
            reciprocal_legs(PLANING_STEPS, fuel=lambda rpm, f=factor: f * planing_fuel(rpm)), steady_current(0.5, 0.0)
        )
        true = {e: np.array(segments[f"fuel_l_per_h_{e}_mean"].to_pylist()) for e in ENGINES}
        shown = {f"fuel_l_per_h_{e}_mean": np.rint(true[e]) for e in ENGINES}
        columns = shown | {f"fuel_l_per_h_{e}_rounding_u": np.full(true[e].size, RECTANGLE) for e in ENGINES}
        bands, summary = reduce(
            with_columns(segments, columns | {"fuel_l_per_h_mean": np.sum(list(shown.values()), axis=0)}), settings
        )
        for row, (rpm, _) in zip(bands.to_pylist(), PLANING_STEPS, strict=True):
            off = abs(row["fuel_l_per_h"] - factor * planing_fuel(rpm))
            inside.append(off <= 2.0 * row["fuel_u_l_per_h"])
            # both engines show one reading: a litre in all of what they burn, k = 2
            assert row["fuel_u_l_per_h"] >= 1.9 * RECTANGLE
            wide = row["economy_nm_per_l"] is None or 2.0 * row["economy_u_nm_per_l"] > 0.1 * row["economy_nm_per_l"]
            coarse.append((wide, "coarse-readings" in row["flags"].split(";")))
        told = [w for w in summary.warnings if w.code == "coarse-readings"]
        assert bool(told) == any("coarse-readings" in f for f in bands["flags"].to_pylist())
    assert np.mean(inside) >= 0.95
    assert {wide for wide, _ in coarse} == {True, False}
    assert all(wide == flagged for wide, flagged in coarse)


def test_one_coarse_band_makes_the_others_no_worse() -> None:
    legs = reciprocal_legs(PLANING_STEPS, fuel=planing_fuel)
    segments = build_segments(legs, steady_current(0.5, 0.0))
    true = {e: np.array(segments[f"fuel_l_per_h_{e}_mean"].to_pylist()) for e in ENGINES}
    shown = {e: np.rint(v / 4.0) * 4.0 for e, v in true.items()}
    columns = {f"fuel_l_per_h_{e}_mean": v for e, v in shown.items()}
    columns |= {f"fuel_l_per_h_{e}_rounding_u": np.full(v.size, 4.0 * RECTANGLE) for e, v in shown.items()}
    columns["fuel_l_per_h_mean"] = np.sum(list(shown.values()), axis=0)
    fine, coarse = reduce(segments)[0], reduce(with_columns(segments, columns))[0]
    before, after = (np.array(b["fuel_u_l_per_h"].to_pylist()) for b in (fine, coarse))
    assert after[-1] <= 1.25 * before[-1]
    assert after[0] >= 4.0 * RECTANGLE


def test_rpm_is_given_with_what_its_tachometer_leaves_open() -> None:
    segments = build_segments(reciprocal_legs(PLANING_STEPS, fuel=planing_fuel), steady_current(0.5, 0.0))
    n = segments.num_rows
    for u in (0.0, 50.0 * RECTANGLE):
        bands, _ = reduce(with_columns(segments, {f"rpm_{e}_rounding_u": np.full(n, u) for e in ENGINES}))
        assert bands["rpm_u"].to_pylist() == pytest.approx([u] * bands.num_rows)


def test_speed_in_whole_knots_stands_in_the_budget_as_often_as_it_is_wrong() -> None:
    rng = np.random.default_rng(9)
    inside = []
    for _ in range(30):
        steps = [(rpm, v + rng.uniform(-0.5, 0.5)) for rpm, v in PLANING_STEPS]
        segments = build_segments(reciprocal_legs(steps), steady_current(rng.uniform(0.0, 1.0), rng.uniform(0, 360)))
        shown = np.rint(np.array(segments["sog_kn_mean"].to_pylist()))
        columns = {"sog_kn_mean": shown, "sog_rounding_u_kn": np.full(shown.size, RECTANGLE)}
        bands, summary = reduce(with_columns(segments, columns))
        inside += [
            abs(row["speed_kn"] - v) <= 2.0 * row["speed_u_kn"]
            for row, (_, v) in zip(bands.to_pylist(), steps, strict=True)
        ]
        terms = terms_of(summary)
        assert all(t["rounding"] > 0.1 for t in terms)
        for row, t in zip(bands.to_pylist(), terms, strict=True):
            assert row["speed_u_kn"] == pytest.approx(np.sqrt(sum(u**2 for u in t.values())))
    assert np.mean(inside) >= 0.9
