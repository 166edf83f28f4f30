"""Bands of a trial in which people put stretches into another band than the one their engine speed was read in."""

from __future__ import annotations

import numpy as np

from trialcapture.config import Bands
from trialcapture.reduce.bands import SAME_STEP_PCT, Band, assign_bands, band_half_width_rpm, rpm_name
from trialcapture.reduce.legs import IntArray
from trialcapture.reduce.statistics import FloatArray


def assign_relabelled(rpm: FloatArray, label_rpm: FloatArray, settings: Bands) -> tuple[IntArray, list[Band]]:
    """Return the band of each hold (-1 for none) and the bands, ascending, as `assign_bands` does.

    A hold with a label stands in the declared step the label falls into, else in the band whose name is within 1 % of
    it, else in a band of its own; how the other holds are gathered does not depend on it.

    Args:
        rpm: Mean engine speed of each hold [rpm]; NaN without a label is put in no band.
        label_rpm: Band a person put the hold into [rpm]; NaN where nobody did.
        settings: ``[bands]`` of the configuration.
    """
    labelled = np.isfinite(label_rpm)
    number, bands = assign_bands(np.where(labelled, np.nan, rpm), settings)
    if not labelled.any():
        return number, bands
    for label in np.unique(label_rpm[labelled]):
        members = np.flatnonzero(label_rpm == label)
        name, is_declared = _step(float(label), settings)
        apart = np.array([abs(b["band_rpm"] - name) for b in bands])
        if apart.size and apart.min() <= SAME_STEP_PCT / 100.0 * name:
            number[members] = int(np.argmin(apart))
            continue
        half = band_half_width_rpm(settings) if is_declared else 0.0
        low, high = (name - half, name + half) if is_declared else (rpm[members].min(), rpm[members].max())
        number[members] = len(bands)
        bands.append(
            {
                "band_rpm": name,
                "low_rpm": float(low),
                "high_rpm": float(high),
                "declared": is_declared,
                "name": rpm_name(name),
            }
        )
    order = sorted(range(len(bands)), key=lambda b: (float(rpm[number == b].mean()), bands[b]["band_rpm"]))
    place = np.empty(len(bands) + 1, dtype=np.int64)
    place[order] = np.arange(len(bands))
    place[-1] = -1
    return place[number], [_with_members(bands[b], rpm[number == b]) for b in order]


def _step(label_rpm: float, settings: Bands) -> tuple[float, bool]:
    """Return the declared step a label falls into and True, else the label and False."""
    if not settings.is_automatic:
        nearest = min(settings.steps_rpm, key=lambda step: abs(step - label_rpm))
        if abs(nearest - label_rpm) <= band_half_width_rpm(settings):
            return float(nearest), True
    return label_rpm, False


def _with_members(band: Band, rpm: FloatArray) -> Band:
    """Return a band found automatically with the limits of what is in it now."""
    if band["declared"]:
        return band
    return {**band, "low_rpm": float(rpm.min()), "high_rpm": float(rpm.max())}
