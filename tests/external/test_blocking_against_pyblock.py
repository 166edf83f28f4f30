"""Blocking of Flyvbjerg & Petersen 1989 (J. Chem. Phys. 91:461) against pyblock, an independent implementation."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import lfilter

from trialcapture.prepare.sample_statistics import FEWEST_BLOCKS, blocking_error, choose_block

pyblock = pytest.importorskip("pyblock", reason="pyblock is not installed: pip install 'trialcapture[test]'")


def autoregressive(phi: float, n: int, seed: int) -> np.ndarray:
    noise = np.random.default_rng(seed).normal(0.0, np.sqrt(1.0 - phi**2), n + 2000)
    return lfilter([1.0], [1.0, -phi], noise)[2000:]


@pytest.mark.parametrize("n", [64, 900, 4096])
@pytest.mark.parametrize("phi", [0.0, 0.5, 0.9])
def test_the_error_by_blocks_of_any_length_is_that_of_pyblock(n: int, phi: float) -> None:
    x = autoregressive(phi, n, 3)
    levels = [
        (2**k, float(level.std_err))
        for k, level in enumerate(pyblock.blocking.reblock(x))
        if n % 2**k == 0 and n // 2**k >= FEWEST_BLOCKS
    ]
    assert len(levels) >= 3
    for block, theirs in levels:
        error, count = blocking_error(x, block)
        assert error == pytest.approx(theirs, rel=1e-9)
        assert count == n // block


@pytest.mark.parametrize("seed", range(6))
def test_the_block_chosen_is_that_of_pyblock(seed: int) -> None:
    x = autoregressive(0.9, 4096, seed)
    peer = pyblock.blocking.reblock(x)
    (level,) = pyblock.blocking.find_optimal_block(x.size, peer)
    assert choose_block([x]) == 2 ** int(level)
    assert blocking_error(x, choose_block([x]))[0] == pytest.approx(float(peer[int(level)].std_err), rel=1e-9)


def test_the_plateau_of_an_autoregressive_series() -> None:
    # phi 0.9, 4096 samples of unit variance: naively 1/64; exactly sqrt((1+phi)/(1-phi)) / 64 = 0.0681 (theory)
    exact = np.sqrt(1.9 / 0.1) / 64.0
    found = [blocking_error(x, choose_block([x]))[0] for x in (autoregressive(0.9, 4096, s) for s in range(40))]
    assert np.sqrt(np.mean(np.square(found))) == pytest.approx(exact, rel=0.15)
