"""Steady stretches of a samples table that arrives in pieces: block means, and detection on them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from trialcapture.config import Config
from trialcapture.prepare.candidates import Stretch
from trialcapture.prepare.judge import Track, limits_of
from trialcapture.prepare.series import column
from trialcapture.prepare.steady import SteadyFinder

Floats = npt.NDArray[np.float64]

_WORK_HZ = 4.0


class BlockMeans:
    """Averages samples over blocks of a quarter of a second or more, counted from the very first row.

    The blocks are the same however the table is cut into pieces: rows that do not fill a block wait for the next
    piece, and a block that is never filled is left out. Finer sampling would add no information about a hull that
    takes seconds to answer.

    Args:
        config: Engines and grid.
    """

    def __init__(self, config: Config) -> None:
        """Begin before the first row."""
        self.rows = max(round(config.samples.grid_hz / _WORK_HZ), 1)
        """Number of rows in a block."""
        self.dt_s = self.rows / config.samples.grid_hz
        """Spacing of the blocks [s]."""
        self._names = ["sog_kn", *(f"rpm_{e}" for e in config.engine_ids), "heading_true_deg", "cog_true_deg"]
        self._rest: Floats = np.zeros((len(self._names), 0))

    def push(self, samples: pa.Table) -> Track:
        """Take the next rows and return the blocks they complete; a block with an unknown value is unknown."""
        values = np.concatenate([self._rest, np.vstack([column(samples, name) for name in self._names])], axis=1)
        whole = values.shape[1] // self.rows
        self._rest = values[:, whole * self.rows :].copy()
        blocks = values[:, : whole * self.rows].reshape(len(self._names), whole, self.rows)
        means = blocks[:-2].mean(axis=2)
        # an angle is not averaged across north: the middle sample of a block stands for it
        heading, course = blocks[-2:, :, self.rows // 2]
        over_ground = ~np.isfinite(heading)
        return Track(means[0], means[1:], np.where(over_ground, course, heading), self.dt_s, over_ground)


class SegmentFinder:
    """Finds the steady stretches of samples that arrive in pieces of any size; see `SteadyFinder`.

    Args:
        config: Engines, grid and limits.
    """

    def __init__(self, config: Config) -> None:
        """Begin before the first row."""
        self._blocks = BlockMeans(config)
        self._finder = SteadyFinder(limits_of(config), self._blocks.dt_s)

    def push(self, samples: pa.Table) -> list[Stretch]:
        """Take the next rows and return the stretches that have become final, as rows counted from the first ever."""
        return self._in_rows(self._finder.push(self._blocks.push(samples)))

    def peek(self) -> list[Stretch]:
        """Return what `finish` would return if the recording ended here, and change nothing."""
        return self._in_rows(self._finder.peek())

    def finish(self) -> list[Stretch]:
        """Return the stretches of what is left, with the recording ending here; nothing can be pushed afterwards."""
        return self._in_rows(self._finder.finish())

    def _in_rows(self, stretches: Sequence[Stretch]) -> list[Stretch]:
        rows = self._blocks.rows
        return [s.moved(0, rows) for s in stretches]
