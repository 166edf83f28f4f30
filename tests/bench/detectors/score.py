"""How well stretches that a detector accepted agree with the truth of a labelled recording."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from tests.bench.detectors.common import Interval
from tests.bench.detectors.tracks import Case

FALSE_S = 5.0
WANTED_S = 40.0
"""A true stretch this long should be found: the least duration of thirty seconds and ten to spare."""


@dataclass(slots=True)
class Score:
    """Figures of one detector over any number of recordings.

    Attributes:
        wanted: True stretches of `WANTED_S` and more.
        missed: Of them, those in which no accepted stretch mostly lies.
        accepted: Accepted stretches.
        false: Of them, those with more than `FALSE_S` outside the one true stretch they belong to.
        accepted_s: Time accepted.
        transient_s: Of it, time outside every true stretch.
        start_s: Start found minus true start, one value a true stretch found.
        stop_s: The same for the stops.
        pieces: Accepted stretches a true stretch found.
        bias_kn: Measured mean speed of an accepted stretch minus what speed settles at in the true stretch that
            holds most of it, else what it was bound for; one value a stretch.
    """

    wanted: int = 0
    missed: int = 0
    accepted: int = 0
    false: int = 0
    accepted_s: float = 0.0
    transient_s: float = 0.0
    start_s: list[float] = field(default_factory=list)
    stop_s: list[float] = field(default_factory=list)
    pieces: list[int] = field(default_factory=list)
    bias_kn: list[float] = field(default_factory=list)

    def __add__(self, other: Score) -> Score:
        return Score(*(getattr(self, name) + getattr(other, name) for name in self.__dataclass_fields__))

    def quantile(self, name: str, q: float) -> float:
        """Return a quantile of the absolute values of one list, NaN where it is empty."""
        values = np.abs(getattr(self, name))
        return float(np.quantile(values, q)) if values.size else float("nan")


def score(case: Case, found: Sequence[Interval]) -> Score:
    """Compare accepted stretches (half-open indices into the track) with the truth."""
    dt_s = case.track.dt_s
    result = Score(accepted=len(found))
    members: dict[int, list[Interval]] = {}
    for a, b in found:
        overlaps = [max(min(b, d) - max(a, c), 0) for c, d in case.steady]
        best = int(np.argmax(overlaps)) if overlaps else -1
        inside = overlaps[best] if overlaps else 0
        result.accepted_s += (b - a) * dt_s
        result.transient_s += (b - a - sum(overlaps)) * dt_s
        result.false += (b - a - inside) * dt_s > FALSE_S
        mean = float(case.track.sog_kn[a:b].mean())
        if 2 * inside >= b - a:
            members.setdefault(best, []).append((a, b))
            result.bias_kn.append(mean - case.settled_kn[best])
        elif np.isfinite(case.bound_for_kn[a:b]).all():
            result.bias_kn.append(mean - float(np.median(case.bound_for_kn[a:b])))
    for k, (c, d) in enumerate(case.steady):
        if (d - c) * dt_s < WANTED_S:
            continue
        result.wanted += 1
        if k not in members:
            result.missed += 1
            continue
        result.start_s.append((min(a for a, _ in members[k]) - c) * dt_s)
        result.stop_s.append((max(b for _, b in members[k]) - d) * dt_s)
        result.pieces.append(len(members[k]))
    return result


def cost(total: Score) -> float:
    """Return what tuning makes small: every column of the table, each in units of what would matter.

    Shares missed and false, the 90 % errors of start and stop in units of ten seconds (half each), the share of
    accepted time that is transient in units of ten per cent, and the 90 % bias in units of 0.1 kn.
    """
    if not total.start_s or not total.accepted:
        return float("inf")
    return (
        total.missed / max(total.wanted, 1)
        + total.false / total.accepted
        + (total.quantile("start_s", 0.9) + total.quantile("stop_s", 0.9)) / 20.0
        + total.transient_s / total.accepted_s / 0.1
        + total.quantile("bias_kn", 0.9) / 0.1
    )
