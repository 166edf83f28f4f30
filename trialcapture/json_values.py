"""Values as JSON can hold them."""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import Any


def plain(value: Any) -> Any:
    """Return a value as JSON can hold it: NaN and infinity become null, keys, times and paths become text."""
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    if isinstance(value, datetime):
        return value.isoformat()
    return str(value) if isinstance(value, Path) else value
