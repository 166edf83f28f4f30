"""What each run says of speed and current, as equations that are linear about the answer so far."""

from __future__ import annotations

from typing import TypedDict

import numpy as np

from trialcapture.prepare.sample_statistics import wrap_deg
from trialcapture.reduce.current_model import CurrentModel
from trialcapture.reduce.drifts import Drifts, no_drifts
from trialcapture.reduce.legs import IntArray
from trialcapture.reduce.runs import Runs
from trialcapture.reduce.statistics import BoolArray, FloatArray


class Observations(TypedDict):
    """Runs and drifts as linear equations in band speeds, current and compass offset.

    First come the n speeds of the runs along the way through the water, then the cross speeds that heading against
    course shows, then north and east of every drift.
    """

    y: FloatArray
    design: FloatArray
    position: IntArray
    unit: FloatArray
    own_var: FloatArray
    slope_var: FloatArray
    lever_kn: FloatArray
    offset_lever_kn: FloatArray
    """What an error common to all measured headings moves."""
    bend_lever_kn: FloatArray
    """What a bend common to all lines moves, where reciprocal headings stand in for measured ones."""
    leeway_lever_kn: FloatArray
    """What one standard deviation of the leeway, north and east, moves each equation by, shape (N, 2)."""


def _speed_power(speed: FloatArray, rpm: FloatArray) -> FloatArray:
    """Return d ln V / d ln rpm at each band, between 0 and 4; 1 (constant slip) where there is nothing to tell."""
    power = np.ones(speed.size)
    known = np.flatnonzero(np.isfinite(rpm) & (speed > 0))
    if known.size >= 2 and np.all(np.diff(rpm[known]) > 0):
        power[known] = np.clip(np.gradient(np.log(speed[known]), np.log(rpm[known])), 0.0, 4.0)
    return power


def _rpm_excess(runs: Runs, speed_kn: FloatArray, band_rpm: FloatArray) -> FloatArray:
    """Return how much faster each run was than its band because its rpm was higher [kn]; 0 where rpm is unknown."""
    band = runs["band"]
    ratio = runs["rpm"] / band_rpm[band]
    ratio = np.where(np.isfinite(ratio), ratio, 1.0)
    return np.asarray(speed_kn[band] * (ratio ** _speed_power(speed_kn, band_rpm)[band] - 1.0), dtype=np.float64)


def linearise(
    runs: Runs,
    heading_deg: FloatArray,
    measured: BoolArray,
    current_kn: FloatArray,
    speed_kn: FloatArray,
    band_rpm: FloatArray,
    model: CurrentModel,
    drifts: Drifts | None = None,
) -> Observations:
    """Return the equations of all runs and drifts about a current and band speeds assumed so far.

    Args:
        runs: The runs.
        heading_deg: Heading or its stand-in, shape (n,); NaN for none.
        measured: True where a sensor gave the heading.
        current_kn: Current at each run so far, shape (n, 2) or longer.
        speed_kn: Band speeds so far, shape (B,).
        band_rpm: Engine speed the band speeds hold for, shape (B,).
        model: Gives the uncertainty of the slope of speed against rpm.
        drifts: Times at which the boat lay in neutral.
    """
    drifts = no_drifts() if drifts is None else drifts
    band = runs["band"]
    current_kn = current_kn[: band.size]
    through = runs["ground_kn"] - current_kn
    moved_kn = np.maximum(np.hypot(through[:, 0], through[:, 1]), 0.1)
    ahead = through / moved_kn[:, None]
    abeam = np.column_stack([-ahead[:, 1], ahead[:, 0]])
    excess_kn = _rpm_excess(runs, speed_kn, band_rpm)
    with_heading = np.flatnonzero(np.isfinite(heading_deg))
    direction = np.degrees(np.arctan2(through[:, 1], through[:, 0]))
    turned = np.radians(wrap_deg(direction - heading_deg))[with_heading]
    y_along = np.sum(ahead * runs["ground_kn"], axis=1) - excess_kn
    y_across = moved_kn[with_heading] * turned + np.sum(abeam * current_kn, axis=1)[with_heading]
    n, m = band.size, with_heading.size
    design = np.zeros((n + m, speed_kn.size))
    design[np.arange(n), band] = 1.0
    lever = np.concatenate([np.zeros(n), moved_kn[with_heading]])
    sensed = np.concatenate([np.zeros(n, bool), measured[with_heading]])
    run_u_kn = np.hypot(runs["u_kn"], runs["rounding_u_kn"])
    bend = np.where(sensed, 0.0, lever * np.concatenate([np.zeros(n), _way(heading_deg[with_heading])]))
    d = drifts["mid_h"].size
    none = np.zeros(2 * d)
    axes = np.tile(np.eye(2), (d, 1))
    return {
        "y": np.concatenate([y_along, y_across, drifts["velocity_kn"].ravel()]),
        "design": np.concatenate([design, np.zeros((2 * d, speed_kn.size))]),
        "position": np.concatenate([np.arange(n), with_heading, n + np.repeat(np.arange(d), 2)]),
        "unit": np.concatenate([ahead, abeam[with_heading], axes]),
        "own_var": np.concatenate([run_u_kn, runs["u_kn"][with_heading], np.repeat(drifts["u_kn"], 2)]) ** 2,
        "slope_var": np.concatenate([(model.rpm_slope_share * excess_kn) ** 2, np.zeros(m), none]),
        "lever_kn": np.concatenate([lever, none]),
        "offset_lever_kn": np.concatenate([np.where(sensed, lever, 0.0), none]),
        "bend_lever_kn": np.concatenate([bend, none]),
        "leeway_lever_kn": np.concatenate([np.zeros((n + m, 2)), axes * np.repeat(drifts["leeway_u_kn"], 2)[:, None]]),
    }


def _way(heading_deg: FloatArray) -> FloatArray:
    """Return +1 for headings on the side of the first one, -1 for those back."""
    if not heading_deg.size:
        return np.zeros(0)
    return np.where(np.abs(wrap_deg(heading_deg - heading_deg[0])) <= 90.0, 1.0, -1.0)
