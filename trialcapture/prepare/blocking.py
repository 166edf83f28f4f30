"""The standard error of a mean by blocking: a check on the effective sample size that shares none of its arithmetic."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

FEWEST_BLOCKS = 3
"""Fewer blocks than this tell nothing of their own spread."""


class Level(NamedTuple):
    """What blocks of one length say: standard error of the mean and the standard uncertainty of that error."""

    block: int
    error: float
    error_u: float


def blocking_levels(values: Floats) -> list[Level]:
    """Return the standard error of the mean of a series for blocks of 1, 2, 4 … samples.

    It rises with the block length until blocks are longer than the samples remember, and is flat from there on; an
    odd sample at the end of a level is left out of the longer ones.

    Args:
        values: Samples at one spacing, finite, shape (n,).

    Source: Flyvbjerg & Petersen 1989, J. Chem. Phys. 91:461, equations 25-28.
    """
    levels = []
    x, block = values, 1
    while x.size >= 2:
        error = float(x.std(ddof=1)) / float(np.sqrt(x.size))
        levels.append(Level(block, error, error / float(np.sqrt(2.0 * (x.size - 1)))))
        x, block = 0.5 * (x[: x.size // 2 * 2 : 2] + x[1::2]), 2 * block
    return levels


def choose_block(parts: Sequence[Floats]) -> int:
    """Return the block length [samples] at which the standard error of stretches like these has become flat.

    The shortest B with ``B³ > 2 n g²`` is taken, n the samples of a stretch and g the ratio of variances of the mean
    with and without blocking: there the bias of a block too short equals the noise of blocks too few. Stretches are
    pooled, each about its own mean, because one alone holds few blocks.

    Args:
        parts: Stretches at one common spacing, finite; those shorter than eight samples are passed over.

    Returns:
        A power of two; 1 where there is nothing to learn from. No longer than leaves `FEWEST_BLOCKS` in a stretch of
        middle length.

    Source: criterion of Lee et al. 2011, Phys. Rev. E 83:066706 (from memory).
    """
    known = [p for p in parts if p.size >= 8]
    single = _pooled_variance(known, 1)
    if not known or single <= 0.0:
        return 1
    n = int(np.median([p.size for p in known]))
    block, ratio = 1, 1.0
    while 2 * block * FEWEST_BLOCKS <= n and float(block) ** 3 <= 2.0 * n * ratio**2:
        block *= 2
        ratio = block * _pooled_variance(known, block) / single
    return block


def blocking_error(values: Floats, block: int) -> tuple[float, int]:
    """Return the standard error of the mean from blocks of one length, and how many blocks it rests on.

    Args:
        values: Samples, finite, shape (n,).
        block: Samples a block; what is left over at the end belongs to none.

    Returns:
        NaN and the number of blocks where they are fewer than `FEWEST_BLOCKS`.
    """
    means = _block_means(values, block)
    if means.size < FEWEST_BLOCKS:
        return float(np.nan), means.size
    # the samples left over at the end sharpen the mean they are part of
    return float(means.std(ddof=1)) * float(np.sqrt(block / values.size)), means.size


def _block_means(values: Floats, block: int) -> Floats:
    whole = values.size // block * block
    return np.asarray(values[:whole].reshape(-1, block).mean(axis=1), dtype=np.float64)


def _pooled_variance(parts: Sequence[Floats], block: int) -> float:
    means = [_block_means(p, block) for p in parts]
    apart = [m - m.mean() for m in means if m.size > 1]
    freedom = sum(a.size - 1 for a in apart)
    return sum(float(a @ a) for a in apart) / freedom if freedom else 0.0
