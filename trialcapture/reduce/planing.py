"""The slowest planing speed, where a slow run-down shows it."""

from __future__ import annotations

from typing import Any

import pyarrow as pa

from trialcapture.config import Config
from trialcapture.reduce.reduction import Reduction


def find_slowest_planing(
    samples: pa.Table | None, made: Reduction, config: Config
) -> tuple[dict[str, Any] | None, list[dict[str, str]]]:
    """Stub."""
    return None, []
