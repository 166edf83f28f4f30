"""Our detector beside the published ones, on the same labelled recordings; and how theirs were tuned."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any

import numpy as np

from tests.bench.detectors import change_points, r_statistic, sliding_slope, student_t
from tests.bench.detectors.common import Interval
from tests.bench.detectors.score import Score, cost, score
from tests.bench.detectors.tracks import CONDITIONS, Case, make_track
from trialcapture.prepare.steady.detection import find_steady

Detector = Callable[[Case], list[Interval]]

TRAINING_SEEDS = range(1001, 1007)
"""Never among the seeds compared, which count from 1."""

_TRIMS_S = ((0.0, 0.0), (0.0, 2.0), (0.0, 4.0), (5.0, 0.0), (5.0, 2.0), (5.0, 4.0), (10.0, 0.0), (10.0, 2.0),
            (10.0, 4.0), (20.0, 2.0), (20.0, 4.0))  # fmt: skip

GRIDS: Mapping[str, Mapping[str, Sequence[Any]]] = {
    "R-statistic": {
        "lambdas": (
            (0.05, 0.05, 0.05),
            (0.2, 0.1, 0.1),
            (0.2, 0.2, 0.2),
            (0.2, 0.3, 0.3),
            (0.2, 0.4, 0.4),
            (0.3, 0.3, 0.3),
            (0.3, 0.2, 0.2),
            (0.5, 0.3, 0.3),
        ),
        "accept": (1.0, 1.44, 1.74, 2.0, 2.5, 3.0, 4.0),
        "reject": (1.74, 2.0, 2.5, 3.0, 4.0, 5.0),
        "both_ways": (False, True),
        "block_s": (1.0, 2.0, 4.0),
        "trim_s": _TRIMS_S,
        "gap_s": (0.0, 4.0, 8.0),
        "rpm_floor_pct": (0.0, 0.05, 0.1, 0.2, 0.3, 0.5),
        "sog_floor_kn": (0.0, 0.03, 0.06, 0.1, 0.15, 0.2),
    },
    "Student-t": {
        "window_s": (20.0, 30.0, 40.0, 60.0, 90.0),
        "alpha": (0.2, 0.1, 0.05, 0.01, 0.001),
        "least_probability": (0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 1.0),
        "whole": (False, True),
        "block_s": (1.0, 2.0, 4.0),
        "trim_s": _TRIMS_S,
        "gap_s": (0.0, 4.0, 8.0),
        "rpm_floor_pct": (0.0, 0.05, 0.1, 0.2, 0.3, 0.5),
        "sog_floor_kn": (0.0, 0.03, 0.06, 0.1, 0.15, 0.2),
    },
    "sliding slope": {
        "window_s": (16.0, 20.0, 30.0, 40.0, 60.0),
        "alpha": (0.1, 0.05, 0.01, 0.001, 0.0001),
        "sog_change_kn": (0.0, 0.05, 0.1, 0.15, 0.2, 0.3, 0.4, 0.5),
        "rpm_change_pct": (0.0, 0.25, 0.5, 1.0, 1.5, 2.0),
        "whole": (False, True),
        "block_s": (1.0, 2.0, 4.0),
        "trim_s": _TRIMS_S,
        "gap_s": (0.0, 4.0, 8.0),
    },
    "change points": {
        "penalty_share": (0.5, 1.0, 2.0, 4.0, 8.0, 16.0, 32.0),
        "sog_change_kn": (0.05, 0.1, 0.15, 0.2, 0.3, 0.5),
        "rpm_change_pct": (0.25, 0.5, 1.0, 1.5, 2.0),
        "shortest_s": (4.0, 6.0, 10.0, 20.0, 30.0),
        "block_s": (1.0, 2.0, 4.0),
        "trim_s": _TRIMS_S,
        "rpm_floor_pct": (0.05, 0.1, 0.2, 0.3, 0.5),
        "sog_floor_kn": (0.02, 0.05, 0.1, 0.15, 0.2),
    },
}

_MODULES: Mapping[str, Any] = {
    "R-statistic": r_statistic,
    "Student-t": student_t,
    "sliding slope": sliding_slope,
    "change points": change_points,
}
OURS = "trialcapture"


def published(name: str, settings: Any) -> Detector:
    """Return one of the published detectors with settings of its own."""
    module = _MODULES[name]

    def detect(case: Case) -> list[Interval]:
        found: list[Interval] = module.find_steady(case.track, case.least_count_rpm, settings)
        return found

    return detect


def ours(case: Case) -> list[Interval]:
    """Return the stretches the product accepts, with its defaults: nothing of it is tuned here."""
    return [(s.start, s.stop) for s in find_steady(case.track, case.limits) if s.accepted]


def ours_without_guard(case: Case) -> list[Interval]:
    """Return what the product accepts when only what it sees of a transient is cut off: shows what the guard is for."""
    return ours(dataclasses.replace(case, limits=dataclasses.replace(case.limits, guard_s=0.0)))


def detectors() -> dict[str, Detector]:
    """Return every detector compared, ours first, and ours once more without the time it leaves out as a guard."""
    return {
        OURS: ours,
        f"{OURS}, guard_s = 0": ours_without_guard,
        **{name: published(name, TUNED[name]) for name in GRIDS},
    }


def tune(name: str, cases: Sequence[Case], draws: int = 120) -> tuple[Any, float]:
    """Return the settings of a published detector that cost least on training recordings, and that cost.

    Seeded draws from its grid, then a descent along one setting after the other from the three best and from the
    settings in use, until none helps.
    """
    grid = GRIDS[name]
    rng = np.random.default_rng(0)
    known: dict[Any, float] = {}

    def price(settings: Any) -> float:
        if settings not in known:
            detect = published(name, settings)
            known[settings] = cost(sum((score(case, detect(case)) for case in cases), Score()))
        return known[settings]

    start = TUNED[name]
    for _ in range(draws):
        price(start.__class__(**{key: values[int(rng.integers(len(values)))] for key, values in grid.items()}))
    for best in [start, *sorted(known, key=price)[:3]]:
        now = best
        while True:
            near = [dataclasses.replace(now, **{key: value}) for key, values in grid.items() for value in values]
            cheapest = min(near, key=price)
            if price(cheapest) >= price(now):
                break
            now = cheapest
    winner = min(known, key=price)
    return winner, known[winner]


def training_cases() -> list[Case]:
    """Return the recordings the published detectors are tuned on."""
    return [make_track(condition, seed) for condition in CONDITIONS for seed in TRAINING_SEEDS]


def compare(cases: Iterable[Case]) -> dict[tuple[str, str], Score]:
    """Return the score of every detector in every condition, by (condition, detector)."""
    scores: dict[tuple[str, str], Score] = {}
    for case in cases:
        for name, detect in detectors().items():
            key = (case.name, name)
            scores[key] = scores.get(key, Score()) + score(case, detect(case))
    return scores


HEAD = (
    "| {0} | start, error med / 90 % [s] | stop, error med / 90 % [s] | missed | false | transient in accepted [%] "
    "| bias of mean speed med / 90 % / worst [kn] | pieces a stretch |\n|---|---|---|---|---|---|---|---|"
)


def row(name: str, s: Score) -> str:
    """Return one line of the table."""
    pieces = f"{np.mean(s.pieces):.2f}" if s.pieces else "-"
    share = f"{100.0 * s.transient_s / s.accepted_s:.2f}" if s.accepted_s else "-"
    return (
        f"| {name} | {s.quantile('start_s', 0.5):.1f} / {s.quantile('start_s', 0.9):.1f} "
        f"| {s.quantile('stop_s', 0.5):.1f} / {s.quantile('stop_s', 0.9):.1f} "
        f"| {s.missed} of {s.wanted} | {s.false} of {s.accepted} | {share} "
        f"| {s.quantile('bias_kn', 0.5):.3f} / {s.quantile('bias_kn', 0.9):.3f} / {s.quantile('bias_kn', 1.0):.3f} "
        f"| {pieces} |"
    )


TUNED: Mapping[str, Any] = {
    "R-statistic": r_statistic.Settings(
        lambdas=(0.2, 0.4, 0.4),
        accept=1.44,
        reject=1.74,
        block_s=1.0,
        trim_s=(5.0, 0.0),
        gap_s=4.0,
        rpm_floor_pct=0.2,
        sog_floor_kn=0.1,
    ),
    "Student-t": student_t.Settings(
        window_s=40.0,
        alpha=0.01,
        least_probability=0.6,
        whole=False,
        block_s=1.0,
        rpm_floor_pct=0.2,
        sog_floor_kn=0.06,
    ),
    "sliding slope": sliding_slope.Settings(
        window_s=30.0, alpha=0.001, sog_change_kn=0.3, rpm_change_pct=1.0, whole=False, trim_s=(5.0, 0.0), gap_s=8.0
    ),
    "change points": change_points.Settings(
        penalty_share=1.0,
        sog_change_kn=0.2,
        rpm_change_pct=1.5,
        shortest_s=4.0,
        trim_s=(10.0, 0.0),
        rpm_floor_pct=0.2,
        sog_floor_kn=0.15,
    ),
}
"""What `tune` came to on `training_cases`, 26 November 2026; it goes on from here when it is run again."""
