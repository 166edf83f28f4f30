"""Two standard errors of every mean speed side by side: by effective sample size, and by blocking."""

from __future__ import annotations

from dataclasses import asdict

import numpy as np

from trialcapture.config import Config
from trialcapture.reduce.bands import Band, band_key
from trialcapture.reduce.legs import IntArray, Legs
from trialcapture.reduce.statistics import BoolArray
from trialcapture.reduce.summary import BandStandardErrors, StandardErrorComparison, StandardErrors, TrialStatistics

DISAGREE_FACTOR = 2.0
"""Standard errors further apart than this are told (common practice, no source)."""
_CHANCE = 0.01


def compare_standard_errors(legs: Legs, band: IntArray, bands: list[Band]) -> StandardErrorComparison:
    """Return per band, and for all legs together, the standard error of the mean speed found in two ways.

    The effective sample size of a leg comes from the autocorrelation of all legs; blocking needs none of it. A leg
    holds few blocks, so their own spread is known badly; a band disagrees only where the two differ by more than a
    factor of two beyond what so few blocks leave open (1 % of the chi-square distribution on either side).

    Args:
        legs: Accepted segments.
        band: Band of each leg; negative for none.
        bands: The bands.

    Returns:
        The comparison; bands without a leg long enough for blocks are left out.

    Source: Flyvbjerg & Petersen 1989, J. Chem. Phys. 91:461.
    """
    entries = []
    for b, limits in enumerate(bands):
        entry = _compare(legs, band == b)
        if entry is not None:
            entries.append(BandStandardErrors(**band_key(limits), **asdict(entry)))
    return StandardErrorComparison(DISAGREE_FACTOR, tuple(entries), _compare(legs, band >= 0))


def describe_statistics(legs: Legs, band: IntArray, bands: list[Band], config: Config) -> TrialStatistics:
    """Return what was done to the samples of the legs, and how their standard errors compare."""
    left_out = legs["values"]["n_outliers"]
    known = config.steady.chauvenet and bool(np.isfinite(left_out).any())
    return TrialStatistics(
        chauvenet=config.steady.chauvenet,
        values_left_out=int(np.nansum(left_out)) if known else None,
        standard_errors=compare_standard_errors(legs, band, bands),
    )


def _compare(legs: Legs, members: BoolArray) -> StandardErrors | None:
    from scipy.special import chdtri  # noqa: PLC0415  (slow import, needed here only)

    values = legs["values"]
    by_size, by_blocks, blocks = values["sog_u_kn"], values["sog_u_blocking_kn"], values["sog_blocks"]
    use = members & np.isfinite(by_blocks) & np.isfinite(blocks) & (blocks > 1) & (by_size > 0)
    if not use.any():
        return None
    ours, theirs = (float(np.sqrt(np.mean(u[use] ** 2))) for u in (by_size, by_blocks))
    freedom = float(np.sum(blocks[use] - 1))
    low, high = (float(np.sqrt(chdtri(freedom, p) / freedom)) for p in (1.0 - _CHANCE, _CHANCE))
    ratio = theirs / ours
    return StandardErrors(
        n_eff_u_kn=ours,
        blocking_u_kn=theirs,
        ratio=ratio,
        blocks=int(blocks[use].sum()),
        agree=bool(low / DISAGREE_FACTOR <= ratio <= high * DISAGREE_FACTOR),
    )
