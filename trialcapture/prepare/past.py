"""What the episodes so far have told about the sensors and the sea, bounded however long the recording."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from trialcapture.prepare.holds import moves
from trialcapture.prepare.judge import Limits, Track
from trialcapture.prepare.settle import fit_speed, tail_scatter
from trialcapture.prepare.statistics import median

Floats = npt.NDArray[np.float64]

_MOVES_KEPT = 200
_HOLDS_KEPT = 32
_SCATTER_KN2 = (0.01, 0.01, 0.01)
"""Variances of speed within holds that are counted with those observed: a spread of 0.1 kn, as if it had been seen
three times (common practice, no source). So the first holds of a calm or of a rough hour do not decide alone."""


@dataclass(frozen=True, slots=True)
class Past:
    """What is known after some episodes.

    Attributes:
        moves: Per engine, the latest changes of rpm from sample to sample.
        scatter: Variances of speed within the latest holds under way [kn**2].
        rpm_seen: True once any engine's rpm was known.
    """

    moves: tuple[Floats, ...]
    scatter: tuple[float, ...] = ()
    rpm_seen: bool = False

    def with_moves(self, rpm: Floats) -> Past:
        """Add one episode's rpm, shape (engines, n)."""
        new = [moves(engine) for engine in rpm]
        kept = [
            n if n.size >= _MOVES_KEPT else np.concatenate([old, n])[-_MOVES_KEPT:]
            for old, n in zip(self.moves, new, strict=True)
        ]
        return replace(self, moves=tuple(kept), rpm_seen=self.rpm_seen or bool(np.isfinite(rpm).any()))

    def with_scatter(self, parts: list[Track], limits: Limits) -> Past:
        """Add the scatter of speed in one episode's holds."""
        under_way = [p for p in parts if float(p.sog_kn.mean()) >= limits.steady.min_sog_kn]
        found = [tail_scatter(fit_speed(p.sog_kn, p.dt_s)) for p in under_way]
        return replace(self, scatter=(*self.scatter, *(s for s in found if np.isfinite(s)))[-_HOLDS_KEPT:])

    def typical_scatter(self) -> float:
        """Return the typical variance of speed within a hold [kn**2]."""
        return median(np.array([*self.scatter, *_SCATTER_KN2]))
