"""The latest samples of a track that arrives in pieces, addressed by their number since the first one."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from trialcapture.prepare.judge import Track

_LEAST = 1024


class TrackStore:
    """Keeps the samples of a track from some sample on, in arrays that are moved only when they are full.

    Args:
        engines: Number of rpm signals.
        dt_s: Spacing [s].
    """

    def __init__(self, engines: int, dt_s: float) -> None:
        """Begin empty."""
        self.engines = engines
        self.size = 0
        """Number of samples ever appended."""
        self._dt_s = dt_s
        self._data: npt.NDArray[np.float64] = np.empty((3 + engines, _LEAST))
        self._begin = 0
        self._end = 0

    @property
    def held(self) -> int:
        """Number of samples kept."""
        return self._end - self._begin

    def append(self, track: Track) -> None:
        """Add samples at the end."""
        n = track.sog_kn.size
        if self._end + n > self._data.shape[1]:
            held = self.held
            room = np.empty((self._data.shape[0], max(2 * (held + n), _LEAST)))
            room[:, :held] = self._data[:, self._begin : self._end]
            self._data, self._begin, self._end = room, 0, held
        at = slice(self._end, self._end + n)
        self._data[0, at] = track.sog_kn
        self._data[1, at] = track.heading_true_deg
        self._data[2, at] = track.over_ground
        self._data[3:, at] = track.rpm
        self._end += n
        self.size += n

    def drop_before(self, index: int) -> None:
        """Forget the samples before a sample number."""
        self._begin = min(max(self._begin, self._end - (self.size - index)), self._end)

    def part(self, start: int, stop: int) -> Track:
        """Return the samples [start, stop) by number; they are valid until the next append."""
        shift = self._end - self.size
        rows = self._data[:, start + shift : stop + shift]
        return Track(rows[0], rows[3:], rows[1], self._dt_s, rows[2] > 0.5)
