"""Our steady-state detector beside the published ones, in small; the long form: ``python -m tests.bench.detectors``."""

from __future__ import annotations

import numpy as np
import pytest

from tests.bench.detectors.compare import GRIDS, OURS, compare
from tests.bench.detectors.score import Score, score
from tests.bench.detectors.tracks import CONDITIONS, make_track

pytestmark = pytest.mark.slow

SEEDS = range(1, 5)


@pytest.fixture(scope="module")
def totals() -> dict[str, Score]:
    """Score of every detector over all conditions of a few seeds."""
    scores = compare(make_track(condition, seed) for condition in CONDITIONS for seed in SEEDS)
    names = {name for _, name in scores}
    return {name: sum((value for (_, of), value in scores.items() if of == name), Score()) for name in names}


@pytest.mark.parametrize("name", GRIDS)
def test_ours_takes_less_of_a_transient_for_steady_than_any_published_detector(
    name: str, totals: dict[str, Score]
) -> None:
    us, them = totals[OURS], totals[name]
    assert us.transient_s / us.accepted_s < them.transient_s / them.accepted_s
    assert us.false / us.accepted < them.false / them.accepted
    assert us.quantile("bias_kn", 1.0) < them.quantile("bias_kn", 1.0)


def test_ours_misses_few_and_its_means_are_what_the_speed_settles_at(totals: dict[str, Score]) -> None:
    us = totals[OURS]
    assert us.missed <= 0.05 * us.wanted
    assert us.quantile("bias_kn", 0.9) < 0.05
    assert us.quantile("bias_kn", 1.0) < 0.15


def test_the_score_of_a_perfect_and_of_a_careless_answer() -> None:
    case = make_track(CONDITIONS[0], 1)
    perfect = score(case, case.steady)
    assert (perfect.missed, perfect.false, perfect.transient_s) == (0, 0, 0.0)
    assert perfect.quantile("start_s", 1.0) == perfect.quantile("stop_s", 1.0) == 0.0
    assert perfect.quantile("bias_kn", 1.0) < 0.1
    careless = score(case, [(0, case.track.sog_kn.size)])
    assert (careless.missed, careless.false) == (careless.wanted, 1)
    assert score(case, []).missed == perfect.wanted > 0


def test_labelled_tracks_are_the_same_for_the_same_seed_and_true_to_their_label() -> None:
    for condition in CONDITIONS:
        first, again = make_track(condition, 3), make_track(condition, 3)
        assert np.array_equal(first.track.sog_kn, again.track.sog_kn)
        assert not np.array_equal(first.track.sog_kn, make_track(condition, 4).track.sog_kn)
        for (a, b), settled in zip(first.steady, first.settled_kn, strict=True):
            assert first.track.sog_kn[a:b].mean() == pytest.approx(settled, abs=0.2)
            assert np.ptp(np.unwrap(first.track.heading_true_deg[a:b], period=360.0)) < 30.0
