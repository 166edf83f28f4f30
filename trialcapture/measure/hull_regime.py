"""How the hull runs at each speed: displacing, on the plane, or between."""

from __future__ import annotations

import numpy as np

from trialcapture.reduce.summary import Regime
from trialcapture.reduce.uncertainty import BoolArray, FloatArray
from trialcapture.units import G_M_PER_S2, KN_M_PER_S

DISPLACEMENT_FNV = 1.0
"""Below this volumetric Froude number the hull displaces (Radojcic et al. 2014, Polish Maritime Research 21(2):9)."""
PLANING_FNV = 1.5
"""From here on a hull made for it may be past its hump: the middle of the pre-planing range 1 to 2 of Savitsky &
Brown 1976 (Marine Technology 13:381; from memory)."""
PAST_HUMP_FNV, FULL_PLANING_FNV = 2.0, 3.5
"""Past the pre-planing range of 1 to 2 (Savitsky & Brown 1976), and where planing is full at the latest (3 to 3.5 in
Radojcic et al. 2014)."""
DISPLACEMENT_FNL = 0.4
"""By length, where displacement and hump are unknown: below it the hull displaces (Radojcic et al. 2014)."""
PLANING_FNL = 1.0
"""Same: from here on it planes (Radojcic et al. 2014)."""
HUMP_RISE_PCT = 8.0
"""The advance per revolution must rise by this much past its lowest value to call that the hump (no source)."""


def length_froude_number(speed_kn: float, length_m: float) -> float:
    """Return ``V / sqrt(g L)`` [-] (Froude; any text on ship resistance)."""
    return speed_kn * KN_M_PER_S / float(np.sqrt(G_M_PER_S2 * length_m))


def volumetric_froude_number(speed_kn: float, volume_m3: float) -> float:
    """Return ``V / sqrt(g ∇^(1/3))`` [-] (Radojcic et al. 2014, Polish Maritime Research 21(2):9)."""
    return speed_kn * KN_M_PER_S / float(np.sqrt(G_M_PER_S2 * volume_m3 ** (1.0 / 3.0)))


def froude_numbers(
    speed_kn: float, volume_m3: float | None, length_m: float | None
) -> tuple[float | None, float | None]:
    """Return the volumetric and the length Froude number of a speed; None where the boat is unknown."""
    by_volume = None if volume_m3 is None else volumetric_froude_number(speed_kn, volume_m3)
    return by_volume, None if length_m is None else length_froude_number(speed_kn, length_m)


def find_hump(rpm: FloatArray, speed_kn: FloatArray) -> int | None:
    """Return the band at the hump, or None where the curve shows none.

    Climbing its own bow wave a hull gains less and less speed per revolution; over the hump it gains more again. The
    hump is the band with the least speed per revolution, between bands that have clearly more of it.

    Args:
        rpm: Ascending, shape (B,).
        speed_kn: Through water, shape (B,).
    """
    advance = speed_kn / rpm
    known = np.flatnonzero(np.isfinite(advance))
    if known.size < 3:
        return None
    low = int(known[np.argmin(advance[known])])
    before, after = advance[known[known < low]], advance[known[known > low]]
    if not before.size or not after.size:
        return None
    least = (1.0 + HUMP_RISE_PCT / 100.0) * advance[low]
    return low if before.max() >= least and after.max() >= least else None


def find_regimes(
    rpm: FloatArray,
    speed_kn: FloatArray,
    *,
    planing_hull: bool,
    volume_m3: float | None,
    length_m: float | None,
) -> tuple[list[Regime], str]:
    """Return the regime of every band and what it was judged by.

    The volumetric Froude number decides where the displacement is known, the hump of the speed-against-rpm curve
    where it is not, the length Froude number where there is no hump either. With a hump, no band up to it planes.

    Args:
        rpm: Mean of each band, ascending; NaN where unknown.
        speed_kn: Through water.
        planing_hull: False for a boat that is not made to plane.
        volume_m3: Volume displaced.
        length_m: Length of the boat.
    """
    if not planing_hull:
        return ["displacement"] * speed_kn.size, "the boat is stated not to plane"
    hump = find_hump(rpm, speed_kn)
    if volume_m3 is not None:
        numbers = np.array([volumetric_froude_number(v, volume_m3) for v in speed_kn])
        regimes = _by_number(numbers, DISPLACEMENT_FNV, PLANING_FNV)
        if hump is not None:
            regimes = ["between" if r == "planing" and k <= hump else r for k, r in enumerate(regimes)]
        return regimes, "volumetric Froude number" + ("" if hump is None else " and the hump of speed against rpm")
    if hump is not None:
        return [
            "displacement" if k < hump else "between" if k == hump else "planing" for k in range(speed_kn.size)
        ], "the hump of speed against rpm"
    if length_m is not None:
        numbers = np.array([length_froude_number(v, length_m) for v in speed_kn])
        return _by_number(numbers, DISPLACEMENT_FNL, PLANING_FNL), "length Froude number"
    return ["unknown"] * speed_kn.size, "nothing: neither displacement nor length nor a hump is known"


def is_past_hump(speed_kn: FloatArray, volume_m3: float | None, length_m: float | None) -> BoolArray:
    """Return True where a speed lies clearly past the hump: by volume, else by length; False where neither is known."""
    if volume_m3 is not None:
        return np.array([volumetric_froude_number(v, volume_m3) >= PAST_HUMP_FNV for v in speed_kn], dtype=np.bool_)
    if length_m is not None:
        return np.array([length_froude_number(v, length_m) >= PLANING_FNL for v in speed_kn], dtype=np.bool_)
    return np.zeros(speed_kn.size, dtype=np.bool_)


def _by_number(numbers: FloatArray, displacement: float, planing: float) -> list[Regime]:
    return ["displacement" if x < displacement else "planing" if x >= planing else "between" for x in numbers]
