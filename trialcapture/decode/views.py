"""A buffer seen as the word, or the stretch of bytes, that begins at each of its bytes; nothing is copied."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

U8 = npt.NDArray[np.uint8]


def words_of(buf: U8, size: int) -> npt.NDArray[Any]:
    """Return the little-endian word of `size` bytes (2, 4 or 8) that begins at each byte."""
    return np.ndarray((len(buf) - size + 1,), f"<u{size}", buffer=buf, strides=(1,))


def read_windows(buf: U8, start: npt.NDArray[np.int64], width: int) -> U8:
    """Return the `width` bytes from each position on, at least one, as (n, width)."""
    windows = np.ndarray((len(buf) - width + 1,), f"V{width}", buffer=buf, strides=(1,))
    return windows[start].view(np.uint8).reshape(-1, width)
